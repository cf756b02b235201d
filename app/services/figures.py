"""Figures over the jobs of a year; each accepted job is read once and what it gives is kept in memory.

Many records are read behind a page, not for it: whoever waits for a page waits a few seconds at most.  In which year a
job was closed is looked up once for each change of the list of jobs.  What was drawn is kept until a job is opened,
closed or taken up, or a kit is settled or opened again.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from threading import Lock

from app.domain.job import fold
from app.domain.job_lines import JobLine, JobLines
from app.domain.site import SiteState
from app.domain.store import KitSettled
from app.records.figures import Figure, JobFigures, figures_of, filters_told, yearly
from app.records.moments import site_day
from app.services.collector import spare_what_stays
from app.services.jobs import Jobs

MOST_JOBS = 2_000
"""Looked at for one year; the newest, and the page says so (this program's bound)."""


@dataclass(frozen=True, slots=True)
class YearsAtHand:
    """Some years.  found: figures, records and left out, by year.  waiting: records read and all, of the others.

    count: how many years there are.
    """

    found: Mapping[int, tuple[tuple[Figure, ...], int, int]]
    waiting: Mapping[int, tuple[int, int]]
    count: int


class Figures:
    """The figures of one site."""

    def __init__(self, jobs: Jobs) -> None:
        self._jobs = jobs
        self._kept: dict[tuple[str, int, int], JobFigures | None] = {}
        self._of_jobs: JobLines | None = None
        self._of_kits: Mapping[str, KitSettled] | None = None
        self._years: tuple[int, ...] = ()
        self._closed: Mapping[int, Sequence[JobLine]] = {}
        self._found: dict[int, tuple[tuple[Figure, ...], int, int]] = {}
        self._lock = Lock()

    def years(self) -> tuple[int, ...]:
        """Return the years in which a record was accepted, newest first."""
        with self._lock:
            self._look(self._jobs.site())
            return self._years

    def of_year(self, year: int) -> tuple[tuple[Figure, ...], int, int]:
        """Return the figures of a year, how many jobs they come from, and how many of that year were left out."""
        with self._lock:
            state = self._jobs.site()
            self._look(state)
            if year not in self._found:
                self._found[year] = self._drawn(state, year)
            return self._found[year]

    def unread(self, year: int) -> tuple[int, int]:
        """Return how many of a year's records have not been read yet, and how many there are to read."""
        with self._lock:
            state = self._jobs.site()
            self._look(state)
            lines = self._lines(year)
            if year in self._found:
                return 0, len(lines)  # it was drawn from all of them
            return sum(self._key(line, state) not in self._kept for line in lines), len(lines)

    def at_hand(self, most: int) -> YearsAtHand:
        """Return the newest years as far as their records have been read already, the oldest of them first."""
        with self._lock:
            state = self._jobs.site()
            self._look(state)
            found: dict[int, tuple[tuple[Figure, ...], int, int]] = {}
            waiting: dict[int, tuple[int, int]] = {}
            for year in sorted(self._years[:most]):
                lines = self._lines(year)
                if year in self._found:
                    found[year] = self._found[year]
                    continue
                if unread := sum(self._key(line, state) not in self._kept for line in lines):
                    waiting[year] = len(lines) - unread, len(lines)
                    continue
                found[year] = self._found[year] = self._drawn(state, year)
            return YearsAtHand(found, waiting, len(self._years))

    def read(self, years: Iterable[int], most: int) -> None:
        """Read so many records of these years that have not been read yet, one at a time, the newest first."""
        for year in sorted(years, reverse=True):
            with self._lock:
                state = self._jobs.site()
                self._look(state)
                lines = self._lines(year)
                unread = [line for line in reversed(lines) if self._key(line, state) not in self._kept]
            for line in unread[:most]:
                with self._lock:
                    self._of(line, state)
            most -= len(unread[:most])
        spare_what_stays()

    def _look(self, state: SiteState) -> None:
        """Forget what was drawn once a job has been opened, closed or taken up since, or a kit settled."""
        if state.store.settled is not self._of_kits:
            self._of_kits, self._found = state.store.settled, {}
        if state.jobs is not self._of_jobs:
            years, closed = set(), defaultdict[int, list[JobLine]](list)
            for line in state.jobs:
                if line.closed_at:
                    years.add(year := site_day(line.closed_at, state.zone).year)
                    if not state.jobs.is_in_hand(line.job):
                        closed[year].append(line)
            self._of_jobs, self._years, self._found = state.jobs, tuple(sorted(years, reverse=True)), {}
            self._closed = closed

    def _lines(self, year: int) -> Sequence[JobLine]:
        """Return the jobs of a year that are looked at."""
        return self._closed.get(year, ())[-MOST_JOBS:]

    def _drawn(self, state: SiteState, year: int) -> tuple[tuple[Figure, ...], int, int]:
        lines = self._lines(year)
        own = [found for line in lines if (found := self._of(line, state)) is not None]
        names = {line.job for line in lines}
        before = [
            found
            for tag in sorted({item.housing for item in own if item.new})
            for line in state.jobs.of_housing(tag)
            if line.closed_at and line.job not in names and site_day(line.closed_at, state.zone).year < year
            and (found := self._filters_of(line, state)) is not None
        ]  # fmt: skip
        return yearly(own, before), len(own), len(self._closed.get(year, ())) - len(lines)

    @staticmethod
    def _key(line: JobLine, state: SiteState) -> tuple[str, int, int]:
        settled = state.store.settled.get(line.job)
        return line.job, line.closed_at_size, -1 if settled is None else settled.seq

    def _filters_of(self, line: JobLine, state: SiteState) -> JobFigures | None:
        """Return when an earlier job put filters in: as the entry has it that closed it, else from the job itself."""
        return self._of(line, state) if line.told is None else filters_told(line, line.told, state.zone)

    def _of(self, line: JobLine, state: SiteState) -> JobFigures | None:
        key = self._key(line, state)
        if key not in self._kept:
            events = self._jobs.events(line.job)
            self._kept[key] = figures_of(line, fold(events), events, state.zone, state.store)
        return self._kept[key]
