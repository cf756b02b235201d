"""The checker of the soak notices what it is there for; each fault is put into a history that it finds good."""

from dataclasses import replace
from itertools import count
from pathlib import Path

import pytest

from tests.builders import Bench, opened
from tests.soaking.history import FORM, KEPT, MARK, STOP, Entry, History, Outcome, wrong_in

TABLETS = ("tablet 1", "tablet 2")


@pytest.fixture
def site(tmp_path: Path) -> tuple[History, list[Entry]]:
    """A job of two tablets, some marks each, all of them acknowledged."""
    history, tokens = History(tmp_path / "history.jsonl"), count(1)
    bench = opened("EF-07")
    entries = [Entry.of(event) for event in bench.events]
    while len(history.deeds) < 24:
        _turn(bench, history, entries, tokens)
    assert wrong_in(tuple(history.deeds.values()), entries) == []
    return history, entries


def _turn(bench: Bench, history: History, entries: list[Entry], tokens: "count[int]") -> None:
    for command, by in bench.due_commands():
        token, tablet = f"{next(tokens):032}", TABLETS[by.name.startswith("T")]
        fresh = bench.do(command, by)
        marks = any(event.type in {"step_begun", "step_done"} for event in fresh)
        history.asked(tablet, bench.ledger, token, MARK if marks else FORM)
        entries += [Entry.of(event.model_copy(update={"request": token})) for event in fresh]
        history.told(token, Outcome.OK, held=marks)


def complaints(history: History, entries: list[Entry]) -> list[str]:
    """Hold the one against the other."""
    return wrong_in(tuple(history.deeds.values()), entries)


def of_tablet(entries: list[Entry], history: History, tablet: str) -> list[int]:
    """Return where the marks of a tablet stand."""
    return [place for place, item in enumerate(entries) if item.token and history.deeds[item.token].tablet == tablet]


def test_an_acknowledged_mark_that_is_not_there(site: tuple[History, list[Entry]]) -> None:
    """One entry removed."""
    history, entries = site
    gone = entries.pop(of_tablet(entries, history, TABLETS[0])[3])

    (told,) = complaints(history, entries)

    assert gone.token in told
    assert "acknowledged and is not there" in told


def test_a_mark_that_stands_twice(site: tuple[History, list[Entry]]) -> None:
    """At once behind itself, and at the end."""
    history, entries = site
    place = of_tablet(entries, history, TABLETS[0])[5]
    again = replace(entries[place], seq=entries[-1].seq + 1)
    beside = [*entries[: place + 1], *(replace(item, seq=item.seq + 1) for item in entries[place:])]

    for doubled in ([*entries, again], beside):
        assert any("stands more than once" in told for told in complaints(history, doubled))


def test_two_marks_of_one_tablet_that_changed_places(site: tuple[History, list[Entry]]) -> None:
    """Of one tablet it is noticed; of two, nobody promised an order between them."""
    history, entries = site
    one, other = of_tablet(entries, history, TABLETS[0])[4:6]
    entries[one], entries[other] = (
        replace(entries[other], seq=entries[one].seq), replace(entries[one], seq=entries[other].seq),
    )  # fmt: skip

    assert any("before one that was made earlier" in told for told in complaints(history, entries))


def test_an_acknowledged_mark_that_became_nothing_but_a_refusal(site: tuple[History, list[Entry]]) -> None:
    """Its token stands, the mark does not."""
    history, entries = site
    marks = [place for place in of_tablet(entries, history, TABLETS[0]) if entries[place].type == "step_done"]
    entries[marks[2]] = replace(entries[marks[2]], type="attempt_refused")

    assert any("told of by 0 entries" in told for told in complaints(history, entries))


def test_an_entry_that_nobody_asked_for(site: tuple[History, list[Entry]]) -> None:
    """The history lost a line, or somebody made one up."""
    history, entries = site
    entries.append(replace(entries[-1], seq=entries[-1].seq + 1, token="x" * 32))

    assert [told for told in complaints(history, entries) if "by no tablet" in told]


def test_a_refused_mark_that_stands(site: tuple[History, list[Entry]]) -> None:
    """Contested it may be told of, taken it may not be."""
    history, entries = site
    place = of_tablet(entries, history, TABLETS[0])[-1]
    history.told(entries[place].token, Outcome.REFUSED)

    assert [told for told in complaints(history, entries) if "was refused and stands as" in told]
    entries[place] = replace(entries[place], type="mark_contested")
    assert complaints(history, entries) == []


def test_unknown_is_neither_taken_nor_refused(site: tuple[History, list[Entry]]) -> None:
    """No answer: standing once and not standing are both good, standing twice is not."""
    history, entries = site
    last = entries[of_tablet(entries, history, TABLETS[0])[-1]]
    history.deeds[last.token] = replace(history.deeds[last.token], outcome=Outcome.UNKNOWN)

    assert complaints(history, entries) == []
    assert complaints(history, [item for item in entries if item != last]) == []
    assert complaints(history, [*entries, replace(last, seq=entries[-1].seq + 1)])


def test_no_answer_takes_back_no_answer(site: tuple[History, list[Entry]]) -> None:
    """A mark that was acknowledged and is sent again without an answer was acknowledged all the same."""
    history, entries = site
    token = entries[-1].token
    history.told(token, Outcome.UNKNOWN)

    assert history.deeds[token].outcome is Outcome.OK


def test_a_form_refused_when_sent_again_may_have_arrived_before(tmp_path: Path) -> None:
    """It may stand or not; a kept mark is known by its token before anything else, so its refusal is one."""
    history = History(tmp_path / "history.jsonl")
    for token, kind in (("f" * 32, FORM), ("k" * 32, KEPT), ("s" * 32, STOP)):
        history.asked(TABLETS[0], "job-1", token, kind)
        history.told(token, Outcome.UNKNOWN)
        history.told(token, Outcome.REFUSED)

    assert [deed.outcome for deed in history.deeds.values()] == [Outcome.UNKNOWN, Outcome.REFUSED, Outcome.REFUSED]


def test_what_a_restore_took_is_owed_by_the_tablet_that_holds_it(site: tuple[History, list[Entry]]) -> None:
    """Held marks come back; what no tablet holds is lost with the backup, and that is lawful."""
    history, entries = site
    kept = entries[: len(entries) // 2]
    owed = history.restored({item.token for item in kept})

    told = complaints(history, kept)

    assert owed > 0
    assert len([item for item in told if "never given back" in item]) == owed == len(told)
    for item in entries[len(kept) :]:
        if history.deeds[item.token].owed:
            history.told(item.token, Outcome.OK, held=True)
    assert complaints(history, entries) == []


def test_only_what_may_change_nothing_may_leave_no_entry(tmp_path: Path) -> None:
    """A second stop is answered and changes nothing; a form that was answered well has an entry."""
    history = History(tmp_path / "history.jsonl")
    history.asked(TABLETS[0], "job-1", "s" * 32, STOP)
    history.told("s" * 32, Outcome.OK)
    assert complaints(history, []) == []

    history.asked(TABLETS[0], "job-1", "f" * 32, FORM)
    history.told("f" * 32, Outcome.OK)

    assert len(complaints(history, [])) == 1
