"""What the jobs of a year say together: first-pass leak tests, stops, time, consumption, life of filters.

Rules kept here:
- figures are about housings, procedures and causes; no person is counted, compared or named;
- a count stands beside every share, so that two of three is never read as a rate;
- time runs by the server's clock from one mark to the next while nothing was stopped or suspended: marks kept on a
  tablet out of reach count when they arrived;
- what was used is told by the job's settled kit where there is one, since the steps only say what the take-off says;
- rehearsals and jobs whose record has not been accepted are left out.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from enum import Enum
from itertools import pairwise
from statistics import median

from app.domain.containment.effects import Act, Use
from app.domain.events import (
    STOP_REASONS,
    Event,
    HoldReleased,
    JobOpened,
    JobReopened,
    JobStopped,
    StepBegun,
    StepDone,
    StepOutside,
    StopExplained,
)
from app.domain.job import JobState, start_of
from app.domain.job_lines import JobLine
from app.domain.leaving import HandoverSigned, JobSuspended, NextThingRead, ReturnBegun
from app.domain.picking import used_of
from app.domain.radio import HoldReleasedByRadio
from app.domain.steps import BANK_WORDS, Step
from app.domain.store import Kind, Store
from app.domain.storing import used_of_kit
from app.domain.takeoff import take_off
from app.domain.told import JobTold
from app.domain.watching import ReadingMissed
from app.records.moments import site_day

LEAK_TEST = "leak_test"
NOT_SAID = "no reason given"
COUNTED = {
    Use.NEW_BAGS: "new bags",
    Use.TIE_STRAPS: "tie straps",
    Use.METAL_BANDS: "metal bands",
    Use.EDGES_TO_TAPE: "edges taped",
    Use.SPENT_PACKAGES: "packages with a spent filter",
    Use.FILTERLESS_PACKAGES: "packages without a filter",
}
OF_KITS = {Use.NEW_BAGS: Kind.BAG, Use.TIE_STRAPS: Kind.TIE_STRAP, Use.METAL_BANDS: Kind.METAL_BAND}
"""What a kit holds of that by the piece; how many edges one roll tapes is not known."""
_MARKS = (StepBegun, StepDone, StepOutside, HoldReleased, HoldReleasedByRadio)
_GOES_ON = (JobReopened, ReturnBegun, NextThingRead, HandoverSigned)
_RESTS = (JobStopped, JobSuspended, ReadingMissed)


@dataclass(frozen=True, slots=True)
class JobFigures:
    """What one accepted job gives.

    tests: for each bank's leak test, whether its first attempt was within.  minutes: by section, in the order of the
    job.  used: planned at opening and used in the end, by what the take-off counts.  by_kit: which of these a settled
    kit told, the rest the steps.  new: bank and day of new filters.
    """

    job: str
    number: str
    housing: str
    kind: str
    procedure: str
    on: date
    tests: tuple[tuple[str, bool], ...] = ()
    stops: Mapping[str, int] = field(default_factory=dict)
    minutes: Mapping[str, float] = field(default_factory=dict)
    used: Mapping[str, tuple[int, int]] = field(default_factory=dict)
    by_kit: frozenset[str] = frozenset()
    new: tuple[tuple[str, date], ...] = ()


def figures_of(
    line: JobLine, state: JobState, events: Sequence[Event], zone: str, store: Store
) -> JobFigures | None:  # fmt: skip
    """Return what an accepted job gives; None for a rehearsal or a job that was not accepted."""
    opened = state.opened
    if opened is None or opened.rehearsal or state.accepted is None:
        return None
    by_kit = _by_kit(line.job, state, store)
    return JobFigures(
        job=line.job,
        number=line.number,
        housing=line.housing,
        kind=line.kind,
        procedure=f"{opened.procedure} revision {opened.revision}",
        on=site_day(state.accepted.at, zone),
        tests=tuple(_first_tests(state, opened)),
        stops=_stops(events),
        minutes=_minutes(state, events),
        used=_used(state, opened, by_kit),
        by_kit=frozenset(by_kit),
        new=tuple(_new_filters(state, zone)),
    )


def filters_told(line: JobLine, told: JobTold, zone: str) -> JobFigures:
    """Return of a job that was closed only which filters it put in, and when."""
    new = tuple((BANK_WORDS[item.bank], site_day(item.at, zone)) for item in told.changes)
    return JobFigures(line.job, line.number, line.housing, line.kind, "", site_day(line.closed_at, zone), new=new)


def _first_tests(state: JobState, opened: JobOpened) -> Iterator[tuple[str, bool]]:
    """Yield each bank's leak test as the job was opened with; what was put in later is no first attempt."""
    first = {step.id for step in opened.steps}
    for step in state.steps:
        mark = state.mark(step.id)
        if step.computes != LEAK_TEST or step.id not in first or step.bank is None:
            continue
        if mark.attempts:
            yield BANK_WORDS[step.bank], False
        elif mark.done is not None and (result := mark.evidence.result) is not None and result.within is not None:
            yield BANK_WORDS[step.bank], result.within


def _stops(events: Sequence[Event]) -> Mapping[str, int]:
    reasons: list[str] = []
    for event in events:
        if isinstance(event, JobStopped):
            reasons.append(NOT_SAID)
        elif isinstance(event, StopExplained) and reasons:
            reasons[-1] = STOP_REASONS.get(event.reason, event.reason)
    return dict(Counter(reasons))


def _minutes(state: JobState, events: Sequence[Event]) -> Mapping[str, float]:
    steps = {step.id: step for step in state.steps}
    found: dict[str, float] = defaultdict(float)
    last: datetime | None = None
    for event in events:
        at = datetime.fromisoformat(event.at)
        if isinstance(event, _RESTS):
            last = None
        elif isinstance(event, _GOES_ON):
            last = at
        elif isinstance(event, _MARKS) and (step := steps.get(event.step)) is not None:
            if last is not None:
                found[step.title] += max((at - last).total_seconds(), 0.0) / 60
            last = at
    return dict(found)


def _by_kit(job: str, state: JobState, store: Store) -> Mapping[str, int]:
    gone = used_of_kit(store, job, used_of(state))
    return {COUNTED[use]: gone[kind] for use, kind in OF_KITS.items() if kind in gone}


def _used(state: JobState, opened: JobOpened, by_kit: Mapping[str, int]) -> Mapping[str, tuple[int, int]]:
    start = start_of(opened)
    planned = take_off(opened.steps, opened.housing, start).total
    done: Iterable[Step] = (step for step in state.walked if step.id in state.applied)
    used = take_off(done, opened.housing, start).total
    found = {what: (planned[use], by_kit.get(what, used[use])) for use, what in COUNTED.items()}
    return {what: counts for what, counts in found.items() if any(counts)}


def _new_filters(state: JobState, zone: str) -> Iterator[tuple[str, date]]:
    seen: dict[str, date] = {}
    for step in state.steps:
        done = state.mark(step.id).done
        if done is not None and step.bank and any(effect.act is Act.SLIDE_IN for effect in step.effects):
            seen[BANK_WORDS[step.bank]] = site_day(done.at, zone)
    yield from seen.items()


@dataclass(frozen=True, slots=True)
class Row:
    """One line of a figure: what, how many of how many (or so much), and in words.

    of: what a bar is measured against.  count: how many tests, pieces counted or jobs the value comes from, where it
    comes from some.  by: who told it, in words.
    """

    what: str
    value: float
    of: float
    told: str
    count: int | None = None
    by: str = ""

    @property
    def plain(self) -> str:
        """Return the words without who told it."""
        return self.told.removesuffix(f"; {self.by}") if self.by else self.told


class Whole(Enum):
    """What a whole column stands for where years stand beside each other."""

    COUNT = "A whole column is all of the year's {counted}."
    FIGURE = "A whole column is {most} {unit}, the most there is here."
    LINE = "A whole column is the most of its own line."


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure: its name, what it says and does not say, and its rows.

    unit, counted: what its values and counts are, in a word or two.  whole: what its columns are measured against.
    """

    id: str
    title: str
    about: str
    rows: tuple[Row, ...]
    unit: str = ""
    counted: str = ""
    whole: Whole = Whole.FIGURE


def yearly(jobs: Sequence[JobFigures], earlier: Sequence[JobFigures] = ()) -> tuple[Figure, ...]:
    """Return the figures of a year.  earlier: jobs of the years before, from which a filter's life may begin."""
    return (
        Figure(
            "tests", "Leak tests met at the first attempt",
            "By bank. A test that failed, was mended and then met counts as not met at the first attempt.",
            tuple(_tests(jobs)), "tests met", "tests", Whole.COUNT,
        ),
        Figure(
            "stops", "Stops by cause", "Every stop of an accepted job, by the reason that was given.",
            tuple(_causes(jobs)), "stops",
        ),
        Figure(
            "time", "Time by section",
            "Median over the jobs, from mark to mark while work went on. Thoroughness is not slowness: this is for "
            "planning shifts, not for judging anybody.",
            tuple(_times(jobs)), "minutes", "jobs",
        ),
        Figure(
            "used", "Used against the take-off",
            "All jobs together: what the take-off counted when they were opened, and what was used in the end: what "
            "did not come back of a settled kit, torn and lost pieces with it; without one what the steps say, which "
            "is counted as the take-off is.",
            tuple(_uses(jobs)), "pieces used", "pieces counted", Whole.LINE,
        ),
        Figure(
            "life", "Life of filters by housing",
            "Days between two change-outs of the same bank, the later one in this year. Why they were changed is in "
            "the records.",
            tuple(_lives(jobs, earlier)), "days",
        ),
    )  # fmt: skip


def _tests(jobs: Sequence[JobFigures]) -> Iterator[Row]:
    counts: dict[str, list[int]] = defaultdict(lambda: [0, 0])
    for bank, met in (test for job in jobs for test in job.tests):
        counts[bank][0] += met
        counts[bank][1] += 1
    for bank, (good, count) in sorted(counts.items()):
        yield Row(bank, good, count, f"{good} of {count}", count)


def _causes(jobs: Sequence[JobFigures]) -> Iterator[Row]:
    counted: Counter[str] = Counter()
    for job in jobs:
        counted.update(job.stops)
    most = max(counted.values(), default=0)
    for cause, count in sorted(counted.items(), key=lambda item: (-item[1], item[0])):
        yield Row(cause, count, most, str(count))


def _times(jobs: Sequence[JobFigures]) -> Iterator[Row]:
    found: dict[str, list[float]] = defaultdict(list)
    for job in jobs:
        for section, minutes in job.minutes.items():
            found[section].append(minutes)
    middle = {section: median(minutes) for section, minutes in found.items()}
    most = max(middle.values(), default=0.0)
    for section, minutes in middle.items():
        count = len(found[section])
        told = f"{minutes:.0f} min, {count} {'job' if count == 1 else 'jobs'}"
        yield Row(section, minutes, most, told, count)


def _uses(jobs: Sequence[JobFigures]) -> Iterator[Row]:
    for what in COUNTED.values():
        planned, used = (sum(job.used.get(what, (0, 0))[place] for job in jobs) for place in (0, 1))
        if planned or used:
            by = _told_by(what, jobs)
            yield Row(what, used, max(planned, used), f"{used} used, {planned} counted; {by}", planned, by)


def _told_by(what: str, jobs: Sequence[JobFigures]) -> str:
    """Say who told what was used."""
    told = [what in job.by_kit for job in jobs if what in job.used]
    if len(set(told)) == 1:
        return "by settled kits" if told[0] else "by the steps"
    return f"by settled kits in {sum(told)} of {len(told)} jobs, by the steps in the others"


def _lives(jobs: Sequence[JobFigures], earlier: Sequence[JobFigures]) -> Iterator[Row]:
    days: dict[tuple[str, str], set[date]] = defaultdict(set)
    now: dict[tuple[str, str], set[date]] = defaultdict(set)
    for job in (*earlier, *jobs):
        for bank, on in job.new:
            days[job.housing, bank].add(on)
    for job in jobs:
        for bank, on in job.new:
            now[job.housing, bank].add(on)
    lives = {
        place: [(on - before).days for before, on in pairwise(ordered) if on in now[place]]
        for place in sorted(now)
        for ordered in [sorted(days[place])]
    }
    most = max((max(found) for found in lives.values() if found), default=0)
    for (housing, bank), found in lives.items():
        if found:
            yield Row(f"{housing}, {bank}", found[-1], most, f"{found[-1]} days")


# --- several years --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Cell:
    """What one year says of one thing; who told it stands with the year by itself and in the table.

    column: how much of a whole column it fills, from 0 to 1.
    """

    told: str
    column: float


@dataclass(frozen=True, slots=True)
class Beside:
    """One figure of several years: a line for each thing, with a cell for each year or nothing.

    whole: what a whole column stands for, in words.
    """

    title: str
    about: str
    whole: str
    lines: tuple[tuple[str, tuple[Cell | None, ...]], ...]


Years = Mapping[int, Sequence[Figure]]
"""The figures of some years; the figures are the same ones in each, in one order."""


def beside(years: Years) -> tuple[Beside, ...]:
    """Return each figure with its years beside each other, in the order of the years given.

    Lines stand in the order in which the newest year has them, then what only earlier years have.
    """
    return tuple(_beside(figures) for figures in zip(*(years[year] for year in years), strict=True))


def _beside(figures: Sequence[Figure]) -> Beside:
    one, of_year = figures[0], [{row.what: row for row in figure.rows} for figure in figures]
    names = dict.fromkeys(row.what for figure in reversed(figures) for row in figure.rows)
    lines = {name: [rows.get(name) for rows in of_year] for name in names}
    most = max((row.value for rows in lines.values() for row in rows if row is not None), default=0.0)

    def cell(row: Row | None, beside: Sequence[Row | None]) -> Cell | None:
        if row is None:
            return None
        own = max(item.value for item in beside if item is not None)
        whole = {Whole.COUNT: row.of, Whole.LINE: own, Whole.FIGURE: most}[one.whole]
        return Cell(row.plain, row.value / whole if whole else 0.0)

    unit = one.unit.removesuffix("s") if round(most) == 1 else one.unit
    return Beside(
        title=one.title, about=one.about,
        whole=one.whole.value.format(counted=one.counted, most=round(most), unit=unit),
        lines=tuple((name, tuple(cell(row, rows) for row in rows)) for name, rows in lines.items()),
    )  # fmt: skip


FIGURES_HEAD = ("Figure", "What", "Year", "Value", "Unit", "Of", "Of what", "Told by")
"""A column holds numbers or words and never both; `Of` is empty where a value is of no count."""


def figures_table(years: Years) -> list[Sequence[str | int]]:
    """Return the figures of some years as rows of a table, one for each thing and year."""
    rows: list[Sequence[str | int]] = [FIGURES_HEAD]
    for year, figures in years.items():
        for figure in figures:
            for row in figure.rows:
                count = "" if row.count is None else row.count
                of_what = figure.counted if row.count is not None else ""
                rows.append((figure.title, row.what, year, round(row.value), figure.unit, count, of_what, row.by))
    return rows
