"""Deciding on marks that a tablet kept: taken, joined or contested, never dropped."""

from dataclasses import replace

from app.calc.errors import Invalid
from app.domain.commands import (
    Begin,
    DecideContest,
    Finish,
    Late,
    Moment,
)
from app.domain.deciding.common import due_again, event_of, neighbours, setting_now, words_of
from app.domain.deciding.leaving import handed_over
from app.domain.deciding.remembered import noted, remembered
from app.domain.deciding.work import begin, finish
from app.domain.events import ContestDecided, Event, MarkContested, MarkJoined
from app.domain.job import JobState
from app.domain.judging import evidence_from
from app.domain.labels import told_apart
from app.domain.procedure import Role, StepKind
from app.domain.refused import Refused
from app.domain.steps import Step

OTHERWISE = "Another mark stands at this step and says something else."
MOST_CONTESTS = 50
"""Accounts to settle at once; more is no crew at work (this program's figure)."""


def late(state: JobState, command: Late, moment: Moment) -> tuple[Event, ...]:
    """Take a kept mark: as if it had come in time, or beside the one that stands; it is never dropped."""
    mark = command.mark
    step = state.step(mark.step)
    if step is None:
        raise Invalid(f"This job has no step {mark.step}. The mark stays on the tablet; show it to a lead.")
    if told := handed_over(state, moment.by):
        return _contested(state, mark, moment, told)
    known = remembered(state, command.seen, command.knowledge, moment)
    moment = replace(noted(moment, known, command.seen), kept=True)
    if known.doubt:
        return _contested(state, mark, moment, known.doubt)
    if known.seen <= state.unsettled_at:
        return _contested(
            state, mark, moment, "The job was stopped, left, re-opened or corrected after this mark was made."
        )
    try:
        return begin(state, mark, moment) if isinstance(mark, Begin) else finish(state, mark, moment)
    except Invalid:
        if state.mark(step.id).stands:
            return _beside(state, step, mark, moment, OTHERWISE)
        raise  # nothing stands that it could contradict: what cannot be read stays on the tablet, in plain sight
    except Refused as no:
        stands = no.code in {"done_already", "begun_already"}
        return _beside(state, step, mark, moment, OTHERWISE if stands else str(no))


def _beside(state: JobState, step: Step, mark: Begin | Finish, moment: Moment, why: str) -> tuple[Event, ...]:
    """Join a mark that says what stands; contest one that does not."""
    if _says_the_same(state, step, mark, moment):
        act, note = ("finish", mark.note) if isinstance(mark, Finish) else ("begin", "")
        return (event_of(MarkJoined, state, moment, step=step.id, act=act, note=note),)
    return _contested(state, mark, moment, why)


def _contested(state: JobState, mark: Begin | Finish, moment: Moment, why: str) -> tuple[Event, ...]:
    if len(state.contests) >= MOST_CONTESTS:
        raise Invalid(f"{MOST_CONTESTS} accounts wait for a lead already. This mark stays on the tablet until then.")
    answers, note = dict(mark.answers), mark.note if isinstance(mark, Finish) else ""
    act = "finish" if isinstance(mark, Finish) else "begin"
    return (event_of(MarkContested, state, moment, step=mark.step, act=act, answers=answers, note=note, why=why),)


def _says_the_same(state: JobState, step: Step, mark: Begin | Finish, moment: Moment) -> bool:
    """Whether what stands at the step is what the mark says, answer for answer."""
    stands = state.mark(step.id)
    if isinstance(mark, Begin):
        read = all(
            told_apart(mark.answers.get(item.ask.id, ""), item.ask.expects or "", neighbours(state))
            for item in step.asks_at("begin")
        )
        return read and (stands.stands or stands.begun is not None)
    if not stands.stands or step.kind is StepKind.HOLD:
        return False
    try:
        return (
            evidence_from(step, mark.answers, "", setting_now(state, step, moment)).answers == stands.evidence.answers
        )
    except (Refused, Invalid):
        return False


def decide_contest(state: JobState, command: DecideContest, moment: Moment) -> tuple[Event, ...]:
    """Settle accounts that differ."""
    if moment.by.role is not Role.LEAD:
        raise Refused("role", f"A {moment.by.role.words} cannot settle two accounts. Ask a lead.", logged=True)
    known = {item.seq: item for item in state.contests}
    chosen = [known[entry] for entry in command.entries if entry in known]
    if not chosen or len(chosen) != len(command.entries):
        raise Refused("no_contest", "That is not among the accounts to settle. Reload the page and choose again.")
    if any(item.by.id == moment.by.id for item in chosen):
        raise Refused("own_contest", f"{moment.by.name} made one of these marks. Another lead must settle it.")
    reason = words_of(command.reason, "The reason")
    named = () if command.holds else tuple(state.step(item.step) for item in chosen)
    again, flagged = due_again(state, (step for step in named if step is not None and state.mark(step.id).stands))
    return (
        event_of(
            ContestDecided, state, moment, entries=command.entries, holds=command.holds, reason=reason,
            due_again=again, flagged=flagged,
        ),
    )  # fmt: skip
