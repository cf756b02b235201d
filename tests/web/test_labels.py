"""Labels on pages: what is printed, what somebody sees who follows a code, a scan where a step asks for a label."""

from urllib.parse import urlencode

import pytest

from app.domain.paper import PrintBlank
from app.web.routes.labels import labels_for
from tests.web.desk import Desk
from tests.web.test_every_form import sentence_on

SHEET = {"kind": "points", "of": "EF-03", "paper": "a4-2x7", "first": "1", "address": "https://10.0.0.5"}
DOOR = "Take the door off"


def test_labels_are_printed_for_housings_points_and_blanks(desk: Desk) -> None:
    """Each kind gives a PDF; what is not here and what is no address is told in a sentence."""
    hands, job = desk.named("technician"), desk.open_job()
    desk.do(job, PrintBlank(), hands)
    good = [SHEET, {**SHEET, "kind": "housing", "of": ""}, {**SHEET, "kind": "blank", "of": "2026-0001"}]
    bad = {
        "kind": "house", "of": "EF-99", "paper": "a5", "first": "0", "address": "10.0.0.5"
    }  # fmt: skip

    for asked in good:
        answer = desk.get(hands, f"/labels.pdf?{urlencode(asked)}")
        assert (answer.status_code, answer.content[:5]) == (200, b"%PDF-"), asked
    for name, text in bad.items():
        answer = desk.get(hands, f"/labels.pdf?{urlencode({**SHEET, name: text})}")
        assert answer.status_code == 422, name
        assert text in sentence_on(answer.text), name
    told = desk.get(hands, "/labels?kind=points&of=EF-03").text
    assert "No tablet comes here by it" not in told
    assert 'value="EF-03"' in told
    assert 'value="a4-2x2" selected' in desk.get(hands, "/labels?kind=package&of=2026-0001").text


@pytest.mark.parametrize(
    ("path", "verdict", "words"),
    [
        ("housing/EF-03", "told-good", "This is the label that job 2026-0001 asks for now"),
        ("housing/EF-07", "told-refused", "NOT YOUR HOUSING: job 2026-0001 is on EF-03, and this label reads EF-07."),
        ("point/D-301", "told-refused", "NOT THIS ONE: job 2026-0001 asks for EF-03 now"),
        ("point/D-701", "told-refused", "NOT YOUR HOUSING"),
        ("housing/EF-99", "told-refused", "No housing with this label is known here."),
    ],
)
def test_a_label_is_held_against_the_job_of_whoever_looks(desk: Desk, path: str, verdict: str, words: str) -> None:
    """At the step that asks for the housing's label: right, another component, another housing, unknown."""
    job, hands = desk.open_job(), desk.named("technician")
    desk.work_until(job, DOOR)
    page = desk.get(hands, f"/at/{path}").text

    assert words in page
    assert verdict in page
    assert ("told-good" in page) == (verdict == "told-good")


def test_where_no_label_is_asked_for_the_page_says_so_and_for_strangers_it_lists_the_jobs(desk: Desk) -> None:
    """A label of the own housing between such steps; a lead who is not in the crew sees whose job it is."""
    job, hands, officer = desk.open_job(), desk.named("technician"), desk.named("safety officer")
    desk.work_until(job, "Count the new bags")

    assert "No label is asked for now" in desk.get(hands, "/at/housing/EF-03").text
    assert "You are in the crew of no job in hand" in desk.get(officer, "/at/housing/EF-03").text
    assert "Job 2026-0001 on EF-03" in desk.get(officer, "/at/housing/EF-03").text
    assert desk.get(hands, f"/at/blank/{job}/1").headers["location"] == f"/jobs/{job}/blanks/1/entry"


def test_a_scan_stands_where_a_step_asks_for_a_label(desk: Desk) -> None:
    """The address from the code is taken as the label; that of a neighbour is refused, and stands in the record."""
    job, hands = desk.open_job(), desk.named("technician")
    step = desk.work_until(job, DOOR).due
    assert step is not None
    ask = next(item.ask.id for item in step.asks if item.ask.kind == "tag")
    secret = {"second": desk.cast().eyes.id, "second_secret": "sample technician two"} if step.second else {}

    def begun(scanned: str) -> str:
        fields = {"step": step.id, "act": "begin", f"a.{ask}": scanned, **secret}
        return sentence_on(desk.client(hands).post(f"/jobs/{job}/marks", data={"token": scanned[-32:], **fields}).text)

    assert "is EF-04, not this one" in begun("https://10.0.0.5/at/housing/EF-04")
    assert begun("https://10.0.0.5/at/housing/EF-03") == ""
    assert desk.running.site.jobs.state(job).mark(step.id).begun is not None


def test_filters_and_packages_have_labels_that_lead_to_what_is_known_of_them(desk: Desk) -> None:
    """A filter by its lot, the packages of a job once its steps have made them; what is not known is said."""
    hands, job = desk.named("technician"), desk.open_job("EF-07")
    lot = {"id": "F-1", "kind": "filter", "what": "24x24x11.5 gel", "serial": "S-77 <b>", "made": "2026-01-10"}
    none_yet = desk.get(hands, f"/labels.pdf?{urlencode({**SHEET, 'kind': 'package', 'of': '2026-0001'})}")
    desk.work_until(job, "Test the HEPA bank")
    assert desk.post(hands, "/stock", **lot).status_code == 303
    site = desk.running.site

    (of_filter,), of_packages = labels_for(site, "filter", "f-1"), labels_for(site, "package", "2026-0001")
    text = " ".join(line for label in of_packages for line in label.lines)

    assert "has no package yet" in sentence_on(none_yet.text)
    assert (of_filter.head, of_filter.address("https://h")) == ("S-77 <b>", "https://h/at/filter/F-1")
    assert "made on 2026-01-10" in " ".join(of_filter.lines)
    assert [label.address("https://h") for label in of_packages] == [f"https://h/at/package/{job}/1"]
    assert "Gross weight: NOT ENTERED" in text
    assert "EF-07" in text
    assert "Service and hazard: biological; agent NOT ENTERED" in text
    assert "Decontamination on record: " in text
    assert "all passed, evidence attached to the permit, 2026-" in text
    assert "Dose rate" not in text
    assert desk.get(hands, "/at/filter/F-1").headers["location"] == "/stock/F-1"
    assert desk.get(hands, f"/at/package/{job}/1").headers["location"] == f"/jobs/{job}/packages#package-1"
    assert any(line.startswith("Generator: Sample") for line in of_packages[0].lines)
    for kind, of, paper in (("filter", "F-1", "a4-2x7"), ("filter", "", "a4-2x7"), ("package", "2026-0001", "a4-2x4")):
        chosen = {**SHEET, "kind": kind, "of": of, "paper": paper}
        printed = desk.get(hands, f"/labels.pdf?{urlencode(chosen)}")
        assert printed.content[:5] == b"%PDF-", (kind, of)
    assert "There is no lot" in desk.get(hands, f"/labels.pdf?{urlencode({**SHEET, 'kind': 'filter', 'of': 'X'})}").text
