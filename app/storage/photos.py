"""Photos, kept under the SHA-256 of their bytes.

Rules kept here:
- What a photo is, is read from its own bytes; names and types that a browser sends are never used.
- A photo is flushed under another name, renamed, and its folder flushed, before `keep` returns: the name never
  points to half a photo.
- Every read rehashes: a photo that changed on the disk is reported, not shown.
"""

import os
import re
import tempfile
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

from app.calc.errors import Invalid
from app.storage.durable import sync_folder
from app.storage.faults import StorageFault
from app.storage.image_headers import ImageHeader, MediaType, image_header

PHOTO_FOLDER = "photos"
LARGEST_PHOTO_BYTES = 12_000_000
"""Above what a tablet camera writes at its best setting (our choice; no standard sets it)."""
LARGEST_PHOTO_PIXELS = 60_000_000
"""Above any tablet camera; a picture that claims more is made to exhaust whoever opens it (our choice)."""

_DIGEST = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True, slots=True)
class PhotoKept:
    """A photo that is on the disk. sha256: 64 hex digits. size: bytes."""

    sha256: str
    media_type: MediaType
    size: int


class PhotoStore:
    """The photos of one data folder."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def keep(self, data: bytes) -> PhotoKept:
        """Store a photo durably; one that is there already is not written again.

        data: JPEG, PNG or WebP, at most 12 MB and 60 megapixels.
        Raises Invalid for anything else, StorageFault when the disk refuses.
        """
        header = _accepted(data)
        digest = sha256(data).hexdigest()
        path = self._path(digest)
        try:
            if not (path.is_file() and sha256(path.read_bytes()).hexdigest() == digest):
                _write(path, data)
            sync_folder(path.parent)
        except OSError as error:
            raise StorageFault(
                f"The photo could not be saved ({error.strerror}): check the disk and try again."
            ) from error
        return PhotoKept(digest, header.media_type, len(data))

    def read(self, sha256_hex: str) -> bytes:
        """Return a photo's bytes. Raises StorageFault when it is missing or no longer what was stored."""
        path = self._path(sha256_hex)
        try:
            data = path.read_bytes()
        except OSError as error:
            raise StorageFault(f"Photo {sha256_hex[:12]} is missing: restore it from a backup.") from error
        if sha256(data).hexdigest() != sha256_hex:
            raise StorageFault(f"Photo {sha256_hex[:12]} has changed on the disk: restore it from a backup.")
        return data

    def need(self, sha256_hex: str) -> None:
        """Raise Invalid where a form names a photo that is not here, or is no longer what was stored."""
        try:
            self.read(sha256_hex)
        except StorageFault:
            raise Invalid(f"Photo {sha256_hex[:12]} is not here. Take it anew, then send the form again.") from None

    def _path(self, digest: str) -> Path:
        if not _DIGEST.fullmatch(digest):
            raise Invalid("A photo is named by 64 hex digits in lower case: give the name the record shows.")
        return self._folder / photo_path(digest)


def photo_path(digest: str) -> str:
    """Return where a photo lies below the data folder, with slashes. digest: 64 hex digits."""
    return f"{PHOTO_FOLDER}/{digest[:2]}/{digest}"


def _accepted(data: bytes) -> ImageHeader:
    if len(data) > LARGEST_PHOTO_BYTES:
        raise Invalid(f"The photo has {len(data) / 1e6:.1f} MB and at most 12 MB are kept: take it at a lower setting.")
    header = image_header(data)
    if header is None:
        raise Invalid("The file is not a whole JPEG, PNG or WebP picture: take the photo again.")
    if header.width_px * header.height_px > LARGEST_PHOTO_PIXELS:
        raise Invalid(
            f"The photo claims {header.width_px} by {header.height_px} pixels and at most 60 megapixels are kept: "
            "take it at a lower setting."
        )
    return header


def _write(path: Path, data: bytes) -> None:
    """Write beside, flush, rename. The folder is flushed by the caller, new parent folders here."""
    if not path.parent.is_dir():
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        sync_folder(path.parent.parent)
        sync_folder(path.parent.parent.parent)
    handle, beside = tempfile.mkstemp(prefix=".incoming-", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        Path(beside).replace(path)
    except BaseException:
        Path(beside).unlink(missing_ok=True)
        raise
