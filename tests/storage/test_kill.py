"""A process killed at any moment loses nothing that it acknowledged, and does nothing twice."""

import json
import sys
from multiprocessing import get_context
from multiprocessing.connection import Connection
from pathlib import Path
from random import Random
from time import monotonic

import pytest
from sqlalchemy import select as choose
from sqlalchemy import text

from app.ledger.check import check_entries
from app.storage.keys import load_or_make_site_key
from tests.storage.kill_child import LEDGERS, live, now, open_store

LIVES = 50
MOST_ANSWERS = 40
"""A life is ended after up to this many answers, so that its end falls anywhere in its work."""
DEADLINE_S = 30

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL and fork servers are not found on Windows")


def answers_until_killed(folder: Path, first: int, chance: Random) -> list[tuple[int, int]]:
    """Start a life, kill it at a moment drawn by `chance`, and return everything it had acknowledged."""
    context = get_context("forkserver")
    context.set_forkserver_preload(["tests.storage.kill_child", "cryptography.x509"])
    ours, theirs = context.Pipe(duplex=False)
    life = context.Process(target=live, args=(folder, first, theirs), daemon=True)
    life.start()
    theirs.close()
    answers = list(heard(ours, chance.randrange(MOST_ANSWERS)))
    until = monotonic() + chance.random() * 0.004
    while (left := until - monotonic()) > 0:
        if ours.poll(left):
            answers.append(ours.recv())
    life.kill()
    life.join(DEADLINE_S)
    assert life.exitcode == -9, "the life must end by our hand and not by its own fault"
    life.close()
    try:
        while True:
            answers.append(ours.recv())
    except EOFError:
        ours.close()
    return answers


def heard(pipe: Connection, count: int) -> list[tuple[int, int]]:
    """Wait for that many answers."""
    answers = []
    for _ in range(count):
        assert pipe.poll(DEADLINE_S), "no answer came"
        answers.append(pipe.recv())
    return answers


def stored_requests(folder: Path) -> dict[str, list[str]]:
    """Open the folder as a restarted program does, check all of it, and return each ledger's requests in order."""
    store, close = open_store(folder)
    pem = load_or_make_site_key(folder, site="Test site", clock=now).certificate_pem
    assert store.read_rows(choose(text("* FROM pragma_quick_check")))[0][0] == "ok"
    requests = {}
    for ledger in LEDGERS:
        payloads, heads = store.read_payloads(ledger), store.read_heads(ledger)
        assert check_entries(ledger=ledger, payloads=payloads, heads=heads, certificate_pem=pem) == ()
        requests[ledger] = [json.loads(payload)["request"] for payload in payloads]
    close()
    return requests


def test_fifty_killed_lives_lose_nothing_and_repeat_nothing(tmp_path: Path) -> None:
    """Every acknowledged request stands where it was said to stand, the record is clean, and no request stands twice.

    Each life asks again for what the one before it had not acknowledged, as a tablet does.
    """
    chance = Random(20260302)
    acknowledged: dict[int, int] = {}
    unanswered = 0
    for _ in range(LIVES):
        first = max(acknowledged, default=-1) + 1
        acknowledged.update(answers_until_killed(tmp_path, first, chance))

        stored = stored_requests(tmp_path)

        for number, seq in acknowledged.items():
            assert stored[LEDGERS[number % len(LEDGERS)]][seq] == f"request-{number}"
        everything = [request for requests in stored.values() for request in requests]
        assert len(everything) == len(set(everything))
        unanswered += len(everything) - len(acknowledged) > 0

    assert sorted(acknowledged) == list(range(len(acknowledged)))
    assert len(acknowledged) > LIVES
    assert unanswered > 0, "some life must have been killed between its COMMIT and its answer, else this proves little"
