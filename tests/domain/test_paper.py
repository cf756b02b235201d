"""What comes back from paper is decided as if it had been marked then: also what lies outside, differs or branches."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from app.domain.applicability import BranchLeft
from app.domain.commands import Finish, Submit
from app.domain.crew import Acknowledge, LeaveCrew, Part
from app.domain.deciding.leaving import suspend_looks
from app.domain.event_base import Who
from app.domain.events import (
    EntriesDiffered,
    Event,
    JobStopped,
    StepBegun,
    StepDone,
    StepOutside,
    event_from,
    payload_of,
)
from app.domain.history import unlawful
from app.domain.job import Stage
from app.domain.judging import AGAIN
from app.domain.leaving import DOCUMENTS, AnswerLooks, ReadNext, SignHandover, Suspend, TakeOver
from app.domain.lessons import AnswerDeviation
from app.domain.paper import PrintBlank, ReconcileBlank, Transcribe
from app.domain.refused import Refused
from app.records.moments import utc_text
from app.records.trail import sentence_of
from app.records.wording import who_words
from app.services.rehearsal import looks_as_recorded, made_up_answers
from tests.builders import EYES, HANDS, KEEPER, LEAD, OFFICER, OTHER_LEAD, Bench, opened


def printed(at: str) -> Bench:
    """Return a job that has come to a step and whose remaining steps were printed there, 20 minutes ago."""
    bench = opened()
    bench.run_to(at)
    bench.do(PrintBlank(), HANDS)
    bench.now += timedelta(minutes=20)
    return bench


def from_paper(
    bench: Bench, answers: Mapping[str, str] | None = None, *, minutes_ago: int = 5, hand: Who = HANDS
) -> Transcribe:
    """Return what stands on paper for the step that is due, done some minutes ago."""
    due = bench.state.due
    assert due is not None
    happened = utc_text(bench.now - timedelta(minutes=minutes_ago)).replace("Z", "+00:00")[:16] + "+00:00"
    given = dict(answers or {})
    whole = made_up_answers(due) | given
    whole |= {
        f"{item.ask.id}{AGAIN}": whole[item.ask.id] for item in due.asks if item.ask.twice and item.ask.required
    } | given
    return Transcribe(
        step=due.id, serial="2026-0001-B1", happened=happened, began=happened if due.marks == 2 else None,
        why_late="no power", photo="ab" * 32, hand=hand,
        compared_by=EYES if hand is HANDS else HANDS, answers=whole, beside=EYES if hand is HANDS else HANDS,
    )  # fmt: skip


def test_a_reading_outside_its_limit_comes_from_paper_with_its_stop() -> None:
    """The attempt is labelled as transcribed; the stop is of the person who entered it."""
    bench = printed("out-1/gather")

    fresh = bench.do(from_paper(bench, {"length": "5"}), HANDS)

    outside, stop = fresh
    assert isinstance(outside, StepOutside)
    assert outside.transcribed is not None
    assert isinstance(stop, JobStopped)
    assert stop.by == outside.by == HANDS
    assert bench.state.stage is Stage.STOPPED
    assert unlawful(bench.events) == ()


def test_a_choice_that_leaves_a_branch_comes_from_paper() -> None:
    """The steps of the way not taken are left by the entry that came from paper."""
    bench = printed("verify/leak-by")

    done, left = bench.do(from_paper(bench, {"found": "no flow past either damper"}), HANDS)

    assert isinstance(done, StepDone)
    assert done.transcribed is not None
    assert isinstance(left, BranchLeft)
    assert len(left.steps) == 3
    assert unlawful(bench.events) == ()


def test_two_numbers_that_differ_are_kept_and_settled_from_paper() -> None:
    """As on the screen: both stand, nobody goes on before it is said why, and then the step can be entered."""
    bench = printed("leak/aerosol")

    differed = bench.do(from_paper(bench, {f"upstream{AGAIN}": "77"}), HANDS)
    with pytest.raises(Refused, match="Say why they differed"):
        bench.do(from_paper(bench), HANDS)
    settled = from_paper(bench)
    bench.do(Transcribe(**{**fields(settled), "reconciled": "a slip of the pen"}), HANDS)

    assert [type(event) for event in differed] == [EntriesDiffered]
    done = next(event for event in bench.events if isinstance(event, StepDone) and event.step == settled.step)
    assert done.reconciled == "a slip of the pen"
    assert bench.state.mark(settled.step).differing == ()
    assert unlawful(bench.events) == ()


def fields(command: Transcribe) -> dict[str, Any]:
    """Return a command's values by name."""
    return {name: getattr(command, name) for name in Transcribe.__slots__}


def test_paper_goes_on_after_a_pause_that_only_a_screen_can_hold() -> None:
    """A pause is confirmed live, hence later than the paper around it; it does not shut the paper out."""
    bench = printed("isolate/verify/isolation")
    written = utc_text(bench.now - timedelta(minutes=5)).replace("Z", "+00:00")[:16] + "+00:00"
    bench.do(from_paper(bench, hand=EYES), EYES)
    for command, by in bench.due_commands():
        bench.do(command, by)

    after = from_paper(bench, hand=OFFICER)
    bench.do(Transcribe(**{**fields(after), "happened": written}), OFFICER)

    assert bench.state.mark(after.step).done is not None


def test_paper_still_keeps_the_order_of_what_was_marked_on_a_screen() -> None:
    """A mark made on a screen bounds the paper after it, as before."""
    bench = printed("out-1/gather")
    before = from_paper(bench, minutes_ago=10)
    due = bench.state.due
    assert due is not None
    bench.do(Finish(due.id, made_up_answers(due)), HANDS)

    late = from_paper(bench)
    with pytest.raises(Refused, match="does not fit"):
        bench.do(
            Transcribe(**{**fields(late), "happened": before.happened, "began": late.began and before.happened}), HANDS
        )


def test_a_begun_mark_from_paper_is_labelled_too() -> None:
    """Both marks of a step of two come from paper."""
    bench = printed("port/P1/open/door")
    due = bench.state.due
    assert due is not None
    labels = {item.ask.id: item.ask.expects or "" for item in due.asks_at("begin")}

    begun, done = bench.do(from_paper(bench, labels), HANDS)

    assert isinstance(begun, StepBegun)
    assert isinstance(done, StepDone)
    assert begun.transcribed is not None
    assert done.transcribed is not None


def with_beside(bench: Bench, beside: Who | None) -> Transcribe:
    """Return what stands on paper for the step that is due, labels read, with this second person at the work."""
    due = bench.state.due
    assert due is not None
    labels = {item.ask.id: item.ask.expects or "" for item in due.asks_at("begin")}
    return replace(from_paper(bench, labels), beside=beside)


def test_the_second_person_at_a_cut_is_whom_the_paper_names() -> None:
    """Whoever compares need not have been there; whoever was there may enter it now, and no secret is told."""
    bench = opened(crew=(HANDS, EYES, OTHER_LEAD))
    bench.run_to("out-1/cut")
    bench.do(PrintBlank(), HANDS)
    bench.now += timedelta(minutes=20)

    fresh = bench.do(with_beside(bench, OTHER_LEAD), OTHER_LEAD)
    told = [sentence_of(event, {step.id: step for step in bench.state.steps}) for event in fresh]
    mark = bench.state.mark(fresh[0].step if isinstance(fresh[0], StepBegun) else "")

    assert [type(event) for event in fresh] == [StepBegun, StepDone]
    for event, sentence in zip(fresh, told, strict=True):
        assert isinstance(event, StepBegun | StepDone)
        assert event.second == event.by == OTHER_LEAD
        assert event.transcribed is not None
        assert event.transcribed.compared_by == EYES
        assert f"with {OTHER_LEAD.name} (as written on paper, no secret given)" in sentence
        assert "own secret" not in sentence
    assert mark.done is not None
    assert "(lead, as written on paper, no secret given)" in who_words(mark.done, "UTC")
    assert unlawful(bench.events) == ()


@pytest.mark.parametrize("beside", [None, HANDS], ids=["nobody", "who did it"])
def test_a_cut_from_paper_needs_a_second_person_named_there(beside: Who | None) -> None:
    """A comparison now does not stand for somebody at the work then."""
    bench = printed("out-1/cut")

    with pytest.raises(Refused, match="Choose whom the page names as the second person there, not Noor Haddad"):
        bench.do(with_beside(bench, beside), HANDS)


def test_a_second_person_from_paper_is_of_the_crew() -> None:
    """Somebody who was not on the briefed crew was not at the work."""
    bench = printed("out-1/cut")

    with pytest.raises(Refused, match="was not on the briefed crew"):
        bench.do(with_beside(bench, OTHER_LEAD), HANDS)


def exchanged(bench: Bench, fresh: tuple[Event, ...], who: Who) -> list[Event]:
    """Return the entries with another second person in those of a page."""
    return [event.model_copy(update={"second": who}) if event in fresh else event for event in bench.events]


@pytest.mark.parametrize("who", [LEAD, OFFICER, EYES], ids=["briefed too late", "briefed for holds", "left before"])
def test_an_outsider_notices_a_second_person_who_was_not_at_the_work(who: Who) -> None:
    """The page's second person exchanged in the record for one who was not on the crew at the time of the page."""
    bench = opened(crew=(HANDS, EYES, OTHER_LEAD))
    bench.run_to("out-1/cut")
    bench.do(PrintBlank(), HANDS)
    bench.do(Acknowledge(Part.RELEASE, "I know the holds of this job."), OFFICER)
    bench.do(LeaveCrew("eyes", "the shift is over"), EYES)
    bench.now += timedelta(minutes=20)
    bench.do(Acknowledge(Part.WORK, "I know the cuts and when to stop."), LEAD)
    fresh = bench.do(with_beside(bench, OTHER_LEAD), HANDS)

    assert unlawful(bench.events) == ()
    assert unlawful(exchanged(bench, fresh, who)) == tuple(
        f"Entry {event.seq}: {who.name} is the second person of the page and was not on the briefed crew then."
        for event in fresh
    )


def test_an_outsider_notices_a_second_person_who_had_handed_the_job_over() -> None:
    """Still on the list of the crew, and no longer at the work."""
    bench = opened(crew=(HANDS, EYES, OTHER_LEAD, LEAD))
    bench.run_to("out-1/cut")
    bench.do(Suspend("break", looks_as_recorded(suspend_looks(bench.state)), "control room", "cut it"), OTHER_LEAD)
    bench.do(TakeOver(OTHER_LEAD, tuple(DOCUMENTS)), LEAD)
    bench.do(ReadNext(), LEAD)
    bench.do(AnswerLooks(looks_as_recorded(bench.state.rechecks)), LEAD)
    bench.do(SignHandover(), OTHER_LEAD)
    bench.do(SignHandover(), LEAD)
    bench.do(PrintBlank(), HANDS)
    bench.now += timedelta(minutes=20)
    fresh = bench.do(with_beside(bench, EYES), HANDS)

    assert unlawful(bench.events) == ()
    assert unlawful(exchanged(bench, fresh, OTHER_LEAD)) == tuple(
        f"Entry {event.seq}: {OTHER_LEAD.name} had handed the job over before what the page says." for event in fresh
    )


def test_an_outsider_notices_an_administrator_as_the_second_person_of_a_page() -> None:
    """Said of both entries of the cut."""
    bench = printed("out-1/cut")
    fresh = bench.do(with_beside(bench, EYES), HANDS)

    assert unlawful(exchanged(bench, fresh, KEEPER)) == tuple(
        f"Entry {event.seq}: an administrator stands for something that came from paper." for event in fresh
    )


def test_a_cut_entered_before_this_was_asked_reads_as_it_did() -> None:
    """There whoever compared was the second person, with their own secret; the entry keeps its bytes and its words."""
    bench = printed("out-1/cut")
    bench.do(with_beside(bench, EYES), HANDS)

    def before(event: Event) -> Event:
        if not isinstance(event, StepBegun | StepDone) or event.transcribed is None:
            return event
        assert event.transcribed.second_on_paper
        told = event.transcribed.model_copy(update={"second_on_paper": None})
        old = event.model_copy(update={"transcribed": told})
        assert "second_on_paper" not in str(payload_of(old))
        assert event_from(payload_of(old)) == old
        return old

    events = [before(event) for event in bench.events]

    assert f"with {EYES.name} (own secret)" in sentence_of(events[-1], {})
    assert unlawful(events) == ()


def test_two_readings_that_differ_on_paper_name_no_second_secret() -> None:
    """Whoever was at the work was not there when the page was read twice."""
    bench = printed("leak/aerosol")

    (differed,) = bench.do(from_paper(bench, {f"upstream{AGAIN}": "77"}), HANDS)

    assert isinstance(differed, EntriesDiffered)
    assert differed.second is None


def test_no_job_goes_to_review_while_a_blank_is_out() -> None:
    """Its serial number is named; once it is accounted for, the job goes."""
    bench = printed("end/service/tell")
    while bench.state.due is not None:
        for command, by in bench.due_commands():
            bench.do(command, by)
    for item in bench.state.unanswered:
        bench.do(AnswerDeviation(item.seq, "Otherwise than planned.", "As noted there.", "Nothing."), HANDS)

    with pytest.raises(Refused, match="Blank 2026-0001-B1 is out"):
        bench.do(Submit(), OTHER_LEAD)
    bench.do(ReconcileBlank("2026-0001-B1", "voided", reason="not used"), HANDS)
    bench.do(Submit(), OTHER_LEAD)

    assert bench.state.stage is Stage.IN_REVIEW
