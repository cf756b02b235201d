"""Exceptions of the review, each made over HTTP as people make them: it is listed, and opened before acceptance."""

import json
import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import pytest

from app.domain.event_base import Who
from app.domain.job import JobState, Notable, Stage
from app.domain.leaving import Recheck
from app.services.rehearsal import looks_as_recorded
from tests.web.desk import SECRETS, TOKENS, Desk
from tests.web.forms import forms_of
from tests.web.test_every_form import sentence_on


def due(desk: Desk, job: str) -> str:
    """Return the id of the step that is due."""
    step = desk.running.site.jobs.state(job).due
    assert step is not None
    return step.id


def state_of(desk: Desk, job: str) -> JobState:
    """Return the job as it stands."""
    return desk.running.site.jobs.state(job)


def tick(desk: Desk, job: str, **fields: str) -> str:
    """Finish the step in hand, the one with a length, from its form; return its id."""
    step = due(desk, job)
    typed = {"step": step, "act": "finish", "a.length": "200", "note": "", **fields}
    assert desk.post(desk.named("technician"), f"/jobs/{job}/marks", **typed).status_code == 303
    return step


def correct(desk: Desk, job: str) -> None:
    """Tick, then put the length right."""
    hands, step = desk.named("technician"), tick(desk, job)
    typed = {"step": step, "ask": "length", "now": "212", "reason": "read from the wrong end"}
    assert desk.post(hands, f"/jobs/{job}/corrections", **typed).status_code == 303


def take_back(desk: Desk, job: str) -> None:
    """Tick, then take the mark back."""
    hands, step = desk.named("technician"), tick(desk, job)
    answer = desk.post(hands, f"/jobs/{job}/withdrawals", step=step, reason="the neck came loose")
    assert answer.status_code == 303


def now_and(minutes: int, desk: Desk) -> str:
    """Return a time that lies so many minutes from the server's, as a tablet writes it."""
    at: datetime = desk.running.site.clock().astimezone(UTC) + timedelta(minutes=minutes)
    return at.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def send_kept(desk: Desk, job: str, *, made: int, sent: int) -> None:
    """Send a mark that the tablet kept; made, sent: minutes of its clock from the server's time."""
    hands = desk.named("technician")
    mark = {
        "n": 1, "act": "finish", "step": due(desk, job), "answers": {"length": "200"}, "token": f"{next(TOKENS):032}",
        "device_at": now_and(made, desk), "seen": state_of(desk, job).size,
    }  # fmt: skip
    body = {"sent_at": now_and(sent, desk), "person": hands.id, "marks": [mark]}
    answer = desk.client(hands).post(f"/jobs/{job}/kept", content=json.dumps(body))
    assert [item["taken"] for item in answer.json()["results"]] == [True]


def arrive_late(desk: Desk, job: str) -> None:
    """Send a mark that the tablet kept for ten minutes, its clock right."""
    send_kept(desk, job, made=-10, sent=0)


def by_a_clock_that_is_off(desk: Desk, job: str) -> None:
    """Tick at a tablet whose clock is ten minutes ahead."""
    tick(desk, job, device_at=now_and(10, desk))


def kept_by_a_clock_that_is_off(desk: Desk, job: str) -> None:
    """Send a mark at once that the tablet kept for a moment, its clock an hour behind."""
    send_kept(desk, job, made=-60, sent=-60)


def open_again(desk: Desk, job: str) -> None:
    """Stop, say why, and re-open as another lead."""
    hands, lead = desk.named("technician"), desk.named("lead", 1)
    assert desk.post(hands, f"/jobs/{job}/stop").status_code == 303
    assert desk.post(hands, f"/jobs/{job}/stop-reason", reason="unexpected", text="a sound").status_code == 303
    answer = desk.post(lead, f"/jobs/{job}/reopen", answer="It was the lift.", secret=SECRETS[lead.name])
    assert answer.status_code == 303
    assert state_of(desk, job).stage is Stage.LOOKING


def see_something_else(desk: Desk, job: str) -> None:
    """Re-open, look at everything screen by screen, and see the fan run."""
    open_again(desk, job)
    hands = desk.named("technician")
    while state_of(desk, job).stage is Stage.LOOKING:
        looks = state_of(desk, job).rechecks
        together = [look for look in looks if look.group == looks[0].group]
        assert desk.post(hands, f"/jobs/{job}/looks", **seen_at(together)).status_code == 303
    assert state_of(desk, job).stage is Stage.STOPPED


def seen_at(looks: list[Recheck]) -> dict[str, str]:
    """Return what is seen: as recorded, but for the fan, which runs."""
    return {f"a.{name}": text for name, text in (looks_as_recorded(looks) | running(looks)).items()}


def running(looks: list[Recheck]) -> dict[str, str]:
    """Return that the fan runs, where it is asked about."""
    return {look.id: "running" for look in looks if look.id == "fan"}


MADE: dict[str, tuple[Callable[[Desk, str], None], str, str]] = {
    "corrected": (correct, "corrected", "length: was 200, now 212. read from the wrong end"),
    "withdrawn": (take_back, "withdrawn", "the neck came loose"),
    "late": (arrive_late, "late or clock apart", "Kept on the tablet for 10 min"),
    "clock off": (by_a_clock_that_is_off, "late or clock apart", "are 600 s apart"),
    "kept, clock off": (kept_by_a_clock_that_is_off, "late or clock apart", "are 3600 s apart"),
    "re-opened": (open_again, "re-opened", "It was the lift."),
    "not as recorded": (see_something_else, "not as recorded", "running"),
}
"""How each is made, its kind, and words of what the reviewer reads."""


def item_on(page: str, entry: int) -> str:
    """Return the exception of this entry as it stands on the page of the review."""
    found = re.search(rf'<li class="exception[^"]*" id="entry-{entry}">.*?</li>', page, re.DOTALL)
    assert found, entry
    return found.group()


def to_review(desk: Desk, job: str) -> None:
    """Do the rest of the work and hand the record to review."""
    desk.work_until(job, "no step has these words")
    lead = desk.named("lead", 1)
    assert (
        desk.post(lead, f"/jobs/{job}/submit", permit_back="the permit desk", secret=SECRETS[lead.name]).status_code
        == 303
    )


def open_all_but(desk: Desk, job: str, officer: Who, left: set[int]) -> None:
    """Open every exception but those left, with the forms of the page."""
    for form in forms_of(desk.get(officer, f"/jobs/{job}/review").text):
        if form.action.endswith("/exceptions") and (form.fields.get("of") or int(form.fields["entry"]) not in left):
            assert desk.client(officer).post(form.action, data=form.fields).status_code == 303


def not_opened(count: int) -> str:
    """Return the sentence for so many exceptions that nobody has opened; an entry may be more than one."""
    if count == 1:
        return "1 exception has not been opened. Open it, then accept."
    return f"{count} exceptions have not been opened. Open each, then accept."


@pytest.mark.parametrize("name", sorted(MADE))
def test_each_kind_stands_among_the_exceptions_and_is_opened_before_acceptance(desk: Desk, name: str) -> None:
    """Listed with its kind, its words veiled until opened; with it alone unopened nothing is accepted."""
    make, kind, words = MADE[name]
    job, officer = desk.open_job(), desk.named("safety officer")
    desk.work_until(job, "Twist the bag")
    before = state_of(desk, job).size
    make(desk, job)
    made: list[Notable] = [item for item in state_of(desk, job).notables if item.seq >= before and item.kind == kind]
    assert len(made) == 1
    assert words in made[0].sentence
    to_review(desk, job)
    secret = SECRETS[officer.name]

    entry = made[0].seq
    open_all_but(desk, job, officer, {entry})
    waiting = desk.get(officer, f"/jobs/{job}/review").text
    too_soon = desk.post(officer, f"/jobs/{job}/accept", secret=secret)
    still = state_of(desk, job).stage
    opened = desk.post(officer, f"/jobs/{job}/exceptions", entry=str(entry))
    ready = desk.get(officer, f"/jobs/{job}/review").text
    accepted = desk.post(officer, f"/jobs/{job}/accept", secret=secret)

    assert f"<b>{kind.capitalize()}</b> — not opened" in item_on(waiting, entry)
    assert words not in item_on(waiting, entry)
    assert "Sign and accept" not in waiting
    assert (too_soon.status_code, still) == (409, Stage.IN_REVIEW)
    assert sentence_on(too_soon.text) == not_opened(sum(item.seq == entry for item in state_of(desk, job).notables))
    assert opened.status_code == 303
    assert words in item_on(ready, entry)
    assert "Sign and accept" in ready
    assert accepted.status_code == 303
    assert state_of(desk, job).stage is Stage.ACCEPTED
