"""Goals 33 and 35 to 42, each from outside: the trail, what is kept, signatures, accounts, the review that looks."""

import html
import json
import re
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient
from httpx2 import Response

from app.bootstrap import start
from app.domain.event_base import Who
from app.domain.events import HoldReleased, StepDone
from app.domain.judging import AGAIN
from app.domain.signing import MEANINGS
from app.ledger.canonical import canonical
from app.records.verify import verify_record
from app.services.rehearsal import made_up_answers
from app.settings import Settings
from app.web.context import COOKIE, DEVICE_COOKIE
from tests.paper.tools import pages, unspaced
from tests.web.desk import SECRETS, Clock, Desk

TEST = "in place with the challenge aerosol"
HEADERS = {"Origin": "http://testserver"}


def sign(desk: Desk, who: Who, path: str, *, named: bool = True, **fields: str) -> Response:
    """Send a signature: id and secret, or the secret alone."""
    both = {"person": who.id} if named else {}
    return desk.post(who, path, secret=SECRETS[who.name], **both, **fields)


def read_and_mark(desk: Desk, job: str, who: Who, **other: str) -> Response:
    """Finish the step that is due with answers within its limits, but for those given; through the form."""
    due = desk.running.site.jobs.state(job).due
    assert due is not None
    answers = {**made_up_answers(due), **{name.replace("_", "-"): text for name, text in other.items()}}
    again = {f"{item.ask.id}{AGAIN}": answers[item.ask.id] for item in due.asks if item.ask.twice and item.ask.required}
    named = {f"a.{name}": text for name, text in (answers | again).items()}
    if due.second is not None:
        second = next(item for item in (desk.cast().eyes, desk.cast().hands) if item != who)
        named |= {"second": second.id, "second_secret": SECRETS[second.name]}
    return desk.post(who, f"/jobs/{job}/marks", step=due.id, act="finish", note="", **named)


def open_all(desk: Desk, job: str, officer: Who) -> int:
    """Open every exception that the review page lists, as its forms would, and return how many there were."""
    page = desk.get(officer, f"/jobs/{job}/review").text
    forms = re.findall(r'<form method="post" action="/jobs/[^"]+/exceptions".*?</form>', page)
    for form in forms:
        fields = dict(re.findall(r'name="(\w+)" value="([^"]+)"', form))
        assert desk.client(officer).post(f"/jobs/{job}/exceptions", data=fields).status_code == 303
    return len(forms)


@pytest.fixture(scope="module")
def accepted(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Desk, str]]:
    """A job whose leak test failed and passed, all of it signed, handed to review and accepted through the pages."""
    desk = Desk.at(tmp_path_factory.mktemp("accepted"), Clock())
    hands, night, officer = desk.named("technician"), desk.named("lead", 1), desk.named("safety officer")
    desk.post(night, "/site", setting="marks_apart_s", value="0", reason="made by a machine")
    job = desk.open_job()
    desk.work_until(job, TEST)
    assert read_and_mark(desk, job, hands, downstream="0.9").status_code == 303
    desk.go_on(job)
    assert read_and_mark(desk, job, hands).status_code == 303
    desk.work_until(job, "no such words")
    assert sign(desk, night, f"/jobs/{job}/submit", permit_back="the permit desk").status_code == 303
    open_all(desk, job, officer)
    assert sign(desk, officer, f"/jobs/{job}/accept").status_code == 303
    yield desk, job
    desk.running.close()


class Ticks:
    """Seconds that a machine has been running, as told."""

    now = 1000.0

    def __call__(self) -> float:
        """Return what was told."""
        return self.now


def test_row_33_the_trail_holds_people_settings_clock_exports_and_failures(tmp_path: Path, clock: Clock) -> None:
    """Row 33: each is a sentence of its kind on the trail page, a moved clock too; and no SQL takes one away."""
    ticks = Ticks()
    desk = Desk.at(tmp_path, clock, ticks)
    lead, admin, job = desk.named("lead"), desk.named("administrator"), desk.open_job()
    desk.post(admin, "/people", name="Late Joiner", role="technician", identity="site pass seen")
    desk.post(lead, "/site", setting="idle_lock_min", value="7", reason="thick gloves")
    desk.stranger().post("/signin", data={"person": lead.id, "secret": "not the one", "tablet": "tablet 9"})
    desk.get(lead, f"/jobs/{job}/record.json")
    clock.now, ticks.now = clock.now + timedelta(seconds=30), ticks.now + 30
    desk.get(lead, "/")
    clock.now, ticks.now = clock.now + timedelta(seconds=64), ticks.now + 4
    desk.get(lead, "/")

    tablets = desk.running.site.tablets
    tablets.enrol(tablets.invite(by=lead), "tablet 5, roof")
    desk.post(admin, "/tablets/revoke", tablet="tablet 5, roof", reason="left on a train")
    desk.running.store.submit(lambda _: None).result()  # what was handed in before is written
    told = {
        kind: html.unescape(desk.get(lead, f"/trail?kind={kind}").text)
        for kind in ("people", "settings", "wrong", "exports", "clock", "tablets")
    }
    desk.running.close()

    assert "Late Joiner was added as late-joiner, technician." in told["people"]
    assert "was 5 min, now 7 min. thick gloves." in told["settings"]
    assert "A wrong secret for Ines Varga at tablet 9, 1 in a row." in told["wrong"]
    assert f"A copy of the record of {job} was taken away" in told["exports"]
    assert "The tablet tablet 5, roof was enrolled." in told["tablets"]
    assert "The tablet tablet 5, roof was shut out: left on a train." in told["tablets"]
    assert told["clock"].count("The server's clock was set") == 1
    assert "set forward by 60.0 s while serving" in told["clock"]
    assert "Late Joiner" not in told["clock"]
    with closing(sqlite3.connect(tmp_path / "changeout.sqlite3")) as database:
        for statement in ("UPDATE entry SET payload = x'00'", "DELETE FROM entry WHERE ledger = 'site'"):
            with pytest.raises(sqlite3.IntegrityError, match="never changed or deleted"):
                database.execute(statement)


def test_row_35_a_marked_value_stands_with_all_that_belongs_to_it_when_the_power_goes(
    desk: Desk, tmp_path: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Row 35: once the mark is answered, the folder as it lies has value, unit, instrument, person, tablet and time."""
    job, hands = desk.open_job(), desk.named("technician")
    desk.work_until(job, "Read the air flow through")
    assert read_and_mark(desk, job, hands).status_code == 303
    copied = tmp_path_factory.mktemp("after") / "site"

    shutil.copytree(tmp_path, copied)  # nothing was closed or flushed for it
    after = start(Settings(data=copied), desk.running.site.clock)
    event = after.site.jobs.events(job)[-1]
    after.close()

    assert isinstance(event, StepDone)
    assert (event.by.id, event.at) == (hands.id, "2026-03-02T07:15:00.000Z")
    assert event.device is not None
    assert event.device.tablet == "tablet 3"
    assert event.evidence.answers["flow"].unit == "m3/h"
    assert [item.kind for item in event.evidence.instruments or ()] == ["air flow meter"]


def test_row_36_a_failed_test_stays_beside_the_one_that_passed(accepted: tuple[Desk, str], tmp_path: Path) -> None:
    """Row 36: page, PDF and JSON have both results, and the count of attempts is two."""
    desk, job = accepted
    lead = desk.named("lead")

    page = html.unescape(desk.get(lead, f"/jobs/{job}/review").text)
    printed = unspaced(" ".join(pages(desk.get(lead, f"/jobs/{job}/record.pdf").content, tmp_path)))
    record = json.loads(desk.get(lead, f"/jobs/{job}/record.json").content)

    results = [(entry, entry.get("evidence", {}).get("result", {})) for entry in record["entries"]]
    tried = [entry for entry, result in results if result.get("method", "").startswith("leak_test")]
    assert [entry["type"] for entry in tried] == ["step_outside", "step_done"]
    assert record["summary"]["attempts_outside_limits"] == 1
    for entry in tried:
        shown = entry["evidence"]["result"]["shown"]
        assert shown in page
        assert unspaced(shown) in printed


def test_row_37_every_signature_shows_who_what_and_when_in_every_form(
    accepted: tuple[Desk, str], tmp_path: Path
) -> None:
    """Row 37: name, id, role, meaning, time with offset and UTC stand on screen, in the PDF and in the JSON."""
    desk, job = accepted
    lead = desk.named("lead")

    screen = html.unescape(desk.get(lead, f"/jobs/{job}/record").text)
    printed = unspaced(" ".join(pages(desk.get(lead, f"/jobs/{job}/record.pdf").content, tmp_path)))
    record = json.loads(desk.get(lead, f"/jobs/{job}/record.json").content)
    signatures: list[dict[str, str]] = record["summary"]["signatures"]
    signed = [entry for entry in record["entries"] if "signature" in entry]

    assert len(signatures) == len(signed) >= 4
    meant = {item["meaning"] for item in signatures}
    assert meant == {
        "I have been briefed for this job and take part in the work",
        "I have been briefed for this job, release its holds and take no part in the work",
        "I release this hold point",
        "The work is complete as recorded",
        "I have read this record with every exception in it, have reviewed its trail, and accept it",
        "I answer as written and re-open this job",
    }
    for item in signatures:
        assert re.fullmatch(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d [+-]\d\d:\d\d", item["local"])
        for name in ("name", "id", "role", "meaning", "local", "utc", "valid"):
            assert item[name] in screen, name
            assert unspaced(item[name]) in printed, name


def test_row_37_a_person_signs_for_one_of_the_listed_meanings_and_for_nothing_else() -> None:
    """Row 37: the closed list, word for word; old records carry these words, so that none of them ever changes."""
    listed = {
        "I release this hold point",
        "I released this hold point by voice, as entered",
        "The work is complete as recorded",
        "I have read this record with every exception in it, have reviewed its trail, and accept it",
        "I have read this record with every exception in it and accept it",
        "I have reviewed who has access, in which role, and with which qualifications",
        "I have been briefed for this job and take part in the work",
        "I have been briefed for this job, release its holds and take no part in the work",
        "I have heard what was said at this pause and it is so",
        "I approve this change of the step for this job",
        "I hand this job over as I left it",
        "I take this job over as I found it",
        "I answer for the removal of this lock in its owner's absence",
        "I answer as written and re-open this job",
        "I choose these steps for what went wrong",
        "I answer for setting this step aside, as it does not apply here",
        "I have gone through the readiness of this work and agree to it as it stands here",
        "I looked at this housing and found it as entered here",
        "I hand this waste over, closed and labelled as it is listed here",
        "I have read this procedure and approve exactly this text for use here",
    }

    assert listed == MEANINGS


def test_row_37_a_signature_that_was_posted_has_its_listed_meaning_whatever_the_form_says(desk: Desk) -> None:
    """Row 37: a hold released through its form carries the words of the list; words of the sender's own go nowhere."""
    job, officer = desk.open_job(), desk.named("safety officer")
    due = desk.work_until(job, "Agree the PPE").due
    assert due is not None

    words, secret = "I only looked at it", SECRETS[officer.name]
    own = {"step": due.id, "meaning": words, "signature": words}
    sent = desk.post(officer, f"/jobs/{job}/release", secret=secret, **own)

    event = desk.running.site.jobs.events(job)[-1]
    assert sent.status_code == 303
    assert isinstance(event, HoldReleased)
    assert event.signature.meaning == "I release this hold point"
    assert event.signature.meaning in MEANINGS
    assert b"I only looked at it" not in desk.get(officer, f"/jobs/{job}/record.json").content


def test_row_37_a_record_changed_after_signing_shows_as_unsigned_in_every_form(desk: Desk, tmp_path: Path) -> None:
    """Row 37 (a changed record): re-opened after the acceptance it is not valid on screen, in PDF and in JSON."""
    night, officer = desk.named("lead", 1), desk.named("safety officer")
    desk.post(night, "/site", setting="marks_apart_s", value="0", reason="made by a machine")
    job = desk.open_job()
    desk.work_until(job, "no such words")
    sign(desk, night, f"/jobs/{job}/submit", permit_back="the permit desk")
    open_all(desk, job, officer)
    assert sign(desk, officer, f"/jobs/{job}/accept").status_code == 303

    sent = sign(desk, night, f"/jobs/{job}/reopen", answer="The serial number of a filter was misread.", extra="")
    screen = desk.get(night, f"/jobs/{job}/record").text
    printed = unspaced(" ".join(pages(desk.get(night, f"/jobs/{job}/record.pdf").content, tmp_path)))
    summary = json.loads(desk.get(night, f"/jobs/{job}/record.json").content)["summary"]

    assert sent.status_code == 303
    assert "NOT signed for this version" in screen
    assert "NOT VALID for this version" in screen
    assert unspaced("NOT VALID for this version") in printed
    assert summary["signed_for_this_version"] is False
    accepted, opened_again = summary["signatures"][-2:]
    assert accepted["meaning"].startswith("I have read this record")
    assert accepted["valid"] == "NOT VALID for this version"
    assert (opened_again["meaning"], opened_again["valid"]) == (
        "I answer as written and re-open this job", "valid for this version",
    )  # fmt: skip


def proofs(desk: Desk) -> list[str]:
    """Return how each access review was signed."""
    return [event.proof for event in desk.running.site.jobs.site_events() if event.type == "access_reviewed"]


def test_row_38_both_components_first_then_the_secret_and_both_again_after_lock_sign_out_switch_and_restart(
    desk: Desk, clock: Clock, tmp_path: Path
) -> None:
    """Row 38: no signature by the session alone; what the secret alone can do ends with each of the four."""
    lead, other, job = desk.named("lead"), desk.named("lead", 1), desk.open_job()
    alone = [
        desk.post(lead, path, step="none", answer="seen", person=lead.id).status_code
        for path in ("/access", *(f"/jobs/{job}/{act}" for act in ("submit", "reopen", "release")))
    ]
    tablet = desk.stranger()

    def may_sign(secret_only: bool) -> bool:
        named = {} if secret_only else {"person": lead.id}
        answer = tablet.post("/access", data={"secret": SECRETS[lead.name], "remark": "", **named})
        assert answer.status_code in {303, 403}, answer.text
        return answer.status_code == 303

    def sign_in(who: Who) -> None:
        answer = tablet.post("/signin", data={"person": who.id, "secret": SECRETS[who.name], "tablet": "tablet 3"})
        assert answer.status_code == 303

    sign_in(lead)
    first = [may_sign(secret_only=True), may_sign(secret_only=False), may_sign(secret_only=True)]
    clock.now += timedelta(minutes=6)
    locked = tablet.post("/access", data={"secret": SECRETS[lead.name], "person": lead.id}).status_code
    tablet.post("/unlock", data={"secret": SECRETS[lead.name]})
    after_lock = [may_sign(secret_only=True), may_sign(secret_only=False)]
    tablet.post("/signout")
    sign_in(lead)
    after_sign_out = [may_sign(secret_only=True), may_sign(secret_only=False)]
    sign_in(other)
    sign_in(lead)
    after_switch = [may_sign(secret_only=True), may_sign(secret_only=False)]
    given = proofs(desk)
    desk.running.close()
    desk.running = start(Settings(data=tmp_path), clock)
    again = TestClient(desk.running.app, follow_redirects=False, headers=HEADERS)
    again.cookies.set(COOKIE, tablet.cookies.get(COOKIE) or "")
    tablet = again
    after_restart = [may_sign(secret_only=True), may_sign(secret_only=False)]

    assert alone == [422, 422, 422, 422]
    assert first == [False, True, True]
    assert locked == 423
    assert after_lock == after_sign_out == after_switch == after_restart == [False, True]
    assert given[:3] == [
        "id and secret entered at signing", "secret entered at signing", "id and secret entered at signing",
    ]  # fmt: skip


def test_row_39_a_signature_moved_to_another_job_is_found(desk: Desk) -> None:
    """Row 39: the verifier names the entry whose signature covers another record than the one it stands in."""
    records: list[dict[str, Any]] = []
    for _ in range(2):
        job = desk.open_job()
        desk.work_until(job, "Brief the crew")
        records.append(json.loads(desk.get(desk.named("lead"), f"/jobs/{job}/record.json").content))
    kept, changed = records
    genuine = next(entry for entry in kept["entries"] if "signature" in entry)
    place = next(entry for entry in changed["entries"] if "signature" in entry)

    before = judged(changed)
    place["signature"] = genuine["signature"]
    after = judged(changed)

    assert before == {}
    assert any("covers another record than this one" in told for told in after[8])


def judged(record: dict[str, Any]) -> dict[int, tuple[str, ...]]:
    """Return the faults that the verifier finds in a record, by the number of the check."""
    verdict = verify_record(canonical(record), signature=None, photo=None, expected_certificate=None, known_heads=())
    return {check.number: check.faults for check in verdict.checks if check.faults}


def code_on(page: str) -> str:
    """Return the one-time code that a page shows."""
    found = re.search(r'class="head-text">([A-Z0-9-]+)<', page)
    assert found is not None
    return found.group(1)


def test_row_40_a_one_time_code_opens_one_session_and_no_other(desk: Desk) -> None:
    """Used at a sign-in it opens nothing more: no second sign-in, no cover, no signature; a new code helps."""
    admin, officer = desk.named("administrator"), desk.named("safety officer")
    code = code_on(desk.post(admin, f"/people/{officer.id}/reset", identity="site pass seen").text)
    given = {"person": officer.id, "secret": code, "tablet": "tablet 1"}
    first, second, other = desk.stranger(), desk.stranger(), desk.stranger()

    opened = first.post("/signin", data=given)
    again = second.post("/signin", data=given)
    form = first.get("/secret").text
    first.post("/lock", data={"token": "c" * 32})
    uncovered = first.post("/unlock", data={"secret": code, "token": "d" * 32})
    fresh = code_on(desk.post(admin, f"/people/{officer.id}/reset", identity="site pass seen").text)
    other.post("/signin", data={**given, "secret": fresh})
    chosen = other.post("/secret", data={"new": "green lamp over water", "binds": "yes"})
    late = second.post("/signin", data={**given, "secret": fresh})
    own = second.post("/signin", data={**given, "secret": "green lamp over water"})
    secrets = html.unescape(desk.get(desk.named("lead"), "/trail?kind=secrets").text)

    assert (opened.status_code, opened.headers["location"]) == (303, "/")
    assert (again.status_code, "has opened its session and opens no other" in again.text) == (403, True)
    assert 'name="old"' not in form
    assert "ask an administrator for a new code" in form
    assert uncovered.status_code == 403
    assert (chosen.status_code, late.status_code, own.status_code) == (303, 403, 303)
    assert secrets.count(f"{officer.name} signed in with a one-time code at tablet 1: used up.") == 2


def test_row_40_an_administrator_cannot_sign_for_anybody_and_leaves_a_trace_when_trying(
    desk: Desk, clock: Clock
) -> None:
    """Row 40: a code signs nothing and ends; its use is told; ids stay; what was signed keeps the role of its day."""
    admin, officer, lead = desk.named("administrator"), desk.named("safety officer"), desk.named("lead")
    job, hands = desk.open_job(), desk.named("technician")
    due = desk.work_until(job, "Agree the PPE").due
    assert due is not None
    own = desk.post(admin, f"/jobs/{job}/release", step=due.id, person=admin.id, secret=SECRETS[admin.name])
    code = code_on(desk.post(admin, f"/people/{officer.id}/reset", identity="site pass seen").text)
    as_them = desk.post(hands, f"/jobs/{job}/release", step=due.id, person=officer.id, secret=code)
    misused = desk.stranger()
    misused.post("/signin", data={"person": officer.id, "secret": code, "tablet": "office"})
    only_there = misused.get("/").headers["location"]
    misused.post("/secret", data={"old": code, "new": "chosen by somebody else", "binds": "yes"})
    second = code_on(desk.post(admin, f"/people/{officer.id}/reset", identity="site pass seen").text)
    clock.now += timedelta(hours=25)
    late = desk.stranger().post("/signin", data={"person": officer.id, "secret": second, "tablet": "tablet 1"})
    desk.clients.clear()
    third = code_on(desk.post(admin, f"/people/{officer.id}/reset", identity="site pass seen").text)
    true = desk.stranger()
    true.post("/signin", data={"person": officer.id, "secret": third, "tablet": "tablet 1"})
    before_choosing = true.get("/secret").text
    true.post("/secret", data={"old": third, "new": "my very own words", "binds": "yes"})
    first_page = true.get("/").text
    given = desk.post(admin, "/people/role", person=hands.id, role="lead", reason="promoted")
    desk.post(admin, f"/people/{hands.id}/leave")
    desk.post(admin, "/people", name=hands.name, role="technician", identity="site pass seen")
    people = html.unescape(desk.get(lead, "/trail?kind=people").text)
    secrets = html.unescape(desk.get(lead, "/trail?kind=secrets").text)
    desk.post(lead, "/qualifications", person=officer.id, what="respirator fit test", until="2026-03-01")
    reviewed = sign(desk, lead, "/access", remark="all needed").status_code
    access = html.unescape(desk.get(lead, "/access").text)

    assert own.status_code == 403
    assert (as_them.status_code, "one-time code only, which signs nothing" in as_them.text) == (403, True)
    assert only_there == "/secret"
    assert (late.status_code, "not good any more" in late.text) == (403, True)
    assert f"at office with a one-time code from {admin.name}" in html.unescape(before_choosing)
    assert f"at tablet 1 with a one-time code from {admin.name}" in html.unescape(first_page)
    assert "If that was not you" in first_page
    assert given.status_code == 303
    assert f"{hands.name} was technician and is lead from here on: promoted." in people
    assert f"{hands.name} was added as {hands.id}-2, technician." in people
    assert secrets.count("was given a one-time code") == 3
    marks = [event for event in desk.running.site.jobs.events(job) if event.by.id == hands.id]
    assert {event.by.role.words for event in marks} == {"technician"}
    assert reviewed == 303
    assert f"Reviewed by {lead.name}, lead, 2026-03-03 08:15:00 +00:00" in access
    assert "respirator fit test: 2026-03-01, <b>run out</b>" in access
    words = "I have reviewed who has access, in which role, and with which qualifications"
    assert words in html.unescape(desk.get(lead, "/trail?kind=people").text)


def test_row_41_wrong_secrets_slow_down_and_alert_but_never_stop_a_stop(
    desk: Desk, clock: Clock, tmp_path: Path
) -> None:
    """Row 41: 30 s, doubling, kept over a restart; lead and safety officer are told; stop, reading, print go on."""
    hands, lead, officer, job = (
        desk.named("technician"),
        desk.named("lead"),
        desk.named("safety officer"),
        desk.open_job(),
    )

    def sign_in(secret: str) -> Response:
        return desk.stranger().post("/signin", data={"person": hands.id, "secret": secret, "tablet": "tablet 9"})

    wrong = [sign_in("not the one") for _ in range(5)]
    right_too_soon = sign_in(SECRETS[hands.name])
    clock.now += timedelta(seconds=31)
    sixth = sign_in("not the one")
    clock.now += timedelta(seconds=31)
    doubled = sign_in(SECRETS[hands.name])
    front = {who.id: html.unescape(desk.get(who, "/").text) for who in (lead, officer, hands)}
    entry = re.search(r'name="entry" value="(\d+)"', front[lead.id])
    assert entry is not None
    pages_asked = ("", "/now", "/record.json", "/record.pdf", "/paper")
    read = [desk.get(hands, f"/jobs/{job}{page}").status_code for page in pages_asked]
    stopped = desk.post(hands, f"/jobs/{job}/stop")
    desk.post(lead, "/alerts", entry=entry.group(1))
    later = {who.id: html.unescape(desk.get(who, "/").text) for who in (lead, officer)}
    desk.running.close()
    desk.running = start(Settings(data=tmp_path), clock)
    desk.clients.clear()
    after_restart = sign_in(SECRETS[hands.name])
    desk.post(lead, f"/people/{hands.id}/wait", reason="glove on the key")
    lifted = sign_in(SECRETS[hands.name])

    assert {answer.status_code for answer in wrong} == {403}
    assert all("Too many wrong secrets" not in answer.text for answer in wrong)
    assert "Too many wrong secrets" in right_too_soon.text
    assert "do not belong together" in sixth.text
    assert "Too many wrong secrets" in doubled.text
    alert = f"5 wrong secrets in a row for {hands.name}, the last at tablet 9."
    assert [alert in front[who.id] for who in (lead, officer, hands)] == [True, True, False]
    assert [alert in later[who.id] for who in (lead, officer)] == [False, True]
    assert read == [200] * len(pages_asked)
    assert stopped.status_code == 303
    assert desk.running.site.jobs.state(job).stop is not None
    assert "Too many wrong secrets" in after_restart.text
    assert lifted.status_code == 303


def test_row_41_whoever_cannot_sign_in_stops_work_all_the_same(tmp_path: Path) -> None:
    """Row 41: one tap on the page of the names, no secret; once tablets are enrolled only at one of them."""
    desk = Desk.at(tmp_path, Clock())
    hands, lead, job = desk.named("technician"), desk.named("lead"), desk.open_job()
    gone = desk.open_job("EF-07")
    passer_by = desk.stranger()
    shown = html.unescape(passer_by.get("/signin").text)
    token = re.search(rf'action="/stop/{job}".*?name="token" value="(\w+)"', shown)
    assert token is not None

    stopped = passer_by.post(f"/stop/{job}", data={"token": token.group(1)})
    again = html.unescape(passer_by.get("/signin").text)
    unknown = passer_by.post("/stop/job-1999-0001", data={"token": "0" * 32})
    state = desk.running.site.jobs.state(job)
    assert state.stop is not None
    explained = desk.post(hands, f"/jobs/{job}/stop-reason", reason="unexpected", text="somebody called")
    opened = sign(desk, lead, f"/jobs/{job}/reopen", answer="Looked at the bag: nothing is wrong.")
    review = html.unescape(desk.get(desk.named("safety officer"), f"/jobs/{job}/review").text)
    tablets = desk.running.site.tablets
    key = tablets.enrol(tablets.invite(by=lead), "tablet 5, roof")
    outside, told = passer_by.post(f"/stop/{gone}", data={"token": "1" * 32}), passer_by.get("/signin").text
    enrolled = desk.stranger()
    enrolled.cookies.set(DEVICE_COOKIE, key)
    at_a_tablet = enrolled.post(f"/stop/{gone}", data={"token": "2" * 32})

    assert "STOP WORK on EF-03" in shown
    assert stopped.status_code == 303
    assert "Stopped by somebody not signed in" in again
    assert unknown.status_code == 409
    assert state.stop.stamp.by.name == "somebody not signed in"
    assert (explained.status_code, opened.status_code) == (303, 303)
    assert outside.status_code == 403
    assert "This tablet is not enrolled" in html.unescape(outside.text)
    assert "STOP WORK on" not in told
    assert at_a_tablet.status_code == 303
    assert desk.running.site.jobs.state(gone).stop is not None
    assert "somebody not signed in stopped the job at" in review


def test_row_42_nothing_is_accepted_before_each_exception_was_opened_those_of_the_site_too(
    tmp_path: Path, clock: Clock
) -> None:
    """Row 42: refused until all are open; marks close together, failed sign-ins and clock steps are among them."""
    ticks = Ticks()
    desk = Desk.at(tmp_path, clock, ticks)
    night, officer, job = desk.named("lead", 1), desk.named("safety officer"), desk.open_job()
    desk.stranger().post("/signin", data={"person": night.id, "secret": "not the one", "tablet": "tablet 9"})
    clock.now += timedelta(seconds=60)
    desk.get(night, "/")
    desk.work_until(job, "no such words")
    assert sign(desk, night, f"/jobs/{job}/submit", permit_back="the permit desk").status_code == 303
    page = desk.get(officer, f"/jobs/{job}/review").text
    too_soon = sign(desk, officer, f"/jobs/{job}/accept")
    opened = open_all(desk, job, officer)
    desk.stranger().post("/signin", data={"person": night.id, "secret": "not the one", "tablet": "tablet 9"})
    one_more = sign(desk, officer, f"/jobs/{job}/accept")
    opened_later = open_all(desk, job, officer)
    accepted = sign(desk, officer, f"/jobs/{job}/accept")
    record = json.loads(desk.get(officer, f"/jobs/{job}/record.json").content)
    desk.running.close()

    for kind in ("Marks close together", "Wrong secret", "Clock step"):
        assert kind in page
    assert "Sign and accept" not in page
    assert (too_soon.status_code, f"{opened} exceptions have not been opened" in too_soon.text) == (409, True)
    assert (one_more.status_code, opened_later) == (409, 1)
    assert accepted.status_code == 303
    assert record["entries"][-1]["signature"]["meaning"] == (
        "I have read this record with every exception in it, have reviewed its trail, and accept it"
    )
    words = [
        entry["site"]["sentence"]
        for entry in record["entries"]
        if "site" in entry and entry["type"] == "exception_opened"
    ]
    assert "The server's clock was set forward by 60.0 s while serving." in words
    assert words.count(f"1 in a row for {night.name}, last at tablet 9.") == 2
