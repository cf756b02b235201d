"""The harness of `python -m tests.faults`, where it needs no strace: how it reads logs, models a disk and judges."""

import sqlite3
from collections import Counter
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.storage.engine import open_engine
from app.storage.tables import create_schema
from app.storage.writer import Store, Tx
from tests.faulting.bench import some, two_at_once
from tests.faulting.examine import Found, examine, judge
from tests.faulting.injections import sentence_faults
from tests.faulting.lives import Outcome, counted
from tests.faulting.log import (
    Acknowledged,
    Cut,
    Event,
    FlushBegan,
    FlushEnded,
    Made,
    Removed,
    UnreadableLogError,
    Wrote,
    read_log,
)
from tests.faulting.seeded import SEEDED, Seeded, changed_files, seeded_text
from tests.faulting.states import SECTOR_BYTES, Disk, Piece, survivors
from tests.ledger.signing import TestSigner
from tests.storage.builders import append, done, entry, tick_clock

ROOT = Path(__file__).resolve().parents[2]
FOLDER = "/d"
DRAWS = 200


def escaped(text: str | bytes) -> str:
    """Return a text as strace writes it with -xx."""
    raw = text.encode() if isinstance(text, str) else text
    return "".join(f"\\x{byte:02x}" for byte in raw)


def on(path: str, number: int = 5) -> str:
    """Return an open file as strace writes it with -y."""
    return f"{number}<{escaped(path)}>"


def events(*lines: str) -> list[Event]:
    """Read lines as a log of the folder /d."""
    return list(read_log(lines, Path(FOLDER)))


# --- the log -------------------------------------------------------------------------------------


def test_a_log_tells_what_each_call_did() -> None:
    """Writes, cuts, flushes, new and removed names and acknowledgements are read, each with its place and bytes."""
    read = events(
        f'7 openat(AT_FDCWD<{escaped("/")}>, "{escaped("/d/a")}", O_RDWR|O_CREAT, 0600) = {on("/d/a")}',
        f'7 pwrite64({on("/d/a")}, "{escaped(b"xyz")}", 3, 512) = 3',
        f"7 ftruncate({on('/d/a')}, 64) = 0",
        f"8 fdatasync({on('/d/a')}) = 0",
        f'7 write({on("socket:[9]", 3)}, "{escaped("ack t1")}", 6) = 6',
        f'7 unlink("{escaped("/d/a")}") = 0',
        f"7 fsync({on('/d')}) = 0",
        "7 +++ exited with 0 +++",
    )

    assert read == [
        Made("/d/a"), Wrote("/d/a", 512, b"xyz"), Cut("/d/a", 64), FlushBegan("/d/a"), FlushEnded("/d/a", good=True),
        Acknowledged("t1"), Removed("/d/a"), FlushBegan("/d"), FlushEnded("/d", good=True),
    ]  # fmt: skip


def test_a_call_that_another_interrupts_ends_where_it_is_resumed() -> None:
    """A flush begins at its first line and ends at its second; what was written between stands between."""
    read = events(
        f"7 fdatasync({on('/d/a')} <unfinished ...>",
        f'8 pwrite64({on("/d/a")}, "{escaped(b"x")}", 1, 0) = 1',
        "7 <... fdatasync resumed>) = 0",
    )

    assert read == [FlushBegan("/d/a"), Wrote("/d/a", 0, b"x"), FlushEnded("/d/a", good=True)]


def test_a_call_that_failed_did_nothing_but_a_flush_that_failed_is_told() -> None:
    """A refused write leaves no event, a short one what was written; one cut off by a kill leaves no end."""
    read = events(
        f'7 pwrite64({on("/d/a")}, "{escaped(b"xyz")}", 3, 0) = -1 ENOSPC (No space left on device) (INJECTED)',
        f'7 pwrite64({on("/d/a")}, "{escaped(b"xyz")}", 3, 0) = 2',
        f"7 fdatasync({on('/d/a')}) = -1 EIO (Input/output error) (INJECTED)",
        f'7 pwrite64({on("/d/a")}, "{escaped(b"xyz")}", 3, 0) = ?',
        f"7 fdatasync({on('/d/a')}) = ?",
    )

    assert read == [
        Wrote("/d/a", 0, b"xy"), FlushBegan("/d/a"), FlushEnded("/d/a", good=False), FlushBegan("/d/a"),
    ]  # fmt: skip


def test_what_lies_elsewhere_or_has_no_name_is_left_out() -> None:
    """Files of other folders, of folders below, and files that were removed while open do not count."""
    read = events(
        f'7 pwrite64({on("/other/a")}, "{escaped(b"x")}", 1, 0) = 1',
        f'7 pwrite64({on("/d/keys/a")}, "{escaped(b"x")}", 1, 0) = 1',
        f'7 pwrite64({on("/d/a")}(deleted), "{escaped(b"x")}", 1, 0) = 1',
        f"7 fsync({on('/other')}) = 0",
    )

    assert read == []


@pytest.mark.parametrize(
    "line",
    [
        f'7 pwrite64({on("/d/a")}, "{escaped(b"x")}"..., 99, 0) = 99',
        f'7 rename("{escaped("/d/a")}", "{escaped("/d/b")}") = 0',
        f'7 write({on("/d/a")}, "{escaped(b"x")}", 1) = 1',
        "nothing that strace writes",
        "7 nothing that strace writes",
    ],
)
def test_a_line_that_is_not_understood_raises(line: str) -> None:
    """A shortened text, a call that was not foreseen, or no call at all ends the reading."""
    with pytest.raises(UnreadableLogError):
        events(line)


def test_calls_are_counted_for_the_busiest_thread(tmp_path: Path) -> None:
    """The count of a call is that of one thread, since strace counts for each thread by itself."""
    log = tmp_path / "log"
    log.write_text("7 fdatasync(5) = 0\n8 fdatasync(5) = 0\n8 fdatasync(5) = 0\n8 close(5) = 0\n8 +++ exited +++\n")

    assert counted(log) == {"fdatasync": 2}


# --- the disk ------------------------------------------------------------------------------------


def disk_after(held: dict[str, bytes], *told: Event) -> Disk:
    """Return a disk moved on by events."""
    disk = Disk(held)
    for event in told:
        disk.move(event, FOLDER)
    return disk


def states(disk: Disk) -> set[tuple[tuple[str, bytes], ...]]:
    """Return the different states that many draws give."""
    return {tuple(sorted(disk.after_power_loss(Random(seed)).items())) for seed in range(DRAWS)}


def flush(name: str, *, good: bool = True) -> tuple[Event, Event]:
    """Return both events of a flush."""
    path = f"{FOLDER}/{name}".removesuffix("/")
    return FlushBegan(path), FlushEnded(path, good=good)


def test_a_flushed_write_is_in_every_state() -> None:
    """After the flush there is one state only."""
    disk = disk_after({"a": b"old"}, Wrote("/d/a", 0, b"new"), *flush("a"))

    assert states(disk) == {(("a", b"new"),)}


def test_an_unflushed_write_is_kept_or_lost() -> None:
    """A small write without a flush is there or not, and both come up."""
    disk = disk_after({"a": b"old"}, Wrote("/d/a", 0, b"new"))

    assert states(disk) == {(("a", b"new"),), (("a", b"old"),)}


def test_a_write_during_a_flush_is_not_covered_by_it() -> None:
    """What is written after the flush began may be lost though the flush was good."""
    disk = disk_after({"a": b"--"}, Wrote("/d/a", 0, b"1"), FlushBegan("/d/a"), Wrote("/d/a", 1, b"2"),
                      FlushEnded("/d/a", good=True))  # fmt: skip

    assert states(disk) == {(("a", b"1-"),), (("a", b"12"),)}


def test_unflushed_writes_reach_the_disk_in_any_order() -> None:
    """Of two unflushed writes the later one may be there without the earlier one."""
    disk = disk_after({"a": b"--"}, Wrote("/d/a", 0, b"1"), Wrote("/d/a", 1, b"2"))

    assert {content for ((_, content),) in states(disk)} == {b"--", b"1-", b"-2", b"12"}


def test_of_two_unflushed_writes_to_one_place_either_may_come_last() -> None:
    """Where two writes overlap, the earlier one may be the one that stands."""
    disk = disk_after({"a": b"---"}, Wrote("/d/a", 0, b"11"), Wrote("/d/a", 1, b"22"))

    assert {content for ((_, content),) in states(disk)} == {b"---", b"11-", b"-22", b"122", b"112"}


def test_a_write_beyond_the_end_leaves_zeros_between() -> None:
    """Bytes land at their offset, whatever the size of the file was."""
    assert states(disk_after({"a": b"x"}, Wrote("/d/a", 3, b"y"), *flush("a"))) == {(("a", b"x\0\0y"),)}


def test_a_large_write_is_torn_at_sectors_only() -> None:
    """Every byte of a torn write is old or new, and it changes at most once, at a multiple of 512 of the file."""
    piece = Piece(100, b"n" * 2_000)

    torn = [left for seed in range(DRAWS) for left in survivors(piece, Random(seed), 0.5) if left != piece]

    assert torn
    for left in torn:
        assert isinstance(left, Piece)
        assert (left.offset == 100 and left.end % SECTOR_BYTES == 0) or (
            left.offset % SECTOR_BYTES == 0 and left.end == piece.end
        )
    assert {left.offset == 100 for left in torn if isinstance(left, Piece)} == {True, False}


def test_a_failed_flush_is_not_made_good_by_the_next_one() -> None:
    """What a failed flush was to save may be lost after a later flush that was good."""
    disk = disk_after({"a": b"old"}, Wrote("/d/a", 0, b"new"), *flush("a", good=False), *flush("a"))

    assert states(disk) == {(("a", b"new"),), (("a", b"old"),)}


def test_writing_again_after_a_failed_flush_makes_it_durable() -> None:
    """The same bytes written and flushed once more are in every state, and the earlier ones never come back."""
    disk = disk_after(
        {"a": b"old---"}, Wrote("/d/a", 0, b"lost"), *flush("a", good=False), Wrote("/d/a", 0, b"new"), *flush("a")
    )

    assert {content[:3] for ((_, content),) in states(disk)} == {b"new"}
    assert {content[3:] for ((_, content),) in states(disk)} == {b"---", b"t--"}


def test_a_cut_that_was_flushed_ends_earlier_bytes_for_good() -> None:
    """Bytes of a failed flush beyond a later cut do not come back."""
    disk = disk_after({"a": b""}, Wrote("/d/a", 0, b"abcd"), *flush("a", good=False), Cut("/d/a", 0), *flush("a"))

    assert states(disk) == {(("a", b""),)}


def test_a_new_name_is_sure_once_its_folder_is_flushed() -> None:
    """Before the flush of the folder the file may be missing though its bytes were flushed, after it not."""
    made = (Made("/d/a"), Wrote("/d/a", 0, b"new"), *flush("a"))

    assert states(disk_after({}, *made)) == {(), (("a", b"new"),)}
    assert states(disk_after({}, *made, *flush(""))) == {(("a", b"new"),)}


def test_names_that_were_flushed_stay_as_they_were_then() -> None:
    """A file removed and made again, with its folder flushed after each, is there in every state."""
    again = disk_after({"a": b"old"}, Removed("/d/a"), *flush(""), Made("/d/a"), *flush(""))

    assert states(again) == {(("a", b""),)}


def test_a_removed_name_may_come_back_until_its_folder_is_flushed() -> None:
    """A removed file may be found again, and one made anew under its name is not mixed with it."""
    removed = disk_after({"a": b"old"}, Removed("/d/a"), Made("/d/a"), Wrote("/d/a", 0, b"n"), *flush("a"))

    assert states(removed) == {(), (("a", b"old"),), (("a", b"n"),)}


def test_making_a_name_that_is_there_changes_nothing() -> None:
    """Opening a file with leave to make it does not empty it."""
    assert states(disk_after({"a": b"old"}, Made("/d/a"))) == {(("a", b"old"),)}


@st.composite
def histories(draw: st.DrawFn) -> tuple[list[Event], bytes]:
    """Return writes and good flushes of one file, and what it must hold up to the last flush."""
    told: list[Event] = []
    now, sure = bytearray(4_096), bytes(4_096)
    for _ in range(draw(st.integers(1, 8))):
        offset, length = draw(st.integers(0, 3_000)), draw(st.integers(1, 1_000))
        data = bytes([draw(st.integers(1, 255))]) * length
        told.append(Wrote("/d/a", offset, data))
        now[offset : offset + length] = data
        if draw(st.booleans()):
            told += flush("a")
            sure = bytes(now)
    return told, sure


@given(history=histories(), seed=st.integers(0, 1_000))
def test_every_byte_is_flushed_or_from_a_later_write(history: tuple[list[Event], bytes], seed: int) -> None:
    """Each byte of any state is the flushed one, or one that an unflushed write put at that very place."""
    told, sure = history
    last = max((place for place, event in enumerate(told) if isinstance(event, FlushEnded)), default=-1)
    later = [event for event in told[last + 1 :] if isinstance(event, Wrote)]

    content = disk_after({"a": bytes(4_096)}, *told).after_power_loss(Random(seed))["a"]

    for place, (found, flushed) in enumerate(zip(content, sure, strict=True)):
        allowed = {
            flushed,
            *(event.data[0] for event in later if event.offset <= place < event.offset + len(event.data)),
        }
        assert found in allowed


# --- the verdict ---------------------------------------------------------------------------------


@pytest.fixture
def database(tmp_path: Path, signer: TestSigner) -> Path:
    """Make a database with one ledger of three marks."""
    path = tmp_path / "data" / "changeout.sqlite3"
    engine = open_engine(path)
    create_schema(engine)
    store = Store(engine, signer, tick_clock())
    for number in range(3):
        done(store.submit(mark(f"t{number}")))
    store.close()
    engine.dispose()
    return path


def mark(token: str) -> Callable[[Tx], None]:
    """Return work that enters a mark and keeps its request."""

    def work(tx: Tx) -> None:
        seq = tx.tip("job").size
        tx.append("job", [entry("job", seq, type="step_done", request=token)])
        tx.keep_request(token, "job", "digest", seq)

    return work


def change(database: Path, statement: str) -> None:
    """Change the database behind the program's back."""
    with closing(sqlite3.connect(database)) as connection, connection:
        for (trigger,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            connection.execute(f"DROP TRIGGER {trigger}")
        connection.execute(statement)


def test_a_whole_database_has_no_faults_and_shows_each_mark_once(database: Path, signer: TestSigner) -> None:
    """What was written through the store is found whole, and each token once."""
    found = examine(database, signer.certificate_pem)

    assert found == Found((), Counter({"t0": 1, "t1": 1, "t2": 1}))
    assert judge(found, ["t0", "t1", "t2"]) == []


@pytest.mark.parametrize(
    ("statement", "told"),
    [
        ("DELETE FROM entry WHERE seq = 2", "The end of the record is missing"),
        ("DELETE FROM head WHERE size = 3", "Entries are not covered"),
        ("DELETE FROM request WHERE token = 't1'", "its request is not kept"),
        ("UPDATE request SET seq = 0 WHERE token = 't1'", "which is not its own"),
        ("INSERT INTO request VALUES ('t9', 'job', 'd', 9)", "which is not its own"),
        ("DROP TABLE entry", "cannot be read"),
    ],
)
def test_each_damage_is_found(database: Path, signer: TestSigner, statement: str, told: str) -> None:
    """A missing entry, head or request, a request for another entry, and a missing table are each told."""
    change(database, statement)

    assert told in " ".join(judge(examine(database, signer.certificate_pem), ["t0"]))


def test_a_damaged_page_is_found(database: Path, signer: TestSigner) -> None:
    """Bytes overwritten in the middle of the file are found by SQLite's own check or by the ledger's."""
    with database.open("r+b") as file:
        file.seek(4_096)
        file.write(b"\xff" * 4_096)

    assert judge(examine(database, signer.certificate_pem), [])


def test_what_only_sqlite_can_see_is_found(database: Path, signer: TestSigner) -> None:
    """A false count of free pages hides no entry; SQLite's quick check tells of it."""
    with database.open("r+b") as file:
        file.seek(36)  # the count of free pages, by SQLite's file format
        file.write(b"\0\0\0\7")

    found = examine(database, signer.certificate_pem)

    assert found.faults
    assert all(fault.startswith("quick_check says") for fault in found.faults)


def test_a_mark_that_stands_twice_is_counted_twice(database: Path, signer: TestSigner) -> None:
    """The same token in two entries is two, though its request is kept once."""
    engine = open_engine(database)
    store = Store(engine, signer, tick_clock())
    done(store.submit(append("job", type="step_done", request="t0")))
    store.close()
    engine.dispose()

    assert examine(database, signer.certificate_pem).standing["t0"] == 2


def test_a_missing_and_a_doubled_mark_are_told() -> None:
    """An acknowledged mark that does not stand and one that stands twice are each a sentence."""
    wrong = judge(Found((), Counter({"t0": 1, "t1": 2})), ["t0", "t9"])

    assert wrong == [
        "1 of 2 acknowledged marks are missing, the first t9.",
        "1 marks stand more than once, the first t1.",
    ]


@pytest.mark.parametrize(
    ("kind", "sentence", "good"),
    [
        ("StorageFault", "The disk said no (disk I/O error): check it and try again.", True),
        ("DiskFull", "The disk is full: make room, then try again.", True),
        ("StorageConflict", "The database refused what was to be saved: try again.", False),
        ("OperationalError", "The disk said no.", False),
        ("ChangeoutError", "The disk said no.", False),
        ("StorageFault", "disk I/O error", False),
        ("StorageFault", "Traceback (most recent call last): it broke.", False),
        ("StorageFault", "The disk said no.\\nIt did so twice.", False),
    ],
)
def test_a_refusal_is_one_sentence_of_the_store(kind: str, sentence: str, good: bool) -> None:
    """Other kinds of errors, bare database words, line breaks and tracebacks are not accepted as a refusal."""
    assert (sentence_faults(kind, sentence) == []) is good


def test_a_life_is_heard_line_by_line() -> None:
    """Acknowledgements before and after a refusal, the refusal and the end are told apart; the rest is unforeseen."""
    outcome = Outcome()
    for line in ("ack a", "no b StorageFault The disk said no.", "ack b", "gave-up 1", "broke KeyError()", "closed"):
        outcome.hear(line)

    assert (outcome.acknowledged, outcome.after_refusal) == (["a", "b"], 1)
    assert outcome.refused == [("b", "StorageFault", "The disk said no.")]
    assert outcome.gave_up
    assert outcome.closed
    assert outcome.unforeseen == ["1 acknowledged marks are not shown while the disk refuses", "broke KeyError()"]


def test_points_are_drawn_in_order_and_by_the_seed() -> None:
    """A sample keeps the order, has the size asked for and follows from the seed; None takes all."""
    drawn = some(range(100), 10, Random(4))

    assert drawn == sorted(drawn) == some(range(100), 10, Random(4))
    assert len(set(drawn)) == 10
    assert some(range(3), None, Random(4)) == some(range(3), 9, Random(4)) == [0, 1, 2]


def test_nothing_more_is_begun_once_enough_is_known() -> None:
    """All answers of what was begun are given, and what comes after is left alone."""
    answers = list(two_at_once(range(1_000), lambda number: number, until=lambda number: number >= 5))

    assert set(range(5)) < set(answers)
    assert len(answers) < 20


# --- the seeded faults ---------------------------------------------------------------------------


@pytest.mark.parametrize("fault", SEEDED, ids=lambda fault: fault.name)
def test_each_seeded_fault_still_fits_the_program(fault: Seeded) -> None:
    """The place that each one changes stands once in its file, and the changed file is Python and another."""
    for file, text in changed_files(ROOT, fault).items():
        assert text != (ROOT / file).read_text("utf-8")


def test_a_seeded_fault_that_no_longer_fits_is_told() -> None:
    """A list that the program has outgrown ends the run."""
    with pytest.raises(SystemExit, match="stands 0 times"):
        seeded_text("a = 1\n", "b = 2", "b = 3", "an old one")
