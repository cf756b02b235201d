"""Attempts at a test: each one that was entered is told once, and how it stands follows from the entries alone."""

import pytest

from app.domain.commands import Correct, Withdraw
from app.domain.event_base import Device
from app.domain.events import ContestDecided, JobStopped, MarkContested, StepDone, StepOutside
from app.domain.job import fold
from app.records.attempts import DIFFERS, FAILED, IN_FORCE, OVERTAKEN, Attempt, attempts_of
from tests.builders import EYES, HANDS, LEAD, Bench, opened
from tests.records.tested import LEAK, at_leak_test, enter, fail, reseat

FLOW = "test/hepa/leak/flow"


def attempts(bench: Bench, name: str = LEAK) -> tuple[Attempt, ...]:
    """Return the attempts at a step of a job as it stands."""
    step = bench.state.step(name)
    assert step is not None
    return attempts_of(step, bench.state, bench.events)


def tried_often() -> Bench:
    """A job whose leak test failed, was re-seated, failed, failed, was re-seated, passed and was corrected."""
    bench = at_leak_test()
    fail(bench)
    reseat(bench)
    bench.run_to("leak/aerosol")
    fail(bench)
    fail(bench)
    reseat(bench)
    bench.run_to("leak/aerosol")
    enter(bench, downstream="0.0070")
    bench.do(Correct(LEAK, "downstream", "0.0090", "misread by one digit", "0.0090", beside=EYES), HANDS)
    return bench


@pytest.mark.parametrize("name", [LEAK, FLOW, "test/hepa/leak/resistance"])
def test_every_entry_of_a_step_is_told_once_in_the_order_of_time(name: str) -> None:
    """The entries told are those of the ledger with evidence for the step, and their instants are theirs."""
    bench = tried_often()

    entered = [event for event in bench.events if isinstance(event, StepDone | StepOutside) and event.step == name]

    assert [(item.entry, item.utc) for item in attempts(bench, name)] == [(event.seq, event.at) for event in entered]


def test_what_stands_agrees_with_the_job_at_every_moment() -> None:
    """After every entry at most one attempt is in force, and it is the one that the job's state holds as standing."""
    bench = tried_often()
    checked = 0

    for size in range(1, len(bench.events) + 1):
        events = bench.events[:size]
        state = fold(events)
        for name in (LEAK, FLOW):
            step, mark = state.step(name), state.mark(name)
            assert step is not None
            told = [item.entry for item in attempts_of(step, state, events) if item.standing == IN_FORCE]
            assert told == ([mark.done.seq] if mark.stands and mark.done else [])
            checked += len(told)

    assert checked > 10


def test_a_failure_stays_beside_the_attempt_that_passed() -> None:
    """Failed ones say that they were not accepted; what was read, with what, and what came out is all there."""
    first, *_, last = attempts(tried_often())

    assert (first.standing, last.standing) == (FAILED, IN_FORCE)
    assert "not accepted" in first.why
    assert ("Downstream", "0.9 mg/m³ (entered twice)") in [(item.label, item.value) for item in first.readings]
    assert first.outcome is not None
    assert (first.outcome.shown, first.outcome.verdict) == ("3.596 %", "NOT MET")
    assert first.instruments == (
        "rehearsal aerosol photometer (made up for a rehearsal; calibrated 2000-01-01, good until 9999-12-31)",
    )
    assert first.who == "Noor Haddad (technician)"


def test_a_reading_overtaken_by_re_seating_says_by_which_entry_and_why() -> None:
    """The flow read before each re-seating is no longer in force, and names the entry that put steps in."""
    bench = tried_often()
    ways = [event.seq for event in bench.events if event.type == "way_out_taken"]

    told = attempts(bench, FLOW)

    assert [item.standing for item in told] == [OVERTAKEN, OVERTAKEN, IN_FORCE]
    assert [item.why for item in told] == [
        *(f"steps were put in before it (entry {way}): seal mark uneven on one side" for way in ways), "",
    ]  # fmt: skip


def test_a_correction_keeps_the_first_reading_and_the_first_result() -> None:
    """Both readings, who changed it, when and why, and the result from before stand there; the new one counts."""
    last = attempts(tried_often())[-1]
    (struck,) = next(item.struck for item in last.readings if item.label == "Downstream")

    assert (struck.was, struck.now, struck.by) == ("0.0070 mg/m³", "0.0090 mg/m³", "Noor Haddad")
    assert struck.reason == "misread by one digit"
    assert struck.at.startswith("2026-03-02 ")
    assert last.outcome is not None
    assert (last.outcome.was, last.outcome.shown) == (("0.024 %",), "0.032 %")


def test_a_correction_belongs_to_the_attempt_that_it_corrected() -> None:
    """Flows corrected before and after re-seating are struck each in its own attempt."""
    bench = at_leak_test()
    bench.do(Correct(FLOW, "flow", "1690", "other scale"), HANDS)
    bench.run_to("leak/aerosol")
    fail(bench)
    reseat(bench)
    bench.run_to("leak/aerosol")
    before = attempts(bench, FLOW)
    bench.do(Correct(FLOW, "flow", "1710", "third scale"), HANDS)

    old, new = attempts(bench, FLOW)

    assert [[item.now for item in one.readings[0].struck] for one in before] == [["1690 m³/h"], []]
    assert [[item.now for item in one.readings[0].struck] for one in (old, new)] == [["1690 m³/h"], ["1710 m³/h"]]
    assert (old.readings[0].value, new.readings[0].value) == ("1690 m³/h", "1710 m³/h")


def test_corrected_outside_its_limit_an_attempt_is_no_longer_in_force() -> None:
    """The attempt stays with its verdict NOT MET and says which entry corrected it."""
    bench = at_leak_test()
    enter(bench)
    event, stop = bench.do(Correct(LEAK, "downstream", "0.9", "decimal point", "0.9", beside=EYES), HANDS)
    assert isinstance(stop, JobStopped)

    (told,) = attempts(bench)

    assert (told.standing, told.why) == (OVERTAKEN, f"corrected to what lies outside its limit (entry {event.seq})")
    assert told.outcome is not None
    assert told.outcome.verdict == "NOT MET"


def test_a_mark_taken_back_says_so_with_the_reason() -> None:
    """Its own withdrawal and that of a step on which it relied are told apart, the latter by the step's number."""
    own = at_leak_test()
    enter(own)
    (back,) = own.do(Withdraw(LEAK, "wrong bank"), HANDS)
    other = at_leak_test()
    enter(other)
    (clamp,) = other.do(Withdraw("port/P1/clamp/torque", "wrench dropped"), HANDS)

    assert attempts(own)[0].why == f"taken back (entry {back.seq}): wrong bank"
    number = other.state.index["port/P1/clamp/torque"] + 1
    told = f"step {number}, on which it relies, was taken back (entry {clamp.seq}): wrench dropped"
    assert attempts(other)[0].why == told


def test_an_account_that_differs_is_shown_as_sent_with_how_it_was_settled() -> None:
    """A kept mark with other readings stands beside the attempt, unjudged; once settled the entry is named."""
    bench = at_leak_test()
    enter(bench)
    device = Device(tablet="tablet 7", at="2026-03-02T08:00:00.000Z", late_ms=900_000)
    contested = MarkContested(
        ledger=bench.ledger, seq=bench.state.size, at="2026-03-02T12:00:00.000Z", by=EYES, device=device, step=LEAK,
        act="finish", answers={"downstream": "0.02"}, why="Downstream was entered otherwise.",
    )  # fmt: skip
    decided = ContestDecided(
        ledger=bench.ledger, seq=contested.seq + 1, at="2026-03-02T12:05:00.000Z", by=LEAD, entries=(contested.seq,),
        holds=False, reason="nobody knows which", due_again=(LEAK,),
    )  # fmt: skip
    bench.events += [contested]
    bench.state = fold(bench.events)
    before = attempts(bench)
    bench.events += [decided]
    bench.state = fold(bench.events)

    after = attempts(bench)

    assert [item.standing for item in before] == [IN_FORCE, DIFFERS]
    assert before[1].why == "Downstream was entered otherwise. NOT settled yet"
    assert [(item.label, item.value) for item in before[1].readings] == [("Downstream", "0.02 mg/m³")]
    assert before[1].outcome is None
    assert before[1].who == (
        "Tomé Silva (technician, tablet 7, kept on the tablet for 15 min, which said 2026-03-02T08:00:00.000Z)"
    )
    assert [item.standing for item in after] == [OVERTAKEN, DIFFERS]
    assert after[0].why == f"two accounts of it differed (entry {decided.seq}): nobody knows which"
    assert after[1].why.endswith(f"settled (entry {decided.seq}): nobody knows which")


def test_what_was_assumed_or_came_from_the_site_is_named() -> None:
    """Site values and the temperature nobody read are told; what was typed is not told twice."""
    bench = at_leak_test()

    assumed = attempts(bench, "test/hepa/leak/resistance")[0].outcome
    flow = attempts(bench, FLOW)[0].outcome

    assert assumed is not None
    assert flow is not None
    assert assumed.used == (
        "rated flow 1700 m³/h (site value)", "21.1 °C assumed, for no temperature was read",
    )  # fmt: skip
    assert flow.used == ("design flow 1700 m³/h (site value)",)


def test_a_temperature_that_was_read_is_not_called_assumed() -> None:
    """Read at the step it stands among the readings, and only there."""
    bench = opened()
    bench.run_to("leak/resistance")
    enter(bench, temperature="25.0")

    (told,) = attempts(bench, "test/hepa/leak/resistance")

    assert told.outcome is not None
    assert told.outcome.used == ("rated flow 1700 m³/h (site value)",)
    assert told.readings[-1].value == "25.0 °C"
