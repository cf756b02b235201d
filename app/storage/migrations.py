"""How a database of an earlier version becomes one of this version: all of the way, or not at all.

Rules kept here:
- A step from one version to the next is an Alembic revision, one file for both engines. All that are missing run inside
  the one transaction that also moves the version mark, so that a start that is cut short anywhere leaves the earlier
  version whole.
- Versions are numbers, and the revision of version 2 is named changeout_0002. On SQLite the file's own version mark
  says the same, and comes first: programs from before Alembic look there.
- Alembic is loaded only when a step has to run. A new database is made from the tables as they are; a test holds that
  all steps one after another give the same.
- A step never touches what has been hashed: payloads, roots and signatures are copied byte for byte or stay put.
- A step is never changed once released. For each released version a real database of it is kept in the tests.
"""

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from sqlalchemy import Column, PrimaryKeyConstraint, String, Table, delete, insert, select
from sqlalchemy.engine import Connection
from sqlmodel import SQLModel

from app.storage.engine import Kind
from app.storage.faults import StorageFault

VERSION_TABLE: Final = "alembic_version"
ENVIRONMENT = Path(__file__).resolve().parent / "migrating"
VERSION = Table(
    VERSION_TABLE,
    SQLModel.metadata,
    Column("version_num", String(32), nullable=False),
    PrimaryKeyConstraint("version_num", name=f"{VERSION_TABLE}_pkc"),
)
"""As Alembic makes it."""
_REVISION = re.compile(r"changeout_(\d{4})")


@dataclass(frozen=True, slots=True)
class Steps:
    """What this program knows. newest: the version its tables have. folders: where the revisions up to it lie."""

    newest: int
    folders: tuple[Path, ...]


STEPS = Steps(newest=1, folders=(ENVIRONMENT / "versions",))
"""To add a step: a file `to_0002.py` there, and 2 here."""


def revision(version: int) -> str:
    """Return the name of the revision that leads to a version."""
    return f"changeout_{version:04d}"


def version_of(name: str) -> int:
    """Return the version that a revision leads to. Raises StorageFault for a revision of another program."""
    known = _REVISION.fullmatch(name)
    if known is None:
        raise StorageFault(
            f"The database is kept by another program (its revision is {name!r}): give this one a database of its own."
        )
    return int(known[1])


def refuse_if_newer(found: int, steps: Steps = STEPS) -> None:
    """Raise StorageFault when a database's version mark (0: an empty file) is beyond what this program knows."""
    if found > steps.newest:
        raise StorageFault(
            f"The database was written by a newer version of this program (schema {found}, known here: "
            f"{steps.newest}): start that version, or restore a backup made with this one."
        )


def take_up(connection: Connection, kind: Kind, found: int, steps: Steps) -> None:
    """Run the steps that a database of version `found` lacks, inside the caller's transaction; 0 needs none.

    Raises StorageFault when a step leaves a row that points to nothing; the caller's transaction must then roll back.
    """
    if not 0 < found < steps.newest:
        return
    kind.before_steps(connection)
    mark(connection, kind, found)
    upgrade(connection, steps)
    stray = kind.stray(connection)
    if stray is not None:
        raise StorageFault(
            f"The database of schema {found} could not be brought to {steps.newest}, for a row of {stray} points "
            "to nothing: it is unchanged, so start the earlier version and tell its makers."
        )


def upgrade(connection: Connection, steps: Steps = STEPS) -> None:
    """Let Alembic run every step after the one in `alembic_version`, on this connection and in its transaction."""
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", _plain(ENVIRONMENT))
    config.set_main_option("path_separator", "newline")
    config.set_main_option("version_locations", "\n".join(_plain(folder) for folder in steps.folders))
    config.attributes["connection"] = connection
    command.upgrade(config, revision(steps.newest))


def mark(connection: Connection, kind: Kind, version: int) -> None:
    """Write the version: the row of `alembic_version`, made if need be, and whatever else the engine keeps."""
    VERSION.create(connection, checkfirst=True)
    if list(connection.scalars(select(VERSION.c.version_num))) != [revision(version)]:
        connection.execute(delete(VERSION))
        connection.execute(insert(VERSION).values(version_num=revision(version)))
    kind.mark(connection, version)


def _plain(folder: Path) -> str:
    """Return a path as Alembic's settings take it, where a percent sign begins a name."""
    return str(folder).replace("%", "%%")
