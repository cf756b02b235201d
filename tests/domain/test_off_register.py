"""Off the register: taken off and put back with reasons, never over a job in hand, and nothing planned in between."""

import pytest

from app.calc.errors import Invalid
from app.domain.off_register import put_back, taken_off
from app.domain.site import JobClosed, SiteEvent, SiteState, evolve_site, fold_site, site_event_from_bytes
from app.ledger.canonical import canonical
from app.records.site_trail import site_trail
from tests.builders import LEAD, housing
from tests.domain.test_planned import SITE, moment, planning, registered


def off(state: SiteState, reason: str = "the line was given up") -> SiteState:
    """Return the site after EF-03 was taken off."""
    return evolve_site(state, taken_off(state, moment(state), housing("EF-03"), reason))


def back(state: SiteState, reason: str = "the line runs again") -> SiteState:
    """Return the site after EF-03 was put back."""
    return evolve_site(state, put_back(state, moment(state), "EF-03", reason))


def test_nothing_is_planned_on_a_housing_that_is_off_until_it_is_put_back() -> None:
    """The sentence says since when and why; other housings are planned for as before."""
    state = off(SITE)

    with pytest.raises(Invalid, match="EF-03 is off the register since 2026-03-02: the line was given up"):
        planning(state)
    assert planning(state, housing="EF-07").planned["PL-0001"].waits
    assert planning(back(state)).planned["PL-0001"].waits


def test_it_is_taken_off_once_and_only_what_is_off_is_put_back() -> None:
    """Each with a reason of its own; after that the other way round again."""
    with pytest.raises(Invalid, match="EF-03 stands on the register"):
        back(SITE)
    state = off(SITE)
    with pytest.raises(Invalid, match="EF-03 is off the register since"):
        off(state)
    for way in (off, lambda _, reason: back(state, reason)):
        with pytest.raises(Invalid, match="2 characters were given"):
            way(SITE, "no")
    assert set(off(back(state)).housed.off) == {"EF-03"}
    assert not back(state).housed.off


def test_it_is_not_taken_off_over_a_job_in_hand() -> None:
    """The job is named; once its record is accepted the housing may go."""
    state = evolve_site(SITE, registered(SITE, None))
    with pytest.raises(Invalid, match="Job 2026-0001 on EF-03 is not finished"):
        off(state)
    closed = JobClosed(seq=state.size, at="2026-03-10T06:30:00.000Z", job="job-2026-0001", size=9, root="ab" * 32)
    assert off(evolve_site(state, closed)).housed.off


def test_the_entries_read_back_from_bytes_and_have_their_sentences() -> None:
    """What the ledger keeps is what was decided."""
    first = taken_off(SITE, moment(SITE), housing("EF-03"), "the line was given up")
    state = evolve_site(SITE, first)
    events: list[SiteEvent] = [first, put_back(state, moment(state), "EF-03", "the line runs again")]
    read = [site_event_from_bytes(canonical(event.model_dump(mode="json", exclude_none=True))) for event in events]

    assert read == events
    assert all(event.by == LEAD for event in read)
    assert not fold_site(read, SITE).housed.off
    told = [line.sentence for line in site_trail(read, "UTC", SITE.watch)]
    assert "EF-03 was taken off the register: the line was given up." in told
    assert "EF-03 was put back on the register: the line runs again." in told
