"""The large sample site with few of its days: as large as it says, the same by the same seed, lawful, verified."""

from collections import Counter
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from app.bootstrap import Running, start
from app.cli import UNUSABLE, main
from app.commands_serve import DEMO_PEOPLE
from app.domain.history import unlawful
from app.domain.job import Stage
from app.domain.readiness_items import is_ready
from app.domain.site import SITE_LEDGER
from app.domain.store import Kind
from app.ledger.check import check_entries
from app.sample_site import make_sample_site, thinned
from app.settings import Settings

UNTIL = datetime(2026, 11, 20, tzinfo=UTC)
DAYS = 16
"""Of the days of its history so many are lived here."""


def made(folder: Path, seed: int = 1) -> Running:
    """Make the site of every housing and year, with few days of its history, and start on it."""
    settings = Settings(data=folder)
    make_sample_site(settings, seed=seed, until=UNTIL, people=DEMO_PEOPLE, say=lambda _: None, most=DAYS)
    return start(settings, lambda: UNTIL)


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Running:
    """One such site."""
    return made(tmp_path_factory.mktemp("site"))


def told(running: Running) -> list[bytes]:
    """Return every entry of every ledger as kept, but for the name of the key that the site drew."""
    ledgers = [SITE_LEDGER, *(line.job for line in running.site.jobs.site().jobs)]
    key = running.store.read_payloads(SITE_LEDGER)[0].split(b'"key_id":"')[1][:16]
    return [payload.replace(key, b"") for name in ledgers for payload in running.store.read_payloads(name)]


def test_the_same_seed_and_day_make_the_same_entries(site: Running, tmp_path: Path) -> None:
    """Byte for byte; nothing of it comes from the day on which it is made."""
    again = made(tmp_path)
    try:
        first, second = told(site), told(again)
    finally:
        again.close()

    assert len(first) > 700
    assert first == second


def test_it_is_as_large_as_it_says(site: Running) -> None:
    """40 housings of four services; work in each of three years up to its last day."""
    housings = site.site.library.housings()
    days = [
        date.fromisoformat(event.at[:10]) for event in site.site.jobs.site_events() if event.type == "reading_taken"
    ]
    last = [date.fromisoformat(line.opened_at[:10]) for line in site.site.jobs.site().jobs][-1]

    assert len(housings) == 40
    assert Counter(str(housing.service) for housing in housings) == dict.fromkeys(
        ("radioactive", "biological", "potent_compound", "chemical"), 10
    )
    assert {2024, 2025, 2026} <= {day.year for day in days}
    assert last == date(2026, 11, 17)
    assert timedelta(days=3 * 365 - 60) <= last - min(days) <= timedelta(days=3 * 365)


def test_few_of_its_days_are_spread_over_all_of_them() -> None:
    """The first and the last among them; all where there are no more."""
    days = [(date(2026, 1, 1) + timedelta(days=place), "EF-101", 1.0) for place in range(100)]

    assert thinned(days, None) == thinned(days, 100) == days
    assert [day[0].toordinal() - days[0][0].toordinal() for day in thinned(days, 4)] == [0, 33, 66, 99]


@pytest.mark.parametrize(("day", "told"), [("soon", "--until: 'soon' is not a date"), ("2999-01-01", "does not lie")])
def test_a_day_that_cannot_be_its_last_is_refused(
    day: str, told: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One sentence, and nothing is made."""
    assert main(["demo", "--years", "3", "--until", day, "--data", str(tmp_path / "site")]) == UNUSABLE

    assert told in capsys.readouterr().err
    assert not (tmp_path / "site" / "housings").exists()


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
