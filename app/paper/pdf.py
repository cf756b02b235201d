"""The record as a PDF that lasts: PDF/A-3a and PDF/UA-1 in one file, with the record itself attached.

Rules kept here:
- The same report, record, photos and time give the same bytes: no clock, no fonts of the machine, no network.
- Data reaches the typesetter as files and never as source, so that no text can act as markup.
- A photo that the typesetter cannot read never stops the record: it is named by its digest instead.
"""

import json
import os
import subprocess
import sys
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from threading import BoundedSemaphore
from typing import Any

from app.paper.faults import PaperFault
from app.paper.sheets import sheets_of, without_photo

TEMPLATES = Path(__file__).parent
SHARED = ("sheet.typ", "tests.typ")
"""What the templates import: the drawing sheet, and the tests of a bank."""
RECORD_NAME = "record.json"
STANDARDS = ("a-3a", "ua-1")
SETTER = TEMPLATES / "setter.py"
LONGEST_S = 120
"""Of one document, on a machine that is busy (this program's bound)."""
MOST_WAITING = 8
"""Documents that are made or wait for it at one moment, so that they never hold every thread (this program's bound)."""
READ_ERROR = 1
"""The status with which the typesetter says what it cannot read."""
_AT_ONCE, _WAITING = BoundedSemaphore(os.cpu_count() or 1), BoundedSemaphore(MOST_WAITING)


def make_pdf(
    *, report: dict[str, Any], record_json: bytes, fonts: Path, photos: Mapping[str, bytes], made_at: datetime
) -> bytes:
    """Print a record and attach it to its own print.

    report: see `app.records.report.report_of`. record_json: attached byte for byte as `record.json`. fonts: the
    folder of the shipped fonts. photos: bytes by SHA-256 in hex; those that are missing are named. made_at: aware.
    Call it from a worker thread: it takes a second, and longer where others wait. Raises PaperFault when the record
    cannot be printed.
    """
    sheets, files = sheets_of(report, photos)
    files |= {RECORD_NAME: record_json}
    try:
        return typeset("record.typ", sheets, files, fonts=fonts, made_at=made_at)
    except RuntimeError as error:
        broken = [item["file"] for item in sheets["photos"] if not _readable(item["file"], files)]
        if not broken:
            raise fault(error) from error
    for name in broken:
        sheets = without_photo(sheets, name)
    try:
        return typeset("record.typ", sheets, files, fonts=fonts, made_at=made_at)
    except RuntimeError as error:
        raise fault(error) from error


def typeset(
    template: str, sheets: Mapping[str, Any], files: Mapping[str, bytes], *, fonts: Path, made_at: datetime
) -> bytes:
    """Typeset one of the templates beside this module over these values and files.

    made_at: aware.  Raises PaperFault for a time without offset, and where no document can be made now; what typst
    cannot read is a RuntimeError.
    """
    if made_at.tzinfo is None:
        raise PaperFault(f"The time {made_at} has no offset: give it with one.")
    data = json.dumps(sheets, ensure_ascii=False).encode()
    shared = {name: (TEMPLATES / name).read_bytes() for name in SHARED}
    source = (TEMPLATES / template).read_bytes()
    return _typeset(source, {"sheets.json": data, **shared, **files}, fonts, made_at)


def _readable(name: str, files: Mapping[str, bytes]) -> bool:
    """Tell whether the typesetter reads this photo, by setting it alone."""
    if not name:
        return True
    alone = f'#set document(title: "photo")\n#set text(lang: "en")\n#image("{name}", alt: "photo")'
    try:
        _typeset(alone.encode(), {name: files[name]}, None, datetime(2000, 1, 1, tzinfo=UTC))
    except RuntimeError:
        return False
    return True


def _typeset(source: bytes, files: Mapping[str, bytes], fonts: Path | None, made_at: datetime) -> bytes:
    """Typeset a source that sees these files and nothing else of the machine; the folder is gone afterwards.

    In a process of its own, of which as many run as the machine has cores: the typesetter keeps what it made of the
    last ten documents, up to gigabytes with photos, and holds up whoever shares a process with it.
    """
    if not _WAITING.acquire(blocking=False):
        raise PaperFault(f"{MOST_WAITING} papers are being made already (this program's bound). Try again in a minute.")
    try:
        with TemporaryDirectory(prefix="paper-") as folder, _AT_ONCE:
            return _set(source, files, Path(folder), fonts, made_at)
    finally:
        _WAITING.release()


def _set(source: bytes, files: Mapping[str, bytes], folder: Path, fonts: Path | None, made_at: datetime) -> bytes:
    for name, data in files.items():
        (folder / name).write_bytes(data)
    words = [str(SETTER), str(folder), str(fonts or ""), made_at.isoformat(), *STANDARDS]
    try:
        done = subprocess.run(  # noqa: S603  (our own file, run by this Python, no shell)
            [sys.executable, "-P", *words], input=source, capture_output=True, check=False, timeout=LONGEST_S
        )
    except subprocess.TimeoutExpired:
        raise PaperFault(
            f"The paper took longer than {LONGEST_S} s to make (this program's bound). Try again later."
        ) from None
    told = done.stderr.decode("utf-8", "replace").strip()
    if done.returncode == READ_ERROR:
        raise RuntimeError(told)
    if done.returncode:
        raise PaperFault(f"The typesetter ended with status {done.returncode}: {told[-200:]}. Try again later.")
    return done.stdout


def fault(error: RuntimeError, *, what: str = "record", instead: str = "export it as JSON") -> PaperFault:
    """Return typst's error as one sentence."""
    told = " ".join(str(error).split()).rstrip(".")
    return PaperFault(f"The {what} cannot be printed ({told}): {instead}, and report this sentence.")
