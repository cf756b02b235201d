"""Writing nameplates: their files and the site's ledger say the same, also after a power cut between the two.

Rules kept here:
- Before the ledger is written, all texts of an entry lie in one flushed file beside the housings. After the commit each
  is written beside its place, flushed and renamed, and the one file goes last.
- A start finds what was left: texts that the ledger has the digest of are put in their place, others are dropped.
- A text that is written over is kept in `earlier`, so that every digest of the ledger can be looked up.
"""

import json
import os
import re
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from secrets import token_hex
from urllib.parse import quote

from app.calc.errors import Invalid
from app.storage.durable import sync_folder
from app.storage.faults import StorageFault
from app.storage.library import FileLibrary

FOLDER, EARLIER = "housings", "earlier"
BATCH = ".entering-"
GIVEN_UP_S = 86_400
"""A batch that no entry speaks of may be another server's, just before its commit; after a day it is dropped."""
FLUSHED_ONE_BY_ONE = 50
LONGEST_NAME = 150
"""A quoted tag has up to twelve bytes for a letter, and a file's name at most 255, of which some are for what stands
beside it."""
_PLAIN = re.compile(r"[A-Za-z0-9_][A-Za-z0-9._ -]*", re.ASCII)


@dataclass(frozen=True, slots=True)
class Batch:
    """Texts that lie ready. texts: by tag."""

    path: Path
    texts: Mapping[str, str]


class PlateFiles:
    """The files of the nameplates of one data folder."""

    def __init__(self, data: Path, library: FileLibrary) -> None:
        self._folder = data / FOLDER
        self._library = library

    def digest(self, tag: str) -> str | None:
        """Return the SHA-256 of a housing's text as its file has it, or None."""
        found = self._library.file(tag)
        return found.sha256 if found else None

    def ready(self, texts: Mapping[str, str]) -> Batch:
        """Lay texts ready, flushed; raises StorageFault when the disk refuses."""
        path = self._folder / f"{BATCH}{token_hex(8)}.json"
        try:
            self._folder.mkdir(exist_ok=True)
            _write(path, json.dumps(dict(texts), ensure_ascii=False).encode(), flush=True)
            sync_folder(self._folder)
        except OSError as error:
            path.unlink(missing_ok=True)
            raise StorageFault(f"The nameplates could not be saved ({error.strerror}): check the disk.") from error
        return Batch(path, texts)

    def finish(self, batch: Batch) -> None:
        """Put every text of a batch in its place, after the commit."""
        one_by_one = len(batch.texts) <= FLUSHED_ONE_BY_ONE or not hasattr(os, "sync")
        try:
            names = {tag: self.name_for(tag) for tag in batch.texts}  # before the folder changes with each of them
            for tag, text in batch.texts.items():
                self._put(self._folder / names[tag], text.encode(), flush=one_by_one)
            if not one_by_one:
                os.sync()
            sync_folder(self._folder)
            batch.path.unlink(missing_ok=True)
        except OSError as error:
            raise StorageFault(
                f"The entry stands, and its files could not be written ({error.strerror}): check the disk and start "
                "the server again, which writes them."
            ) from error
        finally:
            self._library.look_again()

    def forget(self, batch: Batch) -> None:
        """Drop a batch that was not entered."""
        batch.path.unlink(missing_ok=True)

    def recover(self, entered: Callable[[str], str | None]) -> int:
        """Finish what a start finds; entered: the SHA-256 of a tag's text by the ledger.  Return how many texts."""
        count = 0
        for path in sorted(self._folder.glob(f"{BATCH}*.json")):
            try:
                texts: dict[str, str] = json.loads(path.read_text("utf-8"))
            except (ValueError, OSError):
                texts = {}  # cut short while it was written, so before its entry
            due = {tag: text for tag, text in texts.items() if entered(tag) == _digest(text)}
            if due:
                self.finish(Batch(path, {tag: text for tag, text in due.items() if self.digest(tag) != _digest(text)}))
                count += len(due)
            elif time.time() - path.stat().st_mtime > GIVEN_UP_S:
                path.unlink(missing_ok=True)
        return count

    def name_for(self, tag: str) -> str:
        """Return the name of a housing's file: the one it has, or one made of the tag that no other file has."""
        if (known := self._library.file(tag)) is not None:
            return known.name
        plain = tag if _PLAIN.fullmatch(tag) else quote(tag, safe=" ")
        if len(plain) > LONGEST_NAME:
            plain = sha256(tag.encode()).hexdigest()
        taken = (self._folder / f"{plain}.toml").exists()
        return f"{plain}-{sha256(tag.encode()).hexdigest()[:8]}.toml" if taken else f"{plain}.toml"

    def _put(self, path: Path, content: bytes, *, flush: bool) -> None:
        if path.exists():
            before = path.read_bytes()
            if before == content:
                return
            (self._folder / EARLIER).mkdir(exist_ok=True)
            kept = self._folder / EARLIER / f"{path.stem}-{sha256(before).hexdigest()[:16]}.toml"
            if not kept.exists():
                _write(kept, before, flush=flush)
        beside = path.with_name(f".{path.name}.{token_hex(4)}")
        try:
            _write(beside, content, flush=flush)
            beside.replace(path)
        except BaseException:
            beside.unlink(missing_ok=True)
            raise


def _write(path: Path, content: bytes, *, flush: bool) -> None:
    with path.open("wb") as file:
        file.write(content)
        if flush:
            file.flush()
            os.fsync(file.fileno())


def _digest(text: str) -> str:
    return sha256(text.encode()).hexdigest()


class IncomingFiles:
    """Files that were sent to be checked and wait for the word to enter them, by the SHA-256 of their bytes."""

    KEPT, DAY_S = 20, 86_400

    def __init__(self, data: Path) -> None:
        self._folder = data / "incoming"

    def keep(self, data: bytes) -> str:
        """Keep a file for a day, and return its name; the oldest go when there are many."""
        name = sha256(data).hexdigest()
        try:
            self._folder.mkdir(mode=0o700, exist_ok=True)
            beside = self._folder / f".{name}.{token_hex(4)}"
            _write(beside, data, flush=False)
            beside.replace(self._folder / name)
            found = sorted(self._folder.iterdir(), key=lambda path: path.stat().st_mtime, reverse=True)
            for place, path in enumerate(found):
                if place >= self.KEPT or time.time() - path.stat().st_mtime > self.DAY_S:
                    path.unlink(missing_ok=True)
        except OSError as error:
            raise StorageFault(f"The file could not be kept ({error.strerror}): check the disk.") from error
        return name

    def read(self, name: str) -> bytes:
        """Return the bytes of this digest; Invalid where they are not here any more, or are others."""
        gone = "The file that was checked is not here any more. Send it again and look at what it would do."
        if not re.fullmatch(r"[0-9a-f]{64}", name):
            raise Invalid(gone)
        try:
            data = (self._folder / name).read_bytes()
        except OSError:
            raise Invalid(gone) from None
        if sha256(data).hexdigest() != name:
            raise Invalid(gone)
        return data
