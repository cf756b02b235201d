"""The brief is made from the job: its critical steps and hazards, errors for every act, and who acknowledged it."""

import re
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from app.domain.commands import ExplainStop, Finish, StopWork
from app.domain.containment.effects import Act
from app.domain.contingency import EnterContingency
from app.domain.crew import Part
from app.domain.deciding.contingency import possible
from app.domain.events import payload_of
from app.domain.field_change import ApproveChange, NewWords, ProposeChange
from app.domain.job import JobState, fold
from app.domain.job_lines import JobLine
from app.domain.told import MOST_LESSONS, JobTold, told_of
from app.paper.pdf import make_pdf
from app.records.brief import LIKELY, WHAT_IF, abort_line, brief_of
from app.records.report import report_of
from app.services.planning import lessons_of
from app.services.rehearsal import made_up_answers
from tests.builders import EYES, HANDS, LEAD, OFFICER, OTHER_LEAD, opened

FONTS = Path(__file__).resolve().parents[2] / "static" / "fonts"


def test_every_act_has_a_likely_error_with_its_control() -> None:
    """The table is closed over the acts of the model: a new act without an entry is noticed here."""
    assert set(LIKELY) == set(Act)
    assert all(len(wrong) > 10 and len(against) > 10 for wrong, against in LIKELY.values())


@pytest.mark.parametrize("tag", ["EF-03", "EF-07", "EF-11"])
def test_critical_steps_are_those_of_the_job_that_are_final_or_take_two_marks(tag: str) -> None:
    """Each such step stands in the brief by its number, with its hazards, and no other does."""
    state = opened(tag).state
    brief = brief_of(state)
    assert brief is not None

    numbers = sorted(number for item in brief.critical for number in item.numbers)

    assert numbers == [n for n, step in enumerate(state.steps, 1) if step.final or step.marks == 2]
    cut = next(item for item in brief.critical if item.text.startswith("Cut the neck"))
    assert cut.why == "cannot be undone"
    assert [signal for signal, _ in cut.hazards] == ["DANGER", "WARNING"]
    assert brief.worst[0][0] == "DANGER"


def test_the_brief_has_the_words_and_numbers_that_hold_now() -> None:
    """Whoever joins after a field change and a contingency reads the changed words and the numbers of today."""
    bench = opened()
    bench.run_to("out-1/cut")
    cut = bench.state.due
    assert cut is not None
    new = "Cut the neck midway between the two pairs of bands."
    bench.do(ProposeChange(cut.id, NewWords(text=new), "the label reads otherwise"), HANDS)
    bench.do(ApproveChange("2026-0001/D1"), LEAD)
    bench.do(ApproveChange("2026-0001/D1"), OFFICER)
    bench.do(StopWork(), HANDS)
    bench.do(ExplainStop("unexpected", "a sound"), HANDS)
    spot = next(spot for kept, spot in possible(bench.state) if kept.id == "band-ring")
    bench.do(EnterContingency("band-ring", "seen by the crew", spot.port, spot.position), OTHER_LEAD)

    brief = brief_of(bench.state)

    assert brief is not None
    found = {item.text: item.numbers for item in brief.critical}
    assert bench.state.index[cut.id] + 1 in found[new]
    assert sorted(number for item in found.values() for number in item) == [
        number for number, step in enumerate(bench.state.steps, 1) if step.final or step.marks == 2
    ]
    assert dict(brief.purpose)["Steps"].startswith(f"{len(bench.state.steps)} in ")


def without_branches(tag: str, *, flag: bool | None) -> JobState:
    """Return a job whose text keeps nothing ready, or one opened before the brief told of it."""
    first = opened(tag).state.opened
    assert first is not None
    assert first.brief is not None
    kept = () if flag else first.contingencies
    brief = first.brief.model_copy(update={"branches": flag})
    return fold([first.model_copy(update={"brief": brief, "contingencies": kept})])


@pytest.mark.parametrize("name", ["change-out", "first-fit-out"])
def test_what_to_do_if_is_how_the_branches_of_the_job_begin(name: str) -> None:
    """Each branch by its title with its first steps, in the job's own words; the general words stand only beside it."""
    state = opened("EF-11", name).state
    brief = brief_of(state)
    assert brief is not None
    assert state.opened is not None
    kept = state.opened.contingencies or ()

    told = dict(brief.what_if)

    assert len(kept) > 7
    assert [heading for heading, _ in brief.what_if][: len(kept)] == [branch.title for branch in kept]
    for branch in kept:
        words = told[branch.title]
        assert words.startswith("STOP. ")
        assert not re.search(r"[{}]", words)
        for step in branch.steps[:3]:
            assert all(part.strip() in words for part in re.split(r"\{\w+\}", step.text)), step.text
        assert (f"Then {len(branch.steps) - 3} more step" in words) == (len(branch.steps) > 3)
    assert "A bag is torn" not in told
    assert told["Bag torn"].startswith("STOP. Hold the torn place of the bag on the port shut by hand. Tell everyone")


def test_what_has_no_branch_keeps_its_general_words() -> None:
    """One branch taken away brings its general words back, and no other."""
    first = opened().state.opened
    assert first is not None
    kept = tuple(branch for branch in first.contingencies or () if branch.id not in ("filter-stuck", "alarm"))

    brief = brief_of(fold([first.model_copy(update={"contingencies": kept})]))

    assert brief is not None
    assert [heading for heading, _ in brief.what_if[len(kept) :]] == ["A filter is stuck", "An alarm sounds"]
    assert "common practice, no source" in brief.what_if_from


def test_a_brief_of_before_is_told_as_it_was_acknowledged() -> None:
    """A job opened without the mark keeps the general words that its crew signed; its first entry is as it was."""
    old = without_branches("EF-03", flag=None)
    brief = brief_of(old)
    assert brief is not None
    assert old.opened is not None

    assert "branches" not in str(payload_of(old.opened)["brief"])
    assert [heading for heading, _ in brief.what_if] == [heading for _, heading, _ in WHAT_IF]


@pytest.mark.parametrize("flag", [True, None])
def test_only_a_gel_housing_is_told_of_damaged_gel(flag: bool | None) -> None:
    """Without branches it covers bag, band, filter, gasket, damper and alarm everywhere, gel where there is gel."""
    gel, gasket = (brief_of(without_branches(tag, flag=flag)) for tag in ("EF-07", "EF-03"))
    assert gel is not None
    assert gasket is not None

    told = [heading for heading, _ in gasket.what_if]

    for word in ("torn", "band", "stuck", "falls", "gasket", "damper", "alarm"):
        assert any(word in heading for heading in told), word
    assert not any("Gel" in heading for heading in told)
    assert any("Gel" in heading for heading, _ in gel.what_if)


def test_abort_limits_are_told_while_a_door_is_off_and_at_no_other_time() -> None:
    """From the door's removal to its refitting the line is there, with the site's limit in absolute values."""
    bench = opened()
    shown = []
    while bench.state.due is not None:
        shown.append((bench.state.due.id.split("/")[-2].split("-")[0], abort_line(bench.state)))
        for command, by in bench.due_commands():
            bench.do(command, by)

    assert {section for section, line in shown if line} == {"open", "out", "in", "clamp", "close"}
    assert next(line for _, line in shown if line) == (
        "Stop at: airborne alarm, torn bag, loose strap, Housing minus room outside -50 to 0 Pa."
    )


def test_the_record_prints_brief_attendees_both_names_and_lessons() -> None:
    """The printed values hold own words, reader and worker, a section's end, and open questions as open."""
    bench = opened(briefed=False)
    bench.brief(HANDS, EYES)
    bench.brief(OTHER_LEAD, part=Part.RELEASE)
    due = bench.state.due
    assert due is not None
    bench.do(Finish(due.id, made_up_answers(due) | {"count": "1"}, "", worker=EYES.id), HANDS)
    bench.run_to("agree/ppe")
    report = report_of(bench.state, bench.events, root=bench.root, made_at="2026-03-02T09:00:00.000Z")

    printed = make_pdf(
        report=report, record_json=b"{}", fonts=FONTS, photos={}, made_at=datetime(2026, 3, 2, 9, tzinfo=UTC)
    )

    assert printed.startswith(b"%PDF")
    assert [item["name"] for item in report["brief"]["attendees"]] == [HANDS.name, EYES.name, OTHER_LEAD.name]
    assert (
        f"worker {EYES.name} (technician), reader {HANDS.name}"
        in report["sections"][0]["steps"][0]["attempts"][0]["who"]
    )
    assert report["sections"][0]["complete"].startswith("complete: 4 steps, last at ")
    assert report["sections"][1]["complete"] == ""
    assert [item["differed"] for item in report["lessons"]] == ["NOT ANSWERED"]


def test_lessons_of_a_housing_are_those_of_its_own_jobs() -> None:
    """What was answered reaches the next brief of that housing, newest first, and no other's."""
    bench = opened()
    bench.run_to("out-1/gather")
    bench.do(Finish("port/P1/out-1/gather", {"length": "999"}), HANDS)
    bench.run_to()
    line = JobLine(bench.ledger, "2026-0001", "EF-03", "change_out", "2026-03-02T07:00:00.000Z")

    earlier = JobTold(lessons=tuple(f"Seen {number}. Why. To change: all." for number in range(MOST_LESSONS)))

    told = lessons_of([(line, told_of(bench.state)), (replace(line, number="2025-0007"), earlier)])

    assert len(told) == MOST_LESSONS
    assert told[0].startswith("Job 2026-0001: Otherwise than planned: outside its limit.")
    assert told[1:] == tuple(f"Job 2025-0007: {lesson}" for lesson in earlier.lessons[:-1])
    assert LEAD.id not in bench.state.performers
