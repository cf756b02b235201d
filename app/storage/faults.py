"""What storage says when it cannot do what was asked."""

from sqlalchemy.exc import DBAPIError

from app.calc.errors import ChangeoutError


class StorageFault(ChangeoutError):  # noqa: N818  (named for what happened, like the rest)
    """The disk, the database or a stored file is not as it must be; nothing that failed counts as saved."""


class DiskFull(StorageFault):
    """There is no room to write; what was committed stays readable."""


class StorageConflict(StorageFault):
    """What was to be written contradicts what is stored already."""


class DataFolderInUse(StorageFault):
    """Another process holds the data folder."""


class LedgerFaulty(StorageFault):
    """A stored ledger does not match its own newest head: it may be read, and nothing is added to it."""


def told(error: Exception) -> str:
    """Return the database's own words, without the statement and its values."""
    return str(error.orig if isinstance(error, DBAPIError) else error).partition("\n")[0]
