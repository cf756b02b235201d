"""Await what the writer thread will have made durable, and what may have to be read.

What is in memory is taken at once: a thread is only asked for what may wait for the disk.
"""

import asyncio
from concurrent.futures import Future

from starlette.concurrency import run_in_threadpool

from app.domain.job import JobState
from app.domain.procedure import StepKind
from app.services.jobs import Recorded
from app.services.ports import Person
from app.web.context import Site


async def done(future: "Future[Recorded]") -> Recorded:
    """Return after the commit; a refusal that was worth an entry is raised after that entry is durable."""
    recorded = await asyncio.wrap_future(future)
    if recorded.refused is not None:
        raise recorded.refused
    return recorded


async def state_of(site: Site, job: str) -> JobState:
    """Return the committed state of a job."""
    at_hand = site.jobs.at_hand(job)
    return await run_in_threadpool(site.jobs.state, job) if at_hand is None else at_hand


async def people_for(site: Site, state: JobState) -> tuple[Person, ...]:
    """Return the people whom the step that is due lets one choose from: at a hold point everybody, else nobody."""
    due = state.due
    return await run_in_threadpool(site.people.everyone) if due and due.kind is StepKind.HOLD else ()
