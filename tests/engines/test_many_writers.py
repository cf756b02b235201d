"""Sixteen writers, each with its own connections and memory, in four processes, on one job: one chain of entries."""

import json
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from random import Random
from threading import Thread

import pytest

from app.ledger.check import check_entries
from app.storage.engine import open_engine
from app.storage.keys import load_or_make_site_key
from app.storage.tables import create_schema
from app.storage.writer import Store, Tip
from tests.engines.server import PostgresServer
from tests.engines.writer_child import JOB
from tests.ledger.signing import new_signer
from tests.storage.builders import append, done, one_batch, tick_clock
from tests.storage.requests import ask_once

ROOT = Path(__file__).resolve().parents[2]
PROCESSES, STORES, EACH = 4, 4, 6
WRITERS = PROCESSES * STORES


def test_sixteen_writers_make_one_chain(postgres: PostgresServer, tmp_path: Path) -> None:
    """Every request, each sent by two writers, stands once where both were told, in a chain the checker finds whole."""
    address = postgres.fresh()
    engine = open_engine(tmp_path / "none", address)
    create_schema(engine)
    key = load_or_make_site_key(tmp_path, site="Sample Works", clock=tick_clock())

    lives = [
        subprocess.Popen(
            [sys.executable, "-m", "tests.engines.writer_child", address, str(tmp_path),
             str(number * STORES), str(STORES), str(WRITERS), str(EACH)],
            cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )
        for number in range(PROCESSES)
    ]  # fmt: skip
    outputs = [life.communicate(timeout=300) for life in lives]
    told = [line.split() for output, _ in outputs for line in output.splitlines()]
    store = Store(engine, key, tick_clock())
    payloads, heads = store.read_payloads(JOB), store.read_heads(JOB)
    store.close()
    engine.dispose()

    assert [error for _, error in outputs] == [""] * PROCESSES
    assert len(told) == WRITERS * EACH * 2
    kept = [json.loads(payload)["token"] for payload in payloads]
    assert Counter(kept) == dict.fromkeys((token for token, _ in told), 1)
    assert len(kept) == WRITERS * EACH
    assert [kept[int(seq)] for _, seq in told] == [token for token, _ in told]
    assert [head.size for head in heads] == sorted({head.size for head in heads})
    assert heads[-1].size == len(payloads)
    assert check_entries(ledger=JOB, payloads=payloads, heads=heads, certificate_pem=key.certificate_pem) == ()


def test_sixteen_stores_on_several_jobs_make_whole_chains(postgres: PostgresServer, tmp_path: Path) -> None:
    """Batches of many jobs in random order from sixteen stores never wait for one another in a ring, nor mix."""
    address, signer = postgres.fresh(), new_signer()
    first = open_engine(tmp_path / "none", address)
    create_schema(first)
    engines = [open_engine(tmp_path / "none", address) for _ in range(16)]
    stores = [Store(engine, signer, tick_clock()) for engine in engines]
    heads: list[tuple[str, int]] = []

    def write(number: int) -> None:
        chance = Random(number)
        for _ in range(3):
            with one_batch(stores[number]):
                futures = [stores[number].submit(append(f"job-{chance.randrange(5)}")) for _ in range(6)]
            heads.extend((head.ledger, head.size) for head in map(done, futures))

    threads = [Thread(target=write, args=(number,)) for number in range(16)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert len(heads) == len(set(heads)) == 16 * 3 * 6
    for ledger in {ledger for ledger, _ in heads}:
        payloads, kept = stores[0].read_payloads(ledger), stores[0].read_heads(ledger)
        assert len(payloads) == sum(1 for name, _ in heads if name == ledger)
        assert check_entries(
            ledger=ledger, payloads=payloads, heads=kept, certificate_pem=signer.certificate_pem
        ) == ()  # fmt: skip
    for store, engine in zip(stores, engines, strict=True):
        store.close()
        engine.dispose()
    first.dispose()


@pytest.fixture
def two(postgres: PostgresServer, tmp_path: Path) -> Iterator[list[Store]]:
    """Open two stores, as two processes would."""
    address, signer = postgres.fresh(), new_signer()
    engines = [open_engine(tmp_path / "none", address) for _ in range(2)]
    create_schema(engines[0])
    stores = [Store(engine, signer, tick_clock()) for engine in engines]
    yield stores
    for store, engine in zip(stores, engines, strict=True):
        store.close()
        engine.dispose()


def test_memory_counts_only_while_nobody_else_has_written(two: list[Store]) -> None:
    """What one store remembers of a ledger is forgotten for good once the other has written to it."""
    one, other = two
    done(one.submit(append("job-1", memo="folded from one entry")))

    before = one.fresh("job-1")
    done(other.submit(append("job-1", memo="folded by the other")))
    after = one.fresh("job-1")
    seen: Tip = done(one.submit(lambda tx: tx.tip("job-1")))

    assert before is not None
    assert (before.size, before.memo) == (1, "folded from one entry")
    assert after is None
    assert (seen.size, seen.memo) == (2, None)
    assert one.peek("job-1") is None
    assert done(one.submit(append("job-1"))).size == 3


def test_a_request_seen_by_one_store_is_not_done_again_by_the_other(two: list[Store]) -> None:
    """A form sent again to another server gets the first answer."""
    one, other = two

    answers = [done(store.submit(ask_once("token", "job-1"))) for store in (one, other, one)]

    assert answers == [0, 0, 0]
    assert len(one.read_payloads("job-1")) == 1
