"""The history of a job names each step by the words that it had at the time of the entry."""

from itertools import accumulate

from app.domain.commands import ExplainStop, StopWork
from app.domain.event_base import Who
from app.domain.events import STOP_REASONS, Event, JobStopped, StepDone
from app.domain.field_change import ApproveChange, DeclineChange, FieldChangeProposed, NewWords, ProposeChange
from app.domain.job import JobState, evolve
from app.domain.paper import BlankPrinted, PrintBlank
from app.records.blank import blank_of
from app.records.report import report_of
from app.records.trail import sentence_of, trail_of
from app.records.veil import UNSEEN, veiled, veiled_events
from app.services.ports import Session
from app.web.views.pages import overview
from tests.builders import EYES, HANDS, LEAD, OFFICER, START, Bench, opened

FIRST, SECOND = "Gather the bag at arm's length.", "Gather the bag below the fold."


def due_text(bench: Bench) -> str:
    """Return the words of the step in hand."""
    assert bench.state.due is not None
    return bench.state.due.text


def reword(bench: Bench, text: str, *approvers: Who) -> None:
    """Propose other words for the step in hand; each of these approves them."""
    assert bench.state.due is not None
    bench.do(ProposeChange(bench.state.due.id, NewWords(text=text), "the duct is in the way"), HANDS)
    for who in approvers:
        bench.do(ApproveChange(bench.state.changes.all[-1].proposed.number), who)


def stop(bench: Bench) -> None:
    """Stop the job where it stands, say why, and go on from it."""
    bench.do(StopWork(), EYES)
    bench.do(ExplainStop(next(iter(STOP_REASONS)), "The bag slips."), EYES)
    bench.go_on()


def changed_twice() -> tuple[Bench, str]:
    """A job with a step whose words were changed twice, stopped before, between and after; and its first words."""
    bench = opened()
    bench.run_to("out-1/gather")
    old = due_text(bench)
    stop(bench)
    reword(bench, "Gather the bag otherwise.")
    bench.do(DeclineChange("2026-0001/D1", "it is not"), LEAD)
    reword(bench, FIRST, LEAD)
    stop(bench)
    reword(bench, SECOND, LEAD)
    stop(bench)
    bench.answer({"length": "200"})
    return bench, old


def naming(bench: Bench, kind: type[Event], told: dict[int, str]) -> list[str]:
    """Return the sentences of the entries of a kind at the step in hand at the change, in order."""
    step = bench.state.changes.all[0].proposed.step
    return [told[item.seq] for item in bench.events if isinstance(item, kind) and getattr(item, "step", "") == step]


def test_each_entry_names_its_step_by_the_words_of_its_time() -> None:
    """Stops before, between and after two changes, the proposals themselves, and the mark with the newest words."""
    bench, old = changed_twice()

    told = {seq: sentence for seq, _, sentence in trail_of(bench.state, bench.events)}

    stops, proposals = naming(bench, JobStopped, told), naming(bench, FieldChangeProposed, told)
    for sentences, words in ((stops, (old, FIRST, SECOND)), (proposals, (old, old, FIRST))):
        for sentence, text in zip(sentences, words, strict=True):
            assert f" at “{text}”" in sentence
    (done,) = naming(bench, StepDone, told)
    assert f"finished “{SECOND}”" in done


def test_the_trail_is_what_the_state_before_each_entry_would_say() -> None:
    """Every sentence of a whole job, with a change that two approve, is that of the steps as they stood before it."""
    bench, _ = changed_twice()
    bench.run_to("out-1/cut")
    stop(bench)
    reword(bench, "Cut the neck midway between the two pairs of bands.", LEAD, OFFICER)
    stop(bench)
    bench.run_to()

    before = accumulate(bench.events, evolve, initial=JobState())
    expected = [
        sentence_of(event, {step.id: step for step in state.steps})
        for state, event in zip(before, bench.events, strict=False)
    ]

    assert [sentence for _, _, sentence in trail_of(bench.state, bench.events)] == expected


def test_page_pdf_and_blank_tell_the_same_trail() -> None:
    """Whoever reads the page, the printed record or the blank reads the old words at the first stop."""
    bench, old = changed_twice()
    told = trail_of(bench.state, bench.events)
    session = Session(EYES, "tablet", False, START, START)

    page = overview("job", bench.state, tuple(bench.events), session, {})
    report = report_of(bench.state, bench.events, root=bench.root, made_at=bench.state.last_at)
    (printed,) = bench.do(PrintBlank(), HANDS)
    assert isinstance(printed, BlankPrinted)
    blank = blank_of(bench.state, bench.events[:-1], printed, root="ab" * 32)

    assert list(page.trail) == told[::-1]
    assert [(row["entry"], row["at"], row["sentence"]) for row in report["trail"]] == told
    assert {(int(seq), at, sentence) for seq, at, sentence in blank["beside"]} <= set(told)
    assert sum(f"stopped the job at “{old}”" in sentence for _, _, sentence in blank["beside"]) == 1


def test_what_is_verified_unseen_stays_so_where_words_were_changed() -> None:
    """The number entered under new words is shown to nobody who may verify it; the stop before names the old ones."""
    bench = opened()
    bench.run_to("in-1/serial")
    old = due_text(bench)
    stop(bench)
    reword(bench, "Read the serial number on the new filter.", LEAD)
    new = due_text(bench)
    bench.answer({"serial": "QX-77-4411-B"})

    for viewer, on_paper in ((EYES.id, False), ("", True)):
        told = trail_of(
            veiled(bench.state, viewer, on_paper=on_paper),
            veiled_events(bench.state, bench.events, viewer, on_paper=on_paper),
        )
        (done,) = [text for seq, _, text in told if f"finished “{new}”" in text]
        assert UNSEEN in done
        assert "QX-77-4411-B" not in str(told)
        assert sum(f"stopped the job at “{old}”" in sentence for _, _, sentence in told) == 1
