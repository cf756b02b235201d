"""What an outsider can see of locks in the entries of a record: rows before done, own hands, two signatures, labels."""

from app.domain.applicability import StepNotApplicable
from app.domain.containment.effects import Act
from app.domain.crew import PauseConfirmed
from app.domain.deciding.isolation import goes_back, has_table, named_at, unlocked
from app.domain.events import Event, HoldReleased, StepBegun, StepDone, StepOutside
from app.domain.instants import to_minute
from app.domain.job import JobState
from app.domain.labels import same_tag, told_apart
from app.domain.leaving import lock_off_fault
from app.domain.locks import (
    DamperStroked,
    OthersLockRemoved,
    OwnLockOff,
    OwnLockOn,
    PointLocked,
    PointNamed,
    PointStruck,
    PointUnlocked,
    StrokePart,
)
from app.domain.procedure import Role
from app.domain.radio import HoldReleasedByRadio
from app.domain.steps import Step
from app.domain.watching import ReadingRepeated


def lock_fault(state: JobState, event: Event) -> str:
    """Return what is wrong with an entry as far as locks go; nothing if the rules would have allowed it."""
    match event:
        case HoldReleasedByRadio() | PauseConfirmed() | StepNotApplicable() if state.locks.stroke is not None:
            return f"something was done at a step while {state.locks.stroke.tag} was being moved for a trial."
        case StepBegun() | StepDone() | StepOutside() | HoldReleased():
            step = state.step(event.step)
            return "" if step is None else _mark_fault(state, event, step)
        case PointNamed() | PointStruck():
            return _naming_fault(state, event)
        case PointLocked() if state.locks.at(event.point) is not None:
            return f"{event.tag} was locked twice."
        case PointLocked() if (told := _row_fault(state, event)) or (told := _exposed_fault(state, event)):
            return told
        case OwnLockOn() | ReadingRepeated() if told := _exposed_fault(state, event):
            return told
        case PointLocked() if state.due is None or state.due.table != "locks_on":
            return f"{event.tag} was locked when another step was due."
        case PointUnlocked() | OwnLockOff():
            lock, came = state.locks.numbered(event.lock), event.transcribed
            if lock is None or lock.by.id != event.hand.id:
                return f"{event.hand.name} took off lock {event.lock}, which was not theirs."
            if came is not None and lock.by.id not in (event.by.id, came.compared_by.id):
                return f"lock {event.lock} of {lock.by.name} came off by paper without their own word."
            then = to_minute(came.happened) if came else None
            if then is not None and then < to_minute(lock.since):
                return f"lock {event.lock} came off by paper before it went on."
            return lock_off_fault(state.leaving.handover, state.locks, event.hand, then) if not lock.point else ""
        case OthersLockRemoved():
            return _removal_fault(state, event)
        case DamperStroked():
            return _trial_fault(state, event)
        case _:
            return ""


def _naming_fault(state: JobState, event: PointNamed | PointStruck) -> str:
    """A point is named once and only at a step for it, and struck off there before any lock was on it."""
    if state.due is None or state.due.id != event.step or not state.due.further:
        return f"{event.tag} was named or struck off when another step was due."
    if isinstance(event, PointStruck):
        hung = state.locks.at(event.point) is not None or state.locks.named(event.point) is None
        return f"{event.tag} was struck off and was locked or not named." if hung else ""
    if any(item.id == event.point or same_tag(item.tag, event.tag) for item in state.points):
        return f"{event.tag} was named and stood there already."
    return _exposed_fault(state, event)


def _row_fault(state: JobState, event: PointLocked) -> str:
    """A row holds a point of this housing in its safe position, under its own tag, with a lock that is on no other."""
    point = next((item for item in state.points if item.id == event.point), None)
    if point is None or (point.tag, point.safe) != (event.tag, event.seen):
        return f"{event.tag} was locked and is no point of isolation here, or was not in its safe position."
    if state.locks.numbered(event.lock) is not None:
        return f"lock {event.lock} went onto {event.tag} while it was on elsewhere."
    return ""


def _exposed_fault(state: JobState, event: PointNamed | PointLocked | OwnLockOn | ReadingRepeated) -> str:
    """Whoever is exposed was on the briefed crew then."""
    crew, came = state.crew, event.transcribed
    there = crew.there(to_minute(came.happened)) if came else crew.present
    if crew.enforced and all(who.id != event.hand.id for who in there):
        return f"{event.hand.name} took part without having been briefed."
    return ""


def _mark_fault(state: JobState, event: StepBegun | StepDone | StepOutside | HoldReleased, step: Step) -> str:
    acts = {effect.act for effect in step.effects}
    if state.locks.stroke is not None:
        return f"a step was marked while {state.locks.stroke.tag} was being moved for a trial."
    if goes_back(step) and state.locks.own:
        return f"the step {step.id} was marked while {state.locks.own[0].by.name}'s own lock was on."
    if Act.TAKE_DOOR_OFF in acts and has_table(state) and unlocked(state):
        return f"the step {step.id} was marked while {unlocked(state)[0].tag} was not locked."
    if isinstance(event, StepDone) and step.table == "locks_on" and unlocked(state):
        return f"the step {step.id} was done while {unlocked(state)[0].tag} was not locked."
    if isinstance(event, StepDone) and step.further and not named_at(state, step):
        return f"the step {step.id} was done without a further point of isolation."
    if isinstance(event, StepDone) and step.table == "locks_off" and state.locks.points:
        return f"the step {step.id} was done while a lock was on {state.locks.points[0].tag}."
    if isinstance(event, StepBegun):
        neighbours = (state.opened.housing.neighbours if state.opened else None) or ()
        for asked in step.asks_at("begin"):
            if not told_apart((event.labels or {}).get(asked.ask.id, ""), asked.ask.expects or "", neighbours):
                return f"the step {step.id} was begun without the label of {asked.ask.expects} being read."
    return ""


def _removal_fault(state: JobState, event: OthersLockRemoved) -> str:
    lock = state.locks.numbered(event.lock)
    if event.by.role is not Role.LEAD or event.officer.role is not Role.SAFETY_OFFICER:
        return f"lock {event.lock} was removed without a lead and a safety officer."
    if lock is None or lock.by.id != event.owner.id or event.owner.id in (event.by.id, event.officer.id):
        return f"lock {event.lock} was removed that was not {event.owner.name}'s, or by its own owner."
    if not event.attempts or not event.off_site or not event.telling:
        return f"lock {event.lock} was removed without all that has to be known first."
    ours, theirs = event.signature, event.officer_signature
    if (ours.size, ours.root) != (theirs.size, theirs.root):
        return f"the two signatures at the removal of lock {event.lock} cover different records."
    return ""


def _trial_fault(state: JobState, event: DamperStroked) -> str:
    stroke = state.locks.stroke
    if event.part is StrokePart.CLEAR:
        return f"{event.by.name} began a trial of {event.tag}." if event.by.role is not Role.LEAD or stroke else ""
    if stroke is None or stroke.point != event.point:
        return f"{event.tag} was moved without a trial in hand."
    given_up = event.part is StrokePart.GIVEN_UP and stroke.part is StrokePart.OFF
    return "" if given_up or event.part is stroke.part else f"the trial of {event.tag} left a part out."
