"""The pages of the registers: what is entered comes back on them, what is refused is given back with a sentence."""

from datetime import UTC, datetime
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from app.bootstrap import ship_sample_housings, start
from app.cli import DEMO_INSTRUMENTS, DEMO_PEOPLE, DEMO_READINGS, furnish
from app.domain.housing import Bank
from app.records.bank_trend import bank_trend
from app.records.drops import Known, drop_series
from app.services.planning import find_housing
from app.settings import Settings
from tests.web.desk import Desk

MANOMETER = {
    "id": "MX-7", "kind": "manometer", "description": "digital micromanometer", "calibrated_on": "2025-12-01",
    "due": "2026-03-02",
}  # fmt: skip
READING = {"bank": "hepa", "on": "2026-03-01", "drop_pa": "612", "flow_m3_h": "1690", "temp_c": "", "note": "",
           "instrument": ""}  # fmt: skip


def test_an_instrument_entered_by_a_keeper_is_read_by_every_worker(desk: Desk) -> None:
    """Entered it stands in the register with its calibration in words; on its due day it is still good."""
    sent = desk.post(desk.named("safety officer"), "/instruments", **MANOMETER)
    page = desk.get(desk.named("technician"), "/instruments").text

    assert (sent.status_code, sent.headers["location"]) == (303, "/instruments")
    assert "due soon, good until 2026-03-02 (today)" in page
    assert "Enter it" not in page
    assert desk.running.site.jobs.site().instruments["MX-7"].description == "digital micromanometer"


def test_a_refused_instrument_comes_back_with_what_was_typed(desk: Desk) -> None:
    """Nothing is entered; the page says why in one sentence and holds every field as it was typed."""
    refused = desk.post(desk.named("lead"), "/instruments", **MANOMETER | {"due": "2025-11-01", "certificate": "C <7>"})

    assert refused.status_code == 422
    assert "the calibration is due on 2025-11-01, before it was made on 2025-12-01" in refused.text
    for held in ('value="MX-7"', 'value="2025-11-01"', 'value="C &lt;7&gt;"', '<option value="manometer" selected>'):
        assert held in refused.text
    assert "MX-7" not in desk.running.site.jobs.site().instruments


def test_an_instrument_put_aside_is_listed_with_the_reason(desk: Desk) -> None:
    """It leaves the register, and why is told below."""
    lead = desk.named("lead")
    desk.post(lead, "/instruments", **MANOMETER)

    without = desk.post(lead, "/instruments/aside", instrument="MX-7", reason="")
    sent = desk.post(lead, "/instruments/aside", instrument="MX-7", reason="dropped & bent")
    page = desk.get(lead, "/instruments").text

    assert (without.status_code, sent.status_code) == (422, 303)
    assert "2026-03-02: dropped &amp; bent" in page
    assert "<del>MX-7</del>" in page
    assert page.count("MX-7") == 1


def test_a_reading_is_drawn_tabled_and_struck(desk: Desk) -> None:
    """A technician's reading stands in table and story; struck by a lead it leaves the table, not the story."""
    hands, lead = desk.named("technician"), desk.named("lead")

    sent = desk.post(hands, "/housings/EF-03/readings", **READING)
    (entry,) = desk.running.site.jobs.site().readings
    page = desk.get(hands, "/housings/EF-03/history").text
    not_hers = desk.post(hands, "/housings/EF-03/struck", entry=str(entry), reason="hose off")
    struck = desk.post(lead, "/housings/EF-03/struck", bank="hepa", entry=str(entry), reason="hose off")
    after = desk.get(hands, "/housings/EF-03/history").text

    assert (sent.status_code, not_hers.status_code, struck.status_code) == (303, 403, 303)
    assert '<td class="number">612</td><td class="number">1690</td><td class="number">616</td>' in page
    assert "/housings/EF-03/hepa/trend.svg" in page
    assert "21.1 °C is assumed" in page
    assert "<table" not in after
    assert "trend.svg" not in after
    assert f"Struck by {lead.name}, 2026-03-02: hose off" in after


def test_a_refused_reading_comes_back_in_the_form_of_its_bank(desk: Desk) -> None:
    """A day to come is refused; what was typed stands in the form of that bank and in no other."""
    refused = desk.post(
        desk.named("technician"), "/housings/EF-11/readings", **READING | {"on": "2026-03-03", "note": "wet, “loud”"}
    )

    assert refused.status_code == 422
    assert "Read on: 2026-03-03 lies in the future; today is 2026-03-02" in refused.text
    assert refused.text.count("wet, “loud”") == 1
    assert 'id="hepa-note" name="note" maxlength="200" value="wet, “loud”"' in refused.text


def test_text_that_no_record_could_print_is_refused(desk: Desk) -> None:
    """What cannot be printed would stop a record that names the instrument, so it is refused here."""
    lead = desk.named("lead")
    refused = desk.post(lead, "/instruments", **MANOMETER | {"description": "manometer \u202e one"})

    assert refused.status_code == 422
    assert "MX-7" not in desk.running.site.jobs.site().instruments


def test_two_tablets_with_the_same_reading_enter_it_once(desk: Desk) -> None:
    """Both are decided on the committed state, so the second one finds the first, however fast they come."""
    registers, who = desk.running.site.registers, desk.named("technician")

    futures = [registers.take_reading("EF-03", READING, by=who) for _ in range(5)]
    faults = [future.exception() for future in futures]

    assert len(desk.running.site.jobs.site().readings) == 1
    assert sum(fault is None for fault in faults) == 1
    assert all("Nothing was entered again" in str(fault) for fault in faults if fault)


def test_the_trend_is_an_svg_of_its_own_and_a_wrong_address_is_told(desk: Desk) -> None:
    """The drawing has its type and parses; without a reading, bank or housing a sentence says so."""
    hands = desk.named("technician")
    empty = desk.get(hands, "/housings/EF-03/hepa/trend.svg")
    desk.post(hands, "/housings/EF-03/readings", **READING)

    drawn = desk.get(hands, "/housings/EF-03/hepa/trend.svg")

    assert empty.status_code == 422
    assert drawn.headers["content-type"] == "image/svg+xml"
    assert ET.fromstring(drawn.content).tag.endswith("svg")
    for path, words in (("EF-03/carbon", "has no bank"), ("EF-03/none", "has no bank"), ("none/hepa", "no housing")):
        answer = desk.get(hands, f"/housings/{path}/trend.svg")
        assert answer.status_code == 422
        assert words in answer.text


def test_qualifications_are_noted_and_run_out(desk: Desk) -> None:
    """The page and the list of what is due tell until when; the last day itself is still good."""
    lead, hands = desk.named("lead"), desk.named("technician")
    for what, until in (("fit test", "2026-03-01"), ("induction", "2026-03-02")):
        sent = desk.post(lead, "/qualifications", person=hands.id, what=what, until=until)
        assert sent.status_code == 303
    refused = desk.post(lead, "/qualifications", person=hands.id, what="fit test", until="soon")

    for path in ("/qualifications", "/due"):
        page = desk.get(hands, path).text
        assert page.count("run out</span>") == 1
        assert "2026-03-01, overdue by 1 day" in page
        assert "2026-03-02, today" in page
    assert refused.status_code == 422
    assert 'value="fit test"' in refused.text


def test_what_is_due_names_housings_calibrations_and_what_has_no_date(desk: Desk) -> None:
    """A calibration that has run out is marked; housings without a day stand there with what is missing."""
    desk.post(desk.named("lead"), "/instruments", **MANOMETER | {"due": "2026-03-01"})

    page = desk.get(desk.named("technician"), "/due").text

    assert "What is due, seen on 2026-03-02" in page
    assert "overdue</span> 2026-03-01, overdue by 1 day" in page
    assert page.count("No due date is known for this housing") == 3
    assert page.index("EF-03") < page.index("EF-07") < page.index("EF-11")


def test_the_pages_are_linked_from_the_first_page_and_the_housing(desk: Desk) -> None:
    """Nobody has to know an address."""
    hands = desk.named("technician")

    front, housing = desk.get(hands, "/").text, desk.get(hands, "/housings/EF-03").text

    for path in ("/due", "/instruments", "/qualifications"):
        assert f'href="{path}"' in front
    assert 'href="/housings/EF-03/history"' in housing


@pytest.mark.parametrize("today", [datetime(2026, 3, 2, 7, tzinfo=UTC), datetime(2028, 2, 29, 23, 30, tzinfo=UTC)])
def test_the_sample_site_is_furnished_with_a_window_to_look_at(tmp_path: Path, today: datetime) -> None:
    """Whatever the day, the sample's entries pass the rules, one wrench is out of calibration, and a due span shows."""
    settings = Settings(data=tmp_path)
    ship_sample_housings(settings)
    running = start(settings, lambda: today)
    for name, role, secret in DEMO_PEOPLE:
        running.people.add(name, role, by=None, identity="known to us", secret=secret)

    furnish(running)
    state = running.site.jobs.site()
    known = Known(find_housing(running.site.library, "EF-03"), running.site.jobs.of_housing("EF-03"), state)
    running.close()
    trend = bank_trend(drop_series(known, Bank.HEPA), known.housing.design[Bank.HEPA])

    assert (len(state.instruments), len(state.readings)) == (len(DEMO_INSTRUMENTS), len(DEMO_READINGS))
    assert [item.id for item in state.instruments.values() if item.due < today.date()] == ["TW-2"]
    assert trend.plan_on is not None
    assert trend.plan_on > today.date()


def test_a_finished_job_fills_the_history_and_what_is_due(desk: Desk) -> None:
    """The tests made in a real job stand in the story, start the series, and give leak test and age their days."""
    job, hands = desk.open_job(), desk.named("technician")
    desk.work_until(job, "no step has these words")

    history = desk.get(hands, "/housings/EF-03/history").text
    before = desk.get(hands, "/housings/EF-03/history?bank=hepa&before=1").text
    farther = desk.get(hands, "/housings/EF-03/history?bank=hepa&before=2")
    none = [desk.get(hands, f"/housings/EF-03/hepa/trend.svg?before={ago}").status_code for ago in (0, 1, 2)]
    due = desk.get(hands, "/due").text

    for words in ("Leak test</b>, HEPA bank", "Age of a filter</b>", "since the filters were changed on 2026-03-02"):
        assert words in history
    assert 'bank=hepa&amp;before=1#hepa">Filters before those in place' in history
    assert "filters from before the record to 2026-03-02" in before
    assert (farther.status_code, none) == (422, [200, 422, 422])
    assert "were changed once by the record. Go back no farther" in farther.text
    assert "12 months after the last one passed, 2026-03-02, is 2027-03-02" in due
    assert "2027-03-02, in 365 days" in due
    assert "The age of the filter at P1 position" in due
