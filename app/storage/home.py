"""Where the record of a data folder is kept: in the folder (SQLite) or elsewhere (PostgreSQL), and never in both.

Rules kept here:
- A folder whose record is in SQLite is not started on another database, nor the other way round: a site would begin
  again from nothing, with the same key, beside its own record.
- The note that a folder's record is elsewhere says nothing of where, since addresses hold passwords.
"""

from pathlib import Path

from app.storage.durable import DATABASE, sync_folder, write_new_file
from app.storage.faults import StorageFault

NOTE = "database-elsewhere.txt"


def refuse_other_home(data: Path, *, elsewhere: bool) -> None:
    """Raise StorageFault when the folder's record is not where this start would look for it."""
    if elsewhere and (data / DATABASE).exists():
        raise StorageFault(
            f"DATABASE_URL names a database, and {data} holds a record of its own in SQLite: unset DATABASE_URL to go "
            "on with that one, or give another folder."
        )
    if not elsewhere and is_elsewhere(data):
        raise StorageFault(
            f"The record of {data} is kept in a PostgreSQL database: set DATABASE_URL to its address and start again."
        )


def note_elsewhere(data: Path) -> None:
    """Leave the note, once."""
    if not is_elsewhere(data):
        write_new_file(
            data / NOTE, b"The record of this site is in the database that DATABASE_URL names.\n", mode=0o600
        )
        sync_folder(data)


def is_elsewhere(data: Path) -> bool:
    """Tell whether the folder's record is kept elsewhere."""
    return (data / NOTE).exists()
