"""The outsider's reading of an accepted record: silent over a sound one, and it notices each thing left behind."""

from collections.abc import Callable

import pytest

from app.domain.commands import Accept, OpenException, StopWork, Submit
from app.domain.events import Event, HoldReleased, StepDone, StopExplained
from app.domain.locks import (
    DamperStroked,
    OwnLockOff,
    PointLocked,
    PointUnlocked,
    PutOwnLockOn,
    StrokeDamper,
    StrokePart,
    TakeOwnLockOff,
)
from tests.builders import HANDS, LEAD, OFFICER, Bench, opened
from tests.laws.accepted import left_behind


@pytest.fixture(scope="module")
def sound() -> Bench:
    """A job with a damper moved for a trial and a stop on the way, finished and accepted."""
    bench = opened()
    bench.run_to("port/P1/open/door")
    bench.do(StrokeDamper("upstream", StrokePart.CLEAR, "nobody near it"), LEAD)
    bench.do(StrokeDamper("upstream", StrokePart.OFF), HANDS)
    bench.do(StrokeDamper("upstream", StrokePart.MOVED, "full travel and back"), HANDS)
    bench.do(StrokeDamper("upstream", StrokePart.ON, "shut", "L-9", "T-9"), HANDS)
    bench.run_to("port/P1/out-1/draw")
    bench.do(PutOwnLockOn("C-1"), HANDS)
    bench.do(StopWork(), HANDS)
    bench.go_on()
    bench.do(TakeOwnLockOff("C-1"), HANDS)
    bench.run_to()
    bench.do(Submit(), LEAD)
    for item in bench.state.unread:
        bench.do(OpenException(item.seq), OFFICER)
    bench.do(Accept(), OFFICER)
    return bench


def test_a_sound_record_leaves_nothing_behind(sound: Bench) -> None:
    """The record has holds, verifications, locks, a trial and a stop, and none of them is left open."""
    assert {"hold_released", "point_locked", "point_unlocked", "damper_stroked", "job_stopped", "record_accepted"} <= {
        event.type for event in sound.events
    }
    assert left_behind(sound.events, sound.state.steps) == []


def is_verification(event: Event) -> bool:
    """Whether this entry verifies the isolation."""
    return isinstance(event, StepDone) and event.step.endswith("verify/isolation")


SEEDED: dict[str, tuple[Callable[[Event], bool], str]] = {
    "a release left out": (lambda event: isinstance(event, HoldReleased), "is not released"),
    "a verification left out": (is_verification, "without a verified isolation"),
    "a lock not taken off": (lambda event: isinstance(event, PointUnlocked), "is still on"),
    "a stop not explained": (lambda event: isinstance(event, StopExplained), "nobody explained the stop"),
    "an own lock not taken off": (lambda event: isinstance(event, OwnLockOff), "own lock C-1 is still on"),
}


@pytest.mark.parametrize("name", sorted(SEEDED))
def test_each_entry_that_is_left_out_is_noticed(sound: Bench, name: str) -> None:
    """Whichever entry that settles something is missing, the reading says so; what was done again counts once."""
    missing, told = SEEDED[name]
    last = {
        (getattr(event, "step", ""), getattr(event, "point", "")): event for event in sound.events if missing(event)
    }
    assert last

    for one in last.values():
        found = left_behind([event for event in sound.events if event is not one], sound.state.steps)
        assert any(told in item for item in found), one


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
