"""Files that are complete or absent after a power cut, and the lock on the data folder.

Rules kept here:
- A file is flushed before its name is, and its folder is flushed after, so that no name ever points to less.
- One process holds the data folder, for as long as it lives; the system frees the lock however the process ends.
"""

import os
import sys
from pathlib import Path

from app.storage.faults import DataFolderInUse, StorageFault

LOCK_NAME = "in-use.lock"
DATABASE = "changeout.sqlite3"
RESTORED_NOTE = "restored.json"
"""Left by a restore until the site's ledger tells of it."""


def sync_folder(folder: Path) -> None:
    """Flush the names in a folder to the disk. Windows has no such call and keeps names in its own journal."""
    if sys.platform == "win32":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def write_new_file(path: Path, content: bytes, *, mode: int) -> None:
    """Write and flush a file that must not exist yet; its name is flushed by `sync_folder`."""
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), mode)
    with os.fdopen(handle, "wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def write_again(path: Path) -> None:
    """Write a file's own bytes over it and flush them: what an earlier, failed flush left in memory only is durable.

    After a failed flush the system takes the bytes for written; a second flush would succeed and write nothing.
    Raises StorageFault when the disk refuses. Windows has no call for it and is left out.
    """
    if sys.platform == "win32" or not path.exists():
        return
    try:
        handle = os.open(path, os.O_RDWR)
        try:
            at = 0
            while piece := os.pread(handle, 1 << 20, at):
                at += os.pwrite(handle, piece, at)
            os.fsync(handle)
        finally:
            os.close(handle)
    except OSError as error:
        raise StorageFault(
            f"What an earlier run left in {path.name} could not be made sure of ({error.strerror}): check the disk."
        ) from error


class FolderLock:
    """The right to use one data folder; held by one open file, so that a dead process holds nothing."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / LOCK_NAME
        self._handle: int | None = None

    def hold(self) -> None:
        """Take the lock unless it is ours already. Raises DataFolderInUse when another holds it."""
        if self._handle is not None:
            return
        try:
            handle = os.open(self._path, os.O_RDWR | os.O_CREAT, 0o600)
        except OSError as error:
            raise StorageFault(
                f"The data folder {self._path.parent} cannot be written to ({error.strerror}): check its rights."
            ) from error
        try:
            _lock(handle)
        except OSError as error:
            os.close(handle)
            raise DataFolderInUse(
                f"The data folder {self._path.parent} is in use by another process: "
                "stop that one first, or choose another folder."
            ) from error
        self._handle = handle

    def release(self) -> None:
        """Give the lock back; harmless when it is not held."""
        if self._handle is not None:
            os.close(self._handle)
            self._handle = None


if sys.platform == "win32":
    import msvcrt

    def _lock(handle: int) -> None:
        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)

else:
    import fcntl

    def _lock(handle: int) -> None:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
