"""A full disk: marks are refused in a sentence, nothing acknowledged is lost, a stop still finds room.

SQLite says "database or disk is full" (SQLITE_FULL) from the same place for a page limit as for a disk without room.
"""

import json
import shutil
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import wait
from pathlib import Path

import pytest
from sqlalchemy import Engine, event, select, text

from app.storage.ballast import Ballast
from app.storage.engine import open_engine
from app.storage.faults import DiskFull
from app.storage.tables import create_schema
from app.storage.writer import Store
from tests.ledger.signing import TestSigner
from tests.storage.builders import WAIT_S, append, done, one_batch, tick_clock

ROOM_KEPT_BACK = 40
NOTE = "x" * 3000


class Disk:
    """A disk of so many pages, as SQLite's own limit on every connection."""

    def __init__(self, engine: Engine) -> None:
        self.limit = 1_000_000
        event.listen(engine, "connect", self._connect)
        event.listen(engine, "checkout", self._connect)

    def _connect(self, driver: object, *_: object) -> None:
        driver.execute(f"PRAGMA max_page_count={self.limit}")  # type: ignore[attr-defined]


class PagesKeptBack(Ballast):
    """The ballast, in pages of that disk."""

    def __init__(self, disk: Disk) -> None:
        super().__init__(Path("unused"))
        self.disk = disk
        self.room = False

    def lay(self) -> bool:
        """Take the room back if there is some."""
        return self.room

    def release(self) -> bool:
        """Give up the pages kept back."""
        self.disk.limit += ROOM_KEPT_BACK
        return True


@pytest.fixture
def setting(tmp_path: Path, signer: TestSigner) -> Iterator[tuple[Store, Disk, PagesKeptBack]]:
    """A store on a disk that can be filled."""
    engine = open_engine(tmp_path / "changeout.sqlite")
    create_schema(engine)
    disk = Disk(engine)
    ballast = PagesKeptBack(disk)
    store = Store(engine, signer, tick_clock(), ballast=ballast)
    yield store, disk, ballast
    store.close()
    engine.dispose()


def fill(store: Store, disk: Disk) -> int:
    """Leave no page, write until the disk says no, and return how many entries were acknowledged."""
    pages = store.read_rows(select(text("page_count FROM pragma_page_count")))[0][0]
    disk.limit = int(pages) + 3
    store._drop_connection()
    for seq in range(200):
        try:
            store.submit(append("job-1", note=NOTE)).result()
        except DiskFull as no:
            assert "STOP WORK" in str(no)
            return seq
    raise AssertionError("the disk never filled")


def test_a_full_disk_refuses_marks_and_loses_nothing(setting: tuple[Store, Disk, PagesKeptBack]) -> None:
    """Everything acknowledged is read back; one refused mark is not there; the next is refused at once."""
    store, disk, _ = setting

    written = fill(store, disk)

    assert len(store.read_payloads("job-1")) == written > 0
    with pytest.raises(DiskFull):
        store.submit(append("job-1", note=NOTE)).result()
    assert len(store.read_payloads("job-1")) == written


def test_a_stop_finds_the_room_kept_back(setting: tuple[Store, Disk, PagesKeptBack]) -> None:
    """What is urgent is written from the room kept back, while marks stay refused."""
    store, disk, _ = setting
    written = fill(store, disk)

    store.submit(append("job-1", note=NOTE), urgent=True).result()

    assert len(store.read_payloads("job-1")) == written + 1
    with pytest.raises(DiskFull):
        store.submit(append("job-1", note=NOTE)).result()


def test_all_goes_on_once_there_is_room(setting: tuple[Store, Disk, PagesKeptBack]) -> None:
    """The room kept back is taken again before anything else, then marks are taken as before."""
    store, disk, ballast = setting
    written = fill(store, disk)
    disk.limit, ballast.room = 1_000_000, True

    store.submit(append("job-1", note=NOTE)).result()

    assert len(store.read_payloads("job-1")) == written + 1


class OnThatDisk(Ballast):
    """The ballast itself, whose file is so many pages of that disk."""

    def __init__(self, disk: Disk, path: Path) -> None:
        super().__init__(path, size=ROOM_KEPT_BACK * 4096)
        self.disk = disk

    def lay(self) -> bool:
        """Take the room, and the disk's pages with it."""
        there = self._path.exists()
        laid = super().lay()
        self.disk.limit -= ROOM_KEPT_BACK * (laid and not there)
        return laid

    def release(self) -> bool:
        """Give both back."""
        released = super().release()
        self.disk.limit += ROOM_KEPT_BACK * released
        return released


@pytest.fixture
def on_that_disk(tmp_path: Path, signer: TestSigner) -> Iterator[tuple[Store, Disk]]:
    """A store whose ballast is a file that can be taken again as soon as it is let go of."""
    engine = open_engine(tmp_path / "changeout.sqlite")
    create_schema(engine)
    disk = Disk(engine)
    ballast = OnThatDisk(disk, tmp_path / "ballast")
    ballast.lay()
    store = Store(engine, signer, tick_clock(), ballast=ballast)
    yield store, disk
    store.close()
    engine.dispose()


def test_the_room_given_to_a_stop_is_not_taken_back_before_it_is_written(on_that_disk: tuple[Store, Disk]) -> None:
    """The room that was just let go of could be laid again at once; the stop comes first."""
    store, disk = on_that_disk
    written = fill(store, disk)

    done(store.submit(append("job-1", note=NOTE), urgent=True))

    assert len(store.read_payloads("job-1")) == written + 1


def test_what_waits_with_a_stop_is_told_too(on_that_disk: tuple[Store, Disk]) -> None:
    """In one batch the stops are written and the mark among them is refused; nothing is left waiting."""
    store, disk = on_that_disk
    written = fill(store, disk)

    with one_batch(store):
        stops = [store.submit(append("job-1", note=NOTE), urgent=True) for _ in range(3)]
        mark = store.submit(append("job-1", note=NOTE))

    assert [done(stop).size for stop in stops] == [written + 1, written + 2, written + 3]
    assert isinstance(mark.exception(WAIT_S), DiskFull)


def test_a_stop_that_the_room_kept_back_cannot_hold_is_refused(on_that_disk: tuple[Store, Disk]) -> None:
    """Full for a second time, it is told so, and the writer goes on."""
    store, disk = on_that_disk
    written = fill(store, disk)
    too_much = "x" * (ROOM_KEPT_BACK * 4096 * 2)

    refused = store.submit(append("job-1", note=too_much), urgent=True)
    after = store.submit(append("job-1", note=NOTE), urgent=True)
    wait((refused, after), WAIT_S)

    assert isinstance(refused.exception(0), DiskFull)
    assert after.result(0).size == written + 1


def test_stops_are_written_on_a_disk_that_is_really_full(tmp_path: Path) -> None:
    """A small disk of its own, filled with marks and then with stops, with the ballast as the program lays it."""
    if sys.platform != "linux" or shutil.which("unshare") is None:
        pytest.skip("A small disk is made with Linux's `unshare`.")
    folder = tmp_path / "disk"
    folder.mkdir()
    mounted = 'mount -t tmpfs -o size=16m none "$1"'
    space = ("unshare", "--user", "--map-root-user", "--mount", "sh", "-c")
    if subprocess.run((*space, mounted, "sh", folder), capture_output=True, check=False).returncode != 0:
        pytest.skip("This machine lets nobody mount a small disk.")

    run = subprocess.run(
        (*space, f'{mounted} && exec "$2" -m tests.storage.full_disk_child "$1"', "sh", folder, sys.executable),
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip

    assert run.returncode == 0, run.stderr
    told = json.loads(run.stdout)
    assert told["marks"] > 50
    assert told["stops"] > 20
    assert told["stored"] == told["marks"] + told["stops"]
    assert "disk is full" in told["mark"]
    assert "disk is full" in told["stop"]


def test_the_ballast_takes_its_room_once_and_gives_it_back(tmp_path: Path) -> None:
    """A file of the size asked for, laid again only where it is missing."""
    ballast = Ballast(tmp_path / "ballast", size=5000)

    laid, again = ballast.lay(), ballast.lay()
    size = (tmp_path / "ballast").stat().st_size
    released, none_left = ballast.release(), ballast.release()

    assert (laid, again, size) == (True, True, 5000)
    assert (released, none_left) == (True, False)


def test_a_ballast_without_room_says_so(tmp_path: Path) -> None:
    """Where the folder cannot take it, nothing is left behind."""
    assert Ballast(tmp_path / "no such folder" / "ballast").lay() is False


def test_reading_waits_for_no_room_and_takes_none(setting: tuple[Store, Disk, PagesKeptBack]) -> None:
    """Beside a mark that finds the disk full, and after it; the room kept back stays for what must be written."""
    store, disk, ballast = setting
    written = fill(store, disk)
    limit, ballast.room = disk.limit, True  # the next batch is let in, and fails

    with one_batch(store):
        mark = store.submit(append("job-1", note=NOTE))
        beside = store.submit(lambda tx: tx.tip("job-1").frontier.size, urgent=True)
    ballast.room = False
    after = store.submit(lambda tx: tx.tip("job-1").frontier.size, urgent=True)

    assert isinstance(mark.exception(WAIT_S), DiskFull)
    assert (done(beside), done(after)) == (written, written)
    assert disk.limit == limit
