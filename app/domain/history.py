"""Is a finished history one that `decide` would have allowed?  Used on records from outside.

Only what an outsider can see in the entries is asked: order of marks, begun before done, roles at hold
points, no mark while stopped, nobody releasing or accepting their own work, no gap in the review.
"""

from collections.abc import Sequence
from datetime import date

from app.domain.event_base import Signature
from app.domain.events import (
    ContestDecided,
    Event,
    HoldReleased,
    JobOpened,
    JobReopened,
    JobSubmitted,
    RecordAccepted,
    StepBegun,
    StepDone,
    StepOutside,
    WayOutTaken,
)
from app.domain.job import JobState, Stage, evolve
from app.domain.lock_history import lock_fault
from app.domain.locks import OthersLockRemoved
from app.domain.procedure import Role, StepKind


def signature_of(event: Event) -> Signature | None:
    """Return the signature that an event carries, if it carries one."""
    if isinstance(event, HoldReleased | JobSubmitted | RecordAccepted | OthersLockRemoved):
        return event.signature
    return None


def unlawful(events: Sequence[Event]) -> tuple[str, ...]:
    """Return a sentence for every entry that the rules would have refused."""
    state, found = JobState(), []
    for event in events:
        if told := _fault(state, event):
            found.append(f"Entry {event.seq}: {told}")
        state = evolve(state, event)
    return tuple(found)


def _fault(state: JobState, event: Event) -> str:
    if (state.opened is None) != isinstance(event, JobOpened):
        return "a job is opened once, and first."
    if told := lock_fault(state, event):
        return told
    match event:
        case StepBegun() | StepDone() | StepOutside() | HoldReleased():
            return _mark_fault(state, event)
        case JobReopened() if event.by.role is not Role.LEAD:
            return f"a {event.by.role.words} re-opened the job."
        case JobReopened() if state.stop is not None and state.stop.stamp.by.id == event.by.id:
            return f"{event.by.name} re-opened a job that they had stopped."
        case ContestDecided() if event.by.role is not Role.LEAD:
            return f"a {event.by.role.words} settled two accounts."
        case WayOutTaken():
            return _way_out_fault(state, event)
        case JobSubmitted() if state.due is not None or state.stop is not None:
            return "the job was handed to review unfinished."
        case RecordAccepted():
            return _accept_fault(state, event)
        case _:
            return ""


def _mark_fault(state: JobState, event: StepBegun | StepDone | StepOutside | HoldReleased) -> str:
    due = state.due
    if state.stage is not Stage.OPEN:
        return f"a step was marked while the job was {state.stage}."
    if due is None or due.id != event.step:
        return f"the step {event.step} was marked when another was due."
    if isinstance(event, HoldReleased):
        wrong = event.by.role is not due.role or due.kind is not StepKind.HOLD
        own = event.by.id in state.performers
        until = state.permit_until
        if until is not None and until < date.fromisoformat(event.signature.local_time[:10]):
            return f"a hold was released though the permit had run out on {until}."
        return f"{event.by.name} may not release this hold." if wrong or own else ""
    if due.kind is StepKind.HOLD:
        return "a hold point was marked and not released."
    if isinstance(event, StepDone) and due.marks == 2 and state.mark(due.id).begun is None:
        return f"the step {event.step} was done without being begun."
    if isinstance(event, StepDone) and not event.evidence.within:
        return f"the step {event.step} was done with evidence outside its limit."
    return ""


def _way_out_fault(state: JobState, event: WayOutTaken) -> str:
    if event.by.role is not Role.LEAD:
        return f"a {event.by.role.words} put steps in."
    way = state.way_out
    if state.stage is not Stage.OPEN or way is None or way.id != event.way_out:
        return f"the steps {event.way_out} were put in where no test had failed."
    return ""


def _accept_fault(state: JobState, event: RecordAccepted) -> str:
    if event.by.role is not Role.SAFETY_OFFICER or event.by.id in state.performers:
        return f"{event.by.name} may not accept this record."
    if state.stage is not Stage.IN_REVIEW or state.unread:
        return "the record was accepted before it was reviewed."
    return ""
