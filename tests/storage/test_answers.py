"""Answers lost after the commit and a server killed: what `python -m tests.faults` tries by the hundred, in small."""

from collections.abc import Iterator

import pytest

from tests.faulting import answers
from tests.faulting.answers import SEEDED, Shelf, notice, play_case

CASES = 6


@pytest.fixture(scope="module")
def shelf() -> Iterator[Shelf]:
    """One prepared site."""
    with Shelf.laid() as laid:
        yield laid


def test_a_mark_whose_answer_got_lost_stands_once_after_a_kill(shelf: Shelf) -> None:
    """Sent again by both tablets, with clocks that are wrong by years, after kills in between."""
    cases = [play_case(shelf, 1, number) for number in range(CASES)]

    assert [case.wrong for case in cases] == [[]] * CASES
    assert min(case.kills for case in cases) >= 2
    assert sum(case.unknown for case in cases) > CASES


@pytest.mark.parametrize("place", range(len(SEEDED)), ids=[fault.name for fault in SEEDED])
def test_a_seeded_fault_is_noticed(place: int) -> None:
    """In a case that is good without it."""
    assert notice(place).sentence


def test_what_is_said_of_a_sound_program_as_well_is_no_notice(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same case without the fault is the control."""
    monkeypatch.setattr(answers, "broken_laws", lambda _: ["the law complains of everything"])

    assert notice(0).sentence == ""
