"""Issuing: its approver signs exactly this text, then a lead has it rehearsed and issues it."""

import re
from hashlib import sha256
from html import unescape
from pathlib import Path

import pytest
from httpx2 import Response

from app.bootstrap import ship_sample_housings, start
from app.cli import DEMO_PEOPLE, GOOD, UNUSABLE, main
from app.domain.event_base import Who
from app.domain.signing import MEANINGS
from app.domain.site import (
    SITE_LEDGER,
    ProcedureApproved,
    ProcedureIssued,
    ProcedureRehearsed,
    SiteEvent,
    site_event_from_bytes,
)
from app.settings import Settings
from tests.builders import procedure_text
from tests.web.desk import SECRETS, Clock, Desk


def own_text(revision: int = 8, *, old: str = "Stop {fan}.", new: str = "Stop {fan} at its panel.") -> str:
    """Return the change-out with a higher number and other words."""
    return procedure_text().replace("revision = 7", f"revision = {revision}", 1).replace(old, new)


def put(folder: Path, text: str) -> None:
    """Put a text where the site keeps its change-out."""
    (folder / "procedures" / "change-out.toml").write_text(text, "utf-8")


def events(desk: Desk) -> list[SiteEvent]:
    """Return the site's own events."""
    return [site_event_from_bytes(payload) for payload in desk.running.store.read_payloads(SITE_LEDGER)]


def test_a_start_issues_nothing_and_the_shipped_texts_wait_for_two_signatures(tmp_path: Path, clock: Clock) -> None:
    """Whoever approves is told on the first page, then a lead; before both have signed no work can be planned."""
    settings = Settings(data=tmp_path)
    ship_sample_housings(settings)
    desk = Desk(start(settings, clock))
    for name, role, secret in DEMO_PEOPLE:
        desk.running.people.add(name, role, by=None, identity="known to us", secret=secret)
    lead, officer, hands = desk.named("lead"), desk.named("safety officer"), desk.named("technician")
    seen = [event.type for event in events(desk) if "procedure" in event.type]
    owed = {who: waiting(desk, who) for who in (lead, officer, hands)}
    digests = {item.id: digest for item, digest in desk.running.site.library.procedures()}
    planned = desk.get(lead, "/plan/EF-03")

    for name, digest in digests.items():
        fields = {"procedure": name, "seen": digest, "secret": SECRETS[officer.name]}
        assert desk.post(officer, "/procedures/approve", **fields).status_code == 303
    then = {who: waiting(desk, who) for who in (lead, officer, hands)}
    for name in digests:
        fields = {"procedure": name, "housing": "EF-03", "secret": SECRETS[lead.name]}
        assert desk.post(lead, "/procedures/issue", **fields).status_code == 303
    after = [event for event in events(desk) if isinstance(event, ProcedureRehearsed | ProcedureIssued)]
    ended = {who: waiting(desk, who) for who in (lead, officer, hands)}
    opened = desk.get(lead, "/plan/EF-03").status_code
    desk.running.close()
    again = start(settings, clock)
    second = [site_event_from_bytes(payload) for payload in again.store.read_payloads(SITE_LEDGER)]
    again.close()

    both = ["Change-out through bags, revision 7", "First fit-out of a clean housing, revision 7"]
    assert seen == []
    assert owed == {lead: [("approved", text) for text in both], officer: [("approved", text) for text in both],
                    hands: []}  # fmt: skip
    assert then == {lead: [("issued", text) for text in both], officer: [], hands: []}
    assert ended == {lead: [], officer: [], hands: []}
    assert (planned.status_code, opened) == (422, 200)
    assert [(event.type, event.procedure) for event in after] == [
        (kind, name) for name in digests for kind in ("procedure_rehearsed", "procedure_issued")
    ]
    for rehearsal, issue in zip(after[::2], after[1::2], strict=True):
        assert isinstance(rehearsal, ProcedureRehearsed)
        assert isinstance(issue, ProcedureIssued)
        assert rehearsal.sha256 == issue.sha256
        assert rehearsal.entries > 50
        assert issue.approved_by == officer
    assert [event for event in second if isinstance(event, ProcedureRehearsed | ProcedureIssued)] == after


def waiting(desk: Desk, who: Who) -> list[tuple[str, str]]:
    """Return what the first page tells somebody to do with which text."""
    return re.findall(r'<li>to be (\w+): <a href="/procedures">([^<]+)</a>', desk.get(who, "/").text)


def approve(desk: Desk, who: Who, **changes: str) -> Response:
    """Approve the change-out of the site as its page has it."""
    shown = {item.id: digest for item, digest in desk.running.site.library.procedures()}
    fields = {"procedure": "change-out", "seen": shown["change-out"], "secret": SECRETS[who.name]}
    return desk.post(who, "/procedures/approve", **fields | changes)


def test_whoever_approves_signs_the_text_that_they_were_shown(desk: Desk, tmp_path: Path) -> None:
    """The page leads to exactly the words of the digest; a file that changed meanwhile is not signed for."""
    officer = desk.named("safety officer")
    put(tmp_path, own_text())
    page = desk.get(officer, "/procedures").text
    digest = re.search(r'name="seen" value="([0-9a-f]{64})"', page)
    assert digest
    text = desk.get(officer, f"/procedures/{digest[1]}")
    put(tmp_path, own_text(new="Stop {fan} at its starter."))
    before = events(desk)

    moved = approve(desk, officer, seen=digest[1])
    gone = desk.get(officer, f"/procedures/{digest[1]}")
    left = events(desk)
    put(tmp_path, own_text())
    signed = approve(desk, officer)

    words = re.search(r"<pre[^>]*>(.*?)</pre>", text.text, re.DOTALL)
    assert words
    assert sha256(unescape(words[1]).encode()).hexdigest() == digest[1]
    assert f'SHA-256 <span class="figures">{digest[1]}</span>' in text.text
    assert moved.status_code == 409
    assert "its file has changed since this page was shown" in moved.text
    assert gone.status_code == 422
    assert left == before
    assert signed.status_code == 303
    entry = events(desk)[-1]
    assert isinstance(entry, ProcedureApproved)
    assert (entry.by, entry.sha256, entry.named) == (officer, digest[1], "T. Sarvela")
    assert entry.meaning in MEANINGS
    assert entry.proof == "id and secret entered at signing"
    shown = desk.get(officer, "/procedures").text
    assert f"{officer.name} (safety officer), signed" in shown
    assert "the text names T. Sarvela" in shown
    assert f'value="{digest[1]}"' not in shown


def test_a_site_text_waits_for_a_lead_who_has_it_rehearsed_and_issued(desk: Desk, tmp_path: Path) -> None:
    """Nothing is planned with it before; after the lead's secret it is, and the running job stays on its revision."""
    lead, hands = desk.named("lead"), desk.named("technician")
    job = desk.open_job()
    put(tmp_path, own_text())
    fields = {"procedure": "change-out", "housing": "EF-03", "secret": SECRETS[lead.name]}

    planned = desk.get(lead, "/plan/EF-03")
    waits = desk.get(lead, "/procedures").text
    unsigned = desk.post(lead, "/procedures/issue", **fields)
    approved = approve(desk, desk.named("safety officer"))
    wrong = desk.post(lead, "/procedures/issue", **(fields | {"secret": "not the secret"}))
    issued = desk.post(lead, "/procedures/issue", **fields)
    twice = desk.post(lead, "/procedures/issue", **fields)

    assert planned.status_code == 422
    assert "has not been issued" in planned.text
    assert "NOT issued" in waits
    assert unsigned.status_code == 422
    assert "has yet to sign the approval of exactly this text" in unsigned.text
    assert approved.status_code == 303
    assert (wrong.status_code, issued.status_code, twice.status_code) == (403, 303, 422)
    assert desk.get(lead, "/plan/EF-03").status_code == 200
    told = "Revision 8 of this procedure has been issued since. This job stays on revision 7"
    assert told in desk.get(lead, f"/jobs/{job}/now").text
    assert told not in desk.get(hands, f"/jobs/{job}/now").text
    opened = desk.running.site.jobs.state(job).opened
    assert opened is not None
    assert opened.revision == 7
    rehearsal = [event for event in events(desk) if isinstance(event, ProcedureRehearsed)][-1]
    assert rehearsal.by == lead
    trail = desk.get(lead, "/trail?kind=site").text
    assert "approved by Aiko Lindqvist (safety officer) by signature; the text names T. Sarvela." in trail
    assert "signed “I have read this procedure and approve exactly this text for use here”" in trail
    assert rehearsal.housing == "EF-03"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (own_text().replace('approver = "T. Sarvela"', 'approver = "m.  okonjo-vale"'), "wrote it and approved it"),
        (own_text(7), "give this text a higher number"),
        (own_text().replace('effects = ["set_clamp"]\n', ""), "breaks rule"),
    ],
)
def test_a_text_is_not_issued_by_its_author_under_an_old_number_or_with_a_breach(
    desk: Desk, tmp_path: Path, text: str, told: str
) -> None:
    """Author and approver differ, other words have another number, the model finds nothing: else no issue."""
    lead = desk.named("lead")
    put(tmp_path, text)
    if told == "breaks rule":
        assert approve(desk, desk.named("safety officer")).status_code == 303
    before = events(desk)

    answer = desk.post(lead, "/procedures/issue", procedure="change-out", housing="", secret=SECRETS[lead.name])

    assert answer.status_code == 422
    assert told.lower() in answer.text.lower()
    assert events(desk) == before
    assert [(event.procedure, event.revision) for event in before if isinstance(event, ProcedureIssued)] == [
        ("change-out", 7), ("first-fit-out", 7),
    ]  # fmt: skip


def test_the_command_issues_a_text_of_a_site_that_is_not_served(
    tmp_path: Path, clock: Clock, capsys: pytest.CaptureFixture[str]
) -> None:
    """`changeout issue` rehearses, issues and tells the digest; a second time it says that it has been done."""
    settings = Settings(data=tmp_path)
    ship_sample_housings(settings)
    desk = Desk.at(tmp_path, clock)
    put(tmp_path, own_text())
    assert approve(desk, desk.named("safety officer")).status_code == 303
    desk.running.close()

    first = main(["issue", "change-out", "--data", str(tmp_path)])
    told = capsys.readouterr().out
    second = main(["issue", "change-out", "--data", str(tmp_path)])

    assert first == GOOD
    assert "Issued: change-out revision 8" in told
    assert second == UNUSABLE
    assert "issued already" in capsys.readouterr().err
