"""Deciding on the work: only the due step, begun before done, holds by their role, what the model allows."""

from datetime import date

from app.domain.commands import (
    Begin,
    Finish,
    Moment,
    Release,
    TakeWayOut,
)
from app.domain.computing import Setting
from app.domain.containment.effects import Act
from app.domain.containment.rules import attempt
from app.domain.deciding.common import event_of, signature_of, words_of
from app.domain.deciding.isolation import in_the_way, labels_read, rows_stand
from app.domain.events import Event, HoldReleased, StepBegun, StepDone, StepOutside, WayOutTaken
from app.domain.job import JobState, Stage
from app.domain.judging import evidence_from
from app.domain.procedure import Role, StepKind
from app.domain.refused import Refused
from app.domain.steps import Step

NOT_OPEN = {
    Stage.STOPPED: "The job is stopped. A lead must re-open it before anything is marked.",
    Stage.LOOKING: "The job was re-opened. Answer what is to be looked at before going on.",
    Stage.CONTESTED: "Two accounts of a step differ. A lead must settle them before anything is marked.",
}
MEANING_HOLD = "I release this hold point"


def _working(state: JobState, step_id: str) -> Step:
    """Return the step asked for if the job runs and the step is due."""
    step = state.step(step_id)
    if step is None:
        raise Refused("no_step", f"This job has no step {step_id!r}. Go back to the step that is due.")
    due = state.due
    if due is None or state.stage is not Stage.OPEN:
        raise Refused("not_open", NOT_OPEN.get(state.stage, f"The job is {state.stage}; no step is due."), step=step_id)
    if due.id != step_id:
        done = state.mark(step_id).stands
        told = "is done already" if done else "is not due yet"
        by = _by(state, step_id) if done else ""
        raise Refused(
            "done_already" if done else "out_of_order",
            f"“{step.text}” {told}{by}. Due now: “{due.text}”. Go to that step.",
            step=step_id,
            logged=not done,
        )
    return step


def _by(state: JobState, step_id: str) -> str:
    done = state.mark(step_id).done
    return f" by {done.by.name}" if done else ""


def _may_mark(state: JobState, step: Step, moment: Moment) -> None:
    if step.kind is StepKind.HOLD:
        raise Refused(
            "hold",
            f"“{step.text}” is a hold point. It is released by a {step.role.words} with their own secret.",
            step=step.id,
            logged=True,
        )
    if step.role is not Role.TECHNICIAN and moment.by.role is not step.role:
        raise Refused("role", f"“{step.text}” is for a {step.role.words}. Ask one to mark it.", step=step.id)
    if step.kind is StepKind.VERIFY and moment.by.id in _hands_in(state, step):
        raise Refused(
            "own_work",
            f"{moment.by.name} did the work that this step verifies. Somebody else must verify it.",
            step=step.id,
            logged=True,
        )


def _hands_in(state: JobState, step: Step) -> frozenset[str]:
    """Who did the work that a verification looks at: the steps before it in its section, or in the one before."""
    place = state.index[step.id]
    here = [other for other in state.steps[:place] if other.section == step.section]
    work = [other for other in here if other.effects]
    if not work:
        before = [other for other in state.steps[:place] if other.port == step.port and other.effects]
        work = [other for other in before if other.section == before[-1].section]
    stamps = (state.mark(other.id).done for other in work)
    hands = frozenset(stamp.by.id for stamp in stamps if stamp is not None)
    verifies = any(effect.act is Act.VERIFY_ISOLATION for effect in step.effects)
    return hands | {row.by.id for row in state.locks.points} if verifies else hands


def begin(state: JobState, command: Begin, moment: Moment) -> tuple[Event, ...]:
    """Make the first of two marks."""
    step = _working(state, command.step)
    _may_mark(state, step, moment)
    if step.marks == 1:
        raise Refused("one_mark", f"“{step.text}” takes one mark only. Mark it done when it is done.", step=step.id)
    if begun := state.mark(step.id).begun:
        raise Refused("begun_already", f"“{step.text}” was begun by {begun.by.name}. Mark it done.", step=step.id)
    in_the_way(state, step, moment)
    _model_allows(state, step)
    labels = labels_read(state, step, command.answers)
    return (event_of(StepBegun, state, moment, step=step.id, labels=labels or None),)


def finish(state: JobState, command: Finish, moment: Moment) -> tuple[Event, ...]:
    """Finish a step, or keep what lies outside its limit as an attempt."""
    step = _working(state, command.step)
    _may_mark(state, step, moment)
    if step.marks == 2 and state.mark(step.id).begun is None:
        raise Refused("not_begun", f"“{step.text}” has not been begun. Mark it begun before acting.", step=step.id)
    in_the_way(state, step, moment)
    rows_stand(state, step)
    _model_allows(state, step)
    evidence = evidence_from(step, command.answers, command.note, Setting(moment.on, moment.instruments))
    if not evidence.within:
        return (event_of(StepOutside, state, moment, step=step.id, evidence=evidence),)
    return (event_of(StepDone, state, moment, step=step.id, evidence=evidence, in_hand_since=state.last_at),)


def setting_then(state: JobState, step: Step, moment: Moment) -> Setting:
    """What the first answers were judged with: their day, and the instruments as they were kept with them."""
    mark = state.mark(step.id)
    kept = {item.id: item for item in mark.evidence.instruments or ()}
    then = mark.evidence.result.inputs.get("on") if mark.evidence.result else None
    day = date.fromisoformat(then or (mark.done.at[:10] if mark.done else moment.local_time[:10]))
    return Setting(day, {**moment.instruments, **kept})


def _model_allows(state: JobState, step: Step) -> None:
    """The model's word at the moment of the act; after the check at opening it only speaks on a fault of ours."""
    if state.model is None or step.id in state.applied:
        return
    model = state.model
    for effect in step.effects:
        outcome = attempt(model, effect)
        if outcome.broken:
            first = outcome.broken[0]
            raise Refused("breach", f"Rule {first.rule}: {first.sentence}. Stop and call the lead.", step=step.id)
        model = outcome.state


def release(state: JobState, command: Release, moment: Moment) -> tuple[Event, ...]:
    """Release a hold point: by its role, by nobody who worked, under a permit that is good."""
    step = _working(state, command.step)
    if step.kind is not StepKind.HOLD:
        raise Refused("no_hold", f"“{step.text}” is not a hold point. Mark it like any other step.", step=step.id)
    if moment.by.role is not step.role:
        raise Refused(
            "hold_role",
            f"{moment.by.name} is a {moment.by.role.words}; this hold is released by a {step.role.words}.",
            step=step.id,
            logged=True,
        )
    if moment.by.id in state.performers:
        raise Refused(
            "hold_own_work",
            f"{moment.by.name} has worked on this job and cannot release its holds. Call another {step.role.words}.",
            step=step.id,
            logged=True,
        )
    in_the_way(state, step, moment)
    until = state.permit_until
    if until is not None and until < moment.on:
        raise Refused(
            "permit",
            f"The permit was good until {until} and today is {moment.on}. Have it renewed and correct its date, then "
            "release.",
            step=step.id,
            logged=True,
        )
    return (event_of(HoldReleased, state, moment, step=step.id, signature=signature_of(state, moment, MEANING_HOLD)),)


def take_way_out(state: JobState, command: TakeWayOut, moment: Moment) -> tuple[Event, ...]:
    """Put in the steps kept ready for a failed test."""
    if moment.by.role is not Role.LEAD:
        raise Refused("role", f"A {moment.by.role.words} cannot put steps in. Ask a lead.", logged=True)
    due, way = state.due, state.way_out
    if state.stage is not Stage.OPEN or due is None or way is None or way.id != command.way_out:
        raise Refused("no_way_out", "These steps are put in where a test has failed. Go to the step that is due.")
    reason = words_of(command.reason, "The reason")
    again = tuple(step.id for step in state.steps if step.section == due.section and state.mark(step.id).stands)
    return (event_of(WayOutTaken, state, moment, way_out=way.id, step=due.id, reason=reason, due_again=again),)


due_step, model_allows = _working, _model_allows
"""For marks that are part of a step: the row of a lock."""
