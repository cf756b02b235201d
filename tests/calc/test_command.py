"""The command: exit 0, 1 and 2, JSON, lists, and one sentence on the error side."""

import json

import pytest

from app.calc.command import run_command
from app.calc.registry import names

LEAK = ["leak_test", "upstream=25", "downstream=.0135", "background=.0010"]


def call(*argv: str) -> tuple[int, list[str], list[str]]:
    """Run the command; give status, lines out and lines of error."""
    out: list[str] = []
    err: list[str] = []
    return run_command(list(argv), out.append, err.append), out, err


def test_good_result_is_0() -> None:
    """A result without a limit prints its keys, method and source, and exits 0."""
    status, out, err = call(*LEAK)

    assert (status, err) == (0, [])
    assert "penetration_pct = 0.05" in out
    assert "passed = none" in out
    assert any(line.startswith("source: ") for line in out)


@pytest.mark.parametrize(("operator", "status", "word"), [("<", 1, "NOT MET"), ("<=", 0, "met"), ("le", 0, "met")])
def test_limit_decides_the_status(operator: str, status: int, word: str) -> None:
    """A limit that is not met exits 1 and says so; met it exits 0."""
    found, out, err = call(*LEAK, "limit_pct=0.05", f"limit_op={operator}")

    assert (found, err) == (status, [])
    assert f"limit: {word}" in out


def test_json_has_the_promised_members() -> None:
    """--json gives result, inputs as typed, method and source, in one line; its place does not matter."""
    status, out, _ = call("--json", *LEAK, "limit_pct=0.05")

    told = json.loads(out[0])
    assert status == 1
    assert len(out) == 1
    assert set(told) == {"result", "inputs", "method", "source"}
    assert told["result"]["penetration_pct"] == 0.05
    assert told["result"]["passed"] is False
    assert told["inputs"]["downstream"] == ".0135"
    assert told["method"] == "leak_test/1"


def test_json_tells_notes_where_there_are_any() -> None:
    """A result under the floor adds the words to record."""
    _, out, _ = call("leak_test", "upstream=25", "downstream=0", "background=0", "floor_fraction=1e-5", "--json")

    assert "< 0.001 %" in json.loads(out[0])["notes"][0]


def test_none_and_lists_print_plainly() -> None:
    """A missing date prints as none, positions with commas."""
    _, trend, _ = call("dp_trend", "days=0,30", "dp_pa=92,98", "limit_pa=200")
    _, points, _ = call("traverse_points", "method=equal-area-rectangle", "points=2")

    assert "due_day = none" in trend
    assert "positions = 0.25, 0.75" in points


def test_list_names_everything() -> None:
    """--list has every name with its keys, sisters, result keys and source; with --json the same as data."""
    status, out, _ = call("--list")
    _, data, _ = call("--list", "--json")

    text = "\n".join(out)
    assert status == 0
    assert all(f"{name}: " in text for name in names())
    assert "volume_ft3" in text
    assert [entry["name"] for entry in json.loads(data[0])] == list(names())


def test_help_is_good() -> None:
    """--help prints the usage and exits 0."""
    assert call("--help")[0] == 0


@pytest.mark.parametrize(
    ("argv", "sentence"),
    [
        ([], "No calculation was named"),
        (["nothing"], "There is no calculation 'nothing'"),
        (["--list", "nothing"], "There is no calculation 'nothing'"),
        ([*LEAK, "--xml"], "Option '--xml'"),
        ([*LEAK, "limit"], "'limit' is not a key=value pair"),
        ([*LEAK, "=3"], "'=3' is not a key=value pair"),
        ([*LEAK, "upstream=26"], "upstream was given twice"),
        (["leak_test"], "still needs upstream"),
        (["leak_test", "upstream=0", "downstream=0", "background=0"], "Upstream reading 0"),
        (["leak_test", "upstream=25", "downstream=1e400", "background=0"], "cannot be read as a number"),
        (["air_density", "temp_c=nan", "pressure_pa=101325", "rh_pct=50"], "cannot be read as a number"),
    ],
)
def test_what_cannot_be_carried_out_is_2(argv: list[str], sentence: str) -> None:
    """One sentence goes to the error side, nothing to the other, and the status is 2."""
    status, out, err = call(*argv)

    assert (status, out, len(err)) == (2, [], 1)
    assert sentence in err[0]
    assert "\n" not in err[0]
