"""What a stranger's hands or a hostile page may send: a sentence each, and nothing kept that cannot be printed."""

import asyncio
import json
from pathlib import Path
from typing import Any

import pytest

from app.calc.errors import Invalid
from app.domain.commands import Finish, Late
from app.paper.examination import examine_path
from app.services.planning import find_housing, with_depths
from tests.web.desk import SECRETS, Desk

AT = "2026-03-02T07:15:00.000Z"


def kept(desk: Desk, job: str, **changed: object) -> tuple[int, Any]:
    """Send one kept mark of the first technician for the due step, with these fields changed."""
    who, due = desk.named("technician"), desk.running.site.jobs.state(job).due
    assert due is not None
    mark = {"n": 1, "act": "finish", "step": due.id, "answers": {}, "note": "", "token": "k" * 32, "device_at": AT,
            "seen": desk.running.site.jobs.state(job).size}  # fmt: skip
    body = {"sent_at": AT, "person": who.id, "marks": [mark | changed]}
    answer = desk.client(who).post(f"/jobs/{job}/kept", content=json.dumps(body))
    return answer.status_code, answer.json() if answer.status_code == 200 else {}


def test_a_kept_answer_is_no_longer_than_one_that_is_typed(desk: Desk) -> None:
    """What a page could not have sent is not taken from a tablet either, and so never has to be printed."""
    job = desk.open_job()
    size = desk.running.site.jobs.state(job).size

    status, _ = kept(desk, job, answers={"seen": "x" * 501})

    assert status == 422
    assert desk.running.site.jobs.state(job).size == size


def test_a_kept_mark_that_cannot_be_read_stays_on_the_tablet(desk: Desk) -> None:
    """Missing answers where nothing stands contradict nothing: the tablet is told why, no account is opened."""
    job = desk.open_job()

    status, told = kept(desk, job)

    assert status == 200
    (result,) = told["results"]
    assert result["taken"] is False
    assert "nothing was given" in result["told"]
    assert desk.running.site.jobs.state(job).contests == ()


@pytest.mark.parametrize(
    ("path", "field"),
    [
        ("/jobs/{job}/reopen", "again.step-{n}"), ("/jobs/{job}/packages/weights", "kg.P-{n}"),
        ("/jobs/{job}/packages/facts", "p.P-{n}"), ("/waste/handovers", "p.P-{n}"), ("/kits/{job}/staged", "lot.L-{n}"),
    ],
)  # fmt: skip
def test_a_form_with_a_field_for_each_of_many_is_read(desk: Desk, path: str, field: str) -> None:
    """A lead ticks every step of a long job, or a package of each cut: it is a rule that answers, not the reading."""
    job, lead = desk.open_job(), desk.named("lead")
    many = {field.format(n=n): "1" for n in range(400)}

    answer = desk.post(lead, path.format(job=job), answer="looked", secret=SECRETS[lead.name], **many)

    assert answer.status_code in {409, 422}
    assert "The form could not be read" not in answer.text


def test_no_more_accounts_than_a_lead_can_settle_at_once(desk: Desk) -> None:
    """After fifty that differ the next stays on its tablet, and fifty are settled with one form."""
    job, hands, lead = desk.open_job(), desk.named("technician"), desk.named("lead", 1)
    state = desk.work_until(job, "Twist the bag into")
    due = state.due
    assert due is not None
    seen = state.size
    desk.do(job, Finish(due.id, {"length": "200"}), desk.named("technician", 1))
    for number in range(50):
        desk.do(job, Late(Finish(due.id, {"length": str(201 + number)}), seen), hands)
    with pytest.raises(Invalid, match="stays on the tablet"):
        desk.do(job, Late(Finish(due.id, {"length": "299"}), seen), hands)

    entries = {f"entry.{item.seq}": "on" for item in desk.running.site.jobs.state(job).contests}
    answer = desk.post(lead, f"/jobs/{job}/contests", holds="yes", reason="measured again", **entries)

    assert len(entries) == 50
    assert answer.status_code in {200, 303}
    assert desk.running.site.jobs.state(job).contests == ()


@pytest.mark.parametrize("body", ["[" * 50_000, "{", "", '{"marks":1}'])
def test_marks_that_are_no_json_are_refused_in_a_sentence(desk: Desk, body: str) -> None:
    """However deep or broken."""
    job = desk.open_job()

    answer = desk.client(desk.named("technician")).post(f"/jobs/{job}/kept", content=body)

    assert answer.status_code == 422


@pytest.mark.parametrize("page", ["now", "", "/review", "record", "record.json", "ahead", "steps/1"])
def test_the_sites_own_ledger_is_no_job(desk: Desk, page: str) -> None:
    """Whatever page of it is asked for; an address that is none of a page is told so."""
    answer = desk.get(desk.named("lead"), f"/jobs/site/{page}".rstrip("/"))

    status, told = (404, "no such") if page.startswith("/") else (422, "There is no job")
    assert answer.status_code == status
    assert told in answer.text


def test_a_second_job_on_a_housing_wants_a_word(desk: Desk) -> None:
    """The planning page tells of the one in hand; opening another beside it has to be said."""
    desk.open_job("EF-07")
    lead = desk.named("lead")
    page = desk.get(lead, "/plan/EF-07").text

    silent = desk.post(lead, "/plan/EF-07", procedure="change-out")
    said = desk.post(lead, "/plan/EF-07", procedure="change-out", beside="on")

    assert "Not finished on this housing: job 2026-0001." in page
    assert silent.status_code == 422
    assert said.status_code == 303


def test_a_crew_of_strangers_is_refused(desk: Desk) -> None:
    """A name that the site does not know is no crew."""
    answer = desk.post(desk.named("lead"), "/plan/EF-07", procedure="change-out", **{"crew.nobody": "on"})

    assert answer.status_code == 422
    assert "nobody &#39;nobody&#39;" in answer.text


@pytest.mark.parametrize("tablet", ["Łódź 1", "планшет", "平板 2", "tablet; Path=/"])
def test_a_tablet_may_be_called_anything(desk: Desk, tablet: str) -> None:
    """Any script goes into the cookie and comes back out of it."""
    who, client = desk.named("technician"), desk.stranger()

    answer = client.post("/signin", data={"person": who.id, "secret": SECRETS[who.name], "tablet": tablet})

    assert answer.status_code == 303
    assert f'value="{tablet}"' in client.get("/signin").text


@pytest.mark.parametrize(
    "name", ["Ines Varga", "ines  varga", "Ana\u202eanA", "Ana\x00", "A\u200bna", "12345", "😀😀😀"]
)
def test_a_name_is_one_persons_and_can_be_read(desk: Desk, name: str) -> None:
    """No second one of a name, nothing unseen or turning, letters at least."""
    answer = desk.post(desk.named("administrator"), "/people", name=name, role="technician", identity="site pass seen")

    assert answer.status_code == 422


def test_a_strangers_name_for_this_machine_is_not_served(desk: Desk) -> None:
    """A page that leads a browser here under its own name reads nothing; addresses and plain names are ours."""
    client = desk.client(desk.named("technician"))

    assert client.get("/", headers={"Host": "evil.example"}).status_code == 403
    for host in ("localhost:8321", "127.0.0.1", "[::1]:8321", "10.0.0.7:8443", "roof-server"):
        assert client.get("/", headers={"Host": host}).status_code == 200


def test_a_refused_reason_keeps_what_was_typed(desk: Desk) -> None:
    """The choice and the words stand in the form again."""
    job, hands = desk.open_job(), desk.named("technician")
    desk.post(hands, f"/jobs/{job}/stop")
    sent = {"token": "s" * 32, "reason": "interrupted", "text": "alarm \u202e in the plant room"}

    answer = desk.client(hands).post(f"/jobs/{job}/stop-reason", data=sent, headers={"HX-Request": "true"})

    assert answer.status_code == 422
    assert "in the plant room" in answer.text
    assert 'value="interrupted" checked' in answer.text


def test_a_depth_that_no_port_has_is_refused(desk: Desk) -> None:
    """On the command line as on the page."""
    with pytest.raises(Invalid, match="give 1 to 2"):
        with_depths(find_housing(desk.running.site.library, "EF-03"), {"P1": 9})


def test_what_verify_is_given_must_be_what_it_asks_for(tmp_path: Path) -> None:
    """A head of another form and an archive are told as such, and not as a bad record."""
    (tmp_path / "record.zip").write_bytes(b"PK\x03\x04rest")

    with pytest.raises(Invalid, match="SIZE:ROOT"):
        examine_path(tmp_path / "record.json", certificate=None, known=["177:00"])
    with pytest.raises(Invalid, match="Unpack it"):
        examine_path(tmp_path / "record.zip", certificate=None, known=[])


def test_a_failed_attempt_shows_its_result_to_the_reviewer(desk: Desk) -> None:
    """Result and limit of what failed stand beside its readings, on the page as in the printed record."""
    job, hands = desk.open_job(), desk.named("technician")
    desk.work_until(job, "Test the HEPA bank")
    desk.answer(job, hands, downstream="0.9")

    page = desk.get(desk.named("safety officer"), f"/jobs/{job}/review").text

    assert "result 3.596 %" in page
    assert "below 0.05 %: NOT MET" in page


def test_a_line_that_breaks_amid_a_form_is_no_fault_of_the_program(desk: Desk) -> None:
    """Nobody is there to be answered, and the log keeps its word for faults."""
    pieces: list[dict[str, Any]] = [
        {"type": "http.request", "body": b"person=", "more_body": True},
        {"type": "http.disconnect"},
    ]
    headers = [(b"host", b"testserver"), (b"origin", b"http://testserver"),
               (b"content-type", b"application/x-www-form-urlencoded")]  # fmt: skip
    scope = {"type": "http", "http_version": "1.1", "method": "POST", "scheme": "http", "path": "/signin",
             "raw_path": b"/signin", "query_string": b"", "root_path": "", "headers": headers}  # fmt: skip
    statuses: list[int] = []

    async def receive() -> dict[str, Any]:
        return pieces.pop(0)

    async def send(message: Any) -> None:
        if message["type"] == "http.response.start":
            statuses.append(message["status"])

    asyncio.run(desk.running.app(scope, receive, send))

    assert statuses == [400]
