"""What becomes of packages, in the site's ledger: what is known of each, where it is, who answers for it.

A package is in exactly one place: where it was made, a named place, a container, handed over, gone, lost.  The job
says which packages there are (`app.domain.packages`); here stands only what happened to them afterwards.
`evolve_waste` is total and never refuses history.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from enum import StrEnum
from itertools import islice
from typing import Literal, TypeVar, assert_never

from immutables import Map

from app.domain.packages import Told, job_number
from app.domain.site_entry import SiteEntry

V = TypeVar("V")
FACTS = {
    "weight": "Gross weight, kg", "scale": "Scale", "no_scale": "Not weighed, because",
    "sides": "Outside, mm", "serial": "Filter serial", "hazard": "Hazard, nuclides or compound",
    "stream": "Waste stream", "contact": "Dose rate at contact", "one_metre": "Dose rate at 1 m",
    "dose_unit": "Unit of the dose rates", "dose_meter": "Dose rate meter",
    "smear": "Smear", "smear_unit": "Unit of the smear", "smear_counter": "Counter of the smear",
}  # fmt: skip
"""What may be told of a package beside its closure and its place, with how it is called."""
PACKAGE_KINDS = {"ppe": "protective clothing", "tape": "tape and wipes", "other": "other waste"}
"""Packages that no cut makes."""


class PackageAdded(SiteEntry):
    """A package that no cut made: protective clothing, tape, other waste of a job."""

    type: Literal["package_added"] = "package_added"
    package: str
    job: str
    housing: str
    kind: Literal["ppe", "tape", "other"]
    what: str
    port: str = ""


class PackagesTold(SiteEntry):
    """Facts of one or several packages, by the names of FACTS; the newest of each counts.

    As typed, numbers with a decimal point.
    """

    type: Literal["packages_told"] = "packages_told"
    packages: tuple[str, ...]
    facts: dict[str, str]


class ClosureChecked(SiteEntry):
    """Somebody who did not seal the package looked at its closure.  whole: tied or banded, taped, and whole."""

    type: Literal["closure_checked"] = "closure_checked"
    package: str
    whole: bool
    seen: str


class PackagesPlaced(SiteEntry):
    """Packages were put into a container, or at a place that a named person answers for."""

    type: Literal["packages_placed"] = "packages_placed"
    packages: tuple[str, ...]
    container: str = ""
    place: str = ""
    answers: str = ""


class PackageMissing(SiteEntry):
    """A package is not where it should be, or was never made (its step was marked by mistake); somebody answers."""

    type: Literal["package_missing"] = "package_missing"
    package: str
    how: Literal["lost", "never made"]
    reason: str
    answers: str


class PackageExcused(SiteEntry):
    """A lead lets the job go to review although something of a package is open; the reviewer must open this."""

    type: Literal["package_excused"] = "package_excused"
    package: str
    reason: str


class ContainerKept(SiteEntry):
    """A container, as the site enters it: inside in mm (a box: three sides; a drum: bore, height), weights in kg."""

    type: Literal["container_kept"] = "container_kept"
    container: str
    shape: Literal["box", "drum"]
    inside: tuple[str, ...]
    empty_kg: str
    most_kg: str
    basis: str
    place: str
    answers: str


class WasteHandedOver(SiteEntry):
    """Containers and packages left the hands of the site: `by` gave them and signed, somebody named took them.

    packages: all of them, those in the containers included.
    """

    type: Literal["waste_handed_over"] = "waste_handed_over"
    handover: str
    containers: tuple[str, ...] = ()
    packages: tuple[str, ...]
    receiver: str
    organisation: str
    remark: str = ""
    meaning: str
    local_time: str
    proof: str


class WasteReturned(SiteEntry):
    """Packages that were handed over came back, with the reason, to a place that somebody answers for."""

    type: Literal["waste_returned"] = "waste_returned"
    handover: str
    packages: tuple[str, ...]
    reason: str
    place: str
    answers: str


class CertificateReceived(SiteEntry):
    """The certificate for what was handed over has come: the packages are gone.  dated: the day on it."""

    type: Literal["certificate_received"] = "certificate_received"
    handover: str
    certificate: str
    dated: date


WasteEvent = (
    PackageAdded | PackagesTold | ClosureChecked | PackagesPlaced | PackageMissing | PackageExcused | ContainerKept
    | WasteHandedOver | WasteReturned | CertificateReceived
)  # fmt: skip


class Whereabouts(StrEnum):
    """Where a package is; it is in one of these and in no other."""

    JOB = "where it was made"
    PLACE = "at a place"
    CONTAINER = "in a container"
    HANDED_OVER = "handed over"
    GONE = "gone, certificate received"
    LOST = "lost"
    NEVER_MADE = "never made"


CLOSED = frozenset({Whereabouts.GONE, Whereabouts.NEVER_MADE})
"""Where nobody has to do anything about a package any more."""
LEFT = CLOSED | {Whereabouts.HANDED_OVER}
"""Where a package is no longer in the site's hands."""


@dataclass(frozen=True, slots=True)
class Where:
    """Where a package is.  place: the place, the container's id or the hand-over's number.  answers: who answers."""

    kind: Whereabouts
    place: str
    answers: str
    at: str
    entry: int = -1
    why: str = ""


@dataclass(frozen=True, slots=True)
class Handover:
    """A hand-over with what has become of it.  back: packages that were returned."""

    event: WasteHandedOver
    certificate: CertificateReceived | None = None
    back: frozenset[str] = frozenset()

    @property
    def out(self) -> tuple[str, ...]:
        """The packages that were handed over and have not come back."""
        return tuple(name for name in self.event.packages if name not in self.back)


_NO_FACTS: Map[str, Told] = Map()
_NOTHING: Map[str, int] = Map()


@dataclass(frozen=True, slots=True)
class Waste:
    """What the site knows of its packages.

    sent: containers that were handed over, with the hand-over's number.  left_in: the packages that each left with.
    missing: every time that a package was lost or never made, found again or not.
    here: the packages of which this ledger knows anything and that are not gone.  inside: what lies in each container,
    with the entry that put it there.  standing: the containers that have not been handed over.  awaited: the hand-overs
    of which something is out and no certificate has come.  handed: by the number of a job, the hand-overs with which
    packages of it left.
    """

    added: Map[str, PackageAdded] = field(default_factory=Map)
    facts: Map[str, Map[str, Told]] = field(default_factory=Map)
    closures: Map[str, ClosureChecked] = field(default_factory=Map)
    where: Map[str, Where] = field(default_factory=Map)
    missing: Map[str, tuple[PackageMissing, ...]] = field(default_factory=Map)
    excused: Map[str, PackageExcused] = field(default_factory=Map)
    containers: Map[str, ContainerKept] = field(default_factory=Map)
    sent: Map[str, str] = field(default_factory=Map)
    left_in: Map[str, tuple[str, ...]] = field(default_factory=Map)
    handovers: Map[str, Handover] = field(default_factory=Map)
    here: Map[str, None] = field(default_factory=Map)
    inside: Map[str, Map[str, int]] = field(default_factory=Map)
    standing: Map[str, None] = field(default_factory=Map)
    awaited: Map[str, None] = field(default_factory=Map)
    handed: Map[str, tuple[str, ...]] = field(default_factory=Map)

    def told(self, package: str) -> Mapping[str, Told]:
        """Return what has been told of a package, by the names of FACTS."""
        return self.facts.get(package, _NO_FACTS)

    def within(self, container: str) -> tuple[str, ...]:
        """Return the packages that lie in a container now, in the order in which they were put in."""
        found = self.inside.get(container, _NOTHING)
        return tuple(name for _, name in sorted((entry, name) for name, entry in found.items()))

    def contents(self, container: str) -> tuple[str, ...]:
        """Return the packages that lie in a container, or that left in it once it was handed over."""
        return self.left_in[container] if container in self.left_in else self.within(container)

    def newest_handovers(self, count: int) -> tuple[Handover, ...]:
        """Return so many of the hand-overs of which nothing is awaited, the newest first."""
        numbered = (f"H-{number:04d}" for number in range(len(self.handovers), 0, -1))
        found = (self.handovers[name] for name in numbered if name in self.handovers and name not in self.awaited)
        return tuple(islice(found, count))


def evolve_waste(waste: Waste, event: WasteEvent) -> Waste:
    """Return what the site knows of its packages after one more entry."""
    return _looked_over(_evolved(waste, event), event)


def _looked_over(waste: Waste, event: WasteEvent) -> Waste:
    """Bring up to date what is here, which containers stand here, and what is awaited."""
    match event:
        case ContainerKept():
            if event.container in waste.sent:
                return waste
            return replace(waste, standing=waste.standing.set(event.container, None))
        case WasteHandedOver():
            gone = {name for name in event.containers if name in waste.standing}
            waste = replace(waste, standing=_without(waste.standing, gone))
            names, handover = event.packages, event.handover
        case WasteReturned():
            names, handover = event.packages, event.handover
        case CertificateReceived():
            found = waste.handovers.get(event.handover)
            names, handover = found.event.packages if found else (), event.handover
        case PackagesTold() | PackagesPlaced():
            names, handover = event.packages, ""
        case PackageAdded() | ClosureChecked() | PackageMissing() | PackageExcused():
            names, handover = (event.package,), ""
        case _:
            assert_never(event)
    closed = {name for name in names if (where := waste.where.get(name)) is not None and where.kind in CLOSED}
    here = _without(waste.here, closed).update(dict.fromkeys(set(names) - closed))
    return _awaiting(replace(waste, here=here), handover)


def _awaiting(waste: Waste, name: str) -> Waste:
    found = waste.handovers.get(name)
    if found is None:
        return waste
    if found.out and found.certificate is None:
        return replace(waste, awaited=waste.awaited.set(name, None))
    return replace(waste, awaited=_without(waste.awaited, {name}))


def _without(known: Map[str, None], names: Iterable[str]) -> Map[str, None]:
    changed = known.mutate()
    for name in names:
        changed.pop(name, None)
    return changed.finish()


def _evolved(waste: Waste, event: WasteEvent) -> Waste:
    match event:
        case PackageAdded():
            return replace(waste, added=_with(waste.added, {event.package: event}))
        case PackagesTold():
            return _told(waste, event)
        case ClosureChecked():
            return replace(waste, closures=_with(waste.closures, {event.package: event}))
        case PackagesPlaced():
            return _placed(waste, event)
        case PackageMissing():
            kind = Whereabouts.LOST if event.how == "lost" else Whereabouts.NEVER_MADE
            noted = _with(waste.missing, {event.package: (*waste.missing.get(event.package, ()), event)})
            waste = replace(waste, missing=noted)
            return _moved(waste, (event.package,), Where(kind, "", event.answers, event.at, event.seq, event.reason))
        case PackageExcused():
            return replace(waste, excused=_with(waste.excused, {event.package: event}))
        case ContainerKept():
            return replace(waste, containers=_with(waste.containers, {event.container: event}))
        case WasteHandedOver():
            taker = f"{event.receiver}, {event.organisation}"
            there = Where(Whereabouts.HANDED_OVER, event.handover, taker, event.at, event.seq)
            sent = _with(waste.sent, dict.fromkeys(event.containers, event.handover))
            handovers = _with(waste.handovers, {event.handover: Handover(event)})
            left = _with(waste.left_in, {name: waste.within(name) for name in event.containers})
            waste = replace(waste, sent=sent, left_in=left, handovers=handovers, handed=_handed(waste, event))
            return _moved(waste, event.packages, there)
        case WasteReturned():
            here = Where(Whereabouts.PLACE, event.place, event.answers, event.at, event.seq, event.reason)
            found = waste.handovers.get(event.handover)
            if found is not None:
                changed = replace(found, back=found.back | set(event.packages))
                waste = replace(waste, handovers=_with(waste.handovers, {event.handover: changed}))
            return _moved(waste, event.packages, here)
        case CertificateReceived():
            return _certified(waste, event)
        case _:
            assert_never(event)


def waste_findings(waste: Waste, number: str) -> Iterable[tuple[int, str, str]]:
    """Yield what the reviewer of a job must open of its packages: entry, kind, sentence."""
    for name, excused in waste.excused.items():
        if name.rpartition("/")[0] == number:
            yield excused.seq, "package left open", f"Package {name}: {excused.reason}"
    for name, events in waste.missing.items():
        for event in events if name.rpartition("/")[0] == number else ():
            yield event.seq, f"package {event.how}", f"Package {name}: {event.reason} {event.answers} answers for it."


def _with(known: Map[str, V], changed: Mapping[str, V]) -> Map[str, V]:
    return known.update(changed)


def _handed(waste: Waste, event: WasteHandedOver) -> Map[str, tuple[str, ...]]:
    jobs = dict.fromkeys(job_number(name) for name in event.packages)
    return _with(waste.handed, {job: (*waste.handed.get(job, ()), event.handover) for job in jobs})


def _by(event: SiteEntry, text: str) -> Told:
    return Told(text, event.by.name if event.by else "the server", event.at)


def _told(waste: Waste, event: PackagesTold) -> Waste:
    """A weight takes the place of the reason why there was none, and the other way about."""
    gone = {"no_scale"} if "weight" in event.facts else {"weight", "scale"} if "no_scale" in event.facts else set()
    fresh = {name: _by(event, text) for name, text in event.facts.items()}
    changed = {
        package: Map({k: v for k, v in waste.told(package).items() if k not in gone} | fresh)
        for package in event.packages
    }
    return replace(waste, facts=_with(waste.facts, changed))


def _placed(waste: Waste, event: PackagesPlaced) -> Waste:
    kept = waste.containers.get(event.container)
    if event.container:
        answers = kept.answers if kept else event.answers
        there = Where(Whereabouts.CONTAINER, event.container, answers, event.at, event.seq)
    else:
        there = Where(Whereabouts.PLACE, event.place, event.answers, event.at, event.seq)
    return _moved(waste, event.packages, there)


def _certified(waste: Waste, event: CertificateReceived) -> Waste:
    found = waste.handovers.get(event.handover)
    if found is None:
        return waste
    taker = f"{found.event.receiver}, {found.event.organisation}"
    gone = Where(Whereabouts.GONE, event.handover, taker, event.at, event.seq, event.certificate)
    handovers = _with(waste.handovers, {event.handover: replace(found, certificate=event)})
    return _moved(replace(waste, handovers=handovers), found.out, gone)


def _moved(waste: Waste, packages: Iterable[str], where: Where) -> Waste:
    """Put packages where they are now, out of the container that they lay in."""
    names, inside = tuple(dict.fromkeys(packages)), waste.inside
    for name in names:
        before = waste.where.get(name)
        if before is not None and before.kind is Whereabouts.CONTAINER:
            inside = inside.set(before.place, inside[before.place].delete(name))
    if where.kind is Whereabouts.CONTAINER:
        there = inside.get(where.place, _NOTHING).update(dict.fromkeys(names, where.entry))
        inside = inside.set(where.place, there)
    return replace(waste, where=_with(waste.where, dict.fromkeys(names, where)), inside=inside)
