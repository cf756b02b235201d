"""The command line: exit status 0, 1 or 2, and one plain sentence where it cannot go on."""

import json
from pathlib import Path

import pytest

from app.cli import main
from tests.builders import SEED, procedure_text

EF03 = str(SEED / "housings" / "EF-03.toml")


def test_takeoff_as_json_has_the_agreed_keys(capsys: pytest.CaptureFixture[str]) -> None:
    """Per port and in total: bags, cuts, ties, bands, edges, packages; filters by type; grease; tools; spares."""
    assert main(["takeoff", EF03, "--json"]) == 0

    found = json.loads(capsys.readouterr().out)
    keys = {"new_bags", "cuts", "tie_straps", "metal_bands", "edges_to_tape", "spent_packages", "filterless_packages"}
    assert set(found["total"]) == keys == set(found["per_port"]["P1"])
    assert found["total"]["new_bags"] == 3
    assert found["filters"] == {"24x24x11.5 gasket": 2}
    assert found["grease"] is True


def test_check_procedure_ends_with_1_on_a_breach_and_names_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A procedure that leaves a package behind prints step, rule and sentence."""
    bad = tmp_path / "bad.toml"
    bad.write_text(procedure_text().replace('effects = ["account_package"]\n', ""), "utf-8")

    assert main(["check-procedure", str(bad), "--housing", EF03]) == 1
    assert "R10" in capsys.readouterr().out
    assert main(["check-procedure", str(SEED / "procedures" / "change-out.toml"), "--housing", EF03]) == 0


def test_a_rehearsal_is_verified_and_an_altered_one_is_not(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Folder, JSON and PDF of a rehearsal verify; with one word of an entry changed they do not."""
    folder = tmp_path / "record"
    assert main(["rehearse", EF03, "--out", str(folder)]) == 0

    assert [main(["verify", str(folder / name)]) for name in ("", "record.json", "record.pdf")] == [0, 0, 0]
    data = (folder / "record.json").read_bytes()
    (folder / "record.json").write_bytes(
        data.replace(b"tablet", b"tabbet").replace(b"Rehearsal hands", b"Rehearsal handy", 1)
    )
    assert main(["verify", str(folder)]) == 1
    assert "BAD" in capsys.readouterr().out


@pytest.mark.parametrize(
    "argv",
    [
        ["takeoff", "no-such-file.toml"],
        ["takeoff", EF03, "--depth", "P1=x"],
        ["takeoff", EF03, "--depth", "P7=1"],
        ["takeoff", EF03, "--procedure", "no-such"],
        ["verify", "no-such-record"],
        ["export", "2026-0001", "--out", "x", "--data", "no-such-folder"],
        ["calc", "no_such_calculation"],
        ["check-procedure", EF03],
    ],
)
def test_what_cannot_be_done_ends_with_2_and_one_sentence(argv: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    """No traceback: one line on standard error that ends with a full stop."""
    assert main(argv) == 2

    told = capsys.readouterr().err.strip()
    assert len(told.splitlines()) == 1
    assert told.endswith(".")
