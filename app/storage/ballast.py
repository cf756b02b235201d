"""Room kept back for when the disk is full: let go of, it lets a stop, a sign-in and an export still be written."""

import os
from contextlib import suppress
from pathlib import Path

BALLAST_NAME = "room-kept-back"
BALLAST_BYTES = 4 * 1024 * 1024
"""Some thousand entries with their heads, in the log and in the file (this program's figure)."""


class Ballast:
    """A file that holds room. Whoever releases it may write what cannot wait; `lay` takes the room back."""

    def __init__(self, path: Path, size: int = BALLAST_BYTES) -> None:
        self._path = path
        self._size = size

    def lay(self) -> bool:
        """Take the room if it is not taken; False where the disk has none."""
        with suppress(OSError):
            if self._path.exists() and self._path.stat().st_size == self._size:
                return True
            self._take()
            return True
        with suppress(OSError):
            self._path.unlink(missing_ok=True)
        return False

    def release(self) -> bool:
        """Give the room back; False where there was none to give."""
        with suppress(OSError):
            self._path.unlink()
            return True
        return False

    def _take(self) -> None:
        handle = os.open(self._path, os.O_WRONLY | os.O_CREAT, 0o600)
        try:
            if hasattr(os, "posix_fallocate"):
                os.posix_fallocate(handle, 0, self._size)
            else:
                os.write(handle, b"\0" * self._size)
            os.fsync(handle)
        finally:
            os.close(handle)
