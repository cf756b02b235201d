"""What is due over a site: judged anew only where something bears on it, and the same as by judging everything."""

import re
from datetime import timedelta
from html import unescape

import pytest

import app.records.due as due_module
from app.bootstrap import start
from app.domain.commands import Accept, OpenException, Reopen, Submit
from app.domain.housing_text import housing_text
from app.domain.site import JobClosed
from app.domain.told import told_of
from app.records.drops import Known
from app.records.due import HousingDue, all_due
from app.settings import Settings
from tests.web.desk import Clock, Desk
from tests.web.forms import forms_of
from tests.web.test_many_housings import furnished

READING = {"bank": "hepa", "on": "2026-03-01", "drop_pa": "612", "flow_m3_h": "1690"}
FILTER = {"spot": "P1/1", "serial": "S-77", "made": "2017-04-01", "why": "read at the place"}


def everything(desk: Desk) -> tuple[HousingDue, ...]:
    """Return what is due by reading every job and judging every housing."""
    site, state = desk.running.site, desk.running.site.jobs.site()
    return all_due([Known(item, site.jobs.of_housing(item.tag), state) for item in site.library.housings()])


def shown(desk: Desk) -> tuple[HousingDue, ...]:
    """Return what the site says is due."""
    return desk.running.site.due.part("", skip=0, count=500).housings


def part_of(desk: Desk, words: str) -> tuple[HousingDue, ...]:
    """Return what the site says is due at the housings that hold these words."""
    return desk.running.site.due.part(words, skip=0, count=25).housings


def accepted(desk: Desk, tag: str) -> str:
    """Carry a job to an accepted record."""
    job, officer = desk.open_job(tag), desk.named("safety officer")
    desk.work_until(job, "no step has these words")
    desk.do(job, Submit(), desk.named("lead", 1))
    for item in desk.running.site.jobs.state(job).unread:
        desk.do(job, OpenException(item.seq), officer)
    desk.do(job, Accept(), officer)
    return job


def test_it_is_the_same_after_every_entry_as_by_judging_everything(desk: Desk, clock: Clock) -> None:
    """Jobs, readings, filters, files: each changes its own housing, before and after a start."""
    lead, hands = desk.named("lead"), desk.named("technician")
    plates = desk.running.site.settings.data / "housings"
    before = shown(desk)

    def changed() -> bool:
        nonlocal before
        was, before = before, shown(desk)
        assert before == everything(desk)
        return was != before

    assert not changed()
    job = accepted(desk, "EF-07")
    assert changed()
    desk.post(hands, "/housings/EF-03/readings", **READING)
    assert changed()
    (entry,) = desk.running.site.jobs.site().readings
    desk.post(lead, "/housings/EF-03/struck", bank="hepa", entry=str(entry), reason="hose off")
    assert changed()
    desk.post(lead, "/housings/EF-11/filters", **FILTER)
    assert changed()
    desk.do(job, Reopen("The torque is read again."), lead)
    desk.go_on(job)
    assert not changed()
    open_job = desk.open_job("EF-03")
    desk.work_until(open_job, "no step has these words", accounted=False)
    assert changed()
    known = desk.running.site.library.housing("EF-11")
    assert known is not None
    (plates / "EF-12.toml").write_text(housing_text(known.model_copy(update={"tag": "EF-12"})), "utf-8")
    assert changed()
    (plates / "EF-11.toml").unlink()
    assert changed()

    desk.running.close()
    again = Desk(start(Settings(data=plates.parent), clock))
    assert shown(again) == before == everything(again)
    again.running.close()


def test_a_job_that_ended_is_known_by_what_it_told_and_is_not_read_again(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The entry that closed it says what its marks say; nothing draws that from the job once more."""
    job = accepted(desk, "EF-07")
    (closed,) = (item for item in desk.running.site.jobs.site_events() if isinstance(item, JobClosed))
    assert closed.told == told_of(desk.running.site.jobs.state(job))
    assert closed.told is not None
    assert closed.told.changes
    assert closed.told.tests
    assert closed.told.ages

    def never(_: object) -> None:
        raise AssertionError("a job that ended was read")

    monkeypatch.setattr("app.services.due.told_of", never)
    assert "EF-07" in [item.tag for item in shown(desk) if item.dated]


def test_what_is_due_is_looked_up_and_not_judged_anew(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever looks for another housing each time finds all as they were judged; one that changes is judged alone."""
    furnished(desk, 240)
    before, judged = shown(desk), list[str]()
    judge = due_module.housing_due

    def counted(known: Known) -> HousingDue:
        judged.append(known.housing.tag)
        return judge(known)

    monkeypatch.setattr(due_module, "housing_due", counted)
    found = [item for tag in ("EF-03", "EH-007", "EH-231") for item in part_of(desk, tag)]
    assert found == [item for item in before if item.tag in ("EF-03", "EH-007", "EH-231")]
    assert shown(desk) == before
    assert judged == []

    desk.post(desk.named("technician"), "/housings/EF-03/readings", **READING)
    assert part_of(desk, "EH-007") == tuple(item for item in before if item.tag == "EH-007")
    assert judged == ["EF-03"]


def test_a_job_closed_before_that_was_kept_is_read(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    """An entry without it is as good: the job itself is asked, and the page says the same."""
    monkeypatch.setattr("app.services.jobs.told_of", lambda _: None)
    accepted(desk, "EF-07")
    (line,) = desk.running.site.jobs.site().jobs

    assert line.told is None
    assert shown(desk) == everything(desk)
    assert [item.tag for item in shown(desk) if item.dated] == ["EF-07"]


def test_many_housings_are_listed_a_page_at_a_time_the_earliest_day_first(desk: Desk) -> None:
    """Twenty-five, what is overdue before the rest; the others further on; words find; nothing found is said."""
    furnished(desk, 40)
    lead, hands = desk.named("lead"), desk.named("technician")
    desk.post(lead, "/housings/EH-039/filters", **FILTER | {"made": "2014-04-01"})
    first, second = desk.get(hands, "/due").text, desk.get(hands, "/due?past=25").text

    assert first.count('class="due-housing"') == 25
    assert first.index("EH-039") < first.index("EF-03")
    assert "1 to 25 of 43, the earliest day first" in first
    assert 'href="/due?q=&amp;past=25">Further' in first
    assert "26 to 43 of 43" in second
    assert "Further" not in second
    found = desk.get(hands, "/due?q=annex+2%2C").text
    assert "1 to 13 of 13 that hold “annex 2,”" in found
    assert "EH-039" not in found
    assert "No housing holds “no such &lt;place&gt;”" in desk.get(hands, "/due?q=no+such+%3Cplace%3E").text
    assert "There are 43 housings and none after that" in desk.get(hands, "/due?past=90").text


def test_a_site_with_few_housings_lists_them_all_with_nothing_to_look_with(desk: Desk) -> None:
    """Three need no search and no pages."""
    page = desk.get(desk.named("technician"), "/due").text

    assert page.count('class="due-housing"') == 3
    assert 'name="q"' not in page
    assert "Further" not in page


def test_the_only_housing_that_is_put_back_is_due_again(desk: Desk) -> None:
    """With all of them off nothing is due; the one that comes back was changed by no file."""
    lead = desk.named("lead")
    for tag in ("EF-03", "EF-07", "EF-11"):
        desk.post(lead, f"/housings/{tag}/off", reason="the line stands still")
    assert shown(desk) == ()

    desk.post(lead, "/housings/EF-07/back", reason="the line runs again")

    assert [item.tag for item in shown(desk)] == ["EF-07"]


def test_a_look_that_failed_leaves_nothing_out_afterwards(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever could not be read, the next question judges everything again; the first one of all as well."""

    def fails(_: object) -> None:
        raise OSError("no answer from the disk")

    for change in (lambda: None, lambda: desk.post(desk.named("technician"), "/housings/EF-03/readings", **READING)):
        change()
        with monkeypatch.context() as patch:
            patch.setattr("app.records.due.housing_due", fails)
            with pytest.raises(OSError, match="no answer"):
                shown(desk)
        assert shown(desk) == everything(desk)
        assert len(shown(desk)) == 3


def test_a_due_housing_shows_its_plan_or_the_way_to_plan_it(desk: Desk) -> None:
    """Number, hours and link; a lead without a plan gets the form with housing and reason filled in."""
    lead, hands = desk.named("lead"), desk.named("technician")
    desk.post(lead, "/housings/EF-11/filters", **FILTER)
    before, for_hands = desk.get(lead, "/due?q=EF-11").text, desk.get(hands, "/due?q=EF-11").text
    way = re.search(r'<a href="(/planned\?housing=EF-11[^"#]*)#plan">Plan work for EF-11</a>', before)
    assert way is not None
    form = desk.get(lead, unescape(way[1])).text
    fields = next(form for form in forms_of(form) if form.action == "/planned").fields
    assert '<option value="EF-11" selected>' in form
    assert fields["why"].startswith("Age of a filter of the ")
    assert "Plan work for" not in for_hands
    assert "No work is planned." in for_hands

    work = {"procedure": "change-out", "lead": lead.id, "ends": "2027-06-02T15:00", "begins": "2027-06-02T07:30"}
    sent = desk.post(lead, "/planned", housing="EF-11", why=fields["why"], **work)
    assert sent.status_code == 303
    after = desk.get(lead, "/due?q=EF-11").text
    assert 'Planned: <a href="/planned/PL-0001">PL-0001</a>, change out, 2027-06-02 07:30 to 15:00.' in after
    assert "Plan work for EF-11" not in after
    assert "Plan work for EF-03" not in desk.get(lead, "/due?q=EF-03").text, "nothing there has a day"
    plan = desk.get(lead, "/planned/PL-0001").text
    assert "Due at EF-11 and not covered by this work" in plan
    assert "That is before this work begins, 2027-06-02." in plan


def test_what_counts_now_stands_open_and_what_comes_later_is_folded(desk: Desk, clock: Clock) -> None:
    """The earliest reason of a housing and every overdue one, then the others, each once."""
    accepted(desk, "EF-03")
    clock.now += timedelta(days=365 * 12)
    today = clock.now.date()
    (due,) = (item for item in shown(desk) if item.tag == "EF-03")
    page = desk.get(desk.named("lead"), "/due?q=EF-03").text
    open_part, _, folded = page.partition("<summary>Later: ")
    overdue = [item.sentence for item in due.dated if item.overdue(today)]

    assert len(overdue) > 1
    assert all(sentence in open_part for sentence in overdue)
    assert not folded

    clock.now -= timedelta(days=365 * 12 - 10)
    (due,) = (item for item in shown(desk) if item.tag == "EF-03")
    page = unescape(desk.get(desk.named("lead"), "/due?q=EF-03").text)
    open_part, _, folded = page.partition("<summary>Later: ")
    assert len(due.dated) > 1
    assert due.dated[0].sentence in open_part
    assert [folded.count(item.sentence) for item in due.dated[1:]] == [1] * (len(due.dated) - 1)
    assert not any(item.sentence in open_part for item in due.dated[1:])
