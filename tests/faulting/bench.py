"""What the parts under strace share: the work, the lives, and how many points and states."""

import gc
import itertools
import shutil
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass
from pathlib import Path
from random import Random
from time import monotonic
from typing import TypeVar

from app.bootstrap import Running, start
from app.calc.errors import ChangeoutError
from app.settings import Settings
from tests.faulting.child import WAIT_S
from tests.faulting.examine import examine, judge
from tests.faulting.lives import Nursery, Outcome
from tests.faulting.told import AT_ONCE, WRONG_SHOWN
from tests.faulting.work import DATABASE, Work

STARTS_BETWEEN_TIDYINGS = 40
_STARTS = itertools.count()

T = TypeVar("T")
R = TypeVar("R")


@dataclass(frozen=True)
class Scale:
    """How much is tried.

    kills: writes at which a life is killed, and half as many flushes and cuts; None for all.
    stopped: a life is stopped after each of its calls as well, and what stands on the disk then is opened elsewhere.
    errors: likewise, for each kind of error.
    swept: errors that do not last are given to every call, many to one life, instead of one to each life.
    states: states after a power loss.
    faulted: recordings in which a call fails.
    all_parts: whether each part has its try at every seeded fault that it must notice, or only at those that it is the
    first to notice.
    enough: a part ends after so much that is wrong.
    """

    kills: int | None
    errors: int | None
    states: int
    faulted: int
    stopped: bool = False
    swept: bool = False
    all_parts: bool = False
    enough: int = WRONG_SHOWN


@dataclass(frozen=True)
class Bench:
    """One tree at work in one place.  keep: where what was found wrong is kept, or None."""

    work: Work
    nursery: Nursery
    place: Path
    seed: int
    scale: Scale
    keep: Path | None = None

    def chance(self, *what: object) -> Random:
        """Return the chance for one purpose; it follows from the seed alone."""
        return Random(":".join(map(str, (self.seed, *what))))

    def keep_folder(self, folder: Path, name: str) -> None:
        """Keep a folder in which something was found wrong, if that is wanted."""
        if self.keep is not None:
            shutil.copytree(folder, self.keep / name, dirs_exist_ok=True)


@dataclass(frozen=True)
class Reopened:
    """A folder opened after its life.  unasked: marks that stand and were never acknowledged."""

    wrong: tuple[str, ...]
    seconds: float
    unasked: int
    standing: frozenset[str]


def reopen(work: Work, folder: Path, outcome: Outcome) -> Reopened:
    """Start the program on a folder as after any crash, look through all of it, and send the next mark.

    The next mark is the first that was not acknowledged: sent again with its token it must be acknowledged now, and
    stand once, whether it stood already or not.
    """
    begun = monotonic()
    try:
        running = start(Settings(data=folder))
    except ChangeoutError as no:
        return Reopened((f"The folder does not open: {no}",), monotonic() - begun, 0, frozenset())
    try:
        found = examine(folder / DATABASE, work.certificate_pem)
        wrong = judge(found, outcome.acknowledged)
        wrong += _next_mark(work, running, folder, set(outcome.acknowledged))
        seconds = monotonic() - begun
    finally:
        running.close()
        _tidy()
    standing = frozenset(mark.token for mark in work.marks if found.standing[mark.token])
    return Reopened(tuple(wrong), seconds, len(standing - set(outcome.acknowledged)), standing)


def _tidy() -> None:
    """Let go of what the program set apart for good: here one start follows another, and all of it would pile up."""
    gc.unfreeze()
    if next(_STARTS) % STARTS_BETWEEN_TIDYINGS == 0:
        gc.collect()


def _next_mark(work: Work, running: Running, folder: Path, acknowledged: set[str]) -> list[str]:
    mark = next((mark for mark in work.marks if mark.token not in acknowledged), None)
    if mark is None:
        return []
    try:
        done = running.site.jobs.record(mark.job, mark.command, mark.asked).result(WAIT_S)
    except ChangeoutError as no:
        return [f"The next mark is refused after the new start: {no}"]
    if done.refused is not None:
        return [f"The next mark is refused after the new start: {done.refused}"]
    return judge(examine(folder / DATABASE, work.certificate_pem), {mark.token})


def two_at_once(todo: Iterable[T], work: Callable[[T], R], *, until: Callable[[R], bool]) -> Iterator[R]:
    """Do the work on each, two at a time; begin nothing more once `until` is true of an answer."""
    left, over = iter(todo), False
    with ThreadPoolExecutor(AT_ONCE) as pool:
        going: set[Future[R]] = {pool.submit(work, item) for item in itertools.islice(left, AT_ONCE)}
        while going:
            ended, going = wait(going, return_when=FIRST_COMPLETED)
            for future in ended:
                answer = future.result()
                over = over or until(answer)
                yield answer
            if not over:
                going |= {pool.submit(work, item) for item in itertools.islice(left, len(ended))}


def some(items: Sequence[T], count: int | None, chance: Random) -> list[T]:
    """Return so many of the items, drawn by chance and in their order; all for None or where there are not more."""
    if count is None or count >= len(items):
        return list(items)
    return [items[place] for place in sorted(chance.sample(range(len(items)), count))]
