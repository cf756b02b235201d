"""Deciding on what a page holds beside the marks: locks row by row, own locks, who spoke at a pause, readings.

Each is decided as if the hand that wrote it had done it at the screen then, and labelled as transcribed.  Rows and
pauses belong to the step that is due and keep its order in time; own locks and readings go beside the steps.
"""

from typing import assert_never

from app.domain.commands import Moment
from app.domain.crew import ConfirmPause, PauseConfirmed
from app.domain.deciding.common import working
from app.domain.deciding.locks import decide_locks
from app.domain.deciding.paper import (
    blank_out,
    by_hand,
    complain_about_people,
    complain_about_times,
    in_order,
    labelled,
    minute_of,
    why_late,
)
from app.domain.deciding.watching import take
from app.domain.deciding.work import confirm_pause
from app.domain.event_base import Transcribed, Who
from app.domain.events import Event
from app.domain.job import JobState
from app.domain.locks import Hung, LockPoint, PutOwnLockOn, TakeOwnLockOff, UnlockPoint
from app.domain.paper import Beside, TranscribeBeside
from app.domain.refused import Refused
from app.domain.watching import TakeReading


def beside_the_marks(state: JobState, command: TranscribeBeside, moment: Moment) -> tuple[Event, ...]:
    """Return what follows from something that stands on paper beside the marks."""
    act, blank, why = command.act, blank_out(state, command.serial), why_late(command)
    complain_about_people(moment, command.compared_by, command.hand)
    then = by_hand(moment, command.hand, command.happened, blank.seq)
    match act:
        case LockPoint() | UnlockPoint() | ConfirmPause():
            step = working(state, act.step)
            if state.index[step.id] < state.index.get(blank.step, 0):
                raise Refused("not_on_blank", f"That step does not stand on blank {blank.serial}. Go to the step due.")
            in_order(state, blank, step, (command.happened,), moment.at)
        case PutOwnLockOn() | TakeOwnLockOff() | TakeReading():
            complain_about_times(minute_of(blank.at), (command.happened,), moment.at, "the printing of the blank")
    if isinstance(act, UnlockPoint | TakeOwnLockOff):
        _owner_is_there(state, act, command, moment)
    if isinstance(act, PutOwnLockOn | TakeReading):
        _of_the_crew(state, command.hand)
    fresh = _as_by_hand(state, act, then)

    def came(hand: Who) -> Transcribed:
        return Transcribed(
            serial=blank.serial, happened=command.happened, why_late=why, photo=command.photo, hand=hand,
            compared_by=command.compared_by,
        )  # fmt: skip

    return tuple(labelled(event, moment, came(_hand(event, command.hand))) for event in fresh)


def _as_by_hand(state: JobState, act: Beside, then: Moment) -> tuple[Event, ...]:
    match act:
        case ConfirmPause():
            return confirm_pause(state, act, then)
        case TakeReading():
            return take(state, act, then)
        case LockPoint() | UnlockPoint() | PutOwnLockOn() | TakeOwnLockOff():
            return decide_locks(state, act, then)
        case _:
            assert_never(act)


def _hand(event: Event, hand: Who) -> Who:
    """At a pause everybody speaks for themselves."""
    return event.person if isinstance(event, PauseConfirmed) else hand


def _of_the_crew(state: JobState, hand: Who) -> None:
    if state.crew.enforced and state.crew.member(hand.id) is None:
        raise Refused(
            "not_briefed",
            f"{hand.name} has not been briefed for this job, so this stands on no page of its work. Read the name on "
            "the page again.",
            logged=True,
        )


def _owner_is_there(
    state: JobState, act: UnlockPoint | TakeOwnLockOff, command: TranscribeBeside, moment: Moment
) -> None:
    """A lock comes off the list by its owner's word: they enter it or compare it, each with their own secret."""
    lock = _lock_of(state, act)
    if lock is None or lock.by.id in (moment.by.id, command.compared_by.id):
        return
    raise Refused(
        "owner_away",
        f"Lock {lock.lock} is {lock.by.name}'s. That it came off is entered or compared by {lock.by.name}; if they are "
        "away, a lead with the safety officer removes it under Locks.",
        logged=True,
    )


def _lock_of(state: JobState, act: UnlockPoint | TakeOwnLockOff) -> Hung | None:
    if isinstance(act, UnlockPoint):
        return state.locks.at(act.point)
    return state.locks.numbered(" ".join(act.lock.split()))
