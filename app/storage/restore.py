"""A data folder from a backup: built beside, examined before anything is moved, and put in place by a rename.

Rules kept here:
- Nothing is deleted. What was in the folder is renamed beside it, and only if that was asked for.
- A folder in use, a folder of another site and a backup that is not whole are refused before anything is made.
- Every session ends: whoever was signed in when the backup was made may have left since.
- The site's ledger says that it went on from a backup. Where the site key is not at hand, a note in the folder waits
  for the next start, which cannot happen without the key.
"""

import shutil
import sqlite3
from collections.abc import Callable
from collections.abc import Set as AbstractSet
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from pydantic import ValidationError

from app.domain.site import LedgerEnd, SiteRestored
from app.domain.text import Kept
from app.ledger.canonical import canonical
from app.ledger.heads import key_id_of
from app.records.moments import utc_text
from app.storage.backup import SECRET_FOLDERS, Examined, copy_file, examine, sync_tree
from app.storage.backup_check import ends_in_use
from app.storage.durable import DATABASE, LOCK_NAME, RESTORED_NOTE, FolderLock, sync_folder, write_new_file
from app.storage.faults import StorageFault
from app.storage.keys import AUTHORITY_NAME, CERTIFICATE_NAME, KEY_FOLDER, KEY_NAME, SiteKey
from app.storage.migrations import refuse_if_newer


class RestoreNote(Kept):
    """From which backup a folder was made, until the site's ledger says so. See `SiteRestored`."""

    manifest: str
    made_at: str
    heads: tuple[LedgerEnd, ...]

    def event(self, seq: int, at: str, *, said: AbstractSet[tuple[str, int, str]]) -> SiteRestored:
        """Return the entry that says it. said: ends that the site's ledger names anyway: ledger, size, root."""
        heads = tuple(head for head in self.heads if (head.ledger, head.size, head.root) not in said)
        return SiteRestored(seq=seq, at=at, manifest=self.manifest, made_at=self.made_at, heads=heads)


@dataclass(frozen=True, slots=True)
class Restored:
    """What a restore came to.

    aside: where the earlier folder went. has_key: whether the site can go on. lost: entries of the earlier folder that
    the backup has not; None when there was none or it cannot be read.
    """

    source: Examined
    aside: Path | None
    has_key: bool
    lost: int | None


def restore(
    source: Path,
    data: Path,
    *,
    replace: bool,
    keys: Path | None,
    clock: Callable[[], datetime],
    finish: Callable[[Path], None],
) -> Restored:
    """Make the data folder `data` from a backup.

    replace: rename what is in `data` beside it first. keys: a folder that has the site key (a backup made with keys, a
    data folder, a folder `keys`); with `replace`, the earlier folder's own key and certificates are used if it has
    them. finish: writes the note into the ledger of a finished folder that has its key.
    Raises StorageFault, and then `data` is as it was.
    """
    source, data = source.resolve(), data.resolve()
    _refuse_nested(source, data)
    examined = examine(source)
    refuse_if_newer(examined.manifest.schema_version)
    held = FolderLock(data)
    beside = data.with_name(f".{data.name}.restoring")
    try:
        full = _full(data, held, examined, replace=replace)
        sizes = ends_in_use(data / DATABASE) if full else None
        _build(examined, beside, keys or (data if full else None), utc_text(clock()))
        has_key = (beside / KEY_FOLDER / KEY_NAME).is_file()
        if has_key:
            finish(beside)
        sync_tree(beside)
        aside = _free_name(data, clock()) if full else None
        held.release()  # an open file would keep some systems from renaming its folder
        _put_in_place(beside, data, aside)
    except (OSError, sqlite3.Error) as error:
        told = error.strerror if isinstance(error, OSError) else str(error)
        raise StorageFault(f"The backup could not be restored to {data} ({told}): check the disk and retry.") from error
    finally:
        held.release()
        shutil.rmtree(beside, ignore_errors=True)
    return Restored(examined, aside, has_key, None if sizes is None else _lost(sizes, examined))


def pending_note(data: Path) -> RestoreNote | None:
    """Return the note that waits for the site's key, if there is one. Raises StorageFault when it cannot be read."""
    path = data / RESTORED_NOTE
    if not path.exists():
        return None
    try:
        return RestoreNote.model_validate_json(path.read_bytes())
    except (OSError, ValidationError) as error:
        raise StorageFault(f"{path} cannot be read: restore the backup again.") from error


def forget_note(data: Path) -> None:
    """Remove the note once the ledger has it."""
    (data / RESTORED_NOTE).unlink(missing_ok=True)
    sync_folder(data)


def _refuse_nested(source: Path, data: Path) -> None:
    if source.is_relative_to(data) or data.is_relative_to(source):
        raise StorageFault(f"{source} and {data} lie one inside the other: keep backups away from the data folder.")


def _full(data: Path, held: FolderLock, examined: Examined, *, replace: bool) -> bool:
    """Hold the folder if there is one, and tell whether it has anything in it; raise where it must be left alone."""
    if not data.is_dir():
        return False
    if (data / LOCK_NAME).exists():
        held.hold()  # first, so that a folder in use is called that and not full
    full = any(path.name != LOCK_NAME for path in data.iterdir())
    if full:
        _refuse_unless(data, examined, replace=replace)
    held.hold()
    return full


def _refuse_unless(data: Path, examined: Examined, *, replace: bool) -> None:
    if not replace:
        raise StorageFault(
            f"{data} is not empty: give an empty or new folder, or --replace to set what is there aside."
        )
    certificate = data / KEY_FOLDER / CERTIFICATE_NAME
    if certificate.is_file():
        there = key_id_of(certificate.read_text("ascii", errors="replace"))
        if there != examined.manifest.key:
            raise StorageFault(
                f"{data} belongs to another site (key {there}) than the backup (key {examined.manifest.key}): "
                "restore it into a folder of its own."
            )


def _build(examined: Examined, beside: Path, secrets: Path | None, at: str) -> None:
    """Make the new folder beside, out of files that are still what was examined."""
    shutil.rmtree(beside, ignore_errors=True)  # left by a restore that was cut short: never used
    beside.mkdir(mode=0o700, parents=True)
    for line in examined.manifest.files:
        copied = copy_file(examined.folder / line.path, beside / line.path)
        if copied.sha256 != line.sha256:
            raise StorageFault(f"{line.path} changed while it was copied from the backup: check the disk and retry.")
    if secrets is not None:
        _bring_secrets(secrets, beside)
    _refuse_foreign_key(beside)
    _end_sessions(beside / DATABASE, at)
    note = RestoreNote(manifest=examined.digest, made_at=examined.manifest.made_at, heads=examined.manifest.heads)
    write_new_file(beside / RESTORED_NOTE, canonical(note.model_dump(mode="json")), mode=0o600)


def _bring_secrets(source: Path, beside: Path) -> None:
    """Take the site key, and certificates for the network, from where they are, unless the backup had them."""
    key = beside / KEY_FOLDER / KEY_NAME
    found = next((path for path in (source / KEY_FOLDER / KEY_NAME, source / KEY_NAME) if path.is_file()), None)
    if found is not None and not key.exists():
        copy_file(found, key)
    for folder in SECRET_FOLDERS:
        if folder != KEY_FOLDER and (source / folder).is_dir() and not (beside / folder).exists():
            for path in sorted(item for item in (source / folder).iterdir() if item.is_file()):
                copy_file(path, beside / folder / path.name)


def _refuse_foreign_key(beside: Path) -> None:
    """Let the key sign once; raises StorageFault when it is not the certificate's."""
    keys = beside / KEY_FOLDER
    if (keys / KEY_NAME).is_file():
        certificate, authority = ((keys / name).read_text("ascii") for name in (CERTIFICATE_NAME, AUTHORITY_NAME))
        try:
            SiteKey(certificate, authority, keys / KEY_NAME).sign(b"Is this the key of the certificate?")
        except StorageFault as error:
            raise StorageFault(
                "The site key that was given does not belong to this backup: give the key of the same site."
            ) from error


def _end_sessions(database: Path, at: str) -> None:
    with closing(sqlite3.connect(database)) as driver, driver:
        driver.execute("UPDATE session SET ended_at = ? WHERE ended_at IS NULL", (at,))


def _free_name(data: Path, now: datetime) -> Path:
    stem = f"{data.name}.before-{now:%Y%m%dT%H%M%SZ}"
    names = [stem, *(f"{stem}-{number}" for number in range(2, 100))]
    return next(path for name in names if not (path := data.with_name(name)).exists())


def _put_in_place(beside: Path, data: Path, aside: Path | None) -> None:
    """Rename the earlier folder away and the new one into its place; on failure put the earlier one back."""
    if aside is not None:
        data.rename(aside)
    elif data.is_dir():
        (data / LOCK_NAME).unlink(missing_ok=True)
        data.rmdir()
    try:
        beside.rename(data)
    except OSError:
        if aside is not None:
            aside.rename(data)
        raise
    sync_folder(data.parent)


def _lost(sizes: dict[str, int], examined: Examined) -> int:
    kept = {head.ledger: head.size for head in examined.manifest.heads}
    return sum(max(0, size - kept.get(ledger, 0)) for ledger, size in sizes.items())
