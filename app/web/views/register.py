"""The pages of the housing register: what a file would do, and the form of a nameplate."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from urllib.parse import quote

from app.domain.filling import NOT_KNOWN
from app.domain.housing import MOST_PORTS, Housing
from app.domain.housing_cells import HOUSING_COLUMNS, PORT_COLUMNS, Column, Kind, housing_cells, port_cells
from app.domain.site import SiteState
from app.records.register_check import Checked
from app.web.entered import Refilled

MOST_TOLD = 1_000
"""So many faults or changes stand on one page (our figure)."""


@dataclass(frozen=True, slots=True)
class CheckPage:
    """What a file would do.  digest: of its bytes, where it may be entered.  more: changes that are not shown.

    seen: the size of the site's ledger on which this was found.
    """

    kind: str
    digest: str
    seen: int
    rows: tuple[tuple[str, str, str], ...]
    more: int
    faults: tuple[str, ...]
    count: int
    added: int
    changed: int
    same: int
    filters_in: int
    filters_out: int
    form: Refilled


def check_page(checked: Checked, kind: str, digest: str, seen: int, form: Refilled) -> CheckPage:
    """Return the page of a checked file, faults first."""
    into = [item for item in checked.fillings if item.filter is not None]
    rows = [(item.after.tag, "new", item.after.location) for item in checked.added]
    rows += [(item.after.tag, "changed", item.words) for item in checked.changed]
    rows += [
        (
            item.housing,
            f"{item.port} position {item.position}",
            item.filter.serial if item.filter else NOT_KNOWN,
        )
        for item in checked.fillings
    ]
    return CheckPage(
        kind=kind,
        digest=digest,
        seen=seen,
        rows=tuple(rows[:MOST_TOLD]),
        more=max(len(rows) - MOST_TOLD, 0),
        faults=tuple(fault.told for fault in checked.faults[:MOST_TOLD]),
        count=len(checked.faults),
        added=len(checked.added),
        changed=len(checked.changed),
        same=checked.same,
        filters_in=len(into),
        filters_out=len(checked.fillings) - len(into),
        form=form,
    )


@dataclass(frozen=True, slots=True)
class Field:
    """A field of the nameplate form.  look: line, lines or choice."""

    name: str
    label: str
    told: str
    look: str
    value: str
    required: bool
    options: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PlatePage:
    """The form of a nameplate.  tag: of the housing that is changed; empty for a new one.

    shown: digest of the text from which the form was filled first, also after a refusal.
    """

    tag: str
    shown: str
    action: str
    fields: tuple[Field, ...]
    ports: tuple[tuple[str, tuple[Field, ...]], ...]
    form: Refilled


def plate_page(housing: Housing | None, shown: str, form: Refilled) -> PlatePage:
    """Return the form, filled with the nameplate or with what was typed, and with room for one port more."""
    cells = housing_cells(housing) if housing else {}
    ports = port_cells(housing) if housing else ()
    typed = bool(form.fields)
    blocks = max(len(ports), _highest(form.fields)) + 1
    names = [f"port.{number}." for number in range(1, min(blocks, MOST_PORTS) + 1)]
    return PlatePage(
        tag=housing.tag if housing else "",
        shown=form["shown"] if typed else shown,
        action=f"/housings/{quote(housing.tag, safe='')}/change" if housing else "/register/new",
        fields=tuple(
            _field(column, "", form.fields if typed else cells) for column in HOUSING_COLUMNS
            if housing is None or column.name != "tag"
        ),
        ports=tuple(
            (_port_title(place, ports), tuple(
                _field(column, name, form.fields if typed else _prefixed(name, ports, place)) for column in PORT_COLUMNS
            ))
            for place, name in enumerate(names)
        ),
        form=form,
    )  # fmt: skip


def typed_plate(fields: Mapping[str, str]) -> tuple[dict[str, str], list[dict[str, str]]]:
    """Return the cells of a posted form: of the housing, and of each port of which anything was typed."""
    cells = {column.name: _plain(fields.get(column.name, "")) for column in HOUSING_COLUMNS}
    ports = [
        {column.name: _plain(fields.get(f"port.{number}.{column.name}", "")) for column in PORT_COLUMNS}
        for number in range(1, MOST_PORTS + 1)
    ]
    return cells, [port for port in ports if any(port.values())]


def _plain(text: str) -> str:
    return text.replace("\r\n", "\n").replace("\r", "\n").strip()


def _highest(fields: Mapping[str, str]) -> int:
    numbers = [name.split(".")[1] for name, text in fields.items() if name.startswith("port.") and text]
    return max((int(number) for number in numbers if number.isascii() and number.isdigit()), default=0)


def _port_title(place: int, ports: Sequence[Mapping[str, str]]) -> str:
    return f"Port {ports[place]['port']}" if place < len(ports) else "One port more"


def _prefixed(name: str, ports: Sequence[Mapping[str, str]], place: int) -> dict[str, str]:
    return {f"{name}{key}": text for key, text in ports[place].items()} if place < len(ports) else {}


def _field(column: Column, prefix: str, values: Mapping[str, str]) -> Field:
    long = column.kind is Kind.LINES or column.most > 200
    look = "choice" if column.options else "lines" if long else "line"
    name = f"{prefix}{column.name}"
    return Field(
        name, column.label, column.told, look, values.get(name, ""), column.required and not prefix, column.options
    )


@dataclass(frozen=True, slots=True)
class RegisterPage:
    """The register as a whole.  columns: of the table: name, what goes in, whether it must be there."""

    housings: int
    filters: int
    differences: int
    columns: tuple[tuple[str, str, str], ...]
    may_enter: bool
    form: Refilled


def register_page(housings: int, state: SiteState, *, may_enter: bool, form: Refilled) -> RegisterPage:
    """Return the page from which the register is taken, sent and entered."""
    from app.records.register_csv import COLUMNS

    return RegisterPage(
        housings=housings,
        filters=len(state.housed.serials),
        differences=len(state.housed.differences),
        columns=tuple((column.name, _words(column), "required" if column.required else "") for column in COLUMNS),
        may_enter=may_enter,
        form=form,
    )


def _words(column: Column) -> str:
    options = f": {', '.join(column.options)}" if column.options else ""
    return f"{column.told}{options}"
