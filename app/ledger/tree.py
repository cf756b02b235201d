"""The Merkle tree of RFC 9162, section 2.1: one root for a list of entries, and short proofs about it.

Rules kept here:
- A leaf is SHA-256(0x00 + payload), a node SHA-256(0x01 + left + right), so that neither can pass for the other.
- `leaves` always means leaf hashes (32 bytes each, from `leaf_hash`), never payloads.
- `root` and the two proof makers follow the text of the RFC and are the reference; `Frontier` and `roots_at` are the
  fast way to the same roots, and the tests hold them against the reference.
- A verifier answers True or False for any bytes whatever, and raises nothing.
"""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from functools import reduce
from hashlib import sha256

from app.calc.errors import OutOfRange

EMPTY_ROOT = sha256(b"").digest()
"""Root of a list without entries (RFC 9162, section 2.1.1)."""


def leaf_hash(payload: bytes) -> bytes:
    """32-byte leaf hash of one entry's payload (RFC 9162, section 2.1.1)."""
    return sha256(b"\x00" + payload).digest()


def node_hash(left: bytes, right: bytes) -> bytes:
    """32-byte hash of an inner node over its two children (RFC 9162, section 2.1.1)."""
    return sha256(b"\x01" + left + right).digest()


def root(leaves: Sequence[bytes]) -> bytes:
    """32-byte root over leaf hashes, straight from RFC 9162, section 2.1.1: the slow reference."""
    if not leaves:
        return EMPTY_ROOT
    if len(leaves) == 1:
        return leaves[0]
    split = _split(len(leaves))
    return node_hash(root(leaves[:split]), root(leaves[split:]))


@dataclass(frozen=True, slots=True)
class Frontier:
    """The roots of the complete subtrees of a growing list, largest first: all that growth ever needs.

    size: entries so far. peaks: one 32-byte root for each bit set in `size`.
    """

    size: int
    peaks: tuple[bytes, ...]

    def append(self, leaf: bytes) -> "Frontier":
        """Return the frontier with one more leaf hash; about two hashes on average."""
        peaks = list(self.peaks)
        _push(peaks, leaf, self.size)
        return Frontier(self.size + 1, tuple(peaks))

    def root(self) -> bytes:
        """32-byte root of everything appended so far; one hash for each peak but the first."""
        return _root_of(self.peaks)


EMPTY = Frontier(0, ())


def roots_at(leaves: Iterable[bytes], sizes: Collection[int]) -> dict[int, bytes]:
    """Root at each wanted size that the list reaches, in one pass over the leaf hashes."""
    peaks: list[bytes] = []
    found = {0: EMPTY_ROOT} if 0 in sizes else {}
    for size, leaf in enumerate(leaves):
        _push(peaks, leaf, size)
        if size + 1 in sizes:
            found[size + 1] = _root_of(peaks)
    return found


def inclusion_proof(leaves: Sequence[bytes], index: int) -> tuple[bytes, ...]:
    """Audit path of the entry at `index` (from 0), nearest sibling first (RFC 9162, section 2.1.3.1).

    Raises OutOfRange when there is no such entry.
    """
    if not 0 <= index < len(leaves):
        raise OutOfRange(f"There is no entry {index} in a list of {len(leaves)}: ask for one that exists.")
    if len(leaves) == 1:
        return ()
    split = _split(len(leaves))
    if index < split:
        return (*inclusion_proof(leaves[:split], index), root(leaves[split:]))
    return (*inclusion_proof(leaves[split:], index - split), root(leaves[:split]))


def verify_inclusion(*, leaf: bytes, index: int, size: int, proof: Sequence[bytes], root: bytes) -> bool:
    """Tell whether `proof` shows the leaf hash at `index` in the list of `size` entries with that `root`.

    Source: RFC 9162, section 2.1.3.2, step by step.
    """
    if not 0 <= index < size:
        return False
    here, last, result = index, size - 1, leaf
    for sibling in proof:
        if last == 0:
            return False
        if here & 1 or here == last:
            result = node_hash(sibling, result)
            while not here & 1 and here:
                here, last = here >> 1, last >> 1
        else:
            result = node_hash(result, sibling)
        here, last = here >> 1, last >> 1
    return last == 0 and result == root


def consistency_proof(leaves: Sequence[bytes], old_size: int) -> tuple[bytes, ...]:
    """Proof that the first `old_size` entries are unchanged in the whole list (RFC 9162, section 2.1.4.1).

    Empty for an old size of 0 or of the whole list. Raises OutOfRange when the list was never that long.
    """
    if not 0 <= old_size <= len(leaves):
        raise OutOfRange(f"A list of {len(leaves)} entries has no state of size {old_size}: ask for a smaller one.")
    return _subproof(leaves, old_size, whole=True) if old_size else ()


def verify_consistency(
    *, old_size: int, old_root: bytes, new_size: int, new_root: bytes, proof: Sequence[bytes]
) -> bool:
    """Tell whether `proof` shows that the list with `new_root` begins with all of the list with `old_root`.

    Source: RFC 9162, section 2.1.4.2, step by step; for an old size of 0, and for equal sizes, the proof is empty.
    """
    if not 0 < old_size < new_size:
        same = old_root == new_root if old_size == new_size else old_root == EMPTY_ROOT
        return 0 <= old_size <= new_size and not proof and same
    path = [old_root, *proof] if old_size & (old_size - 1) == 0 else list(proof)
    return bool(path) and _climb(path, old_size - 1, new_size - 1) == (old_root, new_root)


def _climb(path: Sequence[bytes], here: int, last: int) -> tuple[bytes, bytes] | None:
    """Old and new root that the path leads to, or None when it has the wrong length."""
    while here & 1:
        here, last = here >> 1, last >> 1
    old = new = path[0]
    for sibling in path[1:]:
        if last == 0:
            return None
        if here & 1 or here == last:
            old, new = node_hash(sibling, old), node_hash(sibling, new)
            while not here & 1 and here:
                here, last = here >> 1, last >> 1
        else:
            new = node_hash(new, sibling)
        here, last = here >> 1, last >> 1
    return (old, new) if last == 0 else None


def _subproof(leaves: Sequence[bytes], old_size: int, *, whole: bool) -> tuple[bytes, ...]:
    if old_size == len(leaves):
        return () if whole else (root(leaves),)
    split = _split(len(leaves))
    if old_size <= split:
        return (*_subproof(leaves[:split], old_size, whole=whole), root(leaves[split:]))
    return (*_subproof(leaves[split:], old_size - split, whole=False), root(leaves[:split]))


def _split(size: int) -> int:
    """Largest power of two below `size` (2 or more)."""
    return 1 << ((size - 1).bit_length() - 1)


def _push(peaks: list[bytes], leaf: bytes, size: int) -> None:
    """Add a leaf to the peaks of a list of `size` entries, joining subtrees that have become equal in size."""
    while size & 1:
        leaf = node_hash(peaks.pop(), leaf)
        size >>= 1
    peaks.append(leaf)


def _root_of(peaks: Sequence[bytes]) -> bytes:
    return reduce(lambda right, left: node_hash(left, right), reversed(peaks)) if peaks else EMPTY_ROOT
