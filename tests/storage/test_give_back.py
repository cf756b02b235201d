"""Backup and restore as they are, with tablets: what the tablets still hold comes back, once, in order, marked so."""

from dataclasses import dataclass
from datetime import timedelta
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory

from hypothesis import given, settings
from hypothesis import strategies as st

from app.bootstrap import Running, finish_restore, start
from app.domain.event_base import Who
from app.domain.history import unlawful
from app.settings import Settings
from app.storage.backup import make_backup
from app.storage.restore import restore
from tests.scheduling.server import Server, fresh_server
from tests.scheduling.tablets import Line, Tablet
from tests.web.desk import Clock, Desk


@dataclass
class Served(Server):
    """The server of `tests.scheduling`, over a real folder that is backed up and restored by the real commands."""

    running: Running | None = None

    def __post_init__(self) -> None:
        assert self.running is not None
        self.jobs = self.running.site.jobs

    @property
    def payloads(self) -> tuple[bytes, ...]:
        """The job's entries as kept."""
        assert self.running is not None
        return tuple(self.running.store.read_payloads(self.job))


@settings(max_examples=6)
@given(data=st.data())
def test_every_acknowledged_mark_that_a_tablet_holds_comes_back_once_and_in_order(
    data: st.DataObject,
) -> None:
    """Any history of two tablets, a backup at any point of it, a real restore, and a return in any order."""
    before = data.draw(st.lists(st.integers(0, 1), max_size=5), label="marks before the backup, by tablet")
    after = data.draw(st.lists(st.integers(0, 1), min_size=1, max_size=8), label="marks after it")
    back = data.draw(st.lists(st.integers(0, 1), min_size=2, max_size=6), label="order of the return")
    clock = Clock()
    with TemporaryDirectory() as name:
        place, data_folder = Path(name), Path(name) / "site"
        server, crew = served(data_folder, clock)
        tablets = [Tablet(who, f"tablet {n}", server, lambda: Line.GOOD) for n, who in enumerate(crew)]
        marked(tablets, before)
        copy = make_backup(data_folder, place / "backup", with_keys=True, program="tested", clock=clock)
        marked(tablets, after)
        held = {tablet.name: [mark for mark in tablet.marks if mark.state == "taken"] for tablet in tablets}
        assert any(held.values())
        in_backup = {head.ledger: head.size for head in copy.manifest.heads}[server.job]
        finish = partial(finish_restore, clock=clock)
        assert server.running is not None
        server.running.close()
        clock.now += timedelta(minutes=10)  # within the interval of the repeated reading
        restore(copy.folder, data_folder, replace=True, keys=None, clock=clock, finish=finish)
        again = Served(server.store, server.job, running=start(Settings(data=data_folder), clock))
        for tablet in tablets:
            tablet.server = again
        for which in (*back, 0, 1):
            tablets[which].load()
            tablets[which].drain()
        events = again.events()
        assert again.running is not None
        again.running.close()

    for tablet in tablets:
        assert tablet.waiting == []
        mine = [event for event in events if event.request in {mark.token for mark in held[tablet.name]}]
        assert [event.request for event in mine] == [mark.token for mark in held[tablet.name]]
        for event in mine:
            assert event.device is not None
            assert bool(event.device.recovered) == (event.seq >= in_backup)
    known = {mark.token for tablet in tablets for mark in tablet.marks}
    assert {event.request for event in events[in_backup:]} <= known
    assert unlawful(events) == ()


def served(folder: Path, clock: Clock) -> tuple[Served, tuple[Who, Who]]:
    """Return a running site whose one job has come to the gathering of the first bag, and its two technicians."""
    desk = Desk.at(folder, clock)
    job = desk.open_job()
    desk.work_until(job, "Twist the bag into")
    cast = desk.cast()
    return Served(fresh_server().store, job, running=desk.running), (cast.hands, cast.eyes)


def marked(tablets: list[Tablet], order: list[int]) -> None:
    """Let tablets mark in this order; every third mark of a tablet is made out of reach and sent later."""
    for turn, which in enumerate(order):
        tablets[which].load()
        tablets[which].way = (lambda: Line.NEVER_ARRIVES) if turn % 3 == 2 else (lambda: Line.GOOD)
        tablets[which].mark()
        tablets[which].way = lambda: Line.GOOD
        tablets[which].drain()
