"""Rows 20 and 24 to 28: labels, repeated readings, rows of locks, locks of others, own locks, the permit."""

import json
from collections.abc import Iterator
from datetime import timedelta
from html import unescape
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from httpx2 import Response

from app.domain.commands import Correct, Reopen
from app.domain.deciding.leaving import suspend_looks
from app.domain.event_base import Who
from app.domain.events import AttemptRefused, JobStopped
from app.domain.job import JobState, Stage
from app.domain.locks import OthersLockRemoved, PointLocked
from app.domain.watching import ReadingMissed, ReadingRepeated
from app.services.rehearsal import looks_as_recorded
from tests.paper.tools import pages
from tests.web.desk import SECRETS, Clock, Desk


@pytest.fixture
def clock() -> Clock:
    """A told clock."""
    return Clock()


@pytest.fixture
def desk(tmp_path: Path, clock: Clock) -> Iterator[Desk]:
    """A sample site with its people, by a clock that is told."""
    made = Desk.at(tmp_path, clock)
    yield made
    made.running.close()


def at(desk: Desk, words: str) -> tuple[str, str]:
    """Open a job, work up to the step whose action holds these words; return the job and the step's id."""
    job = desk.open_job()
    return job, due(desk.work_until(job, words))


def due(state: JobState) -> str:
    """Return the id of the step that is due."""
    assert state.due is not None
    return state.due.id


def last_refusal(desk: Desk, job: str) -> AttemptRefused:
    """Return the newest entry of the job, which must be a refusal."""
    event = desk.running.site.jobs.events(job)[-1]
    assert isinstance(event, AttemptRefused)
    return event


def lock(desk: Desk, who: Who, job: str, step: str, point: str, seen: str = "shut") -> Response:
    """Record one row of the table of locks."""
    return desk.post(
        who,
        f"/jobs/{job}/rows",
        act="on",
        step=step,
        point=point,
        seen=seen,
        lock=f"L-{point}",
        tag_number=f"T-{point}",
    )


def test_row_20_a_neighbours_damper_is_blocked_logged_and_named(desk: Desk) -> None:
    """The label of the damper next door is no beginning: both tags are told and the refusal is an entry."""
    hands = desk.named("technician")
    job, step = at(desk, "Shut the upstream damper")
    page = desk.get(hands, f"/jobs/{job}/now").text

    answer = desk.post(hands, f"/jobs/{job}/marks", step=step, act="begin", **{"a.label": "D-201"})
    right = desk.post(hands, f"/jobs/{job}/marks", step=step, act="begin", **{"a.label": "d-301"})

    assert "Must read <b>D-301</b>" in page
    assert "not this one: D-201, D-202" in page
    assert answer.status_code == 409
    assert "D-201" in answer.text
    assert 'value="D-201"' in answer.text
    assert right.status_code == 303
    events = desk.running.site.jobs.events(job)
    refusal = next(event for event in events if isinstance(event, AttemptRefused))
    assert refusal.code == "wrong_tag"
    assert "D-201" in refusal.sentence
    assert "D-301" in refusal.sentence
    begun = desk.running.site.jobs.state(job).mark(step)
    assert begun.labels == {"label": "d-301"}


def test_row_24_a_reading_missed_twice_stops_the_job_with_its_times(desk: Desk, clock: Clock) -> None:
    """With a door off the next reading is in view; once missed it is marked, twice it stops the job."""
    hands, eyes = desk.named("technician"), desk.named("technician", 1)
    job, _ = at(desk, "Inspect the bag")
    first = desk.get(hands, f"/jobs/{job}/now").text
    clock.now += timedelta(minutes=20)
    desk.clients.clear()  # sessions have locked meanwhile
    taken = desk.post(hands, f"/jobs/{job}/reading", reading="-20")
    clock.now += timedelta(minutes=31)
    desk.clients.clear()  # sessions have locked meanwhile
    once = desk.get(eyes, f"/jobs/{job}/now").text
    clock.now += timedelta(minutes=31)
    desk.clients.clear()  # sessions have locked meanwhile
    twice = desk.get(eyes, f"/jobs/{job}/now").text

    assert "Reading by 07:45" in first
    assert taken.status_code == 303
    assert "1 missed; 2 stop the job" in once
    assert "Stopped by" in twice
    assert desk.running.site.jobs.state(job).stage is Stage.STOPPED
    events = desk.running.site.jobs.events(job)
    assert [event.due[11:16] for event in events if isinstance(event, ReadingMissed)] == ["08:05", "08:35"]
    assert [event.answer.text for event in events if isinstance(event, ReadingRepeated)] == ["-20"]
    stop = events[-1]
    assert isinstance(stop, JobStopped)
    assert stop.reason == "unexpected"
    assert "08:35" in stop.text


def test_row_24_whoever_acts_on_an_overdue_job_finds_it_stopped(desk: Desk, clock: Clock) -> None:
    """A mark that comes when two readings were missed is refused, and the stop stands in the record."""
    hands = desk.named("technician")
    job, step = at(desk, "Inspect the bag")
    clock.now += timedelta(minutes=90)
    desk.clients.clear()  # sessions have locked meanwhile

    good = {"a.seen": "whole, strap tight in its groove"}
    answer = desk.post(hands, f"/jobs/{job}/marks", step=step, act="finish", note="", **good)

    assert answer.status_code == 409
    assert "The job is stopped" in answer.text
    assert desk.running.site.jobs.state(job).stage is Stage.STOPPED
    assert not desk.running.site.jobs.state(job).mark(step).stands


def test_row_25_with_one_point_left_out_nothing_is_opened(desk: Desk) -> None:
    """Two of three points locked: the step does not end, the refusal names the third, and the door is refused."""
    hands = desk.named("technician")
    job, step = at(desk, "Apply a lock")
    door = next(item.id for item in desk.running.site.jobs.state(job).steps if item.id.endswith("open/door"))
    for point in ("upstream", "downstream"):
        assert lock(desk, hands, job, step, point).status_code == 303

    done = desk.post(hands, f"/jobs/{job}/marks", step=step, act="finish", note="")
    told = last_refusal(desk, job).sentence
    opening = desk.post(hands, f"/jobs/{job}/marks", step=door, act="begin", **{"a.label": "EF-03"})

    assert done.status_code == 409
    assert "F-31" in told
    assert opening.status_code == 409
    assert due(desk.running.site.jobs.state(job)) == step
    page = desk.get(hands, f"/jobs/{job}/now").text
    assert "lock L-upstream, tag T-upstream" in page
    assert "no lock on it" in page
    assert lock(desk, hands, job, step, "fan", "stopped, isolator off").status_code == 303
    assert due(desk.running.site.jobs.state(job)).endswith("verify/pressure")
    rows = [event for event in desk.running.site.jobs.events(job) if isinstance(event, PointLocked)]
    assert [(row.tag, row.by.id) for row in rows] == [(tag, hands.id) for tag in ("D-301", "D-302", "F-31")]


def test_row_25_a_refused_row_keeps_what_was_typed(desk: Desk) -> None:
    """A point seen in another position is refused and logged; lock and tag number still stand in their fields."""
    hands = desk.named("technician")
    job, step = at(desk, "Apply a lock")

    answer = lock(desk, hands, job, step, "downstream", "in another position")

    assert answer.status_code == 409
    assert "D-302" in last_refusal(desk, job).sentence
    assert 'value="L-downstream"' in answer.text
    assert 'value="T-downstream"' in answer.text


def test_row_25_purge_and_sample_lines_are_isolated_verified_locked_and_released(desk: Desk) -> None:
    """Each of five points takes its row, seen as it is to be; with one left out nothing is verified or put back."""
    hands, eyes, lead = desk.named("technician"), desk.named("technician", 1), desk.named("lead")
    job = desk.open_job("EF-11")
    step = due(desk.work_until(job, "Apply a lock"))
    page = desk.get(hands, f"/jobs/{job}/now").text
    for point in ("upstream", "downstream"):
        assert lock(desk, hands, job, step, point).status_code == 303
    assert lock(desk, hands, job, step, "fan", "stopped, isolator off").status_code == 303

    row = desk.get(hands, f"/jobs/{job}/rows/purge").text
    otherwise = lock(desk, hands, job, step, "purge", "in another position")
    assert "V-113" in last_refusal(desk, job).sentence
    purged = lock(desk, hands, job, step, "purge", "shut, end capped")
    early = desk.post(hands, f"/jobs/{job}/marks", step=step, act="finish", note="")
    assert "V-114" in last_refusal(desk, job).sentence
    sampled = lock(desk, hands, job, step, "sample", "shut")

    for told in ("<b>V-113</b><span>purge line, to be shut, end capped", "<b>V-114</b><span>sample line, to be shut"):
        assert told in page
    assert 'value="shut, end capped"' in row
    assert (otherwise.status_code, purged.status_code, early.status_code, sampled.status_code) == (409, 303, 409, 303)
    board = desk.get(hands, f"/jobs/{job}/locks").text
    assert "L-purge" in board
    assert "L-sample" in board
    assert desk.post(lead, f"/jobs/{job}/trial", part="clear", point="purge", seen="clear").status_code == 409

    verifying = due(desk.work_until(job, "Verify that fan"))
    seen = {"a.tried": "at the switch", "a.seen": "dampers shut, locks on, fan dead, no flow", "a.flow": "0"}
    asked = desk.running.site.jobs.state(job).steps
    asks = next(step.asks for step in asked if step.id == verifying)
    seen |= {f"a.{item.ask.id}": item.ask.good[0] for item in asks if item.ask.id.startswith("point-")}
    own = desk.post(hands, f"/jobs/{job}/marks", step=verifying, act="begin")
    begun = desk.post(eyes, f"/jobs/{job}/marks", step=verifying, act="begin")
    verified = desk.post(eyes, f"/jobs/{job}/marks", step=verifying, act="finish", note="", **seen)
    assert (own.status_code, begun.status_code, verified.status_code) == (409, 303, 303)
    assert desk.running.site.jobs.state(job).mark(verifying).stands

    coming_off = due(desk.work_until(job, "Remove the locks"))
    for point in ("upstream", "downstream", "fan", "purge"):
        assert desk.post(hands, f"/jobs/{job}/rows", act="off", step=coming_off, point=point).status_code == 303
    by_other = desk.post(eyes, f"/jobs/{job}/rows", act="off", step=coming_off, point="sample")
    still = desk.post(hands, f"/jobs/{job}/marks", step=coming_off, act="finish", note="")
    assert "V-114" in last_refusal(desk, job).sentence
    last = desk.post(hands, f"/jobs/{job}/rows", act="off", step=coming_off, point="sample")
    assert (by_other.status_code, still.status_code, last.status_code) == (409, 409, 303)
    assert due(desk.running.site.jobs.state(job)).endswith("unlock/upstream")
    rows = json.loads(desk.get(lead, f"/jobs/{job}/record.json").content)["entries"]
    kinds = [(item["type"], item["point"]) for item in rows if item["type"] in ("point_locked", "point_unlocked")]
    assert [point for kind, point in kinds if kind == "point_locked"][-2:] == ["purge", "sample"]
    assert [point for kind, point in kinds if kind == "point_unlocked"][-2:] == ["purge", "sample"]


def test_row_25_after_a_stop_the_locks_of_purge_and_sample_lines_are_looked_at_as_well(desk: Desk) -> None:
    """Re-opened with a door off, the number on each of the five locks is typed again; another one stops the job."""
    hands, lead = desk.named("technician"), desk.named("lead", 1)
    job = desk.open_job("EF-11")
    desk.work_until(job, "Inspect the bag")
    desk.post(hands, f"/jobs/{job}/stop")
    desk.post(hands, f"/jobs/{job}/stop-reason", reason="unexpected", text="a sound")
    desk.post(lead, f"/jobs/{job}/reopen", answer="It was the lift.", secret=SECRETS[lead.name])
    state = desk.running.site.jobs.state(job)
    asked = {look.id: look for look in state.rechecks}

    for group in dict.fromkeys(look.group for look in state.rechecks):
        together = [look for look in state.rechecks if look.group == group]
        seen = looks_as_recorded(together) | {look.id: "L-99" for look in together if look.id == "lock-sample"}
        answer = desk.post(hands, f"/jobs/{job}/looks", **{f"a.{name}": text for name, text in seen.items()})
        assert answer.status_code == 303
        if desk.running.site.jobs.state(job).stage is Stage.STOPPED:
            break

    assert {"lock-purge", "lock-sample"} <= set(asked)
    assert "V-114" in asked["lock-sample"].text
    state = desk.running.site.jobs.state(job)
    assert state.stage is Stage.STOPPED
    assert [item.kind for item in state.notables][-1] == "not as recorded"


FACTS = {
    "off_site": "badge says left at 06:50", "attempt-1-at": "2026-03-02T07:05", "attempt-1-how": "rang, no answer",
    "telling": "shift lead calls before the next shift",
}  # fmt: skip


def remove(desk: Desk, job: str, **changed: str) -> Response:
    """Send the removal of a lock, signed by lead and officer."""
    lead, officer = desk.named("lead"), desk.named("safety officer")
    signed = {"secret": SECRETS[lead.name], "officer": officer.id, "officer_secret": SECRETS[officer.name]}
    return desk.post(lead, f"/jobs/{job}/removals", **{"lock": "P-7", **FACTS, **signed, **changed})


def test_row_26_somebody_elses_lock_needs_an_attempt_and_its_owner_is_told_first(desk: Desk) -> None:
    """Without a contact attempt or the officer's secret: refused.  Once removed, its owner reads a notice first."""
    owner, other = desk.named("technician"), desk.named("technician", 1)
    job, _ = at(desk, "Read the pressure")
    desk.post(owner, f"/jobs/{job}/own-locks", act="on", lock="P-7")

    none = remove(desk, job, **{"attempt-1-at": "", "attempt-1-how": ""})
    wrong = remove(desk, job, officer_secret="not the secret")
    assert none.status_code == 409
    assert "Nobody has tried to reach the owner" in none.text
    assert "badge says left at 06:50" in none.text
    assert wrong.status_code == 403
    assert SECRETS[desk.named("lead").name] not in none.text + wrong.text
    assert desk.running.site.jobs.state(job).locks.own != ()
    assert remove(desk, job).status_code == 303

    event = desk.running.site.jobs.events(job)[-1]
    assert isinstance(event, OthersLockRemoved)
    held_up = desk.get(owner, f"/jobs/{job}/now")
    assert (held_up.status_code, held_up.headers["location"]) == (303, "/notices")
    notice = desk.get(owner, "/notices").text
    assert "Your lock P-7 was removed" in notice
    assert desk.get(other, f"/jobs/{job}/now").status_code == 200
    assert desk.post(owner, f"/jobs/{job}/stop").status_code == 303
    assert desk.running.site.jobs.state(job).stage is Stage.STOPPED
    number = next(iter(desk.running.site.jobs.site().lock_notices))
    assert desk.post(other, "/notices", notice=str(number)).status_code == 422
    assert desk.post(owner, "/notices", notice=str(number)).status_code == 303
    assert desk.get(owner, f"/jobs/{job}/now").status_code == 200
    assert desk.running.site.jobs.site().lock_notices == {}
    trail = desk.get(owner, f"/jobs/{job}").text
    for told in ("badge says left at 06:50", "2026-03-02 07:05 rang, no answer", "shift lead calls before"):
        assert told in trail


def test_row_38_a_removal_is_signed_like_all_else(desk: Desk) -> None:
    """The lead's first signature asks the id; a one-time code of the safety officer's removes nobody's lock."""
    job, _ = at(desk, "Read the pressure")
    owner, officer = desk.named("technician"), desk.named("safety officer")
    desk.post(owner, f"/jobs/{job}/own-locks", act="on", lock="P-7")

    unnamed = remove(desk, job, person="")
    code = desk.running.people.reset(officer.id, by=desk.named("administrator"), identity="known to us")
    by_code = remove(desk, job, officer_secret=code)

    assert (unnamed.status_code, by_code.status_code) == (403, 403)
    assert "This is your first signature" in unnamed.text
    assert "one-time code only, which signs nothing" in by_code.text
    assert desk.running.site.jobs.state(job).locks.own != ()


def test_row_26_a_notice_that_waits_does_not_keep_the_screen_from_being_covered(desk: Desk) -> None:
    """The owner's tablet can be covered, tell that somebody is at it and be uncovered; the notice still comes first."""
    owner = desk.named("technician")
    job, _ = at(desk, "Read the pressure")
    desk.post(owner, f"/jobs/{job}/own-locks", act="on", lock="P-7")
    remove(desk, job)

    here, covers = desk.post(owner, "/here").status_code, desk.post(owner, "/lock").status_code
    cover = desk.get(owner, "/locked?then=/notices")
    uncovers = desk.post(owner, "/unlock", secret=SECRETS[owner.name], quietly="yes").status_code

    assert (here, covers, cover.status_code, uncovers) == (204, 204, 200, 204)
    assert desk.get(owner, "/").headers["location"] == "/notices"


def test_row_26_a_notice_that_waits_does_not_hold_up_a_stop_that_the_tablet_kept(desk: Desk) -> None:
    """What was kept while the server was out of reach is of before; a STOP among it arrives at once."""
    owner = desk.named("technician")
    job, _ = at(desk, "Read the pressure")
    desk.post(owner, f"/jobs/{job}/own-locks", act="on", lock="P-7")
    remove(desk, job)
    mark = {"n": 1, "act": "stop", "step": "", "token": "d" * 32, "seen": desk.running.site.jobs.state(job).size,
            "device_at": "2026-03-02T07:10:00.000Z"}  # fmt: skip
    body = {"sent_at": "2026-03-02T07:15:00.000Z", "person": owner.id, "marks": [mark]}

    sent = desk.client(owner).post(f"/jobs/{job}/kept", content=json.dumps(body))

    assert sent.json()["results"] == [{"n": 1, "taken": True, "told": ""}]
    assert desk.running.site.jobs.state(job).stop is not None
    assert desk.get(owner, "/").headers["location"] == "/notices"


def test_row_27_one_own_lock_on_keeps_the_housing_out_of_service(desk: Desk) -> None:
    """The locks do not come off while somebody's own is on: the refusal names them; only they take it off."""
    hands, eyes = desk.named("technician"), desk.named("technician", 1)
    job, step = at(desk, "Remove the locks")
    desk.post(eyes, f"/jobs/{job}/own-locks", act="on", lock="P-7")

    early = desk.post(hands, f"/jobs/{job}/rows", act="off", step=step, point="fan")
    told = last_refusal(desk, job).sentence
    by_other = desk.post(hands, f"/jobs/{job}/own-locks", act="off", lock="P-7")

    assert early.status_code == 409
    assert eyes.name in told
    assert "P-7" in told
    assert by_other.status_code == 409
    assert desk.post(eyes, f"/jobs/{job}/own-locks", act="off", lock="P-7").status_code == 303
    for point in ("upstream", "downstream", "fan"):
        assert desk.post(hands, f"/jobs/{job}/rows", act="off", step=step, point=point).status_code == 303
    assert due(desk.running.site.jobs.state(job)).endswith("unlock/upstream")
    answers = desk.running.site.jobs.state(job)
    clear, told_to = (
        next(s.id for s in answers.steps if s.id.endswith(name)) for name in ("unlock/clear", "unlock/told")
    )
    assert set(answers.mark(clear).evidence.answers) == {"tools", "doors", "people"}
    assert answers.mark(told_to).evidence.answers["who"].text


def test_row_27_moving_a_damper_for_a_trial_makes_the_verification_due_again(desk: Desk) -> None:
    """Cleared, lock off by its owner, moved, locked again: on the same panel; then somebody verifies anew."""
    hands, lead = desk.named("technician"), desk.named("lead")
    job, step = at(desk, "Take the door off")
    cleared = desk.post(lead, f"/jobs/{job}/trial", part="clear", point="upstream", seen="nobody near, tools back")
    by_other = desk.post(lead, f"/jobs/{job}/trial", part="off", point="upstream")
    marked = desk.post(hands, f"/jobs/{job}/marks", step=step, act="begin", **{"a.label": "EF-03"})
    desk.post(hands, f"/jobs/{job}/trial", part="off", point="upstream")
    desk.post(hands, f"/jobs/{job}/trial", part="moved", point="upstream", seen="full travel, back to shut")
    page = desk.get(hands, f"/jobs/{job}/now").text
    desk.post(hands, f"/jobs/{job}/trial", part="on", point="upstream", seen="shut", lock="L-9", tag_number="T-9")

    assert cleared.status_code == 303
    assert (by_other.status_code, marked.status_code) == (409, 409)
    assert "Lock D-301 again." in page
    assert due(desk.running.site.jobs.state(job)).endswith("verify/isolation")
    assert desk.work_until(job, "Inspect the bag").due is not None


def test_row_28_number_and_last_day_of_the_permit_stay_in_view(desk: Desk) -> None:
    """From the step that records them on, every step tells them; before it, none."""
    hands = desk.named("technician")
    job, step = at(desk, "Record the PPE")
    before = desk.get(hands, f"/jobs/{job}/now").text
    given = {"a.ppe": "suit, PAPR", "a.permit": "PTW-12", "a.permit-until": "2026-03-02"}
    desk.post(hands, f"/jobs/{job}/marks", step=step, act="finish", note="", **given)

    after = desk.get(hands, f"/jobs/{job}/now").text

    assert "<dt>Permit</dt>" not in before
    assert "<dt>Permit</dt><dd>PTW-12, good until the end of 2026-03-02</dd>" in after


def test_row_28_an_expired_permit_releases_nothing(desk: Desk, clock: Clock) -> None:
    """The day after the permit's last day the next hold is not released, and the refusal says so."""
    hands, officer = desk.named("technician"), desk.named("safety officer")
    job, step = at(desk, "Record the PPE")
    given = {"a.ppe": "suit, PAPR", "a.permit": "PTW-12", "a.permit-until": "2026-03-02"}
    desk.post(hands, f"/jobs/{job}/marks", step=step, act="finish", note="", **given)
    hold = due(desk.work_until(job, "Release the opening"))
    clock.now += timedelta(days=1)
    desk.clients.clear()  # sessions have locked meanwhile

    answer = desk.post(hands, f"/jobs/{job}/release", step=hold, person=officer.id, secret=SECRETS[officer.name])

    assert answer.status_code == 409
    assert "The permit was good until 2026-03-02" in answer.text
    assert due(desk.running.site.jobs.state(job)) == hold


def test_row_28_a_permit_that_went_to_its_issuer_is_read_anew_and_goes_back_at_the_end(desk: Desk) -> None:
    """The form asks where it goes; another number stops the return; the hand-back stands in record and PDF."""
    hands, lead, night = desk.named("technician"), desk.named("lead"), desk.named("lead", 1)
    desk.post(night, "/site", setting="marks_apart_s", value="0", reason="made by a machine")
    job, step = at(desk, "Record the PPE")
    given = {"a.ppe": "suit, PAPR", "a.permit": "PTW-12", "a.permit-until": "2026-03-09"}
    desk.post(hands, f"/jobs/{job}/marks", step=step, act="finish", note="", **given)
    desk.work_until(job, "Draw the spent filter")
    form = unescape(desk.get(hands, f"/jobs/{job}/suspend").text)
    seen = {
        f"a.{name}": told for name, told in looks_as_recorded(suspend_looks(desk.running.site.jobs.state(job))).items()
    }
    words = {"reason": "break", "told": "control room", "next_thing": "draw it"}

    unsaid = desk.post(hands, f"/jobs/{job}/suspend", **words, **seen)
    nobody = desk.post(hands, f"/jobs/{job}/suspend", permit="suspended", **words, **seen)
    left = desk.post(hands, f"/jobs/{job}/suspend", permit="suspended", permit_to="R. Osei", **words, **seen)

    assert "Permit PTW-12, good until the end of 2026-03-09: what becomes of it" in form
    assert [unsaid.status_code, nobody.status_code, left.status_code] == [422, 409, 303]
    assert "Choose what becomes of it" in unsaid.text
    assert all(told in nobody.text for told in ("To whom the permit went is empty", 'value="suspended" checked'))
    where = "PTW-12, good until the end of 2026-03-09; NOT IN FORCE: suspended by its issuer (R. Osei)"
    for path in ("", "/sheet"):
        assert where in unescape(desk.get(lead, f"/jobs/{job}{path}").text)
    assert "The permit: suspended by its issuer (R. Osei)." in desk.get(hands, f"/jobs/{job}/now").text

    desk.post(hands, f"/jobs/{job}/resume")
    desk.post(hands, f"/jobs/{job}/next-read")
    looks = desk.get(hands, f"/jobs/{job}/now").text
    other = {"a.permit-number": "PTW-13", "a.permit-until": "2026-03-09"}
    assert 'name="a.permit-until"' in looks
    assert "PTW-12" not in looks, "nobody is shown what the record believes"
    assert desk.post(hands, f"/jobs/{job}/looks", **other).status_code == 303
    stopped = desk.running.site.jobs.state(job)
    assert stopped.stop is not None
    assert "Number of the permit in force now: seen PTW-13; recorded PTW-12." in stopped.stop.text

    desk.do(job, Correct(step, "permit", "PTW-13", "issued anew", ""), lead)
    desk.do(job, Reopen("the record has the new permit"), night)
    desk.go_on(job)
    assert desk.running.site.jobs.state(job).leaving.permit is None
    desk.work_until(job, "no such words")
    page = unescape(desk.get(night, f"/jobs/{job}/now").text)
    signed = {"person": night.id, "secret": SECRETS[night.name]}
    silent = desk.post(night, f"/jobs/{job}/submit", **signed)
    wrong = desk.post(night, f"/jobs/{job}/submit", permit_back="R. Osei, by hand", person=night.id, secret="no")
    handed = desk.post(night, f"/jobs/{job}/submit", permit_back="R. Osei, by hand", **signed)

    assert "Permit PTW-13: handed back to whom (name, how)" in page
    assert [silent.status_code, wrong.status_code, handed.status_code] == [422, 403, 303]
    assert ("Enter to whom it was handed back" in silent.text, 'value="R. Osei, by hand"' in wrong.text) == (True, True)
    entries = json.loads(desk.get(lead, f"/jobs/{job}/record.json").content)["entries"]
    assert [entry["permit_back"] for entry in entries if "permit_back" in entry] == ["R. Osei, by hand"]
    with TemporaryDirectory() as folder:
        printed = " ".join(pages(desk.get(lead, f"/jobs/{job}/record.pdf").content, Path(folder)))
    assert "Permit handed back" in printed
    assert printed.count("R. Osei, by hand") >= 2
