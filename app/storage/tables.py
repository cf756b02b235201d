"""The tables, and the triggers that make the ledger append-only.

Rules kept here:
- `entry`, `head` and `request` are never changed, deleted or replaced, and an entry only ever goes at the end of its
  ledger. The triggers stop accidents; the signed heads are what shows intent.
- Times are text (RFC 3339, UTC) set by the program; the database's own clock is never asked.
- A database written by a newer version is refused before anything in it is touched; one of an earlier version is
  taken up to this one in the same transaction that makes what is missing.
"""

# No "from __future__ import annotations" here: the table classes need their types when they are made.
from collections.abc import Sequence
from typing import Any, ClassVar

from sqlalchemy import Column, Engine, LargeBinary, Text, text
from sqlalchemy.exc import SQLAlchemyError
from sqlmodel import Field, SQLModel

from app.storage.engine import reader
from app.storage.faults import StorageFault, told
from app.storage.migrations import STEPS, Step, newest, refuse_if_newer, take_up

SCHEMA_VERSION = newest(STEPS)

_COMPACT: dict[str, Any] = {"sqlite_with_rowid": False}
"""Rows lie in the order of their key: a whole ledger is read in one sweep."""


class EntryRow(SQLModel, table=True):
    """One ledger entry: canonical payload bytes as hashed, and its leaf hash (32 bytes)."""

    __tablename__: ClassVar[Any] = "entry"
    __table_args__ = (_COMPACT,)

    ledger: str = Field(sa_column=Column(Text, primary_key=True))
    seq: int = Field(primary_key=True)
    payload: bytes = Field(sa_column=Column(LargeBinary, nullable=False))
    leaf: bytes = Field(sa_column=Column(LargeBinary, nullable=False))


class HeadRow(SQLModel, table=True):
    """The signed head after an append: see `app.ledger.heads.Head`."""

    __tablename__: ClassVar[Any] = "head"
    __table_args__ = (_COMPACT,)

    ledger: str = Field(sa_column=Column(Text, primary_key=True))
    size: int = Field(primary_key=True)
    root: bytes = Field(sa_column=Column(LargeBinary, nullable=False))
    at: str
    key_id: str
    signature: bytes = Field(sa_column=Column(LargeBinary, nullable=False))


class RequestRow(SQLModel, table=True):
    """A request that was carried out: its token, the digest of what it asked, and the entry it led to."""

    __tablename__: ClassVar[Any] = "request"
    __table_args__ = (_COMPACT,)

    token: str = Field(primary_key=True)
    ledger: str
    digest: str
    seq: int


class PersonRow(SQLModel, table=True):
    """A person who may sign in. failed: wrong secrets in a row. locked_until: time, or none."""

    __tablename__: ClassVar[Any] = "person"

    id: str = Field(primary_key=True)
    name: str
    role: str
    secret_hash: str
    must_change: bool = True
    active: bool = True
    created_at: str
    failed: int = 0
    locked_until: str | None = None


LOCKED = "locked"
"""Stands for the time of last use of a session that was locked by hand."""


class SessionRow(SQLModel, table=True):
    """A person signed in at a tablet; only the hash of the cookie's token is kept. seen_at: last use, or LOCKED."""

    __tablename__: ClassVar[Any] = "session"

    token_hash: str = Field(primary_key=True)
    person: str = Field(foreign_key="person.id", index=True)
    tablet: str
    created_at: str
    seen_at: str
    ended_at: str | None = None


class PhotoRow(SQLModel, table=True):
    """A photo in the content store. size: bytes."""

    __tablename__: ClassVar[Any] = "photo"

    sha256: str = Field(primary_key=True)
    media_type: str
    size: int
    stored_at: str


class LedgerNameRow(SQLModel, table=True):
    """Which ledgers there are, and of what kind."""

    __tablename__: ClassVar[Any] = "ledger_name"

    ledger: str = Field(primary_key=True)
    kind: str


_KEPT = ("entry", "head", "request")
_TABLES = (*_KEPT, "person", "session", "photo", "ledger_name")
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
    *(_NEVER_CHANGED.format(table=table, verb=verb) for table in _KEPT for verb in ("update", "delete")),
    _ENTRY_GOES_LAST,
    _HEAD_GOES_LAST,
    _REQUEST_ONCE,
)

ENTRY = SQLModel.metadata.tables["entry"]
HEAD = SQLModel.metadata.tables["head"]
REQUEST = SQLModel.metadata.tables["request"]


def create_schema(engine: Engine, *, steps: Sequence[Step] = STEPS) -> None:
    """Make what is missing: tables, triggers and the version mark; a second call changes nothing.

    steps: how an earlier version is taken up; see `app.storage.migrations`.
    Raises StorageFault when the file was written by a newer version of this program, or when the disk refuses; the
    file then holds what it held before.
    """
    try:
        found = _version(engine)
        refuse_if_newer(found, steps)
        with engine.begin() as connection:
            take_up(connection, found, steps)
            SQLModel.metadata.create_all(connection, tables=[SQLModel.metadata.tables[name] for name in _TABLES])
            for trigger in _TRIGGERS:
                connection.execute(text(trigger))
            connection.execute(text(f"PRAGMA user_version = {newest(steps)}"))
    except SQLAlchemyError as error:
        raise StorageFault(f"The database could not be made ready ({told(error)}): check the disk.") from error


def _version(engine: Engine) -> int:
    with reader(engine).connect() as connection:
        found: int = connection.execute(text("PRAGMA user_version")).scalar_one()
    return found
