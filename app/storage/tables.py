"""The tables, the same on both engines; how they are made, with the triggers that make the ledger append-only.

Rules kept here:
- `entry`, `head` and `request` are never changed, deleted or replaced, and an entry only ever goes at the end of its
  ledger. The triggers (see the two engines) stop accidents; the signed heads are what shows intent.
- Times are text (RFC 3339, UTC) set by the program; the database's own clock is never asked.
- A database written by a newer version is refused before anything in it is touched; one of an earlier version is
  taken up to this one in the same transaction that makes what is missing.
"""

# No "from __future__ import annotations" here: the table classes need their types when they are made.
from typing import Any, ClassVar

from sqlalchemy import Column, Engine, LargeBinary, Text
from sqlalchemy.exc import SQLAlchemyError
from sqlmodel import Field, SQLModel

from app.storage.engine import kind_of
from app.storage.faults import StorageFault, told
from app.storage.migrations import STEPS, Steps, mark, refuse_if_newer, take_up

SCHEMA_VERSION = STEPS.newest

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


TABLES = ("entry", "head", "request", "person", "session", "photo", "ledger_name")
ENTRY = SQLModel.metadata.tables["entry"]
HEAD = SQLModel.metadata.tables["head"]
REQUEST = SQLModel.metadata.tables["request"]


def create_schema(engine: Engine, *, steps: Steps = STEPS) -> None:
    """Make what is missing: tables, triggers and the version mark; a second call changes nothing.

    steps: how an earlier version is taken up; see `app.storage.migrations`.
    Raises StorageFault when the database was written by a newer version of this program, or when the disk refuses; it
    then holds what it held before.
    """
    kind = kind_of(engine)
    try:
        with kind.reader(engine).connect() as connection:
            refuse_if_newer(kind.version(connection), steps)
        with engine.begin() as connection:
            found = kind.version(connection)  # asked again: another process may have been here meanwhile
            refuse_if_newer(found, steps)
            take_up(connection, kind, found, steps)
            SQLModel.metadata.create_all(connection, tables=[SQLModel.metadata.tables[name] for name in TABLES])
            kind.lay_triggers(connection)
            mark(connection, kind, steps.newest)
    except SQLAlchemyError as error:
        raise StorageFault(f"The database could not be made ready ({told(error)}): check the disk.") from error


def schema_found(engine: Engine) -> int:
    """Return the version of the schema that is there; 0 for none. Raises StorageFault when it is not ours."""
    kind = kind_of(engine)
    try:
        with kind.reader(engine).connect() as connection:
            return kind.version(connection)
    except SQLAlchemyError as error:
        raise StorageFault(f"The database could not be read ({told(error)}): check the disk.") from error
