"""Deciding on the work: only the due step, begun before done, holds by their role, what the model allows."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

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
from app.domain.crew import ConfirmPause
from app.domain.deciding import crew
from app.domain.deciding.applicability import branch_of
from app.domain.deciding.common import (
    complain_of_permit,
    event_of,
    setting_now,
    signature_of,
    stop_for,
    words_of,
    working,
)
from app.domain.deciding.field_change import complain_of_approver
from app.domain.deciding.filters import complain_of_unfit, fitness_of
from app.domain.deciding.gate import gate
from app.domain.deciding.isolation import labels_read, rows_stand
from app.domain.event_base import Who
from app.domain.events import EntriesDiffered, Event, HoldReleased, StepBegun, StepDone, StepOutside, WayOutTaken
from app.domain.instants import to_minute
from app.domain.job import JobState, Mark, Stage, outside_words
from app.domain.judging import EntriesDiffer, evidence_from
from app.domain.procedure import Role, Second, StepKind
from app.domain.refused import Refused
from app.domain.signing import HOLD
from app.domain.steps import Step, looked_at
from app.domain.zones import local_text


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
    crew.may_mark(state, step, moment)
    if step.kind is StepKind.VERIFY:
        _complain_of_verifier(state, step, moment)


def _complain_of_verifier(state: JobState, step: Step, moment: Moment) -> None:
    """Refuse whoever did, recorded or has been shown the work that a verification looks at.

    What was verified on paper was so before anybody entered or compared what stands there; whoever was shown the work,
    or entered it, before the page was printed had seen it all the same.
    """
    printed = state.size if moment.paper is None else moment.paper
    marks = [state.mark(other.id) for other in looked_at(step, state.steps[: state.index[step.id]])]
    stamps = [stamp for mark in marks for stamp in mark.stamps]
    hands = frozenset().union(*(stamp.recorders if stamp.seq < printed else stamp.doers for stamp in stamps))
    if any(effect.act is Act.VERIFY_ISOLATION for effect in step.effects):
        rows = state.locks.points
        hands = hands.union(*(row.recorders if row.seq < printed else {row.by.id} for row in rows))
    if moment.by.id in hands:
        raise Refused(
            "own_work",
            f"{moment.by.name} did the work that this step verifies, or recorded it. Somebody else must verify it.",
            step=step.id,
            logged=True,
        )
    _apart_in_time(state, step, marks, moment)
    since = min((mark.done.seq for mark in marks if mark.done), default=state.size)
    if since < state.led.get(moment.by.id, -1) <= printed or since < moment.taken.get(moment.by.id, 0) <= printed:
        raise Refused(
            "has_seen",
            f"{moment.by.name} led the job on after that work was done, or took its record, and may have seen what was "
            "entered. Somebody else must verify it unseen.",
            step=step.id,
            logged=True,
        )


def _apart_in_time(state: JobState, step: Step, marks: Sequence[Mark], moment: Moment) -> None:
    """Refuse a verification sooner after the work than the site asks."""
    wait = timedelta(minutes=(state.opened.verify_after_min if state.opened else None) or 0)
    done = max((to_minute(mark.done.when) for mark in marks if mark.done is not None), default=None)
    now = to_minute(moment.at if moment.paper is None else moment.local_time)
    if not wait or done is None or now >= done + wait:
        return
    zone = state.opened.zone if state.opened else "UTC"
    told = local_text((done + wait).isoformat(), zone)[11:16]
    raise Refused(
        "too_soon",
        f"“{step.text}” is verified {wait.seconds // 60} min after the work at the earliest, at {told} (this site's "
        "choice). Wait until then, away from the work.",
        step=step.id,
    )


def begin(state: JobState, command: Begin, moment: Moment) -> tuple[Event, ...]:
    """Make the first of two marks."""
    step = working(state, command.step)
    _may_mark(state, step, moment)
    if step.marks == 1:
        raise Refused("one_mark", f"“{step.text}” takes one mark only. Mark it done when it is done.", step=step.id)
    if begun := state.mark(step.id).begun:
        raise Refused("begun_already", f"“{step.text}” was begun by {begun.by.name}. Mark it done.", step=step.id)
    gate(state, step, moment)
    complain_of_unfit(state, step, moment)
    second = _second(state, step, command, moment, "begin")
    model_allows(state, step)
    worker = _worker(state, step, command, moment)
    labels, hazards = labels_read(state, step, command.answers) or None, _hazards_shown(step, command)
    return (
        event_of(
            StepBegun, state, moment, step=step.id, second=second, worker=worker, labels=labels, hazards=hazards
        ),
    )  # fmt: skip


def finish(state: JobState, command: Finish, moment: Moment) -> tuple[Event, ...]:
    """Finish a step, or keep what lies outside its limit as an attempt."""
    step = working(state, command.step)
    _may_mark(state, step, moment)
    if step.marks == 2 and state.mark(step.id).begun is None:
        raise Refused("not_begun", f"“{step.text}” has not been begun. Mark it begun before acting.", step=step.id)
    crew.no_lone_pause(state, step)
    gate(state, step, moment)
    rows_stand(state, step)
    if step.marks == 1:
        complain_of_unfit(state, step, moment)
    model_allows(state, step)
    second = _second(state, step, command, moment, "finish")
    worker, hazards = _worker(state, step, command, moment), _hazards_shown(step, command)
    why = _reconciled(state, step, command)
    try:
        evidence = evidence_from(step, command.answers, command.note, setting_now(state, step, moment))
    except EntriesDiffer as differ:
        return _kept_both(state, step, differ, second, moment)
    if evidence.within:
        done = event_of(
            StepDone, state, moment, step=step.id, evidence=evidence, second=second, reconciled=why,
            in_hand_since=state.last_at, worker=worker, hazards=hazards,
        )  # fmt: skip
        return (done, *branch_of(state, step, evidence, moment))
    outside = event_of(
        StepOutside, state, moment, step=step.id, evidence=evidence, second=second, reconciled=why, worker=worker,
        hazards=hazards,
    )  # fmt: skip
    return (outside, stop_for(state, moment, outside_words(evidence, step), step=step))


def _hazards_shown(step: Step, command: Begin | Finish) -> str | None:
    """Return the digest of the hazards that stood on the page; none is marked on a page that did not show them."""
    if command.hazards is None or not step.hazards:
        return None
    if command.hazards != step.hazards_sha256:
        raise Refused(
            "hazards",
            f"The page did not show the hazards of “{step.text}” as they stand. Read them on its page, then mark it.",
            step=step.id,
        )
    return command.hazards


def _worker(state: JobState, step: Step, command: Begin | Finish, moment: Moment) -> Who | None:
    """Return for whom the mark is made; whoever approved a change of the step is not the one who carries it out."""
    worker = crew.worker_of(state, step, command.worker, moment)
    if worker is not None:
        complain_of_approver(state, step, worker)
    return worker


def _second(state: JobState, step: Step, command: Begin | Finish, moment: Moment, act: str) -> Who | None:
    """Return the second person, where the step has one: there with their own secret, and somebody else."""
    second = command.second
    if step.second is None or (step.second is Second.WITNESS and act == "begin"):
        return None
    if second is None:
        raise Refused(
            "second",
            f"“{step.text}” takes two people. Have a second person enter their own secret, then {act} it.",
            step=step.id,
            logged=True,
        )
    complain_of_no_other(step, second, (moment.by.id, command.worker))
    crew.may_be_second(state, step, second, moment)
    complain_of_approver(state, step, second)
    return second


def complain_of_no_other(step: Step, second: Who, marking: Sequence[str]) -> None:
    """Refuse as second person whoever marks, or an administrator.  marking: ids of whoever the mark is of."""
    if second.id in marking or second.role is Role.ADMINISTRATOR:
        told = "does not work on jobs and" if second.role is Role.ADMINISTRATOR else "makes this mark and"
        raise Refused(
            "second_self",
            f"{second.name} {told} cannot be the second person. Have somebody else of the crew enter their secret.",
            step=step.id,
            logged=True,
        )


def _kept_both(
    state: JobState, step: Step, differ: EntriesDiffer, second: Who | None, moment: Moment
) -> tuple[Event, ...]:
    """Keep both entries of every number that was not entered alike."""
    return tuple(
        event_of(
            EntriesDiffered, state, moment, offset=place, step=step.id, ask=ask, first=first, again=again, second=second
        )
        for place, (ask, first, again) in enumerate(differ.pairs)
    )


def _reconciled(state: JobState, step: Step, command: Finish) -> str | None:
    """Return why entries had differed; nobody goes on before that is said."""
    if not (differing := state.mark(step.id).differing):
        return None
    last = differing[-1]
    if not (command.reconciled or "").strip():
        raise Refused(
            "differed",
            f"{last.first} and {last.again} were entered for one number. Say why they differed, then enter it again.",
            step=step.id,
        )
    return words_of(command.reconciled or "", "Why the entries differed")


def confirm_pause(state: JobState, command: ConfirmPause, moment: Moment) -> tuple[Event, ...]:
    """Confirm the team pause that is due."""
    step = working(state, command.step)
    gate(state, step, moment)
    return crew.confirm_pause(state, step, command, moment)


def setting_then(state: JobState, step: Step, moment: Moment) -> Setting:
    """What the first answers were judged with: their day, the instruments as kept with them, the filter as judged."""
    mark = state.mark(step.id)
    kept = {item.id: item for item in mark.evidence.instruments or ()}
    then = mark.evidence.result.inputs.get("on") if mark.evidence.result else None
    done = mark.done.paper.happened if mark.done and mark.done.paper else mark.done.at if mark.done else ""
    day = date.fromisoformat(then or (done or moment.local_time)[:10])
    fitness = fitness_of(state, step, replace(moment, kept=True), corrected=True)
    now = setting_now(state, step, moment)
    return replace(now, on=day, instruments={**moment.instruments, **kept}, fitness=fitness)


def model_allows(state: JobState, step: Step) -> None:
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
    step = working(state, command.step)
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
    gate(state, step, moment)
    crew.may_release(state, step, moment.by)
    complain_of_permit(state, step, moment)
    return (event_of(HoldReleased, state, moment, step=step.id, signature=signature_of(state, moment, HOLD)),)


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
