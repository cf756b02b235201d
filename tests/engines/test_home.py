"""A folder's record is in one place: neither a lost nor a stray DATABASE_URL begins a second one beside it."""

import shutil
from pathlib import Path

import pytest

from app.bootstrap import start
from app.calc.errors import ChangeoutError
from app.cli import main
from app.services.issuing import approve
from app.services.planning import find_procedure
from app.settings import Settings, database_of
from app.storage.durable import DATABASE
from app.storage.home import note_elsewhere
from tests.builders import OFFICER, procedure_text
from tests.engines.server import PostgresServer, name_in
from tests.storage.small_site import JOB, make_site


@pytest.fixture(scope="session")
def one_site(postgres: PostgresServer, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """Make one small site on the server; tests copy it and leave it as it is."""
    folder, address = tmp_path_factory.mktemp("served") / "site", postgres.fresh()
    make_site(folder, address)
    return folder, address


@pytest.fixture
def site(one_site: tuple[Path, str], postgres: PostgresServer, tmp_path: Path) -> tuple[Path, str]:
    """Copy the small site: its folder, and its database."""
    shutil.copytree(one_site[0], tmp_path / "site")
    return tmp_path / "site", postgres.copy_of(one_site[1])


def test_the_address_is_read_from_the_environment() -> None:
    """DATABASE_URL counts where it says something, and a password in it is not shown with the settings."""
    found = [database_of(given) for given in ({}, {"DATABASE_URL": " "}, {"DATABASE_URL": "a://b:c@d/e"})]

    assert found == [None, None, "a://b:c@d/e"]
    assert "b:c" not in repr(Settings(database=found[2]))


def test_a_folder_with_its_own_record_is_not_started_on_a_server(
    tmp_path: Path, site_folder: Path, postgres: PostgresServer
) -> None:
    """A stray address leaves the folder and the database as they were, and without it the site goes on."""
    data, address = tmp_path / "own", postgres.fresh()
    shutil.copytree(site_folder, data)

    with pytest.raises(ChangeoutError, match="in SQLite"):
        start(Settings(data=data, database=address))

    assert postgres.sql("SELECT count(*) FROM pg_tables WHERE schemaname = 'public'", database=name_in(address)) == [
        (0,)
    ]
    start(Settings(data=data)).close()


def test_a_folder_whose_record_is_on_a_server_is_not_started_without_it(site: tuple[Path, str]) -> None:
    """A lost address begins no new record with the same key."""
    with pytest.raises(ChangeoutError, match="set DATABASE_URL"):
        start(Settings(data=site[0]))

    assert not (site[0] / DATABASE).exists()


def test_a_database_of_one_site_and_the_folder_of_another_do_not_join(
    site: tuple[Path, str], site_folder: Path, tmp_path: Path
) -> None:
    """Heads of one record are signed with one key, so the folder must be that of the database."""
    data, address = site
    shutil.copytree(data, tmp_path / "other")
    shutil.rmtree(tmp_path / "other" / "keys")
    shutil.copytree(site_folder / "keys", tmp_path / "other" / "keys")

    with pytest.raises(ChangeoutError, match="Give the folder of the same site"):
        start(Settings(data=tmp_path / "other", database=address))

    start(Settings(data=data, database=address)).close()


def test_a_database_without_its_folder_gets_no_new_key(site: tuple[Path, str], tmp_path: Path) -> None:
    """A record whose keys are not at hand is refused, and none are made."""
    with pytest.raises(ChangeoutError, match="not its keys"):
        start(Settings(data=tmp_path / "new", database=site[1]))

    assert not (tmp_path / "new" / "keys").exists()


@pytest.mark.parametrize("command", [["backup", "copy"], ["restore", "copy"]])
@pytest.mark.parametrize("known_by", ["address", "folder"])
def test_backup_and_restore_say_that_they_are_not_for_a_server(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    command: list[str],
    known_by: str,
) -> None:
    """Half a backup is none: the sentence names the server's own tools, and nothing is made."""
    (tmp_path / "site").mkdir()
    if known_by == "address":
        monkeypatch.setenv("DATABASE_URL", "postgresql://user@host/name")
    else:
        note_elsewhere(tmp_path / "site")
    monkeypatch.chdir(tmp_path)

    status = main([*command, "--data", "site"])

    told = capsys.readouterr()
    assert (status, told.out) == (2, "")
    assert "pg_dump" in told.err
    assert told.err.count("\n") == 1
    assert not (tmp_path / "copy").exists()


def test_a_record_is_exported_from_a_server(
    site: tuple[Path, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`changeout export` takes the same address, also while another process holds the site."""
    data, address = site
    monkeypatch.setenv("DATABASE_URL", address)
    served = start(Settings(data=data, database=address))

    exported = main(["export", JOB, "--data", str(data), "--out", str(tmp_path / "out")])
    noted = b"record_exported" in served.store.read_payloads("site")[-1]
    served.close()

    assert exported == 0
    assert noted
    assert main(["verify", str(tmp_path / "out")]) == 0


def test_a_text_is_issued_at_a_server(
    site: tuple[Path, str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """`changeout issue` takes the same address, and finds the approval that was signed there."""
    data, address = site
    monkeypatch.setenv("DATABASE_URL", address)
    (data / "procedures" / "change-out.toml").write_text(
        procedure_text().replace("revision = 7", "revision = 8", 1), "utf-8"
    )
    unsigned = main(["issue", "change-out", "--data", str(data)])
    owed = capsys.readouterr().err
    served = start(Settings(data=data, database=address))
    procedure, digest = find_procedure(served.site.library, "change-out")
    approve(served.site.jobs, procedure, digest, seen=digest, both=True, by=OFFICER).result()
    served.close()

    status = main(["issue", "change-out", "--data", str(data)])

    assert (unsigned, "has yet to sign the approval" in owed) == (2, True)
    assert (status, capsys.readouterr().err) == (0, "")


@pytest.mark.parametrize("command", [["export", JOB, "--out", "out"], ["issue", "change-out"]])
@pytest.mark.parametrize("known_by", ["address", "address and note", "nothing"])
def test_a_command_makes_no_site_where_there_is_none(
    postgres: PostgresServer,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    command: list[str],
    known_by: str,
) -> None:
    """A mistyped folder stays away, an empty database stays empty; one sentence says which folder to give."""
    monkeypatch.chdir(tmp_path)
    address = postgres.fresh()
    if known_by != "nothing":
        monkeypatch.setenv("DATABASE_URL", address)
    if known_by == "address and note":
        Path("site").mkdir()
        note_elsewhere(Path("site"))
    before = sorted(tmp_path.rglob("*"))

    status = main([*command, "--data", "site"])

    told = capsys.readouterr()
    assert (status, told.out) == (2, "")
    assert "Give the folder that the server uses" in told.err
    assert told.err.count("\n") == 1
    assert sorted(tmp_path.rglob("*")) == before
    tables = postgres.sql("SELECT count(*) FROM pg_tables WHERE schemaname = 'public'", database=name_in(address))
    assert tables == [(0,)]
