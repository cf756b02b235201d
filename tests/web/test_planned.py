"""The pages of planned work: planned by a lead, read by everybody, opened as a job that carries the plan's number."""

import icalendar
import pytest

from app.web.views import planned as views
from tests.web.desk import Desk

PLAN = {
    "housing": "EF-03", "procedure": "change-out", "begins": "2026-03-09T07:30", "ends": "2026-03-09T15:00",
    "why": "drop near its limit",
}  # fmt: skip


def planned(desk: Desk, **changes: str) -> None:
    """Plan work as the first lead, with both technicians."""
    lead = desk.named("lead")
    crew = {f"crew.{desk.named('technician', place).id}": "on" for place in (0, 1)}
    assert desk.post(lead, "/planned", **PLAN | {"lead": lead.id} | crew | changes).status_code == 303


def test_a_plan_is_listed_and_read_by_everybody_who_works(desk: Desk) -> None:
    """A lead sees the form; a technician sees the plan with names and hours, and no form."""
    lead, hands = desk.named("lead"), desk.named("technician")
    planned(desk)
    listed, one = desk.get(hands, "/planned").text, desk.get(hands, "/planned/PL-0001").text

    assert "2026-03-09 07:30 to 15:00" in listed
    assert "begins in 7 days" in listed
    assert hands.name in listed
    assert "Plan it" not in listed
    assert "Change the plan" not in one
    assert "Plan it" in desk.get(lead, "/planned?housing=EF-03").text
    assert '<a class="plain" href="/planned">' in desk.get(hands, "/").text
    assert "PL-0001 was planned: change-out on EF-03" in desk.get(lead, "/trail?kind=plans").text


def test_a_refused_plan_comes_back_with_what_was_typed(desk: Desk) -> None:
    """The sentence stands above the form, which holds every field and every tick."""
    lead, hands = desk.named("lead"), desk.named("technician")
    refused = desk.post(
        lead, "/planned", **PLAN | {"lead": lead.id, "ends": "2026-03-09T07:00", f"crew.{hands.id}": "on"}
    )

    assert refused.status_code == 422
    assert "not after it begins" in refused.text
    for held in (
        'value="2026-03-09T07:00"',
        'value="drop near its limit"',
        f'name="crew.{hands.id}" value="on" checked',
    ):
        assert held in refused.text
    assert not desk.running.site.jobs.site().planned


def test_a_plan_is_changed_and_dropped_with_a_reason(desk: Desk) -> None:
    """Both stand on its page; what was dropped is offered no form any more."""
    lead = desk.named("lead")
    planned(desk)
    fields = {name: text for name, text in PLAN.items() if name != "housing"} | {"lead": lead.id}
    without = desk.post(lead, "/planned/PL-0001/changed", **fields, reason="")
    changed = desk.post(lead, "/planned/PL-0001/changed", **fields | {"ends": "2026-03-10T12:00"}, reason="two days")
    page = desk.get(lead, "/planned/PL-0001").text
    unsaid = desk.post(lead, "/planned/PL-0001/dropped", reason="")
    dropped = desk.post(lead, "/planned/PL-0001/dropped", reason="line stays on")
    after = desk.get(lead, "/planned/PL-0001").text

    assert [answer.status_code for answer in (without, changed, unsaid, dropped)] == [422, 303, 422, 303]
    assert "2026-03-09 07:30 to 2026-03-10 12:00" in page
    assert f"{lead.name}: two days" in page
    assert "nobody named yet" in page
    assert f"Dropped: line stays on ({lead.name}, 2026-03-02 07:15)" in after
    assert "Change the plan" not in after
    assert desk.get(lead, "/planned/PL-0009").status_code == 422


def test_two_plans_in_the_same_hours_are_told_on_both(desk: Desk) -> None:
    """The housing or the people that both need are named; another day is no clash."""
    lead, hands = desk.named("lead"), desk.named("technician")
    planned(desk)
    planned(desk, housing="EF-07", begins="2026-03-09T14:00", ends="2026-03-09T18:00")
    planned(desk, housing="EF-11", begins="2026-03-12T14:00", ends="2026-03-12T18:00")

    assert f"{lead.name}, {hands.name}" in desk.get(lead, "/planned/PL-0001").text
    assert "in PL-0002 as well, 2026-03-09 14:00 to 18:00" in desk.get(lead, "/planned/PL-0001").text
    assert "in PL-0001 as well" in desk.get(lead, "/planned/PL-0002").text
    assert "At the same time" not in desk.get(lead, "/planned/PL-0003").text


def test_a_job_opened_from_a_plan_carries_its_number(desk: Desk) -> None:
    """The planning page ticks the crew of the plan; job and site ledger name it, and it is opened once."""
    lead, hands = desk.named("lead"), desk.named("technician")
    planned(desk)
    page = desk.get(lead, "/plan/EF-03?plan=PL-0001&procedure=change-out").text
    crew = {f"crew.{hands.id}": "on"}
    opened = desk.post(lead, "/plan/EF-03", procedure="change-out", plan="PL-0001", unready="an alarm", **crew)
    again = desk.post(lead, "/plan/EF-03", procedure="change-out", plan="PL-0001", beside="on", **crew)
    site = desk.running.site.jobs.site()
    state = desk.running.site.jobs.state(site.jobs.newest(1)[0].job)

    assert f'name="crew.{hands.id}" value="on" checked' in page
    assert (opened.status_code, again.status_code) == (303, 422)
    assert "was opened from PL-0001" in again.text
    assert state.opened is not None
    assert state.opened.prepared is not None
    assert state.opened.prepared.plan == site.jobs.newest(1)[0].plan == "PL-0001"
    assert not site.planned["PL-0001"].waits
    assert "A job was opened from this plan" in desk.get(hands, "/planned/PL-0001").text
    assert "from PL-0001" in desk.get(lead, "/trail?kind=jobs").text


def test_the_planning_page_names_what_is_planned_for_the_housing(desk: Desk) -> None:
    """A job may be opened outside of it; a plan of another housing is refused."""
    lead, hands = desk.named("lead"), desk.named("technician")
    planned(desk)
    beside = desk.get(lead, "/plan/EF-03").text
    crew = {f"crew.{hands.id}": "on"}
    other = desk.post(lead, "/plan/EF-07", procedure="change-out", plan="PL-0001", unready="an alarm", **crew)

    assert "This page opens a job outside of it" in beside
    assert other.status_code == 422
    assert "PL-0001 is for change-out on EF-03" in other.text
    assert "PL-0001 is for EF-03, not for EF-07" in desk.get(lead, "/plan/EF-07?plan=PL-0001").text


def test_a_calendar_file_is_taken_by_whoever_works(desk: Desk) -> None:
    """Of a person or a housing, under a safe name; whoever is unknown has none."""
    hands = desk.named("technician")
    planned(desk, why="drop near its limit; “look”")
    own = desk.get(hands, f"/planned/calendar/{hands.id}.ics")
    housing = desk.get(hands, "/planned/calendar/housing/EF-03.ics")
    other = desk.get(hands, "/planned/calendar/housing/EF-07.ics")
    (event,) = icalendar.Calendar.from_ical(own.content).walk("VEVENT")

    assert own.headers["content-type"] == "text/calendar; charset=utf-8; method=PUBLISH"
    assert own.headers["content-disposition"] == f'attachment; filename="{hands.id}.ics"'
    assert event["summary"] == "EF-03: Change-out through bags (PL-0001)"
    assert housing.content.count(b"BEGIN:VEVENT") == 1
    assert other.content.count(b"BEGIN:VEVENT") == 0
    assert f"/planned/calendar/{hands.id}.ics" in desk.get(hands, "/planned").text
    for path in ("/planned/calendar/nobody.ics", "/planned/calendar/housing/EF-99.ics"):
        assert desk.get(hands, path).status_code == 422


def test_of_many_past_plans_the_page_lists_the_newest_and_says_so(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    """The rest keep their pages; what waits is listed whole."""
    lead = desk.named("lead")
    for day in ("09", "10", "11", "12"):
        planned(desk, begins=f"2026-03-{day}T07:30", ends=f"2026-03-{day}T15:00")
    for number in (1, 2, 3):
        desk.post(lead, f"/planned/PL-000{number}/dropped", reason="line stays on")
    whole = desk.get(lead, "/planned").text
    monkeypatch.setattr(views, "MOST_PAST", 2)
    page = desk.get(lead, "/planned").text

    places = [whole.index(f'href="/planned/PL-000{number}"') for number in (4, 3, 2, 1)]
    assert places == sorted(places)
    assert "in all" not in whole
    assert "3 in all; the 2 of which something was entered last are listed (our figure)." in page
    assert 'href="/planned/PL-0001"' not in page
    assert all(f'href="/planned/PL-000{number}"' in page for number in (2, 3, 4))
    assert desk.get(lead, "/planned/PL-0001").status_code == 200
