"""Anybody may stop a job, whatever their role; whoever does not work on it sees and does nothing else there."""

import pytest

from app.domain.commands import Accept, ExplainStop, OpenException, StopWork, Submit
from app.domain.event_base import Who
from app.domain.job import JobState, Stage
from tests.web.desk import Desk
from tests.web.test_every_form import sentence_on

ROLES = ("technician", "safety officer", "lead", "administrator")
WHY = "water on the floor below the housing"


def _state(desk: Desk, job: str) -> JobState:
    return desk.running.site.jobs.state(job)


def _by(desk: Desk, job: str) -> Who | None:
    stop = _state(desk, job).stop
    return stop.stamp.by if stop else None


@pytest.mark.parametrize("role", ROLES)
def test_anybody_stops_a_job_and_says_why(desk: Desk, role: str) -> None:
    """One tap on the page of jobs in hand stops; the reason comes after it and stands with the name (A-24)."""
    job, who = desk.open_job(), desk.named(role)
    assert f'action="/jobs/{job}/stop"' in desk.get(who, "/in-hand").text
    assert f'action="/jobs/{job}/stop-reason"' not in desk.get(who, "/in-hand").text

    assert desk.post(who, f"/jobs/{job}/stop").status_code == 303
    assert (_state(desk, job).stage, _by(desk, job)) == (Stage.STOPPED, who)
    page = desk.get(who, "/in-hand").text
    assert f"Stopped by {who.name}" in page
    assert f'action="/jobs/{job}/stop"' not in page

    assert desk.post(who, f"/jobs/{job}/stop-reason", reason="unexpected", text=WHY).status_code == 303
    stop = _state(desk, job).stop
    assert stop is not None
    assert (stop.reason, stop.text) == ("unexpected", WHY)
    assert f'action="/jobs/{job}/stop-reason"' not in desk.get(who, "/in-hand").text


def test_an_administrator_sees_nothing_of_a_job_but_that_it_goes_on(desk: Desk) -> None:
    """Neither the page of jobs in hand nor the answer to a stop nor a refused reason shows an administrator a step."""
    job, admin = desk.open_job(), desk.named("administrator")
    due = _state(desk, job).due
    assert due is not None
    pages = [desk.get(admin, "/in-hand"), desk.post(admin, f"/jobs/{job}/stop"), desk.get(admin, f"/jobs/{job}/now")]
    pages.append(desk.post(admin, f"/jobs/{job}/stop-reason", reason="because"))

    assert [page.status_code for page in pages] == [200, 303, 403, 409]
    assert pages[1].headers["location"] == "/in-hand"
    assert sentence_on(pages[3].text) == "Choose one of the reasons shown."
    assert '<a class="second" href="/in-hand">Go back</a>' in pages[3].text
    assert not [page for page in pages if due.text in page.text]


def test_a_stop_of_an_administrator_is_led_on_by_any_lead(desk: Desk) -> None:
    """What an administrator stopped waits for a lead, like any stop, and for its reason before that."""
    job, admin = desk.open_job(), desk.named("administrator")
    desk.do(job, StopWork(), admin)
    desk.do(job, ExplainStop("unexpected", WHY), desk.named("technician"))

    assert desk.go_on(job).stage is Stage.OPEN
    assert WHY in desk.get(desk.named("lead"), f"/jobs/{job}").text


def test_an_administrator_still_does_nothing_else(desk: Desk) -> None:
    """A mark that an administrator's tablet kept is refused one by one, and its stop taken."""
    job, admin = desk.open_job(), desk.named("administrator")
    due = _state(desk, job).due
    assert due is not None
    common = {"token": "0" * 32, "device_at": "2026-03-02T08:00:00.000Z", "seen": 1, "step": due.id}
    marks = [{**common, "n": 1, "act": "begin"}, {**common, "n": 2, "act": "stop", "token": "1" * 32, "step": ""}]
    sent = {"sent_at": "2026-03-02T08:00:00.000Z", "person": admin.id, "marks": marks}
    answer = desk.client(admin).post(f"/jobs/{job}/kept", json=sent).json()

    assert [result["taken"] for result in answer["results"]] == [False, True]
    assert answer["results"][0]["told"] == "An administrator may stop a job and says why, but does not work on it."
    assert _state(desk, job).stage is Stage.STOPPED


def test_the_list_is_of_what_has_not_ended(desk: Desk) -> None:
    """A job in review is in hand and can be stopped, an accepted one is not; with none in hand the page says so."""
    admin, officer, lead = desk.named("administrator"), desk.named("safety officer"), desk.named("lead", 1)
    assert "No job is in hand." in desk.get(admin, "/in-hand").text
    job = desk.open_job()
    state = desk.work_until(job, "no step has these words")
    desk.do(job, Submit(), lead)
    assert f'action="/jobs/{job}/stop"' in desk.get(admin, "/in-hand").text

    for item in state.unread:
        desk.do(job, OpenException(item.seq), officer)
    desk.do(job, Accept(), officer)

    assert "No job is in hand." in desk.get(admin, "/in-hand").text
