"""How a step stands in the printed record, and what its photos are said to show."""

from datetime import timedelta

import pytest

from app.domain.applicability import SetAside
from app.domain.commands import Open, Submit
from app.domain.paper import PrintBlank, ReconcileBlank, Transcribe
from app.domain.site import SiteState
from app.domain.watching import NoticeMissed
from app.domain.zones import local_or_as_kept
from app.paper.sheets import sheets_of
from app.records.moments import local_text, utc_text
from app.records.report import report_of
from app.records.wording import who_words
from app.services.planning import first_entry, plan
from app.services.rehearsal import labels_of, made_up_answers
from tests.builders import EYES, HANDS, LEAD, START, Bench, housing, opened, procedure

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
            compared_by=EYES, answers=made_up_answers(due) | labels_of(due), beside=EYES,
        ),
        HANDS,
    )  # fmt: skip
    bench.do(ReconcileBlank("2026-0001-B1", "returned", photo=pages), LEAD)

    report = report_of(bench.state, bench.events, root=bench.root, made_at=MADE_AT)
    sheets, _ = sheets_of(report, dict.fromkeys((page, pages, loose), b""))

    told = [item["sentence"] for item in report["exceptions"] if item["kind"] == "transcribed from paper"]
    assert set(told) == {"From paper 2026-0001-B1, done 2026-03-02 07:30:00 +00:00: no power"}
    number = bench.state.index[due.id] + 1
    assert {item["sha256"]: item["where"] for item in sheets["photos"]} == {
        page: f"Page of blank 2026-0001-B1: step {number} entered from it",
        pages: "Returned pages of blank 2026-0001-B1",
        loose: "Kept with the record; no answer that stands names it",
    }


def test_a_missed_reading_is_told_by_the_clock_of_the_site() -> None:
    """Trail, exceptions and tables show one local time with its offset, and none of them the ledger's own."""
    bench = in_zone("Asia/Kolkata")
    bench.run_to("open/bag")
    due = bench.state.watch.due
    assert due is not None
    bench.now += timedelta(minutes=31)
    bench.do(NoticeMissed(), EYES)

    report = report_of(bench.state, bench.events, root=bench.root, made_at=MADE_AT)

    told = local_text(due, "Asia/Kolkata")
    assert told.endswith("+05:30")
    assert f"A repeated reading was due at {told}." in [item["sentence"] for item in report["exceptions"]]
    sentence = report["trail"][-1]["sentence"]
    assert sentence.startswith(f"A repeated reading was due at {told} and was not taken (number 1).")
    assert any(row[0] == told for table in report["tables"] for row in table["rows"])
    assert due not in str(report["trail"]) + str(report["exceptions"])


def in_zone(zone: str) -> Bench:
    """Open a job at a site of this time zone, its crew briefed."""
    bench = Bench()
    draft = first_entry(
        plan(housing(), procedure(), "0" * 64), site=SiteState(name="Sample Works", zone=zone), by=LEAD,
        at=utc_text(START), crew=(HANDS, EYES), rehearsal=False,
    )  # fmt: skip
    bench.ledger = draft.ledger
    bench.do(Open(draft), LEAD)
    bench.brief(HANDS, EYES)
    return bench


@pytest.mark.parametrize(("at", "zone"), [("soon", "UTC"), ("0001-01-01T00:00:00.000Z", "America/New_York"),
                                          ("2026-03-02T07:00:00.000Z", "Nowhere/Land")])  # fmt: skip
def test_an_instant_that_cannot_be_read_is_shown_as_it_stands(at: str, zone: str) -> None:
    """A forged record is folded to the end, so that what is wrong in it is found and named."""
    assert local_or_as_kept(at, zone) == at
