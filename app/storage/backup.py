"""A copy of a data folder, made while the server runs, and the examination that a copy must pass to be called one.

Rules kept here:
- The database is copied by SQLite's own backup call, in one step from a connection that can only read: one moment of
  the site, without holding up the writer. Photos are copied after it, so that each one an entry names is there.
- A copy is written beside, flushed, examined from the disk, and only then gets its name: a folder with that name is
  whole. Nothing that exists is written over.
- Private keys stay behind unless asked for. Backups are made daily and go onto sticks and shared disks; whoever holds
  the site's key can write a record that verifies. The key never changes, so one copy of it, locked away, serves all
  later backups.
- The manifest is signed by the site key, so that what no ledger covers (people and their roles, housings) cannot be
  changed in a copy unnoticed.
"""

import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from hashlib import sha256
from pathlib import Path, PurePosixPath
from typing import Final, Literal

from pydantic import BaseModel, ConfigDict, ValidationError

from app.calc.errors import ChangeoutError
from app.domain.site import LedgerEnd
from app.ledger.canonical import canonical
from app.ledger.heads import key_id_of, verify_signature
from app.records.moments import utc_text
from app.storage.backup_check import FAULTS_NAMED, database_faults, ledger_ends, schema_of
from app.storage.ballast import BALLAST_NAME
from app.storage.durable import DATABASE, LOCK_NAME, sync_folder, write_new_file
from app.storage.faults import StorageFault
from app.storage.keys import AUTHORITY_NAME, CERTIFICATE_NAME, KEY_FOLDER, KEY_NAME, load_site_key

MANIFEST, SIGNATURE = "manifest.json", "manifest.sig"
FORMAT: Final = "changeout-backup/1"
SECRET_FOLDERS = (KEY_FOLDER, "tls")
"""Top folders, also under a longer name (`tls.before-…`), that hold private keys."""
PUBLIC_FILES = (f"{KEY_FOLDER}/{CERTIFICATE_NAME}", f"{KEY_FOLDER}/{AUTHORITY_NAME}")
"""What a verifier needs from those folders; it is in every copy."""
CHUNK_BYTES = 1 << 20

_LEFT_OUT = (
    LOCK_NAME, BALLAST_NAME, DATABASE, f"{DATABASE}-wal", f"{DATABASE}-shm", f"{DATABASE}-journal", MANIFEST, SIGNATURE,
)  # fmt: skip
_UNFINISHED = ".incoming-"


class _Line(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class CopiedFile(_Line):
    """One file of a copy. path: below the folder, with slashes. size: bytes. sha256: 64 hex digits."""

    path: str
    size: int
    sha256: str


class Manifest(_Line):
    """What a copy holds.

    made_at: everything answered before then is in it. schema_version: of the database. key: id of the site key.
    with_keys: whether private keys are among the files. heads: where each ledger ended.
    """

    format: Literal["changeout-backup/1"] = FORMAT
    made_at: str
    program: str
    schema_version: int
    key: str
    with_keys: bool
    files: tuple[CopiedFile, ...]
    heads: tuple[LedgerEnd, ...]


@dataclass(frozen=True, slots=True)
class Examined:
    """A copy that passed. digest: SHA-256 of the manifest's bytes, 64 hex digits."""

    folder: Path
    manifest: Manifest
    digest: str

    @property
    def entries(self) -> int:
        """Return how many entries all ledgers have together."""
        return sum(head.size for head in self.manifest.heads)

    @property
    def size(self) -> int:
        """Return the bytes of all files together."""
        return sum(file.size for file in self.manifest.files)

    @property
    def photos(self) -> int:
        """Return how many photos are in it."""
        return sum(file.path.startswith("photos/") for file in self.manifest.files)


def make_backup(data: Path, to: Path, *, with_keys: bool, program: str, clock: Callable[[], datetime]) -> Examined:
    """Copy a data folder into the new folder `to`, examine the copy, and return what was found good.

    Raises StorageFault when there is no site in `data`, when `to` exists or lies inside it, when the disk refuses, or
    when the copy does not pass; then there is no folder `to`.
    """
    data, to = data.resolve(), to.resolve()
    if not (data / DATABASE).is_file():
        raise StorageFault(f"{data} is not a site's folder: give the folder that the server uses.")
    if to.exists():
        raise StorageFault(f"{to} exists already: give a new name, since no backup is written over another.")
    if to.is_relative_to(data):
        raise StorageFault(f"{to} lies inside the data folder: choose a place outside, best on another disk.")
    beside = to.with_name(f".{to.name}.unfinished")
    try:
        shutil.rmtree(beside, ignore_errors=True)  # left by a run that was cut short: never a copy
        beside.mkdir(mode=0o700, parents=True)
        _fill(data, beside, with_keys=with_keys, program=program, made_at=utc_text(clock()))
        examined = examine(beside)
        beside.rename(to)
        sync_folder(to.parent)
    except (OSError, sqlite3.Error) as error:
        shutil.rmtree(beside, ignore_errors=True)
        told = error.strerror if isinstance(error, OSError) else str(error)
        raise StorageFault(f"The backup {to} could not be made ({told}): check the disk and its room.") from error
    except BaseException:
        shutil.rmtree(beside, ignore_errors=True)
        raise
    return Examined(to, examined.manifest, examined.digest)


def examine(folder: Path) -> Examined:
    """Read all of a copy from the disk and return it if it is whole.

    Every file has its size and SHA-256; the database is sound; each ledger's entries and heads verify and end where
    the manifest says; every photo that an entry names is there; the manifest is signed by the copy's own site key.
    Raises StorageFault with the first fault and how many more there are.
    """
    if not folder.is_dir():
        raise StorageFault(f"There is no folder {folder}: give the folder of a backup.")
    try:
        data = (folder / MANIFEST).read_bytes()
        manifest = Manifest.model_validate_json(data)
    except OSError as error:
        raise StorageFault(f"{folder} has no manifest that can be read: give the folder of a backup.") from error
    except ValidationError as error:
        raise StorageFault(f"The manifest of {folder} is damaged or of another kind: use another backup.") from error
    faults = _first_faults(folder, manifest, data)
    if faults:
        more = {1: "", FAULTS_NAMED: " (more faults follow)"}.get(len(faults), f" (and {len(faults) - 1} more)")
        raise StorageFault(f"The backup {folder} is not whole: {faults[0]}{more}; use another backup.")
    return Examined(folder, manifest, sha256(data).hexdigest())


def copy_file(source: Path, target: Path) -> CopiedFile:
    """Copy one file and flush it; the new one is the owner's alone. The line names it by its last part only."""
    digest, size = sha256(), 0
    target.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    handle = os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o600)
    with source.open("rb") as read, os.fdopen(handle, "wb") as written:
        while chunk := read.read(CHUNK_BYTES):
            digest.update(chunk)
            size += len(chunk)
            written.write(chunk)
        written.flush()
        os.fsync(written.fileno())
    return CopiedFile(path=target.name, size=size, sha256=digest.hexdigest())


def sync_tree(folder: Path) -> None:
    """Flush the names in a folder and in all below it."""
    for place, _, _ in os.walk(folder, topdown=False):
        sync_folder(Path(place))


def _fill(data: Path, beside: Path, *, with_keys: bool, program: str, made_at: str) -> None:
    """Write database, files, manifest and signature, all flushed."""
    key = load_site_key(data)
    copied = [_copy_database(data / DATABASE, beside / DATABASE)]
    for path in sorted(_paths(data, with_keys=with_keys)):
        copied.append(copy_file(data / path, beside / path).model_copy(update={"path": path}))
    manifest = Manifest(
        made_at=made_at,
        program=program,
        schema_version=schema_of(beside / DATABASE),
        key=key.key_id,
        with_keys=with_keys,
        files=tuple(copied),
        heads=ledger_ends(beside / DATABASE),
    )
    content = canonical(manifest.model_dump(mode="json"))
    write_new_file(beside / MANIFEST, content, mode=0o600)
    write_new_file(beside / SIGNATURE, key.sign(content), mode=0o600)
    sync_tree(beside)


def _copy_database(source: Path, target: Path) -> CopiedFile:
    """Copy in one step: in several, SQLite begins again after each commit of the server and might never end.

    The reading connection cannot checkpoint, so it is no second checkpointer beside the server's writer.
    """
    os.close(os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))
    with (
        closing(sqlite3.connect(f"{source.as_uri()}?mode=ro", uri=True)) as live,
        closing(sqlite3.connect(target)) as copy,
    ):
        live.backup(copy)
    with target.open("r+b") as file:
        os.fsync(file.fileno())
    for suffix in ("-wal", "-shm"):
        target.with_name(target.name + suffix).unlink(missing_ok=True)
    return CopiedFile(path=DATABASE, size=target.stat().st_size, sha256=_digest(target))


def _paths(data: Path, *, with_keys: bool) -> Iterator[str]:
    """Every file to copy beside the database, below the data folder."""
    for place, _, names in os.walk(data, followlinks=True):
        for name in names:
            path = Path(place, name).relative_to(data).as_posix()
            secret = path.split("/")[0].startswith(SECRET_FOLDERS) and path not in PUBLIC_FILES
            if path not in _LEFT_OUT and not name.startswith(_UNFINISHED) and (with_keys or not secret):
                yield path


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        digest = sha256()
        while chunk := file.read(CHUNK_BYTES):
            digest.update(chunk)
    return digest.hexdigest()


def _first_faults(folder: Path, manifest: Manifest, data: bytes) -> list[str]:
    """Return up to FAULTS_NAMED faults; the database is looked into only when its bytes are the manifest's."""
    faults: list[str] = []
    for fault in _faults(folder, manifest, data):
        faults.append(fault)
        if len(faults) == FAULTS_NAMED:
            break
    return faults


def _faults(folder: Path, manifest: Manifest, data: bytes) -> Iterator[str]:
    files = {file.path: file for file in manifest.files}
    strange = [path for path in files if not _is_safe(path)]
    if strange:
        yield f"its manifest names the file {strange[0]!r}, which no backup holds"
        return
    damaged = [fault for file in manifest.files if (fault := _file_fault(folder, file))]
    yield from damaged
    missing = [name for name in (DATABASE, *PUBLIC_FILES) if name not in files]
    yield from (f"its manifest does not name {name}" for name in missing)
    if missing or damaged:
        return
    certificate = (folder / KEY_FOLDER / CERTIFICATE_NAME).read_text("ascii", errors="replace")
    yield from _signature_faults(folder, manifest, data, certificate)
    if manifest.with_keys != (f"{KEY_FOLDER}/{KEY_NAME}" in files):
        yield "its manifest is wrong about whether keys are in it"
    yield from database_faults(
        folder / DATABASE,
        schema=manifest.schema_version,
        heads=manifest.heads,
        certificate_pem=certificate,
        digests={path: file.sha256 for path, file in files.items()},
    )


def _is_safe(path: str) -> bool:
    """A path that leads below the folder on every system."""
    parts = path.split("/")
    return (
        all(part not in ("", ".", "..") for part in parts)
        and not any(sign in path for sign in '\\:"\0')
        and (not PurePosixPath(path).is_absolute())
    )


def _file_fault(folder: Path, file: CopiedFile) -> str | None:
    try:
        size = (folder / file.path).stat().st_size
        if size != file.size:
            return f"{file.path} has {size} bytes where the manifest says {file.size}"
        if _digest(folder / file.path) != file.sha256:
            return f"{file.path} is not what was copied (its SHA-256 differs)"
    except OSError as error:
        return f"{file.path} cannot be read ({error.strerror})"
    return None


def _signature_faults(folder: Path, manifest: Manifest, data: bytes, certificate: str) -> Iterator[str]:
    try:
        signed = verify_signature(
            certificate_pem=certificate, message=data, signature=(folder / SIGNATURE).read_bytes()
        )
        if key_id_of(certificate) != manifest.key:
            yield f"its manifest names the site key {manifest.key}, its certificate is of {key_id_of(certificate)}"
        elif not signed:
            yield "its manifest was not signed by its site"
    except OSError as error:
        yield f"the manifest's signature cannot be read ({error.strerror})"
    except ChangeoutError as error:
        yield str(error)
