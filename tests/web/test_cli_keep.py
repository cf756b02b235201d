"""Backup, restore and certificates from the command line: what is printed, and one plain sentence where it ends."""

from pathlib import Path

import pytest

from app.bootstrap import start
from app.cli import main
from app.domain.procedure import Role
from app.settings import Settings
from app.storage import reached
from app.storage.durable import DATABASE
from app.storage.reached import Reached


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """A site without people."""
    start(Settings(data=tmp_path / "site")).close()
    return tmp_path / "site"


def run(capsys: pytest.CaptureFixture[str], *argv: str | Path) -> tuple[int, str, str]:
    """Run one command; return status, output and complaint."""
    status = main([str(word) for word in argv])
    told = capsys.readouterr()
    return status, told.out, told.err


def test_a_backup_says_that_it_is_good_and_has_no_keys(
    data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Made while the folder is in use; the output names what is missing and what that means."""
    running = start(Settings(data=data))
    status, out, err = run(capsys, "backup", "--data", data, tmp_path / "copy")
    running.close()

    assert (status, err) == (0, "")
    assert "good" in out
    assert "private keys are NOT in it" in out
    assert "--with-keys" in out
    status, out, _ = run(capsys, "backup", "--data", data, tmp_path / "keys", "--with-keys")
    assert status == 0
    assert "private keys ARE in it" in out


def test_a_restore_names_what_is_lost(data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The time after which entries are missing, their number, where the old folder went, and who is signed out."""
    run(capsys, "backup", "--data", data, tmp_path / "copy")
    running = start(Settings(data=data))
    running.people.add("Late Joiner", Role.LEAD, by=None, identity="known to us", secret="a secret of fifteen")
    running.close()

    status, out, err = run(capsys, "restore", tmp_path / "copy", "--data", data, "--replace")

    assert (status, err) == (0, "")
    assert "LOST: entries after 20" in out
    assert "has 1 more entries" in out
    assert "site.before-" in out
    assert "Everybody is signed out" in out
    running = start(Settings(data=data))
    notices = running.site.notices
    running.close()
    assert any("went on from a backup of" in notice for notice in notices)


def test_a_restore_without_the_key_says_what_to_do(
    data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The record is there and cannot go on; both ways out are named, and the server's refusal is one sentence."""
    run(capsys, "backup", "--data", data, tmp_path / "copy")

    status, out, _ = run(capsys, "restore", tmp_path / "copy", "--data", tmp_path / "new")

    assert status == 0
    assert "The site key is not here" in out
    assert "--keys" in out
    status, _, err = run(capsys, "serve", "--data", tmp_path / "new")
    assert (status, err.count("\n")) == (2, 1)
    assert "site.key" in err


def test_certificates_are_made_and_renewed(
    data: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Both commands print expiry dates and fingerprints; a second authority is not made by mistake."""
    monkeypatch.setattr(reached, "this_machine", lambda: Reached(("localhost",), ("127.0.0.1",)))

    status, out, _ = run(capsys, "tls", "init", "--data", data, "--name", "Roof-PC", "--address", "192.168.1.20")

    assert status == 0
    assert "for localhost, roof-pc, 127.0.0.1, 192.168.1.20" in out
    assert out.count("until 20") == out.count("SHA-256 fingerprint") == 2
    status, renewed, _ = run(capsys, "tls", "renew", "--data", data)
    assert status == 0
    assert renewed.splitlines()[1] == out.splitlines()[1]
    assert renewed.splitlines()[3] != out.splitlines()[3]
    assert run(capsys, "tls", "init", "--data", data)[0] == 2


@pytest.mark.parametrize(
    "argv",
    [
        ["backup", "{new}", "--data", "{none}"],
        ["backup", "{data}", "--data", "{data}"],
        ["backup", "{data}/inside", "--data", "{data}"],
        ["restore", "{none}", "--data", "{new}"],
        ["restore", "{data}", "--data", "{new}"],
        ["tls", "renew", "--data", "{data}"],
        ["tls", "init", "--data", "{data}", "--name", "not a name"],
        ["tls", "init", "--data", "{data}", "--address", "1.2.3"],
        ["serve", "--tls", "--data", "{data}"],
        ["serve", "--tls", "--data", "{data}", "--http-port", "70000"],
        ["serve", "--http-port", "8000", "--data", "{data}"],
        ["serve", "--port", "0", "--data", "{data}"],
    ],
)
def test_what_cannot_be_done_ends_with_2_and_one_sentence(
    data: Path, tmp_path: Path, argv: list[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """No traceback: one line on standard error that ends with a full stop, and no file is made or lost."""
    monkeypatch.setattr(reached, "this_machine", lambda: Reached(("localhost",), ("127.0.0.1",)))
    before = (data / DATABASE).read_bytes()

    status, _, err = run(
        capsys, *(word.format(data=data, new=tmp_path / "new", none=tmp_path / "none") for word in argv)
    )

    assert status == 2
    assert len(err.strip().splitlines()) == 1
    assert err.strip().endswith(".")
    assert not (tmp_path / "new").exists()
    if argv[0] != "serve":
        assert (data / DATABASE).read_bytes() == before
