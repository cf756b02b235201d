"""Figures over the jobs of a year; each accepted job is read once and what it gives is kept in memory.

What was drawn is kept until a job is opened, closed or taken up, or a kit is settled or opened again.
"""

from collections.abc import Mapping
from threading import Lock

from app.domain.job import fold
from app.domain.job_lines import JobLine, JobLines
from app.domain.site import SiteState
from app.domain.store import KitSettled
from app.records.figures import Figure, JobFigures, figures_of, filters_told, yearly
from app.records.moments import site_day
from app.services.jobs import Jobs

MOST_JOBS = 2_000
"""Looked at for one year; the newest, and the page says so (this program's bound)."""


class Figures:
    """The figures of one site."""

    def __init__(self, jobs: Jobs) -> None:
        self._jobs = jobs
        self._kept: dict[tuple[str, int, int], JobFigures | None] = {}
        self._of_jobs: JobLines | None = None
        self._of_kits: Mapping[str, KitSettled] | None = None
        self._years: tuple[int, ...] = ()
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

    def _look(self, state: SiteState) -> None:
        """Forget what was drawn once a job has been opened, closed or taken up since, or a kit settled."""
        if state.store.settled is not self._of_kits:
            self._of_kits, self._found = state.store.settled, {}
        if state.jobs is not self._of_jobs:
            closed = {site_day(line.closed_at, state.zone).year for line in state.jobs if line.closed_at}
            self._of_jobs, self._years, self._found = state.jobs, tuple(sorted(closed, reverse=True)), {}

    def _drawn(self, state: SiteState, year: int) -> tuple[tuple[Figure, ...], int, int]:
        closed = [
            line
            for line in state.jobs
            if line.closed_at and not state.jobs.is_in_hand(line.job)
            and site_day(line.closed_at, state.zone).year == year
        ]  # fmt: skip
        lines = closed[-MOST_JOBS:]
        own = [found for line in lines if (found := self._of(line, state)) is not None]
        names = {line.job for line in lines}
        before = [
            found
            for tag in sorted({item.housing for item in own if item.new})
            for line in state.jobs.of_housing(tag)
            if line.closed_at and line.job not in names and site_day(line.closed_at, state.zone).year < year
            and (found := self._filters_of(line, state)) is not None
        ]  # fmt: skip
        return yearly(own, before), len(own), len(closed) - len(lines)

    def _filters_of(self, line: JobLine, state: SiteState) -> JobFigures | None:
        """Return when an earlier job put filters in: as the entry has it that closed it, else from the job itself."""
        return self._of(line, state) if line.told is None else filters_told(line, line.told, state.zone)

    def _of(self, line: JobLine, state: SiteState) -> JobFigures | None:
        settled = state.store.settled.get(line.job)
        key = line.job, line.closed_at_size, -1 if settled is None else settled.seq
        if key not in self._kept:
            events = self._jobs.events(line.job)
            self._kept[key] = figures_of(line, fold(events), events, state.zone, state.store)
        return self._kept[key]
