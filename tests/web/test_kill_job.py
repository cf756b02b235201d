"""The program killed at any moment of a running job loses no mark that a tablet saw acknowledged, and repeats none."""

import http.client
import socket
import sys
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from multiprocessing import get_context
from multiprocessing.process import BaseProcess
from pathlib import Path
from queue import SimpleQueue
from random import Random
from threading import Event, Thread
from time import monotonic
from urllib.parse import urlencode
from uuid import UUID

import pytest

from app.bootstrap import start
from app.domain.job import fold
from app.ledger.check import check_entries
from app.settings import Settings
from tests.benching.site import Mark, prepare
from tests.web.kill_server import live

LIVES = 50
TABLETS, JOBS_EACH, MARKS_EACH = 2, 9, 500
MOST_ANSWERS = 24
"""A life is ended after up to this many answers, so that its end falls anywhere in the work."""
DEADLINE_S = 30

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL and fork servers are not found on Windows")


@dataclass
class Tablet:
    """A tablet that sends its marks in order, the unanswered one again with the same token after a new start."""

    marks: list[Mark]
    chance: Random
    port: int
    answered: list[tuple[str, str]] = field(default_factory=list)
    tokens: dict[int, str] = field(default_factory=dict)
    wrong: list[str] = field(default_factory=list)

    def work(self, told: "SimpleQueue[None]", over: Event) -> None:
        """Send mark after mark over a new line whenever one breaks, until it is over."""
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=DEADLINE_S)
        while not over.is_set() and not self.wrong:
            try:
                job, token, status = self.send(line)
            except (http.client.HTTPException, OSError):
                line.close()
                continue
            if status == http.HTTPStatus.SEE_OTHER:
                self.answered.append((job, token))
            else:
                self.wrong.append(f"{status} for mark {len(self.answered)} of {job}")
            told.put(None)
        line.close()

    def send(self, line: http.client.HTTPConnection) -> tuple[str, str, int]:
        """Send the mark that is next and wait for its answer."""
        number = len(self.answered)
        job, cookie, step, act, answers = self.marks[number]
        token = self.tokens.setdefault(number, UUID(int=self.chance.getrandbits(128)).hex)
        given = {f"a.{name}": value for name, value in answers.items()}
        body = urlencode({"act": act, "step": step, "token": token, **given})
        origin = f"http://127.0.0.1:{self.port}"
        line.request("POST", f"/jobs/{job}/marks", body, {
            "Content-Type": "application/x-www-form-urlencoded", "Origin": origin,
            "Cookie": f"changeout_session={cookie}; changeout_tablet=killed",
        })  # fmt: skip
        answer = line.getresponse()
        answer.read()
        return job, token, answer.status


def a_life(folder: Path, door: socket.socket) -> BaseProcess:
    """Start the program on the folder."""
    context = get_context("forkserver")
    context.set_forkserver_preload(["tests.web.kill_server", "cryptography.x509"])
    life = context.Process(target=live, args=(folder, door), daemon=True)
    life.start()
    return life


def kill_amid(life: BaseProcess, told: "SimpleQueue[None]", chance: Random) -> None:
    """Kill the program after some answers and a moment more."""
    for _ in range(chance.randrange(MOST_ANSWERS)):
        told.get(timeout=DEADLINE_S)
    until = monotonic() + chance.random() * 0.006
    while monotonic() < until:
        pass
    life.kill()
    life.join(DEADLINE_S)
    assert life.exitcode == -9, "the life must end by our hand and not by its own fault"
    life.close()


@contextmanager
def at_work(tablets: list[Tablet], door: socket.socket) -> Iterator["SimpleQueue[None]"]:
    """Let the tablets work through all lives; the socket held here keeps who calls between two lives waiting."""
    told: SimpleQueue[None] = SimpleQueue()
    over = Event()
    hands = [Thread(target=tablet.work, args=(told, over), daemon=True) for tablet in tablets]
    for hand in hands:
        hand.start()
    try:
        yield told
    finally:
        over.set()
        door.close()
        for hand in hands:
            hand.join(DEADLINE_S)


def requests_by_job(folder: Path, jobs: set[str]) -> dict[str, list[str | None]]:
    """Start on the folder as after any crash, check each job's ledger, return the request of each of its entries."""
    running = start(Settings(data=folder))
    try:
        found = {}
        for job in jobs:
            payloads, heads = running.store.read_payloads(job), running.store.read_heads(job)
            pem = running.key.certificate_pem
            assert check_entries(ledger=job, payloads=payloads, heads=heads, certificate_pem=pem) == ()
            events = running.site.jobs.events(job)
            assert fold(events).size == len(events) == running.site.jobs.state(job).size
            found[job] = [event.request for event in events]
        return found
    finally:
        running.close()


def since(before: dict[str, list[str | None]], now: dict[str, list[str | None]]) -> list[str | None]:
    """Return the requests of all entries made since, none left out; what stood before stands as it was."""
    assert {job: requests[: len(before[job])] for job, requests in now.items()} == before
    return [request for job, requests in now.items() for request in requests[len(before[job]) :]]


def test_nothing_that_came_since_passes_unseen() -> None:
    """A request that came twice, one that nobody sent and an entry without a request are all in what is counted."""
    assert since({"job": ["a", "a"]}, {"job": ["a", "a", "b", "b", None]}) == ["b", "b", None]
    with pytest.raises(AssertionError):
        since({"job": ["a", "a"]}, {"job": ["a"]})


def test_fifty_kills_amid_a_job_lose_no_acknowledged_mark(tmp_path: Path) -> None:
    """Every mark whose answer reached a tablet stands in its job after the next start, each of them once."""
    chance = Random(20261125)
    site = prepare(tmp_path, TABLETS * JOBS_EACH, finished=False)
    door = socket.create_server(("127.0.0.1", 0))
    tablets = [Tablet(marks, Random(number), door.getsockname()[1])
               for number, marks in enumerate(site.marks(TABLETS, MARKS_EACH))]  # fmt: skip
    jobs = {mark[0] for tablet in tablets for mark in tablet.marks}
    at_first = requests_by_job(tmp_path, jobs)
    kept_unanswered = 0
    with at_work(tablets, door) as told:
        for _ in range(LIVES):
            kill_amid(a_life(tmp_path, door), told, chance)
            answered = [answer for tablet in tablets for answer in tuple(tablet.answered)]

            kept = requests_by_job(tmp_path, jobs)

            assert [tablet.wrong for tablet in tablets] == [[], []]
            assert [answer for answer in answered if answer[1] not in kept[answer[0]]] == []
            sent = {token for tablet in tablets for token in tuple(tablet.tokens.values())}
            new = since(at_first, kept)
            assert [token for token in new if token not in sent] == []
            assert [token for token, times in Counter(new).items() if times > 1] == []
            kept_unanswered += len(new) > len(answered)

    assert len(answered) > LIVES
    assert kept_unanswered, "some life must have ended between its COMMIT and its answer, else this proves little"
