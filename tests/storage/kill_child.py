"""One life of a writing process, which its parent ends with SIGKILL at a moment of its own choosing."""

from collections import deque
from collections.abc import Callable
from concurrent.futures import Future
from datetime import UTC, datetime
from multiprocessing.connection import Connection
from pathlib import Path

from sqlalchemy import text

from app.storage.engine import open_engine
from app.storage.keys import load_or_make_site_key
from app.storage.tables import create_schema
from app.storage.writer import Store, Tx
from tests.storage.builders import entry

LEDGERS = ("job-1", "job-2", "site")
IN_FLIGHT = 12
CHECKPOINT_PAGES = 25
"""Far below the real setting, so that many lives end in the middle of a checkpoint."""


def now() -> datetime:
    """Return a fixed moment: the time of a head plays no part here."""
    return datetime(2026, 3, 2, 7, 15, tzinfo=UTC)


def open_store(folder: Path) -> tuple[Store, Callable[[], None]]:
    """Open the data folder as a starting program does; the second value closes it."""
    engine = open_engine(folder / "changeout.sqlite")
    create_schema(engine)
    store = Store(engine, load_or_make_site_key(folder, site="Test site", clock=now), now)

    def close() -> None:
        store.close()
        engine.dispose()

    return store, close


def tick(number: int) -> Callable[[Tx], tuple[int, int]]:
    """Return work that carries out request `number` once, and tells in which entry it stands."""
    ledger, token = LEDGERS[number % len(LEDGERS)], f"request-{number}"

    def work(tx: Tx) -> tuple[int, int]:
        seen = tx.seen_request(token)
        if seen is not None:
            return number, seen.seq
        seq = tx.tip(ledger).size
        tx.append(ledger, [entry(ledger, seq, request=token, note="x" * (37 * number % 900))])
        tx.keep_request(token, ledger, "digest", seq)
        return number, seq

    return work


def live(folder: Path, first: int, acknowledged: Connection) -> None:
    """Carry out requests from `first` on for ever, reporting each as soon as the store has answered for it."""
    store, _ = open_store(folder)
    store.submit(lambda tx: tx.run(text(f"PRAGMA wal_autocheckpoint={CHECKPOINT_PAGES}"))).result()
    waiting: deque[Future[tuple[int, int]]] = deque()
    number = first
    while True:
        while len(waiting) < IN_FLIGHT:
            waiting.append(store.submit(tick(number)))
            number += 1
        acknowledged.send(waiting.popleft().result())
