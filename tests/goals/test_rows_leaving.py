"""Rows about leaving work, coming back, handing over, re-opening, and paper, driven through HTTP."""

import hashlib
import io
import re
import struct
import zlib
from datetime import timedelta
from html import unescape
from pathlib import Path
from tempfile import TemporaryDirectory

import pikepdf
import pytest
from httpx2 import Response

from app.domain.commands import Accept, ExplainStop, OpenException, Reopen, StopWork, Submit
from app.domain.containment.rest import rests
from app.domain.crew import Acknowledge
from app.domain.deciding.leaving import suspend_looks
from app.domain.event_base import Who
from app.domain.events import StepDone
from app.domain.history import unlawful
from app.domain.job import JobState, Stage
from app.domain.judging import AGAIN
from app.domain.leaving import DOCUMENTS, Recheck
from app.records.verify import verify_record
from app.services.rehearsal import looks_as_recorded, made_up_answers
from tests.builders import account_for_packages
from tests.paper.tools import pages
from tests.web.desk import SECRETS, Clock, Desk

NEXT = "Put the second metal band on the ring side, then call for the closures check."


def text_of(pdf: bytes) -> str:
    """Return the text of a printed file."""
    with TemporaryDirectory() as folder:
        return " ".join(pages(pdf, Path(folder)))


def record_in(pdf: bytes) -> bytes:
    """Return the record that a printed one carries."""
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        return opened.attachments["record.json"].get_file().read_bytes()


def state_of(desk: Desk, job: str) -> JobState:
    """Return the committed state of a job."""
    return desk.running.site.jobs.state(job)


def suspend(desk: Desk, who: Who, job: str, **more: str) -> Response:
    """Suspend the work through the form, everything seen as recorded."""
    seen = {f"a.{name}": seen for name, seen in looks_as_recorded(suspend_looks(state_of(desk, job))).items()}
    permit = {"permit": "in_force"} if state_of(desk, job).permit_until else {}
    fields = {"reason": "shift_end", "told": "control room, by radio", "next_thing": NEXT, **permit}
    return desk.post(who, f"/jobs/{job}/suspend", **{**fields, **seen, **more})


def answer(desk: Desk, who: Who, job: str, looks: tuple[Recheck, ...], **otherwise: str) -> Response:
    """Answer some looks as recorded but for those named, through the form."""
    seen = {**looks_as_recorded(looks), **otherwise}
    return desk.post(who, f"/jobs/{job}/looks", **{f"a.{name}": text for name, text in seen.items()})


def look_at_everything(desk: Desk, who: Who, job: str) -> int:
    """Answer group by group, as the screen asks, and return how many screens there were."""
    screens = 0
    while looks := state_of(desk, job).rechecks:
        together = tuple(look for look in looks if look.group == looks[0].group)
        assert answer(desk, who, job, together).status_code == 303
        screens += 1
    return screens


def test_row_7_between_strap_and_tape_only_a_lead_suspends(desk: Desk) -> None:
    """A technician is refused with the shortest way to rest; a lead may, and the reviewer is told."""
    hands, lead = desk.named("technician"), desk.named("lead", 1)
    desk.post(lead, "/site", setting="marks_apart_s", value="0", reason="made by a machine")
    job = desk.open_job()
    desk.do(job, Acknowledge("release", "I know where work rests and where not."), lead)
    state = desk.work_until(job, "Tape the raw edge of the stub")
    assert state.model is not None
    assert not rests(state.model)
    due = state.due
    assert due is not None

    refused = suspend(desk, hands, job)
    by_lead = suspend(desk, lead, job)
    marked = desk.post(hands, f"/jobs/{job}/marks", step=due.id, act="begin")

    assert refused.status_code == 409
    assert "Shortest way to rest, 1 action: tape the stub on P1" in refused.text
    assert NEXT in refused.text
    assert by_lead.status_code == 303
    assert marked.status_code == 409
    assert "The job is suspended" in marked.text
    after = state_of(desk, job)
    assert after.stage is Stage.SUSPENDED
    assert {item.kind for item in after.notables} == {"refused", "left not at rest"}
    assert desk.post(hands, f"/jobs/{job}/stop").status_code == 303
    assert state_of(desk, job).stage is Stage.STOPPED


def test_row_7_at_rest_a_technician_suspends_and_a_torn_bag_stops(desk: Desk) -> None:
    """At rest a technician suspends; what is seen otherwise than recorded is a stop with its reason preset."""
    job, hands = desk.open_job(), desk.named("technician")
    desk.work_until(job, "Draw the spent filter")

    shown = [desk.get(hands, f"/jobs/{job}/{page}").text for page in ("now", "suspend")]
    seen = suspend(desk, hands, job, **{"a.ring-P1": "a torn bag or stub"})

    assert ["port-drawing" in page for page in shown] == [True, False], "what is to be seen is not shown beside"
    assert seen.status_code == 303
    stop = state_of(desk, job).stop
    assert stop is not None
    assert stop.reason == "unexpected"
    assert "seen a torn bag or stub; recorded a bag, strapped" in stop.text
    (told,) = (item.sentence for item in state_of(desk, job).unread if item.kind == "stopped")
    assert "seen a torn bag or stub" in told, "the reviewer opens it"


def test_row_8_the_next_thing_stands_alone_before_the_gate(desk: Desk) -> None:
    """Who returns reads the line on a screen of its own; no look is taken before, no recorded value is shown after."""
    job, hands = desk.open_job(), desk.named("technician")
    desk.work_until(job, "Draw the spent filter")
    suspend(desk, hands, job)
    desk.post(hands, f"/jobs/{job}/resume")
    looks = state_of(desk, job).rechecks

    first = desk.get(hands, f"/jobs/{job}/now").text
    early = answer(desk, hands, job, looks[:1])
    desk.post(hands, f"/jobs/{job}/next-read")
    gate = desk.get(hands, f"/jobs/{job}/now").text

    assert NEXT in first
    assert 'name="a.tag"' not in first
    assert early.status_code == 409
    assert 'name="a.tag"' in gate
    lock = next(look.expected for look in looks if look.id == "lock-upstream")
    for group in {look.group for look in looks}:
        page = desk.get(hands, f"/jobs/{job}/now").text
        assert lock not in page, group
        assert "port-drawing" not in page, "it shows how dampers, door, ring and clamp are believed to stand"
        answer(desk, hands, job, tuple(look for look in looks if look.group == state_of(desk, job).rechecks[0].group))
    assert state_of(desk, job).stage is Stage.OPEN


@pytest.mark.parametrize(
    ("look", "typed"),
    [("lock-upstream", "77-B"), ("upstream", "open"), ("door-P1", "shut"), ("pressure", "12"),
     ("contamination", "1001"), ("tag", "EF-04"), ("ring-P1", "bare ring, nothing on it")],
)  # fmt: skip
def test_row_8_anything_otherwise_on_return_stops_the_job(desk: Desk, look: str, typed: str) -> None:
    """A lock number, a damper, a door, a reading or a tag that differs stops the job, reason preset, place kept."""
    job, hands = desk.open_job(), desk.named("technician")
    due = desk.work_until(job, "Draw the spent filter").due
    suspend(desk, hands, job)
    desk.post(hands, f"/jobs/{job}/resume")
    desk.post(hands, f"/jobs/{job}/next-read")
    looks = state_of(desk, job).rechecks

    answer(desk, hands, job, looks, **{look: typed})

    after = state_of(desk, job)
    assert after.stage is Stage.STOPPED
    assert after.stop is not None
    assert after.stop.reason == "unexpected"
    assert after.due == due
    assert f"seen {typed}" in after.stop.text


def test_row_8_the_step_begun_and_not_done_comes_back_after_the_gate(desk: Desk) -> None:
    """The gate gives back exactly the step that was begun, and the same gate stands after a stop."""
    job, hands, lead = desk.open_job(), desk.named("technician"), desk.named("lead", 1)
    due = desk.work_until(job, "Draw the spent filter").due
    assert due is not None
    desk.post(hands, f"/jobs/{job}/marks", step=due.id, act="begin")

    suspend(desk, hands, job)
    desk.post(hands, f"/jobs/{job}/resume")
    desk.post(hands, f"/jobs/{job}/next-read")
    screens = look_at_everything(desk, hands, job)
    back = state_of(desk, job)
    desk.post(hands, f"/jobs/{job}/stop")
    desk.post(hands, f"/jobs/{job}/stop-reason", reason="unexpected", text="a bell")
    desk.post(
        lead, f"/jobs/{job}/reopen", answer="A drill.", extra="Is the lamp on?", secret=SECRETS[lead.name], device_at=""
    )

    assert screens == 6
    assert back.stage is Stage.OPEN
    assert back.due == due
    assert back.mark(due.id).begun is not None
    after_stop = state_of(desk, job).rechecks
    assert [look.id for look in after_stop] == [
        "tag", "upstream", "lock-upstream", "downstream", "lock-downstream", "fan", "lock-fan", "door-P1", "ring-P1",
        "bag-P1", "clamp-P1", "pressure", "contamination", "extra",
    ]  # fmt: skip


def test_row_9_after_reopening_the_old_pdf_verifies_and_the_new_one_is_unsigned(desk: Desk) -> None:
    """The record accepted first still verifies in its PDF; the PDF of the re-opened job says unsigned, and why."""
    job, officer, lead = desk.open_job(), desk.named("safety officer"), desk.named("lead", 1)
    state = desk.work_until(job, "no step has these words")
    desk.do(job, Submit(), lead)
    for item in state.unread:
        desk.do(job, OpenException(item.seq), officer)
    desk.do(job, Accept(), officer)
    old = desk.get(officer, f"/jobs/{job}/record.pdf").content

    desk.post(
        lead,
        f"/jobs/{job}/reopen",
        answer="The torque is read again.",
        extra="",
        secret=SECRETS[lead.name],
        device_at="",
    )
    new = desk.get(officer, f"/jobs/{job}/record.pdf").content

    for printed, signed in ((old, True), (new, False)):
        verdict = verify_record(record_in(printed), signature=None, photo=None)
        assert verdict.good
        assert verdict.signed is signed
    assert "NOT VALID for this version" not in text_of(old)
    assert "NOT VALID for this version" in text_of(new)


def hand_over(desk: Desk, job: str, leaves: Who, comes: Who, documents: tuple[str, ...] = tuple(DOCUMENTS)) -> Response:
    """Begin the hand-over through the form."""
    ticked = {f"document.{name}": "on" for name in documents}
    return desk.post(comes, f"/jobs/{job}/handover", outgoing=leaves.id, **ticked)


def test_row_16_after_the_handover_the_outgoing_persons_save_is_refused(desk: Desk) -> None:
    """Documents, walk-down by the incoming person, two signatures; then the outgoing one writes nothing but STOP."""
    job, leaves, comes = desk.open_job(), desk.named("technician"), desk.named("technician", 1)
    due = desk.work_until(job, "Draw the spent filter").due
    assert due is not None
    suspend(desk, leaves, job)

    lacking = hand_over(desk, job, leaves, comes, ("record", "permit", "locks"))
    begun = hand_over(desk, job, leaves, comes)
    by_leaver = desk.post(leaves, f"/jobs/{job}/next-read")
    desk.post(comes, f"/jobs/{job}/next-read")
    early = sign(desk, job, comes, comes)
    look_at_everything(desk, comes, job)
    wrong = desk.post(comes, f"/jobs/{job}/handover-signature", person=leaves.id, secret="not the one at all")
    desk.clients.clear()  # nobody has signed in these sessions yet
    unnamed = sign(desk, job, comes, leaves, person="")
    first = sign(desk, job, comes, leaves)
    own = desk.get(comes, f"/jobs/{job}/now").text
    theirs, alone = sign(desk, job, comes, comes, person=leaves.id), sign(desk, job, comes, comes, person="")
    second = sign(desk, job, comes, comes)
    left, goes_on = desk.get(leaves, f"/jobs/{job}/now").text, desk.get(comes, f"/jobs/{job}/now").text
    save = desk.post(leaves, f"/jobs/{job}/marks", step=due.id, act="begin")
    other = desk.post(comes, f"/jobs/{job}/marks", step=due.id, act="begin")

    assert lacking.status_code == 409
    assert "Not seen yet: the notes of the brief" in lacking.text
    assert [begun.status_code, by_leaver.status_code, early.status_code] == [303, 409, 409]
    assert wrong.status_code == 403
    assert [unnamed.status_code, theirs.status_code, alone.status_code] == [403, 403, 403]
    assert "Asked with the first signature" in own
    assert [first.status_code, second.status_code] == [303, 303]
    assert f"{leaves.name} handed this job over" in left
    assert "handed this job over and" not in goes_on
    for told in ('form="mark"', "/suspend"):
        assert (told in left, told in goes_on) == (False, True)
    assert save.status_code == 409
    assert save.text.count(f"{leaves.name} handed this job over") == 1
    assert other.status_code == 303
    kinds = [event.type for event in desk.running.site.jobs.events(job)][-5:]
    assert kinds[-4:] == ["handover_signed", "handover_signed", "attempt_refused", "step_begun"]
    assert desk.post(leaves, f"/jobs/{job}/stop").status_code == 303
    report = text_of(desk.get(comes, f"/jobs/{job}/record.pdf").content)
    for meaning in ("I hand this job over as I left it", "I take this job over as I found it"):
        assert meaning in report


def test_row_16_the_outgoing_person_is_no_second_person_and_no_mark_is_made_for_them(desk: Desk) -> None:
    """At the next cut their name stands in no list; posted all the same with their own secret, it is refused."""
    hands, eyes = desk.named("technician"), desk.named("technician", 1)
    other = desk.named("lead")
    job = desk.open_job()
    cut = desk.work_until(job, "Cut the neck").due
    assert cut is not None
    desk.do(job, Acknowledge("work", "I know the cuts and when to stop."), other)
    assert suspend(desk, other, job).status_code == 303
    hand_over(desk, job, eyes, hands)
    desk.post(hands, f"/jobs/{job}/next-read")
    look_at_everything(desk, hands, job)
    sign(desk, job, hands, eyes)
    sign(desk, job, hands, hands)
    path, begin = f"/jobs/{job}/marks", {"step": cut.id, "act": "begin"}

    page = desk.get(hands, f"/jobs/{job}/now").text
    second = desk.post(hands, path, **begin, second=eyes.id, second_secret=SECRETS[eyes.name])
    named = {"second": other.id, "second_secret": SECRETS[other.name]}
    worker = desk.post(hands, path, **begin, **named, worker=eyes.id)
    nothing = state_of(desk, job).mark(cut.id).begun
    begun = desk.post(hands, path, **begin, **named)

    assert f'value="{other.id}"' in page
    assert f'value="{eyes.id}"' not in page
    assert [second.status_code, worker.status_code, begun.status_code] == [409, 409, 303]
    for told in (second, worker):
        assert f"{eyes.name} handed this job over and takes no part in it any more" in told.text
    assert nothing is None


def test_row_16_the_outgoing_person_is_offered_the_own_locks_to_take_off_and_nothing_else(desk: Desk) -> None:
    """Where the locks come off their button stands; at the step after it, and at the looks after a stop, none does."""
    leaves, comes = desk.named("technician"), desk.named("technician", 1)
    job = desk.open_job()
    due = desk.work_until(job, "Remove the locks").due
    assert due is not None
    suspend(desk, leaves, job)
    hand_over(desk, job, leaves, comes)
    desk.post(comes, f"/jobs/{job}/next-read")
    look_at_everything(desk, comes, job)
    sign(desk, job, comes, leaves)
    sign(desk, job, comes, comes)
    shown = [[desk.get(who, f"/jobs/{job}/now").text for who in (leaves, comes)]]
    for point in state_of(desk, job).points:
        off = desk.post(leaves, f"/jobs/{job}/rows", act="off", step=due.id, point=point.id)
        assert off.status_code == 303
    shown.append([desk.get(who, f"/jobs/{job}/now").text for who in (leaves, comes)])
    desk.do(job, StopWork(), leaves)
    desk.do(job, ExplainStop("unexpected", "a sound"), leaves)
    desk.do(job, Reopen("Look at all of it first."), desk.named("lead", 1))
    shown.append([desk.get(who, f"/jobs/{job}/now").text for who in (leaves, comes)])

    assert state_of(desk, job).stage is Stage.LOOKING
    told = f"{leaves.name} handed this job over and writes nothing more to it."
    assert [[told in page for page in both] for both in shown] == [[True, False]] * 3
    offered = [[bool(re.search(r'form="(mark|look)"', page)) for page in both] for both in shown]
    assert offered == [[True, False], [False, True], [False, True]]


def test_row_16_a_stop_by_whoever_handed_over_is_written_although_a_reading_lapsed(desk: Desk, clock: Clock) -> None:
    """What the program notes in passing, a repeated reading that nobody took, does not stand in the way of a STOP."""
    job, leaves, comes = desk.open_job(), desk.named("technician"), desk.named("technician", 1)
    desk.work_until(job, "Draw the spent filter")
    suspend(desk, leaves, job)
    hand_over(desk, job, leaves, comes)
    desk.post(comes, f"/jobs/{job}/next-read")
    look_at_everything(desk, comes, job)
    sign(desk, job, comes, leaves)
    sign(desk, job, comes, comes)
    clock.now += timedelta(minutes=40)
    desk.clients.clear()  # sessions have locked meanwhile

    stopped = desk.post(leaves, f"/jobs/{job}/stop")

    events = desk.running.site.jobs.events(job)
    assert stopped.status_code == 303
    assert [event.type for event in events[-2:]] == ["reading_missed", "job_stopped"]
    assert events[-1].by.id == leaves.id
    assert unlawful(events) == ()


def test_row_16_on_suspended_work_the_last_own_lock_comes_off_under_another(desk: Desk) -> None:
    """Suspended with a door off: the page says whose lock goes on first, and takes the lock off once it is."""
    hands, eyes = desk.named("technician"), desk.named("technician", 1)
    job = desk.open_job()
    desk.work_until(job, "fully into the bag")
    desk.post(hands, f"/jobs/{job}/own-locks", act="on", lock="P-7")
    assert suspend(desk, hands, job).status_code == 303

    alone = desk.post(hands, f"/jobs/{job}/own-locks", act="off", lock="P-7")
    desk.post(eyes, f"/jobs/{job}/own-locks", act="on", lock="P-8")
    relieved = desk.post(hands, f"/jobs/{job}/own-locks", act="off", lock="P-7")

    assert alone.status_code == 409
    assert f"the lock of {hands.name} is not the last to come off" in alone.text
    assert "puts theirs on first, under Locks. If nobody comes, call a lead." in alone.text
    assert relieved.status_code == 303
    assert [(item.lock, item.on) for item in state_of(desk, job).locks.hung if not item.point] == [
        ("P-7", False), ("P-8", True),
    ]  # fmt: skip


def sign(desk: Desk, job: str, at: Who, signer: Who, **changed: str) -> Response:
    """Sign the hand-over at somebody's tablet with the signer's own id and secret."""
    fields = {"person": signer.id, "secret": SECRETS[signer.name], **changed}
    return desk.post(at, f"/jobs/{job}/handover-signature", **fields)


@pytest.mark.parametrize("tag", ["EF-03", "EF-11"])
def test_row_16_the_sheet_to_hand_over_is_one_page(desk: Desk, tag: str) -> None:
    """Place, next thing, barriers, locks, readings and who was told stand on one printed page, and on the screen."""
    job, hands = desk.open_job(tag), desk.named("technician")
    desk.work_until(job, "Draw the spent filter")
    suspend(desk, hands, job)

    page = desk.get(hands, f"/jobs/{job}/sheet").text
    printed = desk.get(hands, f"/jobs/{job}/sheet.pdf").content

    assert len(pikepdf.open(io.BytesIO(printed)).pages) == 1
    told = text_of(printed)
    for words in (NEXT, "control room, by radio", "L-1", "1 barrier", "Housing minus room"):
        assert words in " ".join(page.split())
        assert words in told


def photo() -> bytes:
    """Return a real picture, four grey points, that every reader of pictures can read."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head, rows = struct.pack(">IIBBBBB", 2, 2, 8, 0, 0, 0, 0), zlib.compress(b"\0\x80\x80" * 2)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


def from_paper(desk: Desk, job: str, writer: Who, second: Who, hand: Who, clock: Clock, **more: str) -> Response:
    """Enter the due step from the first blank, with a photo, as it was done ten minutes ago."""
    due = state_of(desk, job).due
    assert due is not None
    then = clock.now - timedelta(minutes=10)
    fields = {
        "token": f"paper-{due.id}-{len(desk.running.site.jobs.events(job)):010}-{len(more)}",
        "step": due.id, "hand": hand.id, "day": f"{then:%Y-%m-%d}", "time": f"{then:%H:%M}",
        "why_late": "the tablets had no power", "second": second.id, "second_secret": SECRETS[second.name], "note": "",
        **{f"a.{name}": text for name, text in made_up_answers(due).items()},
    }  # fmt: skip
    if due.marks == 2:
        fields["began"] = f"{then:%H:%M}"
    if due.second:
        fields["beside"] = (second if hand != second else writer).id
    if "secret" in more:
        fields["person"] = writer.id
    fields |= more
    files = {} if fields.pop("no_photo", "") else {"photo": ("page.png", photo(), "image/png")}
    return desk.client(writer).post(f"/jobs/{job}/blanks/1/entry", data=fields, files=files)


def test_row_31_print_mid_job_finish_on_paper_enter_and_reconcile(desk: Desk, clock: Clock) -> None:
    """What comes back from a printed blank needs photo and second person, is labelled, and its serial number closes."""
    job, hands, eyes = desk.open_job(), desk.named("technician"), desk.named("technician", 1)
    officer, lead = desk.named("safety officer"), desk.named("lead", 1)
    desk.work_until(job, "to service on its test results")
    clock.now += timedelta(minutes=5)
    desk.clients.clear()  # sessions have locked meanwhile
    assert desk.post(hands, f"/jobs/{job}/blanks").status_code == 303
    blank = desk.get(hands, f"/jobs/{job}/blanks/1.pdf").content
    clock.now += timedelta(minutes=20)
    desk.clients.clear()  # sessions have locked meanwhile
    serial = state_of(desk, job).paper.blanks[0].serial

    sheets = pikepdf.open(io.BytesIO(blank)).pages
    told = text_of(blank)
    unnamed = from_paper(desk, job, officer, hands, officer, clock, secret=SECRETS[officer.name], person="")
    no_photo = from_paper(desk, job, officer, hands, officer, clock, secret=SECRETS[officer.name], no_photo="yes")
    by_hand = from_paper(desk, job, hands, eyes, officer, clock, secret=SECRETS[hands.name])
    released = from_paper(desk, job, officer, hands, officer, clock, secret=SECRETS[officer.name])
    alone = from_paper(desk, job, hands, hands, hands, clock)
    wrong = from_paper(desk, job, hands, eyes, hands, clock, second_secret="not the one at all")
    while (due := state_of(desk, job).due) is not None:
        hand, writer = (eyes, hands) if due.kind == "verify" else (hands, hands)
        entered = from_paper(desk, job, writer, eyes, hand, clock)
        assert entered.status_code == 303, entered.text
        assert entered.headers["location"] == f"/jobs/{job}/blanks/1/entry?entered"
        after = desk.client(writer).get(entered.headers["location"], follow_redirects=True)
        assert (after.status_code, "Not carried out" in after.text) == (200, False)
        assert re.search(r"told-good.*The (last step|line before) is entered from paper\.", after.text)

    assert len(sheets) > 1
    assert told.count(f"CONTROLLED BLANK {serial}") == len(sheets)
    assert "What happened beside the marks" in told
    assert re.search(r"put lock \S+ with tag \S+ on D-\d+, seen shut\.", told)
    assert re.findall(rf"\d+ of {len(sheets)}\b", told) == [f"{n + 1} of {len(sheets)}" for n in range(len(sheets))]
    assert unnamed.status_code == 403
    assert "This is your first signature" in unnamed.text
    assert no_photo.status_code == 422
    assert by_hand.status_code == 409
    assert released.status_code == 303
    assert [alone.status_code, wrong.status_code] == [409, 403]
    assert "the tablets had no power" in wrong.text
    early = desk.post(lead, f"/jobs/{job}/submit", permit_back="the permit desk", secret=SECRETS[lead.name])
    assert early.status_code == 409
    assert f"Blank {serial} is out" in early.text
    assert desk.post(hands, f"/jobs/{job}/blanks/1/reconciled", how="returned", blank="1").status_code == 422
    assert desk.post(hands, f"/jobs/{job}/blanks/1/reconciled", how="attached", blank="1").status_code == 303
    account_for_packages(desk.running.site.waste, job)
    (asked,) = state_of(desk, job).unanswered
    assert asked.kind == "transcribed from paper"
    desk.post(hands, f"/jobs/{job}/questions", entry=str(asked.seq), differed="The tablets had no power.")
    assert (
        desk.post(lead, f"/jobs/{job}/submit", permit_back="the permit desk", secret=SECRETS[lead.name]).status_code
        == 303
    )
    check_labels(desk, job, officer, serial)


def test_row_31_two_readings_of_one_page_that_differ_are_settled_on_its_form(desk: Desk, clock: Clock) -> None:
    """A number that decides is read twice off the page; where the readings differ, the form asks why and goes on."""
    job, hands, eyes = desk.open_job(), desk.named("technician"), desk.named("technician", 1)
    state = desk.work_until(job, "in place with the challenge aerosol")
    due = state.due
    assert due is not None
    desk.post(hands, f"/jobs/{job}/blanks")
    clock.now += timedelta(minutes=12)
    desk.clients.clear()  # sessions have locked meanwhile
    again = {
        f"a.{item.ask.id}{AGAIN}": made_up_answers(due)[item.ask.id]
        for item in due.asks
        if item.ask.twice and item.ask.required
    }

    differed = from_paper(desk, job, hands, eyes, hands, clock, **again | {f"a.upstream{AGAIN}": "77"})
    form = desk.get(hands, f"/jobs/{job}/blanks/1/entry").text
    unsaid = from_paper(desk, job, hands, eyes, hands, clock, **again)
    said = from_paper(desk, job, hands, eyes, hands, clock, **again, reconciled="a 7 taken for a 1")

    assert [answer.status_code for answer in (differed, unsaid, said)] == [303, 409, 303]
    assert 'name="reconciled"' in form
    assert "and 77 were entered" in form
    assert state_of(desk, job).mark(due.id).stands


def test_row_31_a_cut_from_paper_names_who_was_there_and_who_compared(desk: Desk, clock: Clock) -> None:
    """The form asks for the second person at the work, apart from whoever compares; page, trail and record say so."""
    job, hands, eyes = desk.open_job(), desk.named("technician"), desk.named("technician", 1)
    officer = desk.named("safety officer")
    due = desk.work_until(job, "Cut the neck").due
    assert due is not None
    desk.post(hands, f"/jobs/{job}/blanks")
    blank = text_of(desk.get(hands, f"/jobs/{job}/blanks/1.pdf").content)
    clock.now += timedelta(minutes=20)
    desk.clients.clear()  # sessions have locked meanwhile

    form = desk.get(hands, f"/jobs/{job}/blanks/1/entry").text
    nobody = from_paper(desk, job, hands, officer, hands, clock, beside="")
    himself = from_paper(desk, job, hands, officer, hands, clock, beside=hands.id)
    entered = from_paper(desk, job, hands, officer, hands, clock, beside=eyes.id)

    assert "Second person at the work, who was there, as written on the paper, no secret given" in form
    assert "Who compares this entry with the page now, at the work then or not" in form
    choice = re.search(r'<select[^>]*name="beside".*?</select>', form, re.DOTALL)
    assert choice is not None
    assert set(re.findall(r'value="([^"]+)"', choice[0])) == {who.id for who in state_of(desk, job).crew.present}
    assert [nobody.status_code, himself.status_code, entered.status_code] == [409, 409, 303], entered.text
    assert "Choose whom the page names as the second person there" in nobody.text
    assert "the same second person, there when begun" in blank
    assert "the same second person, there when done" in blank
    done = state_of(desk, job).mark(due.id).done
    assert done is not None
    assert (done.by, done.second, done.entered_by) == (hands, eyes, hands)
    told = f"with {eyes.name} (technician, as written on paper, no secret given)"
    assert told in unescape(desk.get(officer, f"/jobs/{job}/review").text)
    record = desk.get(officer, f"/jobs/{job}/record.pdf").content
    assert told in text_of(record)
    verdict = verify_record(record_in(record), signature=None, photo=desk.running.site.photos.read)
    assert [check.faults for check in verdict.checks if check.faults] == []


def test_row_31_one_entry_that_is_two_exceptions_is_one_place_on_the_review_page(desk: Desk, clock: Clock) -> None:
    """A reading from paper that lies outside its limit is opened for both reasons, and a link leads to the first."""
    job, hands, eyes = desk.open_job(), desk.named("technician"), desk.named("technician", 1)
    desk.work_until(job, "Twist the bag")
    desk.post(hands, f"/jobs/{job}/blanks")
    clock.now += timedelta(minutes=12)
    desk.clients.clear()  # sessions have locked meanwhile

    entered = from_paper(desk, job, hands, eyes, hands, clock, **{"a.length": "5"})
    page = desk.get(desk.named("safety officer"), f"/jobs/{job}/review").text

    assert entered.status_code == 303, entered.text
    numbers = [item.seq for item in state_of(desk, job).notables]
    (double,) = {seq for seq in numbers if numbers.count(seq) == 2}
    assert page.count(f'id="entry-{double}"') == 1
    assert page.count(f'<span class="figures">{double}</span><br>step') == 2


def check_labels(desk: Desk, job: str, officer: Who, serial: str) -> None:
    """Every entry from paper says so in the trail, in the PDF and in the data, and the record verifies."""
    events = desk.running.site.jobs.events(job)
    came = [event for event in events if isinstance(event, StepDone) and event.transcribed]
    assert came
    whole = desk.get(officer, f"/jobs/{job}").text
    marks = state_of(desk, job).marks.values()
    from_page = [mark for mark in marks if mark.done is not None and mark.done.paper is not None]
    assert whole.count(f", from paper {serial}") == len(from_page) > len(came)
    number = [step.id for step in state_of(desk, job).steps].index(came[0].step) + 1
    one = desk.get(officer, f"/jobs/{job}/steps/{number}").text
    done_at = came[0].transcribed.happened[:16].replace("T", " ") if came[0].transcribed else ""
    assert f"transcribed from paper {serial}: done by {came[0].hand.name} {done_at}" in one
    assert f"Done: {came[0].hand.name}" in one
    assert f", {done_at}" in one.partition("transcribed")[0], "when it was done, not when it was entered"
    review = desk.get(officer, f"/jobs/{job}/review").text
    assert review.count(f"transcribed from paper {serial}") >= 2 * len(came)
    printed = desk.get(officer, f"/jobs/{job}/record.pdf").content
    assert f"transcribed from paper {serial}" in text_of(printed)
    verdict = verify_record(record_in(printed), signature=None, photo=desk.running.site.photos.read)
    assert [check.faults for check in verdict.checks if check.faults] == []


def test_row_31_the_form_asks_all_that_the_due_step_asks(desk: Desk, clock: Clock) -> None:
    """A label that is read before anybody acts has its field beside the rest."""
    job, hands, eyes = desk.open_job(), desk.named("technician"), desk.named("technician", 1)
    due = desk.work_until(job, "Stop fan").due
    assert due is not None
    desk.post(hands, f"/jobs/{job}/blanks")
    clock.now += timedelta(minutes=20)
    desk.clients.clear()  # sessions have locked meanwhile

    page = desk.get(hands, f"/jobs/{job}/blanks/1/entry").text
    entered = from_paper(desk, job, hands, eyes, hands, clock, **{"a.label": due.asks[0].ask.expects or ""})

    assert [item.ask.kind for item in due.asks] == ["tag"]
    assert 'name="a.label"' in page
    assert "Begun at" in page
    assert entered.status_code == 303, entered.text


def beside_from_paper(desk: Desk, job: str, writer: Who, second: Who, clock: Clock, **more: str) -> Response:
    """Enter something beside the marks from the first blank, with a photo, as it was done ten minutes ago."""
    then = clock.now - timedelta(minutes=10)
    fields = {
        "token": f"beside-{len(desk.running.site.jobs.events(job)):010}-{abs(hash(tuple(more.items())))}",
        "day": f"{then:%Y-%m-%d}", "time": f"{then:%H:%M}", "why_late": "the tablets had no power",
        "second": second.id, "second_secret": SECRETS[second.name], **more,
    }  # fmt: skip
    files = {} if fields.pop("no_photo", "") else {"photo": ("page.png", photo(), "image/png")}
    return desk.client(writer).post(f"/jobs/{job}/blanks/1/beside", data=fields, files=files)


def test_row_31_locks_pauses_and_readings_have_their_lines_on_paper(desk: Desk) -> None:
    """The blank holds a row for each lock, a line for each of the crew, and tables for own locks and readings."""
    job, hands = desk.open_job(), desk.named("technician")
    desk.work_until(job, "Apply a lock")
    desk.post(hands, f"/jobs/{job}/blanks")
    printed = text_of(desk.get(hands, f"/jobs/{job}/blanks/1.pdf").content)

    for told in ("Position seen", "Lock number", "Tag number", "Put on by", "Lock off", "Taken off by", "row by row"):
        assert told in printed
    for who in state_of(desk, job).crew.present:
        assert f"{who.name} spoke" in printed
    for told in ("Say aloud and look at each:", "While a door is off", "at least every 30 min", "Own locks"):
        assert told in printed


def test_row_31_rows_of_locks_come_back_from_paper(desk: Desk, clock: Clock) -> None:
    """Each with the hand and the time of the page, a photo and a second person; the step stands with the last."""
    job, hands, eyes = desk.open_job(), desk.named("technician"), desk.named("technician", 1)
    step = desk.work_until(job, "Apply a lock").due
    assert step is not None
    desk.post(hands, f"/jobs/{job}/blanks")
    clock.now += timedelta(minutes=20)
    desk.clients.clear()  # sessions have locked meanwhile
    form = desk.get(hands, f"/jobs/{job}/blanks/1/entry").text
    row = {"what": "row on", "step": step.id, "hand": eyes.id, "seen": "as the row asks"}

    alone = beside_from_paper(desk, job, hands, hands, clock, **row, point="fan", lock="L-1", tag_number="T-1")
    no_photo = beside_from_paper(
        desk, job, hands, eyes, clock, **row, point="fan", lock="L-1", tag_number="T-1", no_photo="yes"
    )
    otherwise = beside_from_paper(
        desk,
        job,
        hands,
        eyes,
        clock,
        **{**row, "seen": "in another position"},
        point="fan",
        lock="L-1",
        tag_number="T-1",
    )
    entered = [
        beside_from_paper(desk, job, hands, eyes, clock, **row, point=point, lock=f"L-{point}", tag_number=f"T-{point}")
        for point in ("fan", "upstream", "downstream")
    ]

    nobodys = beside_from_paper(
        desk, job, hands, eyes, clock, **row, point="fan", lock="L-1", tag_number="T-1", no_photo="yes",
        photo_kept="ab" * 32,
    )  # fmt: skip

    assert (nobodys.status_code, "is not here. Take it anew" in nobodys.text) == (422, True)
    assert "Row on the page" in form
    assert [alone.status_code, no_photo.status_code, otherwise.status_code] == [409, 422, 409]
    assert "cannot compare it too" in alone.text
    assert 'value="L-1"' in no_photo.text, "what was typed is still there"
    assert "no photo of the paper page" in no_photo.text
    assert "seen in another position" in otherwise.text
    assert [item.status_code for item in entered] == [303] * 3, entered[0].text
    assert {item.headers["location"] for item in entered} == {f"/jobs/{job}/blanks/1/entry?entered"}
    again = desk.get(hands, f"/jobs/{job}/blanks/1/beside").text
    assert 'value="the tablets had no power"' in again, "nobody writes the same words for each line of a page"
    assert "as with the line before; another page, another photo" in again
    kept = re.search(r'name="photo_kept" value="([0-9a-f]{64})"', again)
    assert kept is not None
    assert kept[1] == hashlib.sha256(photo()).hexdigest()
    assert kept[1] not in desk.get(eyes, f"/jobs/{job}/blanks/1/beside").text, "only whoever has seen the page"
    state = state_of(desk, job)
    assert state.mark(step.id).stands
    assert {(item.by, item.entered_by) for item in state.locks.points} == {(eyes, hands)}
    board = unescape(desk.get(hands, f"/jobs/{job}/locks").text)
    assert f"from paper {state.paper.blanks[0].serial}" in board
    told = [item.kind for item in state.notables]
    assert told.count("transcribed from paper") == 4


def test_row_31_a_pause_own_locks_and_readings_come_back_from_paper(desk: Desk, clock: Clock) -> None:
    """All of the record: screens, the PDF and its checking say where they come from."""
    job, hands, eyes = desk.open_job(), desk.named("technician"), desk.named("technician", 1)
    step = desk.work_until(job, "Pause with the crew before EF").due
    assert step is not None
    desk.post(hands, f"/jobs/{job}/blanks")
    clock.now += timedelta(minutes=20)
    desk.clients.clear()  # sessions have locked meanwhile
    form = desk.get(hands, f"/jobs/{job}/blanks/1/entry").text
    present = state_of(desk, job).crew.present

    nobody = beside_from_paper(desk, job, hands, eyes, clock, what="pause", step=step.id)
    spoke = {f"spoke.{who.id}": "on" for who in present}
    paused = beside_from_paper(desk, job, hands, eyes, clock, what="pause", step=step.id, **spoke)
    page = desk.get(hands, f"/jobs/{job}/blanks/1/beside").text
    on = beside_from_paper(desk, job, hands, eyes, clock, what="own lock on", number="P-7", hand=eyes.id)
    early = beside_from_paper(desk, job, hands, eyes, clock, what="repeated reading", number="-20", hand=eyes.id)
    odd = beside_from_paper(desk, job, hands, eyes, clock, what="anything", number="1", hand=eyes.id)
    off = beside_from_paper(desk, job, hands, eyes, clock, what="own lock off", number="P-7", hand=eyes.id)

    for who in present:
        assert f"{who.name} spoke" in unescape(form)
    assert "repeated reading" in page
    assert (nobody.status_code, "Tick everybody whose line on the page is signed" in nobody.text) == (422, True)
    assert [item.status_code for item in (paused, on, off)] == [303] * 3, (paused.text, on.text, off.text)
    assert (early.status_code, "No door was off at" in early.text) == (409, True)
    assert odd.status_code == 422
    assert "stands on no page" in unescape(odd.text)
    assert off.headers["location"] == f"/jobs/{job}/blanks/1/beside?entered"
    state = state_of(desk, job)
    assert state.mark(step.id).stands
    assert state.locks.own == ()
    serial = state.paper.blanks[0].serial
    record = desk.get(hands, f"/jobs/{job}/record.pdf").content
    told = text_of(record)
    assert "what stands beside the steps" in told
    assert told.count(f"from paper {serial}") >= 3
    verdict = verify_record(record_in(record), signature=None, photo=desk.running.site.photos.read)
    assert [check.faults for check in verdict.checks if check.faults] == []


def test_row_31_a_repeated_reading_comes_back_from_paper(desk: Desk, clock: Clock) -> None:
    """With its hand and time in the table of readings, and the next one due from then."""
    job, hands, eyes = desk.open_job(), desk.named("technician"), desk.named("technician", 1)
    desk.work_until(job, "Draw the spent filter")
    desk.post(hands, f"/jobs/{job}/blanks")
    clock.now += timedelta(minutes=20)
    desk.clients.clear()  # sessions have locked meanwhile

    words = beside_from_paper(desk, job, hands, eyes, clock, what="repeated reading", number="low", hand=eyes.id)
    read = beside_from_paper(desk, job, hands, eyes, clock, what="repeated reading", number="-20", hand=eyes.id)

    assert words.status_code == 422
    assert read.status_code == 303, read.text
    then = f"{clock.now - timedelta(minutes=10):%H:%M}"
    board = unescape(desk.get(hands, f"/jobs/{job}/locks").text)
    assert f" {then}:00 +00:00, from paper {state_of(desk, job).paper.blanks[0].serial}" in board
    assert eyes.name in board


def test_row_31_times_of_a_page_are_held_against_what_was_so_then(desk: Desk, clock: Clock) -> None:
    """A stop since the printing, a brief after the act, a blank that is in, the same line sent twice."""
    job, hands, eyes, lead = desk.open_job(), desk.named("technician"), desk.named("technician", 1), desk.named("lead")
    step = desk.work_until(job, "Apply a lock").due
    assert step is not None
    desk.post(hands, f"/jobs/{job}/blanks")
    clock.now += timedelta(minutes=20)
    desk.clients.clear()  # sessions have locked meanwhile
    row = {"what": "row on", "step": step.id, "hand": eyes.id, "seen": "as the row asks", "point": "fan"}
    numbers = {"lock": "L-1", "tag_number": "T-1"}
    desk.post(lead, f"/jobs/{job}/brief", part="work", words="I lead and watch the ring.", person=lead.id,
              secret=SECRETS[lead.name])  # fmt: skip
    unbriefed = beside_from_paper(desk, job, hands, eyes, clock, **{**row, "hand": lead.id}, **numbers)
    once = beside_from_paper(desk, job, hands, eyes, clock, **row, **numbers)
    size = state_of(desk, job).size
    again = beside_from_paper(desk, job, hands, eyes, clock, **row, **numbers)
    desk.post(hands, f"/jobs/{job}/stop")
    desk.post(hands, f"/jobs/{job}/stop-reason", reason="unexpected", text="An alarm rang.")
    desk.post(desk.named("lead", 1), f"/jobs/{job}/reopen", answer="It was a drill.",
              secret=SECRETS[desk.named("lead", 1).name])  # fmt: skip
    desk.go_on(job)
    late = beside_from_paper(
        desk, job, hands, eyes, clock, **{**row, "point": "upstream"}, lock="L-2", tag_number="T-2"
    )
    voided = desk.post(hands, f"/jobs/{job}/blanks/1/reconciled", how="voided", reason="rained on", photo="")
    closed = beside_from_paper(
        desk, job, lead, eyes, clock, **{**row, "point": "upstream"}, lock="L-3", tag_number="T-3"
    )

    assert (unbriefed.status_code, "was not on the briefed crew" in unbriefed.text) == (409, True)
    assert once.status_code == 303, once.text
    assert again.status_code == 409
    assert "is locked already" in again.text
    assert state_of(desk, job).locks.at("fan") is not None
    assert size < state_of(desk, job).size
    assert (late.status_code, "A lead, who has looked since, enters it" in late.text) == (409, True)
    assert voided.status_code == 303
    assert (closed.status_code, "is accounted for (voided)" in closed.text) == (409, True)
