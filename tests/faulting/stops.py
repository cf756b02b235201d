"""A life is stopped after each of its calls to the database and its log; what stands on the disk then is opened.

A process that is killed leaves the files as they are when its next call would have begun.  So one life that is stopped
after every call, with its files copied while it stands still, shows what a kill at each of them would leave; and a
life costs as much as a hundred kills do otherwise.
"""

import os
import shutil
import signal
from collections.abc import Callable
from concurrent.futures import Future, ProcessPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, field
from multiprocessing import get_context
from pathlib import Path
from threading import Thread
from time import monotonic
from typing import TextIO

from app.storage.ballast import BALLAST_NAME
from tests.faulting.bench import Bench, Reopened, reopen
from tests.faulting.child import Order
from tests.faulting.lives import INJECTED, LONGEST_LIFE_S, Outcome, hear_all, on_database
from tests.faulting.told import AT_ONCE
from tests.faulting.work import MARKS, Work

AHEAD = 4 * AT_ONCE
"""So many copies wait to be opened at most."""
LOOK_S = 0.0005


@dataclass
class Stops:
    """How often the life was stopped, what is wrong, and further counts."""

    count: int = 0
    wrong: list[str] = field(default_factory=list)
    facts: list[str] = field(default_factory=list)


def stop_everywhere(bench: Bench) -> Stops:
    """Stop a life after every call, from before it opens its folder until it has closed it, and open each copy.

    No more copies are made once enough is wrong.
    """
    place = bench.place / "stops"
    place.mkdir()
    folder, log = bench.work.copy_to(place / "life"), place / "life.log"
    calls = ",".join(INJECTED)
    options = [*on_database(folder), "-s", "0", "-e", f"trace={calls}", "-e", f"inject={calls}:signal=SIGSTOP:when=1+"]
    found, slowest, unasked = Stops(), 0.0, 0
    with ProcessPoolExecutor(AT_ONCE, mp_context=get_context("spawn")) as pool:
        opened: list[Future[Reopened]] = []
        wrong: list[str] = []

        def copy(outcome: Outcome) -> None:
            number = len(opened)
            if number >= AHEAD:
                wrong.extend(opened[number - AHEAD].result().wrong)
            if len(wrong) >= bench.scale.enough:
                return
            there = place / f"stop-{number}"
            shutil.copytree(folder, there, copy_function=_copied)
            opened.append(pool.submit(_open, bench.work, there, tuple(outcome.acknowledged)))

        told = bench.nursery.watched(
            Order(str(folder), str(bench.work.file), early=True), log, options,
            lambda hears, pid, outcome: _hear_stops(hears, pid, outcome, log, copy),
        )  # fmt: skip
        for number, future in enumerate(opened):
            after = future.result()
            slowest, unasked = max(slowest, after.seconds), unasked + (after.unasked > 0)
            found.wrong += [f"after call {number + 1} of a whole life: {wrong}" for wrong in after.wrong[:1]]
    found.count = len(opened)
    if not told.closed or told.unforeseen or len(told.acknowledged) != MARKS:
        found.wrong.append(f"The life that was stopped did not go well: {told.unforeseen} {told.refused[:1]}")
    found.facts = [
        f"of {found.count} stops {unasked} had marks that nobody had acknowledged yet; slowest {slowest:.2f} s"
    ]
    shutil.rmtree(place)
    return found


def _copied(source: str, target: str) -> str:
    """Copy a file; the room that is kept back on the disk is the same for all."""
    if Path(source).name == BALLAST_NAME:
        os.link(source, target)
        return target
    return shutil.copy2(source, target)


def _open(work: Work, folder: Path, acknowledged: tuple[str, ...]) -> Reopened:
    try:
        return reopen(work, folder, Outcome(list(acknowledged)))
    finally:
        shutil.rmtree(folder)


def _hear_stops(hears: TextIO, pid: int, outcome: Outcome, log: Path, copy: Callable[[Outcome], None]) -> None:
    """Hear a life, and have its files copied whenever the thread that made a call stands still; then let it go on."""
    ears = Thread(target=_hear, args=(hears, outcome), daemon=True)
    ears.start()
    calling, heard = "", monotonic()
    with log.open(encoding="utf-8") as lines:
        rest = ""
        while ears.is_alive():
            *whole, rest = (rest + lines.read()).split("\n")
            for line in whole:
                thread, _, said = line.partition(" ")
                said = said.lstrip()
                if said.startswith(INJECTED):
                    calling = thread
                elif thread == calling and "stopped by SIGSTOP" in said:
                    calling, heard = "", monotonic()
                    copy(outcome)
                    os.kill(pid, signal.SIGCONT)
            if monotonic() - heard > LONGEST_LIFE_S:
                raise TimeoutError
            ears.join(LOOK_S)


def _hear(hears: TextIO, outcome: Outcome) -> None:
    with suppress(OSError):
        hear_all(hears, 0, outcome)
