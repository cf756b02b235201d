"""Enrolled tablets: let in by a code once, known by their key, shut out with every session in one request."""

import re
from datetime import timedelta
from pathlib import Path

from fastapi.testclient import TestClient

from app.web.context import COOKIE, DEVICE_COOKIE
from tests.web.desk import SECRETS, Clock, Desk


def code_from(desk: Desk) -> str:
    """Have the administrator make a code, who may from anywhere."""
    page = desk.post(desk.named("administrator"), "/tablets").text
    found = re.search(r"[A-Z2-9]{4}-[A-Z2-9]{4}", page)
    assert found
    return found.group()


def enrolled(desk: Desk, name: str) -> TestClient:
    """Return a tablet that has been let in."""
    client = desk.stranger()
    answer = client.post("/enrol", data={"code": code_from(desk), "tablet": name})
    assert answer.status_code == 303, answer.text
    return client


def sign_in(desk: Desk, client: TestClient, role: str) -> int:
    """Sign somebody in and return the status."""
    who = desk.named(role)
    sent = {"person": who.id, "secret": SECRETS[who.name], "tablet": "said by the form"}
    return int(client.post("/signin", data=sent).status_code)


def test_without_enrolled_tablets_any_device_signs_people_in(desk: Desk) -> None:
    """A site that enrols nothing works as before."""
    assert sign_in(desk, desk.stranger(), "technician") == 303


def test_from_the_first_enrolled_tablet_on_only_such_sign_people_in(desk: Desk) -> None:
    """The enrolled one does, under the name it was enrolled by; a stranger is refused with what to do."""
    tablet = enrolled(desk, "tablet 2, roof")

    assert sign_in(desk, tablet, "technician") == 303
    assert sign_in(desk, desk.stranger(), "technician") == 403
    session = desk.running.site.sessions.find(tablet.cookies.get(COOKIE))
    assert session is not None
    assert session.tablet == "tablet 2, roof"


def test_an_administrator_is_never_locked_out(desk: Desk) -> None:
    """From anywhere, so that a lost tablet does not lock the site."""
    enrolled(desk, "tablet 2, roof")
    client = desk.stranger()

    assert sign_in(desk, client, "administrator") == 303
    assert client.get("/tablets").status_code == 200


def test_a_session_taken_to_another_device_is_worth_nothing(desk: Desk) -> None:
    """The cookie of a session alone does not open a page once tablets are enrolled."""
    tablet = enrolled(desk, "tablet 2, roof")
    other = enrolled(desk, "tablet 3, lab")
    sign_in(desk, tablet, "technician")
    thief, colleague = desk.stranger(), other
    for client in (thief, colleague):
        client.cookies.set(COOKIE, tablet.cookies.get(COOKIE) or "")

    assert tablet.get("/").status_code == 200
    assert thief.get("/").headers["location"] == "/signin"
    assert colleague.get("/").headers["location"] == "/signin"


def test_a_tablet_is_shut_out_within_the_request(desk: Desk) -> None:
    """The sessions on it end, and its key is good for nothing more; others go on."""
    lost, kept = enrolled(desk, "tablet 2, roof"), enrolled(desk, "tablet 3, lab")
    sign_in(desk, lost, "technician")
    sign_in(desk, kept, "lead")

    answer = kept.post("/tablets/revoke", data={"tablet": "tablet 2, roof", "reason": "lost on the roof"})

    assert answer.status_code == 303
    assert lost.get("/").headers["location"] == "/signin"
    assert sign_in(desk, lost, "technician") == 403
    assert kept.get("/").status_code == 200


def test_a_code_is_good_once_and_for_a_quarter_of_an_hour(desk: Desk, clock: Clock) -> None:
    """Spent, run out or made up: each is refused in the same words."""
    spent, late = code_from(desk), code_from(desk)
    first = desk.stranger().post("/enrol", data={"code": spent.lower(), "tablet": "tablet 1"})
    clock.now += timedelta(minutes=15)

    refused = [
        desk.stranger().post("/enrol", data={"code": code, "tablet": f"tablet {number}"})
        for number, code in enumerate((spent, late, "AAAA-AAAA"), start=5)
    ]

    assert first.status_code == 303
    assert [answer.status_code for answer in refused] == [403] * 3
    assert len({re.sub(r"tablet \d", "", answer.text) for answer in refused}) == 1


def test_guessing_throws_the_codes_away(desk: Desk) -> None:
    """After ten wrong codes even the right one is refused."""
    code = code_from(desk)
    for _ in range(10):
        desk.stranger().post("/enrol", data={"code": "AAAA-AAAA", "tablet": "tablet 9"})

    assert desk.stranger().post("/enrol", data={"code": code, "tablet": "tablet 9"}).status_code == 403


def test_two_tablets_never_share_a_name_and_the_key_is_not_kept(desk: Desk, tmp_path: Path) -> None:
    """A second tablet of one name is refused with its code unspent; the key stands in no file of the site."""
    tablet, code = enrolled(desk, "tablet 2"), code_from(desk)

    twice = desk.stranger().post("/enrol", data={"code": code, "tablet": "tablet  2"})
    again = desk.stranger().post("/enrol", data={"code": code, "tablet": "tablet 4"})

    assert (twice.status_code, again.status_code) == (422, 303)
    key = (tablet.cookies.get(DEVICE_COOKIE) or "").encode()
    assert len(key) > 40
    assert not any(key in path.read_bytes() for path in tmp_path.rglob("*") if path.is_file())


def test_marks_carry_the_enrolled_name(desk: Desk) -> None:
    """The record names the tablet as it was enrolled, whatever a form says."""
    job = desk.open_job()
    tablet = enrolled(desk, "tablet 2, roof")
    sign_in(desk, tablet, "technician")
    due = desk.running.site.jobs.state(job).due
    assert due is not None

    tablet.post(f"/jobs/{job}/log", data={"token": "n" * 32, "text": "lamp flickers", "step": due.id})

    device = desk.running.site.jobs.events(job)[-1].device
    assert device is not None
    assert device.tablet == "tablet 2, roof"
