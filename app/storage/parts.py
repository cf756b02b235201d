"""Photos that arrive in parts: a tablet that lost the line goes on where the disk stands; half a photo never counts.

Rules kept here:
- A part is taken only at the offset that is held; the answer to any other says which that is.
- A photo counts only when all of it is there, its SHA-256 is its name, and `PhotoStore.keep` has flushed it.
- What was all there when the program ended, and not yet kept, is finished by a part of nothing at its end.
- Parts that nobody goes on with for a day are thrown away.
"""

import os
import re
from datetime import datetime, timedelta
from hashlib import sha256
from pathlib import Path
from threading import Lock

from app.calc.errors import Invalid
from app.storage.faults import StorageFault
from app.storage.photos import LARGEST_PHOTO_BYTES, PHOTO_FOLDER, PhotoStore

LARGEST_PART = 1_000_000
MOST_UNFINISHED = 200
FORGOTTEN_AFTER = timedelta(hours=24)
"""All three are this program's figures."""
UNFINISHED = ".incoming-"
"""A name that backups leave out."""
_DIGEST = re.compile(r"[0-9a-f]{64}")


class PhotoParts:
    """The unfinished photos of one data folder. Called from any thread; the last part of a photo keeps it whole."""

    def __init__(self, folder: Path, photos: PhotoStore) -> None:
        self._folder = folder / PHOTO_FOLDER / ".parts"
        self._photos = photos
        self._one = Lock()

    def held(self, digest: str) -> tuple[int, bool]:
        """Return how many bytes of a photo are here, and whether it is whole and kept."""
        path = self._path(digest)
        try:
            return len(self._photos.read(digest)), True
        except StorageFault:
            return path.stat().st_size if path.is_file() else 0, False

    def add(self, digest: str, part: bytes, *, at: int, of: int, now: datetime) -> tuple[int, bool]:
        """Take the next part, starting at byte `at` of `of`; return the same as `held`.

        Raises Invalid for a part too large, a photo too large, or a whole that is not what its name says.
        """
        path = self._path(digest)
        if not 0 < of <= LARGEST_PHOTO_BYTES:
            raise Invalid(f"A photo of {of} bytes was announced; 1 to {LARGEST_PHOTO_BYTES} are kept.")
        nothing_left = not part and at == of  # killed between the last part and the keeping of the whole
        if not (0 < len(part) <= LARGEST_PART or nothing_left) or at + len(part) > of:
            raise Invalid(
                f"A part of {len(part)} bytes at {at} of {of} does not fit. Ask what is held and go on there."
            )
        with self._one:
            there, whole = self.held(digest)
            if whole or at != there:
                return there, whole
            self._forget(now)
            try:
                if part:
                    self._append(path, part)
            except OSError as error:
                told = f"The photo could not be saved ({error.strerror}): check the disk and try again."
                raise StorageFault(told) from error
            return (self._finish(path, digest), True) if at + len(part) == of else (at + len(part), False)

    def _append(self, path: Path, part: bytes) -> None:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        if not path.exists() and sum(1 for _ in path.parent.iterdir()) >= MOST_UNFINISHED:
            raise Invalid(f"{MOST_UNFINISHED} photos are unfinished already. Finish those first.")
        with path.open("ab") as file:
            file.write(part)
            file.flush()
            os.fsync(file.fileno())

    def _finish(self, path: Path, digest: str) -> int:
        data = path.read_bytes()
        if sha256(data).hexdigest() != digest:
            path.unlink()
            raise Invalid("The photo did not arrive as it was named. It is sent again from the beginning.")
        try:
            return self._photos.keep(data).size
        finally:
            path.unlink()

    def _forget(self, now: datetime) -> None:
        """Throw away what has not grown for a day."""
        oldest = (now - FORGOTTEN_AFTER).timestamp()
        for path in self._folder.glob(f"{UNFINISHED}*"):
            if path.stat().st_mtime < oldest:
                path.unlink(missing_ok=True)

    def _path(self, digest: str) -> Path:
        if not _DIGEST.fullmatch(digest):
            raise Invalid("A photo is named by 64 hex digits in lower case: give the name the record shows.")
        return self._folder / f"{UNFINISHED}{digest}"
