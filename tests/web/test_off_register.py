"""A housing that is off the register: still read, nothing planned or opened there, put back when it is wanted."""

import pytest

from app.calc.errors import Invalid
from app.domain.commands import Open
from app.records.moments import utc_text
from app.services.planning import find_housing, find_procedure, first_entry, plan
from tests.web.desk import Desk
from tests.web.test_planned import planned

WHY = "the line was given up <for good>"


def test_a_lead_takes_a_housing_off_and_puts_it_back(desk: Desk) -> None:
    """Everybody reads why; the lists say so; what is planned there is told of; a technician sees no form."""
    lead, hands = desk.named("lead"), desk.named("technician")
    planned(desk)
    assert 'action="/housings/EF-03/off"' not in desk.get(hands, "/housings/EF-03").text
    assert desk.post(hands, "/housings/EF-03/off", reason=WHY).status_code == 403
    refused = desk.post(lead, "/housings/EF-03/off", reason="no")
    sent = desk.post(lead, "/housings/EF-03/off", reason=WHY)

    assert (refused.status_code, sent.status_code) == (422, 303)
    assert 'value="no"' in refused.text
    page = desk.get(hands, "/housings/EF-03").text
    assert f"Off the register: {lead.name}, 2026-03-02 07:15: the line was given up &lt;for good&gt;." in page
    assert 'Planned work still waits on it: <a href="/planned/PL-0001">PL-0001</a>' in page
    assert "its housing is off the register" in desk.get(hands, "/planned").text
    assert "Off the register:" in desk.get(hands, "/planned/PL-0001").text
    assert desk.get(hands, "/").text.count("off the register") == 1
    assert [desk.get(hands, path).status_code for path in ("/housings/EF-03/history", "/register.csv")] == [200, 200]
    assert "EF-03" not in desk.get(hands, "/due").text
    assert 'href="/plan/EF-03"' not in desk.get(lead, "/housings/EF-03").text

    assert desk.post(lead, "/housings/EF-03/off", reason=WHY).status_code == 422
    assert desk.post(lead, "/housings/EF-03/back", reason="the line runs again").status_code == 303
    assert "Off the register" not in desk.get(lead, "/housings/EF-03").text
    assert "EF-03" in desk.get(hands, "/due").text
    trail = desk.get(desk.named("safety officer"), "/trail?kind=housings").text
    assert "EF-03 was taken off the register: the line was given up &lt;for good&gt;." in trail


def test_no_job_is_opened_on_it_by_the_page_or_past_it(desk: Desk) -> None:
    """The planning page says why; an entry that was made before is refused all the same."""
    lead, site = desk.named("lead"), desk.running.site
    made = plan(find_housing(site.library, "EF-03"), *find_procedure(site.library, "change-out"))
    at = utc_text(site.clock())
    draft = first_entry(made, site=site.jobs.site(), by=lead, at=at, crew=(desk.named("technician"),), rehearsal=False)
    desk.post(lead, "/housings/EF-03/off", reason=WHY)

    page = desk.get(lead, "/plan/EF-03")
    assert page.status_code == 422
    assert "EF-03 is off the register since 2026-03-02" in page.text
    with pytest.raises(Invalid, match="EF-03 is off the register since 2026-03-02"):
        desk.do(draft.ledger, Open(draft), lead)
    assert not site.jobs.in_hand()
    desk.post(lead, "/housings/EF-03/back", reason="the line runs again")
    desk.do(draft.ledger, Open(draft), lead)
    assert len(site.jobs.in_hand()) == 1
    over = desk.post(lead, "/housings/EF-03/off", reason=WHY)
    assert over.status_code == 422
    assert "Job 2026-0001 on EF-03 is not finished" in over.text
