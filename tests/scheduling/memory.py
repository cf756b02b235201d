"""A ledger store in memory that can be copied at once: for thousands of schedules with backups and restores."""

from collections.abc import Callable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field
from typing import TypeVar

from app.ledger.heads import Head
from app.ledger.tree import EMPTY, Frontier, leaf_hash
from app.services.ports import LedgerWork, SeenRequest
from app.storage.tips import Tip

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Kept:
    """Everything that the store holds; never changed, only replaced."""

    payloads: dict[str, tuple[bytes, ...]] = field(default_factory=dict)
    tips: dict[str, Tip] = field(default_factory=dict)
    requests: dict[str, "Request"] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Request:
    """A used token."""

    ledger: str
    digest: str


class Work:
    """One transaction: it is kept if the work returns."""

    def __init__(self, kept: Kept) -> None:
        self.kept = Kept(dict(kept.payloads), dict(kept.tips), dict(kept.requests))

    def tip(self, ledger: str) -> Tip:
        """Return where a ledger ends."""
        return self.kept.tips.get(ledger, Tip(0, EMPTY, None))

    def payloads(self, ledger: str) -> list[bytes]:
        """Return all entries of a ledger."""
        return list(self.kept.payloads.get(ledger, ()))

    def append(self, ledger: str, payloads: Sequence[bytes], *, memo: object | None = None) -> Head:
        """Append entries; the head is not signed, for nothing here looks at signatures."""
        frontier: Frontier = self.tip(ledger).frontier
        for payload in payloads:
            frontier = frontier.append(leaf_hash(payload))
        self.kept.payloads[ledger] = (*self.kept.payloads.get(ledger, ()), *payloads)
        self.kept.tips[ledger] = Tip(frontier.size, frontier, memo)
        return Head(ledger, frontier.size, frontier.root(), "", "", b"")

    def remember(self, ledger: str, memo: object) -> None:
        """Keep what was folded beside the tip."""
        tip = self.tip(ledger)
        self.kept.tips[ledger] = Tip(tip.size, tip.frontier, memo)

    def seen_request(self, token: str) -> SeenRequest | None:
        """Return a used request token."""
        return self.kept.requests.get(token)

    def keep_request(self, token: str, ledger: str, digest: str, seq: int) -> None:
        """Use a request token up; where its entry stands is not asked here."""
        del seq
        assert token not in self.kept.requests, "a token is kept once, as the database demands"
        self.kept.requests[token] = Request(ledger, digest)


class MemoryStore:
    """The store that `Jobs` writes to: one piece of work at a time, each kept whole or not at all."""

    def __init__(self, kept: Kept | None = None) -> None:
        self.kept = kept or Kept()

    def submit(self, work: Callable[[LedgerWork], T], *, urgent: bool = False) -> "Future[T]":
        """Do the work now; this disk is never full."""
        del urgent
        future: Future[T] = Future()
        tx = Work(self.kept)
        try:
            answer = work(tx)
        except Exception as error:  # noqa: BLE001  (it belongs to whoever handed the work in)
            future.set_exception(error)
        else:
            self.kept = tx.kept
            future.set_result(answer)
        return future

    def peek(self, ledger: str) -> Tip | None:
        """Return the newest tip."""
        return self.kept.tips.get(ledger)

    fresh = last_seen = peek
    """Nobody else writes here."""

    def read_payloads(self, ledger: str, *, since: int = 0, until: int | None = None) -> list[bytes]:
        """Return the entries of a ledger from this place on, up to but without another."""
        return list(self.kept.payloads.get(ledger, ()))[since:until]

    def read_head(self, ledger: str, size: int | None = None) -> Head | None:
        """Return the newest head, if it is the one that is asked for."""
        return next((head for head in self.read_heads(ledger) if size in (None, head.size)), None)

    def read_heads(self, ledger: str) -> list[Head]:
        """Return the newest head."""
        tip = self.kept.tips.get(ledger)
        return [Head(ledger, tip.size, tip.frontier.root(), "", "", b"")] if tip else []
