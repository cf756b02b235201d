"""How a database of an earlier version becomes one of this version: all of the way, or not at all.

Rules kept here:
- A step from one version to the next is a function of the connection. It runs inside the one transaction that also
  moves the version mark, so that a start that is cut short anywhere leaves the earlier version whole.
- A step sends one statement at a time. (`executescript` of the driver commits first, and a later failure would then
  leave half a step behind.)
- A step never touches what has been hashed: payloads, roots and signatures are copied byte for byte or stay put.
- A step is never changed once released. For each released version a real file of it is kept in the tests.
"""

from collections.abc import Callable, Sequence
from typing import TypeAlias

from sqlalchemy import text
from sqlalchemy.engine import Connection

from app.storage.faults import StorageFault

Step: TypeAlias = Callable[[Connection], None]

FIRST_VERSION = 1
STEPS: tuple[Step, ...] = ()
"""The first takes version 1 to 2, the next 2 to 3, and so on; none has been needed yet."""


def newest(steps: Sequence[Step]) -> int:
    """Return the version that these steps lead to."""
    return FIRST_VERSION + len(steps)


def refuse_if_newer(found: int, steps: Sequence[Step] = STEPS) -> None:
    """Raise StorageFault when a database's version mark (0: an empty file) is beyond what this program knows."""
    if found > newest(steps):
        raise StorageFault(
            f"The database was written by a newer version of this program (schema {found}, known here: "
            f"{newest(steps)}): start that version, or restore a backup made with this one."
        )


def take_up(connection: Connection, found: int, steps: Sequence[Step]) -> None:
    """Run the steps that a database of version `found` lacks, inside the caller's transaction; 0 needs none.

    Raises StorageFault when a step leaves a row that points to nothing; the caller's transaction must then roll back.
    """
    if found < FIRST_VERSION or found >= newest(steps):
        return
    connection.execute(text("PRAGMA defer_foreign_keys=ON"))
    for step in steps[found - FIRST_VERSION :]:
        step(connection)
    stray = connection.execute(text("PRAGMA foreign_key_check")).first()
    if stray is not None:
        raise StorageFault(
            f"The database of schema {found} could not be brought to {newest(steps)}, for a row of {stray[0]} points "
            "to nothing: it is unchanged, so start the earlier version and tell its makers."
        )
