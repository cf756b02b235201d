"""Tampering: whatever is done to a ledger, the check finds it and names the first entry in doubt."""

import json
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cache

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.ledger.canonical import Json, canonical
from app.ledger.check import Fault, check_entries
from app.ledger.heads import Head, short_root
from tests.ledger.signing import TestSigner, entry_payload, new_signer, signed_head, signed_heads

LEDGER = "job-1"
SIZE = 12


@cache
def signer() -> TestSigner:
    """Make one key for all tests here."""
    return new_signer()


@cache
def honest() -> tuple[tuple[bytes, ...], tuple[Head, ...]]:
    """Write a ledger of twelve entries with a head after each."""
    payloads = tuple(entry_payload(LEDGER, seq, note=f"n{seq}") for seq in range(SIZE))
    return payloads, tuple(signed_heads(signer(), ledger=LEDGER, payloads=payloads, sizes=range(1, SIZE + 1)))


def check(
    payloads: Sequence[bytes], heads: Sequence[Head], *known: str, values: Sequence[Json] | None = None
) -> tuple[Fault, ...]:
    """Check as ledger job-1 with the true certificate."""
    return check_entries(
        ledger=LEDGER, payloads=payloads, heads=heads, certificate_pem=signer().certificate_pem, known=known,
        values=values,
    )  # fmt: skip


def found(faults: Sequence[Fault]) -> list[tuple[int, str]]:
    """Return place and rule of each fault."""
    return [(fault.seq, fault.rule) for fault in faults]


def renumbered(payloads: Sequence[bytes], label: str = "n") -> list[bytes]:
    """Return as many well-formed entries, as a careful forger writes them."""
    return [entry_payload(LEDGER, seq, note=f"{label}{seq}") for seq in range(len(payloads))]


places = st.integers(0, SIZE - 1)


def test_an_honest_ledger_has_no_fault() -> None:
    """Nothing is found where nothing was done, with every old head at hand."""
    payloads, heads = honest()
    known = [f"{head.size}:{short_root(head.root)}" for head in heads] + [
        heads[4].root.hex(),
        short_root(heads[0].root),
    ]

    assert check(payloads, heads, *known) == ()


def test_a_ledger_without_entries_is_clean() -> None:
    """An empty ledger holds, and so does its empty head."""
    assert check([], []) == ()
    assert check([], [signed_head(signer(), ledger=LEDGER, payloads=[])]) == ()


@given(places, st.data())
def test_any_changed_byte_is_found(seq: int, data: st.DataObject) -> None:
    """One changed byte of one entry is found and that entry is named first."""
    payloads, heads = honest()
    at = data.draw(st.integers(0, len(payloads[seq]) - 1))
    other = data.draw(st.integers(0, 255).filter(lambda byte: byte != payloads[seq][at]))
    changed = list(payloads)
    changed[seq] = payloads[seq][:at] + bytes([other]) + payloads[seq][at + 1 :]

    faults = check(changed, heads)

    assert faults
    assert faults[0].seq == seq
    assert (seq, "head-root") in found(faults)


@given(places)
def test_a_well_formed_edit_is_found_where_it_was_made(seq: int) -> None:
    """A perfectly formed other entry is found by the first head over it, once."""
    payloads, heads = honest()
    changed = [*payloads[:seq], entry_payload(LEDGER, seq, note="other"), *payloads[seq + 1 :]]

    faults = check(changed, heads)

    assert found(faults) == [(seq, "head-root")]
    assert (f"{SIZE - 1 - seq} more heads" in faults[0].got) == (seq < SIZE - 1)


@given(st.lists(st.integers(0, SIZE), max_size=SIZE), st.lists(places, max_size=SIZE))
def test_entries_that_were_read_already_are_judged_as_their_bytes_are(renamed: list[int], order: list[int]) -> None:
    """Whether the checker reads the bytes or is given what they were read as: the same faults."""
    payloads, heads = honest()
    taken = [payloads[place] for place in order]
    taken += [entry_payload("job-1" if place % 2 else "job-2", place) for place in renamed]
    values = [json.loads(payload) for payload in taken]

    assert check(taken, heads, values=values) == check(taken, heads)


@given(places)
def test_a_dropped_entry_is_found(seq: int) -> None:
    """A missing entry is found at its place, and the shift of all later ones is said once."""
    payloads, heads = honest()

    faults = check([*payloads[:seq], *payloads[seq + 1 :]], heads)

    assert faults[0].seq == seq
    assert len([fault for fault in faults if fault.rule == "seq"]) == (seq < SIZE - 1)
    assert {fault.rule for fault in faults} - {"seq", "head-root"} == {"head-tail"}


@given(places)
def test_an_added_entry_is_found(seq: int) -> None:
    """An entry slipped in is found where it stands."""
    payloads, heads = honest()

    faults = check([*payloads[:seq], entry_payload(LEDGER, seq, note="slipped in"), *payloads[seq:]], heads)

    assert faults[0].seq == seq
    assert {fault.rule for fault in faults} == {"seq", "head-root", "head-cover"}


@given(st.permutations(range(SIZE)).filter(lambda order: order != list(range(SIZE))))
def test_any_other_order_is_found(order: list[int]) -> None:
    """The first entry out of its place is named."""
    payloads, heads = honest()
    first = next(seq for seq, was in enumerate(order) if seq != was)

    faults = check([payloads[was] for was in order], heads)

    assert faults[0].seq == first
    assert {fault.rule for fault in faults} == {"seq", "head-root"}


@given(st.integers(0, SIZE - 1), st.booleans())
def test_a_cut_tail_is_found_with_a_head_from_outside(left: int, bare: bool) -> None:
    """Entries and heads cut together look clean, until one printed head is held against them."""
    payloads, heads = honest()
    printed = short_root(heads[-1].root)

    clean = check(payloads[:left], heads[:left])
    faults = check(payloads[:left], heads[:left], printed if bare else f"{SIZE}:{printed}")

    assert clean == ()
    assert found(faults) == [(0, "known-root") if bare else (left, "known-tail")]


def test_a_cut_tail_with_its_heads_left_behind_is_found() -> None:
    """The heads that cover more than there is are enough."""
    payloads, heads = honest()

    assert found(check(payloads[:7], heads)) == [(7, "head-tail")]


def test_entries_before_a_cut_that_no_head_covers_are_in_doubt() -> None:
    """Heads over entries that are gone prove nothing of those that are left: what was changed among them is named."""
    payloads, heads = honest()
    few = (heads[4], heads[11])

    assert found(check(payloads[:7], few)) == [(5, "head-cover"), (7, "head-tail")]
    assert found(check([*payloads[:6], entry_payload(LEDGER, 6, note="changed")], few))[0] == (5, "head-cover")


@given(places)
def test_a_whole_rewrite_with_the_true_key_is_found_by_an_old_head(seq: int) -> None:
    """Whoever holds the key can rewrite everything, but not a head that has left the building."""
    payloads, heads = honest()
    forged = [*payloads[:seq], *renumbered(payloads, "forged")[seq:]]
    resigned = signed_heads(signer(), ledger=LEDGER, payloads=forged, sizes=range(1, SIZE + 1))
    printed = [f"{head.size}:{short_root(head.root)}" for head in heads]

    alone = check(forged, resigned)
    faults = check(forged, resigned, *printed)

    assert alone == ()
    assert found(faults) == [(seq, "known-root")] * (SIZE - seq)


def test_a_spliced_ledger_is_found() -> None:
    """Entries of another job are not this job's, even with the other job's own heads."""
    payloads, heads = honest()
    other = [entry_payload("job-2", seq) for seq in range(SIZE)]
    theirs = signed_heads(signer(), ledger="job-2", payloads=other, sizes=range(1, SIZE + 1))

    spliced = check([*payloads[:5], *other[5:]], heads)
    swapped = check(other, theirs)

    assert spliced[0].seq == 5
    assert {fault.rule for fault in spliced} == {"ledger", "head-root"}
    assert {fault.rule for fault in swapped} == {
        "ledger",
        "head-ledger",
    }


def test_a_change_between_two_heads_is_dated_to_the_earlier_one() -> None:
    """Where several entries share a head, doubt begins after the last head that holds."""
    payloads, _ = honest()
    heads = signed_heads(signer(), ledger=LEDGER, payloads=payloads, sizes=[4, 9, 12])
    changed = [*payloads[:6], entry_payload(LEDGER, 6, note="other"), *payloads[7:]]

    assert found(check(changed, heads)) == [(4, "head-root")]


HEAD_TRICKS: dict[str, tuple[Callable[[Head], Head], str]] = {
    "root": (lambda head: replace(head, root=bytes(32)), "head-root"),
    "time": (lambda head: replace(head, at="2020-01-01T00:00:00.000Z"), "head-signature"),
    "key": (lambda head: replace(head, key_id="0" * 16), "head-key"),
    "ledger": (lambda head: replace(head, ledger="job-2"), "head-ledger"),
    "signature": (lambda head: replace(head, signature=head.signature[:-2]), "head-signature"),
    "surrogate": (lambda head: replace(head, at="\udead"), "head-signature"),
}


@pytest.mark.parametrize("trick", HEAD_TRICKS)
def test_an_altered_head_is_at_fault_itself_when_a_later_one_holds(trick: str) -> None:
    """Entries proven by a later head are not blamed for an earlier head."""
    payloads, heads = honest()
    alter, rule = HEAD_TRICKS[trick]
    altered = [alter(head) if head.size == 5 else head for head in heads]

    assert found(check(payloads, altered)) == [(4, rule)]


@pytest.mark.parametrize("trick", HEAD_TRICKS)
def test_the_newest_head_altered_leaves_its_entry_in_doubt(trick: str) -> None:
    """What only the newest head covered is not proven once that head is bad."""
    payloads, heads = honest()
    alter, rule = HEAD_TRICKS[trick]

    assert found(check(payloads, [*heads[:-1], alter(heads[-1])])) == [(SIZE - 1, rule)]


def test_a_foreign_certificate_fails_every_head_and_says_so_once() -> None:
    """The wrong certificate is one fault with a count, not twelve."""
    payloads, heads = honest()

    faults = check_entries(ledger=LEDGER, payloads=payloads, heads=heads, certificate_pem=new_signer().certificate_pem)

    assert found(faults) == [(0, "head-key")]
    assert "11 more heads" in faults[0].sentence


def test_an_unreadable_certificate_is_a_fault_and_no_error() -> None:
    """The check raises nothing, whatever it is given."""
    payloads, heads = honest()

    assert found(check_entries(ledger=LEDGER, payloads=payloads, heads=heads, certificate_pem="x")) == [
        (0, "certificate")
    ]


def test_entries_beyond_the_newest_head_are_not_covered() -> None:
    """Unsigned entries at the end are told, with where they begin."""
    payloads, heads = honest()

    assert found(check(payloads, heads[:9])) == [(9, "head-cover")]
    assert found(check(payloads, [])) == [(0, "head-cover")]


def test_heads_out_of_order_are_found() -> None:
    """Sizes must rise: neither swapped nor repeated."""
    payloads, heads = honest()

    assert found(check(payloads, [*heads[:3], heads[4], heads[3], *heads[5:]])) == [(3, "head-order")]
    assert found(check(payloads, [*heads, heads[-1]])) == [(SIZE - 1, "head-order")]


@pytest.mark.parametrize(
    ("payload", "rule"),
    [
        (b"[]", "canonical"),
        (b"", "canonical"),
        (b"\xff", "canonical"),
        (b'{"seq":0,"ledger":"job-1"}', "canonical"),
        (canonical({"seq": 0}), "ledger"),
        (canonical({"ledger": "job-1"}), "seq"),
        (canonical({"ledger": "job-1", "seq": False}), "seq"),
        (canonical({"ledger": "job-1", "seq": "0"}), "seq"),
        (canonical({"ledger": "job-1", "seq": 1}), "seq"),
        (canonical({"ledger": ["job-1"], "seq": 0}), "ledger"),
    ],
)
def test_a_signed_entry_must_still_be_well_formed(payload: bytes, rule: str) -> None:
    """A true signature does not excuse an entry that says the wrong thing about itself."""
    faults = check([payload], [signed_head(signer(), ledger=LEDGER, payloads=[payload])])

    assert found(faults) == [(0, rule)]


@pytest.mark.parametrize(
    "text", ["", "abc", "5:", ":" + "a" * 20, "x:" + "a" * 20, "-1:" + "a" * 20, "5:5:" + "a" * 20]
)
def test_a_noted_head_that_cannot_be_read_is_a_fault(text: str) -> None:
    """A slip in copying is told, not passed over."""
    payloads, heads = honest()

    assert found(check(payloads, heads, text)) == [(0, "known-text")]


def test_a_noted_head_of_another_size_is_found() -> None:
    """The right root at the wrong size is not a state of this record."""
    payloads, heads = honest()

    assert found(check(payloads, heads, f"6:{heads[4].root.hex()}", f"3:{heads[2].root.hex()}")) == [(3, "known-root")]


def test_every_fault_reads_as_one_sentence() -> None:
    """People read what is wrong, from where, what was expected and what was found."""
    payloads, heads = honest()

    fault = check([*payloads[:2], payloads[3], *payloads[3:]], heads)[0]

    assert fault.sentence == "An entry is missing, added or moved, from entry 2 on: expected seq 2, got seq 3."
