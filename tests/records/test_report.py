"""How a step stands in the printed record, and what its photos are said to show."""

from datetime import timedelta

from app.domain.applicability import SetAside
from app.domain.commands import Submit
from app.domain.paper import PrintBlank, ReconcileBlank, Transcribe
from app.paper.sheets import sheets_of
from app.records.report import report_of
from app.records.wording import who_words
from app.services.rehearsal import labels_of, made_up_answers
from tests.builders import EYES, HANDS, LEAD, opened

MADE_AT = "2026-03-02T09:00:00.000Z"


def test_a_step_that_was_set_aside_says_so_with_who_and_why() -> None:
    """It is neither done nor begun only; the mark names the lead, the time and the reason."""
    bench = opened()
    bench.run_to("end/service/tell")
    assert bench.state.due is not None
    name = bench.state.due.id
    bench.do(SetAside(name, "the control room is closed for good"), LEAD)
    bench.run_to()
    bench.do(Submit(), LEAD)

    report = report_of(bench.state, bench.events, root=bench.root, made_at=MADE_AT)
    sheets, _ = sheets_of(report, {})

    (step,) = [item for section in sheets["sections"] for item in section["steps"] if item["id"] == name]
    assert step["state"] == "set aside"
    done = bench.state.mark(name).done
    assert done is not None
    told = f"set aside {who_words(done, 'UTC')}: not applicable: the control room is closed for good"
    assert step["marks"] == [told]
    begun = [item["id"] for section in sheets["sections"] for item in section["steps"] if item["state"] == "begun only"]
    assert begun == []


def test_photos_of_paper_say_which_page_they_show() -> None:
    """The page that marks were entered from names them; the returned pages name their blank."""
    bench = opened()
    bench.run_to("port/P1/open/door")
    bench.do(PrintBlank(), HANDS)
    bench.now += timedelta(minutes=20)
    due = bench.state.due
    assert due is not None
    at = "2026-03-02T07:30:00+00:00"
    page, pages, loose = "ab" * 32, "cd" * 32, "ef" * 32
    bench.do(
        Transcribe(
            step=due.id, serial="2026-0001-B1", happened=at, began=at, why_late="no power", photo=page, hand=HANDS,
            compared_by=EYES, answers=made_up_answers(due) | labels_of(due),
        ),
        HANDS,
    )  # fmt: skip
    bench.do(ReconcileBlank("2026-0001-B1", "returned", photo=pages), LEAD)

    report = report_of(bench.state, bench.events, root=bench.root, made_at=MADE_AT)
    sheets, _ = sheets_of(report, dict.fromkeys((page, pages, loose), b""))

    number = bench.state.index[due.id] + 1
    assert {item["sha256"]: item["where"] for item in sheets["photos"]} == {
        page: f"Page of blank 2026-0001-B1: step {number} entered from it",
        pages: "Returned pages of blank 2026-0001-B1",
        loose: "Kept with the record; no answer that stands names it",
    }
