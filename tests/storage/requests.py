"""Work that is asked for under a token."""

from collections.abc import Callable

from app.storage.writer import Tx
from tests.storage.builders import append


def ask_once(token: str, ledger: str) -> Callable[[Tx], int]:
    """Return work that carries a request out once, and tells which entry it led to."""

    def work(tx: Tx) -> int:
        seen = tx.seen_request(token)
        if seen is not None:
            return seen.seq
        seq = tx.tip(ledger).size
        append(ledger, token=token)(tx)
        tx.keep_request(token, ledger, "digest", seq)
        return seq

    return work
