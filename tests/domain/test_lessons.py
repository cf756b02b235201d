"""Questions about deviations, and notes that go on from one another."""

import pytest

from app.domain.commands import ExplainStop, Reopen, StopWork, Submit, WriteNote
from app.domain.history import unlawful
from app.domain.lessons import AnswerDeviation
from app.domain.refused import Refused
from app.records.trail import sentence_of
from tests.builders import HANDS, LEAD, OTHER_LEAD, Bench, opened


def stopped_once() -> Bench:
    """A job with one stop in it, every step done, the questions about the stop open."""
    bench = opened()
    bench.run_to("open/extend")
    bench.do(StopWork(), HANDS)
    bench.do(ExplainStop("unexpected", "a sound"), HANDS)
    bench.do(Reopen("the alarm was a drill"), LEAD)
    while bench.state.due is not None:
        for command, by in bench.due_commands():
            bench.do(command, by)
    return bench


def test_a_job_does_not_go_to_review_with_a_question_open() -> None:
    """The stop is asked about by its entry; with three answers the job may go."""
    bench = stopped_once()
    (asked,) = bench.state.unanswered
    with pytest.raises(Refused, match=f"entry {asked.seq}"):
        bench.do(Submit(), OTHER_LEAD)

    bench.do(AnswerDeviation(asked.seq, "The alarm rang.", "A drill nobody knew of.", "Ask about drills."), HANDS)
    bench.do(Submit(), OTHER_LEAD)

    assert unlawful(bench.events) == ()


def test_each_question_is_answered_and_each_deviation_once() -> None:
    """An empty answer, an entry that nobody asks about and a second answer are refused."""
    bench = stopped_once()
    (asked,) = bench.state.unanswered
    for command, told in (
        (AnswerDeviation(asked.seq, "It rang.", " ", "Nothing, it was right."), "Why did it"),
        (AnswerDeviation(0, "It rang.", "A drill.", "Nothing."), "is not asked about"),
    ):
        with pytest.raises(Refused, match=told):
            bench.do(command, HANDS)
    bench.do(AnswerDeviation(asked.seq, "It rang.", "A drill.", "Nothing."), HANDS)

    with pytest.raises(Refused, match=f"{HANDS.name} answered"):
        bench.do(AnswerDeviation(asked.seq, "It rang.", "A drill.", "Nothing."), LEAD)


def test_a_record_handed_over_with_questions_open_is_found_unlawful() -> None:
    """An outsider sees from the entries that the answers were left out."""
    bench = stopped_once()
    (asked,) = bench.state.unanswered
    bench.do(AnswerDeviation(asked.seq, "It rang.", "A drill.", "Nothing."), HANDS)
    bench.do(Submit(), OTHER_LEAD)

    without = [event for event in bench.events if event.type != "deviation_answered"]

    assert any("questions about a deviation open" in told for told in unlawful(without))


def test_a_note_goes_on_from_a_note_and_from_nothing_else() -> None:
    """The follow-up names the entry that it goes on from."""
    bench = opened()
    (first,) = bench.do(WriteNote("Lamp flickers."), HANDS)
    with pytest.raises(Refused, match="is not a note"):
        bench.do(WriteNote("It is the plug.", follows=0), HANDS)

    (second,) = bench.do(WriteNote("It is the plug.", follows=first.seq), HANDS)

    assert sentence_of(second, {}) == f"{HANDS.name} noted, going on from entry {first.seq}: It is the plug."
