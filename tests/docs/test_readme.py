"""What README.md and DEVELOPERS.md say that can be counted or run, held against the program."""

import re
from pathlib import Path

import pytest

from app.cli import main
from tests.domain.test_way_out import failed

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text("utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")
COUNTS = {"Ten": 10, "Eleven": 11, "Twelve": 12, "Thirteen": 13}


def test_the_rehearsal_and_its_verification_read_as_in_the_readme(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The lines of the README are those of the commands; only the key and the head are another each time."""
    told = README.split("$ changeout rehearse ", 1)[1].split("```", 1)[0]
    monkeypatch.chdir(ROOT)
    folder = str(tmp_path / "FOLDER")

    assert main(["rehearse", "seed_data/housings/EF-03.toml", "--out", folder]) == 0
    rehearsed = capsys.readouterr().out
    assert main(["verify", folder]) == 0
    verified = capsys.readouterr().out

    shown = told.replace("seed_data/housings/EF-03.toml --out FOLDER\n", "", 1).replace(
        "$ changeout verify FOLDER\n", ""
    )
    assert same_each_time(shown) == same_each_time(rehearsed.replace(folder, "FOLDER") + verified)


def same_each_time(text: str) -> str:
    """Return text without keys and heads."""
    return re.sub(r"\b[0-9a-f]{16,}\b", "HEX", text)


def test_the_commands_are_as_many_as_is_said_and_each_stands_in_the_table(capsys: pytest.CaptureFixture[str]) -> None:
    """A command that is added is counted and told."""
    with pytest.raises(SystemExit):
        main(["--help"])
    listed = re.findall(r"^ {4}([a-z-]+)(?: |$)", capsys.readouterr().out, re.MULTILINE)
    said = re.search(r"(\w+) commands, one sentence on error", DEVELOPERS)

    assert said is not None
    assert COUNTS[said[1]] == len(set(listed))
    assert [name for name in listed if f"`changeout {name}" not in README] == []


def test_the_re_seating_has_as_many_steps_as_is_said() -> None:
    """The README's number is the sample housing's."""
    way = failed("EF-03").state.way_out
    said = re.search(r"the re-seating: (\d+) steps at EF-03", README)

    assert said is not None
    assert way is not None
    assert int(said[1]) == len(way.steps)


def test_every_row_of_the_goals_is_driven_in_the_file_that_the_table_names() -> None:
    """A test of the row's number, or the test that the table names, stands in one of the files of its line."""
    table = DEVELOPERS.split("| rows | what they ask | tests |", 1)[1].split("\n\n", 1)[0]
    missing = []
    for line in table.splitlines()[2:]:
        rows, _, where = (cell.strip() for cell in line.strip("|").split("|"))
        files = re.findall(r"`([\w/]+\.py)`", where)
        text = "".join((ROOT / "tests" / name).read_text("utf-8") for name in files)
        named = re.findall(r"`(test_\w+)`", where)
        assert all(f"def {name}(" in text for name in named), line
        missing += [row for row in numbers(rows) if f"def test_row_{row}_" not in text and not named]
    assert missing == []


def numbers(rows: str) -> list[int]:
    """Return the numbers of "4 to 6, 10"."""
    found: list[int] = []
    for part in rows.split(","):
        first, _, last = part.strip().partition(" to ")
        found += range(int(first), int(last or first) + 1)
    return found
