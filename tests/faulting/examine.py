"""Look through a database that was left behind: whether it is whole, and which marks stand in it how often.

`judge` compares that with what was acknowledged.  Everything found is told as a sentence; nothing raises.
"""

import json
import sqlite3
from collections import Counter
from collections.abc import Collection
from contextlib import closing
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from threading import Lock
from typing import Any
from unittest.mock import patch

from app.ledger import check, heads
from app.ledger.heads import Head

LEDGERS_REMEMBERED = 4_096
PARTS_REMEMBERED = 16_384
_ENTRY_FAULT = lru_cache(PARTS_REMEMBERED)(check.entry_fault)
_VERIFY_SIGNATURE = lru_cache(PARTS_REMEMBERED)(heads.verify_signature)
"""What an entry or a signature comes to follows from its bytes alone: one ledger is mostly the one before."""
_ONE_CHECKS = Lock()


@dataclass(frozen=True)
class Found:
    """faults: sentences, none for a whole database.  standing: how often what each request token did stands there.

    One request may make several entries, such as a pause with each who spoke; each of them stands once.
    """

    faults: tuple[str, ...]
    standing: Counter[str]


def examine(database: Path, certificate_pem: str) -> Found:
    """Open a database with SQLite alone, which recovers its log, and look through all of it."""
    try:
        with closing(sqlite3.connect(database)) as connection:
            return _examined(connection, certificate_pem)
    except (sqlite3.Error, ValueError, TypeError) as error:
        return Found((f"The database cannot be read ({error}).",), Counter())


def _examined(connection: sqlite3.Connection, certificate_pem: str) -> Found:
    faults = [f"quick_check says: {row[0]}." for row in connection.execute("PRAGMA quick_check") if row[0] != "ok"]
    entries: dict[str, list[bytes]] = {}
    for ledger, payload in connection.execute("SELECT ledger, payload FROM entry ORDER BY ledger, seq"):
        entries.setdefault(ledger, []).append(payload)
    signed: dict[str, list[Head]] = {}
    for row in connection.execute("SELECT ledger, size, root, at, key_id, signature FROM head ORDER BY ledger, size"):
        signed.setdefault(row[0], []).append(Head(*row))
    places: dict[str, tuple[str, int]] = {}
    standing: Counter[str] = Counter()
    acts: Counter[tuple[str, str]] = Counter()
    for ledger in sorted(entries.keys() | signed.keys()):
        told, tokens = _ledger(ledger, tuple(entries.get(ledger, ())), tuple(signed.get(ledger, ())), certificate_pem)
        faults += told
        for seq, token, what in tokens:
            acts[token, what] += 1
            standing[token] = max(standing[token], acts[token, what])
            places[token] = ledger, seq
    kept = {row[0]: (row[1], row[2]) for row in connection.execute("SELECT token, ledger, seq FROM request")}
    for token in places.keys() - kept.keys():
        faults.append(f"The mark {token} stands in {places[token]} and its request is not kept.")
    for token, (ledger, seq) in kept.items():
        if seq >= len(entries.get(ledger, ())) or places.get(token, (ledger, seq)) != (ledger, seq):
            faults.append(f"The request {token} is kept for entry {seq} of {ledger}, which is not its own.")
    return Found(tuple(faults), standing)


@lru_cache(LEDGERS_REMEMBERED)
def _ledger(
    ledger: str, payloads: tuple[bytes, ...], signed: tuple[Head, ...], certificate_pem: str
) -> tuple[tuple[str, ...], tuple[tuple[int, str, str], ...]]:
    """Check one ledger and find its tokens.  The answer follows from these bytes alone: it may be remembered."""
    with _ONE_CHECKS, patch.multiple(check, entry_fault=_ENTRY_FAULT, verify_signature=_VERIFY_SIGNATURE):
        faults = check.check_entries(ledger=ledger, payloads=payloads, heads=signed, certificate_pem=certificate_pem)
    told = tuple(f"{ledger}: {fault.sentence}" for fault in faults)
    asked = ((seq, *_request(payload)) for seq, payload in enumerate(payloads))
    return told, tuple((seq, token, act) for seq, token, act in asked if token)


@lru_cache(PARTS_REMEMBERED)
def _request(payload: bytes) -> tuple[str, str]:
    """The token of the request that an entry carries out, if there is one, and what the entry says."""
    entry = json.loads(payload)
    token: str = entry.get("request") or ""
    return token, _act(entry) if token else ""


def _act(entry: dict[str, Any]) -> str:
    """What an entry says, so far as one request says it once: its kind, and of whom."""
    return f"{entry['type']} {(entry.get('person') or {}).get('id', '')}"


def judge(found: Found, acknowledged: Collection[str]) -> list[str]:
    """Return what is wrong: faults, acknowledged marks that are missing, and marks that stand more than once."""
    lost = [token for token in acknowledged if not found.standing[token]]
    twice = [token for token, times in found.standing.items() if times > 1]
    wrong = list(found.faults[:3])
    if lost:
        wrong.append(f"{len(lost)} of {len(acknowledged)} acknowledged marks are missing, the first {lost[0]}.")
    if twice:
        wrong.append(f"{len(twice)} marks stand more than once, the first {twice[0]}.")
    return wrong
