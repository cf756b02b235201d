"""One transaction's worth of work: what each item sees, and what is written when all have spoken.

Rules kept here:
- What an item writes stays with the item until its work has returned; one that raises leaves nothing behind.
- Later items of the batch see what earlier ones wrote, as if each had been committed on its own.
- An entry that the checker would refuse is refused here, since nothing can be taken out of a ledger again.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Any, TypeVar

from sqlalchemy import Executable, Row, Select, bindparam, insert, select
from sqlalchemy.engine import Connection

from app.calc.errors import ChangeoutError
from app.ledger.check import entry_fault
from app.ledger.heads import Head, Signer, head_message
from app.ledger.tree import leaf_hash
from app.storage.faults import StorageFault
from app.storage.tables import ENTRY, HEAD, REQUEST, RequestRow
from app.storage.tips import Tip, TipCache, is_newest, stored_tip

T = TypeVar("T")
_Fields = dict[str, Any]


@dataclass(slots=True)
class _Writes:
    """What is to be written, in order, and what it makes of the ledgers and requests."""

    tips: dict[str, Tip] = field(default_factory=dict)
    requests: dict[str, _Fields] = field(default_factory=dict)
    statements: list[tuple[Executable, Any]] = field(default_factory=list)
    entries: list[_Fields] = field(default_factory=list)
    heads: list[_Fields] = field(default_factory=list)
    request_rows: list[_Fields] = field(default_factory=list)

    def add(self, later: "_Writes") -> None:
        self.tips.update(later.tips)
        self.requests.update(later.requests)
        self.statements += later.statements
        self.entries += later.entries
        self.heads += later.heads
        self.request_rows += later.request_rows


class Batch:
    """The items of one transaction. `trouble` is the database error that ends it, if there was one.

    shared: other processes write, too, so that a tip from memory is compared with the database first.
    """

    def __init__(
        self,
        *,
        connection: Connection,
        cache: TipCache,
        signer: Signer,
        clock: Callable[[], datetime],
        shared: bool = False,
    ) -> None:
        self._connection = connection
        self._cache = cache
        self._shared = shared
        self.signer = signer
        self.clock = clock
        self._writes = _Writes()
        self.trouble: Exception | None = None

    @property
    def tips(self) -> Mapping[str, Tip]:
        """What the ledgers came to in this batch."""
        return self._writes.tips

    def run(self, work: Callable[["Tx"], T]) -> T:
        """Let one item speak, and keep what it wrote if it did not raise. Look at `trouble` after either end."""
        tx = Tx(self)
        try:
            answer = work(tx)
        finally:
            tx.end()
        self._writes.add(tx.writes)
        return answer

    def flush(self) -> None:
        """Send everything to the database; it is durable only after the caller's COMMIT."""
        waiting = self._writes
        for statement, params in waiting.statements:
            self._connection.execute(statement, params)
        for table, rows in ((ENTRY, waiting.entries), (HEAD, waiting.heads), (REQUEST, waiting.request_rows)):
            if rows:
                self._connection.execute(insert(table), rows)
        self._writes = _Writes(tips=waiting.tips, requests=waiting.requests)

    def tip(self, ledger: str) -> Tip:
        """Return the tip as the batch has it so far."""
        known = self._writes.tips.get(ledger)
        if known is None:
            known = self._asked(lambda: self._remembered(ledger) or self._read(ledger))
            self._writes.tips[ledger] = known
        return known

    def payloads(self, ledger: str) -> list[bytes]:
        """Return the payloads as the batch has them so far."""
        query = select(ENTRY.c.payload).where(ENTRY.c.ledger == ledger).order_by(ENTRY.c.seq)
        stored = self._asked(lambda: list(self._connection.scalars(query)))
        return stored + [row["payload"] for row in self._writes.entries if row["ledger"] == ledger]

    def request(self, token: str) -> RequestRow | None:
        """Return a request carried out earlier, in this batch or before."""
        if token in self._writes.requests:
            return RequestRow(**self._writes.requests[token])
        row = self._asked(lambda: self._connection.execute(_BY_TOKEN, {"token": token}).one_or_none())
        return None if row is None else RequestRow(**row._mapping)  # noqa: SLF001  (SQLAlchemy's public name for it)

    def rows(self, statement: Select[Any]) -> list[Row[Any]]:
        """Return what a query finds after all earlier items of the batch."""

        def ask() -> list[Row[Any]]:
            self.flush()
            return list(self._connection.execute(statement))

        return self._asked(ask)

    def _remembered(self, ledger: str) -> Tip | None:
        tip = self._cache.peek(ledger)
        return tip if tip is None or not self._shared or is_newest(self._connection, ledger, tip) else None

    def _read(self, ledger: str) -> Tip:
        return self._cache.confirmed(ledger, stored_tip(self._connection, ledger))

    def _asked(self, question: Callable[[], T]) -> T:
        try:
            return question()
        except ChangeoutError:
            raise  # about this one ledger, not about the database
        except Exception as error:
            self.trouble = error
            raise StorageFault("The database did not answer: nothing of this was saved, so try again.") from error


class Tx:
    """What one item of work may do. It is only good inside that work."""

    def __init__(self, batch: Batch) -> None:
        self._batch: Batch | None = batch
        self.writes = _Writes()

    def end(self) -> None:
        """Refuse anything more: the item has spoken."""
        self._batch = None

    def tip(self, ledger: str) -> Tip:
        """Return where the ledger ends now; an unknown ledger is empty.

        Raises LedgerFaulty when the stored ledger does not match its newest head.
        """
        batch = self._open()
        return self.writes.tips.get(ledger) or batch.tip(ledger)

    def payloads(self, ledger: str) -> list[bytes]:
        """Return all payloads of the ledger in order, this item's own included."""
        mine = [row["payload"] for row in self.writes.entries if row["ledger"] == ledger]
        return self._open().payloads(ledger) + mine

    def append(self, ledger: str, payloads: Sequence[bytes], *, memo: object | None = None) -> Head:
        """Add entries at the end of the ledger and return its new signed head.

        payloads: one or more, canonical JSON objects that carry this ledger and their own seq.
        memo: what the caller folded from the ledger including these; without it the old memo is dropped.
        Raises StorageFault for no entries, or for one that the checker would refuse.
        """
        tip = self.tip(ledger)
        if not payloads:
            raise StorageFault("No entries were given: append at least one.")
        frontier, rows = tip.frontier, []
        for seq, payload in enumerate(payloads, start=tip.size):
            fault = entry_fault(ledger=ledger, seq=seq, payload=payload)
            if fault is not None:
                raise StorageFault(fault.sentence)
            leaf = leaf_hash(payload)
            frontier = frontier.append(leaf)
            rows.append({"ledger": ledger, "seq": seq, "payload": payload, "leaf": leaf})
        head = self._signed(ledger, frontier.size, frontier.root())
        self.writes.entries += rows
        self.writes.heads.append({name: getattr(head, name) for name in _HEAD_FIELDS})
        self.writes.tips[ledger] = Tip(frontier.size, frontier, memo)
        return head

    def remember(self, ledger: str, memo: object) -> None:
        """Keep what was folded from the ledger as it stands now."""
        self.writes.tips[ledger] = replace(self.tip(ledger), memo=memo)

    def seen_request(self, token: str) -> RequestRow | None:
        """Return the request if it was carried out already, by this item, this batch or any before."""
        batch = self._open()
        mine = self.writes.requests.get(token)
        return batch.request(token) if mine is None else RequestRow(**mine)

    def keep_request(self, token: str, ledger: str, digest: str, seq: int) -> None:
        """Note that a request is carried out; a token is kept once."""
        self._open()
        row = {"token": token, "ledger": ledger, "digest": digest, "seq": seq}
        self.writes.requests[token] = row
        self.writes.request_rows.append(row)

    def run(self, statement: Executable, params: Any = None) -> None:
        """Write with a statement of one's own (people, sessions, photos) once the work has returned."""
        self._open()
        self.writes.statements.append((statement, params))

    def rows(self, statement: Select[Any]) -> list[Row[Any]]:
        """Read now: sees all earlier items, and not what this item itself is about to write."""
        return self._open().rows(statement)

    def _open(self) -> Batch:
        if self._batch is None:
            raise StorageFault("This piece of work is over: hand the store a new one.")
        return self._batch

    def _signed(self, ledger: str, size: int, root: bytes) -> Head:
        batch = self._open()
        at, key_id = instant_text(batch.clock()), batch.signer.key_id
        message = head_message(ledger=ledger, size=size, root=root, at=at, key_id=key_id)
        return Head(ledger, size, root, at, key_id, batch.signer.sign(message))


_BY_TOKEN = select(REQUEST).where(REQUEST.c.token == bindparam("token"))
_HEAD_FIELDS = ("ledger", "size", "root", "at", "key_id", "signature")


def instant_text(moment: datetime) -> str:
    """Return a moment as RFC 3339 text in UTC with milliseconds. Raises StorageFault for one without a time zone."""
    if moment.tzinfo is None:
        raise StorageFault(f"The clock gave {moment.isoformat()} without a time zone: use one that gives UTC.")
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
