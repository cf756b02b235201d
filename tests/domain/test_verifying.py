"""Verifications: what a procedure has to say of answers that were given before, and who may not verify."""

import re
from dataclasses import replace
from datetime import timedelta

import pytest

from app.calc.errors import Invalid
from app.domain.commands import Begin, Correct, Finish, Reopen, StopWork
from app.domain.decide import decide
from app.domain.event_base import Who
from app.domain.events import Event, JobOpened, JobStopped, StepBegun, StepDone, StepOutside
from app.domain.examine import laid_findings, matrix
from app.domain.history import unlawful
from app.domain.job import Stage, fold
from app.domain.locks import LockPoint, PointUnlocked, StrokeDamper, StrokePart
from app.domain.paper import PrintBlank, Transcribe
from app.domain.procedure import Procedure, StepKind, read_procedure
from app.domain.refused import Refused
from app.domain.steps import expand, looked_at
from app.records.moments import typed_instant
from app.records.veil import UNSEEN, unseen, veiled, veiled_events
from app.services.rehearsal import labels_of, made_up_answers
from tests.builders import EYES, HANDS, LEAD, OTHER_LEAD, Bench, housing, opened, procedure, procedure_text

ALL = (LEAD, OTHER_LEAD, HANDS, EYES)


def at(name: str) -> Bench:
    """Return a job at a step, every lead briefed for the work."""
    bench = opened()
    bench.brief(LEAD, OTHER_LEAD)
    bench.run_to(name)
    return bench


def refusal(bench: Bench, by: Who, **told: object) -> str:
    """Return with which code this person is refused the verification that is due."""
    due = bench.state.due
    assert due is not None
    assert due.kind is StepKind.VERIFY
    command = Begin(due.id) if due.marks == 2 else Finish(due.id, made_up_answers(due))
    with pytest.raises(Refused) as caught:
        decide(bench.state, command, replace(bench.moment(by), **told))  # type: ignore[arg-type]
    assert caught.value.logged
    return caught.value.code


def may_verify(bench: Bench, by: Who) -> bool:
    """Whether this person would be let verify what is due."""
    due = bench.state.due
    assert due is not None
    command = Begin(due.id) if due.marks == 2 else Finish(due.id, made_up_answers(due))
    return isinstance(decide(bench.state, command, bench.moment(by))[0], StepBegun | StepDone)


def changed(old: str, new: str) -> Procedure:
    """Return the shipped change-out with other words."""
    assert procedure_text().count(old) >= 1
    return read_procedure(procedure_text().replace(old, new), name="changed")


# --- what a procedure says ------------------------------------------------------------------------------


@pytest.mark.parametrize("veils", ['veils = ["gather", "band-ring", "strap"]\n', 'veils = ["torque", "latch"]\n',
                                   'veils = ["shut/locks", "leak-locks"]\n', 'veils = ["strap"]\n'])  # fmt: skip
def test_a_verification_of_something_answered_veils_it_or_says_why_not(veils: str) -> None:
    """Every verification of the shipped text that needs its veil is told of without it; with a reason it stands."""
    bare = changed(veils, "")
    reasoned = changed(veils, 'shown_because = "it is read aloud"\n')

    def told(made: Procedure) -> list[str]:
        over = (housing("EF-03"), housing("EF-07"), housing("EF-11"))
        return [item.sentence for at_housing in over for item in laid_findings(made, at_housing)]

    assert told(bare)
    assert all(
        re.match(r"it verifies what is answered at \S+, which would be seen before; add ", item) for item in told(bare)
    )
    assert told(reasoned) == []


def test_only_a_verification_veils_and_only_what_there_is() -> None:
    """A veil at another kind of step, or over a step that nobody wrote, is refused when the text is read."""
    with pytest.raises(Invalid, match="is no verification, so it neither veils answers nor says why not"):
        changed('effects = ["tie:ring"]\n', 'effects = ["tie:ring"]\nveils = ["gather"]\n')
    with pytest.raises(Invalid, match="it veils 'nothing-here', which is no step of this procedure"):
        changed('veils = ["torque", "latch"]', 'veils = ["torque", "nothing-here"]')


def test_every_veil_of_the_shipped_texts_stands_before_its_verification() -> None:
    """Over sample housings a veil names steps of the job, each of them before the verification."""
    for name in ("change-out", "first-fit-out"):
        for at_housing in list(matrix())[::37]:
            steps = expand(procedure(name), at_housing)
            places = {step.id: number for number, step in enumerate(steps)}
            for step in steps:
                assert all(places[other] < places[step.id] for other in step.veils or ())


# --- who may not verify ---------------------------------------------------------------------------------


def test_a_lead_who_led_the_job_on_from_a_stop_does_not_verify_what_was_done_before() -> None:
    """Whoever re-opens looks at what was entered; another lead verifies, and later work is anybody's again."""
    bench = at("out-1/closures")
    bench.do(StopWork(), HANDS)
    for command, by in bench.due_commands():
        bench.do(command, by)
    bench.go_on()
    assert bench.state.stage is Stage.OPEN
    led = next(iter(bench.state.led))

    assert led == OTHER_LEAD.id
    assert refusal(bench, OTHER_LEAD) == "has_seen"
    assert may_verify(bench, LEAD)
    bench.run_to("clamp/at-stop")
    assert may_verify(bench, OTHER_LEAD)


def test_whoever_took_the_record_with_the_answer_in_it_does_not_verify() -> None:
    """A record that was taken before the work had been done tells nothing of it."""
    bench = at("out-1/closures")
    gap = bench.state.mark("port/P1/out-1/band-ring").done
    first = bench.state.mark("port/P1/out-1/gather").done
    assert gap is not None
    assert first is not None

    assert refusal(bench, LEAD, taken={LEAD.id: bench.state.size}) == "has_seen"
    assert may_verify(bench, LEAD)
    moment = replace(bench.moment(LEAD), taken={OTHER_LEAD.id: bench.state.size, LEAD.id: 3})
    due = bench.state.due
    assert due is not None
    assert decide(bench.state, Finish(due.id, made_up_answers(due)), moment)


def test_whoever_corrected_the_answer_does_not_verify_it() -> None:
    """An answer that somebody changed is that person's as well."""
    bench = at("out-1/closures")
    bench.do(Correct("port/P1/out-1/band-ring", "gap", "7", "misread"), OTHER_LEAD)
    bench.run_to("out-1/closures")

    assert refusal(bench, OTHER_LEAD) == "own_work"
    assert may_verify(bench, LEAD)


def test_whoever_entered_the_work_from_paper_does_not_verify_it() -> None:
    """The hand wrote it on paper, somebody else typed it in, a third compared the two: none of them verifies."""
    bench = at("out-1/band-ring")
    bench.do(PrintBlank(), HANDS)
    due = bench.state.due
    assert due is not None
    blank = bench.state.paper.out[0]
    happened = typed_instant(*_local(bench), "UTC")
    bench.do(
        Transcribe(
            serial=blank.serial, step=due.id, answers=made_up_answers(due), note="", hand=HANDS, compared_by=LEAD,
            began="", happened=happened, why_late="no server", photo="ab" * 32, reconciled="",
        ),
        OTHER_LEAD,
    )  # fmt: skip

    assert refusal(bench, OTHER_LEAD) == "own_work"
    assert refusal(bench, HANDS) == "own_work"
    assert refusal(bench, LEAD) == "own_work"
    assert refusal(bench, OTHER_LEAD, kept=True) == "own_work", "nor from a tablet that was out of reach"
    assert may_verify(bench, EYES)


def test_on_paper_whoever_was_shown_the_work_before_the_page_was_printed_has_seen_it() -> None:
    """A lead who led the job on before the page was printed does not verify on it; one who did so after it may have."""
    bench = at("out-1/closures")
    size = bench.state.size

    assert refusal(bench, LEAD, taken={LEAD.id: size}, paper=size) == "has_seen"
    due = bench.state.due
    assert due is not None
    moment = replace(bench.moment(LEAD), taken={LEAD.id: size}, paper=size - 1, kept=True)
    assert decide(bench.state, Finish(due.id, made_up_answers(due)), moment)


def test_a_verification_that_states_one_answer_anew_still_looks_at_what_it_veils() -> None:
    """Whoever did a step that is veiled from the verifier does not verify, whatever else the verification compares."""
    steps = opened().state.steps
    place = next(n for n, step in enumerate(steps) if any(item.same_as is not None for item in step.asks))
    veiling = steps[place].model_copy(update={"veils": (steps[0].id,)})

    looked = {step.id for step in looked_at(veiling, steps[:place])}

    assert steps[0].id in looked
    assert {item.same_as.step for item in veiling.asks if item.same_as is not None} < looked


def test_what_was_verified_on_paper_was_so_before_anybody_compared_the_paper() -> None:
    """Whoever compares an entry may have verified on paper before it; whoever did the work has not."""
    bench = at("out-1/band-ring")
    bench.do(PrintBlank(), HANDS)
    serial = bench.state.paper.out[0].serial

    def entered(hand: Who) -> tuple[Event, ...]:
        due = bench.state.due
        assert due is not None
        return bench.do(
            Transcribe(
                step=due.id, answers=made_up_answers(due), hand=hand, compared_by=EYES,
                happened=typed_instant(*_local(bench), "UTC"), why_late="no server", photo="ab" * 32, serial=serial,
            ),
            OTHER_LEAD,
        )  # fmt: skip

    entered(HANDS)
    with pytest.raises(Refused, match="did the work that this step verifies"):
        entered(HANDS)
    (done,) = entered(EYES)

    assert isinstance(done, StepDone)


def _local(bench: Bench) -> tuple[str, str]:
    text = bench.now.isoformat()
    return text[:10], text[11:16]


# --- what is veiled -------------------------------------------------------------------------------------


def test_from_the_answer_until_the_verification_stands_only_who_entered_it_sees_it() -> None:
    """The gap between the bands: its own hand sees it, nobody else, until the closures were seen."""
    bench = at("out-1/closures")
    step = "port/P1/out-1/band-ring"
    typed = bench.state.mark(step).evidence.answers["gap"].text

    assert veiled(bench.state, HANDS.id).mark(step).evidence.answers["gap"].text == typed
    for who in (LEAD, OTHER_LEAD, EYES):
        assert veiled(bench.state, who.id).mark(step).evidence.answers["gap"].text == UNSEEN
    bench.run_to("out-1/cut")
    assert not unseen(bench.state)
    assert veiled(bench.state, EYES.id).mark(step).evidence.answers["gap"].text == typed


def test_each_row_of_the_isolation_is_veiled_from_its_entry_on() -> None:
    """A lock is on the list with its point, its owner and its time; its numbers and the position wait."""
    bench = at("shut/locks")
    due = bench.state.due
    assert due is not None
    bench.do(LockPoint(due.id, "upstream", "shut", "L-1", "T-1"), HANDS)
    bench.do(LockPoint(due.id, "downstream", "shut", "L-2", "T-2"), LEAD)

    row, other = veiled(bench.state, HANDS.id).locks.points

    assert (row.lock, row.tag_number, row.seen) == ("L-1", "T-1", "shut")
    assert (other.lock, other.tag_number, other.seen) == (UNSEEN, UNSEEN, UNSEEN)
    assert (other.point, other.by) == ("downstream", LEAD)
    bench.run_to("verify/isolation")
    assert {item.lock for item in veiled(bench.state, EYES.id).locks.points} == {UNSEEN}
    bench.run_to("open/door")
    assert UNSEEN not in {item.lock for item in veiled(bench.state, EYES.id).locks.points}


def test_an_entry_of_the_verifier_that_does_not_agree_lifts_the_veil_while_the_job_is_stopped() -> None:
    """A loose band was seen: the two stand side by side while a lead looks, and are veiled again after it."""
    bench = at("out-1/closures")
    due = bench.state.due
    assert due is not None
    bench.do(StopWork(), EYES)
    assert unseen(bench.state)
    bench.go_on()
    bench.do(Finish(due.id, {"seen": "a tie or band missing or loose"}), EYES)
    stopped = bench.state

    assert stopped.stage is Stage.STOPPED
    assert not unseen(stopped, LEAD.id)
    assert unseen(stopped, EYES.id), "whoever made it may have to verify again"
    assert unseen(stopped, on_paper=True)
    bench.do(Reopen("looked at, tightened"), LEAD)
    assert unseen(bench.state)


def test_a_lock_that_came_off_for_a_trial_is_veiled_with_the_one_that_is_on_again() -> None:
    """It is the same lock as a rule: the row that is off, and the entry that took it off, tell no more of it."""
    bench = at("open/door")
    bench.do(StrokeDamper("upstream", StrokePart.CLEAR, "nobody near it"), LEAD)
    on = next(row for row in bench.state.locks.points if row.point == "upstream")
    bench.do(StrokeDamper("upstream", StrokePart.OFF), HANDS)
    bench.do(StrokeDamper("upstream", StrokePart.MOVED, "full travel and back"), HANDS)
    bench.do(StrokeDamper("upstream", StrokePart.ON, "shut", on.lock, on.tag_number), HANDS)
    off = PointUnlocked(
        ledger=bench.ledger, seq=0, at=bench.state.last_at, by=HANDS, step="x", point="upstream", lock=on.lock
    )

    seen = veiled(bench.state, EYES.id)
    told = veiled_events(bench.state, [*bench.events, off], EYES.id)

    rows = [row for row in seen.locks.hung if row.point == "upstream"]
    assert len(rows) == 2
    assert {row.lock for row in rows} == {UNSEEN}
    assert on.lock not in {getattr(event, "lock", "") for event in told}


# --- each point of the isolation ------------------------------------------------------------------------


def at_isolation(tag: str = "EF-11") -> Bench:
    """Return a job at the verification of its isolation, begun by the verifier."""
    bench = opened(tag)
    bench.run_to("isolate/verify/isolation")
    assert bench.state.due is not None
    bench.do(Begin(bench.state.due.id, answers=labels_of(bench.state.due)), EYES)
    return bench


def test_the_verifier_says_of_each_point_of_isolation_how_it_is_found() -> None:
    """One question for each point of the housing in its own safe position, and no number of a lock or tag in any."""
    bench = at_isolation()
    step, opening = bench.state.due, bench.state.opened
    assert step is not None
    assert opening is not None
    points = opening.housing.points
    rows = bench.state.locks.points

    asked = [item.ask for item in step.asks if item.ask.id.startswith("point-")]
    assert [ask.label for ask in asked] == [f"{point.tag} as found" for point in points]
    assert [ask.good for ask in asked] == [(f"{point.safe}, a lock and its tag on it",) for point in points]
    assert len(asked) == len(rows) == 5
    told = step.model_dump_json()
    assert [row for row in rows if f'"{row.lock}"' in told or f'"{row.tag_number}"' in told] == []

    for ask in asked:
        short = {name: text for name, text in made_up_answers(step).items() if name != ask.id}
        with pytest.raises(Invalid, match=f"{ask.label}: nothing was given"):
            bench.do(Finish(step.id, short), EYES)
    bench.do(Finish(step.id, made_up_answers(step)), EYES)
    assert bench.state.mark(step.id).stands
    assert unlawful(bench.events) == ()


@pytest.mark.parametrize("place", range(5))
def test_a_point_that_is_found_otherwise_stops_the_job_and_is_named(place: int) -> None:
    """Whatever was entered in its row, and although all else is as it must be; nothing is verified by it."""
    bench = at_isolation()
    step = bench.state.due
    assert step is not None
    ask = step.asks[place].ask

    outside, stop = bench.do(Finish(step.id, made_up_answers(step) | {ask.id: ask.options[1]}), EYES)

    assert isinstance(outside, StepOutside)
    assert isinstance(stop, JobStopped)
    assert f"{ask.label} no lock, no tag or another position" in stop.text
    assert not bench.state.mark(step.id).stands
    assert unlawful(bench.events) == ()
    forged = StepDone.model_validate(outside.model_dump() | {"type": "step_done", "in_hand_since": outside.at})
    assert any("outside its limit" in item for item in unlawful([*bench.events[:-2], forged]))


def test_only_a_verification_of_what_is_locked_in_the_table_goes_point_by_point() -> None:
    """None that shows the table, none without one, and no other verification; a job laid down before goes on."""
    shown = changed('veils = ["shut/locks", "leak-locks"]\n', 'shown_because = "it is read aloud"\n')
    for text, expected in ((procedure(), {"isolate/verify/isolation"}), (shown, set())):
        laid = expand(text, housing())
        assert {step.id for step in laid if any(item.ask.id.startswith("point-") for item in step.asks)} == expected

    bench = at_isolation()
    opening, step = bench.events[0], bench.state.due
    assert isinstance(opening, JobOpened)
    assert step is not None
    old = step.model_copy(update={"asks": step.asks[5:]})
    bench.events[0] = opening.model_copy(
        update={"steps": tuple(old if item.id == old.id else item for item in opening.steps)}
    )
    bench.state = fold(bench.events)
    bench.do(Finish(old.id, made_up_answers(old)), EYES)
    assert bench.state.mark(old.id).stands
    assert unlawful(bench.events) == ()


def test_a_verification_comes_apart_in_time_where_the_site_asks() -> None:
    """Sooner is refused with the time from which it may be; a record in which it came sooner is not lawful."""
    bench = at("isolate/verify/isolation")
    opening = bench.events[0]
    assert isinstance(opening, JobOpened)
    asked = opening.model_copy(update={"verify_after_min": 90})
    bench.events[0] = asked
    bench.state = fold(bench.events)
    step = bench.state.due
    assert step is not None
    answers, labels = made_up_answers(step), labels_of(step)

    with pytest.raises(Refused, match=r"is verified 90 min after the work at the earliest, at \d\d:\d\d") as caught:
        bench.do(Begin(step.id, answers=labels), EYES)
    bench.now += timedelta(minutes=91)
    bench.do(Begin(step.id, answers=labels), EYES)
    done = bench.do(Finish(step.id, answers), EYES)

    assert caught.value.code == "too_soon"
    assert bench.state.mark(step.id).stands
    assert unlawful(bench.events) == ()
    sooner = done[0].model_copy(update={"at": bench.events[-4].at})
    told = unlawful([sooner if event is done[0] else event for event in bench.events])
    assert any("was verified sooner after the work than this site allows" in item for item in told)
