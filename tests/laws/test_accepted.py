"""The outsider's reading of an accepted record: silent over a sound one, and it notices each thing left behind."""

from collections.abc import Callable
from typing import TypeGuard

import pytest

from app.domain.applicability import SetAside, StepNotApplicable
from app.domain.commands import Accept, ExplainStop, OpenException, StopWork, Submit
from app.domain.contingency import EnterContingency
from app.domain.events import Event, HoldReleased, StepDone, StopExplained
from app.domain.locks import (
    DamperStroked,
    OthersLockRemoved,
    OwnLockOff,
    PointLocked,
    PointUnlocked,
    PutOwnLockOn,
    RemoveOthersLock,
    StrokeDamper,
    StrokePart,
    TakeOwnLockOff,
)
from app.domain.procedure import StepKind
from tests.builders import EYES, HANDS, LEAD, OFFICER, OTHER_LEAD, Bench, opened
from tests.laws.accepted import left_behind


@pytest.fixture(scope="module")
def sound() -> Bench:
    """A job finished and accepted, with all that leads off its main line on the way.

    A step set aside, a damper moved for a trial, a stop, two contingencies with a hold and a verification of their
    own, and locks taken off for somebody away.
    """
    bench = opened()
    bench.run_to("parts/filters")
    bench.do(SetAside(due(bench), "no filter is changed for another type"), LEAD)
    bench.run_to("port/P1/open/door")
    bench.do(StrokeDamper("upstream", StrokePart.CLEAR, "nobody near it"), LEAD)
    bench.do(StrokeDamper("upstream", StrokePart.OFF), HANDS)
    bench.do(StrokeDamper("upstream", StrokePart.MOVED, "full travel and back"), HANDS)
    bench.do(StrokeDamper("upstream", StrokePart.ON, "shut", "L-9", "T-9"), HANDS)
    bench.run_to("port/P1/open/door")
    goes_wrong(bench, "damper-leaks")
    bench.run_to("port/P1/out-1/draw")
    bench.do(PutOwnLockOn("C-2"), EYES)
    bench.do(removal("C-2"), LEAD)
    bench.do(PutOwnLockOn("C-1"), HANDS)
    bench.do(StopWork(), HANDS)
    bench.go_on()
    bench.do(TakeOwnLockOff("C-1"), HANDS)
    bench.run_to("unlock/locks")
    bench.brief(LEAD)
    bench.do(removal(bench.state.locks.points[0].lock), LEAD)
    bench.run_to("flow/unlock/fan")
    goes_wrong(bench, "alarm")
    bench.run_to()
    bench.do(Submit(), LEAD)
    for item in bench.state.unread:
        bench.do(OpenException(item.seq), OFFICER)
    bench.do(Accept(), OFFICER)
    return bench


def due(bench: Bench) -> str:
    """Return the id of the step that is due."""
    assert bench.state.due is not None
    return bench.state.due.id


def goes_wrong(bench: Bench, name: str) -> None:
    """Stop, say why, and put in the steps kept ready for what went wrong at the housing."""
    bench.do(StopWork(), HANDS)
    bench.do(ExplainStop("unexpected", "heard by all"), HANDS)
    bench.do(EnterContingency(name, "heard by all"), OTHER_LEAD)


def removal(lock: str) -> RemoveOthersLock:
    """Return the removal of a lock with all that has to be known."""
    return RemoveOthersLock(lock, OFFICER, "signed out", (("2026-03-02 08:10", "rang"),), "call before the next shift")


def test_a_sound_record_leaves_nothing_behind(sound: Bench) -> None:
    """The record has holds, verifications, locks, a trial, stops and departures, and none of them is left open."""
    assert {
        "point_named",
        "hold_released", "point_locked", "point_unlocked", "damper_stroked", "job_stopped", "record_accepted",
        "step_not_applicable", "contingency_entered", "others_lock_removed",
    } <= {event.type for event in sound.events}  # fmt: skip
    put_in = [step for step in sound.state.steps if step.id.split("/")[0] in {"damper-leaks-1", "alarm-1"}]
    assert sum(step.kind is StepKind.HOLD for step in put_in) == 2
    assert sum(step.kind is StepKind.VERIFY and bool(step.effects) for step in put_in) == 1
    assert left_behind(sound.events, sound.state.steps) == []


def is_verification(event: Event) -> TypeGuard[StepDone]:
    """Whether this entry verifies the isolation."""
    return isinstance(event, StepDone) and event.step.endswith(("verify/isolation", "stop/isolation"))


SEEDED: dict[str, tuple[Callable[[Event], bool], str]] = {
    "a release left out": (lambda event: isinstance(event, HoldReleased), "is not released"),
    "a verification left out": (is_verification, "the isolation is not verified at"),
    "a lock not taken off": (lambda event: isinstance(event, PointUnlocked), "is still on"),
    "a further lock not taken off": (
        lambda event: isinstance(event, PointUnlocked) and event.tag is not None,
        "is still on further-",
    ),
    "a lock not removed for its owner": (lambda event: isinstance(event, OthersLockRemoved), "is still on"),
    "a stop not explained": (lambda event: isinstance(event, StopExplained), "nobody explained the stop"),
    "an own lock not taken off": (lambda event: isinstance(event, OwnLockOff), "own lock C-1 is still on"),
}


@pytest.mark.parametrize("name", sorted(SEEDED))
def test_each_entry_that_is_left_out_is_noticed(sound: Bench, name: str) -> None:
    """Whichever entry that settles something is missing, the reading says so; what was done again counts once."""
    missing, told = SEEDED[name]
    last = {
        tuple(getattr(event, name, "") for name in ("step", "point", "lock")): event
        for event in sound.events
        if missing(event)
    }
    assert last

    for one in last.values():
        found = left_behind([event for event in sound.events if event is not one], sound.state.steps)
        assert any(told in item for item in found), one


def test_an_opening_that_no_verification_precedes_is_noticed(sound: Bench) -> None:
    """With every verification left out, each opening is told by its entry, not only what is missing at the end."""
    found = left_behind([event for event in sound.events if not is_verification(event)], sound.state.steps)

    opens = [event.seq for event in sound.events if event.type == "step_begun" and event.step == "port/P1/open/door"]
    assert any(f"entry {opens[0]} opens at port/P1/open/door without a verified isolation" in item for item in found)


def test_a_mark_taken_back_is_missing_again(sound: Bench) -> None:
    """A hold or a verification that is due again, and not done again, is not settled."""
    last = sound.events[-1]
    for name, told in (("agree/agreed", "hold"), ("verify/isolation", "isolation")):
        step = next(step.id for step in sound.state.steps if step.id.endswith(name))
        again = next(event for event in sound.events if event.type == "job_reopened").model_copy(
            update={"again": (step,), "seq": last.seq}
        )
        found = left_behind([*sound.events[:-1], again, last], sound.state.steps)
        assert len(found) == 1
        assert told in found[0]
        assert step in found[0]


def test_no_word_sets_a_hold_or_a_verification_aside(sound: Bench) -> None:
    """An entry that sets it aside, in the place of the release or the verification, leaves it missing."""
    aside = next(event for event in sound.events if isinstance(event, StepNotApplicable))
    last = {event.step: event for event in sound.events if isinstance(event, HoldReleased) or is_verification(event)}
    assert len([one for one in last.values() if is_verification(one)]) == 2

    for step, one in last.items():
        instead = aside.model_copy(update={"step": step, "seq": one.seq})
        found = left_behind([instead if event is one else event for event in sound.events], sound.state.steps)
        told = "isolation" if is_verification(one) else f"the hold {step} is not released"
        assert [item for item in found if told in item], step


def test_a_lock_that_went_back_on_after_a_trial_counts(sound: Bench) -> None:
    """Locked again and not taken off, the damper is named; moved and not locked again, nothing is verified."""
    on = next(event for event in sound.events if isinstance(event, DamperStroked) and event.part is StrokePart.ON)
    off = next(event for event in sound.events if isinstance(event, DamperStroked) and event.part is StrokePart.OFF)
    first = next(event for event in sound.events if isinstance(event, PointLocked))

    assert [left_behind([first, on], []), left_behind([first, off], [])] == [
        [f"lock {on.lock} is still on {on.point}"], [],
    ]  # fmt: skip
    assert "without a verified isolation" in str(
        left_behind([*sound.events[:-1], off, *door(sound)], sound.state.steps)
    )


def door(sound: Bench) -> list[Event]:
    """Return the entries that take the door off."""
    return [event for event in sound.events if getattr(event, "step", "").endswith("open/door")]
