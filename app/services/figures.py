"""Figures over the jobs of a year; each accepted job is read once and what it gives is kept in memory."""

from app.domain.job_lines import JobLine
from app.records.figures import Figure, JobFigures, figures_of, yearly
from app.records.moments import site_day
from app.services.jobs import Jobs

MOST_JOBS = 2_000
"""Looked at for one year; the newest, and the page says so (this program's bound)."""


class Figures:
    """The figures of one site."""

    def __init__(self, jobs: Jobs) -> None:
        self._jobs = jobs
        self._kept: dict[tuple[str, int], JobFigures | None] = {}

    def years(self) -> tuple[int, ...]:
        """Return the years in which a record was accepted, newest first."""
        state = self._jobs.site()
        found = {site_day(line.closed_at, state.zone).year for line in state.jobs if line.closed_at}
        return tuple(sorted(found, reverse=True))

    def of_year(self, year: int) -> tuple[tuple[Figure, ...], int, int]:
        """Return the figures of a year, how many jobs they come from, and how many of that year were left out."""
        state = self._jobs.site()
        closed = [
            line
            for line in state.jobs
            if line.closed_at and not state.jobs.is_in_hand(line.job)
            and site_day(line.closed_at, state.zone).year == year
        ]  # fmt: skip
        lines = closed[-MOST_JOBS:]
        own = [found for line in lines if (found := self._of(line, state.zone)) is not None]
        names = {line.job for line in lines}
        before = [
            found
            for tag in sorted({line.housing for line in lines})
            for line in state.jobs.of_housing(tag)
            if line.closed_at and line.job not in names and (found := self._of(line, state.zone)) is not None
            and found.on.year < year
        ]  # fmt: skip
        return yearly(own, before), len(own), len(closed) - len(lines)

    def _of(self, line: JobLine, zone: str) -> JobFigures | None:
        key = line.job, line.closed_at_size
        if key not in self._kept:
            self._kept[key] = figures_of(line, self._jobs.state(line.job), self._jobs.events(line.job), zone)
        return self._kept[key]
