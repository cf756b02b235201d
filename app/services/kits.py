"""What planned work and open jobs need of the store room: for one of them, or for a planned outage of many."""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date

from app.calc.errors import Invalid
from app.domain.job import JobState, Stage
from app.domain.job_lines import JobLine
from app.domain.picking import PickList, Wanted, lives_at, needs_of_job, picked, wanted_of_job
from app.domain.planned import Planned
from app.domain.site import SiteState, issued_digests
from app.domain.store import Store
from app.services.planning import find_housing, find_procedure, plan
from app.services.ports import Library


@dataclass(frozen=True, slots=True)
class Work:
    """Something that a kit may be put together for.

    key: the job's ledger, or the number of the planned work.  told: what and where.  wanted: None with a fault.
    waits: it waits for material still, and so may be chosen for a pick list.  lives: how old filters may be for it, in
    years, by type.
    """

    key: str
    name: str
    told: str
    on: date
    wanted: Wanted | None
    fault: str = ""
    waits: bool = True
    lives: Mapping[str, int] = field(default_factory=dict)

    @property
    def is_job(self) -> bool:
        """Whether its job is open; a planned work is none yet."""
        return self.key.startswith("job-")


def works(
    state: SiteState, jobs: Iterable[tuple[JobLine, JobState]], library: Library, today: date
) -> tuple[Work, ...]:
    """Return all work that waits for material, the earliest first: plans that wait, jobs with steps that use some."""
    found = [_planned(item, state, library) for item in state.planned.waiting]
    found += [work for line, job in jobs if _waits(job) and (work := _in_hand(line, job, today)).waits]
    return tuple(sorted(found, key=lambda item: (item.on, item.key)))


def dealt(found: Iterable[Work], work: Work, store: Store, today: date) -> PickList:
    """Deal the store room out to all that wait and to one work more, if it is not among them, as the pick list does."""
    every = {item.key: item.wanted for item in (*found, work) if item.wanted is not None}
    return picked(every.values(), store, today=today)


def chosen_of(found: Collection[Work], keys: Collection[str]) -> tuple[Work, ...]:
    """Return the works with these keys, all where none is named; Invalid for one that is not there."""
    known = {work.key for work in found}
    if stray := sorted(set(keys) - known):
        raise Invalid(f"No work {stray[0][:30]!r} waits for material. Choose from those listed.")
    return tuple(work for work in found if not keys or work.key in keys)


def work_of(
    key: str, state: SiteState, jobs: Iterable[tuple[JobLine, JobState]], library: Library, today: date
) -> Work:
    """Return one work, also one that no longer waits but has a kit; Invalid if there is none."""
    if (item := state.planned.get(key)) is not None:
        return _planned(item, state, library)
    for line, job in jobs:
        if line.job == key and job.opened is not None:
            return _in_hand(line, job, today)
    raise Invalid(f"There is no job or planned work {key[:30]!r}. Choose from those listed under Pick list.")


def _planned(item: Planned, state: SiteState, library: Library) -> Work:
    on = date.fromisoformat(item.begins[:10])
    named, told = item.plan, f"{item.procedure.replace('-', ' ')} on {item.housing}, {on}"
    try:
        made = plan(
            find_housing(library, item.housing), *find_procedure(library, item.procedure, issued_digests(state))
        )
    except Invalid as fault:
        return Work(item.plan, named, told, on, None, str(fault), item.waits)
    needs = needs_of_job(made.steps, made.housing, made.start, crew=len(item.intent.crew)) if item.waits else ()
    told = f"{made.procedure.title} on {item.housing}, {on}"
    return Work(
        item.plan, named, told, on, Wanted(item.plan, on, needs), waits=item.waits, lives=lives_at(made.housing)
    )


def _in_hand(line: JobLine, job: JobState, today: date) -> Work:
    told = f"{job.opened.procedure_title if job.opened else line.kind} on {line.housing}, in hand"
    if job.opened is None:
        return Work(line.job, f"Job {line.number}", told, today, None, "The job has no first entry.", waits=False)
    wanted = wanted_of_job(line.job, job, today)
    return Work(
        line.job, f"Job {line.number}", told, today, wanted, waits=_waits(job) and bool(wanted.needs),
        lives=lives_at(job.opened.housing),
    )  # fmt: skip


def _waits(job: JobState) -> bool:
    """Whether a job may wait for material: one that goes on and is no rehearsal."""
    return job.opened is not None and job.stage is not Stage.ACCEPTED and not job.opened.rehearsal
