"""Lives under strace: begun, traced, let go, and heard to their end."""

import json
import os
import shutil
import socket
import subprocess
import sys
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TextIO

from app.storage.durable import DATABASE
from tests.faulting.child import Order
from tests.faulting.log import CALLS, LONGEST_TEXT

LONGEST_LIFE_S = 120
INJECTED = ("pwrite64", "fdatasync", "fsync", "ftruncate", "write")
"""The calls that are made to fail or to kill."""


class NoTraceError(Exception):
    """strace is missing, or may not look at another process here."""


class NoStraceError(NoTraceError):
    """strace is missing, which installing it mends."""


@dataclass
class Outcome:
    """What one life told until its end.  refused: token, kind, sentence.  unforeseen: what a good life never tells."""

    acknowledged: list[str] = field(default_factory=list)
    refused: list[tuple[str, str, str]] = field(default_factory=list)
    unopened: list[tuple[str, str]] = field(default_factory=list)
    unforeseen: list[str] = field(default_factory=list)
    after_refusal: int = 0
    """So many marks were acknowledged after the first refusal."""
    gave_up: bool = False
    closed: bool = False

    def hear(self, line: str) -> None:
        """Take in one line of a life."""
        kind, _, rest = line.partition(" ")
        match kind:
            case "ack":
                self.acknowledged.append(rest)
                self.after_refusal += bool(self.refused)
            case "no":
                token, name, sentence = rest.split(" ", 2)
                self.refused.append((token, name, sentence))
            case "unopened":
                name, _, sentence = rest.partition(" ")
                self.unopened.append((name, sentence))
            case "gave-up":
                self.gave_up = True
                if rest != "0":
                    self.unforeseen.append(f"{rest} acknowledged marks are not shown while the disk refuses")
            case "closed":
                self.closed = True
            case _:
                self.unforeseen.append(line)


def _killed(pid: int) -> None:
    with suppress(ProcessLookupError):
        os.kill(pid, 9)


def may_trace() -> None:
    """Raise NoTraceError, with the reason, where strace cannot be attached to another process."""
    if not sys.platform.startswith("linux") or shutil.which("strace") is None:
        raise NoStraceError("strace is not here: install it (apt install strace) on Linux")
    with subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE) as other:
        try:
            _attached(other.pid, ["-e", "trace=none"], Path(os.devnull)).terminate()
        finally:
            other.kill()


def _attached(pid: int, options: Sequence[str], log: Path) -> "subprocess.Popen[str]":
    """Attach strace to a process and all its threads, and return once it looks on."""
    tracer = subprocess.Popen(
        ["strace", "-f", "-o", str(log), *options, "-p", str(pid)],
        stderr=subprocess.PIPE, stdin=subprocess.DEVNULL, text=True,
    )  # fmt: skip
    assert tracer.stderr is not None
    told = tracer.stderr.readline()
    if "attached" not in told:
        tracer.kill()
        tracer.communicate()
        raise NoTraceError(f"strace may not look at another process here ({told.strip()})")
    return tracer


Hear = Callable[[TextIO, int, Outcome], None]
"""How a life of this number is heard to its end, line by line."""


def hear_all(hears: TextIO, _: int, outcome: Outcome) -> None:
    """Hear all that a life tells until its end."""
    for told in hears:
        outcome.hear(told.rstrip("\n"))


@dataclass(frozen=True)
class Nursery:
    """A warm process of one tree, which begins lives.  said: the file of its standard error, which stays empty."""

    door: str
    said: Path

    def life(self, folder: Path, work: Path, *, log: Path, options: Sequence[str], early: bool = False) -> Outcome:
        """Begin a life on a folder, trace it with these options, let it go, and hear all it tells."""
        return self.watched(Order(str(folder), str(work), early), log, options, hear_all)

    def watched(self, order: Order, log: Path, options: Sequence[str], hear: "Hear") -> Outcome:
        """Begin a life, trace it, let it go, and hear it in this way until it ends."""
        outcome = Outcome()
        with socket.socket(socket.AF_UNIX) as line:
            line.settimeout(LONGEST_LIFE_S)
            line.connect(self.door)
            line.sendall(json.dumps(asdict(order)).encode() + b"\n")
            hears = line.makefile("r", encoding="utf-8")
            first = hears.readline()
            if not first.startswith("ready "):
                outcome.unforeseen.append(first.strip() or "the life ended before its work")
                return outcome
            pid = int(first.split()[1])
            tracer = _attached(pid, options, log)
            try:
                line.sendall(b"go\n")
                hear(hears, pid, outcome)
            except TimeoutError:
                outcome.unforeseen.append(f"the life hung for {LONGEST_LIFE_S} s")
                _killed(pid)
            except BaseException:
                _killed(pid)  # one that stands still would never end
                raise
            tracer.communicate(timeout=LONGEST_LIFE_S)
        return outcome


@contextmanager
def nursery(tree: Path, place: Path) -> Iterator[Nursery]:
    """Keep a warm process of a tree; place: a folder of its own for the socket and what it says."""
    place.mkdir()
    door, said = place / "door", place / "said"
    with said.open("w", encoding="utf-8") as errors:
        warm = subprocess.Popen(
            [sys.executable, "-m", "tests.faulting.child", str(door)],
            cwd=tree, stdout=subprocess.PIPE, stderr=errors, text=True,
        )  # fmt: skip
        assert warm.stdout is not None
        try:
            if warm.stdout.readline() != "warm\n":
                raise RuntimeError(f"The program of {tree} does not start: {said.read_text('utf-8')[-600:]}")
            yield Nursery(str(door), said)
        finally:
            warm.terminate()
            warm.communicate(timeout=LONGEST_LIFE_S)


def recording() -> list[str]:
    """The options that record everything a life does to files."""
    return ["-y", "-xx", "-s", str(LONGEST_TEXT), "-e", f"trace={CALLS}"]


def on_database(folder: Path) -> list[str]:
    """The options that confine what follows to the database and its log."""
    return ["-P", str(folder / DATABASE), "-P", str(folder / f"{DATABASE}-wal")]


def injection(folder: Path, call: str, what: str, when: str) -> list[str]:
    """The options that do something at a call of the database: `what` as "error=EIO" or "signal=SIGKILL"."""
    return [*on_database(folder), "-s", "0", "-e", f"trace={call}", "-e", f"inject={call}:{what}:when={when}"]


def counted(log: Path) -> dict[str, int]:
    """Return how often each injectable call was made by the thread that made it most often, from a log."""
    calls: Counter[tuple[str, str]] = Counter()
    for line in log.read_text("utf-8").splitlines():
        process, _, rest = line.partition(" ")
        call = rest.lstrip().partition("(")[0]
        if call in INJECTED:
            calls[call, process] += 1
    return {call: max(times for (name, _), times in calls.items() if name == call) for call in {c for c, _ in calls}}
