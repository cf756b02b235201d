"""A PostgreSQL database, opened so that what was acknowledged is on the server's disk; and its SQL.

Rules kept here:
- synchronous_commit, fsync and full_page_writes are asked on every new connection and again in every transaction that
  writes; a server that has one of them off is refused.
- Whoever begins a transaction to write waits for the one writing lock of the database and holds it to the end. So the
  writers of all processes take turns, as the one writer on SQLite does, and none sees less than all that went before.
- A transaction that writes is READ COMMITTED: its snapshots are taken after the lock was given, never before.
- No sentence shows a password.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Final

from sqlalchemy import URL, Engine, create_engine, event, make_url, text
from sqlalchemy.engine import Connection
from sqlalchemy.exc import ArgumentError, OperationalError, SQLAlchemyError
from sqlalchemy.pool import ConnectionPoolEntry

from app.storage.faults import StorageFault, told
from app.storage.migrations import VERSION_TABLE, version_of
from app.storage.tables import TABLES

POOL_SIZE = 24
"""A server allows 100 connections unless told otherwise; two processes with all of theirs out stay below it."""
CONNECT_TIMEOUT_S = 10
LOCK_TIMEOUT_MS = 10_000
IDLE_IN_TRANSACTION_MS = 60_000
"""The server ends a writer that went silent amid a transaction, so that its lock comes free. All are our figures."""
OLDEST_SERVER = 140_000

_READS = "changeout_reads"
_WRITING_LOCK, _STARTING_LOCK = 7_240_651_001, 7_240_651_002
"""Numbers of advisory locks; any two that nobody else uses on this database."""
_DRIVERS = ("postgresql", "postgresql+psycopg")
_SETTLED = {"fsync": ("on",), "full_page_writes": ("on",), "synchronous_commit": ("on", "remote_apply")}
_ASKED = ", ".join(f"current_setting('{name}')" for name in _SETTLED)
_BEGIN_WRITING = f"SELECT pg_advisory_xact_lock({_WRITING_LOCK}), {_ASKED}"
_KEPT = ("entry", "head", "request")
_RAISES = """
CREATE OR REPLACE FUNCTION changeout_{name}() RETURNS trigger LANGUAGE plpgsql AS $body$
BEGIN
  IF {when} THEN
    RAISE EXCEPTION '{sentence}' USING ERRCODE = 'integrity_constraint_violation';
  END IF;
  RETURN NEW;
END
$body$
"""
_FUNCTIONS = (
    _RAISES.format(name="never_changed", when="true", sentence="what the ledger holds is never changed or deleted"),
    _RAISES.format(
        name="entry_goes_last",
        when="NEW.seq <> (SELECT COALESCE(MAX(seq) + 1, 0) FROM entry WHERE ledger = NEW.ledger)",
        sentence="an entry goes at the end of its ledger",
    ),
    _RAISES.format(
        name="head_goes_last",
        when="NEW.size <= (SELECT COALESCE(MAX(size), -1) FROM head WHERE ledger = NEW.ledger)",
        sentence="a head covers more than the one before it",
    ),
    _RAISES.format(
        name="request_once",
        when="EXISTS (SELECT 1 FROM request WHERE token = NEW.token)",
        sentence="a request is carried out once",
    ),
)
_TRIGGERS = (
    *(
        (table, f"{table}_never_changed", "UPDATE OR DELETE OR TRUNCATE", "STATEMENT", "never_changed")
        for table in _KEPT
    ),
    ("entry", "entry_goes_last", "INSERT", "ROW", "entry_goes_last"),
    ("head", "head_goes_last", "INSERT", "ROW", "head_goes_last"),
    ("request", "request_once", "INSERT", "ROW", "request_once"),
)
_FULL = "53100"
"""The server's code for a full disk."""


def open_engine(address: str) -> Engine:
    """Connect to a database. Transactions hold the writing lock; those of a reader only read.

    Raises StorageFault when the address is wrong, the driver is missing, the server cannot be reached, or it is not
    set to keep what it acknowledges.
    """
    url = _url(address)
    try:
        import psycopg
    except ImportError as error:
        raise StorageFault(
            "DATABASE_URL asks for PostgreSQL, whose driver psycopg is not installed: install this program with its "
            "extra `postgresql`."
        ) from error
    engine = create_engine(
        url,
        isolation_level="READ COMMITTED",
        pool_size=POOL_SIZE,
        max_overflow=POOL_SIZE,
        pool_timeout=10,
        pool_pre_ping=True,  # a connection that the server has ended is replaced before it is used
        use_native_hstore=False,  # else the first connection asks for a type that no table here has
        connect_args={"connect_timeout": CONNECT_TIMEOUT_S, "application_name": "changeout"},
    )
    event.listen(engine, "connect", _prepare)
    event.listen(engine, "begin", _begin)
    try:
        with Postgresql().reader(engine).connect():
            pass
    except StorageFault:
        engine.dispose()
        raise
    except (SQLAlchemyError, psycopg.Error, ValueError, OSError) as error:
        engine.dispose()
        raise StorageFault(
            f"The database {_named(url)} cannot be reached ({_without_secret(told(error), url)}): check DATABASE_URL "
            "and that the server runs."
        ) from None  # the driver's own error may hold the address with its password
    return engine


class Postgresql:
    """What is said to PostgreSQL in its own words; see `app.storage.engine.Kind`."""

    shared: Final = True

    def reader(self, engine: Engine) -> Engine:
        """Return the same engine for reading: one snapshot, no lock, and the server refuses writes."""
        return engine.execution_options(**{_READS: True}, isolation_level="REPEATABLE READ", postgresql_readonly=True)

    @contextmanager
    def starting(self, engine: Engine, /) -> Iterator[None]:
        """Hold the starting lock of the database, for two first starts would make two keys and two beginnings."""
        with self.reader(engine).connect() as connection:
            connection.execute(text("SET LOCAL idle_in_transaction_session_timeout = 0"))  # a first start may take long
            try:
                connection.execute(text(f"SELECT pg_advisory_xact_lock({_STARTING_LOCK})"))
            except OperationalError as error:
                raise StorageFault(
                    f"Another process is starting on this database ({told(error)}): start again when it is ready."
                ) from error
            yield

    def version(self, connection: Connection) -> int:
        """Return the version in `alembic_version`; 0 where nothing of ours is."""
        if connection.execute(text(f"SELECT to_regclass('{VERSION_TABLE}')")).scalar_one() is not None:
            rows = connection.execute(text(f"SELECT version_num FROM {VERSION_TABLE}")).scalars().all()  # noqa: S608
            if rows:
                return version_of(rows[0])
        listed = ", ".join(f"to_regclass('{name}')" for name in TABLES)
        found = [str(name) for name in connection.execute(text(f"SELECT {listed}")).one() if name is not None]
        if found:
            raise StorageFault(
                f"The database holds a table {found[0]} that this program did not make: give it a database of its own."
            )
        return 0

    def mark(self, connection: Connection, version: int) -> None:
        """Do nothing: the row of `alembic_version` is the mark."""

    def lay_triggers(self, connection: Connection) -> None:
        """Make the triggers that are missing, so that they act in every session, a replica's too."""
        listed = "SELECT tgname FROM pg_trigger WHERE tgname = ANY(:names) AND tgenabled = 'A'"
        names = [name for _, name, *_ in _TRIGGERS]
        there = set(connection.execute(text(listed), {"names": names}).scalars())
        if there == set(names):
            return  # as at almost every start; to make them again would wait for all who read
        for function in _FUNCTIONS:
            connection.exec_driver_sql(function)
        for table, name, verbs, each, function in _TRIGGERS:
            connection.exec_driver_sql(
                f"CREATE OR REPLACE TRIGGER {name} BEFORE {verbs} ON {table} "
                f"FOR EACH {each} EXECUTE FUNCTION changeout_{function}()"
            )
            connection.exec_driver_sql(f"ALTER TABLE {table} ENABLE ALWAYS TRIGGER {name}")

    def before_steps(self, connection: Connection) -> None:
        """Do nothing: tables are altered in place."""

    def stray(self, connection: Connection) -> str | None:
        """Return None: the server looks at foreign keys with each statement."""

    def is_full(self, original: BaseException | None) -> bool:
        """Tell whether the driver's error says that there is no room."""
        return getattr(original, "sqlstate", None) == _FULL

    def settle(self, connection: Connection) -> None:
        """Do nothing: the server looks after its own log."""

    def notice(self, engine: Engine, /) -> str:
        """Say which server this is."""
        with self.reader(engine).connect() as connection:
            version = connection.exec_driver_sql("SHOW server_version").scalar_one()
        return (
            f"PostgreSQL {version}: every commit flushed, one writer at a time among all processes; back it up with "
            "the server's own tools, together with the data folder."
        )


def _url(address: str) -> URL:
    try:
        url = make_url(address)
    except (ArgumentError, ValueError):
        raise StorageFault(
            "DATABASE_URL is not an address of a database: give postgresql+psycopg://USER@HOST/NAME, or unset it for "
            "SQLite in the data folder."
        ) from None
    if url.drivername not in _DRIVERS:
        raise StorageFault(
            f"DATABASE_URL begins with {url.drivername!r}, which is not known here: give postgresql+psycopg://…, or "
            "unset it for SQLite in the data folder."
        )
    return url.set(drivername=_DRIVERS[1])


def _named(url: URL) -> str:
    host = url.host or url.query.get("host", "this machine")
    return f"{url.database or url.username or ''!s} at {host!s}".strip()


def _without_secret(sentence: str, url: URL) -> str:
    secrets = [str(url.password or ""), str(url.query.get("password", ""))]
    for secret in filter(None, secrets):
        sentence = sentence.replace(secret, "***")
    return sentence


def _prepare(driver: Any, _entry: ConnectionPoolEntry) -> None:
    """Set a new connection and ask it, outside any transaction, so that nothing of it is undone."""
    driver.autocommit = True
    with driver.cursor() as cursor:
        cursor.execute(f"SET lock_timeout = {LOCK_TIMEOUT_MS}")
        cursor.execute(f"SET idle_in_transaction_session_timeout = {IDLE_IN_TRANSACTION_MS}")
        cursor.execute("SHOW synchronous_commit")
        if cursor.fetchone()[0] not in _SETTLED["synchronous_commit"]:
            cursor.execute("SET synchronous_commit = on")
        cursor.execute(f"SELECT current_setting('server_encoding'), current_setting('server_version_num'), {_ASKED}")
        encoding, version, *found = cursor.fetchone()
    driver.autocommit = False
    if int(version) < OLDEST_SERVER:
        raise StorageFault("The PostgreSQL server is older than version 14: use a newer one.")
    if encoding != "UTF8":
        raise StorageFault(f"The database keeps text as {encoding}: make one with the encoding UTF8.")
    _refuse_unsettled(found)


def _begin(connection: Connection) -> None:
    """Wait for the writing lock, unless the transaction only reads, and look at the settings once more."""
    if connection.get_execution_options().get(_READS):
        return
    _, *found = connection.exec_driver_sql(_BEGIN_WRITING).one()
    _refuse_unsettled(found)


def _refuse_unsettled(found: list[str]) -> None:
    for (name, good), value in zip(_SETTLED.items(), found, strict=True):
        if value not in good:
            raise StorageFault(
                f"The PostgreSQL server has {name} = {value}, so that a mark it acknowledges might be lost: set it to "
                "on and start again."
            )
