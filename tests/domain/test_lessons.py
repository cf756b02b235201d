"""Questions about deviations, and notes that go on from one another."""

from dataclasses import replace

import pytest

from app.domain.commands import ExplainStop, Reopen, StopWork, Submit, WriteNote
from app.domain.history import unlawful
from app.domain.job import JobState, Notable
from app.domain.lessons import FILTER_REFUSED, FURTHER, ONCE, AnswerDeviation
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


# --- every deviation is asked about ---------------------------------------------------------------------


def with_kinds(*items: tuple[str, str | None]) -> JobState:
    """Return a job that is done but for questions about exceptions of these kinds (and codes of refusals)."""
    bench = opened()
    bench.run_to()
    found = tuple(Notable(number, kind, "so it was", code=code) for number, (kind, code) in enumerate(items, start=9))
    return replace(bench.state, notables=found)


@pytest.mark.parametrize("kind", sorted(FURTHER))
def test_every_kind_of_deviation_has_its_one_question(kind: str) -> None:
    """The job does not go to review before its answer; the answer stands with its question."""
    code = "filter" if kind == FILTER_REFUSED else None
    bench = opened()
    bench.run_to()
    bench.state = replace(bench.state, notables=(Notable(9, "refused" if code else kind, "so it was", code=code),))

    with pytest.raises(Refused, match="entry 9"):
        bench.do(Submit(), OTHER_LEAD)
    with pytest.raises(Refused, match="is empty"):
        bench.do(AnswerDeviation(9, " ", "", ""), HANDS)
    (answered,) = bench.do(AnswerDeviation(9, "The lorry was late.", "", ""), HANDS)
    bench.do(Submit(), OTHER_LEAD)

    assert FURTHER[kind].endswith("?")
    assert sentence_of(answered, {}).endswith(f"about entry 9. {FURTHER[kind]} The lorry was late.")


def test_what_comes_in_runs_is_asked_about_once() -> None:
    """Forty marks from paper are one question; two stops are two."""
    state = with_kinds(*[("transcribed from paper", None)] * 40, *[("stopped", None)] * 2)

    assert [(item.seq, item.kind) for item in state.unanswered] == [
        (9, "transcribed from paper"), (49, "stopped"), (50, "stopped"),
    ]  # fmt: skip
    assert set(FURTHER) >= ONCE


def test_what_follows_from_another_or_was_refused_in_time_is_not_asked_about() -> None:
    """A label of the neighbour that was refused, a re-opening and a returned record have no question."""
    kinds = (("refused", "wrong_tag"), ("re-opened", None), ("accounts settled", None), ("returned", None),
             ("left the crew", None), ("marks close together", None))  # fmt: skip

    assert with_kinds(*kinds).unanswered == ()


def test_a_rehearsal_asks_none_and_an_older_job_asks_what_it_always_did() -> None:
    """The kinds that are asked about stand in the job's first entry."""
    state = with_kinds(("contingency", None), ("stopped", None))
    job = state.opened
    assert job is not None
    assert job.brief is not None
    older = job.model_copy(update={"brief": job.brief.model_copy(update={"asks": None})})

    assert [item.kind for item in state.unanswered] == ["contingency", "stopped"]
    assert replace(state, opened=job.model_copy(update={"rehearsal": True})).unanswered == ()
    assert [item.kind for item in replace(state, opened=older).unanswered] == ["stopped"]
