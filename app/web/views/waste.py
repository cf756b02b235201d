"""The pages of packages: rows of plain text, made from the pure parts."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from app.calc.errors import Invalid
from app.domain.containment.state import Filling
from app.domain.job import JobState
from app.domain.made import LeftOnRing
from app.domain.packages import WastePackage, left_on_rings
from app.domain.packing import room_in
from app.domain.procedure import Role
from app.domain.registers import LONGEST_REASON
from app.domain.signing import WASTE_OVER
from app.domain.site import SiteState
from app.domain.waste import FACTS, PACKAGE_KINDS, ContainerKept, Handover, Waste, Where, Whereabouts
from app.domain.wasting import LONGEST_TEXT, lacks, not_ready, where_of
from app.records.moments import local_text, site_day
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
from app.records.waste_sheet import container_words
from app.services.ports import Session
from app.web.entered import NOTHING, Refilled
from app.web.views.work import HeadLine, head_line

PICK = "p."
"""What the field of a chosen package begins with."""
WEIGHT = "kg."
"""What the field of one package's weight begins with."""
NUMERIC = frozenset({"weight", "contact", "one_metre", "smear"})
HINTS = {
    "sides": "bag included, such as 640 x 640 x 320", "hazard": "such as Cs-137, the agent, or the compound",
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
    """One package: what it is, where, who answers, what is open.  noted: whether it is among the review's findings."""

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
    noted: bool = False
    weighed: bool = False


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

    @property
    def to_weigh(self) -> tuple[PackageRow, ...]:
        """The packages that still want a weight, where there are several: one form takes all of them."""
        form = self.forms["weights"]
        waiting = tuple(row for row in self.here if not row.weighed or form[WEIGHT + row.name])
        return waiting if len(waiting) > 1 or form.told else ()


FORMS = ("weights", "facts", "closure", "placed", "added", "missing", "excused")


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
    return [(name, waste.containers[name]) for name in sorted(waste.standing)]


def _field(name: str) -> FieldRow:
    return FieldRow(name, FACTS[name], HINTS.get(name, ""), name in NUMERIC)


def _account(rows: Sequence[PackageRow], *, kept: bool) -> str:
    """Say how the account of a job stands."""
    if not kept:
        return "This job was opened before packages were accounted for; nothing here keeps its record open."
    if not rows:
        return "No cut has made a package yet, and none has been entered."
    waiting = [row for row in rows if row.open and not row.excused]
    noted = sum(row.noted for row in rows)
    opens = f"{noted} left open by a lead, lost or never made: the safety officer opens {_these(noted)} in review."
    if waiting:
        told = f"{_counted(len(rows))}, {len(waiting)} not accounted for yet. The job goes to review when none is left."
        return f"{told} {opens}" if noted else told
    if noted:
        return f"{_counted(len(rows))}, {opens}"
    return f"{_counted(len(rows))}, each with closure check, weight or reason, and owner: the account is even."


def _these(number: int) -> str:
    return "it" if number == 1 else "these"


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
        weighed="weight" in facts or "no_scale" in facts,
        noted=excused is not None or item.name in waste.missing,
    )


def where_words(where: Where) -> str:
    """Say where a package is."""
    match where.kind:
        case Whereabouts.CONTAINER:
            return f"In container {where.place}"
        case Whereabouts.PLACE:
            return f"At {where.place}"
        case Whereabouts.JOB:
            return f"Still where it was made, {where.place}"
        case Whereabouts.LOST | Whereabouts.NEVER_MADE:
            return f"{where.kind.upper()}: {where.why}"
        case Whereabouts.GONE:
            return f"Gone with {where.place}, certificate {where.why}"
        case _:
            return f"Handed over with {where.place}"


def ring_words(left: LeftOnRing) -> str:
    """Say what stays on a ring and leaves with the first package of the next change-out."""
    stubs = "no stub" if not left.stubs else "1 stub" if left.stubs == 1 else f"{left.stubs} stubs"
    torn = f" and {left.torn} torn bag{'' if left.torn == 1 else 's'}" if left.torn else ""
    return f"Port {left.port}: {stubs}{torn} in the bag on the ring now."


def picked(fields: Mapping[str, str], beginning: str = PICK) -> tuple[str, ...]:
    """Return what was ticked on a form, packages if not told otherwise; raise Invalid for what is no tick."""
    found = {name.removeprefix(beginning): text for name, text in fields.items() if name.startswith(beginning)}
    for name, text in found.items():
        if text != "on":
            raise Invalid(f"{name[:40]!r} was sent with {text[:20]!r} and not ticked. Reload the page and tick it.")
    return tuple(found)


def weights_in(fields: Mapping[str, str]) -> dict[str, str]:
    """Return the weights of a form by the names of their packages."""
    return {name.removeprefix(WEIGHT): text for name, text in fields.items() if name.startswith(WEIGHT)}


# --- the whole site -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ContainerRow:
    """One container: what it is, where, how much room is left."""

    name: str
    what: str
    where: str
    room: tuple[str, ...]
    count: int
    sent: str


@dataclass(frozen=True, slots=True)
class HandoverRow:
    """One hand-over and what it waits for.  out: packages that have not come back."""

    name: str
    told: str
    since: str
    out: tuple[str, ...]
    certificate: str


@dataclass(frozen=True, slots=True)
class WastePage:
    """All packages that are not gone, by who answers for them, and what is done with them next."""

    owners: tuple[tuple[str, tuple[tuple[PackageRow, str, str], ...]], ...]
    containers: tuple[ContainerRow, ...]
    waiting: tuple[HandoverRow, ...]
    done: tuple[HandoverRow, ...]
    loose: tuple[tuple[str, str], ...]
    meaning: str
    signs_as: str
    may_keep: bool
    today: date
    forms: Mapping[str, Refilled]
    longest: int = LONGEST_TEXT

    @property
    def told(self) -> str:
        """The sentence of a refusal, if one of the forms was refused."""
        return next((form.told for form in self.forms.values() if form.told), "")

    @property
    def full(self) -> tuple[ContainerRow, ...]:
        """The containers that hold something."""
        return tuple(row for row in self.containers if row.count)


BOX = "c."
"""What the field of a chosen container begins with."""
DESK_FORMS = ("container", "handover", "certificate", "returned")
MOST_DONE = 20
"""As many finished hand-overs as the page shows; the trail has all of them."""


def waste_page(
    site: SiteState, packages: Sequence[WastePackage], session: Session, *, now: str, refused: Mapping[str, Refilled]
) -> WastePage:
    """Return the page; packages: those that are not gone."""
    waste, today = site.waste, site_day(now, site.zone)
    here = [item for item in packages if where_of(waste, item).kind is not Whereabouts.HANDED_OVER]
    owners: dict[str, list[tuple[PackageRow, str, str]]] = {}
    for item in sorted(here, key=lambda item: item.sealed.at):
        row = package_row(item, site, {})
        owners.setdefault(row.answers, []).append((row, age_words(item.sealed.at, site.zone, today), item.job))
    awaited = sorted((waste.handovers[name] for name in waste.awaited), key=_newest)
    return WastePage(
        owners=tuple((name, tuple(rows)) for name, rows in sorted(owners.items())),
        containers=tuple(container_row(kept, site) for _, kept in open_containers(waste)),
        waiting=tuple(_handover_row(item, site) for item in awaited),
        done=tuple(_handover_row(item, site) for item in waste.newest_handovers(MOST_DONE)),
        loose=tuple((item.name, contents_words(item)) for item in here if may_go(waste, item)),
        meaning=WASTE_OVER,
        signs_as=f"{session.who.name}, {session.who.role.words}",
        may_keep=session.who.role in (Role.LEAD, Role.SAFETY_OFFICER),
        today=today,
        forms={name: refused.get(name, NOTHING) for name in DESK_FORMS},
    )


def may_go(waste: Waste, item: WastePackage) -> bool:
    """Whether a package may be put into a container or be handed over: it lies loose and lacks nothing."""
    return where_of(waste, item).kind in (Whereabouts.JOB, Whereabouts.PLACE) and not not_ready(waste, item)


def age_words(at: str, zone: str, today: date) -> str:
    """Say how many days ago something was made."""
    days = (today - site_day(at, zone)).days
    return "today" if days <= 0 else "1 day old" if days == 1 else f"{days} days old"


def container_row(kept: ContainerKept, site: SiteState) -> ContainerRow:
    """Return a container as a row."""
    inside = site.waste.contents(kept.container)
    return ContainerRow(
        name=kept.container,
        what=f"{container_words(kept)}; at most {kept.most_kg} kg, empty {kept.empty_kg} kg ({kept.basis})",
        where=f"at {kept.place}, {kept.answers} answers for it",
        room=room_in(kept, inside, site.waste.facts).words,
        count=len(inside),
        sent=site.waste.sent.get(kept.container, ""),
    )


def _newest(item: Handover) -> int:
    return -item.event.seq


def _handover_row(item: Handover, site: SiteState) -> HandoverRow:
    event, paid = item.event, item.certificate
    boxes = f"container {', '.join(event.containers)}; " if event.containers else ""
    by = event.by.name if event.by else "the server"
    return HandoverRow(
        name=event.handover,
        told=f"{by} to {event.receiver}, {event.organisation}: {boxes}{_counted(len(event.packages))}",
        since=local_text(event.at, site.zone),
        out=item.out,
        certificate=f"{paid.certificate} of {paid.dated}" if paid else "",
    )


@dataclass(frozen=True, slots=True)
class ContainerPage:
    """One container with what is in it, and what may go in."""

    row: ContainerRow
    packages: tuple[tuple[PackageRow, str], ...]
    loose: tuple[tuple[str, str], ...]
    form: Refilled


def container_page(
    kept: ContainerKept, site: SiteState, inside: Sequence[WastePackage], here: Sequence[WastePackage], form: Refilled
) -> ContainerPage:
    """Return the page; inside: the packages in it, or those that left in it."""
    return ContainerPage(
        row=container_row(kept, site),
        packages=tuple((package_row(item, site, {}), item.job) for item in inside),
        loose=tuple((item.name, contents_words(item)) for item in here if may_go(site.waste, item)),
        form=form,
    )


@dataclass(frozen=True, slots=True)
class HandoverPage:
    """One hand-over as its sheet tells it."""

    name: str
    facts: tuple[tuple[str, str], ...]
    signed: tuple[tuple[str, str], ...]
    labels: tuple[str, ...]


def handover_page(name: str, sheet: Mapping[str, Any]) -> HandoverPage:
    """Return the page; sheet: see `app.records.waste_sheet.handover_sheet`."""
    return HandoverPage(
        name=name,
        facts=tuple((fact, told) for fact, told in sheet["facts"]),
        signed=tuple((fact, told) for fact, told in sheet["signed"]),
        labels=tuple(label_text(tuple((field, told) for field, told in pairs)) for pairs in sheet["labels"]),
    )
