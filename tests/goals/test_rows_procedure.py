"""Rows about procedures and departures from them, each driven through the command line or through HTTP."""

import json
import re
from hashlib import sha256
from html import unescape
from pathlib import Path

import pytest

from app.cli import BAD, UNUSABLE, main
from app.domain.crew import Acknowledge, Part
from app.records.deviations import departures_of
from tests.builders import procedure_text
from tests.web.desk import SECRETS, Desk
from tests.web.forms import forms_of

FAULTS = {
    "no verb first": ('text = "Stop {fan}."', 'text = "The fan {fan} comes to rest."', "block shut, fan", "W1"),
    "two actions": ('text = "Shut the upstream damper {upstream_damper}."',
                    'text = "Shut the upstream damper {upstream_damper} and lock it."', "block shut, upstream", "W2"),
    "too long": ('text = "Shut the downstream damper {downstream_damper}."',
                 f'text = "Shut the downstream damper {"slowly, " * 20}{{downstream_damper}}."',
                 "block shut, downstream", "W2"),
    "condition behind": ('text = "Extend the bag of {port} to its full length."',
                         'text = "Extend the bag of {port} if it is rolled."', "block open-port, extend", "W3"),
    "action in a hazard": ("A slipping ratchet can strike", "Hold the ratchet firmly. A slipping ratchet can strike",
                           "hazard ratchet", "W4"),
    "action in a note": ('note = "The bag stays on the ring,', 'note = "Leave it. Press the bag flat. It stays,',
                         "block close-port, roll", "W5"),
    "limit in a note": ('note = "The length of neck is common practice', 'note = "At least 150 mm is common practice',
                        "block close-and-cut, gather", "W5"),
    "decision without a choice": ('id = "hand-over"\\n', 'id = "hand-over"\\nkind = "decide"\\n',
                                  "end/waste/hand-over", "W6"),
    "one of, without a choice": ('text = "Tape the raw edge of the package."',
                                 'text = "Tape one of the raw edges of the package."',
                                 "block close-and-cut, tape-package", "W7"),
    "a bare answer": ("edge covered all round, tape holding", "checked", "block close-and-cut, tape-stub", "W9"),
}  # fmt: skip


def check(folder: Path, text: str, capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    """Run `changeout check-procedure` over a text and one housing; return status, output and complaint."""
    (folder / "written.toml").write_text(text, "utf-8")
    housing = Path(__file__).resolve().parents[2] / "seed_data" / "housings" / "EF-03.toml"
    status = main(["check-procedure", str(folder / "written.toml"), "--housing", str(housing), "--json"])
    told = capsys.readouterr()
    return status, told.out, told.err


def test_row_1_a_section_without_a_use_level_is_refused_and_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A procedure one of whose sections does not say how it is used is refused at load with the section named."""
    old = 'title = "Filter out"\nuse = "step_in_hand"'
    assert old in procedure_text()

    status, _, told = check(tmp_path, procedure_text().replace(old, 'title = "Filter out"'), capsys)

    assert status == UNUSABLE
    assert "Filter out" in told
    assert "use" in told


def test_row_2_ten_seeded_writing_faults_are_ten_findings_with_step_ids(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Ten faults in one procedure: ten findings, each under its rule and with the step at which it stands."""
    text = procedure_text()
    for old, new, _, _ in FAULTS.values():
        plain = old.replace("\\n", "\n")
        assert plain in text, old
        text = text.replace(plain, new.replace("\\n", "\n"))

    status, out, _ = check(tmp_path, text, capsys)

    found = {(row["step"], row["rule"]) for row in json.loads(out)["findings"] if row["rule"].startswith("W")}
    assert status == BAD
    assert found == {(step, rule) for _, _, step, rule in FAULTS.values()}
    assert len(found) == 10


def test_row_3_the_record_holds_which_hazards_stood_on_the_page_of_every_mark(desk: Desk) -> None:
    """Begun and, after a return to the page, done: each entry has the digest of the texts read; no other page marks."""
    job, hands, eyes = desk.open_job(), desk.named("technician"), desk.named("technician", 1)
    desk.work_until(job, "Cut the neck midway")
    path, second = f"/jobs/{job}/marks", {"second": eyes.id, "second_secret": SECRETS[eyes.name]}
    kept = []
    for act in ("begin", "finish"):
        page = desk.get(hands, f"/jobs/{job}/now").text
        (form,) = [form for form in forms_of(page) if form.action == path]
        fields = {name: form.fields[name] for name in ("step", "act", "hazards")} | second
        assert fields["act"] == act
        assert re.findall('name="hazards"', page) == ['name="hazards"']
        size = desk.running.site.jobs.state(job).size
        told = desk.post(hands, path, **(fields | {"hazards": "0" * 64}))
        assert told.status_code == 409
        assert "did not show the hazards" in told.text
        assert desk.running.site.jobs.state(job).size == size
        assert desk.post(hands, path, **fields).status_code == 303
        shown = re.findall('<div class="hazard hazard-([a-z]+)".*?<p class="hazard-text">(.*?)</p>', page, re.DOTALL)
        written = json.dumps([[word, unescape(text)] for word, text in shown], separators=(",", ":"))
        kept.append((len(shown), sha256(written.encode()).hexdigest()))

    entries = desk.running.site.jobs.read(job)[1][-2:]

    assert [entry.type for entry in entries] == ["step_begun", "step_done"]
    assert [getattr(entry, "hazards", None) for entry in entries] == [digest for _, digest in kept]
    assert all(count > 1 for count, _ in kept)
    assert desk.get(hands, f"/jobs/{job}").text.count(f"SHA-256 {kept[0][1][:8]}") == 2


def test_row_11_a_field_change_shows_both_texts_an_approver_other_than_the_performer_and_its_number(
    desk: Desk,
) -> None:
    """Proposed from the step, approved by a lead with a secret: step, record and JSON hold old text, new text, D1."""
    job = desk.open_job()
    state = desk.work_until(job, "Twist the bag")
    assert state.due is not None
    hands, lead = desk.named("technician"), desk.named("lead", 1)
    new = "Twist the bag into a tight neck above the fold."
    fields = {"step": state.due.id, "text": new, "note": state.due.note, "reason": "the fold is in the way"}

    proposed = desk.post(hands, f"/jobs/{job}/changes", **fields)
    role = desk.post(hands, f"/jobs/{job}/changes/approve", number="2026-0001/D1", secret=SECRETS[hands.name])
    waiting = desk.get(hands, f"/jobs/{job}/now").text
    approved = desk.post(lead, f"/jobs/{job}/changes/approve", number="2026-0001/D1", secret=SECRETS[lead.name])
    shown = desk.get(hands, f"/jobs/{job}/now").text
    desk.work_until(job, "")
    record = desk.get(lead, f"/jobs/{job}/review").text

    assert (proposed.status_code, role.status_code, approved.status_code) == (303, 403, 303)
    assert "waits for approval" in waiting
    beside = re.search(r'changed-pair"><p><b>Before 2026-0001/D1, text</b><br>(.*?)</p><p>.*?<br>(.*?)</p>', shown)
    assert beside is not None
    assert new in beside.group(2)
    assert new not in beside.group(1)
    for page in (shown, record):
        assert "2026-0001/D1" in page
        assert "behind its contents" in page
        assert new in page
    (row,) = [item for item in departures_of(desk.running.site.jobs.state(job)) if item["number"]]
    assert f"approved by {lead.name}" in row["stands"]
    assert hands.name in row["stands"]


def test_row_11_a_lead_who_proposed_a_change_or_began_the_step_does_not_approve_it(desk: Desk) -> None:
    """Both hold the role that approves: it is their own change, or their own step, and somebody else has to agree."""
    hands, lead, other = desk.named("technician"), desk.named("lead"), desk.named("lead", 1)
    job = desk.open_job()
    for who in (lead, other):
        desk.do(job, Acknowledge(Part.WORK, "I know the cuts and when to stop."), who)
    cut = desk.work_until(job, "Cut the neck").due
    assert cut is not None
    second = {"second": hands.id, "second_secret": SECRETS[hands.name]}
    begun = desk.post(other, f"/jobs/{job}/marks", step=cut.id, act="begin", **second)
    fields = {"step": cut.id, "text": "Cut the neck midway between the two pairs of bands.", "note": cut.note}

    proposed = desk.post(lead, f"/jobs/{job}/changes", **fields, reason="two bands on each side")
    path, number = f"/jobs/{job}/changes/approve", "2026-0001/D1"
    refused = [desk.post(who, path, number=number, secret=SECRETS[who.name]) for who in (lead, other)]
    state = desk.running.site.jobs.state(job)

    assert (begun.status_code, proposed.status_code) == (303, 303)
    assert [answer.status_code for answer in refused] == [409, 409]
    for who, answer in zip((lead, other), refused, strict=True):
        assert f"{who.name} proposed this change, has begun the step or was beside it" in answer.text
    assert [item.code for item in state.notables if item.kind == "refused"] == ["own_change", "own_change"]
    assert state.changes.waiting_at(cut.id) is not None
    assert state.due is not None
    assert state.due.text == cut.text


def test_row_11_a_field_change_is_valid_for_its_job_only(desk: Desk) -> None:
    """The same procedure's next job, on the same housing, has the text as written, and so has the file."""
    hands, lead = desk.named("technician"), desk.named("lead", 1)
    job, at_once = desk.open_job(), desk.open_job("EF-07")
    step = desk.work_until(job, "Twist the bag").due
    assert step is not None
    before = desk.get(lead, "/procedures").text
    new = "Twist the bag into a tight neck above the fold."
    fields = {"step": step.id, "text": new, "note": "", "reason": "the fold is in the way", "high.length": "250",
              "low.length": "100"}  # fmt: skip
    assert desk.post(hands, f"/jobs/{job}/changes", **fields).status_code == 303
    signed = {"number": "2026-0001/D1", "secret": SECRETS[lead.name]}
    assert desk.post(lead, f"/jobs/{job}/changes/approve", **signed).status_code == 303
    officer = desk.named("safety officer")
    if desk.running.site.jobs.state(job).changes.waiting_at(step.id):
        signed = {"number": "2026-0001/D1", "secret": SECRETS[officer.name]}
        assert desk.post(officer, f"/jobs/{job}/changes/approve", **signed).status_code == 303
    changed = desk.get(hands, f"/jobs/{job}/now").text
    desk.work_until(job, "no step has these words")

    after = desk.open_job()
    pages = {}
    for other in (at_once, after):
        desk.work_until(other, "Twist the bag")
        pages[other] = desk.get(hands, f"/jobs/{other}/now").text
    opened = desk.running.site.jobs.state(after).opened

    assert new in changed
    assert "above the fold" in desk.get(lead, f"/jobs/{job}/review").text
    for other, page in pages.items():
        due = desk.running.site.jobs.state(other).due
        assert due is not None
        assert due.text == step.text
        assert step.text in page
        assert "above the fold" not in page
        assert due.asks[0].limit == step.asks[0].limit
        assert desk.running.site.jobs.state(other).changes.all == ()
    assert desk.get(lead, "/procedures").text == before
    assert opened is not None
    assert opened.procedure_sha256 == digest_of(desk, job)


def digest_of(desk: Desk, job: str) -> str:
    """Return the digest of the text that a job was laid from."""
    opened = desk.running.site.jobs.state(job).opened
    assert opened is not None
    return opened.procedure_sha256


def test_row_12_nobody_sets_the_stub_aside_and_a_branch_names_its_deciding_entry(desk: Desk) -> None:
    """Not applicable is refused to a lead at the stub; the branch not taken tells which entry decided."""
    job = desk.open_job()
    lead = desk.named("lead", 1)
    state = desk.work_until(job, "Tape the raw edge of the stub")
    assert state.due is not None

    signed = {"reason": "it looks closed", "secret": SECRETS[lead.name]}
    refused = desk.post(lead, f"/jobs/{job}/aside", step=state.due.id, **signed)
    state = desk.running.site.jobs.state(job)
    record = desk.get(lead, f"/jobs/{job}/review").text

    decided = state.mark("isolate/verify/leak-by").done
    assert decided is not None
    assert refused.status_code == 409
    assert "cannot be set aside by anybody" in refused.text
    assert "it looks closed" in refused.text
    assert state.due is not None
    assert state.due.text.startswith("Tape the raw edge of the stub")
    assert f"not applicable: entry {decided.seq} chose “no flow past either damper”" in record


def test_row_12_a_step_is_set_aside_by_the_secret_of_a_lead_and_the_record_says_what_was_signed(desk: Desk) -> None:
    """A session alone sets nothing aside, nor does a wrong secret; page and record say what is signed."""
    job, lead = desk.open_job(), desk.named("lead", 1)
    due = desk.work_until(job, "Compare the new filters").due
    assert due is not None
    said = {"step": due.id, "reason": "no other type is here"}
    path, meaning = f"/jobs/{job}/aside", "I answer for setting this step aside, as it does not apply here"

    page = desk.get(lead, f"/jobs/{job}/otherwise").text
    bare = desk.post(lead, path, **said)
    wrong = desk.post(lead, path, **said, secret="not it at all")
    nothing = desk.running.site.jobs.state(job).mark(due.id).not_applicable
    signed = desk.post(lead, path, **said, secret=SECRETS[lead.name])
    record = desk.get(lead, f"/jobs/{job}/record.json").json()

    assert meaning in page
    assert 'name="secret"' in page
    assert (bare.status_code, wrong.status_code, signed.status_code) == (403, 403, 303)
    assert "no other type is here" in bare.text
    assert nothing is None
    (entry,) = [item for item in record["entries"] if item["type"] == "step_not_applicable"]
    assert entry["signature"]["meaning"] == meaning
    (shown,) = [item for item in record["summary"]["signatures"] if item["meaning"] == meaning]
    assert (shown["name"], shown["valid"]) == (lead.name, "valid for this version")


def test_row_29_a_hold_released_by_radio_repeats_the_tags_and_is_signed_by_the_sender(desk: Desk) -> None:
    """A technician's release is refused and logged; a wrong tag too; a right one stands, to be signed before review."""
    job = desk.open_job()
    hands, lead, sender = desk.named("technician"), desk.named("lead"), desk.named("lead", 1)
    state = desk.work_until(job, "Release the closing")
    assert state.due is not None
    step = state.due.id
    said = {"step": step, "person": sender.id, "housing": "EF-03", "port": state.due.port or "", "confirmed": "yes"}

    unbriefed = desk.post(lead, f"/jobs/{job}/radio", **said)
    desk.do(job, Acknowledge(Part.RELEASE, "I release the closing by voice once the bag is rolled."), sender)
    by_hands = desk.post(hands, f"/jobs/{job}/release", step=step, person=hands.id, secret=SECRETS[hands.name])
    neighbour = desk.post(lead, f"/jobs/{job}/radio", **(said | {"housing": "EF-04"}))
    released = desk.post(lead, f"/jobs/{job}/radio", **said)
    state = desk.running.site.jobs.state(job)
    entry = str(state.unsigned[0].seq)
    other = desk.post(lead, f"/jobs/{job}/radio/sign", entry=entry, secret=SECRETS[lead.name])
    shown = desk.get(sender, f"/jobs/{job}/otherwise").text
    signed = desk.post(sender, f"/jobs/{job}/radio/sign", entry=entry, secret=SECRETS[sender.name])

    codes = (by_hands.status_code, neighbour.status_code, released.status_code, other.status_code, signed.status_code)
    assert codes == (409, 409, 303, 409, 303)
    assert f"{sender.name} has not been briefed" in unbriefed.text
    assert state.mark(step).stands
    assert "to be signed" in shown
    assert [item.kind for item in state.notables if item.step == step] == [
        "refused",
        "refused",
        "refused",
        "released by radio",
    ]
    assert desk.running.site.jobs.state(job).unsigned == ()


def test_a_contingency_is_entered_from_the_stop_screen_and_the_pages_tell_its_way(desk: Desk) -> None:
    """Stopped by a technician, a lead sees what can have happened, signs, and the first step of the branch is due."""
    job = desk.open_job()
    hands, lead = desk.named("technician"), desk.named("lead", 1)
    desk.work_until(job, "Twist the bag")
    desk.post(hands, f"/jobs/{job}/stop")
    desk.post(hands, f"/jobs/{job}/stop-reason", reason="unexpected", text="a tear")

    stopped = desk.get(lead, f"/jobs/{job}/now").text
    page = desk.get(lead, f"/jobs/{job}/contingencies").text
    chosen = {"chosen": "bag-torn|P1|", "reason": "a tear at the fold", "secret": SECRETS[lead.name]}
    wrong = desk.post(lead, f"/jobs/{job}/contingencies", **(chosen | {"chosen": "bag-torn|P9|"}))
    entered = desk.post(lead, f"/jobs/{job}/contingencies", **chosen)
    now = desk.get(hands, f"/jobs/{job}/now").text

    assert f"/jobs/{job}/contingencies" in stopped
    assert "Bag torn" in page
    assert "then step" in page
    assert wrong.status_code == 409
    assert "a tear at the fold" in wrong.text
    assert entered.status_code == 303
    assert "Hold the torn place of the bag on P1 shut by hand." in now
