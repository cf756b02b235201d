"""Who may mark, for whom it is recorded, and what a team pause takes: rules that name people, sentence by sentence."""

from datetime import date

import pytest

from app.domain.commands import Begin, ExplainStop, Finish, Late, Open, Release, Reopen, StopWork
from app.domain.crew import Acknowledge, ConfirmPause, LeaveCrew, Part
from app.domain.deciding.leaving import suspend_looks
from app.domain.event_base import Who
from app.domain.events import MarkContested, StepBegun, StepDone, payload_of
from app.domain.history import unlawful
from app.domain.job import Stage, fold
from app.domain.killers import to_say
from app.domain.leaving import DOCUMENTS, AnswerLooks, ReadNext, SignHandover, Suspend, TakeOver
from app.domain.locks import PutOwnLockOn
from app.domain.refused import Refused
from app.domain.steps import Step
from app.domain.watching import TakeReading
from app.services.rehearsal import looks_as_recorded, made_up_answers
from tests.builders import EYES, HANDS, LEAD, NEEDS, OFFICER, OTHER_LEAD, QUALIFIED, Bench, opened

WORDS = "I band the ring side and call the stop if the bag tears."


def due(bench: Bench) -> Step:
    """Return the step that is due."""
    assert bench.state.due is not None
    return bench.state.due


def finish(bench: Bench, by: Who, worker: str = "") -> None:
    """Finish the step that is due with good answers."""
    bench.do(Finish(due(bench).id, made_up_answers(due(bench)), "", worker=worker), by)


def test_no_step_opens_before_everybody_named_has_been_briefed() -> None:
    """With one of two briefed the first step stays shut for both; with the second it opens."""
    bench = opened(briefed=False)
    bench.brief(HANDS)
    with pytest.raises(Refused, match="has not been briefed yet"):
        finish(bench, HANDS)
    assert bench.state.stage is Stage.BRIEFING
    assert [who.name for who in bench.state.crew.waiting] == [EYES.name]

    bench.brief(EYES)
    finish(bench, HANDS)

    assert bench.state.done_count == 1


def test_a_crew_of_nobody_still_needs_one_briefed_person() -> None:
    """A job opened without naming anybody waits for the first who is briefed."""
    bench = opened(crew=())
    with pytest.raises(Refused, match="has not been briefed yet"):
        finish(bench, HANDS)

    bench.brief(HANDS)

    assert bench.state.stage is Stage.OPEN


def test_a_late_joiner_marks_nothing_until_briefed() -> None:
    """A mark and a lead's release are refused and remembered; a safety officer releases all the same."""
    bench = opened()
    bench.run_to("isolate/shut/fan")
    with pytest.raises(Refused, match=f"{LEAD.name} has not been briefed") as no:
        bench.do(Begin(due(bench).id), LEAD)
    assert no.value.logged
    bench.run_to("close/release")
    with pytest.raises(Refused, match="releases nothing in it"):
        bench.do(Release(due(bench).id), OTHER_LEAD)

    bench.brief(OTHER_LEAD, part=Part.RELEASE)
    bench.do(Release(due(bench).id), OTHER_LEAD)

    assert OFFICER.id not in bench.state.crew.signers
    assert any(event.type == "hold_released" and event.by == OFFICER for event in bench.events)


def test_a_kept_mark_of_somebody_not_briefed_is_contested() -> None:
    """What a tablet kept is never dropped: it waits for a lead beside the reason."""
    bench = opened()
    bench.run_to("gather")

    (event,) = bench.do(Late(Finish(due(bench).id, made_up_answers(due(bench))), bench.state.size), OTHER_LEAD)

    assert isinstance(event, MarkContested)
    assert "has not been briefed" in event.why


@pytest.mark.parametrize(
    ("until", "told"),
    [(date(2026, 3, 1), "ran out on 2026-03-01"), (None, "has no “respirator fit test” in the register")],
)
def test_a_qualification_that_is_missing_or_has_run_out_is_named(until: date | None, told: str) -> None:
    """It refuses the brief and, if it runs out later, every mark; the last good day is still good."""
    register = {key: day for key, day in QUALIFIED.items() if key != (HANDS.id, NEEDS[1])}
    if until is not None:
        register[HANDS.id, NEEDS[1]] = until
    bench = opened(briefed=False)
    bench.qualifications = register
    with pytest.raises(Refused, match=told):
        bench.brief(HANDS)
    bench.qualifications = {**register, (HANDS.id, NEEDS[1]): date(2026, 3, 2)}
    bench.brief(HANDS, EYES)
    finish(bench, HANDS)

    bench.qualifications = register

    with pytest.raises(Refused, match=told):
        finish(bench, HANDS)
    with pytest.raises(Refused, match=told):
        finish(bench, EYES, HANDS.id)


def test_work_is_given_to_nobody_who_is_not_qualified_for_it() -> None:
    """Whoever is named for the crew holds all that the job needs on the day of opening; the sentence names the gap."""
    run_out = {**QUALIFIED, (EYES.id, NEEDS[1]): date(2026, 3, 1)}
    made = opened()
    draft = made.state.opened
    assert draft is not None
    bench = Bench(ledger=made.ledger, qualifications=run_out)

    with pytest.raises(Refused, match=r"^Tomé Silva's “respirator fit test” ran out on 2026-03-01\. A lead or safety"):
        bench.do(Open(draft), LEAD)
    bench.do(Open(draft.model_copy(update={"crew": (HANDS,)})), LEAD)

    assert bench.state.crew.waiting == (HANDS,)


def run_out(bench: Bench, who: Who, told: str = "ran out on 2026-03-01") -> str:
    """Let a qualification of somebody run out the day before; return what they are then told."""
    bench.qualifications = {**QUALIFIED, (who.id, NEEDS[1]): date(2026, 3, 1)}
    return rf"^{who.name}'s “respirator fit test” {told}\. A lead or safety officer enters or renews it"


def test_nobody_locks_on_or_reads_again_whose_qualification_has_run_out() -> None:
    """Who is exposed holds what the job needs on the day; the refusal is kept, and the last good day is still good."""
    bench = opened()
    bench.run_to("port/P1/open/bag")
    told = run_out(bench, HANDS)
    for command in (PutOwnLockOn("C-1"), TakeReading("-20")):
        with pytest.raises(Refused, match=told) as no:
            bench.do(command, HANDS)
        assert (no.value.code, no.value.logged) == ("qualification", True)
    bench.do(PutOwnLockOn("C-2"), EYES)

    bench.qualifications = {**QUALIFIED, (HANDS.id, NEEDS[1]): date(2026, 3, 2)}
    bench.do(PutOwnLockOn("C-1"), HANDS)
    bench.do(TakeReading("-20"), HANDS)

    assert {lock.by for lock in bench.state.locks.own} == {HANDS, EYES}
    assert unlawful(bench.events) == ()


def test_nobody_takes_over_or_signs_for_it_whose_qualification_has_run_out() -> None:
    """The incoming person is asked when they begin and when they sign; who leaves hands over all the same."""
    bench = opened()
    bench.run_to("port/P1/out-1/draw")
    looks = looks_as_recorded(suspend_looks(bench.state))
    bench.do(Suspend("break", looks, "control room", "draw the filter"), HANDS)
    told = run_out(bench, EYES)
    with pytest.raises(Refused, match=told):
        bench.do(TakeOver(HANDS, tuple(DOCUMENTS)), EYES)
    bench.qualifications = QUALIFIED
    bench.do(TakeOver(HANDS, tuple(DOCUMENTS)), EYES)
    bench.do(ReadNext(), EYES)
    bench.do(AnswerLooks(looks_as_recorded(bench.state.rechecks)), EYES)
    run_out(bench, HANDS)
    bench.do(SignHandover(), HANDS)
    told = run_out(bench, EYES)
    with pytest.raises(Refused, match=told):
        bench.do(SignHandover(), EYES)

    bench.qualifications = QUALIFIED
    bench.do(SignHandover(), EYES)

    assert bench.state.stage is Stage.OPEN
    assert unlawful(bench.events) == ()


def test_a_lead_briefed_only_to_release_is_relieved_by_one_who_needs_no_qualification() -> None:
    """What the work needs is asked of those who take part in it, as at the brief."""
    bench = opened()
    bench.run_to("port/P1/out-1/draw")
    for lead in (LEAD, OTHER_LEAD):
        bench.brief(lead, part=Part.RELEASE)
    looks = looks_as_recorded(suspend_looks(bench.state))
    bench.do(Suspend("break", looks, "control room", "draw the filter"), HANDS)
    run_out(bench, OTHER_LEAD)

    bench.do(TakeOver(LEAD, tuple(DOCUMENTS)), OTHER_LEAD)

    assert bench.state.stage is Stage.LOOKING


def test_reader_and_worker_are_both_kept_and_neither_verifies() -> None:
    """Noor reads and records for Tomé: the mark names both, and a third person has to verify."""
    bench = opened()
    bench.run_to("out-1/band-ring")
    finish(bench, HANDS, EYES.id)
    event = bench.events[-1]
    assert isinstance(event, StepDone)
    assert (event.by, event.worker) == (HANDS, EYES)
    for who in (HANDS, EYES):
        with pytest.raises(Refused, match="Somebody else must verify"):
            finish(bench, who)
    bench.brief(OTHER_LEAD)
    with pytest.raises(Refused, match="in their own name"):
        finish(bench, OTHER_LEAD, EYES.id)

    finish(bench, OTHER_LEAD)

    assert {HANDS.id, EYES.id} <= bench.state.performers
    assert unlawful(bench.events) == ()


def test_whoever_began_the_work_does_not_verify_it_either() -> None:
    """Begun by one and finished by another, it is verified by a third."""
    bench = opened()
    bench.brief(OTHER_LEAD)
    bench.run_to("out-1/closures")
    (band,) = [step for step in bench.state.steps if step.id.endswith("out-1/band-ring")]
    begun = StepBegun(ledger=bench.ledger, seq=bench.state.size, at=bench.state.last_at, by=EYES, step=band.id)
    bench.state = fold([begun], start=bench.state)

    with pytest.raises(Refused, match="Tomé Silva did the work that this step verifies"):
        finish(bench, EYES)
    finish(bench, OTHER_LEAD)


def test_a_mark_is_recorded_only_for_the_briefed_crew() -> None:
    """Somebody who is not on the crew cannot be named as the worker; naming oneself is naming nobody."""
    bench = opened()
    with pytest.raises(Refused, match="not on the briefed crew"):
        finish(bench, HANDS, OTHER_LEAD.id)

    finish(bench, HANDS, HANDS.id)

    assert "worker" not in payload_of(bench.events[-1])


def test_a_pause_is_over_with_the_last_of_the_crew_and_not_before() -> None:
    """One missing person holds the pause; own secret and said aloud are both kept as what they were."""
    bench = opened()
    bench.run_to("isolate/verify/pause")
    with pytest.raises(Refused, match="Still to speak"):
        bench.do(Finish(due(bench).id, {}), HANDS)
    pause = due(bench)
    bench.do(ConfirmPause(pause.id), EYES)
    assert due(bench) == pause
    assert [who.name for who in bench.state.unspoken(pause.id)] == [HANDS.name]

    spoken, done = bench.do(ConfirmPause(pause.id, (HANDS.id,)), EYES)

    assert isinstance(done, StepDone)
    assert [item.how for item in bench.state.crew.confirmed[pause.id]] == ["own secret", "said aloud"]
    assert spoken.seq + 1 == done.seq
    assert "lock" in done.evidence.note
    assert unlawful(bench.events) == ()


def test_who_joins_at_a_pause_speaks_too_and_who_leaves_does_not() -> None:
    """The pause asks everybody who is on the crew at that moment."""
    bench = opened()
    bench.run_to("out-1/pause")
    bench.do(ConfirmPause(due(bench).id, (HANDS.id,)), HANDS)
    bench.brief(OTHER_LEAD)
    bench.do(LeaveCrew(EYES.id, "shift end"), EYES)
    with pytest.raises(Refused, match="marks nothing"):
        bench.do(ConfirmPause(due(bench).id), EYES)

    bench.do(ConfirmPause(due(bench).id), OTHER_LEAD)

    assert due(bench).id.endswith("cut")
    assert bench.state.notables[-1].kind == "left the crew"


def test_a_stop_amid_a_pause_lets_nothing_said_before_it_count() -> None:
    """After a re-opening everybody speaks again."""
    bench = opened()
    bench.run_to("out-1/pause")
    bench.do(ConfirmPause(due(bench).id, (HANDS.id,)), HANDS)
    bench.do(StopWork(), HANDS)
    bench.do(ExplainStop("unexpected", "a sound"), HANDS)
    bench.do(Reopen("looked at"), LEAD)

    left = bench.state.unspoken(due(bench).id)

    assert left == (HANDS, EYES)


def test_a_pause_says_the_values_that_the_record_holds() -> None:
    """Locks with their numbers, closures of both sides with their counts, clamp with its torque, stub and door."""
    bench = opened()
    bench.run_to("isolate/verify/pause")
    before = dict(to_say(bench.state, due(bench)))
    bench.run_to("out-1/pause")
    cut = dict(to_say(bench.state, due(bench)))
    bench.run_to("service/pause")
    after = dict(to_say(bench.state, due(bench)))

    assert before["Locks"].startswith("locked and verified; D-301: lock L-1")
    assert cut["Closures on P1"] == "ring side: 1 tie, 1 band; package side: 1 tie, 1 band"
    assert after["Clamp of P1"].startswith("set; Upper bolt at stop")
    assert after["Stub of P1"] == "taped, held in the bag on the ring"
    assert after["Door of P1"].startswith("shut; between the inside and the room: door")


def test_nobody_is_briefed_by_a_shrug() -> None:
    """Own words say something; a technician is not briefed for releases; twice is once too often."""
    bench = opened(briefed=False)
    for command, told in (
        (Acknowledge("work", "ok"), "says too little"), (Acknowledge("work", " "), "is empty"),
        (Acknowledge("watch", WORDS), "Choose what"), (Acknowledge("release", WORDS), "releases no holds"),
    ):  # fmt: skip
        with pytest.raises(Refused, match=told):
            bench.do(command, HANDS)
    bench.do(Acknowledge("work", WORDS), HANDS)

    with pytest.raises(Refused, match="already"):
        bench.do(Acknowledge("work", WORDS), HANDS)


def test_only_a_lead_takes_others_off_the_crew() -> None:
    """One leaves in person, or by a lead with a reason; who waits for the brief no longer holds the job."""
    bench = opened(briefed=False)
    bench.brief(HANDS)
    with pytest.raises(Refused, match="Ask a lead"):
        bench.do(LeaveCrew(EYES.id, "ill"), HANDS)

    bench.do(LeaveCrew(EYES.id, "ill"), LEAD)

    assert bench.state.stage is Stage.OPEN
    with pytest.raises(Refused, match="not on the crew"):
        bench.do(LeaveCrew(EYES.id, "ill"), LEAD)


def test_a_job_opened_before_briefs_were_asked_goes_on_as_it_began() -> None:
    """Without a brief in its first entry nothing of the crew is enforced, a pause is one mark, its record lawful."""
    bench = opened(briefed=False)
    assert bench.state.opened is not None
    first = bench.state.opened.model_copy(update={"brief": None})
    old = Bench(ledger=bench.ledger)
    old.events.append(first)
    old.state = type(old.state)()
    from app.domain.job import fold

    old.state = fold([first])

    old.run_to()

    assert old.state.stage is Stage.WORK_DONE
    assert "brief" not in payload_of(first)
    assert unlawful(old.events) == ()
    with pytest.raises(Refused, match="without a brief"):
        old.do(Acknowledge("work", WORDS), HANDS)
