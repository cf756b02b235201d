"""Jobs that stay in memory are kept out of the garbage collector's rounds, and freed when they are let go of."""

import gc
from datetime import UTC, datetime
from pathlib import Path

import pytest

from app.bootstrap import ship_sample_housings, start
from app.domain.commands import Open
from app.records.moments import utc_text
from app.services.jobs import Asked
from app.services.planning import find_housing, find_procedure, first_entry, plan
from app.settings import Settings
from tests.builders import LEAD, let_texts_in


def test_a_job_read_from_its_ledger_is_spared_by_the_collector(tmp_path: Path) -> None:
    """Reading a job freezes it: the collector has next to nothing of it left to walk."""
    settings = Settings(data=tmp_path)
    ship_sample_housings(settings)
    moment = datetime(2026, 3, 2, 7, 0, tzinfo=UTC)
    first = start(settings, lambda: moment)
    let_texts_in(first.site.jobs)
    made = plan(find_housing(first.site.library, "EF-11"), *find_procedure(first.site.library, "change-out"))
    draft = first_entry(made, site=first.site.jobs.site(), by=LEAD, at=utc_text(moment), crew=(), rehearsal=False)
    first.site.jobs.record(draft.ledger, Open(draft), Asked(LEAD)).result()
    first.close()
    second = start(settings, lambda: moment)
    gc.unfreeze()

    state = second.site.jobs.state(draft.ledger)
    walked = {id(item) for item in gc.get_objects()}
    steps = [step.__dict__ for step in state.steps]
    second.close()
    gc.unfreeze()

    assert len(steps) > 100
    assert not [step for step in steps if id(step) in walked]


def test_a_register_and_what_is_due_over_it_are_spared_by_the_collector(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Walking ten thousand housings took a tenth of a second, at some page or other."""
    monkeypatch.setattr("app.storage.library.MANY", 3)
    monkeypatch.setattr("app.services.due.MANY", 3)
    settings = Settings(data=tmp_path)
    ship_sample_housings(settings)
    running = start(settings)
    gc.unfreeze()

    housings = running.site.library.housings()
    of_files = {id(item) for item in gc.get_objects()}
    found = running.site.due.part("", skip=0, count=10).housings
    walked = {id(item) for item in gc.get_objects()}
    running.close()
    gc.unfreeze()

    assert len(housings) == len(found) == 3
    assert not [item for item in housings if id(item) in of_files]
    assert not [item for item in found if id(item) in walked]


def test_a_single_housing_is_not_worth_a_round(tmp_path: Path) -> None:
    """What requests have in hand just then would be taken out with it, each time that a file is changed."""
    settings = Settings(data=tmp_path)
    ship_sample_housings(settings)
    running = start(settings)
    gc.unfreeze()

    running.site.library.housings()
    running.site.due.part("", skip=0, count=10)
    frozen = gc.get_freeze_count()
    running.close()

    assert frozen == 0
