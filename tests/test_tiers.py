"""The tiers of `python -m tests.faults`: what they hold, and that a part which misses a seeded fault fails the run."""

import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from tests import __main__ as recipe
from tests import faults
from tests.faulting.told import Notice, Told, ranges, read_notice, shared_out

TRACED = ["kill", "error", "power"]
UNTRACED = ["answers", "tampering", "orders", "schedules", "model"]


def test_each_tier_holds_its_parts_in_order() -> None:
    """A is all that needs no root and no database server; B adds the namespaces, C the engines."""
    assert {tier: list(parts) for tier, parts in faults.TIERS.items()} == {
        "A": [*TRACED, *UNTRACED],
        "B": [*TRACED, *UNTRACED, "spaces"],
        "C": ["orders", "schedules", "engines", "spaces"],
    }
    assert list(faults.SHORT) == list(faults.TIERS["A"])


def test_the_recipe_runs_all_of_tier_a() -> None:
    """Nothing is left out of it on the way to CI."""
    assert [command for group in recipe.STEPS for _, command, _ in group if "tests.faults" in command] == [
        [sys.executable, "-m", "tests.faults", "A"]
    ]


def told(*notices: Notice, wrong: str = "", skipped: str = "", failed: bool = False) -> Callable[[faults.Ground], Told]:
    """Return a part that tells this."""
    return lambda _: Told(
        "part", wrong=[wrong] if wrong else [], notices=list(notices), skipped=skipped, failed=failed, cases="3 cases"
    )


SEEN, MISSED = Notice("one", "it was seen"), Notice("other", "")


@pytest.mark.parametrize(
    ("part", "status", "line"),
    [
        (told(SEEN), 0, "part: good, 3 cases, 0 s; worst: none; seeded faults noticed 1 of 1"),
        (told(SEEN, MISSED), 1, "part: WRONG, 3 cases, 0 s; worst: none; seeded faults noticed 1 of 2"),
        (told(SEEN, wrong="a mark is lost"), 1, "  WRONG a mark is lost"),
        (told(skipped="no root"), 0, "part: skipped, no root"),
        (told(skipped="no strace", failed=True), 1, "part: FAILED, no strace"),
    ],
    ids=["good", "one of two missed", "wrong", "skipped", "not to be skipped"],
)
def test_a_run_is_good_only_if_all_is_well_and_every_seeded_fault_was_noticed(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    part: Callable[[faults.Ground], Told],
    status: int,
    line: str,
) -> None:
    """One part that notices fewer than all of its seeded faults makes the status 1, whatever the others say."""
    monkeypatch.setattr("sys.argv", ["faults", "A"])
    monkeypatch.setattr(faults, "TIERS", {"A": {"part": part, "good": told(SEEN)}})

    assert faults.main() == status
    assert line in capsys.readouterr().out.splitlines()


def test_a_part_that_is_in_no_tier_is_refused(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A misspelt part runs nothing and is not taken for good."""
    monkeypatch.setattr("sys.argv", ["faults", "A", "--only", "spaces"])

    with pytest.raises(SystemExit):
        faults.main()
    assert "there is no part 'spaces' here; the parts are kill, error" in capsys.readouterr().err


@pytest.mark.parametrize("notice", [SEEN, MISSED])
def test_what_another_command_says_of_a_seeded_fault_is_read(notice: Notice) -> None:
    """Its line is read as it was written; any other line is none."""
    assert read_notice(notice.line) == notice
    assert read_notice("3 histories, 0 unequal") is None


def test_a_command_of_its_own_fails_its_part(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The status of a command that runs by itself counts, and so does what it lacks."""
    part = faults.by_hand("no_such_part", lambda: "", cases="3 cases")
    lacking = faults.by_hand("spaces", lambda: "it needs root", cases="3 cases")

    assert "ended with status 1" in part(faults.Ground(tmp_path)).wrong[0]
    monkeypatch.setenv("CHANGEOUT_MUST_RUN", "1")
    assert (lacking(faults.Ground(tmp_path)).skipped, lacking(faults.Ground(tmp_path)).good) == ("it needs root", True)


def refuse(number: int) -> int:
    """Raise what cannot be sent to another process as it is."""
    raise _AwkwardError(number, "two parts")


class _AwkwardError(Exception):
    def __init__(self, first: int, second: str) -> None:
        super().__init__(f"{first} {second}")


def test_work_that_is_shared_out_keeps_its_order_and_tells_what_broke() -> None:
    """Answers come in the order of the items; an exception comes as words."""
    assert shared_out(abs, [-3, 2, -1]) == [3, 2, 1]
    assert ranges(5, 2) == [range(2), range(2, 4), range(4, 5)]
    with pytest.raises(RuntimeError, match="two parts"):
        shared_out(refuse, [1])
