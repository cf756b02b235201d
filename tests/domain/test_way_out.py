"""A bank that fails its leak test: steps put in by a lead, the whole test due again, every attempt kept."""

from dataclasses import replace

import pytest

from app.calc.errors import Invalid
from app.domain.commands import Accept, Command, Correct, Reopen, ReturnRecord, StopWork, Submit, TakeWayOut
from app.domain.containment.state import Door, Isolation
from app.domain.deciding.leaving import suspend_looks
from app.domain.event_base import Who
from app.domain.events import AnswerCorrected, StepOutside, WayOutTaken
from app.domain.history import unlawful
from app.domain.job import Stage, fold
from app.domain.leaving import ReadNext, ReturnToWork, Suspend
from app.domain.procedure import Role
from app.domain.refused import Refused
from app.records.trail import sentence_of
from app.services.rehearsal import looks_as_recorded
from tests.builders import EYES, HANDS, LEAD, OFFICER, OTHER_LEAD, Bench, opened

FAILING = {"downstream": "0.9"}


def failed(tag: str = "EF-03") -> Bench:
    """A job whose HEPA bank has just failed its leak test."""
    bench = opened(tag)
    bench.run_to("leak/aerosol")
    fail(bench)
    return bench


def fail(bench: Bench) -> None:
    """Enter readings outside the limit."""
    bench.answer(FAILING)
    bench.go_on()


def reseat(bench: Bench) -> None:
    """Put the steps in, as a lead."""
    way = bench.state.way_out
    assert way is not None
    bench.do(TakeWayOut(way.id, "seal mark uneven on one side"), OTHER_LEAD)


@pytest.mark.parametrize("tag", ["EF-03", "EF-07"])
def test_re_seating_leads_through_the_whole_path_and_back_to_the_test(tag: str) -> None:
    """After the steps the air is back on, flow and resistance are read again, and the job ends as usual."""
    bench = failed(tag)
    steps_before = len(bench.state.steps)

    reseat(bench)
    put_in = len(bench.state.steps) - steps_before
    first = bench.state.due
    bench.run_to("seat/P1/clamp/at-stop")
    at_port = bench.state.model
    bench.run_to("leak/aerosol")
    again = bench.state
    bench.run_to()

    assert first is not None
    assert first.id.startswith("reseat-hepa-1/")
    assert put_in > 15
    assert at_port is not None
    assert at_port.isolation is Isolation.VERIFIED
    assert at_port.ports[0].door is Door.OFF
    assert [again.mark(f"test/hepa/leak/{name}").stands for name in ("flow", "resistance")] == [True, True]
    assert len(again.mark("test/hepa/leak/flow").earlier) == 1
    assert bench.state.due is None
    assert len(bench.state.mark("test/hepa/leak/aerosol").attempts) == 1
    assert unlawful(bench.events) == ()
    assert fold(bench.events) == bench.state


def test_a_second_failure_opens_the_way_once_more_with_ids_of_its_own() -> None:
    """Each turn has its own steps, so that no mark of the first turn counts for the second."""
    bench = failed()
    reseat(bench)
    bench.run_to("leak/aerosol")
    assert bench.state.way_out is None

    fail(bench)
    reseat(bench)

    ids = [step.id for step in bench.state.steps]
    assert len(ids) == len(set(ids))
    assert bench.state.due is not None
    assert bench.state.due.id.startswith("reseat-hepa-2/")
    assert sum(isinstance(event, StepOutside) for event in bench.events) == 2


def test_the_steps_are_put_in_by_a_lead_and_only_after_a_failure() -> None:
    """A technician is refused, with an entry; before any failure, and twice for one failure, nobody may."""
    bench = opened()
    bench.run_to("leak/aerosol")
    with pytest.raises(Refused, match="where a test has failed"):
        bench.do(TakeWayOut("reseat-hepa", "to be sure"), LEAD)
    fail(bench)
    with pytest.raises(Refused, match="Ask a lead") as refused:
        bench.do(TakeWayOut("reseat-hepa", "to be sure"), HANDS)
    reseat(bench)
    with pytest.raises(Refused, match="where a test has failed"):
        bench.do(TakeWayOut("reseat-hepa", "to be sure"), LEAD)

    assert refused.value.logged


def test_a_test_that_passes_on_the_next_try_needs_no_steps() -> None:
    """Readings taken again after a look at the set-up may pass; the failed attempt stays in the record."""
    bench = failed()

    bench.run_to("end/service/release")

    mark = bench.state.mark("test/hepa/leak/aerosol")
    assert mark.stands
    assert len(mark.attempts) == 1
    assert not any("reseat" in step.id for step in bench.state.steps)


def test_a_correction_is_judged_with_the_instrument_and_the_day_of_the_first_entry() -> None:
    """A slip in a reading can be corrected later, though the instrument has left the register since."""
    bench = opened()
    bench.run_to("end/service/release")

    (event,) = bench.do(
        Correct("test/hepa/leak/aerosol", "downstream", "0.0090", "misread", "0.0090", beside=EYES), HANDS
    )

    assert event.type == "answer_corrected"
    assert event.evidence.result is not None
    assert event.evidence.result.inputs["downstream"] == "0.0090"
    assert event.evidence.instruments


@pytest.mark.parametrize(("again", "told"), [("", "to be entered twice"), ("0.0085", "the two entries differ")])
def test_a_number_that_is_entered_twice_is_corrected_by_two_entries(again: str, told: str) -> None:
    """The second entry is nobody's but the hand's: none is refused, and so is another; alike, both stand as made."""
    bench = opened()
    bench.run_to("end/service/release")
    before, name = bench.state, "test/hepa/leak/aerosol"

    with pytest.raises((Invalid, Refused), match=told):
        bench.do(Correct(name, "downstream", "0.0090", "misread by one digit", again, beside=EYES), HANDS)
    assert bench.state is before
    (event,) = bench.do(Correct(name, "downstream", "0.0090", "misread by one digit", "0.00900", beside=EYES), HANDS)

    assert isinstance(event, AnswerCorrected)
    assert event.evidence.answers["downstream"].twice
    assert event.evidence.answers["upstream"] == before.mark(name).evidence.answers["upstream"]


def test_a_number_that_two_people_answer_for_is_corrected_by_two() -> None:
    """Nobody beside, oneself and an administrator are refused; another stands in the entry, the trail and the mark."""
    bench = opened()
    bench.run_to("end/service/release")
    before, name = bench.state, "test/hepa/leak/aerosol"
    lone = Correct(name, "downstream", "0.0090", "misread by one digit", "0.0090")

    for other, told in ((None, "Two people answer for that number"), (HANDS, "makes this mark"),
                        (EYES.model_copy(update={"role": Role.ADMINISTRATOR}), "does not work on jobs")):  # fmt: skip
        with pytest.raises(Refused, match=told) as refused:
            bench.do(replace(lone, beside=other), HANDS)
        assert refused.value.logged
    assert bench.state is before
    (event,) = bench.do(replace(lone, beside=LEAD), HANDS)

    assert isinstance(event, AnswerCorrected)
    assert event.second == LEAD
    assert sentence_of(event, {}).startswith(f"{HANDS.name} with {LEAD.name} (own secret) corrected downstream at")
    assert bench.state.mark(name).corrections[-1].stamp.second == LEAD


def test_a_number_of_one_person_and_words_of_two_are_corrected_by_one() -> None:
    """Somebody beside is asked for where a number was entered twice before two people, and nowhere else."""
    bench = opened()
    bench.run_to("end/service/release")
    alone = [
        (step, asked.ask)
        for step in bench.state.steps
        for asked in step.asks
        if (step.second is None) == bool(asked.ask.twice) and asked.ask.id in bench.state.mark(step.id).evidence.answers
    ]
    assert {bool(ask.twice) for _, ask in alone} == {False, True}

    for step, ask in alone:
        was = bench.state.mark(step.id).evidence.answers[ask.id].text
        with pytest.raises(Refused, match="is the same as the first"):
            bench.do(Correct(step.id, ask.id, was, "as it was", was), LEAD)


def test_what_is_entered_once_is_corrected_by_one_entry() -> None:
    """The second field stands on the same form; what is left in it says nothing of another answer."""
    bench = opened()
    bench.run_to("end/service/release")
    name = "test/hepa/leak/flow"

    for typed, again in (("1690", ""), ("1710", "9")):
        (event,) = bench.do(Correct(name, "flow", typed, "misread", again), HANDS)

        assert isinstance(event, AnswerCorrected)
        assert event.now == typed


def test_a_verification_is_corrected_against_what_was_entered_first() -> None:
    """Another spelling of the number that was entered first is no reading outside a limit, and stops nothing."""
    bench = opened()
    bench.run_to("in-1/load")
    first = bench.state.mark("port/P1/in-1/serial").evidence.answers["serial"].text

    fresh = bench.do(Correct("port/P1/in-1/serial-again", "serial", first.upper(), "written large"), EYES)

    assert first != first.upper()
    assert [event.type for event in fresh] == ["answer_corrected"]
    assert bench.state.stage is Stage.OPEN
    assert unlawful(bench.events) == ()


def test_steps_put_in_that_the_job_never_kept_are_named_and_not_a_crash() -> None:
    """An entry forged from outside is a fault of the record, with its number."""
    bench = failed()
    forged = WayOutTaken(
        ledger=bench.ledger, seq=bench.state.size, at=bench.state.last_at, by=LEAD, way_out="no such steps",
        step="test/hepa/leak/aerosol", reason="forged",
    )  # fmt: skip

    told = unlawful([*bench.events, forged])

    assert told[-1] == f"Entry {forged.seq}: the steps no such steps were put in where no test had failed."


def come_to(stage: Stage) -> Bench:
    """Return a job that has passed its leak test and has come to this stage since."""
    bench = opened()
    bench.run_to("end/service/release")
    if stage in (Stage.SUSPENDED, Stage.LOOKING):
        bench.do(Suspend("break", looks_as_recorded(suspend_looks(bench.state)), "control room", "release it"), HANDS)
        for back in (ReturnToWork(), ReadNext()) if stage is Stage.LOOKING else ():
            bench.do(back, HANDS)
        return bench
    while bench.state.due is not None:
        bench.run_to(steps=1)
    then: tuple[tuple[Command, Who], ...] = (
        (Submit(), OTHER_LEAD),
        (ReturnRecord("a photo is missing") if stage is Stage.RETURNED else Accept(), OFFICER),
    )
    for command, by in then[: {Stage.WORK_DONE: 0, Stage.IN_REVIEW: 1}.get(stage, 2)]:
        bench.do(command, by)
    return bench


@pytest.mark.parametrize(
    "stage",
    [Stage.SUSPENDED, Stage.LOOKING, Stage.WORK_DONE, Stage.IN_REVIEW, Stage.RETURNED, Stage.ACCEPTED],
)
def test_a_correction_to_what_lies_outside_its_limit_stops_a_job_that_was_not_in_hand(stage: Stage) -> None:
    """With the reading the step is due again, in review as in a pause; nobody goes on as before."""
    bench = come_to(stage)
    assert bench.state.stage is stage
    name = "test/hepa/leak/aerosol"

    fresh = bench.do(Correct(name, "downstream", "0.9", "misread by two digits", "0.9", beside=EYES), LEAD)

    assert [event.type for event in fresh] == ["answer_corrected", "job_stopped"]
    assert bench.state.stage is Stage.STOPPED
    assert bench.state.stop is not None
    assert (bench.state.stop.reason, bench.state.stop.step) == ("unexpected", name)
    assert bench.state.stop.text == "Corrected to what lies outside its limit: 0.9."
    assert not bench.state.mark(name).stands
    assert bench.state.submitted is None
    with pytest.raises(Refused, match="cannot re-open it"):
        bench.do(Reopen("looked at again"), LEAD)
    bench.do(Reopen("looked at again"), OTHER_LEAD)
    assert bench.state.due is not None
    assert bench.state.due.id == name
    assert unlawful(bench.events) == ()


def test_a_correction_of_a_stopped_job_stops_it_no_second_time() -> None:
    """The stop that stands keeps its reason."""
    bench = opened()
    bench.run_to("end/service/release")
    bench.do(StopWork(), HANDS)

    fresh = bench.do(Correct("test/hepa/leak/aerosol", "downstream", "0.9", "misread", "0.9", beside=EYES), LEAD)

    assert [event.type for event in fresh] == ["answer_corrected"]
    assert bench.state.stop is not None
    assert bench.state.stop.reason is None
