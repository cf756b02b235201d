"""Deciding on corrections: by whom, and what becomes due again."""

from app.domain.commands import (
    Correct,
    Moment,
    Withdraw,
)
from app.domain.deciding.applicability import branch_of
from app.domain.deciding.common import event_of, relying_on, stop_for, words_of
from app.domain.deciding.work import complain_of_no_other, setting_then
from app.domain.event_base import Who
from app.domain.events import AnswerCorrected, Event, StepWithdrawn
from app.domain.job import JobState
from app.domain.judging import AGAIN, evidence_from
from app.domain.procedure import Role
from app.domain.refused import Refused
from app.domain.steps import Step


def _done_step(state: JobState, step_id: str, moment: Moment) -> Step:
    step, mark = state.step(step_id), state.mark(step_id)
    if step is None or (mark.done is None and mark.begun is None):
        raise Refused("not_done", "That step carries no mark. Only what has been marked can be corrected.")
    owner = mark.done or mark.begun
    if moment.by.role is not Role.LEAD and owner is not None and owner.by.id != moment.by.id:
        raise Refused(
            "not_yours",
            f"{owner.by.name} made that mark. It is corrected by {owner.by.name} or by a lead.",
            step=step_id,
        )
    if state.accepted is not None and moment.by.role is not Role.LEAD:
        raise Refused("accepted", "The record has been accepted. Ask a lead to correct or re-open it.", step=step_id)
    return step


def correct(state: JobState, command: Correct, moment: Moment) -> tuple[Event, ...]:
    """Correct one answer; one that now lies outside its limit stops the job, for with it the step is in hand again.

    A number that is entered twice is so once more, by two people where two answered for it; the other answers stand as
    they were entered.
    """
    step = _done_step(state, command.step, moment)
    reason = words_of(command.reason, "The reason")
    mark = state.mark(step.id)
    if command.ask not in mark.evidence.answers:
        raise Refused("no_answer", f"“{step.text}” holds no answer named {command.ask}. Choose one that was given.")
    was = mark.evidence.answers[command.ask].text
    answers = {name: answer.text for name, answer in mark.evidence.answers.items()} | {command.ask: command.now}
    twice = [asked.ask.id for asked in step.asks if asked.ask.twice]
    second = _read_by_another(step, command, moment) if command.ask in twice else None
    answers |= {name + AGAIN: command.again if name == command.ask else answers.get(name, "") for name in twice}
    evidence = evidence_from(step, answers, mark.evidence.note, setting_then(state, step, moment))
    now = evidence.answers[command.ask].text if command.ask in evidence.answers else ""
    if now == was:
        raise Refused("same", f"The corrected answer is the same as the first, {was}. Enter what was really seen.")
    again, flagged = relying_on(state, step)
    if not evidence.within:
        again = (step.id, *again)
    corrected = event_of(
        AnswerCorrected, state, moment, step=step.id, ask=command.ask, was=was, now=now, reason=reason,
        evidence=evidence, due_again=again, flagged=flagged, second=second,
    )  # fmt: skip
    if evidence.within or state.stop is not None:
        return (corrected, *branch_of(state, step, evidence, moment))
    return (corrected, stop_for(state, moment, f"Corrected to what lies outside its limit: {now}.", step=step))


def _read_by_another(step: Step, command: Correct, moment: Moment) -> Who | None:
    """Return who read the number too: no number that two people answer for is corrected by one."""
    if step.second is None:
        return None
    if command.beside is None:
        raise Refused(
            "second",
            f"Two people answer for that number of “{step.text}”. Have a second person read it too and enter their own "
            "secret.",
            step=step.id,
            logged=True,
        )
    complain_of_no_other(step, command.beside, (moment.by.id,))
    return command.beside


def withdraw(state: JobState, command: Withdraw, moment: Moment) -> tuple[Event, ...]:
    """Take a mark back."""
    step = _done_step(state, command.step, moment)
    reason = words_of(command.reason, "The reason")
    if state.mark(step.id).done is None:
        return (event_of(StepWithdrawn, state, moment, step=step.id, reason=reason),)
    again, flagged = relying_on(state, step)
    again, flagged = (again, (step.id, *flagged)) if step.final else ((step.id, *again), flagged)
    return (event_of(StepWithdrawn, state, moment, step=step.id, reason=reason, due_again=again, flagged=flagged),)
