"""The one writer: what is acknowledged is on the disk, and one bad item hurts nobody else."""

import asyncio
import sqlite3
from collections.abc import Callable, Iterator
from concurrent.futures import CancelledError, Future
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime
from functools import partial
from pathlib import Path
from threading import Thread
from typing import Any

import pytest
from sqlalchemy import Connection, Engine, event, insert, select, text
from sqlalchemy.exc import DBAPIError
from sqlmodel import SQLModel

from app.ledger.check import check_entries
from app.ledger.heads import Head
from app.ledger.tree import EMPTY, leaf_hash
from app.storage import engine_sqlite as engine_module
from app.storage.engine import reader
from app.storage.faults import DiskFull, LedgerFaulty, StorageConflict, StorageFault
from app.storage.tables import RequestRow
from app.storage.writer import BATCH_LIMIT, Store, Tip, Tx
from tests.ledger.signing import TestSigner
from tests.storage.builders import WAIT_S, append, counted_commits, done, entry, one_batch, tick_clock
from tests.storage.conftest import ON_POSTGRESQL, ON_SQLITE, Opened
from tests.storage.requests import ask_once

PERSON = SQLModel.metadata.tables["person"]
SESSION = SQLModel.metadata.tables["session"]


class Refusal(Exception):  # noqa: N818
    """What an item's own rule says."""


def person(name: str) -> dict[str, object]:
    """Return one person's row."""
    return {
        "id": name,
        "name": name,
        "role": "technician",
        "secret_hash": "x",
        "must_change": True,
        "active": True,
        "created_at": "at",
        "failed": 0,
    }


def add_person(name: str) -> Callable[[Tx], str]:
    """Return work that adds a person."""

    def work(tx: Tx) -> str:
        tx.run(insert(PERSON), person(name))
        return name

    return work


def raising(work: Callable[[Tx], object]) -> Callable[[Tx], object]:
    """Return work that does all of `work` and then refuses."""

    def refused(tx: Tx) -> object:
        work(tx)
        raise Refusal

    return refused


def faults(store: Store, signer: TestSigner, ledger: str) -> list[str]:
    """Check what is stored, and return each fault's sentence."""
    found = check_entries(
        ledger=ledger,
        payloads=store.read_payloads(ledger),
        heads=store.read_heads(ledger),
        certificate_pem=signer.certificate_pem,
    )
    return [fault.sentence for fault in found]


@contextmanager
def at_commit(engine: Engine, act: Callable[[Any], None], *, skip: int = 0) -> Iterator[None]:
    """Do something at the next COMMIT, or after letting some pass, once."""
    passing = [None] * skip
    left = [act]

    def intrude(connection: Connection) -> None:
        if passing:
            passing.pop()
        elif left:
            left.pop()(connection.connection.driver_connection)

    event.listen(engine, "commit", intrude)
    try:
        yield
    finally:
        event.remove(engine, "commit", intrude)


def fail_flush(_: object) -> None:
    """Answer as SQLite does when the disk refuses a flush; for the store any driver's error is as good."""
    raise sqlite3.OperationalError("disk I/O error")


# What an append leaves


def test_an_append_is_stored_signed_and_clean(store: Store, signer: TestSigner) -> None:
    """Entries, head and cache agree, and the checker finds nothing."""
    heads = [done(store.submit(append("job-1", entries=count))) for count in (1, 3, 2)]

    assert store.read_heads("job-1") == heads
    assert [store.read_head("job-1", head.size) for head in heads] == heads
    assert (store.read_head("job-1"), store.read_head("job-1", 99)) == (heads[-1], None)
    assert store.read_payloads("job-1", since=1) == store.read_payloads("job-1")[1:]
    assert [head.size for head in heads] == [1, 4, 6]
    assert heads[0].at == "2026-03-02T07:15:00.000Z"
    assert faults(store, signer, "job-1") == []
    tip = store.fresh("job-1")
    assert tip is not None
    assert (tip.size, tip.frontier.root()) == (6, heads[-1].root)


def test_an_unknown_ledger_is_empty(store: Store) -> None:
    """Asking for what never was is no error."""
    assert done(store.submit(lambda tx: tx.tip("none"))) == Tip(0, EMPTY, None)
    assert done(store.submit(lambda tx: tx.payloads("none"))) == []
    assert store.read_payloads("none") == []
    assert store.read_heads("none") == []
    assert store.read_head("none") is None


@pytest.mark.parametrize(
    "payloads",
    [
        [],
        [b"x"],
        [b'{"seq":0, "ledger":"job-1"}'],
        [entry("job-2", 0)],
        [entry("job-1", 1)],
        [entry("job-1", 0), entry("job-1", 0)],
    ],
)
def test_an_entry_that_the_checker_would_refuse_never_gets_in(store: Store, payloads: list[bytes]) -> None:
    """Since nothing can be taken out again, a malformed entry is refused at the door."""
    with pytest.raises(StorageFault):
        done(store.submit(lambda tx: tx.append("job-1", payloads)))

    assert store.read_payloads("job-1") == []


def test_a_clock_without_time_zone_is_refused(engine: Engine, signer: TestSigner) -> None:
    """A head's time must be one moment, not a wall clock's reading."""
    store = Store(engine, signer, lambda: datetime(2026, 3, 2, 7, 15))  # noqa: DTZ001

    with pytest.raises(StorageFault, match="time zone"):
        done(store.submit(append("job-1")))

    store.close()


def test_a_head_is_dated_in_utc(engine: Engine, signer: TestSigner) -> None:
    """Whatever zone the clock speaks, the record speaks UTC."""
    local = datetime.fromisoformat("2026-03-02T08:15:00.123456+01:00")
    store = Store(engine, signer, lambda: local)

    assert done(store.submit(append("job-1"))).at == "2026-03-02T07:15:00.123Z"

    store.close()


def test_the_store_goes_on_where_the_file_ends(opened: Opened, engine: Engine, signer: TestSigner) -> None:
    """A new start reads the tip from the file and continues the same tree."""
    first = Store(engine, signer, tick_clock())
    done(first.submit(append("job-1", entries=5)))
    first.close()
    engine.dispose()
    again = opened.again()
    second = Store(again, signer, tick_clock())

    head = done(second.submit(append("job-1", entries=2)))

    assert head.size == 7
    assert faults(second, signer, "job-1") == []
    second.close()
    again.dispose()


# One batch, many items


def test_what_waits_is_written_in_one_transaction(engine: Engine, store: Store, signer: TestSigner) -> None:
    """Forty items that wait together cost one COMMIT, and each sees the one before."""
    with counted_commits(engine) as commits:
        with one_batch(store):
            futures = [store.submit(append("job-1")) for _ in range(40)]
        sizes = [done(future).size for future in futures]

    assert sizes == list(range(1, 41))
    assert len(commits) == 2  # the item that held the writer back, and the batch
    assert faults(store, signer, "job-1") == []


def test_a_batch_has_an_upper_limit(engine: Engine, store: Store) -> None:
    """More than the limit is split, so that nobody waits for everybody."""
    with counted_commits(engine) as commits:
        with one_batch(store):
            futures = [store.submit(append(f"job-{number}")) for number in range(BATCH_LIMIT + 1)]
        for future in futures:
            done(future)

    assert len(commits) == 3


def test_nothing_is_answered_before_it_is_committed(engine: Engine, store: Store) -> None:
    """At the moment of COMMIT no future of the batch is done and no reader sees the entry."""
    futures: list[Future[Head]] = []
    seen: list[object] = []

    def look(_: object) -> None:
        seen.extend([futures[0].done(), store.fresh("job-1"), store.read_payloads("job-1")])

    with at_commit(engine, look, skip=1):
        with one_batch(store):
            futures.append(store.submit(append("job-1")))
        done(futures[0])

    assert seen == [False, None, []]
    assert len(store.read_payloads("job-1")) == 1


def test_an_item_that_raises_leaves_nothing_and_hurts_nobody(store: Store, signer: TestSigner) -> None:
    """Its exception is its own; entries, requests, memos and statements of it are gone."""

    def all_kinds(tx: Tx) -> None:
        append("job-1", entries=3)(tx)
        append("job-2")(tx)
        tx.keep_request("token", "job-1", "digest", 0)
        tx.remember("job-1", "memo")
        tx.run(insert(PERSON), person("ann"))

    with one_batch(store):
        before = store.submit(append("job-1"))
        bad = store.submit(raising(all_kinds))
        after = store.submit(append("job-1"))
        token = store.submit(lambda tx: tx.seen_request("token"))

    assert (done(before).size, done(after).size) == (1, 2)
    with pytest.raises(Refusal):
        done(bad)
    assert done(token) is None
    assert store.read_payloads("job-2") == []
    assert store.read_rows(select(PERSON)) == []
    assert faults(store, signer, "job-1") == []


def test_an_item_that_raises_more_than_an_exception_does_not_end_the_thread(store: Store) -> None:
    """Even what would end a program reaches only its own future."""

    def leave(_: Tx) -> None:
        raise SystemExit(3)

    with pytest.raises(SystemExit):
        done(store.submit(leave))

    assert done(store.submit(append("job-1"))).size == 1


def test_later_items_see_earlier_ones_and_themselves(store: Store) -> None:
    """Tips, payloads, requests and rows are as if each earlier item had been committed alone."""

    def look(tx: Tx) -> list[object]:
        tx.append("job-1", [entry("job-1", 2, note="mine")])
        tx.keep_request("mine", "job-1", "digest", 2)
        seen = [tx.seen_request(token) for token in ("theirs", "mine", "none")]
        people = [row.name for row in tx.rows(select(PERSON.c.name))]
        return [tx.tip("job-1").size, len(tx.payloads("job-1")), [row and row.seq for row in seen], people]

    def request(tx: Tx) -> None:
        tx.keep_request("theirs", "job-1", "digest", 1)

    with one_batch(store):
        futures: list[Future[object]] = [
            store.submit(append("job-1", entries=2)),
            store.submit(request),
            store.submit(add_person("ann")),
            store.submit(look),
            store.submit(lambda tx: (len(tx.payloads("job-1")), tx.tip("job-1").size)),
        ]

    assert done(futures[3]) == [3, 3, [1, 2, None], ["ann"]]
    assert done(futures[4]) == (3, 3)
    assert len(store.read_payloads("job-1")) == 3


def test_an_item_does_not_read_its_own_statements(store: Store) -> None:
    """What an item writes is kept back until its work has returned, so that it can still leave nothing."""

    def work(tx: Tx) -> int:
        tx.run(insert(PERSON), person("ann"))
        return len(tx.rows(select(PERSON)))

    assert done(store.submit(work)) == 0
    assert [row.id for row in store.read_rows(select(PERSON))] == ["ann"]


def test_a_piece_of_work_cannot_write_after_it_returned(store: Store) -> None:
    """A kept transaction object is dead, in this batch and later."""
    kept: list[Tx] = []

    done(store.submit(kept.append))

    for late in (
        lambda: kept[0].tip("job-1"),
        lambda: kept[0].run(text("SELECT 1")),
        lambda: kept[0].keep_request("t", "job-1", "d", 0),
        lambda: kept[0].append("job-1", [entry("job-1", 0)]),
        lambda: kept[0].rows(select(PERSON)),
    ):
        with pytest.raises(StorageFault, match="over"):
            late()


# What the database refuses


def test_a_refused_statement_fails_its_own_item_only(store: Store, signer: TestSigner) -> None:
    """The batch is rolled back and its items run again one at a time."""
    with one_batch(store):
        good = [store.submit(append("job-1")) for _ in range(3)]
        first = store.submit(add_person("ann"))
        second = store.submit(add_person("ann"))
        good += [store.submit(append("job-1")) for _ in range(3)]

    assert done(first) == "ann"
    with pytest.raises(StorageConflict, match=r"(?i)unique"):
        done(second)
    assert [done(future).size for future in good] == [1, 2, 3, 4, 5, 6]
    assert faults(store, signer, "job-1") == []


def test_a_refusal_found_while_a_neighbour_reads_is_still_its_own(store: Store) -> None:
    """Reading sends earlier items' writes first; what is refused there is not the reader's fault."""
    with one_batch(store):
        futures = [store.submit(add_person("ann")), store.submit(add_person("ann"))]
        reading = store.submit(lambda tx: [row.id for row in tx.rows(select(PERSON.c.id))])

    assert done(reading) == ["ann"]
    assert done(futures[0]) == "ann"
    with pytest.raises(StorageConflict):
        done(futures[1])


@ON_SQLITE  # on PostgreSQL no constraint waits for COMMIT
def test_a_refusal_at_commit_itself_fails_its_own_item_only(store: Store) -> None:
    """A constraint that is only looked at by COMMIT is no different."""

    def orphan(tx: Tx) -> None:
        tx.run(text("PRAGMA defer_foreign_keys=ON"))
        row = {"token_hash": "h", "person": "nobody", "tablet": "t", "created_at": "at", "seen_at": "at"}
        tx.run(insert(SESSION), row)

    with one_batch(store):
        before, bad, after = store.submit(append("job-1")), store.submit(orphan), store.submit(append("job-1"))

    assert (done(before).size, done(after).size) == (1, 2)
    with pytest.raises(StorageConflict, match="FOREIGN KEY"):
        done(bad)
    assert store.read_rows(select(SESSION)) == []


@pytest.mark.parametrize("value", [2**70, object(), {"a"}], ids=["too large", "object", "set"])
def test_a_value_that_cannot_be_stored_fails_its_own_item_only(store: Store, value: object) -> None:
    """A slip in one route's code is not another technician's lost tick."""
    with one_batch(store):
        before = store.submit(append("job-1"))
        bad = store.submit(lambda tx: tx.run(insert(PERSON), {**person("ann"), "failed": value}))
        after = store.submit(append("job-1"))

    assert (done(before).size, done(after).size) == (1, 2)
    with pytest.raises(StorageFault, match="refused"):
        done(bad)


def test_a_hidden_database_error_still_ends_the_batch(store: Store) -> None:
    """Work that swallows a failed read is not acknowledged on a transaction that may be gone."""

    def swallow(tx: Tx) -> str:
        try:
            tx.rows(select(text("nonsense FROM nowhere")))
        except StorageFault:
            return "all well"
        return "no error"

    with pytest.raises(StorageFault):
        done(store.submit(swallow))

    assert done(store.submit(append("job-1"))).size == 1


def test_an_equal_token_is_carried_out_once(store: Store) -> None:
    """Two taps in one batch, and one long after, lead to one entry and one answer."""
    with one_batch(store):
        futures = [store.submit(ask_once("token", "job-1")) for _ in range(5)]
    answers = [done(future) for future in futures] + [done(store.submit(ask_once("token", "job-1")))]

    assert answers == [0] * 6
    assert len(store.read_payloads("job-1")) == 1


def test_an_equal_token_nobody_looked_for_is_refused(store: Store) -> None:
    """Even careless work cannot keep one token twice."""

    def careless(tx: Tx) -> None:
        seq = tx.tip("job-1").size
        append("job-1")(tx)
        tx.keep_request("token", "job-1", "digest", seq)

    with one_batch(store):
        futures = [store.submit(careless), store.submit(careless)]

    done(futures[0])
    with pytest.raises(StorageConflict, match="carried out once"):
        done(futures[1])
    assert len(store.read_payloads("job-1")) == 1


def test_a_kept_request_comes_back_as_it_was(store: Store) -> None:
    """Token, ledger, digest and entry are read back from the file."""
    done(store.submit(ask_once("token", "job-1")))

    assert done(store.submit(lambda tx: tx.seen_request("token"))) == RequestRow(
        token="token", ledger="job-1", digest="digest", seq=0
    )


# When the disk refuses


def test_a_failed_flush_fails_everything_and_advances_nothing(engine: Engine, store: Store, signer: TestSigner) -> None:
    """All futures fail, the cache still has the old tip, and the next batch goes on from the file."""
    done(store.submit(append("job-1")))
    with at_commit(engine, fail_flush, skip=1):
        with one_batch(store):
            futures = [store.submit(append("job-1")) for _ in range(3)]
        errors = [future.exception(WAIT_S) for future in futures]

    assert [type(error) for error in errors] == [StorageFault] * 3
    assert all("disk I/O error" in str(error) for error in errors)
    assert store.fresh("job-1") is None
    assert len(store.read_payloads("job-1")) == 1
    assert done(store.submit(append("job-1"))).size == 2
    assert faults(store, signer, "job-1") == []


def test_a_failed_flush_is_never_tried_again(engine: Engine, store: Store) -> None:
    """The work runs once, and the connection it failed on is gone."""
    runs: list[object] = []

    def counted(tx: Tx) -> None:
        runs.append(tx)
        append("job-1")(tx)

    def failing(driver: object) -> None:
        used.append(driver)
        fail_flush(driver)

    used: list[object] = []
    with at_commit(engine, failing), pytest.raises(StorageFault):
        done(store.submit(counted))
    with at_commit(engine, used.append):
        done(store.submit(append("job-2")))

    assert len(runs) == 1
    failed, after = used
    assert failed is not after


def test_a_commit_that_worked_and_was_reported_failed_is_survived(
    engine: Engine, store: Store, signer: TestSigner
) -> None:
    """The entry is there although its future failed; the next one goes behind it, not over it."""

    def commit_then_fail(driver: Any) -> None:
        driver.execute("COMMIT")
        fail_flush(driver)

    done(store.submit(append("job-1")))
    with at_commit(engine, commit_then_fail), pytest.raises(StorageFault):
        done(store.submit(append("job-1")))

    assert done(store.submit(append("job-1"))).size == 3
    assert faults(store, signer, "job-1") == []


@ON_SQLITE
def test_a_full_disk_is_told_and_writing_resumes(store: Store, signer: TestSigner) -> None:
    """SQLite's own "full" fails the batch; reading goes on, and so does writing once there is room."""
    done(store.submit(append("job-1")))
    pages = store.read_rows(select(text("page_count FROM pragma_page_count")))[0][0]

    def fill(tx: Tx) -> Head:
        tx.run(text(f"PRAGMA max_page_count={pages}"))
        return append("job-1", note="x" * 100_000)(tx)

    with one_batch(store):
        futures = [store.submit(append("job-1")), store.submit(fill)]

    for future in futures:
        with pytest.raises(StorageFault, match="full"):
            done(future)
    assert len(store.read_payloads("job-1")) == 1
    assert done(store.submit(append("job-1", note="x" * 100_000))).size == 2
    assert faults(store, signer, "job-1") == []


@ON_POSTGRESQL
def test_a_server_without_room_is_told_as_a_full_disk(store: Store) -> None:
    """The server's own code for a full disk gives the same sentence, and nothing of the batch is saved."""
    full = "DO $$ BEGIN RAISE EXCEPTION 'could not extend file' USING ERRCODE = '53100'; END $$"

    def fill(tx: Tx) -> None:
        append("job-1")(tx)
        tx.run(text(full))

    with pytest.raises(DiskFull):
        done(store.submit(fill))

    assert store.read_payloads("job-1") == []
    assert done(store.submit(append("job-1"))).size == 1


def test_an_unreachable_database_is_told_and_the_thread_lives(
    engine: Engine, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """If the file cannot even be opened again, each batch is told so until it can."""
    with at_commit(engine, fail_flush), pytest.raises(StorageFault):
        done(store.submit(append("job-1")))

    def gone() -> None:
        raise StorageFault("The database cannot be opened.")

    monkeypatch.setattr(store._engine, "connect", gone)
    with pytest.raises(StorageFault, match="cannot be opened"):
        done(store.submit(append("job-1")))
    monkeypatch.undo()

    assert done(store.submit(append("job-1"))).size == 1


# Tips and memos


def test_a_memo_is_kept_with_exactly_its_tip(store: Store) -> None:
    """A memo lives until the next append, which brings its own or none."""
    done(store.submit(append("job-1", memo="one")))
    one = store.fresh("job-1")
    done(store.submit(append("job-1")))
    none = store.fresh("job-1")
    done(store.submit(lambda tx: tx.remember("job-1", "two")))
    two = store.fresh("job-1")

    assert [tip and (tip.size, tip.memo) for tip in (one, none, two)] == [(1, "one"), (2, None), (2, "two")]


def test_after_a_failed_flush_a_memo_counts_again_only_where_the_ledger_ends_as_before(
    engine: Engine, store: Store
) -> None:
    """What was folded is not folded again if the file holds the same entries; else it is gone.  Nothing is at hand."""

    def commit_then_fail(driver: Any) -> None:
        driver.execute("COMMIT")
        fail_flush(driver)

    def tips() -> list[Tip]:
        return [done(store.submit(partial(Tx.tip, ledger=ledger))) for ledger in ("job-1", "job-2")]

    for ledger in ("job-1", "job-2"):
        done(store.submit(append(ledger, memo=f"of {ledger}")))

    with at_commit(engine, fail_flush), pytest.raises(StorageFault):
        done(store.submit(append("job-1", memo="never saved")))
    at_hand = [store.fresh(ledger) for ledger in ("job-1", "job-2")]
    after_nothing = tips()
    with at_commit(engine, commit_then_fail), pytest.raises(StorageFault):
        done(store.submit(append("job-1", memo="saved")))
    after_all = tips()

    assert at_hand == [None, None]
    assert [(tip.size, tip.memo) for tip in after_nothing] == [(1, "of job-1"), (1, "of job-2")]
    assert [(tip.size, tip.memo) for tip in after_all] == [(2, None), (1, "of job-2")]


def test_a_memo_is_seen_by_later_items_of_the_batch(store: Store) -> None:
    """The fold of one item is there for the next one, before any COMMIT."""
    with one_batch(store):
        store.submit(append("job-1", memo="folded"))
        seen = store.submit(lambda tx: tx.tip("job-1").memo)

    assert done(seen) == "folded"


def test_the_cache_is_bounded(engine: Engine, signer: TestSigner) -> None:
    """The ledger not touched for longest is forgotten, and is read again when needed."""
    store = Store(engine, signer, tick_clock(), tips_kept=2)
    for ledger in ("job-1", "job-2"):
        done(store.submit(append(ledger)))
    store.fresh("job-1")

    done(store.submit(append("job-3")))

    assert [store.fresh(ledger) is None for ledger in ("job-1", "job-2", "job-3")] == [False, True, False]
    assert done(store.submit(append("job-2"))).size == 2
    store.close()


TAMPERINGS = {
    "payload": "UPDATE entry SET payload = CAST(replace(CAST(payload AS TEXT), 'n1', 'n9') AS BLOB) WHERE seq = 1",
    "leaf": "UPDATE entry SET leaf = x'00' WHERE seq = 1",
    "tail": "DELETE FROM entry WHERE seq = 2",
    "hole": "DELETE FROM entry WHERE seq = 1",
    "head": "UPDATE head SET root = x'00' WHERE size = 3",
    "heads": "DELETE FROM head",
    "entries": "DELETE FROM entry",
}
ON_THE_SERVER = {
    **TAMPERINGS,
    "payload": "UPDATE entry SET payload = convert_to(replace(convert_from(payload, 'UTF8'), 'n1', 'n9'), 'UTF8')",
    "leaf": r"UPDATE entry SET leaf = '\x00' WHERE seq = 1",
    "head": r"UPDATE head SET root = '\x00' WHERE size = 3",
}


@pytest.mark.parametrize("name", TAMPERINGS)
def test_a_damaged_ledger_can_be_read_and_not_written_to(
    opened: Opened, engine: Engine, signer: TestSigner, name: str
) -> None:
    """Nothing is added to a ledger that does not match its newest head; other ledgers go on."""
    first = Store(engine, signer, tick_clock())
    done(first.submit(lambda tx: tx.append("job-1", [entry("job-1", seq, note=f"n{seq}") for seq in range(3)])))
    first.close()
    engine.dispose()
    opened.vandalise((TAMPERINGS if opened.address is None else ON_THE_SERVER)[name])
    store = Store(engine, signer, tick_clock())

    with one_batch(store):
        bad, good = store.submit(append("job-1")), store.submit(append("job-2"))

    with pytest.raises(LedgerFaulty, match="entry 1 " if name in {"payload", "leaf", "hole"} else "newest head"):
        done(bad)
    assert done(good).size == 1
    assert len(store.read_payloads("job-1")) == {"tail": 2, "hole": 2, "entries": 0}.get(name, 3)
    store.close()


# Life of the store


@ON_SQLITE
def test_closing_finishes_what_was_handed_in(tmp_path: Path, engine: Engine, signer: TestSigner) -> None:
    """Everything submitted before is written, the log is copied into the file, and later work is refused."""
    store = Store(engine, signer, tick_clock())
    futures = [store.submit(append("job-1")) for _ in range(300)]

    with reader(engine).connect():  # which keeps SQLite from tidying up by itself
        store.close()
        store.close()
        left_in_log = (tmp_path / "data" / "changeout.sqlite-wal").stat().st_size
    late = store.submit(append("job-1"))

    assert [done(future).size for future in futures] == list(range(1, 301))
    assert left_in_log == 0
    with pytest.raises(StorageFault, match="closed"):
        done(late)


@ON_SQLITE
def test_two_stores_on_one_engine_are_refused(engine: Engine, store: Store) -> None:
    """There is one writer; a second is told so at once, not at its first write."""
    with pytest.raises(StorageFault, match="second connection"):
        Store(engine, store._signer, tick_clock())


@ON_SQLITE
def test_a_store_that_cannot_write_does_not_start(
    tmp_path: Path, engine: Engine, signer: TestSigner, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A foreign program that holds the file is told at the start, and a later start succeeds."""
    monkeypatch.setitem(engine_module._WRITER_PRAGMAS, "busy_timeout", ("0", 0))
    stranger = sqlite3.connect(tmp_path / "data" / "changeout.sqlite", isolation_level=None)
    stranger.execute("BEGIN IMMEDIATE")

    with pytest.raises(StorageFault, match="locked"):
        Store(engine, signer, tick_clock())
    stranger.close()

    Store(engine, signer, tick_clock()).close()


def test_cancelled_work_is_not_done(store: Store) -> None:
    """Work withdrawn while it waits leaves nothing and does not disturb its batch."""
    with one_batch(store):
        kept = store.submit(append("job-1"))
        withdrawn = store.submit(append("job-1"))
        withdrawn.cancel()

    assert done(kept).size == 1
    with pytest.raises(CancelledError):
        done(withdrawn)
    assert done(store.submit(lambda tx: tx.tip("job-1").size)) == 1


def test_work_can_be_awaited(store: Store) -> None:
    """The event loop waits without blocking, for answers and for exceptions."""

    async def many() -> list[int]:
        heads = await asyncio.gather(*(asyncio.wrap_future(store.submit(append("job-1"))) for _ in range(20)))
        with pytest.raises(Refusal):
            await asyncio.wrap_future(store.submit(raising(append("job-1"))))
        return sorted(head.size for head in heads)

    assert asyncio.run(many()) == list(range(1, 21))


def test_many_threads_make_one_order(store: Store, signer: TestSigner) -> None:
    """Eight threads append to one ledger, and the tree has no gap and no double."""
    threads = [Thread(target=lambda: [done(store.submit(append("job-1"))) for _ in range(25)]) for _ in range(8)]

    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(WAIT_S)

    assert len(store.read_payloads("job-1")) == 200
    assert faults(store, signer, "job-1") == []


def test_a_failed_read_is_told_in_our_words(store: Store) -> None:
    """Foreign errors never pass the edge."""
    with pytest.raises(StorageFault, match="could not be read"):
        store.read_rows(select(text("nonsense FROM nowhere")))


def test_the_reading_side_cannot_write(store: Store, engine: Engine) -> None:
    """A statement that writes is refused wherever it is not handed to the writer."""
    with pytest.raises(StorageFault, match=r"read-?only"):
        store.read_rows(text("DELETE FROM person"))  # type: ignore[arg-type]

    with reader(engine).connect() as connection, pytest.raises(DBAPIError, match=r"read-?only"):
        connection.execute(text("DELETE FROM person"))


def test_the_tip_is_the_tree_of_what_is_stored(store: Store) -> None:
    """Whatever mixture of appends was made, the cached frontier is the file's."""
    for count in (1, 2, 3, 5, 8):
        done(store.submit(append("job-1", entries=count)))
    frontier = EMPTY
    for payload in store.read_payloads("job-1"):
        frontier = frontier.append(leaf_hash(payload))

    tip = store.fresh("job-1")

    assert tip is not None
    assert replace(tip, memo=None) == Tip(19, frontier, None)
