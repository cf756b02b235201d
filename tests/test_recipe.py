"""The one recipe: what is run once more, and what comes of it."""

import sys
from pathlib import Path

import pytest

from tests import __main__ as recipe

ONCE = "import pathlib, sys; at = pathlib.Path(sys.argv[1]); seen = at.exists(); at.touch(); sys.exit(not seen)"


@pytest.mark.parametrize("alone", [True, False])
def test_what_failed_once_is_run_again_and_told_only_where_that_was_agreed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], *, alone: bool
) -> None:
    """A browser test that misses its time once lets the run go on, by name; any other step that fails has failed."""
    monkeypatch.setattr(recipe, "AGAIN", {"browser": []})

    good = {
        name: recipe.run((name, [sys.executable, "-c", ONCE, str(tmp_path / name)], True), alone=alone)
        for name in ("browser", "laws")
    }
    told = "".join(said for _, said in good.values()) + capfd.readouterr().out

    assert {name: held for name, (held, _) in good.items()} == {"browser": True, "laws": False}
    assert "--- browser, those that failed once more\n" in told
    assert "--- browser: good" in told
    assert "--- laws: FAILED" in told
