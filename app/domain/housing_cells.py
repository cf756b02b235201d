r"""A housing as named cells of plain text, as a table or a form has them, and back.

Limits, practice and design values are no cells: whatever a housing has of them stays as it is.  Where a cell holds
several things each stands on a line of its own; where these have parts, `;` is between them.  Within a part `\;`, `\\`,
`\n` and `\r` stand for what they would otherwise part.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from pydantic import ValidationError

from app.domain.housing import MOST_FILTERS, MOST_PORTS, Bank, Housing, PointKind, Seal, Service

_TAG = re.compile(r"[^\s/\\<>\"'][^/\\<>\"']*")
_NO_LABEL = "a label is 1 to 40 characters without quotes, slashes, < or >"


class Kind(StrEnum):
    """What a cell holds."""

    TEXT = "text"
    TAG = "label"
    WHOLE = "whole number"
    CHOICE = "one of a list"
    LINES = "one a line"


@dataclass(frozen=True, slots=True)
class Column:
    """A cell by its name.  label: on forms.  parts: of each line, by the field of the model; none: it is whole.

    most: characters of a text, or the highest whole number.
    """

    name: str
    label: str
    told: str
    kind: Kind = Kind.TEXT
    required: bool = False
    most: int = 200
    options: tuple[str, ...] = ()
    parts: tuple[str, ...] = ()
    default: str | None = None


HOUSING_COLUMNS = (
    Column("tag", "Tag", "what the label on the housing reads", Kind.TAG, required=True),
    Column("location", "Place", "where it stands", required=True),
    Column("service", "Service", "what the air carried", Kind.CHOICE, required=True, options=tuple(Service)),
    Column("seal", "Seal", "of the filters against the frame", Kind.CHOICE, required=True, options=tuple(Seal)),
    Column("upstream_damper", "Upstream damper", "its label", Kind.TAG, required=True),
    Column("downstream_damper", "Downstream damper", "its label", Kind.TAG, required=True),
    Column("fan", "Fan", "its label; nothing means “exhaust fan”", Kind.TAG, default="exhaust fan"),
    Column("isolation_points", "Isolation points", "each as: id; label; damper, fan, purge, sample or other; safe "
           "position. Nothing means the two dampers and the fan", Kind.LINES, parts=("id", "tag", "kind", "safe")),
    Column("neighbours", "Look-alike labels nearby", "each on a line", Kind.LINES),
    Column("access", "Access", "how one gets to it", most=500),
    Column("hazards", "Hazards of the place", "each on a line", Kind.LINES),
    Column("gauges", "Gauges", "each as: label; what it shows; scale", Kind.LINES, parts=("tag", "reads", "scale")),
    Column("test_ports", "Test ports", "each as: label; where it is", Kind.LINES, parts=("tag", "at")),
    Column("notes", "Notes", "anything else", most=2000, default=""),
)  # fmt: skip
PORT_COLUMNS = (
    Column("port", "Port", "its id on the housing, such as P1", Kind.TAG, required=True),
    Column("bank", "Bank", "what its filters are for", Kind.CHOICE, required=True, options=tuple(Bank)),
    Column("filters", "Filters in series", f"1 to {MOST_FILTERS}", Kind.WHOLE, required=True, most=MOST_FILTERS),
    Column("filter", "Filter type", "size and seal, such as 24x24x11.5 gasket", required=True, most=80),
    Column("deepest", "Replaced down to", "a position, if not all are replaced", Kind.WHOLE, most=MOST_FILTERS),
    Column("clamp", "Clamp, as steps call it", "nothing means “filter clamp”", most=200, default="filter clamp"),
    Column("clamp_type", "Clamp type", "how it is driven", most=60),
    Column("ring", "Ring size", "of the bagging ring", most=60),
    Column("bag", "Bag size", "of the bags that fit it", most=60),
)
OPTIONAL_PARTS = {"scale"}
_PORT_FIELD = {"port": "id"}


@dataclass(frozen=True, slots=True)
class CellFault(Exception):  # noqa: N818  (a fault of a cell, told and not raised to a page)
    """What is wrong with one cell.  port: which of the ports given, counted from 0; None for the housing."""

    column: str
    sentence: str
    port: int | None = None


# --- out ----------------------------------------------------------------------------------------


def housing_cells(housing: Housing) -> dict[str, str]:
    """Return the cells of a housing without its ports."""
    values = housing.model_dump(mode="json", exclude_none=True)
    return {column.name: _cell(column, values.get(column.name)) for column in HOUSING_COLUMNS}


def port_cells(housing: Housing) -> tuple[dict[str, str], ...]:
    """Return the cells of each port, in their order."""
    rows = [port.model_dump(mode="json", exclude_none=True) for port in housing.ports]
    return tuple(
        {column.name: _cell(column, values.get(_PORT_FIELD.get(column.name, column.name))) for column in PORT_COLUMNS}
        for values in rows
    )


def _cell(column: Column, value: Any) -> str:
    if value is None:
        return ""
    if column.kind is not Kind.LINES:
        return str(value)
    return "\n".join(
        "; ".join(_escaped(item[part]).replace(";", "\\;") for part in column.parts if part in item)
        if column.parts else _escaped(item)
        for item in value
    )  # fmt: skip


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace("\n", "\\n").replace("\r", "\\r")


_ESCAPES = {"n": "\n", "r": "\r"}


def _parts(line: str, between: str = ";") -> list[str]:
    """Part a line at each sign `between` that is not escaped, and read the escapes."""
    parts, place = [""], 0
    while place < len(line):
        char = line[place]
        if char == "\\" and place + 1 < len(line):
            place += 1
            parts[-1] += _ESCAPES.get(line[place], line[place])
        elif char == between:
            parts.append("")
        else:
            parts[-1] += char
        place += 1
    return [part.strip() for part in parts]


# --- in -----------------------------------------------------------------------------------------


def housing_from(
    base: Housing | None, cells: Mapping[str, str], ports: Sequence[Mapping[str, str]]
) -> tuple[Housing | None, tuple[CellFault, ...]]:
    """Return the housing that these cells describe, or every fault of them.

    base: the housing as it is, for what is no cell.
    """
    faults: list[CellFault] = []
    values: dict[str, Any] = _values(HOUSING_COLUMNS, cells, None, faults)
    rows = [_values(PORT_COLUMNS, port, place, faults) for place, port in enumerate(ports)]
    if not 1 <= len(ports) <= MOST_PORTS:
        faults.append(CellFault("port", f"{len(ports)} ports were given; a housing has 1 to {MOST_PORTS}. Correct it."))
    faults += _ports_alike(ports)
    if faults:
        return None, tuple(faults)
    kept = {} if base is None else {"limits": base.limits, "practice": base.practice, "design": base.design}
    try:
        return Housing.model_validate({**kept, **values, "ports": rows}), ()
    except ValidationError as error:
        found = error.errors(include_url=False)
        deeper = [item for item in found if item["loc"] != ("ports",)] or found
        return None, tuple(_told(item["loc"], item["msg"], values) for item in deeper)


def _values(
    columns: Sequence[Column], cells: Mapping[str, str], port: int | None, faults: list[CellFault]
) -> dict[str, Any]:
    values = {}
    for column in columns:
        try:
            value = _value(column, cells.get(column.name, "").strip())
        except CellFault as fault:
            faults.append(CellFault(fault.column, fault.sentence, port))
            continue
        if value is not None:
            values[_PORT_FIELD.get(column.name, column.name)] = value
    return values


def _value(column: Column, text: str) -> Any:
    if not text:
        if column.required:
            raise CellFault(column.name, f"nothing was given. Give {_a(column)}.")
        return column.default
    match column.kind:
        case Kind.TEXT:
            if len(text) > column.most:
                raise CellFault(
                    column.name,
                    f"{len(text)} characters were given; {column.most} is the most this program takes. Shorten it.",
                )
            return text
        case Kind.TAG:
            _complain_of_label(column.name, text)
            return text
        case Kind.WHOLE:
            if not (text.isascii() and text.isdigit() and len(text) < 4 and 1 <= int(text) <= column.most):
                raise CellFault(column.name, f"{_short(text)} is no whole number from 1 to {column.most}. Correct it.")
            return int(text)
        case Kind.CHOICE:
            if text not in column.options:
                raise CellFault(
                    column.name, f"{_short(text)} is not one of {', '.join(column.options)}. Give one of these."
                )
            return text
        case Kind.LINES:
            return [_item(column, line) for line in text.split("\n") if line.strip()]


def _item(column: Column, line: str) -> Any:
    if not column.parts:
        (whole,) = _parts(line.strip(), "")
        if column.name == "neighbours":
            _complain_of_label(column.name, whole)
        return whole
    parts = _parts(line.strip())
    least = sum(part not in OPTIONAL_PARTS for part in column.parts)
    if not least <= len(parts) <= len(column.parts) or not all(parts[:least]):
        raise CellFault(
            column.name, f"{_short(line)} has {len([part for part in parts if part])} parts. Give {column.told}."
        )
    item = dict(zip(column.parts, parts, strict=False))
    for part in ("id", "tag"):
        if part in item:
            _complain_of_label(column.name, item[part])
    if item.get("kind", PointKind.OTHER) not in tuple(PointKind):
        raise CellFault(column.name, f"{_short(item['kind'])} is not one of {', '.join(PointKind)}. Give one of these.")
    return {part: text for part, text in item.items() if text}


def _complain_of_label(column: str, text: str) -> None:
    if len(text) > 40 or not _TAG.fullmatch(text):
        raise CellFault(column, f"{_short(text)} cannot be a label: {_NO_LABEL}. Write it as the label reads.")


def _ports_alike(ports: Sequence[Mapping[str, str]]) -> list[CellFault]:
    found, seen = [], set[str]()
    for place, port in enumerate(ports):
        name = port.get("port", "").strip()
        if name and name in seen:
            found.append(CellFault("port", f"{_short(name)} is there twice. Give each port an id of its own.", place))
        seen.add(name)
    return found


_COLUMN_OF = {"dampers have the same": "downstream_damper", "isolation point": "isolation_points",
              "neighbours": "neighbours", "two gauges": "gauges", "two test ports": "test_ports",
              "two ports": "port"}  # fmt: skip


def _told(place: tuple[int | str, ...], message: str, values: Mapping[str, Any]) -> CellFault:
    """Say what the model found in the words of the cell that it is about."""
    told = message.removeprefix("Value error, ").rstrip(".")
    name = str(place[0]) if place else next((name for part, name in _COLUMN_OF.items() if part in told), "tag")
    if name == "ports":
        port = int(place[1]) if len(place) > 1 else None
        field = str(place[2]) if len(place) > 2 else "deepest"
        return CellFault("port" if field == "id" else field, f"{told}. Correct it.", port)
    given = f"{_short(str(values[name]))}: " if name in values and not isinstance(values[name], list) else ""
    return CellFault(name, f"{given}{told}. Correct it.")


def _a(column: Column) -> str:
    return f"one of {', '.join(column.options)}" if column.options else column.told


def _short(text: str) -> str:
    shown = " ".join(text.split())
    return f"“{shown[:60]}{'…' if len(shown) > 60 else ''}”"
