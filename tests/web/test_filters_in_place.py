"""Filters in place through the pages: entered at the desk, taken over from a job, aged by the maker's date."""

import pytest

from app.domain.commands import Accept, Correct, OpenException, Reopen, Submit
from app.domain.housed_events import FiltersPlaced
from app.domain.job import Stage
from app.domain.site import JobClosed
from app.services.jobs import findings_of
from app.services.rehearsal import commands_for
from tests.web.desk import Desk
from tests.web.forms import forms_of

FILTER = {
    "spot": "P1/1", "serial": "SN <1>", "made": "2017-04-01", "report": "TR-9", "installed": "2018-01-31",
    "why": "read at the door",
}  # fmt: skip


def test_a_filter_entered_at_the_desk_stands_with_its_age_and_its_last_day(desk: Desk) -> None:
    """By the study's ten years where the site has none of its own; the list of what is due has it too."""
    lead, hands = desk.named("lead"), desk.named("technician")
    sent = desk.post(desk.named("safety officer"), "/housings/EF-03/filters", **FILTER)
    assert (sent.status_code, sent.headers["location"]) == (303, "/housings/EF-03")
    page = desk.get(hands, "/housings/EF-03").text

    assert "SN &lt;1&gt;" in page
    assert "8 years 11 months old, counted from its making. Its age runs out on 2027-04-01, in 395 days" in page
    assert "made 2017-04-01, test report TR-9, installed 2018-01-31, entered by Aiko Lindqvist, 2026-03-02" in page
    assert page.count("no filter known") == 1
    assert "It is in place" not in page
    assert (
        "The age of the filter at P1 position 1 of the HEPA bank runs out on 2027-04-01" in desk.get(hands, "/due").text
    )

    old = FILTER | {"spot": "P1/2", "serial": "SN 2", "made": "2016-03-02", "installed": ""}
    assert desk.post(lead, "/housings/EF-03/filters", **old).status_code == 303
    page = desk.get(lead, "/housings/EF-03").text
    assert "run out</span> 10 years old, counted from its making. Its age runs out on 2026-03-02, today" in page
    trail = desk.get(lead, "/trail?kind=housings").text
    assert "In place (desk): SN 2 at EF-03, P1 position 2. read at the door." in trail


def test_one_serial_number_is_never_entered_twice_and_what_was_typed_comes_back(desk: Desk) -> None:
    """The sentence names where it stands; taken out there, it may be entered here."""
    lead = desk.named("lead")
    desk.post(lead, "/housings/EF-03/filters", **FILTER)

    refused = desk.post(lead, "/housings/EF-07/filters", **FILTER | {"serial": "sn<1>"})
    assert refused.status_code == 422
    assert "Filter sn&lt;1&gt; is in place at EF-03, P1 position 1, and no filter is in two places" in refused.text
    assert '<option value="P1/1" selected>' in refused.text
    assert 'value="2017-04-01"' in refused.text

    for spot, status in (("P1/9", 422), ("", 422), ("P1/1", 303), ("P1/1", 422)):
        left = desk.post(lead, "/housings/EF-03/taken-out", spot=spot, why="moved to EF-07")
        assert left.status_code == status
    assert desk.post(lead, "/housings/EF-07/filters", **FILTER).status_code == 303
    assert "none since 2026-03-02" in desk.get(lead, "/housings/EF-03").text
    assert desk.running.site.jobs.site().housed.where("SN<1>") == ("EF-07", ("P1", 1))


@pytest.mark.parametrize("spoilt", [False, True])
def test_what_a_job_put_in_is_in_place_when_its_record_is_accepted(desk: Desk, *, spoilt: bool) -> None:
    """In the same transaction as its closing; a number that stands elsewhere is flagged and the record is accepted."""
    lead, officer = desk.named("lead"), desk.named("safety officer")
    desk.post(lead, "/housings/EF-03/filters", **FILTER)
    job = desk.open_job()
    number = desk.running.site.jobs.site().jobs.newest(1)[0].number
    serials = {place: f"rehearsal, serial EF-03 {number} P1-{place}" for place in (1, 2)}
    state = desk.work_until(job, "no step has these words")
    if spoilt:  # after it was read, for a step that reads a number which stands elsewhere refuses it
        desk.post(lead, "/housings/EF-07/filters", **FILTER | {"serial": serials[2]})
    assert desk.running.site.jobs.site().housed.where("SN<1>") is not None
    while state.stage is Stage.WORK_DONE and state.unanswered:
        for command, by in commands_for(state, desk.cast()):
            state = desk.do(job, command, by)
    desk.do(job, Submit(), desk.cast().lead)
    for item in state.notables:
        desk.do(job, OpenException(item.seq), officer)
    desk.do(job, Accept(), officer)

    housed = desk.running.site.jobs.site().housed
    events = desk.running.site.jobs.site_events()
    closed, placed = events[-2:]
    assert isinstance(closed, JobClosed)
    assert isinstance(placed, FiltersPlaced)
    assert (placed.how, placed.job, placed.by) == ("job", job, officer)
    now = housed.at("EF-03", "P1", 1)
    assert now is not None
    assert now.filter is not None
    assert (now.filter.serial, str(now.filter.made)) == (serials[1], "2026-01-01")
    assert housed.where("SN<1>") is None
    page = desk.get(lead, "/housings/EF-03").text
    assert f"taken over from job {number}" in page
    if spoilt:
        assert housed.where(serials[2]) == ("EF-07", ("P1", 1))
        assert f"Serial number at P1, position 2: the register has “no filter known”, found “{serials[2]}”" in page
        assert "the register has it at EF-07, P1 position 1" in page
    else:
        assert housed.where(serials[2]) == ("EF-03", ("P1", 2))
        assert "Found otherwise" not in page


def test_a_serial_number_corrected_after_acceptance_leaves_the_register_until_it_is_accepted_again(desk: Desk) -> None:
    """In the meantime the page says what awaits what, and the number that was misread may be entered where it is."""
    lead, second, officer = desk.named("lead"), desk.named("lead", 1), desk.named("safety officer")
    job, place = desk.open_job("EF-07"), ("EF-07", ("P1", 1))
    number = desk.running.site.jobs.site().jobs.newest(1)[0].number

    def accepted() -> None:
        state = desk.work_until(job, "no step has these words")
        while state.unanswered:
            for command, by in commands_for(state, desk.cast()):
                state = desk.do(job, command, by)
        desk.do(job, Submit(), second)
        for item in desk.running.site.jobs.state(job).unread:
            desk.do(job, OpenException(item.seq), officer)
        for finding in findings_of(desk.running.site.jobs.site(), job, desk.running.site.jobs.state(job)):
            desk.do(job, OpenException(finding.seq, of_site=True), officer)
        desk.do(job, Accept(), officer)

    def where(serial: str) -> object:
        return desk.running.site.jobs.site().housed.where(serial)

    accepted()
    now = desk.running.site.jobs.site().housed.at("EF-07", "P1", 1)
    assert now is not None
    assert now.filter is not None
    was, reader = now.filter.serial, next(
        step.id for step in desk.running.site.jobs.state(job).steps if step.computes == "filter_age"
    )  # fmt: skip
    assert "open again" not in desk.get(lead, "/housings/EF-07").text

    desk.do(job, Reopen("The label was misread."), second)
    desk.go_on(job)
    assert where(was) == place
    assert "that job is open again: this awaits its acceptance" in desk.get(lead, "/housings/EF-07").text
    desk.do(job, Correct(reader, "serial", "SN 2", "the label was misread", again="SN 2"), second)

    assert (where(was), where("SN 2")) == (None, None)
    told = f"job {number}, open again, reads another than before; it comes in with its acceptance"
    assert told in desk.get(lead, "/housings/EF-07").text
    assert f"Job {number}, open again, reads another filter there now" in desk.get(lead, "/trail?kind=housings").text
    assert desk.post(lead, "/housings/EF-03/filters", **FILTER | {"serial": was}).status_code == 303

    accepted()
    assert (where("SN 2"), where(was)) == (place, ("EF-03", ("P1", 1)))
    page = desk.get(lead, "/housings/EF-07").text
    assert "open again" not in page
    assert "Found otherwise" not in page


def test_a_nameplate_file_changed_by_hand_is_told_on_the_page(desk: Desk) -> None:
    """The ledger's digest and the file's are compared whenever the page is looked at."""
    lead, path = desk.named("lead"), desk.running.site.settings.data / "housings" / "EF-07.toml"
    assert "was put into the site&#39;s folder as a file" in desk.get(lead, "/housings/EF-07").text
    cells = {"location": "Annex", "service": "biological", "seal": "gel", "upstream_damper": "D-701",
             "downstream_damper": "D-702", "fan": "fan F-71", "port.1.port": "P1", "port.1.bank": "hepa",
             "port.1.filters": "1", "port.1.filter": "24x24x11.5 gel", "why": "moved"}  # fmt: skip
    shown = forms_of(desk.get(lead, "/housings/EF-07/change").text)[-1].fields["shown"]
    assert desk.post(lead, "/housings/EF-07/change", **cells, shown=shown).status_code == 303
    assert f"Nameplate entered by {lead.name}, 2026-03-02 07:15: moved." in desk.get(lead, "/housings/EF-07").text

    path.write_text(path.read_text("utf-8").replace("Annex", "Cellar"), "utf-8")
    page = desk.get(lead, "/housings/EF-07").text
    assert "Its file was changed since, outside of this program" in page
