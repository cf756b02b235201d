"""Deciding on locks: each point in its row, each lock off by the hand that put it on, trials in their order."""

import re
from itertools import count
from typing import assert_never

from pydantic import ValidationError

from app.calc.errors import Invalid
from app.domain.commands import Finish, Moment
from app.domain.containment.effects import Act
from app.domain.containment.state import Door
from app.domain.deciding import crew
from app.domain.deciding.common import due_again, event_of, qualified, signature_of, words_of, working
from app.domain.deciding.gate import gate
from app.domain.deciding.isolation import left_alone, named_at, unlocked
from app.domain.deciding.work import finish, model_allows
from app.domain.events import Event
from app.domain.housing import DAMPERS, FurtherKind, FurtherPoint, Point
from app.domain.job import JobState, Stage, fold
from app.domain.labels import label_text, same_tag
from app.domain.leaving import lock_off_fault
from app.domain.locks import (
    MOST_ATTEMPTS,
    OTHERWISE,
    Contact,
    DamperStroked,
    Hung,
    LockPoint,
    LocksCommand,
    NamePoint,
    OthersLockRemoved,
    OwnLockOff,
    OwnLockOn,
    PointLocked,
    PointNamed,
    PointStruck,
    PointUnlocked,
    PutOwnLockOn,
    RemoveOthersLock,
    StrikePoint,
    StrokeDamper,
    StrokePart,
    TakeOwnLockOff,
    UnlockPoint,
)
from app.domain.procedure import Role
from app.domain.refused import Refused
from app.domain.signing import LOCK_REMOVAL
from app.domain.steps import FURTHER, Step

LONGEST_NUMBER = 40
"""Characters of a number on a lock or tag (this program's bound, no source)."""
MOST_FURTHER = 10
"""Points of isolation that one job names beyond the nameplate (this program's bound, no source)."""


def decide_locks(state: JobState, command: LocksCommand, moment: Moment) -> tuple[Event, ...]:
    """Return what follows from a command about locks."""
    if state.stage is Stage.ACCEPTED:
        raise Refused("accepted", "The record has been accepted; no work is in hand. A lead can re-open the job.")
    match command:
        case NamePoint():
            return _name(state, command, moment)
        case StrikePoint():
            return _strike(state, command, moment)
        case LockPoint():
            return _lock(state, command, moment)
        case UnlockPoint():
            return _unlock(state, command, moment)
        case PutOwnLockOn():
            qualified(state, moment.by, moment)
            lock = _free_number(state, command.lock)
            return (event_of(OwnLockOn, state, moment, lock=lock),)
        case TakeOwnLockOff():
            return _own_off(state, command, moment)
        case RemoveOthersLock():
            return _remove(state, command, moment)
        case StrokeDamper():
            return _stroke(state, command, moment)
        case _:
            assert_never(command)


def _point(state: JobState, name: str) -> Point:
    found = next((item for item in state.points if item.id == name), None)
    if found is None:
        raise Invalid(f"There is no point of isolation {name!r} here. Choose one of the rows shown.")
    return found


def _number(text: str, what: str) -> str:
    """Return a number as it stands on a lock or tag."""
    told = " ".join(text.split())
    if not told:
        raise Invalid(f"{what}: nothing was given. Enter what stands on it.")
    if len(told) > LONGEST_NUMBER:
        raise Invalid(
            f"{what}: {len(told)} characters were given; {LONGEST_NUMBER} is the most this program takes. Shorten it."
        )
    return told


def _free_number(state: JobState, text: str) -> str:
    lock = _number(text, "Lock number")
    if on := state.locks.numbered(lock):
        where = on.tag or "the job as their own"
        raise Refused("lock_in_use", f"Lock {lock} is on {where}, put there by {on.by.name}. Use another lock.")
    return lock


def _row_step(state: JobState, step_id: str, table: str, moment: Moment) -> Step:
    """Return the step that is due if its rows are of this table and nothing stands in the way."""
    step = working(state, step_id)
    if step.table != table:
        raise Refused("no_table", f"“{step.text}” has no such rows. Go to the step that is due.", step=step.id)
    crew.may_mark(state, step, moment)
    gate(state, step, moment)
    model_allows(state, step)
    return step


def _naming(state: JobState, step_id: str, moment: Moment) -> Step:
    """Return the step that is due if points beyond the nameplate are named at it."""
    step = _row_step(state, step_id, "locks_on", moment)
    if not step.further:
        raise Refused("no_table", f"“{step.text}” names no further point. Go to its rows.", step=step.id)
    return step


def _name(state: JobState, command: NamePoint, moment: Moment) -> tuple[Event, ...]:
    """Put a point beyond the nameplate into the list: from here on it is locked, looked at and unlocked like any."""
    step = _naming(state, command.step, moment)
    tag, safe = " ".join(label_text(command.tag).split()), " ".join(command.safe.split())
    if command.kind not in tuple(FurtherKind):
        raise Invalid(f"{command.kind!r} is no kind of point. Choose one of those shown.")
    taken = {item.id for item in state.points}
    name = next(name for number in count(state.size) if (name := f"{FURTHER}{number}") not in taken)
    try:
        point = FurtherPoint(id=name, tag=tag, kind=FurtherKind(command.kind), safe=safe, step=step.id)
    except ValidationError as fault:
        field = str(fault.errors()[0]["loc"][0])
        raise Invalid(UNREADABLE[field].format(given={"tag": tag, "safe": safe}[field])) from None
    housing = state.opened.housing.tag if state.opened else ""
    if twin := next((told for told in (housing, *(item.tag for item in state.points)) if same_tag(tag, told)), None):
        raise Refused("named", f"{twin} stands there already. Read the label of the further point once more.")
    if len(state.locks.further) >= MOST_FURTHER:
        raise Refused(
            "too_many",
            f"{MOST_FURTHER} further points are named, the most that this program keeps for one job. "
            "Stop the job and ask the safety officer.",
        )
    return (
        event_of(
            PointNamed, state, moment, step=step.id, point=point.id, tag=point.tag, kind=point.kind, safe=point.safe
        ),
    )


UNREADABLE = {
    "tag": (
        "The tag reads {given!r}: give 1 to 40 characters as on its label, without / \\ < > and quotation marks; if it "
        "has no label, put one on first."
    ),
    "safe": "The position reads {given!r}: say in 2 to 60 characters how it is put, such as shut or bolted on.",
}


def _strike(state: JobState, command: StrikePoint, moment: Moment) -> tuple[Event, ...]:
    """Strike what was named by mistake, while the step at which it was named is in hand and nobody relies on it."""
    step = _naming(state, command.step, moment)
    point = next((item for item in named_at(state, step) if item.id == command.point), None)
    if point is None:
        raise Invalid(f"No point {command.point!r} was named at this step. Choose one of the rows shown.")
    if hung := state.locks.at(point.id):
        raise Refused(
            "row_stands",
            f"{point.tag} is locked, lock {hung.lock} by {hung.by.name}, so it stays on the list until its lock comes "
            "off with the others. Say so in a note if its tag was read wrongly.",
            step=step.id,
        )
    reason = words_of(command.reason, "The reason")
    return (event_of(PointStruck, state, moment, step=step.id, point=point.id, tag=point.tag, reason=reason),)


def _lock(state: JobState, command: LockPoint, moment: Moment) -> tuple[Event, ...]:
    step = _row_step(state, command.step, "locks_on", moment)
    point = _point(state, command.point)
    if row := state.locks.at(point.id):
        raise Refused("row_stands", f"{point.tag} is locked already, lock {row.lock} by {row.by.name}. Take the next.")
    if command.seen != point.safe:
        if command.seen != OTHERWISE:
            raise Invalid(f"{point.tag}: say in which position it is seen: {point.safe}, or {OTHERWISE}.")
        raise Refused(
            "not_safe",
            f"{point.tag} is to be {point.safe} before it is locked, and is seen {OTHERWISE}. Set it right or stop.",
            step=step.id,
            logged=True,
        )
    lock, number = _free_number(state, command.lock), _number(command.tag_number, "Tag number")
    locked = event_of(
        PointLocked, state, moment, step=step.id, point=point.id, tag=point.tag, seen=point.safe, lock=lock,
        tag_number=number,
    )  # fmt: skip
    return _with_the_last(state, step, moment, locked, last=len(unlocked(state)) == 1 and not step.further)


def _unlock(state: JobState, command: UnlockPoint, moment: Moment) -> tuple[Event, ...]:
    step = _row_step(state, command.step, "locks_off", moment)
    point = _point(state, command.point)
    row = state.locks.at(point.id)
    if row is None:
        raise Refused("no_lock", f"No lock is on {point.tag}. Take the next row.", step=step.id)
    _only_its_owner(row, moment, step.id)
    tag = point.tag if state.locks.named(point.id) else None
    off = event_of(PointUnlocked, state, moment, step=step.id, point=point.id, lock=row.lock, tag=tag)
    return _with_the_last(state, step, moment, off, last=len(state.locks.points) == 1)


def _with_the_last(state: JobState, step: Step, moment: Moment, row: Event, *, last: bool) -> tuple[Event, ...]:
    """The last row's mark is the step's mark as well: one hand, one gesture."""
    if not last:
        return (row,)
    return (row, *finish(fold((row,), start=state), Finish(step.id), moment))


def _only_its_owner(lock: Hung, moment: Moment, step: str | None = None) -> None:
    if lock.by.id != moment.by.id:
        raise Refused(
            "not_your_lock",
            f"Lock {lock.lock} is {lock.by.name}'s. {lock.by.name} takes it off, signed in; if they are away, a lead "
            "with the safety officer.",
            step=step,
            logged=True,
        )


def _own_off(state: JobState, command: TakeOwnLockOff, moment: Moment) -> tuple[Event, ...]:
    lock = state.locks.numbered(" ".join(command.lock.split()))
    if lock is None or lock.point:
        raise Refused("no_lock", f"No lock {command.lock!r} is on as anybody's own. Choose one of those listed.")
    _only_its_owner(lock, moment)
    if told := lock_off_fault(state.leaving.handover, state.locks, moment.by, crew.then_of(moment)):
        raise Refused("personal_lock", told, logged=True)
    if left_alone(state, moment.by):
        raise Refused(
            "last_lock",
            f"The work is left and its isolation still needed, so the lock of {moment.by.name} is not the last to come "
            "off: whoever goes on with the work puts theirs on first, under Locks. If nobody comes, call a lead.",
            logged=True,
        )
    return (event_of(OwnLockOff, state, moment, lock=lock.lock),)


def _remove(state: JobState, command: RemoveOthersLock, moment: Moment) -> tuple[Event, ...]:
    """Remove a lock in its owner's absence: two people sign, the four facts are given."""
    if moment.by.role is not Role.LEAD or command.officer.role is not Role.SAFETY_OFFICER:
        raise Refused(
            "lock_role", "Somebody else's lock is removed by a lead together with a safety officer.", logged=True
        )
    lock = state.locks.numbered(" ".join(command.lock.split()))
    if lock is None:
        raise Refused("no_lock", f"No lock {command.lock!r} is on. Choose one of those listed.")
    if lock.by.id in (moment.by.id, command.officer.id):
        raise Refused("own_lock", f"Lock {lock.lock} is {lock.by.name}'s own: they take it off themselves.")
    off_site = words_of(command.off_site, "How it is known that the owner is off site")
    telling = words_of(command.telling, "How the owner will be told")
    attempts = _attempts(command)
    step = state.due
    if lock.point:
        _row_step(state, step.id if step else "", "locks_off", moment)
    removed = event_of(
        OthersLockRemoved, state, moment, lock=lock.lock, owner=lock.by, point=lock.point or None, off_site=off_site,
        attempts=attempts, telling=telling, signature=signature_of(state, moment, LOCK_REMOVAL),
        officer=command.officer, officer_signature=signature_of(state, moment, LOCK_REMOVAL),
    )  # fmt: skip
    if step is None or not lock.point:
        return (removed,)
    return _with_the_last(state, step, moment, removed, last=len(state.locks.points) == 1)


def _attempts(command: RemoveOthersLock) -> tuple[Contact, ...]:
    given = [(at.strip(), how.strip()) for at, how in command.attempts if at.strip() or how.strip()]
    if not given:
        raise Refused("no_attempt", "Nobody has tried to reach the owner. Try, then enter when and how.", logged=True)
    if len(given) > MOST_ATTEMPTS:
        raise Invalid(
            f"{len(given)} attempts were given; {MOST_ATTEMPTS} is the most this program takes. Put some together."
        )
    for at, _ in given:
        if not re.fullmatch(r"\d{4}-\d{2}-\d{2}[ T]\d{2}:\d{2}", at, re.ASCII):
            raise Invalid(f"The attempt to reach the owner at {at!r}: give day and time, such as 2026-03-31 14:05.")
    return tuple(Contact(at=at.replace("T", " "), how=words_of(how, "What came of the attempt")) for at, how in given)


def _stroke(state: JobState, command: StrokeDamper, moment: Moment) -> tuple[Event, ...]:
    """Do one part of a trial; only with every door on, and each part in its turn."""
    point = _point(state, command.point)
    stroke = state.locks.stroke
    if command.part is StrokePart.CLEAR:
        _may_stroke(state, point, moment)
        return (_part(state, point, command, moment),)
    if stroke is None or stroke.point != point.id:
        raise Refused("no_trial", f"{point.tag} is not being moved for a trial. Begin one under Locks.")
    if command.part is StrokePart.GIVEN_UP and stroke.part is StrokePart.OFF:
        return (_part(state, point, command, moment),)
    if command.part is not stroke.part:
        raise Refused("trial_order", f"The trial of {point.tag} goes on with another part. Reload the page.")
    if command.part is not StrokePart.ON and state.stage is not Stage.OPEN:
        raise Refused("not_open", f"The job is {state.stage}. Now {point.tag} may only be locked again.")
    match command.part:
        case StrokePart.OFF if row := state.locks.at(point.id):
            _only_its_owner(row, moment)
            return (_part(state, point, command, moment, seen="lock off"),)
        case StrokePart.ON:
            return _locked_again(state, point, command, moment)
        case _:
            return (_part(state, point, command, moment),)


def _may_stroke(state: JobState, point: Point, moment: Moment) -> None:
    if moment.by.role is not Role.LEAD:
        raise Refused("role", f"A {moment.by.role.words} cannot have a lock taken off for a trial. Ask a lead.")
    if state.stage is not Stage.OPEN or state.locks.stroke is not None:
        raise Refused("not_open", "A trial begins while the job runs and no other is in hand. Settle that first.")
    if point.kind not in DAMPERS or state.locks.at(point.id) is None:
        raise Refused("no_lock", f"{point.tag} is no damper with a lock on. Choose one that is.")
    if state.model is None or any(port.door is not Door.SHUT for port in state.model.ports):
        raise Refused("door_off", "A door is off. A damper is moved only with every door on and latched.", logged=True)
    if own := [item.by.name for item in state.locks.own if item.by.id != moment.by.id]:
        raise Refused("own_locks_on", f"Still locked on: {', '.join(own)}. Each takes off their own lock first.")


def _locked_again(state: JobState, point: Point, command: StrokeDamper, moment: Moment) -> tuple[Event, ...]:
    if command.seen != point.safe:
        raise Refused("not_safe", f"{point.tag} is to be {point.safe} again before it is locked. Set it right or stop.")
    lock, number = _free_number(state, command.lock), _number(command.tag_number, "Tag number")
    again, flagged = due_again(
        state,
        (
            step
            for step in state.steps
            if state.mark(step.id).stands and any(effect.act is Act.VERIFY_ISOLATION for effect in step.effects)
        ),
    )
    return (
        event_of(
            DamperStroked, state, moment, point=point.id, tag=point.tag, part=StrokePart.ON, seen=point.safe, lock=lock,
            tag_number=number, due_again=again or None, flagged=flagged or None,
        ),
    )  # fmt: skip


def _part(state: JobState, point: Point, command: StrokeDamper, moment: Moment, *, seen: str = "") -> DamperStroked:
    told = words_of(seen or command.seen, "What was seen")
    return event_of(DamperStroked, state, moment, point=point.id, tag=point.tag, part=command.part, seen=told)
