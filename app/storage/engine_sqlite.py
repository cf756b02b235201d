"""The one SQLite file, opened so that what was acknowledged is on the disk and nobody else is writing; and its SQL.

Rules kept here:
- WAL, synchronous FULL, foreign keys and a busy timeout hold on every connection; each new one is asked, not trusted.
- A connection can only read (`query_only`) until it takes the one writing seat by beginning a transaction that is not
  a reader's. The seat is given back when the connection returns to the pool.
- Checkpoints run on the connection in the writing seat and on no other. With one process, one writing connection and
  no second checkpointer, the fault of SQLite 3.7.0 to 3.51.2 in resetting its write-ahead log cannot arise.
"""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from threading import Lock
from typing import Any, Final

from sqlalchemy import Engine, create_engine, event, text
from sqlalchemy.engine import Connection
from sqlalchemy.pool import ConnectionPoolEntry

from app.storage.durable import FolderLock, write_again
from app.storage.faults import StorageFault

BUSY_TIMEOUT_MS = 5_000
"""Measured with four writing processes: at 5 s no statement was refused, and none waited longer than 0.4 s."""
POOL_SIZE = 48
"""Above the 40 worker threads of the web server, so that no request waits for a connection; opened when needed."""
CHECKPOINT_PAGES = 1_000
"""SQLite's own default: the log is copied back into the file at about 4 MB."""
JOURNAL_LIMIT_BYTES = 64_000_000
"""A log that a long reader let grow is cut back to this."""

_READS_BEGIN = "DEFERRED"
_NEVER_CHANGED = (
    "CREATE TRIGGER IF NOT EXISTS {table}_no_{verb} BEFORE {verb} ON {table} "
    "BEGIN SELECT RAISE(ABORT, 'what the ledger holds is never changed or deleted'); END"
)
_ENTRY_GOES_LAST = (
    "CREATE TRIGGER IF NOT EXISTS entry_goes_last BEFORE INSERT ON entry "
    "WHEN NEW.seq <> (SELECT COALESCE(MAX(seq) + 1, 0) FROM entry WHERE ledger = NEW.ledger) "
    "BEGIN SELECT RAISE(ABORT, 'an entry goes at the end of its ledger'); END"
)
_HEAD_GOES_LAST = (
    "CREATE TRIGGER IF NOT EXISTS head_goes_last BEFORE INSERT ON head "
    "WHEN NEW.size <= (SELECT COALESCE(MAX(size), -1) FROM head WHERE ledger = NEW.ledger) "
    "BEGIN SELECT RAISE(ABORT, 'a head covers more than the one before it'); END"
)
_REQUEST_ONCE = (
    "CREATE TRIGGER IF NOT EXISTS request_once BEFORE INSERT ON request "
    "WHEN EXISTS (SELECT 1 FROM request WHERE token = NEW.token) "
    "BEGIN SELECT RAISE(ABORT, 'a request is carried out once'); END"
)
_TRIGGERS = (
    *(_NEVER_CHANGED.format(table=t, verb=verb) for t in ("entry", "head", "request") for verb in ("update", "delete")),
    _ENTRY_GOES_LAST,
    _HEAD_GOES_LAST,
    _REQUEST_ONCE,
)
_FIXED_IN = ((3, 44, 6), (3, 50, 7), (3, 51, 3))
_FIRST_FAULTY = (3, 7, 0)

_PRAGMAS: dict[str, tuple[str, object]] = {
    "journal_mode": ("WAL", "wal"),
    "synchronous": ("FULL", 2),
    "foreign_keys": ("ON", 1),
    "busy_timeout": (str(BUSY_TIMEOUT_MS), BUSY_TIMEOUT_MS),
    "recursive_triggers": ("ON", 1),  # else REPLACE deletes rows without asking the triggers that forbid it
    "fullfsync": ("ON", 1),  # macOS only: a plain fsync there does not reach the disk
    "checkpoint_fullfsync": ("ON", 1),
    "journal_size_limit": (str(JOURNAL_LIMIT_BYTES), JOURNAL_LIMIT_BYTES),
    "wal_autocheckpoint": ("0", 0),
    "query_only": ("ON", 1),
}
_WRITER_PRAGMAS: dict[str, tuple[str, object]] = {
    **_PRAGMAS,
    "wal_autocheckpoint": (str(CHECKPOINT_PAGES), CHECKPOINT_PAGES),
    "query_only": ("OFF", 0),
}


def open_engine(path: Path) -> Engine:
    """Open the database file, made if need be, and hold its folder until the engine is disposed of.

    Transactions begin IMMEDIATE in the one writing seat; those of a reader only read.
    Raises DataFolderInUse when another process (or another engine of this one) holds the folder, and StorageFault when
    the file cannot be opened as it must be.
    """
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    lock = FolderLock(path.parent)
    lock.hold()
    try:
        write_again(path.with_name(f"{path.name}-wal"))
    except StorageFault:
        lock.release()
        raise
    path.touch(mode=0o600)  # it holds secret hashes; SQLite gives its log the same rights
    engine = create_engine(f"sqlite:///{path}", pool_size=POOL_SIZE, max_overflow=POOL_SIZE, pool_timeout=10)
    seat = _WritingSeat()
    event.listen(engine, "connect", _prepare(lock))
    event.listen(engine, "begin", seat.begin)
    event.listen(engine, "checkin", seat.give_back)
    event.listen(engine, "close", seat.forget)
    event.listen(engine, "engine_disposed", lambda _: lock.release())
    try:
        with Sqlite().reader(engine).connect():
            pass
    except Exception as error:
        engine.dispose()
        if isinstance(error, StorageFault):
            raise
        raise StorageFault(f"The database {path} cannot be opened ({error}): check the file and its rights.") from error
    return engine


class Sqlite:
    """What is said to SQLite in its own words; see `app.storage.engine.Kind`."""

    shared: Final = False

    def reader(self, engine: Engine) -> Engine:
        """Return the same engine for reading: a snapshot that never waits for the writer and cannot write."""
        return engine.execution_options(sqlite_begin=_READS_BEGIN)

    @contextmanager
    def starting(self, _engine: Engine, /) -> Iterator[None]:
        """Start: the lock on the folder keeps everybody else out already."""
        yield

    def version(self, connection: Connection) -> int:
        """Return the version mark, which stands in the file's header; 0 for an empty file."""
        found: int = connection.execute(text("PRAGMA user_version")).scalar_one()
        return found

    def mark(self, connection: Connection, version: int) -> None:
        """Write the mark where programs of any version look first."""
        connection.execute(text(f"PRAGMA user_version = {version:d}"))

    def lay_triggers(self, connection: Connection) -> None:
        """Make the triggers that are missing."""
        for trigger in _TRIGGERS:
            connection.execute(text(trigger))

    def before_steps(self, connection: Connection) -> None:
        """Let a step copy and drop a table that others point to."""
        connection.execute(text("PRAGMA defer_foreign_keys=ON"))

    def stray(self, connection: Connection) -> str | None:
        """Return the table of a row that points to nothing, if there is one."""
        row = connection.execute(text("PRAGMA foreign_key_check")).first()
        return None if row is None else str(row[0])

    def is_full(self, original: BaseException | None) -> bool:
        """Tell whether the driver's error says that there is no room."""
        return isinstance(original, sqlite3.Error) and getattr(original, "sqlite_errorcode", 0) == sqlite3.SQLITE_FULL

    def settle(self, connection: Connection) -> None:
        """Copy the log into the file, so that the closed file is whole by itself; without it nothing is lost."""
        driver = connection.connection.driver_connection
        if driver is not None:
            driver.execute("PRAGMA wal_checkpoint(TRUNCATE)").close()

    def notice(self, _engine: Engine, /) -> str:
        """Say which library this is."""
        return sqlite_notice()


def sqlite_notice() -> str:
    """Say which SQLite this is, and why its known fault in resetting the write-ahead log does not matter here."""
    version = sqlite3.sqlite_version
    if not _has_wal_reset_fault(sqlite3.sqlite_version_info):
        return f"SQLite {version}: free of the write-ahead-log reset fault of 3.7.0 to 3.51.2."
    return (
        f"SQLite {version}: within 3.7.0 to 3.51.2, where two connections that write and checkpoint at once can damage "
        "the file; avoided here by one process, one writing connection, and checkpoints on that connection only."
    )


def _has_wal_reset_fault(version: tuple[int, ...]) -> bool:
    """Tell whether a version has the fault; source: SQLite's own note, fixed in 3.51.3, 3.50.7 and 3.44.6."""
    fixed_here = any(version[:2] == fixed[:2] and version >= fixed for fixed in _FIXED_IN)
    return _FIRST_FAULTY <= version < max(_FIXED_IN) and not fixed_here


@dataclass(slots=True)
class _WritingSeat:
    """Who may write: at most one connection at a time, and only while it is out of the pool."""

    holder: object | None = None
    guard: Lock = field(default_factory=Lock)

    def begin(self, connection: Connection) -> None:
        kind = connection.get_execution_options().get("sqlite_begin", "IMMEDIATE")
        if kind != _READS_BEGIN:
            self._take(connection.connection.driver_connection)
        connection.exec_driver_sql(f"BEGIN {kind}")

    def _take(self, driver: Any) -> None:
        with self.guard:
            if self.holder is driver:
                return
            if self.holder is not None:
                raise StorageFault(
                    "A second connection was about to write: send the work through the store's one writer instead."
                )
            _set(driver, _WRITER_PRAGMAS)
            self.holder = driver

    def give_back(self, driver: Any, _entry: ConnectionPoolEntry) -> None:
        with self.guard:
            if self.holder is driver and driver is not None:
                self.holder = None
                _set(driver, _PRAGMAS)

    def forget(self, driver: Any, _entry: ConnectionPoolEntry) -> None:
        with self.guard:
            if self.holder is driver:
                self.holder = None


def _prepare(lock: FolderLock) -> Any:
    def connect(driver: Any, _entry: ConnectionPoolEntry) -> None:
        lock.hold()  # a disposed engine that is used again must have its folder back first
        driver.isolation_level = None  # the driver must not begin transactions for us
        _set(driver, _PRAGMAS)

    return connect


def _set(driver: Any, pragmas: dict[str, tuple[str, object]]) -> None:
    """Set each pragma and read it back. Raises StorageFault naming the first that did not take."""
    try:
        for name, (setting, _) in pragmas.items():
            driver.execute(f"PRAGMA {name}={setting}").close()
        for name, (setting, expected) in pragmas.items():
            (found,) = driver.execute(f"PRAGMA {name}").fetchone()
            if found != expected:
                raise StorageFault(
                    f"SQLite did not take {name}={setting} (it says {found}): keep the data folder on a local disk."
                )
    except sqlite3.Error as error:
        raise StorageFault(
            f"The database cannot be opened ({error}): check that the file is ours and whole."
        ) from error
