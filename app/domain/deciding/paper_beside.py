"""Deciding on what a page holds beside the marks: locks row by row, own locks, who spoke at a pause, readings.

Each is decided as if the hand that wrote it had done it at the screen then, and labelled as transcribed.  Rows and
pauses belong to the step that is due and keep its order in time; own locks and readings go beside the steps.
"""

from collections.abc import Iterator
from typing import assert_never

from app.domain.commands import Moment
from app.domain.crew import ConfirmPause, PauseConfirmed
from app.domain.deciding.common import stop_for, working
from app.domain.deciding.crew import there_then
from app.domain.deciding.isolation import goes_back
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
from app.domain.locks import Hung, LockPoint, NamePoint, PutOwnLockOn, TakeOwnLockOff, UnlockPoint
from app.domain.paper import Beside, TranscribeBeside
from app.domain.refused import Refused
from app.domain.watching import TakeReading


def beside_the_marks(state: JobState, command: TranscribeBeside, moment: Moment) -> tuple[Event, ...]:
    """Return what follows from something that stands on paper beside the marks."""
    act, blank, why = command.act, blank_out(state, command.serial), why_late(command)
    complain_about_people(moment, command.compared_by, command.hand)
    then = by_hand(moment, command.hand, command.happened, blank.seq)
    match act:
        case NamePoint() | LockPoint() | UnlockPoint() | ConfirmPause():
            step = working(state, act.step)
            if state.index[step.id] < state.index.get(blank.step, 0):
                raise Refused("not_on_blank", f"That step does not stand on blank {blank.serial}. Go to the step due.")
            spoken = isinstance(act, ConfirmPause)
            in_order(state, blank, step, (command.happened,), moment, by_a_lead=not spoken)
        case PutOwnLockOn() | TakeOwnLockOff() | TakeReading():
            complain_about_times(minute_of(blank.at), (command.happened,), moment.at, "the printing of the blank")
    if isinstance(act, UnlockPoint | TakeOwnLockOff):
        _owner_is_there(state, act, command, moment)
        _after_it_went_on(state, act, command, moment)
    if isinstance(act, PutOwnLockOn | TakeReading):
        there_then(state, command.hand, then)
    fresh = _as_by_hand(state, act, then)

    def came(hand: Who) -> Transcribed:
        return Transcribed(
            serial=blank.serial, happened=command.happened, why_late=why, photo=command.photo, hand=hand,
            compared_by=command.compared_by,
        )  # fmt: skip

    fresh = tuple(labelled(event, moment, came(_hand(event, command.hand))) for event in fresh)
    return (*fresh, *_over_work(state, act, command, moment))


def _as_by_hand(state: JobState, act: Beside, then: Moment) -> tuple[Event, ...]:
    match act:
        case ConfirmPause():
            return confirm_pause(state, act, then)
        case TakeReading():
            return take(state, act, then)
        case NamePoint() | LockPoint() | UnlockPoint() | PutOwnLockOn() | TakeOwnLockOff():
            return decide_locks(state, act, then)
        case _:
            assert_never(act)


def _hand(event: Event, hand: Who) -> Who:
    """At a pause everybody speaks for themselves."""
    return event.person if isinstance(event, PauseConfirmed) else hand


def _over_work(state: JobState, act: Beside, command: TranscribeBeside, moment: Moment) -> Iterator[Event]:
    """Stop the job where somebody was locked on while it went back into service, as two pages or a screen say."""
    if not isinstance(act, PutOwnLockOn) or state.stop is not None:
        return
    then = minute_of(command.happened)
    for step in state.steps:
        done = state.mark(step.id).done
        if done is not None and goes_back(step) and then <= minute_of(done.when):
            told = f"By the page {command.hand.name}'s own lock {act.lock} went on before “{step.text}” was done."
            yield stop_for(state, moment, told, step=step)
            return


def _after_it_went_on(
    state: JobState, act: UnlockPoint | TakeOwnLockOff, command: TranscribeBeside, moment: Moment
) -> None:
    if (lock := _lock_of(state, act)) is not None:
        on = minute_of(lock.since)
        complain_about_times(on, (command.happened,), moment.at, f"lock {lock.lock} went on")


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
