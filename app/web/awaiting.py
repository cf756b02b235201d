"""Await what the writer thread will have made durable, and what may have to be read.

What is in memory is taken at once: a thread is only asked for what may wait for the disk.
"""

import asyncio
from concurrent.futures import Future
from dataclasses import replace
from datetime import date

from starlette.concurrency import run_in_threadpool

from app.domain.deciding.filters import unfit_in_kit
from app.domain.job import JobState, Stage
from app.domain.procedure import StepKind
from app.records.moments import local_text, utc_text
from app.services.jobs import Recorded
from app.services.ports import Person
from app.web.context import Site
from app.web.views.step import Around


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


async def around_for(site: Site, state: JobState, worker: str = "") -> Around:
    """Return what the step that is due lets one choose from: people at a hold point, instruments at a reading.

    worker: for whom this tablet records.
    """
    return replace(
        await _choices(site, state), worker=worker, newer=newer_words(site, state), unfit=_unfit(site, state)
    )


def _unfit(site: Site, state: JobState) -> tuple[str, ...]:
    """Say which lots of the job's kit the step that is due must not use."""
    if state.due is None or not state.due.effects:
        return ()
    register = site.jobs.site_last_seen()
    on = date.fromisoformat(local_text(utc_text(site.clock()), register.zone)[:10])
    return unfit_in_kit(state, state.due, register.store, on=on)


def newer_words(site: Site, state: JobState) -> str:
    """Say that a newer revision of the job's procedure was issued; the job itself stays on its own."""
    register, opened = site.jobs.site_last_seen(), state.opened
    if opened is None or state.stage is Stage.ACCEPTED:
        return ""
    newest = max((number for name, number, _ in register.procedures if name == opened.procedure), default=0)
    if newest <= opened.revision:
        return ""
    return (
        f"Revision {newest} of this procedure has been issued since. This job stays on revision {opened.revision}; "
        "decide whether it goes on."
    )


async def _choices(site: Site, state: JobState) -> Around:
    due = state.due
    if due is None:
        return Around()
    people: tuple[Person, ...] = ()
    if due.kind is StepKind.HOLD or due.second is not None:
        people = await run_in_threadpool(site.people.everyone)
    if not any(asked.ask.kind == "instrument" for asked in due.asks):
        return Around(people=people)
    register = await run_in_threadpool(site.jobs.site)
    on = date.fromisoformat(local_text(utc_text(site.clock()), register.zone)[:10])
    return Around(people=people, instruments=register.instruments, on=on)
