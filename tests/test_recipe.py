"""The one recipe: what is run once more, and what comes of it."""

import os
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from tests import __main__ as recipe

FLAKY = """
import pathlib

import pytest


@pytest.mark.parametrize("number", range({count}))
def test_misses_its_time_once(number):
    at = pathlib.Path({folder!r}) / f"{{number}}"
    seen = at.exists()
    at.touch()
    assert seen


def test_good():
    with (pathlib.Path({folder!r}) / "good").open("a") as ran:
        ran.write("x")
"""


def step(folder: Path, name: str, count: int, *more: str) -> recipe.Step:
    """Return a step of tests of which so many fail the first time they are run."""
    (folder / "seen").mkdir()
    test = folder / "test_flaky.py"
    test.write_text(FLAKY.format(folder=str(folder / "seen"), count=count), "utf-8")
    (folder / "pytest.ini").write_text("[pytest]\n", "utf-8")
    return name, [*recipe.TESTS, "-p", "no:xdist", "-c", str(folder / "pytest.ini"), str(test), *more], True


@pytest.mark.parametrize("alone", [True, False])
@pytest.mark.parametrize(
    ("name", "count", "good"),
    [
        ("browser tests", 1, True),
        ("browser tests", recipe.MOST_AGAIN, True),
        ("browser tests", recipe.MOST_AGAIN + 1, False),
        ("tests", 1, False),
    ],
)
def test_a_few_browser_tests_that_failed_are_run_again_and_told(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], name: str, count: int, *, alone: bool, good: bool
) -> None:
    """Only they, by name, and only where few failed; any other step that fails has failed."""
    found, said = recipe.run(step(tmp_path, name, count), alone=alone)
    told = said + capfd.readouterr().out

    assert found is good
    assert (f"--- {name}, those that failed once more\n" in told) is good
    assert f"--- {name}: {'good' if good else 'FAILED'}" in told
    assert (tmp_path / "seen" / "good").read_text("utf-8") == "x", "what was good is not run again"


def test_folders_are_made_in_memory_where_there_is_room(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Inside, both this process and those it begins make them there; afterwards all is as before, and gone."""
    ask = [sys.executable, "-c", "import tempfile; print(tempfile.gettempdir())"]
    monkeypatch.setattr(recipe, "ROOM_BYTES", 1)
    before = tempfile.gettempdir(), os.environ.get("TMPDIR")

    with recipe.folders_in_memory(tmp_path):
        here = Path(tempfile.gettempdir())
        there = subprocess.run(ask, capture_output=True, text=True, check=True).stdout.strip()
    monkeypatch.setattr(recipe, "ROOM_BYTES", 10**18)
    with recipe.folders_in_memory(tmp_path):
        without_room = tempfile.gettempdir()

    assert here.parent == tmp_path
    assert there == str(here)
    assert not here.exists()
    assert without_room == before[0]
    assert (tempfile.gettempdir(), os.environ.get("TMPDIR")) == before


def test_a_run_that_never_came_to_its_tests_is_not_run_again(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """A fault in the options, or in a file of tests, is no haste of a machine."""
    found, said = recipe.run(step(tmp_path, "browser tests", 1, "--no-such-option"), alone=True)

    assert found is False
    assert "once more" not in said + capfd.readouterr().out


def test_the_step_that_is_run_again_is_one_of_the_recipe() -> None:
    """Its name is spelt as there."""
    assert {step[0] for group in recipe.STEPS for step in group} >= recipe.AGAIN
