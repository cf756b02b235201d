"""Examine a whole ledger without trusting whoever hands it over.

`check_entries` takes payloads, heads and a certificate as they were found, plus any heads that were printed or noted
elsewhere, and reports every fault as data. It raises nothing and changes nothing.

Rules kept here:
- A fault names the first entry in doubt: the first one not covered by a head that holds.
- One change breaks every head after it. That is reported once, with a count, not once for each head.
- A ledger cannot see that its own tail is missing, nor that all of it was rewritten by whoever holds the key. Only a
  head from outside (`known`) shows that.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias, assert_never

from app.calc.errors import ChangeoutError
from app.ledger.canonical import Json, read_canonical
from app.ledger.heads import Head, key_id_of, root_digits, verify_signature
from app.ledger.tree import leaf_hash, roots_at

Rule: TypeAlias = Literal[
    "canonical", "ledger", "seq", "certificate", "head-ledger", "head-order", "head-tail", "head-root",
    "head-key", "head-signature", "head-cover", "known-text", "known-tail", "known-root",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that does not hold.

    seq: the first entry in doubt, from 0. rule: which check failed. Both texts are for people.
    """

    seq: int
    rule: Rule
    expected: str
    got: str

    @property
    def sentence(self) -> str:
        """The fault in one plain sentence."""
        return f"{_meaning(self.rule)}, from entry {self.seq} on: expected {self.expected}, got {self.got}."


def check_entries(
    *,
    ledger: str,
    payloads: Sequence[bytes],
    heads: Sequence[Head],
    certificate_pem: str,
    known: Sequence[str] = (),
    values: Sequence[Json] | None = None,
) -> tuple[Fault, ...]:
    """Find every fault of one ledger, by entry; an empty answer means that all of it holds.

    payloads: each entry's bytes as stored, in order. heads: as stored, smallest first.
    certificate_pem: the site certificate, from a source the caller trusts.
    known: heads noted outside, each "SIZE:ROOT" or only the root (see `matches_root`); each must still be a prefix.
    values: what the payloads are the canonical bytes of, where the caller has read them so already.
    """
    sought = [_known_from(text) for text in known]
    sizes = {head.size for head in heads} | {size for _, size, _ in sought if size is not None}
    anywhere = any(size is None for _, size, _ in sought)
    roots = roots_at(map(leaf_hash, payloads), range(len(payloads) + 1) if anywhere else sizes)
    faults = [
        *_entry_faults(ledger, payloads, values),
        *_head_faults(ledger, len(payloads), heads, roots, certificate_pem),
        *_known_faults(sought, len(payloads), roots),
    ]
    return tuple(sorted(faults, key=lambda fault: fault.seq))


def entry_fault(*, ledger: str, seq: int, payload: bytes) -> Fault | None:
    """Say what is wrong with one entry by itself, or None: canonical JSON, an object, carrying its own place."""
    try:
        value = read_canonical(payload)
    except ChangeoutError as error:
        return Fault(seq, "canonical", "one JSON object in canonical form", f"other bytes ({error})"[:300])
    return _place_fault(ledger, seq, value)


def _place_fault(ledger: str, seq: int, value: Json) -> Fault | None:
    if not isinstance(value, dict):
        return Fault(seq, "canonical", "a JSON object", f"a JSON {type(value).__name__}")
    named, place = value.get("ledger"), value.get("seq")
    if named != ledger:
        return Fault(seq, "ledger", f"ledger {ledger!r}", f"ledger {named!r}"[:300])
    if type(place) is not int or place != seq:
        return Fault(seq, "seq", f"seq {seq}", f"seq {place!r}"[:300])
    return None


def _entry_faults(ledger: str, payloads: Sequence[bytes], values: Sequence[Json] | None) -> Iterator[Fault]:
    """Faults of single entries. After a missing entry all later ones are out by the same step: that is said once."""
    step: int | None = 0
    for seq, payload in enumerate(payloads):
        if values is None:
            fault = entry_fault(ledger=ledger, seq=seq, payload=payload)
        else:
            fault = _place_fault(ledger, seq, values[seq])
        if fault is None:
            step = 0
            continue
        shift = _shift(payload, seq) if fault.rule == "seq" else None
        if shift is None or shift != step:
            yield fault
        step = shift


def _shift(payload: bytes, seq: int) -> int | None:
    value = read_canonical(payload)
    place = value.get("seq") if isinstance(value, dict) else None
    return place - seq if type(place) is int else None


def _head_faults(
    ledger: str, size: int, heads: Sequence[Head], roots: dict[int, bytes], certificate_pem: str
) -> Iterator[Fault]:
    yield from _order_faults(heads)
    try:
        key_id = key_id_of(certificate_pem)
    except ChangeoutError as error:
        yield Fault(0, "certificate", "a readable certificate of a P-256 key", f"another one ({error})")
        return
    judged = [(head, _wrong_with(head, ledger, roots, key_id, certificate_pem)) for head in heads]
    proven = max((head.size for head, wrong in judged if wrong is None), default=0)
    yield from _judged_faults(judged, proven, size)
    covered = max((head.size for head in heads if head.size <= size), default=0)
    if covered < size:
        yield Fault(covered, "head-cover", f"a signed head over all {size} entries", f"heads up to {covered} only")


def _order_faults(heads: Sequence[Head]) -> Iterator[Fault]:
    before = -1
    for head in heads:
        if head.size <= before:
            yield Fault(
                max(head.size - 1, 0), "head-order", f"a head of more than {before} entries", f"one of {head.size}"
            )
        before = max(before, head.size)


def _wrong_with(
    head: Head, ledger: str, roots: dict[int, bytes], key_id: str, certificate_pem: str
) -> tuple[Rule, str, str] | None:
    """First thing wrong with one head: rule, expected, got; None when it holds."""
    root = roots.get(head.size)
    if head.ledger != ledger:
        return "head-ledger", f"a head of ledger {ledger!r}", f"one of {head.ledger!r}"
    if root is None:
        return "head-tail", f"the {head.size} entries that a head was signed for", "fewer entries"
    if head.root != root:
        return (
            "head-root",
            f"root {head.root.hex()} at size {head.size}, as in the head",
            f"{root.hex()} from the entries",
        )
    if head.key_id != key_id:
        return "head-key", f"a head signed with key {key_id}", f"one that names key {head.key_id!r}"
    if not _signed(head, certificate_pem):
        return "head-signature", f"the site's signature on the head of size {head.size}", "one that does not verify"
    return None


def _signed(head: Head, certificate_pem: str) -> bool:
    try:
        return verify_signature(certificate_pem=certificate_pem, message=head.message, signature=head.signature)
    except ChangeoutError:
        return False  # a head whose parts cannot even be written was never signed


def _judged_faults(
    judged: Sequence[tuple[Head, tuple[Rule, str, str] | None]], proven: int, size: int
) -> Iterator[Fault]:
    """Blame a bad head below `proven` itself; above it, doubt the entries, once for each rule."""
    first: dict[Rule, tuple[str, str]] = {}
    count: dict[Rule, int] = {}
    for head, wrong in judged:
        if wrong is None:
            continue
        rule, expected, got = wrong
        if head.size <= proven:
            yield Fault(max(head.size - 1, 0), rule, expected, got)
        else:
            first.setdefault(rule, (expected, got))
            count[rule] = count.get(rule, 0) + 1
    for rule, (expected, got) in first.items():
        more = f", and {count[rule] - 1} more heads fail with it" if count[rule] > 1 else ""
        yield Fault(size if rule == "head-tail" else min(proven, size), rule, expected, got + more)


_Known: TypeAlias = tuple[str, int | None, str | None]
"""A head noted outside: its text, its size if it gives one, its root digits if they can be read."""


def _known_from(text: str) -> _Known:
    before, colon, after = text.rpartition(":")
    size_text = before.strip()
    readable = not colon or (size_text.isascii() and size_text.isdigit() and len(size_text) <= 15)
    return text, int(size_text) if colon and readable else None, root_digits(after) if readable else None


def _known_faults(sought: Sequence[_Known], size: int, roots: dict[int, bytes]) -> Iterator[Fault]:
    """Heads noted outside that this ledger does not continue."""
    held = 0
    for text, at, digits in sorted(sought, key=lambda one: -1 if one[1] is None else one[1]):
        shown = repr(text[:80])
        if digits is None:
            yield Fault(0, "known-text", "SIZE:ROOT or a root, of at least 20 hex digits", shown)
        elif at is None:
            if not any(root.hex().startswith(digits) for root in roots.values()):
                yield Fault(0, "known-root", f"a state with root {shown}", "a record that never had it")
        elif at > size:
            yield Fault(size, "known-tail", f"at least {at} entries, as the head {shown} says", f"{size} entries")
        elif not roots[at].hex().startswith(digits):
            yield Fault(held, "known-root", f"root {shown} at size {at}", f"{roots[at].hex()} from the entries")
        else:
            held = at


def _meaning(rule: Rule) -> str:
    match rule:
        case "canonical":
            return "An entry is not one JSON object in canonical form"
        case "ledger":
            return "An entry belongs to another ledger"
        case "seq":
            return "An entry is missing, added or moved"
        case "certificate":
            return "The certificate cannot be used"
        case "head-ledger":
            return "A head belongs to another ledger"
        case "head-order":
            return "The heads are not in order of size"
        case "head-tail" | "known-tail":
            return "The end of the record is missing"
        case "head-root":
            return "The entries are not the ones that were signed"
        case "head-key":
            return "A head names another key"
        case "head-signature":
            return "A head's signature does not hold"
        case "head-cover":
            return "Entries are not covered by any head"
        case "known-text":
            return "A head to compare with cannot be read"
        case "known-root":
            return "The record does not continue a head noted elsewhere"
        case _:
            assert_never(rule)
