"""The order in which kept marks arrive decides nothing: what `python -m tests.faults` tries at length, in small."""

from itertools import permutations

import pytest

from tests.scheduling import orders
from tests.scheduling.orders import SEEDED, Seen, every_order, look_at_one, marks_made, notice


@pytest.mark.parametrize("size", [4, 0], ids=["all orders of four", "orders of longer sets"])
def test_marks_come_to_the_same_in_whatever_order(size: int) -> None:
    """None is lost in silence, and a lead who has all done again finds the same job."""
    seen = Seen()
    for number in range(4):
        look_at_one(1, number, size, seen)

    assert seen.wrong == []
    assert 0 < seen.contested < seen.orders


def test_every_order_is_every_order() -> None:
    """All of them, each once, and as many that keep each tablet's own as there are ways to lay one into the other."""
    made = marks_made("1/2", 4)
    found = [tuple(sent.mark.token for sent in arrived.order) for arrived in every_order(made)]

    assert sorted(found) == sorted(permutations(sent.mark.token for sent in made.sent))
    assert sum(arrived.as_sent for arrived in every_order(made)) in {4, 6}


@pytest.mark.parametrize("place", range(len(SEEDED)), ids=[fault.name for fault in SEEDED])
def test_a_seeded_fault_is_noticed(place: int) -> None:
    """In a set that is good without it."""
    assert notice(place).sentence


def test_what_is_said_of_a_sound_program_as_well_is_no_notice(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same set without the fault is the control."""
    monkeypatch.setattr(orders, "lost", lambda *_: ["the law complains of everything"])

    assert notice(0).sentence == ""
