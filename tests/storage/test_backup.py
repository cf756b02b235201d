"""A backup is whole or is not there, holds what was answered before it began, and no damage to it goes unnoticed."""

import errno
import os
import shutil
import stat
import sys
from collections.abc import Callable
from datetime import date
from hashlib import sha256
from pathlib import Path
from threading import Event, Thread
from time import monotonic
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as some

from app.bootstrap import start
from app.domain.paper import PrintBlank, ReconcileBlank
from app.domain.site import QualificationNoted
from app.domain.store import Kind
from app.domain.storing import receipt_items
from app.services.jobs import Asked
from app.settings import Settings
from app.storage.backup import MANIFEST, SIGNATURE, examine
from app.storage.durable import DATABASE
from app.storage.faults import StorageFault
from app.storage.photos import photo_path
from app.storage.reached import Reached
from app.storage.tls import make_authority
from tests.storage.builders import WAIT_S
from tests.storage.kept_sites import backup_of, contents, copied, entries_of, manifest_of, run_sql, sign_again
from tests.storage.pictures import png
from tests.storage.small_site import JOB, PHOTO, minutes

NAMED_PHOTO = photo_path(sha256(PHOTO).hexdigest())


@pytest.fixture(scope="module")
def whole(site_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One good backup; tests damage copies of it."""
    return backup_of(site_folder, tmp_path_factory.mktemp("backups") / "whole").folder


def test_a_backup_holds_the_site_but_not_its_private_keys(site_folder: Path, tmp_path: Path) -> None:
    """Database, photos, housings, procedures and certificates are copied; private keys and the lock are not."""
    data = copied(site_folder, tmp_path / "site")
    make_authority(data, Reached(("localhost",), ()), now=minutes()(), replace=False)

    made = backup_of(data, tmp_path / "copy")

    expected = {
        name: content
        for name, content in contents(data).items()
        if name.split("/")[0] in ("photos", "housings", "procedures") or name in ("keys/site.crt", "keys/authority.crt")
    }
    found = contents(tmp_path / "copy")
    assert {name: found.pop(name) for name in expected} == expected
    assert set(found) == {DATABASE, MANIFEST, SIGNATURE}
    assert NAMED_PHOTO in expected
    assert made.digest == sha256(found[MANIFEST]).hexdigest()
    assert not made.manifest.with_keys


def test_keys_come_along_when_they_are_asked_for(site_folder: Path, tmp_path: Path) -> None:
    """With keys, the site's and the network authority's private keys are in the copy, for the owner alone to read."""
    data = copied(site_folder, tmp_path / "site")
    make_authority(data, Reached(("localhost",), ()), now=minutes()(), replace=False)

    made = backup_of(data, tmp_path / "copy", with_keys=True)

    for name in ("keys/site.key", "tls/authority.key", "tls/server.pem"):
        assert (tmp_path / "copy" / name).read_bytes() == (data / name).read_bytes()
    assert made.manifest.with_keys
    if sys.platform != "win32":
        modes = {stat.S_IMODE(path.stat().st_mode) for path in (tmp_path / "copy").rglob("*") if path.is_file()}
        assert modes == {0o600}


def test_the_manifest_says_what_is_there(whole: Path) -> None:
    """Sizes, SHA-256 and the end of each ledger are in it, with schema, program and time."""
    told = manifest_of(whole)

    assert {line["path"]: (line["size"], line["sha256"]) for line in told["files"]} == {
        name: (len(content), sha256(content).hexdigest())
        for name, content in contents(whole).items()
        if name not in (MANIFEST, SIGNATURE)
    }
    assert {head["ledger"]: head["size"] for head in told["heads"]} == {
        ledger: len(entries_of(whole, ledger)) for ledger in ("site", JOB)
    }
    assert (told["schema_version"], told["made_at"]) == (1, "2026-03-02T08:15:00.000Z")


def test_a_backup_while_the_server_writes_holds_all_that_was_answered(site_folder: Path, tmp_path: Path) -> None:
    """Ten copies amid a stream of entries: each is good, and none lacks an entry answered before it began."""
    data = copied(site_folder, tmp_path / "site")
    running = start(Settings(data=data), minutes(30))
    answered, over, slowest = [0], Event(), [0.0]

    def write() -> None:
        while not over.is_set():
            begun = monotonic()
            state = running.site.jobs.write_site(
                lambda _, seq, at: QualificationNoted(seq=seq, at=at, person="x", what="w", until=date(2027, 1, 1))
            ).result(WAIT_S)
            answered[0] = state.size
            slowest[0] = max(slowest[0], monotonic() - begun)

    hand = Thread(target=write)
    hand.start()
    held = []
    try:
        for number in range(10):
            before = answered[0]
            made = backup_of(data, tmp_path / f"copy-{number}")
            held.append((before, {head.ledger: head.size for head in made.manifest.heads}["site"]))
    finally:
        over.set()
        hand.join(WAIT_S)
        running.close()

    assert all(before <= copied_size for before, copied_size in held)
    assert held[-1][0] > held[0][1], "the server must have gone on writing"
    assert slowest[0] < 2, "a copy must not hold the writer up"


@settings(max_examples=120)
@given(some.data())
def test_one_changed_bit_anywhere_is_found(whole: Path, data: some.DataObject) -> None:
    """Whichever bit of whichever file of a copy is turned, the copy is refused."""
    path = whole / data.draw(some.sampled_from(sorted(contents(whole))))
    content = path.read_bytes()
    place = data.draw(some.integers(0, len(content) - 1))
    changed = bytes([content[place] ^ (1 << data.draw(some.integers(0, 7)))])
    path.write_bytes(content[:place] + changed + content[place + 1 :])

    try:
        with pytest.raises(StorageFault):
            examine(whole)
    finally:
        path.write_bytes(content)
    examine(whole)


def cut_the_database(copy: Path) -> None:
    """Lose the second half of the database."""
    content = (copy / DATABASE).read_bytes()
    (copy / DATABASE).write_bytes(content[: len(content) // 8192 * 4096])


def tear_a_page(copy: Path) -> None:
    """Lose one page amid the database."""
    content = (copy / DATABASE).read_bytes()
    (copy / DATABASE).write_bytes(content[:8192] + bytes(4096) + content[12288:])


def only(ledger: str) -> str:
    """Return the condition that picks the last entry of a ledger."""
    return f"ledger = '{ledger}' AND seq = (SELECT MAX(seq) FROM entry WHERE ledger = '{ledger}')"


Damage = Callable[[Path], object]
UNSIGNED: dict[str, tuple[Damage, str]] = {
    "a photo is gone": (lambda copy: (copy / NAMED_PHOTO).unlink(), "cannot be read"),
    "a housing was edited": (lambda copy: (copy / "housings/EF-03.toml").write_text("tag = 1"), "bytes where"),
    "the database was cut": (cut_the_database, "bytes where"),
    "the manifest is gone": (lambda copy: (copy / MANIFEST).unlink(), "no manifest"),
    "the manifest is not JSON": (lambda copy: (copy / MANIFEST).write_bytes(b"{"), "damaged or of another kind"),
    "the signature is gone": (lambda copy: (copy / SIGNATURE).unlink(), "signature cannot be read"),
}
SIGNED: dict[str, tuple[Damage, str]] = {
    "a photo that an entry names is in no list": (lambda copy: (copy / NAMED_PHOTO).unlink(), "is named by an entry"),
    "the database was cut": (cut_the_database, "database"),
    "a page is torn": (tear_a_page, "database"),
    "an entry was reworded": (
        lambda copy: run_sql(
            copy, f"UPDATE entry SET payload = replace(payload, 'Tomé', 'Toma') WHERE {only(JOB)}",
            f"UPDATE entry SET payload = CAST(replace(payload, 'tablet', 'tabbet') AS BLOB) WHERE {only(JOB)}",
        ),
        "not the ones that were signed",
    ),
    "the last entry was dropped": (lambda copy: run_sql(copy, f"DELETE FROM entry WHERE {only(JOB)}"), "end of the"),
    "the last entry and its head were dropped": (
        lambda copy: run_sql(copy, f"DELETE FROM entry WHERE {only(JOB)}", "DELETE FROM head WHERE size = "
                             f"(SELECT MAX(size) FROM head WHERE ledger = '{JOB}')"),
        "do not end where",
    ),
    "a leaf hash was changed": (
        lambda copy: run_sql(copy, f"UPDATE entry SET leaf = zeroblob(32) WHERE {only('site')}"), "stored leaf hash"
    ),
    "a whole job was dropped": (
        lambda copy: run_sql(copy, f"DELETE FROM entry WHERE ledger='{JOB}'", f"DELETE FROM head WHERE ledger='{JOB}'"),
        "do not end where",
    ),
    "the version mark was raised": (lambda copy: run_sql(copy, "PRAGMA user_version = 7"), "schema 7"),
}  # fmt: skip


@pytest.mark.parametrize("name", UNSIGNED)
def test_damage_to_a_copy_is_named(whole: Path, tmp_path: Path, name: str) -> None:
    """What happened to a copy is told in one sentence, and that another backup is to be used."""
    copy = copied(whole, tmp_path / "copy")
    damage, told = UNSIGNED[name]
    damage(copy)

    with pytest.raises(StorageFault, match=told) as fault:
        examine(copy)

    assert str(fault.value).count("\n") == 0


@pytest.mark.parametrize("name", SIGNED)
def test_a_database_that_was_changed_by_whoever_holds_the_key_is_still_examined(
    whole: Path, site_folder: Path, tmp_path: Path, name: str
) -> None:
    """A manifest that fits the damage and is signed does not hide what the ledgers, or the manifest's heads, show."""
    copy = copied(whole, tmp_path / "copy")
    damage, told = SIGNED[name]
    damage(copy)
    sign_again(copy, site_folder)

    with pytest.raises(StorageFault, match=told):
        examine(copy)


def test_an_untouched_copy_that_is_signed_again_is_good(whole: Path, site_folder: Path, tmp_path: Path) -> None:
    """The tests above fail for the damage and not for the new signature."""
    copy = copied(whole, tmp_path / "copy")

    sign_again(copy, site_folder)

    assert examine(copy).entries == examine(whole).entries


def test_a_photo_of_paper_is_missed_too(site_folder: Path, tmp_path: Path) -> None:
    """The photo of a blank's returned pages is named by its entry in a field of its own."""
    data = copied(site_folder, tmp_path / "site")
    running = start(Settings(data=data), minutes(30))
    crew = running.site.jobs.state(JOB).crew
    by = next(person.who for person in running.people.everyone() if crew.member(person.id) is not None)
    kept = running.site.photos.keep(png(5, 3)).sha256
    printed = running.site.jobs.record(JOB, PrintBlank(), Asked(by=by)).result().state
    returned = ReconcileBlank(printed.paper.blanks[-1].serial, "returned", kept)
    running.site.jobs.record(JOB, returned, Asked(by=by)).result()
    running.close()
    copy = backup_of(data, tmp_path / "copy").folder
    (copy / photo_path(kept)).unlink()
    sign_again(copy, data)

    with pytest.raises(StorageFault, match=f"photo {kept[:12]} is named by an entry"):
        examine(copy)


def test_a_photo_of_an_inspection_in_the_store_room_is_missed_too(site_folder: Path, tmp_path: Path) -> None:
    """It is named by an entry of the site's ledger."""
    data = copied(site_folder, tmp_path / "site")
    running = start(Settings(data=data), minutes(30))
    lead = next(person.who for person in running.people.everyone() if person.role.words == "lead")
    kept = running.site.photos.keep(png(7, 3)).sha256
    room, seen = running.site.store_room, {name: item.good for name, item in receipt_items(Kind.BAG).items()}
    room.receive({"id": "B-1", "kind": "bag", "what": "ring 660", "count": "4"}, by=lead).result()
    room.inspect("B-1", seen, verdict="held back", reason="cord loose", photo=kept, by=lead).result()
    running.close()
    copy = backup_of(data, tmp_path / "copy").folder
    (copy / photo_path(kept)).unlink()
    sign_again(copy, data)

    with pytest.raises(StorageFault, match=f"ledger site: photo {kept[:12]} is named by an entry"):
        examine(copy)


def test_a_manifest_of_another_site_is_refused(
    whole: Path, site_folder: Path, other_site_folder: Path, tmp_path: Path
) -> None:
    """Another site's manifest and signature, or this one's manifest signed by the other's key, do not pass."""
    other = backup_of(other_site_folder, tmp_path / "other").folder
    swapped = copied(whole, tmp_path / "swapped")
    for name in (MANIFEST, SIGNATURE):
        shutil.copyfile(other / name, swapped / name)
    resigned = copied(whole, tmp_path / "resigned")
    sign_again(resigned, other_site_folder)
    renamed = copied(whole, tmp_path / "renamed")
    sign_again(renamed, site_folder, lambda value: value.update(key=manifest_of(other)["key"]))

    for copy, told in ((swapped, "not what was copied|bytes where"), (resigned, "not signed"), (renamed, "site key")):
        with pytest.raises(StorageFault, match=told):
            examine(copy)


@pytest.mark.parametrize("path", ["../outside", "/etc/outside", "a//b", "a/./b", "c:outside", "a\\..\\b", "", "a\0b"])
def test_a_manifest_that_points_outside_is_refused(whole: Path, site_folder: Path, tmp_path: Path, path: str) -> None:
    """A file name that could lead out of the folder is not followed, whoever signed it."""
    copy = copied(whole, tmp_path / "copy")
    line = {"path": path, "size": 0, "sha256": sha256(b"").hexdigest()}
    sign_again(copy, site_folder, lambda value: value["files"].append(line))

    with pytest.raises(StorageFault, match="which no backup holds"):
        examine(copy)


def test_a_disk_that_fails_at_any_flush_leaves_no_backup(
    site_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whichever flush fails, there is no folder of that name and no remains, and the backup before it is untouched."""
    before = backup_of(site_folder, tmp_path / "before").folder
    good, real, calls = contents(before), os.fsync, [0]

    def failing(at: int) -> Callable[[int], None]:
        calls[0] = 0

        def fsync(handle: int) -> None:
            calls[0] += 1
            if calls[0] == at:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            real(handle)

        return fsync

    place = named = 0
    while not (tmp_path / "next").exists():
        place += 1
        monkeypatch.setattr(os, "fsync", failing(place))
        try:
            backup_of(site_folder, tmp_path / "next")
        except StorageFault as fault:
            assert "No space left" in str(fault)
            left = sorted(path.name for path in tmp_path.iterdir())
            assert left in (["before"], ["before", "next"])
            if "next" in left:
                examine(tmp_path / "next")  # only the flush of the name itself had failed
                named += 1
            shutil.rmtree(tmp_path / "next", ignore_errors=True)

    assert place > len(good)
    assert named == 1
    assert contents(before) == good


def test_what_cannot_be_backed_up_is_told(site_folder: Path, tmp_path: Path, whole: Path) -> None:
    """No site, a name that is taken, and a place inside the data folder are refused, each with what to do."""
    with pytest.raises(StorageFault, match="is not a site's folder"):
        backup_of(tmp_path, tmp_path / "copy")
    with pytest.raises(StorageFault, match="exists already"):
        backup_of(site_folder, whole)
    with pytest.raises(StorageFault, match="inside the data folder"):
        backup_of(site_folder, site_folder / "copy")
    assert not (site_folder / "copy").exists()


def test_a_folder_left_by_a_crash_is_copied_with_what_its_log_holds(site_folder: Path, tmp_path: Path) -> None:
    """Entries that are only in the write-ahead log of a server that was killed are in the copy."""
    data = copied(site_folder, tmp_path / "live")
    running = start(Settings(data=data), minutes(30))
    person, _ = running.people.add(
        "Late Joiner", running.people.everyone()[0].role, by=None, identity="known to us", secret="a secret of 15"
    )
    crashed = tmp_path / "crashed"
    shutil.copytree(data, crashed, ignore=lambda _folder, names: [name for name in names if name.endswith("-shm")])
    running.close()
    assert (crashed / f"{DATABASE}-wal").stat().st_size > 0

    made = backup_of(crashed, tmp_path / "copy")

    added: list[Any] = [entry for entry in entries_of(made.folder) if entry["type"] == "person_added"]
    assert added[-1]["person"] == person.id
