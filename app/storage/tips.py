"""Where each ledger ends: its size, its frontier, and whatever was folded from it.

Rules kept here:
- The cache only ever holds what was committed; after anything that was not, the writer puts all of it in doubt.
- A tip in doubt is no answer.  The ledger is read and hashed again; only if it ends where the tip did, what was folded
  from these same entries counts again, and need not be folded anew.
- It is bounded: a ledger not touched for long is read again when needed.
- Where other processes may write, a tip from memory counts only if it ends at the newest head in the database.
"""

from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass
from threading import Lock

from sqlalchemy import Select, select
from sqlalchemy.engine import Connection

from app.ledger.tree import EMPTY, Frontier, leaf_hash
from app.storage.faults import LedgerFaulty
from app.storage.tables import ENTRY, HEAD

TIPS_KEPT = 96
"""A job of a hundred steps takes 1.2 MB here and is read again in some 20 ms (measured); more than this many in hand
at once are not to be expected at one site (this program's figure)."""


@dataclass(frozen=True, slots=True)
class Tip:
    """The end of one ledger. memo: what the caller folded from exactly these entries, or None."""

    size: int
    frontier: Frontier
    memo: object | None


class TipCache:
    """Committed tips of the ledgers used last; any thread may look."""

    def __init__(self, limit: int = TIPS_KEPT) -> None:
        self._limit = limit
        self._guard = Lock()
        self._tips: OrderedDict[str, Tip] = OrderedDict()
        self._in_doubt: OrderedDict[str, Tip] = OrderedDict()

    def peek(self, ledger: str) -> Tip | None:
        """Return the committed tip if it is at hand."""
        with self._guard:
            if ledger in self._tips:
                self._tips.move_to_end(ledger)
            return self._tips.get(ledger)

    def advance(self, tips: Mapping[str, Tip]) -> None:
        """Take over tips that have just been committed."""
        with self._guard:
            for ledger, tip in tips.items():
                self._tips[ledger] = tip
                self._tips.move_to_end(ledger)
                self._in_doubt.pop(ledger, None)
            while len(self._tips) > self._limit:
                self._tips.popitem(last=False)

    def doubt(self) -> None:
        """Answer for nothing any more until the file was asked again."""
        with self._guard:
            self._in_doubt |= self._tips
            self._tips.clear()
            while len(self._in_doubt) > self._limit:
                self._in_doubt.popitem(last=False)

    def confirmed(self, ledger: str, stored: Tip) -> Tip:
        """Return the tip that was just read from the file, with what was folded from the same entries before."""
        with self._guard:
            before = self._in_doubt.get(ledger)
        same = before is not None and (before.size, before.frontier) == (stored.size, stored.frontier)
        return before if before is not None and same else stored


def stored_tip(connection: Connection, ledger: str) -> Tip:
    """Read one ledger's tip from the file, rehashing every entry.

    Raises LedgerFaulty, naming the first entry in doubt, when the entries and the newest head do not agree.
    """
    frontier = EMPTY
    entries = select(ENTRY.c.seq, ENTRY.c.payload, ENTRY.c.leaf).where(ENTRY.c.ledger == ledger).order_by(ENTRY.c.seq)
    for seq, payload, leaf in connection.execute(entries):
        if seq != frontier.size or leaf_hash(payload) != leaf:
            raise LedgerFaulty(_doubt(ledger, f"entry {frontier.size} is not the one that was written"))
        frontier = frontier.append(leaf)
    head = connection.execute(_newest_head(ledger)).one_or_none()
    if (
        (0, EMPTY.root()) != (frontier.size, frontier.root())
        if head is None
        else head != (frontier.size, frontier.root())
    ):
        size = 0 if head is None else head.size
        raise LedgerFaulty(_doubt(ledger, f"its {frontier.size} entries do not match the newest head, of size {size}"))
    return Tip(frontier.size, frontier, None)


def is_newest(connection: Connection, ledger: str, tip: Tip) -> bool:
    """Tell whether a ledger still ends in the database where this tip ends."""
    head = connection.execute(_newest_head(ledger)).one_or_none()
    return tip.size == 0 if head is None else head == (tip.size, tip.frontier.root())


def _newest_head(ledger: str) -> Select[tuple[int, bytes]]:
    return select(HEAD.c.size, HEAD.c.root).where(HEAD.c.ledger == ledger).order_by(HEAD.c.size.desc()).limit(1)


def _doubt(ledger: str, what: str) -> str:
    return f"Ledger {ledger!r} is damaged ({what}): it can still be read and checked, but nothing is added to it."
