"""A moved clock is entered, also when the first try is refused."""

from concurrent.futures import Future
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from app.domain.watch_events import ClockStepped
from app.storage.faults import DiskFull
from tests.web.desk import Clock, Desk


class Ticks:
    """Seconds that a machine has been running, as told."""

    now = 1000.0

    def __call__(self) -> float:
        """Return what was told."""
        return self.now


def test_a_step_whose_entry_was_refused_is_entered_by_a_later_look(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The disk is full at the first look; there is one entry of the whole step after the next."""
    clock, ticks = Clock(), Ticks()
    desk = Desk.at(tmp_path, clock, ticks)
    watch, jobs = desk.running.site.clock_watch, desk.running.site.jobs
    clock.now += timedelta(seconds=60)

    def full(*_: Any, **__: Any) -> "Future[Any]":
        told: Future[Any] = Future()
        told.set_exception(DiskFull("The disk is full."))
        return told

    with monkeypatch.context() as patched:
        patched.setattr(desk.running.store, "submit", full)
        watch.look()
    for _ in range(3):
        watch.look()
    desk.running.store.submit(lambda _: None).result()

    steps = [event.step_ms for event in jobs.site_events() if isinstance(event, ClockStepped)]
    desk.running.close()
    assert steps == [60_000]
