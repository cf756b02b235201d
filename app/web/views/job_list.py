"""Finding a job among all of them: by its number, by its housing, or newest first."""

from dataclasses import dataclass

from app.domain.site import SiteState
from app.web.views.pages import JobRow, ended_row, line_row


@dataclass(frozen=True, slots=True)
class JobList:
    """Some of the jobs, newest first.  told: what was found.  older: how many to pass by for the next ones, or 0."""

    find: str
    told: str
    jobs: tuple[JobRow, ...]
    older: int


def jobs_page(state: SiteState, find: str, *, skip: int, count: int) -> JobList:
    """Return what a number or a housing's tag finds; everything, a page of `count` at a time, if nothing is asked."""
    if not find:
        lines, whole = state.jobs.newest(count, skip=skip), len(state.jobs)
        told = f"{whole} {'job' if whole == 1 else 'jobs'} on this site, newest first."
    elif one := state.jobs.numbered(find.removeprefix("job-")):
        lines, whole, told = (one,), 1, f"The job with the number {one.number}."
    else:
        found = state.jobs.of_housing(find) or state.jobs.of_housing(find.upper())
        lines, whole = found[skip : skip + count], len(found)
        told = f"{whole} {'job' if whole == 1 else 'jobs'} on {found[0].housing}, newest first." if found else ""
    rows = tuple(
        line_row(line, state.zone) if state.jobs.is_in_hand(line.job) else ended_row(line, state.zone) for line in lines
    )
    past = skip + len(lines)
    return JobList(find, told, rows, past if past < whole else 0)
