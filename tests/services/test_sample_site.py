"""The large sample site, made small: the same by the same seed, lawful, with records that verify."""

from datetime import UTC, datetime
from pathlib import Path

import pytest

from app.bootstrap import Running, start
from app.commands_serve import DEMO_PEOPLE
from app.domain.history import unlawful
from app.domain.job import Stage
from app.domain.readiness_items import is_ready
from app.domain.store import Kind
from app.ledger.check import check_entries
from app.sample_site import make_sample_site
from app.settings import Settings

UNTIL = datetime(2026, 11, 20, tzinfo=UTC)


def made(folder: Path, seed: int = 1) -> Running:
    """Make a site of six housings and one year, and start on it."""
    settings = Settings(data=folder)
    make_sample_site(settings, seed=seed, until=UNTIL, count=6, years=1, people=DEMO_PEOPLE, say=lambda _: None)
    return start(settings, lambda: UNTIL)


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Running:
    """One such site."""
    return made(tmp_path_factory.mktemp("site"))


def told(running: Running) -> list[tuple[str, str, str]]:
    """Return what happened, without what signing draws anew."""
    jobs = running.site.jobs
    found = [(event.type, event.at, event.by.id if event.by else "") for event in jobs.site_events()]
    return [*found, *((e.type, e.at, e.by.id) for line in jobs.site().jobs for e in jobs.events(line.job))]


def test_the_same_seed_makes_the_same_history(site: Running, tmp_path: Path) -> None:
    """Entry for entry: kind, time and person; at the start after it the site is as it was left."""
    again = made(tmp_path)
    try:
        first, second = told(site), told(again)
    finally:
        again.close()

    assert len(first) > 700
    assert [row for row in first if row[1] < "2026-11-20"] == [row for row in second if row[1] < "2026-11-20"]


def test_its_jobs_stand_where_the_story_says_and_every_ledger_holds(site: Running) -> None:
    """Two in hand, one suspended, one that waits for review, the others accepted; lawful to an outsider."""
    jobs = site.site.jobs
    stages = [state.stage for _, state in reversed(jobs.in_hand())]
    ended = [line for line in jobs.site().jobs if not jobs.site().jobs.is_in_hand(line.job)]

    assert stages == [Stage.OPEN, Stage.OPEN, Stage.SUSPENDED, Stage.IN_REVIEW]
    assert len(ended) >= 2
    for line in jobs.site().jobs:
        assert unlawful(jobs.events(line.job)) == ()
        faults = check_entries(
            ledger=line.job, payloads=site.store.read_payloads(line.job), heads=site.store.read_heads(line.job),
            certificate_pem=site.key.certificate_pem,
        )  # fmt: skip
        assert faults == ()
    _, packages = site.site.waste.here()
    assert {item.job for item in packages} <= {line.job for line, _ in jobs.in_hand()}
    state = jobs.site()
    assert state.waste.handovers
    assert {lot.verdict for lot in state.store.lots.values() if lot.lot.kind is Kind.FILTER} == {
        "accepted", "held back", "not inspected"
    }  # fmt: skip
    assert [is_ready(plan, site.site.plans.service(number)) for number, plan in sorted(state.planned.items())] == [
        True, False, False
    ]  # fmt: skip
    assert [bool(plan.readiness.items) for _, plan in sorted(state.planned.items())] == [True, True, False]
    assert {lot.lot.kind for lot in state.store.lots.values()} == set(Kind) == set(state.store.lead_days)
    assert [found.point for found in state.housed.differences.values()] == ["fan"]
    assert (len(state.suggestions.all), len(state.suggestions.waiting)) == (2, 1)
    for housing in site.site.library.housings():
        assert all((housing.access, housing.hazards, housing.gauges, housing.test_ports))
        assert all(port.clamp_type for port in housing.ports)
    assert not site.site.library.faults()
