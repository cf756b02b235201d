"""What is looked at inside the database of a copy: sound, complete, and every ledger as it was signed."""

import re
import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import closing
from pathlib import Path

from pydantic import ValidationError

from app.domain.events import Event, event_from_bytes
from app.domain.housed_events import HousingPhotographed, SurveyTaken
from app.domain.site import SITE_LEDGER, LedgerEnd, site_event_from_bytes
from app.domain.store import LotInspected
from app.ledger.check import check_entries
from app.ledger.heads import Head
from app.ledger.tree import leaf_hash
from app.records.assemble import photos_named
from app.storage.photos import photo_path

FAULTS_NAMED = 20
"""A copy with this many faults is not looked at further."""

_NAMES_A_FILE = re.compile(rb'"(?:photo|text)":"[0-9a-f]{64}"|"photos":\["[0-9a-f]{64}"')
"""What a photo of paper or of a survey, or the answer to a photo's question, looks like in canonical JSON."""
_ENDS = """
SELECT ledger, size, lower(hex(root)) FROM head AS newest
WHERE size = (SELECT MAX(size) FROM head WHERE ledger = newest.ledger) ORDER BY ledger
"""
_HEADS = "SELECT ledger, size, root, at, key_id, signature FROM head WHERE ledger = ? ORDER BY size"
_LEDGERS = """
SELECT ledger FROM entry UNION SELECT ledger FROM head UNION SELECT ledger FROM ledger_name ORDER BY ledger
"""


def open_copy(path: Path) -> sqlite3.Connection:
    """Open a database that nobody else uses, for reading only and without leaving files beside it."""
    return sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro&immutable=1", uri=True)


def schema_of(path: Path) -> int:
    """Return the version mark of a copied database."""
    with closing(open_copy(path)) as copy:
        (version,) = copy.execute("PRAGMA user_version").fetchone()
        return int(version)


def ledger_ends(path: Path) -> tuple[LedgerEnd, ...]:
    """Return where each ledger of a copied database ends, by its newest head."""
    with closing(open_copy(path)) as copy:
        return _ends(copy)


def ends_in_use(path: Path) -> dict[str, int] | None:
    """Return the size of each ledger in a database that may be damaged or in use; None when it cannot be read."""
    try:
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as found:
            return {end.ledger: end.size for end in _ends(found)}
    except sqlite3.Error:
        return None


def database_faults(
    path: Path,
    *,
    schema: int,
    heads: Sequence[LedgerEnd],
    certificate_pem: str,
    digests: Mapping[str, str],
) -> Iterator[str]:
    """Yield what is wrong with a copied database. digests: SHA-256 of every file of the copy, by its path."""
    try:
        with closing(open_copy(path)) as copy:
            sound = [row[0] for row in copy.execute("PRAGMA quick_check(1)")]
            if sound != ["ok"]:
                yield f"its database is damaged ({sound[0]})"
                return
            (version,) = copy.execute("PRAGMA user_version").fetchone()
            if version != schema:
                yield f"its database has schema {version} where the manifest says {schema}"
            if _ends(copy) != tuple(heads):
                yield "its ledgers do not end where the manifest says"
            for (ledger,) in copy.execute(_LEDGERS).fetchall():
                yield from _ledger_faults(copy, ledger, certificate_pem, digests)
    except sqlite3.Error as error:
        yield f"its database cannot be read ({error})"


def _ends(database: sqlite3.Connection) -> tuple[LedgerEnd, ...]:
    return tuple(LedgerEnd(ledger=row[0], size=row[1], root=row[2]) for row in database.execute(_ENDS))


def _ledger_faults(
    copy: sqlite3.Connection, ledger: str, certificate_pem: str, digests: Mapping[str, str]
) -> Iterator[str]:
    rows = copy.execute("SELECT payload, leaf FROM entry WHERE ledger = ? ORDER BY seq", (ledger,)).fetchall()
    payloads = [row[0] for row in rows]
    heads = [Head(*row) for row in copy.execute(_HEADS, (ledger,))]
    for fault in check_entries(ledger=ledger, payloads=payloads, heads=heads, certificate_pem=certificate_pem):
        yield f"ledger {ledger}: {fault.sentence.rstrip('.')}"
    if any(leaf_hash(payload) != leaf for payload, leaf in rows):
        yield f"ledger {ledger}: a stored leaf hash is not its entry's"
    yield from _photo_faults(ledger, payloads, digests)


def _photo_faults(ledger: str, payloads: Sequence[bytes], digests: Mapping[str, str]) -> Iterator[str]:
    """Only entries that hold something like a photo's name are read, since reading them all takes most of the time."""
    named = [payload for payload in payloads[1:] if _NAMES_A_FILE.search(payload)]
    if not named:
        return
    try:
        photos = tuple(_of_site(named)) if ledger == SITE_LEDGER else photos_named(_events((payloads[0], *named)))
    except ValidationError:
        yield f"ledger {ledger}: an entry is of a kind that this version of the program does not know"
        return
    yield from _missing(ledger, photos, digests)


def _missing(ledger: str, photos: Iterable[str], digests: Mapping[str, str]) -> Iterator[str]:
    for photo in photos:
        if digests.get(photo_path(photo)) != photo:
            yield f"ledger {ledger}: photo {photo[:12]} is named by an entry and is not there"


def _events(payloads: Sequence[bytes]) -> Sequence[Event]:
    return [event_from_bytes(payload) for payload in payloads]


def _of_site(payloads: Sequence[bytes]) -> Iterator[str]:
    """Yield the photos that inspections in the store room, surveys and the register name."""
    for entry in (site_event_from_bytes(payload) for payload in payloads):
        match entry:
            case HousingPhotographed(photo=str(photo)) | LotInspected(photo=str(photo)) if photo:
                yield photo
            case SurveyTaken():
                yield from entry.photos or ()
            case _:
                pass
