"""The pages of packages: rows of plain text, made from the pure parts."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from app.domain.containment.state import Filling
from app.domain.job import JobState
from app.domain.made import LeftOnRing
from app.domain.packages import WastePackage, left_on_rings
from app.domain.procedure import Role
from app.domain.registers import LONGEST_REASON
from app.domain.site import SiteState
from app.domain.waste import FACTS, PACKAGE_KINDS, ContainerKept, Waste, Where, Whereabouts
from app.domain.wasting import LONGEST_TEXT, lacks, where_of
from app.records.moments import local_text
from app.records.package_label import (
    NOT_ENTERED,
    RATES,
    Serials,
    contents_words,
    from_words,
    label_lines,
    label_text,
    serial_words,
    weight_words,
)
from app.services.ports import Session
from app.web.entered import NOTHING, Refilled
from app.web.views.work import HeadLine, head_line

PICK = "p."
"""What the field of a chosen package begins with."""
NUMERIC = frozenset({"weight", "contact", "one_metre", "smear"})
HINTS = {
    "sides": "bag included, such as 640 x 640 x 320", "hazard": "such as Cs-137, or the compound",
    "dose_unit": "mrem/h, mSv/h or µSv/h for a transport label", "no_scale": "if there is no scale",
}  # fmt: skip
GROUPS = (
    ("Weight and size", ("weight", "scale", "no_scale", "sides")),
    ("Dose rate and smear", ("contact", "one_metre", "dose_unit", "dose_meter", "smear", "smear_unit",
                             "smear_counter")),
    ("For the label", ("serial", "hazard", "stream")),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class FieldRow:
    """One field of a form about packages."""

    name: str
    label: str
    hint: str
    numeric: bool


@dataclass(frozen=True, slots=True)
class PackageRow:
    """One package: what it is, where, who answers, what is open."""

    name: str
    contents: str
    origin: str
    serial: str
    weight: str
    where: str
    answers: str
    open: tuple[str, ...]
    excused: str
    label: str
    chosen: bool
    here: bool
    since: str = ""


@dataclass(frozen=True, slots=True)
class PackagesPage:
    """The packages of a job, with the forms about them.  rings: what is on the rings now and leaves next time."""

    head: HeadLine
    rows: tuple[PackageRow, ...]
    account: str
    rings: tuple[str, ...]
    groups: tuple[tuple[str, tuple[FieldRow, ...]], ...]
    kinds: tuple[tuple[str, str], ...]
    ports: tuple[str, ...]
    containers: tuple[tuple[str, str], ...]
    may_lead: bool
    may_add: bool
    forms: Mapping[str, Refilled]
    longest: int = LONGEST_TEXT
    longest_reason: int = LONGEST_REASON
    units: tuple[str, ...] = field(default_factory=lambda: tuple(RATES)[:3])

    @property
    def told(self) -> str:
        """The sentence of a refusal, if one of the forms was refused."""
        return next((form.told for form in self.forms.values() if form.told), "")

    @property
    def here(self) -> tuple[PackageRow, ...]:
        """The packages that something may still be entered of."""
        return tuple(row for row in self.rows if row.here)


FORMS = ("facts", "closure", "placed", "added", "missing", "excused")


def packages_page(
    job: str, state: JobState, site: SiteState, packages: Sequence[WastePackage], serials: Serials,
    session: Session, *, of: str = "", refused: Mapping[str, Refilled],
) -> PackagesPage:  # fmt: skip
    """Return the page; of: the package that is chosen on the forms beforehand."""
    rows = tuple(package_row(item, site, serials, chosen=of == item.name or len(packages) == 1) for item in packages)
    opened = state.opened
    return PackagesPage(
        head=head_line(job, state, session),
        rows=rows,
        account=_account(rows, kept=opened is not None and opened.rings is not None),
        rings=tuple(ring_words(item) for item in left_on_rings(state)),
        groups=tuple((title, tuple(map(_field, names))) for title, names in GROUPS),
        kinds=tuple(PACKAGE_KINDS.items()),
        ports=tuple(port.id for port in opened.housing.ports) if opened else (),
        containers=tuple((name, f"{name}, at {kept.place}") for name, kept in open_containers(site.waste)),
        may_lead=session.who.role is Role.LEAD,
        may_add=state.accepted is None,
        forms={name: refused.get(name, NOTHING) for name in FORMS},
    )


def open_containers(waste: Waste) -> list[tuple[str, ContainerKept]]:
    """Return the containers that are still here, by name."""
    return [(name, kept) for name, kept in sorted(waste.containers.items()) if name not in waste.sent]


def _field(name: str) -> FieldRow:
    return FieldRow(name, FACTS[name], HINTS.get(name, ""), name in NUMERIC)


def _account(rows: Sequence[PackageRow], *, kept: bool) -> str:
    """Say how the account of a job stands."""
    if not kept:
        return "This job was opened before packages were accounted for; nothing here keeps its record open."
    if not rows:
        return "No cut has made a package yet, and none has been entered."
    waiting = [row for row in rows if row.open and not row.excused]
    if not waiting:
        return f"{_counted(len(rows))}, each with closure check, weight or reason, and owner: the account is even."
    return f"{_counted(len(rows))}, {len(waiting)} not accounted for yet. The job goes to review when none is left."


def _counted(number: int) -> str:
    return "1 package" if number == 1 else f"{number} packages"


def package_row(item: WastePackage, site: SiteState, serials: Serials, *, chosen: bool = False) -> PackageRow:
    """Return one package as a row."""
    waste = site.waste
    where, facts, excused = where_of(waste, item), waste.told(item.name), waste.excused.get(item.name)
    no_filter = item.filling is Filling.EMPTY or item.filling is None
    return PackageRow(
        name=item.name,
        contents=contents_words(item),
        origin=from_words(item),
        serial="" if no_filter else f"serial {serial_words(item, facts, serials)}",
        weight=weight_words(facts) if facts else f"weight {NOT_ENTERED}",
        where=where_words(where),
        answers=where.answers,
        open=lacks(waste, item),
        excused=f"Left open by a lead: {excused.reason}" if excused else "",
        label=label_text(label_lines(item, waste, serials, site.zone)),
        chosen=chosen,
        here=where.kind not in (Whereabouts.HANDED_OVER, Whereabouts.GONE),
        since=local_text(where.at, site.zone),
    )


def where_words(where: Where) -> str:
    """Say where a package is."""
    match where.kind:
        case Whereabouts.CONTAINER:
            return f"in container {where.place}"
        case Whereabouts.PLACE:
            return f"at {where.place}"
        case Whereabouts.JOB:
            return f"still where it was made, {where.place}"
        case Whereabouts.LOST | Whereabouts.NEVER_MADE:
            return f"{where.kind.upper()}: {where.why}"
        case Whereabouts.GONE:
            return f"gone with {where.place}, certificate {where.why}"
        case _:
            return f"handed over with {where.place}"


def ring_words(left: LeftOnRing) -> str:
    """Say what stays on a ring and leaves with the first package of the next change-out."""
    stubs = "no stub" if not left.stubs else "1 stub" if left.stubs == 1 else f"{left.stubs} stubs"
    torn = f" and {left.torn} torn bag{'' if left.torn == 1 else 's'}" if left.torn else ""
    return f"Port {left.port}: {stubs}{torn} in the bag on the ring now."


def picked(fields: Mapping[str, str]) -> tuple[str, ...]:
    """Return the packages that were ticked on a form."""
    return tuple(name.removeprefix(PICK) for name in fields if name.startswith(PICK))
