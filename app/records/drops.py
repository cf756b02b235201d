"""Pressure drops of one bank since its filters were last changed.

Rules kept here:
- a change of filters at any port of the bank starts a new series; older readings are history only;
- what is plotted and fitted is the drop at rated flow where the flow is known, else the drop as read, and that is said;
- one reading a day: the newest; a reading farther than 10 % from rated flow stays out of the trend, but in sight;
- attempts outside a limit, marks taken back, struck readings and rehearsals give no point to the trend.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date

from app.calc.constants import VISCOSITY_REFERENCE_C
from app.calc.exact import exact
from app.calc.resistance import at_rated_flow_pa, flow_caution
from app.domain.housing import Bank, BankDesign, Housing
from app.domain.job import JobState
from app.domain.job_lines import JobLine
from app.domain.site import NO_READINGS, ReadingTaken, SiteState
from app.domain.told import DropTold, JobTold, told_of
from app.records.moments import site_day


@dataclass(frozen=True, slots=True)
class Known:
    """All that the site knows of one housing.

    jobs: with their states, all of them or those that are needed.  told: what each of its jobs tells of the banks,
    where that is known already; None: it is drawn from their states.
    """

    housing: Housing
    jobs: tuple[tuple[JobLine, JobState], ...]
    site: SiteState
    told: tuple[tuple[JobLine, JobTold], ...] | None = None

    @property
    def real_jobs(self) -> Iterator[tuple[JobLine, JobState]]:
        """The jobs done on this housing, rehearsals left out."""
        for line, state in self.jobs:
            if line.housing == self.housing.tag and state.opened is not None and not state.opened.rehearsal:
                yield line, state

    @property
    def lines(self) -> tuple[JobLine, ...]:
        """The site's lines of the jobs on this housing, newest first."""
        return self.site.jobs.of_housing(self.housing.tag)

    @property
    def tells(self) -> Iterable[tuple[JobLine, JobTold]]:
        """What each job on this housing tells of its banks."""
        return ((line, told_of(state)) for line, state in self.real_jobs) if self.told is None else self.told

    @property
    def readings(self) -> Iterable[ReadingTaken]:
        """The pressure drops read between jobs that have not been struck."""
        return self.site.readings_at.get(self.housing.tag, NO_READINGS).values()


@dataclass(frozen=True, slots=True)
class Point:
    """One pressure drop, Pa.

    moment, seq: when it was made and its place in its job's ledger, which together give the order.
    timed: whether `moment` is known, or noon stands for a day.  day: counted from the first point that the trend
    takes.  why_not: why the trend leaves it out.  entry: its place in the site's ledger, for a reading between jobs.
    """

    moment: str
    seq: int
    on: date
    read_pa: float
    flow_m3_h: float | None
    at_rated_pa: float | None
    origin: str
    note: str = ""
    entry: int | None = None
    timed: bool = True
    why_not: str = ""
    day: int = 0

    @property
    def pa(self) -> float:
        """The drop that a trend takes: at rated flow if that is known."""
        return self.read_pa if self.at_rated_pa is None else self.at_rated_pa


@dataclass(frozen=True, slots=True)
class DropSeries:
    """The points of one bank since its filters were changed (None: no change is on record), oldest first.

    ended_on: when those filters were changed in turn; None: they are in place.
    """

    bank: Bank
    changed_on: date | None
    points: tuple[Point, ...]
    notes: tuple[str, ...]
    ended_on: date | None = None

    @property
    def used(self) -> tuple[Point, ...]:
        """The points that the trend takes, one a day."""
        return tuple(point for point in self.points if not point.why_not)


def changed_at(known: Known, bank: Bank) -> tuple[str, int] | None:
    """Return when a filter of this bank was last slid in (UTC text, place in its job's ledger), or None."""
    slid = [(item.at, item.seq) for _, told in known.tells for item in told.changes if item.bank is bank]
    return max(slid, default=None)


def changes_of(known: Known, bank: Bank) -> tuple[tuple[str, int], ...]:
    """Return when filters of a bank were changed, once for each job, the newest first."""
    slid = {(item.at, item.seq) for _, told in known.tells for item in told.changes if item.bank is bank}
    return tuple(sorted(slid, reverse=True))


def drop_series(known: Known, bank: Bank, *, before: int = 0) -> DropSeries:
    """Return the points of the series that counts now, with what was assumed.

    before: the series of the filters that many changes ago.  What was read on the day of a change stands with the later
    filters, left out where it may be of either; what is known to be of the earlier ones counts there.
    """
    zone, changes = known.site.zone, changes_of(known, bank)
    changed = changes[before] if before < len(changes) else None
    until = changes[before - 1] if 0 < before <= len(changes) else None
    found = sorted(
        (*job_points(known, bank), *read_points(known, bank)),
        key=lambda point: (point.moment, point.seq, point.entry or 0),
    )
    found = [point for point in found if until is None or _until(point, until, zone)]
    kept = _newest_of_each_day([_unsure(point, changed, zone) for point in found if _since(point, changed, zone)])
    first = next((point.on for point in kept if not point.why_not), kept[0].on if kept else None)
    days = tuple(replace(point, day=(point.on - first).days) for point in kept) if first else ()
    return DropSeries(
        bank=bank,
        changed_on=site_day(changed[0], zone) if changed else None,
        ended_on=site_day(until[0], zone) if until else None,
        points=days,
        notes=tuple(_assumed(days, design_of(known.housing, bank), known)),
    )


def design_of(housing: Housing, bank: Bank) -> BankDesign:
    """Return what the site asks of a bank; nothing where it says nothing."""
    return housing.design.get(bank, BankDesign())


def _since(point: Point, changed: tuple[str, int] | None, zone: str) -> bool:
    if changed is None:
        return True
    after = (point.moment, point.seq) > changed
    return after or (point.entry is not None and point.on == site_day(changed[0], zone))


def _until(point: Point, changed: tuple[str, int], zone: str) -> bool:
    """Whether a point is of the filters before a change: of the earlier ones for certain, or not of the later ones."""
    before = (point.moment, point.seq) < changed
    return not _since(point, changed, zone) or (before and point.timed)


def _unsure(point: Point, changed: tuple[str, int] | None, zone: str) -> Point:
    """A reading of the day of the change, entered on another day, may be of the old filters or of the new ones."""
    if changed is None or point.entry is None or point.on != site_day(changed[0], zone) or point.why_not:
        return point
    if point.timed:
        return (
            point
            if (point.moment, point.seq) > changed
            else replace(point, why_not="read before the filters were changed")
        )
    return replace(point, why_not="of the day of the change: whether before or after it is not known")


def _newest_of_each_day(points: Sequence[Point]) -> list[Point]:
    newest = {point.on: place for place, point in enumerate(points) if not point.why_not}
    earlier = "a later one of the same day counts"
    return [
        point if point.why_not or newest[point.on] == place else replace(point, why_not=earlier)
        for place, point in enumerate(points)
    ]


def _assumed(points: Sequence[Point], design: BankDesign, known: Known) -> Iterator[str]:
    if not points:
        return
    if design.rated_flow_m3_h is None:
        yield "No rated flow is given for this bank, so drops are used as read."
    elif any(point.at_rated_pa is None and not point.why_not for point in points):
        yield "Readings without a flow are used as read; they may differ from those at rated flow."
    cold = [taken for taken in known.readings if taken.reading.temp_c is None]
    if design.rated_flow_m3_h is not None and any(taken.seq in {p.entry for p in points} for taken in cold):
        yield "Where no temperature was read, 21.1 °C is assumed: nothing is corrected for it."
    if off := sum(1 for point in points if point.why_not):
        yield f"{off} {'reading is' if off == 1 else 'readings are'} left out of the trend; the table says why."


def job_points(known: Known, bank: Bank) -> Iterator[Point]:
    """Yield a point for every pressure drop entered at a step of a job."""
    for line, told in known.tells:
        yield from (_job_point(line, drop, known) for drop in told.drops if drop.bank is bank)


def _job_point(line: JobLine, drop: DropTold, known: Known) -> Point:
    why = {
        "attempt": "an attempt outside its limit",
        "taken back": "the reading was taken again, or its mark taken back",
    }.get(drop.state, "")
    point = Point(
        moment=drop.at,
        seq=drop.seq,
        on=site_day(drop.at, known.site.zone),
        read_pa=real(drop.read),
        flow_m3_h=None if drop.flow is None else real(drop.flow),
        at_rated_pa=None if drop.at_rated is None else real(drop.at_rated),
        origin=f"job {line.number}, step {drop.step}",
        note=drop.note or "",
        why_not=why,
    )
    return _off_flow(point, drop.rated)


def read_points(known: Known, bank: Bank) -> Iterator[Point]:
    """Yield a point for every reading entered between jobs that has not been struck."""
    yield from (read_point(taken, known) for taken in known.readings if taken.reading.bank is bank)


def read_point(taken: ReadingTaken, known: Known) -> Point:
    """Return the point of one reading; of a day other than that of its entry it stands at noon."""
    reading, rated = taken.reading, design_of(known.housing, taken.reading.bank).rated_flow_m3_h
    entered = site_day(taken.at, known.site.zone)
    with_instrument = f", with {reading.instrument}" if reading.instrument else ""
    flow = None if reading.flow_m3_h is None else real(reading.flow_m3_h)
    at_rated = None
    if flow is not None and rated is not None:
        temp = VISCOSITY_REFERENCE_C.value if reading.temp_c is None else real(reading.temp_c)
        at_rated = at_rated_flow_pa(dp_pa=real(reading.drop_pa), flow_m3_h=flow, rated_m3_h=real(rated), temp_c=temp)
    point = Point(
        moment=taken.at if entered == reading.on else f"{reading.on}T12:00:00.000Z",
        seq=0,
        on=reading.on,
        read_pa=real(reading.drop_pa),
        flow_m3_h=flow,
        at_rated_pa=at_rated,
        origin=f"read by {taken.by.name if taken.by else 'the sample site'}{with_instrument}",
        note=reading.note,
        entry=taken.seq,
        timed=entered == reading.on,
    )
    return _off_flow(point, rated)


def _off_flow(point: Point, rated: str | None) -> Point:
    if point.why_not or point.flow_m3_h is None or rated is None:
        return point
    far = flow_caution(flow_m3_h=point.flow_m3_h, rated_m3_h=real(rated))
    return replace(point, why_not="more than 10 % from rated flow") if far else point


def real(text: str) -> float:
    """Return a number kept as text as a float, for formulas."""
    return float(exact(text, name="The number kept"))
