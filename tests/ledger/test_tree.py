"""The tree against RFC 9162: its published shapes, known roots, and laws over lists of every small size."""

from hashlib import sha256

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.calc.errors import OutOfRange
from app.ledger.tree import (
    EMPTY,
    consistency_proof,
    inclusion_proof,
    leaf_hash,
    node_hash,
    root,
    roots_at,
    verify_consistency,
    verify_inclusion,
)

# Roots over these payloads; the payloads are the customary ones of public tree tests, the roots are recomputed.
PAYLOADS = [
    bytes.fromhex(text)
    for text in (
        "",
        "00",
        "10",
        "2021",
        "3031",
        "40414243",
        "5051525354555657",
        "606162636465666768696a6b6c6d6e6f",
    )
]
ROOTS = [
    "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
    "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
    "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
    "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
    "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
]
LEAVES = [leaf_hash(payload) for payload in PAYLOADS]

sizes = st.integers(0, 70)


def leaves_of(size: int) -> list[bytes]:
    """Return that many distinct leaf hashes."""
    return [leaf_hash(number.to_bytes(2, "big")) for number in range(size)]


def named_nodes() -> dict[str, bytes]:
    """Return the nodes of the seven-leaf tree under the letters of RFC 9162, section 2.1.5."""
    a, b, c, d, e, f, j = LEAVES[:7]
    g, h, i = node_hash(a, b), node_hash(c, d), node_hash(e, f)
    k = node_hash(g, h)
    return {
        "a": a,
        "b": b,
        "c": c,
        "d": d,
        "e": e,
        "f": f,
        "g": g,
        "h": h,
        "i": i,
        "j": j,
        "k": k,
        "l": node_hash(i, j),
    }


def test_the_hash_is_the_published_one() -> None:
    """SHA-256 of "abc" is the value of its standard."""
    assert sha256(b"abc").hexdigest() == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


@pytest.mark.parametrize("size", range(9))
def test_roots_of_the_known_lists(size: int) -> None:
    """Reference, frontier and one-pass roots all give the known root."""
    frontier = EMPTY
    for leaf in LEAVES[:size]:
        frontier = frontier.append(leaf)

    assert root(LEAVES[:size]).hex() == ROOTS[size]
    assert frontier.root().hex() == ROOTS[size]
    assert roots_at(LEAVES, {size}) == {size: bytes.fromhex(ROOTS[size])}


@pytest.mark.parametrize(("index", "shape"), [(0, "bhl"), (3, "cgl"), (4, "fjk"), (6, "ik")])
def test_inclusion_proofs_have_the_published_shape(index: int, shape: str) -> None:
    """The audit paths of the RFC's seven-leaf tree are the RFC's."""
    nodes = named_nodes()

    assert inclusion_proof(LEAVES[:7], index) == tuple(nodes[letter] for letter in shape)


@pytest.mark.parametrize(("old_size", "shape"), [(3, "cdgl"), (4, "l"), (6, "ijk")])
def test_consistency_proofs_have_the_published_shape(old_size: int, shape: str) -> None:
    """The consistency proofs of the RFC's seven-leaf tree are the RFC's."""
    nodes = named_nodes()

    assert consistency_proof(LEAVES[:7], old_size) == tuple(nodes[letter] for letter in shape)


def test_a_leaf_cannot_pass_for_a_node() -> None:
    """A payload made of two hashes does not hash to the node over them."""
    left, right = LEAVES[:2]

    assert leaf_hash(left + right) != node_hash(left, right)
    assert leaf_hash(b"\x01" + left + right) != node_hash(left, right)


@given(sizes)
def test_growing_gives_the_same_roots_as_the_reference(size: int) -> None:
    """Whatever the size, the frontier keeps the reference's root and one peak for each bit."""
    leaves = leaves_of(size)
    frontier = EMPTY
    for leaf in leaves:
        frontier = frontier.append(leaf)

    assert frontier.root() == root(leaves)
    assert (frontier.size, len(frontier.peaks)) == (size, size.bit_count())
    assert roots_at(leaves, range(size + 5)) == {past: root(leaves[:past]) for past in range(size + 1)}


def test_appending_leaves_the_older_frontier_alone() -> None:
    """A frontier is a value: growth makes a new one."""
    before = EMPTY.append(LEAVES[0])

    before.append(LEAVES[1])

    assert before.root() == LEAVES[0]


@given(st.data())
def test_every_entry_is_proven_and_no_other(data: st.DataObject) -> None:
    """A proof holds for its own entry, place, size and root, and for nothing beside them."""
    size = data.draw(st.integers(1, 70))
    index = data.draw(st.integers(0, size - 1))
    leaves, other = leaves_of(size), leaf_hash(b"other")
    top, proof = root(leaves), inclusion_proof(leaves, index)
    flipped = data.draw(st.integers(0, max(len(proof) - 1, 0)))

    assert verify_inclusion(leaf=leaves[index], index=index, size=size, proof=proof, root=top)
    assert not verify_inclusion(leaf=other, index=index, size=size, proof=proof, root=top)
    assert not verify_inclusion(leaf=leaves[index], index=index, size=size, proof=proof, root=other)
    assert not verify_inclusion(leaf=leaves[index], index=size, size=size, proof=proof, root=top)
    assert not verify_inclusion(leaf=leaves[index], index=-1, size=size, proof=proof, root=top)
    assert not verify_inclusion(leaf=leaves[index], index=index, size=size, proof=(*proof, other), root=top)
    if proof:
        wrong = (*proof[:flipped], other, *proof[flipped + 1 :])
        assert not verify_inclusion(leaf=leaves[index], index=index, size=size, proof=wrong, root=top)
        assert not verify_inclusion(leaf=leaves[index], index=index, size=size, proof=proof[:-1], root=top)
        assert not verify_inclusion(leaf=leaves[index], index=index ^ 1, size=size, proof=proof, root=top)
    if len(proof) > 1:
        assert not verify_inclusion(leaf=leaves[index], index=index, size=size, proof=proof[::-1], root=top)


@given(st.data())
def test_every_past_is_proven_and_no_other(data: st.DataObject) -> None:
    """A consistency proof holds for the true past, and for no changed root, size or path."""
    size = data.draw(st.integers(1, 70))
    old = data.draw(st.integers(0, size))
    leaves, other = leaves_of(size), leaf_hash(b"other")
    top, past, proof = root(leaves), root(leaves[:old]), consistency_proof(leaves, old)

    assert verify_consistency(old_size=old, old_root=past, new_size=size, new_root=top, proof=proof)
    assert not verify_consistency(old_size=old, old_root=other, new_size=size, new_root=top, proof=proof)
    assert not verify_consistency(old_size=old, old_root=past, new_size=size, new_root=top, proof=(*proof, other))
    assert not verify_consistency(old_size=size + 1, old_root=past, new_size=size, new_root=top, proof=proof)
    assert not verify_consistency(old_size=-1, old_root=past, new_size=size, new_root=top, proof=())
    if old:
        assert not verify_consistency(old_size=old, old_root=past, new_size=size, new_root=other, proof=proof)
    for place in range(len(proof)):
        wrong = (*proof[:place], other, *proof[place + 1 :])
        assert not verify_consistency(old_size=old, old_root=past, new_size=size, new_root=top, proof=wrong)
    if proof:
        assert not verify_consistency(old_size=old, old_root=past, new_size=size, new_root=top, proof=proof[:-1])


def test_a_proof_too_short_for_the_size_proves_nothing() -> None:
    """Equal hashes are not enough: a root given out as a leaf, or as its own past, is refused by the proof's length."""
    top = root(LEAVES)

    assert not verify_inclusion(leaf=top, index=0, size=8, proof=(), root=top)
    assert not verify_consistency(old_size=4, old_root=top, new_size=8, new_root=top, proof=())
    assert not verify_consistency(old_size=8, old_root=top, new_size=9, new_root=top, proof=())


def test_asking_for_what_never_was_is_refused() -> None:
    """There is no proof of an entry or a state that the list never had."""
    with pytest.raises(OutOfRange):
        inclusion_proof(LEAVES, 8)
    with pytest.raises(OutOfRange):
        inclusion_proof(LEAVES, -1)
    with pytest.raises(OutOfRange):
        consistency_proof(LEAVES, 9)
    with pytest.raises(OutOfRange):
        consistency_proof([], -1)
