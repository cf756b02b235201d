"""A restore gives the site of the backup or leaves everything as it was, deletes nothing, and says so in the ledger."""

import errno
import os
import shutil
import sqlite3
import sys
from collections.abc import Callable
from contextlib import closing
from datetime import date
from functools import partial
from pathlib import Path

import pytest

from app.bootstrap import finish_restore, start
from app.domain.site import JobClosed, QualificationNoted
from app.ledger.check import check_entries
from app.settings import Settings
from app.storage.backup import CopiedFile, copy_file
from app.storage.durable import DATABASE, LOCK_NAME, RESTORED_NOTE, FolderLock
from app.storage.faults import DataFolderInUse, StorageFault
from app.storage.reached import Reached
from app.storage.restore import Restored, restore
from app.storage.tls import make_authority
from tests.storage.kept_sites import backup_of, contents, copied, entries_of, manifest_of, run_sql, sign_again
from tests.storage.small_site import JOB, minutes

AFTER = 120
"""Minutes after the site was made at which tests restore it."""


def restored(source: Path, data: Path, *, replace: bool = False, keys: Path | None = None) -> Restored:
    """Restore two hours after the site was made."""
    clock = minutes(AFTER)
    finish = partial(finish_restore, clock=clock)
    return restore(source, data, replace=replace, keys=keys, clock=clock, finish=finish)


def add_entries(data: Path, count: int) -> None:
    """Let a site run on for a few entries."""
    running = start(Settings(data=data), minutes(90))
    for number in range(count):
        running.site.jobs.write_site(
            lambda _, seq, at, what=f"course {number}": QualificationNoted(  # type: ignore[misc]
                seq=seq, at=at, person="person", what=what, until=date(2027, 1, 1)
            )
        ).result()
    running.close()


def ledger_faults(data: Path, ledger: str) -> tuple[object, ...]:
    """Start a site on a folder and check one of its ledgers."""
    running = start(Settings(data=data), minutes(150))
    try:
        return check_entries(
            ledger=ledger,
            payloads=running.store.read_payloads(ledger),
            heads=running.store.read_heads(ledger),
            certificate_pem=running.key.certificate_pem,
        )
    finally:
        running.close()


@pytest.fixture
def with_keys(site_folder: Path, tmp_path: Path) -> Path:
    """A backup that has its keys."""
    return backup_of(site_folder, tmp_path / "with-keys", with_keys=True).folder


@pytest.fixture
def without_keys(site_folder: Path, tmp_path: Path) -> Path:
    """A backup without keys."""
    return backup_of(site_folder, tmp_path / "without-keys").folder


def test_a_restored_site_goes_on_and_its_ledger_says_from_where(
    site_folder: Path, with_keys: Path, tmp_path: Path
) -> None:
    """The last entry names manifest, time and where the ledgers stood; all ledgers verify and the site starts."""
    data = tmp_path / "site"

    done = restored(with_keys, data)

    before, after = entries_of(site_folder), entries_of(data)
    assert after[:-1] == before
    assert after[-1] == {
        "type": "site_restored", "ledger": "site", "seq": len(before), "at": after[-1]["at"],
        "manifest": done.source.digest, "made_at": "2026-03-02T08:15:00.000Z", "heads": manifest_of(with_keys)["heads"],
    }  # fmt: skip
    assert after[-1]["at"] > after[-1]["made_at"]
    assert ledger_faults(data, "site") == ledger_faults(data, JOB) == ()
    assert (done.has_key, done.aside, done.lost) == (True, None, None)
    assert not (data / RESTORED_NOTE).exists()
    for name, content in contents(site_folder).items():
        if name.split("/")[0] in ("photos", "housings", "keys"):
            assert (data / name).read_bytes() == content


def test_everybody_is_signed_out(site_folder: Path, with_keys: Path, tmp_path: Path) -> None:
    """A session that was open when the backup was made is over after the restore."""
    restored(with_keys, tmp_path / "site")

    def still_open(data: Path) -> int:
        with closing(sqlite3.connect(data / DATABASE)) as driver:
            found: int = driver.execute("SELECT COUNT(*) FROM session WHERE ended_at IS NULL").fetchone()[0]
        return found

    assert (still_open(site_folder), still_open(tmp_path / "site")) == (1, 0)


def test_without_the_key_the_record_waits_for_it(site_folder: Path, without_keys: Path, tmp_path: Path) -> None:
    """The site does not start without its key; once the key is there, the entry is written once and once only."""
    data = tmp_path / "site"
    done = restored(without_keys, data)
    assert not done.has_key
    with pytest.raises(StorageFault, match=r"lacks site\.key"):
        start(Settings(data=data), minutes(AFTER))
    assert entries_of(data) == entries_of(site_folder)

    shutil.copy2(site_folder / "keys" / "site.key", data / "keys" / "site.key")
    for _ in range(2):
        assert ledger_faults(data, "site") == ()

    assert [entry["type"] for entry in entries_of(data)].count("site_restored") == 1


def test_a_program_that_ends_between_entry_and_note_writes_no_second_entry(with_keys: Path, tmp_path: Path) -> None:
    """The note is recognised as told by the entry that is there."""
    data = tmp_path / "site"
    kept: list[bytes] = []

    def finish(folder: Path) -> None:
        kept.append((folder / RESTORED_NOTE).read_bytes())
        finish_restore(folder, clock=minutes(AFTER))

    restore(with_keys, data, replace=False, keys=None, clock=minutes(AFTER), finish=finish)
    (data / RESTORED_NOTE).write_bytes(kept[0])

    assert ledger_faults(data, "site") == ()
    assert [entry["type"] for entry in entries_of(data)].count("site_restored") == 1
    assert not (data / RESTORED_NOTE).exists()


@pytest.mark.parametrize("place", ["with-keys", "with-keys/keys", "site"])
def test_the_key_may_come_from_elsewhere(site_folder: Path, tmp_path: Path, place: str) -> None:
    """A newer backup without keys is completed from an older one with keys, from a folder of keys, or from a site."""
    data = copied(site_folder, tmp_path / "site")
    backup_of(data, tmp_path / "with-keys", with_keys=True)
    add_entries(data, 3)
    newer = backup_of(data, tmp_path / "newer").folder

    done = restored(newer, tmp_path / "again", keys=tmp_path / place)

    assert done.has_key
    assert entries_of(tmp_path / "again")[:-1] == entries_of(data)
    assert ledger_faults(tmp_path / "again", "site") == ()


def test_another_sites_key_is_refused(without_keys: Path, other_site_folder: Path, tmp_path: Path) -> None:
    """A key that is not the backup's makes nothing."""
    with pytest.raises(StorageFault, match="does not belong to this backup"):
        restored(without_keys, tmp_path / "site", keys=other_site_folder)

    assert sorted(path.name for path in tmp_path.iterdir()) == ["without-keys"]


def test_replacing_sets_the_earlier_folder_aside_and_counts_what_is_lost(
    site_folder: Path, without_keys: Path, tmp_path: Path
) -> None:
    """The earlier folder is beside, byte for byte; its key and certificates serve on; its later entries are counted."""
    data = copied(site_folder, tmp_path / "site")
    make_authority(data, Reached(("localhost",), ()), now=minutes()(), replace=False)
    add_entries(data, 5)
    before = contents(data)

    done = restored(without_keys, data, replace=True)

    assert done.aside is not None
    assert done.aside.parent == tmp_path
    assert {name: content for name, content in contents(done.aside).items() if not name.endswith(("-wal", "-shm"))} == (
        before
    )
    assert (done.lost, done.has_key) == (5, True)
    assert (data / "tls" / "authority.key").read_bytes() == before["tls/authority.key"]
    assert entries_of(data)[:-1] == entries_of(site_folder)
    assert not any((data / f"{DATABASE}{suffix}").exists() for suffix in ("-wal", "-shm"))
    assert ledger_faults(data, "site") == ()


def test_a_damaged_folder_can_be_replaced(site_folder: Path, without_keys: Path, tmp_path: Path) -> None:
    """What a broken database had is not counted, and it is set aside all the same."""
    data = copied(site_folder, tmp_path / "site")
    (data / DATABASE).write_bytes(b"SQLite format 3\0" + bytes(5000))

    done = restored(without_keys, data, replace=True)

    assert done.lost is None
    assert (done.has_key, ledger_faults(data, "site")) == (True, ())


def test_what_must_be_left_alone_is_refused_untouched(
    site_folder: Path, other_site_folder: Path, without_keys: Path, tmp_path: Path
) -> None:
    """A folder with anything in it, of another site, in use, or around the backup keeps every byte."""
    data, other = copied(site_folder, tmp_path / "site"), copied(other_site_folder, tmp_path / "other")
    before = {folder: contents(folder) for folder in (data, other)}

    with pytest.raises(StorageFault, match="is not empty"):
        restored(without_keys, data)
    with pytest.raises(StorageFault, match="belongs to another site"):
        restored(without_keys, other, replace=True)
    with pytest.raises(StorageFault, match="one inside the other"):
        restored(without_keys, tmp_path, replace=True)
    assert {folder: contents(folder) for folder in (data, other)} == before
    running = start(Settings(data=data), minutes(30))
    for replace in (False, True):
        with pytest.raises(DataFolderInUse):
            restored(without_keys, data, replace=replace)
    running.close()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["other", "site", "without-keys"]


def test_nobody_can_start_on_a_folder_while_it_is_replaced(
    site_folder: Path, without_keys: Path, tmp_path: Path
) -> None:
    """The folder is held from the look at it until its renaming, also if no lock had ever lain in it."""
    data = copied(site_folder, tmp_path / "site")
    (data / LOCK_NAME).unlink()
    refusals: list[str] = []

    def finish(_: Path) -> None:
        with pytest.raises(DataFolderInUse) as refused:
            FolderLock(data).hold()
        refusals.append(str(refused.value))

    restore(without_keys, data, replace=True, keys=None, clock=minutes(AFTER), finish=finish)

    assert len(refusals) == 1


def test_a_foreign_folder_gets_no_lock_of_ours(without_keys: Path, tmp_path: Path) -> None:
    """A mistyped folder is refused without a trace."""
    (tmp_path / "holiday").mkdir()
    (tmp_path / "holiday" / "picture").write_bytes(b"sea")

    with pytest.raises(StorageFault, match="is not empty"):
        restored(without_keys, tmp_path / "holiday")

    assert [path.name for path in (tmp_path / "holiday").iterdir()] == ["picture"]


def test_an_empty_folder_is_filled(with_keys: Path, tmp_path: Path) -> None:
    """An empty folder, or one with only a lock that nobody holds, is as good as a new one."""
    (tmp_path / "site").mkdir()
    (tmp_path / "site" / LOCK_NAME).touch()

    assert restored(with_keys, tmp_path / "site").aside is None
    assert ledger_faults(tmp_path / "site", "site") == ()


def test_a_damaged_backup_moves_nothing(site_folder: Path, without_keys: Path, tmp_path: Path) -> None:
    """A backup that is not whole is refused before the folder is touched."""
    data = copied(site_folder, tmp_path / "site")
    before = contents(data)
    content = bytearray((without_keys / DATABASE).read_bytes())
    content[len(content) // 2] ^= 1
    (without_keys / DATABASE).write_bytes(content)

    with pytest.raises(StorageFault, match="not whole"):
        restored(without_keys, data, replace=True)

    assert contents(data) == before
    assert sorted(path.name for path in tmp_path.iterdir()) == ["site", "without-keys"]


def test_a_file_that_changes_after_it_was_examined_moves_nothing(
    site_folder: Path, without_keys: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is put in place is what was examined: a stick that reads differently the second time is told."""
    data = copied(site_folder, tmp_path / "site")
    before = contents(data)

    def copy_worse(source: Path, target: Path) -> CopiedFile:
        if source.suffix == ".toml":
            source.write_bytes(b"worse")
        return copy_file(source, target)

    monkeypatch.setattr("app.storage.restore.copy_file", copy_worse)
    with pytest.raises(StorageFault, match="changed while it was copied"):
        restored(without_keys, data, replace=True)

    assert contents(data) == before


def test_a_backup_of_a_newer_program_is_refused(site_folder: Path, without_keys: Path, tmp_path: Path) -> None:
    """A schema that is not known here is told, and nothing is made."""
    run_sql(without_keys, "PRAGMA user_version = 99")
    sign_again(without_keys, site_folder, lambda value: value.update(schema_version=99))

    with pytest.raises(StorageFault, match=r"newer version of this program \(schema 99"):
        restored(without_keys, tmp_path / "site")

    assert not (tmp_path / "site").exists()


def failing_at(real: Callable[..., object], at: int, calls: list[int]) -> Callable[..., object]:
    """Return a system call that fails the so-manieth time."""

    def call(*given: object, **named: object) -> object:
        calls[0] += 1
        if calls[0] == at:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return real(*given, **named)

    return call


@pytest.mark.skipif(sys.platform == "win32", reason="folders are not flushed there")
def test_a_disk_that_fails_anywhere_leaves_the_earlier_folder_or_the_new_one(
    site_folder: Path, without_keys: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whichever flush or rename fails, the folder is the earlier one whole, or the new one with the earlier beside."""
    data = copied(site_folder, tmp_path / "site")
    add_entries(data, 2)
    before, outcomes = contents(data), set()
    for owner, name in ((os, "fsync"), (Path, "rename")):
        place, failed = 0, True
        while failed:
            place += 1
            with monkeypatch.context() as patch:
                patch.setattr(owner, name, failing_at(getattr(owner, name), place, [0]))
                try:
                    restored(without_keys, data, replace=True)
                    failed = False
                except StorageFault:
                    pass
            beside = [path for path in tmp_path.iterdir() if path.name.startswith("site.before-")]
            outcomes.add((name, failed, len(beside)))
            if beside:
                assert entries_of(data)[:-1] == entries_of(site_folder)
                shutil.rmtree(data)
                beside[0].rename(data)
            kept = {file: content for file, content in contents(data).items() if not file.endswith(("-wal", "-shm"))}
            assert kept == before, (name, place)
            assert not (tmp_path / ".site.restoring").exists()

    assert outcomes == {
        ("fsync", True, 0), ("fsync", True, 1), ("fsync", False, 1), ("rename", True, 0), ("rename", False, 1),
    }  # fmt: skip


def test_a_closed_jobs_head_is_not_repeated(site_folder: Path, tmp_path: Path) -> None:
    """Where the site's ledger already names a job's closing head, the entry about the restore leaves it out."""
    data = copied(site_folder, tmp_path / "closed")
    running = start(Settings(data=data), minutes(30))
    head = running.store.read_heads(JOB)[-1]
    running.site.jobs.write_site(
        lambda _, seq, at: JobClosed(seq=seq, at=at, job=JOB, size=head.size, root=head.root.hex())
    ).result()
    running.close()
    copy = backup_of(data, tmp_path / "copy", with_keys=True).folder

    restored(copy, tmp_path / "again")

    assert [end["ledger"] for end in entries_of(tmp_path / "again")[-1]["heads"]] == ["site"]
    assert {end["ledger"] for end in manifest_of(copy)["heads"]} == {"site", JOB}


def test_a_folder_that_is_not_there_or_no_backup_is_told_in_one_sentence(tmp_path: Path) -> None:
    """Either is named for what it is, and nothing is made."""
    (tmp_path / "empty").mkdir()

    with pytest.raises(StorageFault, match="There is no folder"):
        restored(tmp_path / "nowhere", tmp_path / "site")
    with pytest.raises(StorageFault, match="has no manifest that can be read: give the folder of a backup"):
        restored(tmp_path / "empty", tmp_path / "site")
    assert not (tmp_path / "site").exists()
