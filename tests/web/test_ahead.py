"""What a tablet takes along and sends back: sizes that are real, the line of entries, and jobs that are no more."""

import re

from tests.web.desk import Desk

MARK = {
    "n": 3, "act": "begin", "step": "a/b", "token": "a-token-of-a-lost-job", "device_at": "2026-03-02T07:00:00Z",
    "seen": 4,
}  # fmt: skip


def test_panels_to_come_name_the_size_that_the_job_has(desk: Desk) -> None:
    """A tablet that goes on alone knows no entry that is not there, however many panels it has gone through."""
    job, hands = desk.open_job(), desk.named("technician")
    desk.work_until(job, "Twist the bag into")

    told = desk.get(hands, f"/jobs/{job}/ahead").json()

    sizes = {size for panel in told["panels"] for size in re.findall(r'data-size="(\d+)"', panel["html"])}
    assert len(told["panels"]) > 2
    assert sizes == {str(told["size"])}
    assert (told["line"], told["counted"]) == ("", 0)


def test_a_mark_on_a_job_that_the_site_does_not_have_is_answered_with_a_sentence(desk: Desk) -> None:
    """The tablet sets it aside with the reason and its number, in plain sight."""
    hands = desk.named("technician")
    body = {"sent_at": "2026-03-02T07:10:00Z", "person": hands.id, "marks": [MARK]}

    answer = desk.client(hands).post("/jobs/job-2026-0099/kept", json=body)

    assert answer.status_code == 200
    assert answer.json()["results"] == [
        {"n": 3, "taken": False,
         "told": "This site has no such job. The mark stays on the tablet; show it to a lead."}
    ]  # fmt: skip


def test_the_numbers_that_the_record_has_of_a_tablet_are_told_to_it(desk: Desk) -> None:
    """A tablet whose storage was cleared counts on from there and uses no number twice."""
    job, hands = desk.open_job(), desk.named("technician")
    due = desk.work_until(job, "Twist the bag into").due
    assert due is not None
    mark = MARK | {"n": 41, "step": due.id, "act": "finish", "answers": {"length": "150"}}
    body = {"sent_at": "2026-03-02T07:10:00Z", "person": hands.id, "marks": [mark]}

    answer = desk.client(hands).post(f"/jobs/{job}/kept", json=body)

    assert answer.json()["results"] == [{"n": 41, "taken": True, "told": ""}]
    assert desk.get(hands, f"/jobs/{job}/ahead").json()["counted"] == 41


def test_every_page_and_the_ready_answer_name_the_line(desk: Desk) -> None:
    """A page that was kept from before a restore can be told from today's."""
    page = desk.stranger().get("/signin")
    ready = desk.stranger().get("/ready")

    assert '<body data-line="">' in page.text
    assert ready.headers["Changeout-Line"] == ""
