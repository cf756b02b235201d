"""The database under the store: SQLite in the data folder, or PostgreSQL where an address is given.

Rules kept here:
- What the two say differently stands in `engine_sqlite` and `engine_postgresql`, and nowhere else.
- On either, a connection of `reader` sees one moment and cannot write, and one of the engine itself holds the only
  right to write from the beginning of its transaction to the end: in the process on SQLite, among all on PostgreSQL.
- Nothing of PostgreSQL is imported where no address is given.
"""

from contextlib import AbstractContextManager
from pathlib import Path
from typing import Protocol

from sqlalchemy import Engine
from sqlalchemy.engine import Connection

from app.storage.engine_sqlite import Sqlite
from app.storage.engine_sqlite import open_engine as open_sqlite


class Kind(Protocol):
    """One kind of database engine."""

    @property
    def shared(self) -> bool:
        """Whether other processes may write to the same database, so that memory must be compared with it."""

    def reader(self, engine: Engine) -> Engine:
        """Return the same engine for reading."""

    def starting(self, engine: Engine, /) -> AbstractContextManager[None]:
        """Keep other starts on this database waiting."""

    def version(self, connection: Connection) -> int:
        """Return the schema's version; 0 for an empty database. Raises StorageFault when it is not ours."""

    def mark(self, connection: Connection, version: int) -> None:
        """Write the version where this engine keeps it beside the row of `alembic_version`."""

    def lay_triggers(self, connection: Connection) -> None:
        """Make the triggers that are missing."""

    def before_steps(self, connection: Connection) -> None:
        """Make ready for the steps from one version to another."""

    def stray(self, connection: Connection) -> str | None:
        """Return the table of a row that points to nothing, if steps left one."""

    def is_full(self, original: BaseException | None) -> bool:
        """Tell whether the driver's error says that there is no room."""

    def settle(self, connection: Connection) -> None:
        """Do what is left to do after the last commit."""

    def notice(self, engine: Engine, /) -> str:
        """Say which engine this is, in one sentence for the start and the page about the site."""


def open_engine(path: Path, address: str | None = None) -> Engine:
    """Open the SQLite file, or the PostgreSQL database at an address (postgresql+psycopg://…).

    Raises StorageFault in one sentence, which never shows a password.
    """
    if address is None:
        return open_sqlite(path)
    from app.storage.engine_postgresql import open_engine as open_postgresql

    return open_postgresql(address)


def kind_of(engine: Engine) -> Kind:
    """Return how to talk to an engine."""
    if engine.dialect.name == "sqlite":
        return Sqlite()
    from app.storage.engine_postgresql import Postgresql

    return Postgresql()


def reader(engine: Engine) -> Engine:
    """Return the same engine for reading: a snapshot that never waits for the writer and cannot write."""
    return kind_of(engine).reader(engine)
