"""Work for the store's writer, and ways to make several items meet in one batch."""

from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from itertools import count
from threading import Event
from typing import TypeVar

from sqlalchemy import Engine, event

from app.ledger.canonical import canonical
from app.ledger.heads import Head
from app.storage.writer import Store, Tx

T = TypeVar("T")

WAIT_S = 20
"""Longest wait for another thread before a test counts as failed."""


def tick_clock() -> Callable[[], datetime]:
    """Return a clock that starts at a fixed moment and moves one second at each look."""
    seconds = count()
    return lambda: datetime(2026, 3, 2, 7, 15, tzinfo=UTC) + timedelta(seconds=next(seconds))


def entry(ledger: str, seq: int, **more: object) -> bytes:
    """Return one well-formed payload."""
    return canonical({"ledger": ledger, "seq": seq, **more})


def append(ledger: str, *, entries: int = 1, memo: object | None = None, **more: object) -> Callable[[Tx], Head]:
    """Return work that appends that many entries wherever the ledger ends."""

    def work(tx: Tx) -> Head:
        size = tx.tip(ledger).size
        return tx.append(ledger, [entry(ledger, seq, **more) for seq in range(size, size + entries)], memo=memo)

    return work


def done(future: "Future[T]") -> T:
    """Wait for the writer's answer."""
    return future.result(WAIT_S)


@contextmanager
def one_batch(store: Store) -> Iterator[None]:
    """Hold the writer back, so that everything submitted inside is taken as one batch afterwards."""
    begun, go = Event(), Event()

    def hold(_: Tx) -> None:
        begun.set()
        assert go.wait(WAIT_S)

    held = store.submit(hold)
    assert begun.wait(WAIT_S)
    try:
        yield
    finally:
        go.set()
    done(held)


@contextmanager
def counted_commits(engine: Engine) -> Iterator[list[object]]:
    """Collect one mark for each COMMIT that the engine sends."""
    commits: list[object] = []

    def note(connection: object) -> None:
        commits.append(connection)

    event.listen(engine, "commit", note)
    try:
        yield commits
    finally:
        event.remove(engine, "commit", note)
