"""Lives of the program, each forked from one process that has imported everything.

`python -m tests.faulting.child SOCKET` runs in the tree under test.  Whoever connects sends one line, an Order as JSON,
and has a process of their own that tells one fact a line: `ready PID`, `ack TOKEN`, `no TOKEN KIND SENTENCE`,
`wrong TOKEN WHAT`, `unopened KIND SENTENCE`, `gave-up MISSING`, `broke WHAT`, `closed`.  A token is told as `ack` after
the program's own promise for the mark has come true, and at no other time.
"""

import ctypes
import json
import os
import signal
import socket
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import dataclass
from pathlib import Path
from threading import Event
from typing import Any

from sqlalchemy import text

from app.bootstrap import Running, start, unprintable
from app.calc.errors import ChangeoutError
from app.domain.commands import Begin, Finish
from app.domain.event_base import Who
from app.domain.procedure import Role
from app.services.jobs import Asked, Recorded
from app.settings import Settings
from app.storage.faults import StorageFault

CHECKPOINT_PAGES = 40
"""Far below the real setting, so that a job of 100 marks goes through many checkpoints."""
TRIES = 3
"""So often a mark is sent before its tablet gives up."""
WAIT_S = 30
_ANY_TRACER = 0x59616D61, -1
"""prctl(PR_SET_PTRACER, PR_SET_PTRACER_ANY): where only a parent may trace, this process lets others."""

Tell = Callable[..., None]


@dataclass(frozen=True)
class Order:
    """What a life is to do.  work: a file of rounds of marks.  early: it is traced before it opens the folder."""

    folder: str
    work: str
    early: bool


@dataclass(frozen=True)
class Mark:
    """One mark of a tablet."""

    job: str
    act: str
    step: str
    answers: dict[str, str]
    by: tuple[str, str, str]
    token: str

    @property
    def command(self) -> Begin | Finish:
        """The mark as the program's command."""
        begins = self.act == "begin"
        return Begin(self.step, answers=self.answers) if begins else Finish(self.step, self.answers)

    @property
    def asked(self) -> Asked:
        """Who asks, with which token."""
        person, name, role = self.by
        return Asked(by=Who(id=person, name=name, role=Role(role)), tablet="faults", token=self.token)


def read_rounds(file: Path) -> list[list[Mark]]:
    """Read the work: marks of one round are handed in together and written in one transaction."""
    rounds: list[list[dict[str, Any]]] = json.loads(file.read_text("utf-8"))
    return [[Mark(**{**mark, "by": tuple(mark["by"])}) for mark in marks] for marks in rounds]


def live(line: socket.socket) -> None:
    """Read the order, open the folder, do the work, close the folder."""
    hears = line.makefile("r", encoding="utf-8")
    order = Order(**json.loads(hears.readline()))
    rounds = read_rounds(Path(order.work))

    def tell(*words: str) -> None:
        os.write(line.fileno(), (" ".join(words).replace("\n", "\\n") + "\n").encode())

    if order.early:
        tell("ready", str(os.getpid()))
        hears.readline()
    running = _opened(Path(order.folder), tell)
    if running is None:
        return
    running.store.submit(lambda tx: tx.run(text(f"PRAGMA wal_autocheckpoint={CHECKPOINT_PAGES}"))).result(WAIT_S)
    if not order.early:
        tell("ready", str(os.getpid()))
        hears.readline()
    acknowledged: dict[str, str] = {}
    for marks in rounds:
        if not all(_settled(running, mark, future, tell, acknowledged) for mark, future in _handed_in(running, marks)):
            break
    running.close()
    tell("closed")


def _opened(folder: Path, tell: Tell) -> Running | None:
    """Start the program, and once more if the disk refused it."""
    for _ in range(2):
        try:
            return start(Settings(data=folder))
        except StorageFault as no:
            tell("unopened", type(no).__name__, str(no))
    return None


def _handed_in(running: Running, marks: list[Mark]) -> list[tuple[Mark, "Future[Recorded]"]]:
    """Hand a round to the store; the writer is held back meanwhile, so that it takes the round as one batch."""
    for mark in marks:
        with suppress(ChangeoutError):
            running.site.jobs.state(mark.job)
    known = all(running.site.jobs.at_hand(mark.job) for mark in marks)  # else asking while it is held would wait
    with _held(running) if len(marks) > 1 and known else nullcontext():
        return [(mark, _asked(running, mark)) for mark in marks]


@contextmanager
def _held(running: Running) -> Iterator[None]:
    begun, go = Event(), Event()

    def hold(_: object) -> None:
        begun.set()
        go.wait(WAIT_S)

    running.store.submit(hold)
    begun.wait(WAIT_S)
    try:
        yield
    finally:
        go.set()


def _asked(running: Running, mark: Mark) -> "Future[Recorded]":
    try:
        return running.site.jobs.record(mark.job, mark.command, mark.asked)
    except ChangeoutError as no:
        failed: Future[Recorded] = Future()
        failed.set_exception(no)
        return failed


def _settled(
    running: Running, mark: Mark, future: "Future[Recorded]", tell: Tell, acknowledged: dict[str, str]
) -> bool:
    """Wait for the mark's answer; where the disk refused, send the mark again with its token, as a tablet does."""
    for _ in range(TRIES):
        try:
            done = future.result(WAIT_S)
        except StorageFault as no:
            tell("no", mark.token, type(no).__name__, str(no))
            future = _asked(running, mark)
        except ChangeoutError as no:
            tell("wrong", mark.token, type(no).__name__, str(no))
            return False
        else:
            if done.refused is not None:
                tell("wrong", mark.token, str(done.refused))
                return False
            tell("ack", mark.token)
            acknowledged[mark.token] = mark.job
            return True
    tell("gave-up", str(_missing(running, acknowledged)))
    return False


def _missing(running: Running, acknowledged: dict[str, str]) -> int:
    """With a disk that refuses to write, reading goes on: count the acknowledged marks that it does not show."""
    shown = {event.request for job in set(acknowledged.values()) for event in running.site.jobs.events(job)}
    return len(set(acknowledged) - shown)


def _end(line: socket.socket) -> None:
    """Live one life and leave, telling of an end that no sentence foresaw."""
    with suppress(AttributeError, OSError):  # no such call, or no such rule on this system
        ctypes.CDLL(None).prctl(*_ANY_TRACER, 0, 0, 0)
    try:
        live(line)
    except BaseException as error:  # noqa: BLE001  (whatever it is, the other side must hear of it)
        os.write(line.fileno(), f"broke {error!r}\n".encode())
    os._exit(0)


def main() -> None:
    """Import and load everything once, then fork a life for each caller until ended."""
    import cryptography.hazmat.primitives.asymmetric.ec
    import cryptography.hazmat.primitives.serialization
    import cryptography.x509  # noqa: F401

    unprintable("a")  # reads the fonts
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)
    with socket.socket(socket.AF_UNIX) as door:
        door.bind(sys.argv[1])
        door.listen(8)
        print("warm", flush=True)
        while True:
            line, _ = door.accept()
            if os.fork() == 0:
                signal.signal(signal.SIGCHLD, signal.SIG_DFL)
                door.close()
                _end(line)
            line.close()


if __name__ == "__main__":
    main()
