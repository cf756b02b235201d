"""The store: one thread that writes, many that read. On PostgreSQL the writers of several processes take turns.

Work is handed to one writer thread. It takes whatever waits, runs it as one transaction, and resolves the futures only
after COMMIT has returned, so that a slow disk costs one flush for many ticks and an answer always means "on the disk".

Rules kept here:
- Nothing is acknowledged before COMMIT, and nothing after a failed one. A failed flush is never tried again.
- One item's exception reaches its own future only. If the database refuses what an item wrote, the items of that batch
  run again, each in a transaction of its own; work may therefore run twice and must have no effect but its answer.
- The cache advances after COMMIT only, and is in doubt after any failure, since only the file then knows.
"""

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime
from queue import Empty, SimpleQueue
from threading import Lock, Thread
from typing import Any, TypeVar

from sqlalchemy import Engine, Row, Select, bindparam, select
from sqlalchemy.engine import Connection
from sqlalchemy.exc import (
    DataError,
    DBAPIError,
    IntegrityError,
    InterfaceError,
    ProgrammingError,
    SQLAlchemyError,
)

from app.ledger.heads import Head, Signer
from app.storage.ballast import Ballast
from app.storage.batch import Batch, Tx
from app.storage.engine import kind_of
from app.storage.faults import DiskFull, StorageConflict, StorageFault, told
from app.storage.tables import ENTRY, HEAD
from app.storage.tips import TIPS_KEPT, Tip, TipCache, is_newest

__all__ = ["BATCH_LIMIT", "Store", "Tip", "Tx"]

BATCH_LIMIT = 256
"""Items in one transaction at most; measured batches stay far below it."""

T = TypeVar("T")
_PAYLOADS = (
    select(ENTRY.c.payload)
    .where(ENTRY.c.ledger == bindparam("of"), ENTRY.c.seq >= bindparam("since"))
    .order_by(ENTRY.c.seq)
)
"""Made once: a page of the past reads many ledgers, and making the statement takes as long as reading a short one."""
_HEAD_COLUMNS = (HEAD.c.ledger, HEAD.c.size, HEAD.c.root, HEAD.c.at, HEAD.c.key_id, HEAD.c.signature)


@dataclass(frozen=True, slots=True)
class _Item:
    """One piece of work and the promise made for it. urgent: it is written even from the room kept back."""

    work: Callable[[Tx], Any]
    future: Future[Any]
    urgent: bool = False


@dataclass(frozen=True, slots=True)
class _Outcome:
    """What an item's work came to, kept back until COMMIT."""

    item: _Item
    answer: Any = None
    error: BaseException | None = None

    def tell(self) -> None:
        if self.error is None:
            self.item.future.set_result(self.answer)
        else:
            self.item.future.set_exception(self.error)


class Store:
    """The data folder's one writer, and the reading side beside it. Close it before the engine is disposed of."""

    def __init__(
        self,
        engine: Engine,
        signer: Signer,
        clock: Callable[[], datetime],
        *,
        tips_kept: int = TIPS_KEPT,
        ballast: Ballast | None = None,
    ) -> None:
        self._engine = engine
        self._kind = kind_of(engine)
        self._reader = self._kind.reader(engine)
        self._signer = signer
        self._clock = clock
        self._cache = TipCache(tips_kept)
        self._queue: SimpleQueue[_Item | None] = SimpleQueue()
        self._gate = Lock()
        self._closed = False
        self._ballast = ballast
        self._full = False
        self._connection: Connection | None = None
        # In SQLite the last connection to close would adopt what a failed flush left.
        self._anchor = None if self._kind.shared else self._reader.connect()
        try:
            self._take_seat()
        except StorageFault:
            self._weigh_anchor()
            raise
        self._thread = Thread(target=self._serve, name="changeout-writer", daemon=True)
        self._thread.start()

    def submit(self, work: Callable[[Tx], T], *, urgent: bool = False) -> "Future[T]":
        """Hand work to the writer from any thread; the future resolves after the answer is on the disk.

        urgent: a stop, a sign-in, an export: on a full disk it may use the room kept back; the rest is refused.  So is
        what only reads, which needs no room.
        The future fails with the work's own exception, StorageConflict when the database refuses what it wrote, or
        StorageFault when the disk does: then nothing of it was saved.
        """
        future: Future[T] = Future()
        with self._gate:
            if not self._closed:
                self._queue.put(_Item(work, future, urgent))
                return future
        future.set_exception(StorageFault("The store is closed: start the program again."))
        return future

    def close(self) -> None:
        """Finish what was handed in, copy the log into the file and stop; a second call does nothing."""
        with self._gate:
            if not self._closed:
                self._closed = True
                self._queue.put(None)
        self._thread.join()
        self._weigh_anchor()

    @property
    def shared(self) -> bool:
        """Whether other processes may write, so that nothing in memory is taken without asking the database."""
        return self._kind.shared

    def peek(self, ledger: str) -> Tip | None:
        """Return the newest committed tip if memory alone knows it; any thread may ask. It waits for nothing."""
        return None if self._kind.shared else self._cache.peek(ledger)

    def last_seen(self, ledger: str) -> Tip | None:
        """Return the tip as this process saw it last, if it is in memory; others may have moved it since."""
        return self._cache.peek(ledger)

    def fresh(self, ledger: str) -> Tip | None:
        """Return the newest committed tip if it is in memory, compared with the database where others write."""
        tip = self._cache.peek(ledger)
        if tip is None or not self._kind.shared:
            return tip
        with self._reading() as connection:
            return tip if is_newest(connection, ledger, tip) else None

    def read_payloads(self, ledger: str, *, since: int = 0, until: int | None = None) -> list[bytes]:
        """Return the committed payloads of a ledger in order, from this place on, up to but without another.

        An unknown ledger is empty.
        """
        query = _PAYLOADS if until is None else _PAYLOADS.where(ENTRY.c.seq < until)
        with self._reading() as connection:
            return list(connection.scalars(query, {"of": ledger, "since": since}))

    def read_heads(self, ledger: str) -> list[Head]:
        """Return all committed heads of a ledger, smallest first."""
        query = select(*_HEAD_COLUMNS).where(HEAD.c.ledger == ledger).order_by(HEAD.c.size)
        with self._reading() as connection:
            return [Head(*row) for row in connection.execute(query)]

    def read_head(self, ledger: str, size: int | None = None) -> Head | None:
        """Return the committed head of a ledger over so many entries, or the newest one; None if there is none."""
        query = select(*_HEAD_COLUMNS).where(HEAD.c.ledger == ledger).order_by(HEAD.c.size.desc()).limit(1)
        with self._reading() as connection:
            row = connection.execute(query if size is None else query.where(HEAD.c.size == size)).one_or_none()
        return None if row is None else Head(*row)

    def read_rows(self, statement: Select[Any]) -> list[Row[Any]]:
        """Return what a query finds among what is committed."""
        with self._reading() as connection:
            return list(connection.execute(statement))

    @contextmanager
    def _reading(self) -> Iterator[Connection]:
        try:
            with self._reader.connect() as connection:
                yield connection
        except SQLAlchemyError as error:
            raise StorageFault(f"The database could not be read ({told(error)}): check the disk.") from error

    def _serve(self) -> None:
        """Run in the writer thread: take what waits, write it, answer; until the end mark."""
        going = True
        while going:
            items, going = self._waiting()
            live = [item for item in items if item.future.set_running_or_notify_cancel()]
            if live:
                self._settle(live)
        with suppress(Exception):
            self._kind.settle(self._writing())
        self._drop_connection()

    def _waiting(self) -> tuple[list[_Item], bool]:
        """Wait for one item and take what has queued behind it; False once the end mark was met."""
        taken: list[_Item] = []
        entry = self._queue.get()
        while entry is not None:
            taken.append(entry)
            if len(taken) == BATCH_LIMIT:
                return taken, True
            try:
                entry = self._queue.get_nowait()
            except Empty:
                return taken, True
        return taken, False

    def _settle(self, items: Sequence[_Item]) -> None:
        """Write the items in one transaction and tell each what came of it; this never raises."""
        if self._full:
            items = self._let_in(items)
            if not items:
                return
        for outcome in self._written(items, self._after):
            outcome.tell()
        self._give_back()

    def _written(
        self, items: Sequence[_Item], after: Callable[[Exception, Sequence[_Item]], list[_Outcome]]
    ) -> list[_Outcome]:
        """Write the items in one transaction; `after` says what becomes of them where it was rolled back."""
        try:
            return self._transact(items)
        except Exception as error:  # noqa: BLE001  (the thread must live, and the waiting must be told)
            self._cache.doubt()
            self._drop_connection()  # a failed COMMIT leaves its transaction open; closing is the one sure way out
            return after(error, items)

    def _transact(self, items: Sequence[_Item]) -> list[_Outcome]:
        connection = self._writing()
        batch = Batch(
            connection=connection,
            cache=self._cache,
            signer=self._signer,
            clock=self._clock,
            shared=self._kind.shared,
        )
        with connection.begin():
            outcomes = [_run(batch, item) for item in items]
            batch.flush()
        self._cache.advance(batch.tips)
        return outcomes

    def _give_back(self) -> None:
        """Where a server may end a connection, let the pool look at it before each batch."""
        if self._kind.shared and self._connection is not None:
            connection, self._connection = self._connection, None
            with suppress(Exception):  # what it was for is committed
                connection.close()

    def _after(self, error: Exception, items: Sequence[_Item]) -> list[_Outcome]:
        """Decide what becomes of a batch that was rolled back."""
        if self._says_full(error):
            return self._on_full_disk(items)
        if _is_the_items_own(error) and len(items) > 1:
            for item in items:
                self._settle([item])
            return []
        return self._all_refused(error, items)

    def _all_refused(self, error: Exception, items: Sequence[_Item]) -> list[_Outcome]:
        """Tell every item the same of a batch that is not tried again."""
        if self._says_full(error):
            told: StorageFault = _disk_full()
        else:
            told = _refused(error) if _is_the_items_own(error) else _not_saved(error)
        return [_Outcome(item, error=told) for item in items]

    def _says_full(self, error: Exception) -> bool:
        return isinstance(error, DBAPIError) and self._kind.is_full(error.orig)

    def _let_in(self, items: Sequence[_Item]) -> Sequence[_Item]:
        """On a disk that was full: everything if there is room again, else what is urgent; the rest is refused."""
        if self._ballast is None or self._ballast.lay():
            self._full = False
            return items
        for item in items:
            if not item.urgent:
                _Outcome(item, error=_disk_full()).tell()
        return [item for item in items if item.urgent]

    def _on_full_disk(self, items: Sequence[_Item]) -> list[_Outcome]:
        """Refuse what can wait; give the room kept back to what cannot, which is then written without being let in.

        To let it in would take that room again first. What finds the disk full a second time is refused. What stood
        among others is tried alone before: it may only read.
        """
        self._full = True
        urgent = [item for item in items if item.urgent]
        outcomes = [_Outcome(item, error=_disk_full()) for item in items if not item.urgent]
        if len(items) > 1:
            return outcomes + [outcome for item in urgent for outcome in self._written([item], self._after)]
        if not urgent or self._ballast is None or not self._ballast.release():
            return outcomes + [_Outcome(item, error=_disk_full()) for item in urgent]
        return self._written(urgent, self._all_refused)

    def _take_seat(self) -> None:
        """Begin and end one empty transaction: the writing seat is ours from here on, or the engine says why not."""
        try:
            with self._writing().begin():
                pass
            self._give_back()
        except Exception as error:
            self._drop_connection()
            raise _not_saved(error) from error

    def _writing(self) -> Connection:
        if self._connection is None:
            self._connection = self._engine.connect()
        return self._connection

    def _weigh_anchor(self) -> None:
        if self._anchor is not None:
            self._anchor.close()

    def _drop_connection(self) -> None:
        """Close the writing connection for good, whatever state it is in; the next batch opens a new one."""
        connection, self._connection = self._connection, None
        if connection is not None:
            with suppress(Exception):
                connection.invalidate()
            with suppress(Exception):
                connection.close()


def _run(batch: Batch, item: _Item) -> _Outcome:
    """Run one item. Its own exception is its outcome; the database's ends the batch, even if the item hid it."""
    try:
        outcome = _Outcome(item, answer=batch.run(item.work))
    except BaseException as error:  # noqa: BLE001  (whatever it is, it belongs to whoever handed the work in)
        outcome = _Outcome(item, error=error)
    if batch.trouble is not None:
        raise batch.trouble
    return outcome


def _is_the_items_own(error: Exception) -> bool:
    """Tell whether what an item wrote was at fault, and not the disk or the database."""
    if isinstance(error, DBAPIError):
        return isinstance(error, IntegrityError | DataError | ProgrammingError | InterfaceError)
    return isinstance(error, SQLAlchemyError | TypeError | ValueError | ArithmeticError)


def _disk_full() -> DiskFull:
    return DiskFull(
        "The disk is full: nothing of this was saved. Reading, STOP WORK and export still work; make room, then try "
        "again."
    )


def _refused(error: Exception) -> StorageFault:
    kind = StorageConflict if isinstance(error, IntegrityError) else StorageFault
    return kind(
        f"The database refused what was to be saved ({told(error)}): look at what is stored now, then try again."
    )


def _not_saved(error: Exception) -> StorageFault:
    if isinstance(error, StorageFault):
        return StorageFault(str(error))
    return StorageFault(
        f"The database could not be written to ({told(error)}): nothing of this was saved, so check the disk "
        "and try again."
    )
