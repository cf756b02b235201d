"""Deciding on stops and re-openings: anyone stops, a lead who did not stop re-opens."""

from app.domain.commands import (
    ExplainStop,
    Moment,
    Reopen,
    StopWork,
)
from app.domain.deciding.common import due_again, event_of, signature_of, words_of
from app.domain.deciding.remembered import noted, remembered
from app.domain.events import STOP_REASONS, STOPPED_TOO, Event, JobReopened, JobStopped, NoteWritten, StopExplained
from app.domain.job import JobState, Stage
from app.domain.judging import LONGEST_ANSWER
from app.domain.leaving import Recheck
from app.domain.procedure import Role
from app.domain.refused import Refused
from app.domain.reopening import rechecks_for
from app.domain.signing import REOPEN


def stop(state: JobState, command: StopWork, moment: Moment) -> tuple[Event, ...]:
    """Stop the job; a second stop changes nothing.  A stop is taken whatever its tablet says that it knew."""
    if command.kept:
        moment = noted(moment, remembered(state, command.seen, command.knowledge, moment), command.seen)
    if state.stop is not None:
        return (event_of(NoteWritten, state, moment, text=STOPPED_TOO),) if command.kept else ()
    if state.stage is Stage.ACCEPTED:
        raise Refused("accepted", "The record has been accepted; no work is in hand. A lead can re-open the job.")
    due = state.due
    return (event_of(JobStopped, state, moment, step=due.id if due else None),)


def explain(state: JobState, command: ExplainStop, moment: Moment) -> tuple[Event, ...]:
    """Give a stop its reason."""
    if state.stop is None:
        raise Refused("not_stopped", "The job is not stopped, so there is no stop to explain. Go to the job.")
    if state.stop.reason:
        raise Refused(
            "explained", "Somebody has said already why this job was stopped. Add to it with a note in the log."
        )
    if command.reason not in STOP_REASONS:
        raise Refused("reason", "Choose one of the reasons shown.")
    return (event_of(StopExplained, state, moment, reason=command.reason, text=command.text.strip()[:LONGEST_ANSWER]),)


def reopen(state: JobState, command: Reopen, moment: Moment) -> tuple[Event, ...]:
    """Re-open a job that rests, by a lead who did not stop it."""
    if moment.by.role is not Role.LEAD:
        raise Refused("role", f"A {moment.by.role.words} cannot re-open a job. Ask a lead.", logged=True)
    if state.stage is Stage.SUSPENDED:
        raise Refused("running", "The job is suspended, not stopped. Return to the work instead.")
    if state.stage is Stage.CONTESTED:
        raise Refused("running", "Two accounts of a step differ; nothing was stopped. Settle them first.")
    if state.stage in (Stage.OPEN, Stage.BRIEFING, Stage.LOOKING, Stage.HANDING_OVER, Stage.WORK_DONE):
        raise Refused("running", "The job is not stopped, so there is nothing to re-open. Go to the step that is due.")
    if state.stop is not None and state.stop.is_by(moment.by):
        raise Refused(
            "own_stop", f"{moment.by.name} stopped this job and cannot re-open it. Another lead must.", logged=True
        )
    complain_of_bare_stop(state)
    answer = words_of(command.answer, "The written answer")
    asked = [(name, state.step(name)) for name in command.again]
    if wrong := [name for name, step in asked if step is None or not state.mark(name).stands]:
        raise Refused("not_done", f"Step {wrong[0]} is not done, so it cannot be asked for again. Choose a done step.")
    again, flagged = due_again(state, (step for _, step in asked if step is not None))
    return (
        event_of(
            JobReopened,
            state,
            moment,
            answer=answer,
            rechecks=(*rechecks_for(state), *_own_look(command)),
            again=again,
            flagged=flagged,
            signature=signature_of(state, moment, REOPEN),
        ),
    )


def complain_of_bare_stop(state: JobState) -> None:
    """Refuse to lead on from a stop of which nobody has said why: there is nothing yet that could be answered."""
    if state.stop is not None and not state.stop.reason:
        raise Refused("unexplained", "Nobody has said yet why the job was stopped. Anybody may: give the reason first.")


def _own_look(command: Reopen) -> tuple[Recheck, ...]:
    look = command.look.strip()
    text = words_of(look, "What else to look at") if look else ""
    return (Recheck(id="extra", text=text, expected="as the lead wrote it"),) if text else ()
