"""How a part of a tier tells what it found, and how its work is shared out to two processes."""

import traceback
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from multiprocessing import get_context
from typing import TypeVar

AT_ONCE = 2
WRONG_SHOWN = 5

T = TypeVar("T")
R = TypeVar("R")


@dataclass(frozen=True)
class Notice:
    """What a part said of a fault that was seeded on purpose; an empty sentence means that it noticed nothing."""

    fault: str
    sentence: str

    @property
    def line(self) -> str:
        """Tell it in a line."""
        return f"  noticed  {self.fault}: {self.sentence}" if self.sentence else f"  MISSED   {self.fault}"


def read_notice(line: str) -> Notice | None:
    """Read such a line, as a command of its own has printed it; None for any other line."""
    for word in ("  noticed  ", "  MISSED   "):
        if line.startswith(word):
            fault, _, sentence = line.removeprefix(word).partition(": ")
            return Notice(fault, sentence)
    return None


@dataclass
class Told:
    """What a part found.  wrong: sentences, none for a good program.  facts: further counts.

    cases: how many were tried, in words.  worst: the worst case, in words.  notices: one for each seeded fault.
    skipped: why the part was not run.  failed: whether it must have been.
    """

    part: str
    wrong: list[str] = field(default_factory=list)
    facts: list[str] = field(default_factory=list)
    cases: str = ""
    worst: str = ""
    notices: list[Notice] = field(default_factory=list)
    skipped: str = ""
    failed: bool = False

    @property
    def noticed(self) -> int:
        """How many of the seeded faults were noticed."""
        return sum(bool(notice.sentence) for notice in self.notices)

    @property
    def good(self) -> bool:
        """Whether nothing is wrong and every seeded fault was noticed; what was rightly skipped is not wrong."""
        return not self.failed and not self.wrong and self.noticed == len(self.notices)

    def lines(self, seconds: float) -> Iterator[str]:
        """Tell it: one line for the part, then what is wrong, what more there is, and each seeded fault."""
        if self.skipped:
            yield f"{self.part}: {'FAILED' if self.failed else 'skipped'}, {self.skipped}"
            return
        seeded = f"seeded faults noticed {self.noticed} of {len(self.notices)}" if self.notices else "no seeded faults"
        yield (
            f"{self.part}: {'good' if self.good else 'WRONG'}, {self.cases}, {seconds:.0f} s; "
            f"worst: {self.worst or 'none'}; {seeded}"
        )
        yield from (f"  WRONG {sentence}" for sentence in self.wrong[:WRONG_SHOWN])
        yield from (f"  {fact}" for fact in self.facts)
        yield from (notice.line for notice in self.notices)


def shared_out(work: Callable[[T], R], items: Iterable[T]) -> list[R]:
    """Do the work on each item in two processes, and return the answers in order."""
    with ProcessPoolExecutor(AT_ONCE, mp_context=get_context("spawn")) as pool:
        return list(pool.map(partial(_in_words, work), items))


def _in_words(work: Callable[[T], R], item: T) -> R:
    """Do the work; an exception goes to the other process as words, for not every one can be sent."""
    try:
        return work(item)
    except Exception as error:  # noqa: BLE001  (raised again in words)
        raise RuntimeError("".join(traceback.format_exception(error))) from None


def ranges(count: int, each: int) -> list[range]:
    """Cut the numbers below a count into ranges of so many."""
    return [range(first, min(first + each, count)) for first in range(0, count, each)]
