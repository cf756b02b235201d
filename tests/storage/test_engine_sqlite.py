"""Every connection is as durable as it says, only one may write, and only one process may hold the folder."""

import sqlite3
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, event, text
from sqlalchemy.exc import OperationalError

from app.storage import engine_sqlite as engine_module
from app.storage.durable import LOCK_NAME
from app.storage.engine import open_engine, reader
from app.storage.engine_sqlite import sqlite_notice
from app.storage.faults import DataFolderInUse, StorageFault
from tests.storage.conftest import Opened

EXPECTED = {
    "journal_mode": "wal",
    "synchronous": 2,
    "foreign_keys": 1,
    "busy_timeout": 5000,
    "recursive_triggers": 1,
    "wal_autocheckpoint": 0,
    "query_only": 1,
}


@pytest.fixture
def opened(tmp_path: Path) -> Opened:
    """Name a fresh file, in place of one database on each engine."""
    return Opened(tmp_path / "data" / "changeout.sqlite", None)


def asked(connection: Any, names: dict[str, object]) -> dict[str, object]:
    """Return what SQLite itself says of each setting."""
    return {name: connection.execute(text(f"PRAGMA {name}")).scalar_one() for name in names}


def test_every_reading_connection_is_set_and_cannot_write(engine: Engine) -> None:
    """Not only the first connection of the pool: each of five at once."""
    connections = [reader(engine).connect() for _ in range(5)]

    settings = [asked(connection, EXPECTED) for connection in connections]

    assert settings == [EXPECTED] * 5
    with pytest.raises(OperationalError, match="readonly"):
        connections[4].execute(text("INSERT INTO ledger_name VALUES ('a', 'b')"))
    for connection in connections:
        connection.close()


def test_the_writing_connection_checkpoints_and_gives_its_seat_back(engine: Engine) -> None:
    """While it holds the seat it may write and checkpoint; back in the pool it is a reader like all others."""
    writing = {**EXPECTED, "wal_autocheckpoint": 1000, "query_only": 0}

    with engine.begin() as connection:
        held = asked(connection, writing)
    with reader(engine).connect() as connection:
        returned = asked(connection, EXPECTED)

    assert held == writing
    assert returned == EXPECTED


def test_a_second_writing_connection_is_refused(engine: Engine) -> None:
    """There is one writing seat, and it is free again afterwards."""
    with engine.begin(), pytest.raises(StorageFault, match="second connection"), engine.begin():
        pass

    with engine.begin() as connection:
        connection.execute(text("INSERT INTO ledger_name VALUES ('a', 'b')"))


def test_a_lost_writing_connection_leaves_no_occupied_seat(engine: Engine) -> None:
    """An invalidated connection does not keep the seat for ever."""
    connection = engine.connect()
    connection.begin()
    connection.invalidate()
    connection.close()

    with engine.begin() as other:
        other.execute(text("INSERT INTO ledger_name VALUES ('a', 'b')"))


def test_a_reader_never_waits_for_the_writer(engine: Engine) -> None:
    """A reader sees the last committed state while a write is under way."""
    with engine.begin() as writing:
        writing.execute(text("INSERT INTO ledger_name VALUES ('a', 'b')"))
        with reader(engine).connect() as reading:
            seen = reading.execute(text("SELECT count(*) FROM ledger_name")).scalar_one()

    assert seen == 0


@pytest.mark.parametrize("name", ["synchronous", "foreign_keys", "busy_timeout", "query_only", "wal_autocheckpoint"])
def test_a_setting_that_did_not_take_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    """The connection is asked after it was told, and a wrong answer stops the start."""
    _, expected = engine_module._PRAGMAS[name]
    other = "0" if expected else "1"
    monkeypatch.setitem(engine_module._PRAGMAS, name, (other, expected))

    with pytest.raises(StorageFault, match=name):
        open_engine(tmp_path / "changeout.sqlite")


def test_a_setting_lost_before_writing_is_set_again(engine: Engine) -> None:
    """A pooled connection on which somebody relaxed a setting is put right before it may write."""
    with reader(engine).connect() as connection:
        connection.execute(text("SELECT 1"))
        connection.rollback()
        driver = connection.connection.driver_connection
        assert driver is not None
        driver.execute("PRAGMA synchronous=OFF")

    with engine.begin() as connection:
        assert connection.execute(text("PRAGMA synchronous")).scalar_one() == 2


def test_a_file_that_is_no_database_is_refused_and_the_folder_freed(tmp_path: Path) -> None:
    """A foreign file is refused in a sentence, is left as it was, and does not keep the folder locked."""
    path = tmp_path / "changeout.sqlite"
    path.write_bytes(b"this is no database " * 100)

    with pytest.raises(StorageFault, match="cannot be opened"):
        open_engine(path)

    assert path.read_bytes() == b"this is no database " * 100
    path.unlink()
    open_engine(path).dispose()


def test_the_file_is_closed_to_others(engine: Engine, tmp_path: Path) -> None:
    """The database holds secret hashes: only its owner may read it or its log."""
    with engine.begin() as connection:
        connection.execute(text("INSERT INTO ledger_name VALUES ('a', 'b')"))

    modes = {path.name: path.stat().st_mode & 0o077 for path in (tmp_path / "data").iterdir()}

    assert {"changeout.sqlite", "changeout.sqlite-wal", LOCK_NAME} <= modes.keys()
    assert set(modes.values()) == {0}


def test_the_same_folder_cannot_be_opened_twice_at_once(engine: Engine, tmp_path: Path) -> None:
    """Not even by the same process: two engines would be two writers."""
    with pytest.raises(DataFolderInUse, match="in use"):
        open_engine(tmp_path / "data" / "changeout.sqlite")
    engine.dispose()

    open_engine(tmp_path / "data" / "changeout.sqlite").dispose()


def test_a_second_process_is_refused(engine: Engine, tmp_path: Path) -> None:
    """Another process learns in one sentence that the folder is taken."""
    program = (
        "import sys; from pathlib import Path; from app.storage.engine import open_engine\n"
        "from app.storage.faults import DataFolderInUse\n"
        "try: open_engine(Path(sys.argv[1]))\n"
        "except DataFolderInUse as refusal: print(refusal)\n"
    )

    told = subprocess.run(
        [sys.executable, "-c", program, str(tmp_path / "data" / "changeout.sqlite")],
        capture_output=True,
        check=True,
        text=True,
    )

    assert "in use by another process" in told.stdout


def test_a_disposed_engine_takes_its_folder_back_before_it_works_again(engine: Engine, tmp_path: Path) -> None:
    """An engine that gave the folder up cannot write beside the one that took it."""
    engine.dispose()
    other = open_engine(tmp_path / "data" / "changeout.sqlite")

    with pytest.raises(DataFolderInUse):
        engine.connect()

    other.dispose()


@pytest.mark.parametrize(
    ("version", "faulty"),
    [
        ((3, 6, 23), False),
        ((3, 7, 0), True),
        ((3, 40, 1), True),
        ((3, 44, 5), True),
        ((3, 44, 6), False),
        ((3, 45, 0), True),
        ((3, 50, 6), True),
        ((3, 50, 7), False),
        ((3, 51, 2), True),
        ((3, 51, 3), False),
        ((3, 52, 0), False),
    ],
)
def test_the_notice_knows_the_faulty_versions(
    monkeypatch: pytest.MonkeyPatch, version: tuple[int, int, int], faulty: bool
) -> None:
    """Exactly 3.7.0 to 3.51.2 without the two repaired lines are called faulty, and how that is avoided is said."""
    monkeypatch.setattr(sqlite3, "sqlite_version_info", version)

    assert ("one writing connection" in sqlite_notice()) == faulty


def test_no_reader_ever_checkpoints(engine: Engine) -> None:
    """A log grown by the writer stays as it is through any number of readers."""
    seen: list[str] = []
    note: Callable[..., None] = lambda _c, _cursor, statement, *_: seen.append(statement)  # noqa: E731
    event.listen(engine, "before_cursor_execute", note)

    for _ in range(3):
        with reader(engine).connect() as connection:
            connection.execute(text("SELECT count(*) FROM entry"))

    assert [statement for statement in seen if "checkpoint" in statement.lower()] == []
    assert "BEGIN DEFERRED" in seen
