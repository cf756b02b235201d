"""Rows 4 to 6, 10, 13, 17 to 19 and 34: order, place, one mark at a time, stop, taking back, second persons.

The numbers are those of the goal table in DEVELOPERS.md, which says what each row asks and who asks it.
"""

import io
import json
import zipfile
from collections.abc import Callable
from pathlib import Path

import pikepdf
import pytest
from httpx2 import Response

from app.bootstrap import start
from app.domain.crew import Acknowledge
from app.domain.event_base import Who
from app.domain.events import AnswerCorrected, AttemptRefused, EntriesDiffered, JobReopened, StepBegun, StepDone
from app.domain.job import JobState, Stage
from app.domain.judging import AGAIN
from app.domain.steps import Step
from app.services.rehearsal import made_up_answers
from app.settings import Settings
from app.web.roles import ALLOWED
from tests.paper.tools import closed_up, pages
from tests.web.desk import SECRETS, Clock, Desk


def due_of(desk: Desk, job: str) -> Step:
    """Return the step that is due."""
    due = desk.running.site.jobs.state(job).due
    assert due is not None
    return due


def state_of(desk: Desk, job: str) -> JobState:
    """Return the job as it stands."""
    return desk.running.site.jobs.state(job)


def with_second(desk: Desk, place: int = 1) -> dict[str, str]:
    """Return the fields that a second person fills in."""
    who = desk.named("technician", place)
    return {"second": who.id, "second_secret": SECRETS[who.name]}


def answered(step: Step, **typed: str) -> dict[str, str]:
    """Return the fields of a step's answers, made up but for those typed."""
    return {f"a.{name}": text for name, text in (made_up_answers(step) | typed).items()}


def test_row_4_a_cut_before_its_closures_is_refused_and_remembered(desk: Desk) -> None:
    """`Cut done` sent by hand before the ties and bands is refused by the server, with an entry."""
    job, hands = desk.open_job(), desk.named("technician")
    desk.work_until(job, "on the package side of the neck")
    cut = next(step.id for step in state_of(desk, job).steps if step.id.endswith("/cut"))

    answer = desk.post(hands, f"/jobs/{job}/marks", step=cut, act="finish", **with_second(desk))

    assert answer.status_code == 409
    last = desk.running.site.jobs.events(job)[-1]
    assert isinstance(last, AttemptRefused)
    assert (last.code, last.step) == ("out_of_order", cut)
    assert not state_of(desk, job).mark(cut).stands


def test_row_5_after_a_kill_between_the_marks_that_step_is_open_and_no_other(tmp_path: Path, clock: Clock) -> None:
    """Begun, then the program ends: started again it shows that step begun and not done, and nothing else begun."""
    desk = Desk.at(tmp_path, clock)
    job, hands = desk.open_job(), desk.named("technician")
    desk.work_until(job, "fully into the bag")
    step = due_of(desk, job)
    desk.post(hands, f"/jobs/{job}/marks", step=step.id, act="begin")
    desk.running.close()

    again = Desk(start(Settings(data=tmp_path), clock))
    page = again.get(hands, f"/jobs/{job}/now").text
    state = state_of(again, job)
    again.running.close()

    assert f"Begun by {hands.name}" in page
    assert [name for name, mark in state.marks.items() if mark.begun and not mark.stands] == [step.id]


def test_row_6_one_request_marks_one_step(desk: Desk) -> None:
    """A form that names two steps, and a list of marks in one form, write nothing."""
    job, hands = desk.open_job(), desk.named("technician")
    first, second = state_of(desk, job).steps[:2]
    size = state_of(desk, job).size
    client = desk.client(hands)

    twice = client.post(
        f"/jobs/{job}/marks", content=f"token={'t' * 32}&act=finish&step={first.id}&step={second.id}",
        headers={"Content-Type": "application/x-www-form-urlencoded"},
    )  # fmt: skip
    listed = client.post(f"/jobs/{job}/marks", json=[{"step": first.id}, {"step": second.id}])

    assert twice.status_code == 422
    assert listed.status_code == 422
    assert state_of(desk, job).size == size


def test_row_10_a_stop_made_out_of_reach_is_not_lifted_by_who_made_it(desk: Desk, clock: Clock) -> None:
    """A lead stops on a tablet without the server; when it arrives the same lead cannot re-open, another can."""
    job, lead, other = desk.open_job(), desk.named("lead"), desk.named("lead", 1)
    mark = {"n": 1, "act": "stop", "token": "s" * 32, "device_at": "2026-03-02T07:10:00.000Z", "seen": 1}
    body = {"sent_at": "2026-03-02T07:15:00.000Z", "person": lead.id, "marks": [mark]}

    arrived = desk.client(lead).post(f"/jobs/{job}/kept", content=json.dumps(body))
    own = desk.post(lead, f"/jobs/{job}/reopen", answer="all is well", secret=SECRETS[lead.name])
    stopped = state_of(desk, job).stage
    desk.post(lead, f"/jobs/{job}/stop-reason", reason="unexpected", text="a bell")
    answer = desk.post(other, f"/jobs/{job}/reopen", answer="all is well", secret=SECRETS[other.name])

    assert arrived.json()["results"][0]["taken"] is True
    assert own.status_code == 409
    assert "cannot re-open it" in own.text
    assert stopped is Stage.STOPPED
    assert answer.status_code == 303
    assert isinstance(desk.running.site.jobs.events(job)[-1], JobReopened)


def test_row_13_a_clamp_taken_back_makes_the_test_due_again(desk: Desk) -> None:
    """The first mark stays with its reason; what relied on it is shown as due again, cuts stay cut."""
    job, lead = desk.open_job(), desk.named("lead")
    desk.work_until(job, "to service on its test results")
    clamp = next(step for step in state_of(desk, job).steps if step.id.endswith("clamp/upper-stop"))

    answer = desk.post(lead, f"/jobs/{job}/withdrawals", step=clamp.id, reason="the wrench slipped off the bolt")
    state = state_of(desk, job)
    page = desk.get(lead, f"/jobs/{job}").text

    assert answer.status_code == 303
    assert not state.mark("test/hepa/leak/aerosol").stands
    assert state.mark(clamp.id).done is not None
    assert all(state.mark(step.id).stands for step in state.steps if step.id.endswith("/cut"))
    assert "due again" in page
    assert "the wrench slipped off the bolt" in page


PLACES = {"tag": "EF-03", "bank": "hepa", "point": "upstream", "sha256": "ab" * 32, "lot": "F-1", "plan": "PL-0001",
          "item": "permit", "work": "PL-0001", "person": "noor-haddad", "container": "B-1",
          "handover": "H-0001"}  # fmt: skip
"""What stands in the addresses of pages, where it is neither a job nor a step."""


def shown_to(desk: Desk, who: Who, **named: str) -> dict[str, Response]:
    """Return every page that the table of routes knows, as this person gets it; a path takes what is named."""
    return {path: desk.get(who, path) for path in (route.format(**named) for verb, route in ALLOWED if verb == "GET")}


def unpacked(content: bytes, folder: Path) -> bytes:
    """Return what a file holds for somebody who takes it apart: members, streams and printed text."""
    if content.startswith(b"PK"):
        with zipfile.ZipFile(io.BytesIO(content)) as packed:
            return b"\n".join(unpacked(packed.read(name), folder) for name in packed.namelist())
    if content.startswith(b"%PDF"):
        with pikepdf.open(io.BytesIO(content)) as pdf:
            streams = [item.read_bytes() for item in pdf.objects if isinstance(item, pikepdf.Stream)]
        return b"\n".join([content, *streams, " ".join(pages(content, folder)).encode()])
    return content


def test_row_17_what_is_verified_unseen_stands_in_no_byte_that_the_verifier_gets(desk: Desk, tmp_path: Path) -> None:
    """Before the verifier's own entry no page that there is holds the first one, and the record waits; then both show.

    PDFs and archives are taken apart; after the entry the same reading finds the number in them.
    """
    job, hands, eyes = desk.open_job(), desk.named("technician"), desk.named("technician", 1)
    desk.work_until(job, "Read the serial number of the new filter")
    first, secret_serial = due_of(desk, job), "QX-77-4410-B"
    desk.post(hands, f"/jobs/{job}/marks", step=first.id, act="finish", **answered(first, serial=secret_serial))
    due = due_of(desk, job)
    number = state_of(desk, job).index[first.id] + 1
    named = PLACES | {"job": job}

    before = {
        (path, at): page
        for at in (number, number + 1, 1)
        for path, page in shown_to(desk, eyes, **named, number=str(at)).items()
    }
    own = desk.post(hands, f"/jobs/{job}/marks", step=due.id, act="finish", **{"a.serial": secret_serial})
    entered = desk.post(eyes, f"/jobs/{job}/marks", step=due.id, act="finish", **{"a.serial": " qx-77-4410-b "})
    after = shown_to(desk, eyes, **named, number=str(number))

    assert [at for at, page in before.items() if secret_serial.encode() in unpacked(page.content, tmp_path)] == []
    assert sum(page.status_code == 200 for page in before.values()) > 100
    assert {before[f"/jobs/{job}{page}", number].status_code for page in ("", "/now", "/review", "/sheet.pdf")} == {200}
    assert {before[f"/jobs/{job}/record.{kind}", number].status_code for kind in ("json", "pdf", "zip")} == {409}
    assert own.status_code == 409
    assert entered.status_code == 303
    holding = {path for path, page in after.items() if secret_serial.encode() in unpacked(page.content, tmp_path)}
    assert holding == {
        f"/jobs/{job}{page}"
        for page in ("", "/review", f"/steps/{number}", f"/steps/{number}/change", "/record.json", "/record.pdf",
                     "/record.zip", "/certificate/hepa", "/certificate/hepa.pdf")
    }  # fmt: skip
    assert state_of(desk, job).mark(due.id).stands


def test_row_17_a_stop_does_not_show_the_verifier_what_was_entered(desk: Desk, tmp_path: Path) -> None:
    """Stopped by the verifier, the pages hold as little as before; a lead takes the record, for work is stopped."""
    job, hands, eyes, lead = desk.open_job(), *(desk.named("technician", n) for n in (0, 1)), desk.named("lead", 1)
    desk.work_until(job, "Read the serial number of the new filter")
    first, secret_serial = due_of(desk, job), "QX-77-4410-B"
    desk.post(hands, f"/jobs/{job}/marks", step=first.id, act="finish", **answered(first, serial=secret_serial))
    number = str(state_of(desk, job).index[first.id] + 1)
    named = PLACES | {"job": job, "number": number}
    by_lead = desk.get(lead, f"/jobs/{job}/record.json")

    desk.post(eyes, f"/jobs/{job}/stop")
    pages_now = shown_to(desk, eyes, **named)
    taken = desk.get(lead, f"/jobs/{job}/record.json")

    holding = [path for path, page in pages_now.items() if secret_serial.encode() in unpacked(page.content, tmp_path)]
    assert holding == []
    assert pages_now[f"/jobs/{job}/record.json"].status_code == 409
    assert (by_lead.status_code, taken.status_code) == (409, 200)
    assert secret_serial in taken.text


def lock_points(desk: Desk, job: str) -> dict[str, str]:
    """Record the rows of the table of locks with numbers like no others; return these by what they are."""
    hands = desk.named("technician")
    for number, point in enumerate(("upstream", "downstream", "fan"), start=1):
        seen = "stopped, isolator off" if point == "fan" else "shut"
        desk.post(
            hands, f"/jobs/{job}/rows", act="on", step=due_of(desk, job).id, point=point, seen=seen,
            lock=f"LQ-{number}7731", tag_number=f"TQ-{number}7732",
        )  # fmt: skip
    return {"lock": "LQ-17731", "tag": "TQ-37732"}


def enter_gap(desk: Desk, job: str) -> dict[str, str]:
    """Enter the gap between the bands with digits like no others."""
    step = due_of(desk, job)
    typed = answered(step, gap="7.70310") | {"note": "gap read twice, QN-5512"}
    desk.post(desk.named("technician"), f"/jobs/{job}/marks", step=step.id, act="finish", **typed)
    return {"gap": "7.70310", "note": "QN-5512"}


def enter_torque(desk: Desk, job: str) -> dict[str, str]:
    """Enter the torque of the bolts with digits like no others, and put it right once."""
    step, lead = due_of(desk, job), desk.named("lead")
    typed = answered(step, upper="9.70410", lower="9.70420")
    desk.post(desk.named("technician"), f"/jobs/{job}/marks", step=step.id, act="finish", **typed)
    desk.post(lead, f"/jobs/{job}/corrections", step=step.id, ask="upper", now="9.70430", reason="slip QN-5513")
    return {"was": "9.70410", "now": "9.70430", "lower": "9.70420", "why": "QN-5513"}


@pytest.mark.parametrize(
    ("words", "enter", "verified"),
    [
        ("to each point of isolation", lock_points, "isolation"),
        ("on the ring side, about", enter_gap, "out-1/closures"),
        ("torque of both drive bolts", enter_torque, "clamp/at-stop"),
    ],
)
def test_row_17_what_was_found_is_in_no_byte_before_the_verifier_has_found_it(
    desk: Desk, tmp_path: Path, words: str, enter: Callable[[Desk, str], dict[str, str]], verified: str
) -> None:
    """Locks, closures and clamp: from their entry until the verification stands only their own hand is shown them."""
    job, hands, eyes, lead = desk.open_job(), *(desk.named("technician", n) for n in (0, 1)), desk.named("lead", 1)
    desk.work_until(job, words)
    number = str(state_of(desk, job).index[due_of(desk, job).id] + 1)
    named = PLACES | {"job": job, "number": number}

    typed = enter(desk, job)
    soon = {path: page.content for path, page in shown_to(desk, eyes, **named).items()}
    own = desk.get(hands, f"/jobs/{job}").text
    desk.work_until(job, next(step.text for step in state_of(desk, job).steps if step.id.endswith(f"/{verified}")))
    due = due_of(desk, job)
    late = {path: page.content for path, page in shown_to(desk, eyes, **named).items()}
    by_lead = desk.get(lead, f"/jobs/{job}").text
    refused = desk.get(eyes, f"/jobs/{job}/record.json").status_code
    desk.work_until(job, state_of(desk, job).steps[state_of(desk, job).index[due.id] + 1].text)
    after = desk.get(eyes, f"/jobs/{job}").text

    assert due.id.endswith(verified)
    holding = {(path, name) for pages_then in (soon, late) for path, data in pages_then.items()
               for name, text in typed.items() if text.encode() in unpacked(data, tmp_path)}  # fmt: skip
    assert holding == set()
    assert refused == 409
    assert [name for name, text in typed.items() if text in by_lead] == []
    assert [name for name, text in typed.items() if text not in own and name not in {"was", "now", "why"}] == []
    assert [name for name, text in typed.items() if text not in after] == []


def test_row_17_the_lead_who_took_the_record_of_stopped_work_does_not_verify_it(desk: Desk) -> None:
    """Of stopped work a lead takes the whole record; then somebody else verifies, and so does who re-opened."""
    job, eyes = desk.open_job(), desk.named("technician", 1)
    lead, other = desk.named("lead"), desk.named("lead", 1)
    for who in (lead, other):
        desk.do(job, Acknowledge("work", "I know the cuts and when to stop."), who)
    desk.work_until(job, "Count the ties")
    desk.post(eyes, f"/jobs/{job}/stop")
    desk.post(eyes, f"/jobs/{job}/stop-reason", reason="unexpected", text="a bell")
    taken = desk.get(lead, f"/jobs/{job}/record.json")
    desk.post(other, f"/jobs/{job}/reopen", answer="all is well", secret=SECRETS[other.name])
    desk.go_on(job)
    due = due_of(desk, job)

    tried = [desk.post(who, f"/jobs/{job}/marks", step=due.id, act="finish", **answered(due)) for who in (lead, other)]
    last = desk.running.site.jobs.events(job)[-1]
    by_eyes = desk.post(eyes, f"/jobs/{job}/marks", step=due.id, act="finish", **answered(due))

    assert taken.status_code == 200
    assert [answer.status_code for answer in tried] == [409, 409]
    assert "Somebody else must verify it unseen" in tried[0].text
    assert isinstance(last, AttemptRefused)
    assert last.code == "has_seen"
    assert by_eyes.status_code == 303


@pytest.mark.parametrize("stopped", [False, True])
def test_row_17_no_paper_shows_the_verifier_what_was_entered(desk: Desk, tmp_path: Path, stopped: bool) -> None:
    """A blank and a sheet to hand over lie in the verifier's hand: what is verified unseen is not on them."""
    job, hands, eyes = desk.open_job(), desk.named("technician"), desk.named("technician", 1)
    desk.work_until(job, "Read the serial number of the new filter")
    secret_serial = "QX-77-4410-B"
    desk.answer(job, hands, serial=secret_serial)
    if stopped:
        desk.post(eyes, f"/jobs/{job}/stop")
    desk.post(eyes, f"/jobs/{job}/blanks")

    blank, sheet = (
        " ".join(pages(desk.get(eyes, f"/jobs/{job}/{name}.pdf").content, tmp_path)) for name in ("blanks/1", "sheet")
    )

    assert secret_serial not in blank + sheet
    assert "not shown before it is verified" in blank


def test_row_17_another_serial_number_stops_the_job_and_both_are_kept(desk: Desk) -> None:
    """What the verifier found and what was entered first stand side by side, and a lead looks."""
    job, eyes = desk.open_job(), desk.named("technician", 1)
    desk.work_until(job, "Read the serial number of that filter anew")
    due = due_of(desk, job)

    desk.post(eyes, f"/jobs/{job}/marks", step=due.id, act="finish", **{"a.serial": "QX-77-4411-B"})
    state = state_of(desk, job)

    assert state.stage is Stage.STOPPED
    assert state.stop is not None
    assert state.stop.reason == "unexpected"
    ((_, evidence),) = state.mark(due.id).attempts
    assert evidence.answers["serial"].text == "QX-77-4411-B"
    assert "rehearsal, serial" in (evidence.judged[0].basis or "")


def test_row_18_one_person_cannot_begin_a_cut(desk: Desk) -> None:
    """Without a second person, with oneself, or with a wrong secret a cut is neither begun nor done."""
    job, hands = desk.open_job(), desk.named("technician")
    desk.work_until(job, "Cut the neck")
    cut, path = due_of(desk, job).id, f"/jobs/{job}/marks"
    myself = {"second": hands.id, "second_secret": SECRETS[hands.name]}

    alone = desk.post(hands, path, step=cut, act="begin")
    own = desk.post(hands, path, step=cut, act="begin", **myself)
    wrong = desk.post(hands, path, step=cut, act="begin", **(with_second(desk) | {"second_secret": "not it at all"}))
    nothing = state_of(desk, job).mark(cut).begun
    begun = desk.post(hands, path, step=cut, act="begin", **with_second(desk))
    ended_alone = desk.post(hands, path, step=cut, act="finish")
    ended = desk.post(hands, path, step=cut, act="finish", **with_second(desk))

    assert [alone.status_code, own.status_code, wrong.status_code] == [409, 409, 403]
    assert "takes two people" in alone.text
    assert nothing is None
    assert begun.status_code == 303
    assert ended_alone.status_code == 409
    assert ended.status_code == 303
    marks = [event for event in desk.running.site.jobs.events(job) if isinstance(event, StepBegun | StepDone)]
    assert all(event.second == desk.named("technician", 1) for event in marks if event.step == cut)


def test_row_18_every_cut_and_opening_takes_two(desk: Desk) -> None:
    """No job of the shipped procedures holds a cut or an opening that one person may mark."""
    for tag, kind in (("EF-03", "change-out"), ("EF-07", "change-out"), ("EF-07", "first-fit-out")):
        steps = state_of(desk, desk.open_job(tag, kind)).steps
        grave = [step for step in steps if {"cut", "take_door_off"} & {effect.act for effect in step.effects}]
        assert grave
        assert all(step.second == "concurrent" for step in grave), tag


def test_row_18_a_tablet_out_of_reach_does_not_begin_a_cut(desk: Desk) -> None:
    """A kept mark without a second person is not taken as the beginning of a cut; a lead looks."""
    job, hands = desk.open_job(), desk.named("technician")
    state = desk.work_until(job, "Cut the neck")
    mark = {"n": 1, "act": "begin", "step": due_of(desk, job).id, "token": "c" * 32, "seen": state.size,
            "device_at": "2026-03-02T07:10:00.000Z"}  # fmt: skip
    body = {"sent_at": "2026-03-02T07:15:00.000Z", "person": hands.id, "marks": [mark]}

    desk.client(hands).post(f"/jobs/{job}/kept", content=json.dumps(body))
    ahead = desk.get(hands, f"/jobs/{job}/ahead").json()

    assert state_of(desk, job).mark(due_of(desk, job).id).begun is None
    assert state_of(desk, job).stage is Stage.CONTESTED
    assert [panel["html"] for panel in ahead["panels"] if panel["waits"]] in ([""], [])


def test_row_19_a_reading_of_two_is_not_done_without_its_witness(desk: Desk) -> None:
    """Alone, with oneself or with a wrong secret nothing is entered; with somebody else's secret it is."""
    job, hands = desk.open_job(), desk.named("technician")
    desk.work_until(job, "in place with the challenge aerosol")
    due, path = due_of(desk, job), f"/jobs/{job}/marks"
    fields = {"step": due.id, "act": "finish", **answered(due)}
    fields |= {
        f"a.{asked.ask.id}{AGAIN}": fields[f"a.{asked.ask.id}"]
        for asked in due.asks
        if asked.ask.twice and asked.ask.required
    }
    myself = {"second": hands.id, "second_secret": SECRETS[hands.name]}

    alone = desk.post(hands, path, **fields)
    own = desk.post(hands, path, **fields, **myself)
    wrong = desk.post(hands, path, **fields, **(with_second(desk) | {"second_secret": "not it at all"}))
    nothing = state_of(desk, job).mark(due.id)
    together = desk.post(hands, path, **fields, **with_second(desk))

    assert due.second == "witness"
    assert [alone.status_code, own.status_code, wrong.status_code, together.status_code] == [409, 409, 403, 303]
    assert "takes two people" in alone.text
    assert not nothing.stands
    assert nothing.attempts == ()
    assert state_of(desk, job).mark(due.id).stands


def test_a_lead_who_worked_on_the_job_releases_none_of_its_holds(desk: Desk) -> None:
    """One mark is enough; another lead of the crew releases it."""
    job, worked, other = desk.open_job(), desk.named("lead"), desk.named("lead", 1)
    desk.do(job, Acknowledge("work", "I count the straps and watch the bag."), worked)
    desk.work_until(job, "Twist the bag into")
    due = due_of(desk, job)
    marked = desk.post(worked, f"/jobs/{job}/marks", step=due.id, act="finish", **answered(due))
    desk.work_until(job, "Release the closing")
    hold, path = due_of(desk, job), f"/jobs/{job}/release"
    desk.do(job, Acknowledge("release", "I release the closing once the bag is rolled."), other)

    refused = desk.post(worked, path, step=hold.id, secret=SECRETS[worked.name])
    released = desk.post(other, path, step=hold.id, secret=SECRETS[other.name])

    assert [marked.status_code, refused.status_code, released.status_code] == [303, 409, 303]
    assert f"{worked.name} has worked on this job and cannot release its holds" in refused.text
    assert any(item.code == "hold_own_work" for item in state_of(desk, job).notables)


def test_row_19_two_entries_that_differ_by_one_digit_are_both_kept_and_reconciled(desk: Desk) -> None:
    """The view shows both entries and asks why; without a reason nobody goes on; the record tells all of it."""
    job, hands = desk.open_job(), desk.named("technician")
    desk.work_until(job, "in place with the challenge aerosol")
    due, path = due_of(desk, job), f"/jobs/{job}/marks"
    fields = answered(due) | with_second(desk)
    differing = fields | {"a.downstream": "0.0085", f"a.downstream{AGAIN}": "0.0086"}

    desk.post(hands, path, step=due.id, act="finish", **differing)
    page = desk.get(hands, f"/jobs/{job}/now").text
    untold = desk.post(hands, path, step=due.id, act="finish", **fields)
    told = desk.post(hands, path, step=due.id, act="finish", reconciled="one of us read the range switch", **fields)
    state = state_of(desk, job)

    assert "0.0085 and 0.0086 were entered" in page
    assert "Why they differed" in page
    assert untold.status_code == 409
    assert told.status_code == 303
    kept = [event for event in desk.running.site.jobs.events(job) if isinstance(event, EntriesDiffered)]
    assert [(event.first, event.again) for event in kept] == [("0.0085", "0.0086")]
    assert state.mark(due.id).stands
    assert state.mark(due.id).differences[0].settled == "one of us read the range switch"
    assert any(item.kind == "two entries differ" for item in state.notables)
    trail = desk.get(hands, f"/jobs/{job}").text
    assert "which should be one number" in trail
    assert "one of us read the range switch" in trail


def test_row_24_what_lies_outside_its_limit_stops_the_job_with_its_reason(desk: Desk) -> None:
    """The stop needs no second tap and no reason; who entered it cannot re-open."""
    job, lead, other = desk.open_job(), desk.named("lead"), desk.named("lead", 1)
    desk.do(job, Acknowledge("work", "I gather the neck and watch the strap."), lead)
    desk.work_until(job, "Twist the bag into")

    answer = desk.post(lead, f"/jobs/{job}/marks", step=due_of(desk, job).id, act="finish", **{"a.length": "20"})
    state = state_of(desk, job)
    own = desk.post(lead, f"/jobs/{job}/reopen", answer="typed wrongly", secret=SECRETS[lead.name])
    another = desk.post(other, f"/jobs/{job}/reopen", answer="typed wrongly", secret=SECRETS[other.name])

    assert answer.status_code == 303
    assert state.stop is not None
    assert (state.stop.reason, state.stop.stamp.by.id) == ("unexpected", lead.id)
    assert "Gathered length 20 mm" in state.stop.text
    assert own.status_code == 409
    assert another.status_code == 303


def test_row_34_a_reading_that_was_changed_shows_both_values_everywhere(desk: Desk, tmp_path: Path) -> None:
    """On the page, in the JSON and in the PDF: the first value, the new one, who, when and why."""
    job, hands = desk.open_job(), desk.named("technician")
    desk.work_until(job, "Tie one tie strap on the package side")
    step = next(step for step in state_of(desk, job).steps if step.id.endswith("/gather"))

    desk.post(
        hands, f"/jobs/{job}/corrections", step=step.id, ask="length", now="212", reason="read from the wrong end"
    )
    page = desk.get(hands, f"/jobs/{job}").text
    desk.work_until(job, "before the first cut")
    record = desk.get(hands, f"/jobs/{job}/record.json").json()
    pdf = desk.get(hands, f"/jobs/{job}/record.pdf").content
    printed = closed_up(" ".join(pages(pdf, tmp_path)))

    (entry,) = [event for event in desk.running.site.jobs.events(job) if isinstance(event, AnswerCorrected)]
    for value in (entry.was, "212", "read from the wrong end", hands.name):
        assert value in page
        assert value in json.dumps(record, ensure_ascii=False)
        assert closed_up(value) in printed
