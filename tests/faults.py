"""Faults to survive: `python -m tests.faults A|B|C`.  Tier A is for every change, B for the night, C for a release.

Each part of a tier tries so many cases and then itself: faults are seeded on purpose, and it must notice every one.
  kill       a life that records a job of a hundred marks is killed at its calls to the database and its log
  error      such a call fails, once or from then on, with EIO or ENOSPC
  power      lives are recorded, and the states that a power loss could have left of them are looked through
  answers    answers get lost after the commit, the server is killed, and all is sent again by clocks that are wrong
  tampering  bits of a record are flipped, and it is altered in ways with a plan; the first bad entry is named
  orders     the kept marks of two tablets arrive in every order, or in many
  schedules  tablets and a server in virtual time, with restores, stops and lines that break
  model      the same tablets, play and laws over a server in a few numbers: as many schedules as it takes
  engines    random histories on both engines, byte for byte
  spaces     network namespaces: nothing leaves but answers, and lines that lose packets lose no mark
Each prints one line with its cases, seconds, worst case and how many of its seeded faults it noticed, then what is
wrong, further counts and each seeded fault.  The run ends with status 1 if anything is wrong or one went unnoticed.

The first three need strace on Linux, `engines` a PostgreSQL server, `spaces` root and namespaces: without these they
are skipped with a message, or fail where these were installed (CHANGEOUT_MUST_RUN=1; spaces never does).
Options: --short (about a minute), --seed N, --only PART,PART, --keep FOLDER (a copy of each folder in which kill,
error or power found something wrong).  The seed draws points, moments and losses; signatures are new in every run, so
that two runs of one seed differ in some bytes.
"""

import argparse
import platform
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from time import monotonic
from typing import TypeAlias

from tests import schedules
from tests.engines.server import MISSING, binaries
from tests.faulting import answers
from tests.faulting.bench import Bench, Scale
from tests.faulting.injections import kill_everywhere, refuse_everywhere
from tests.faulting.lives import NoStraceError, NoTraceError, Nursery, may_trace, nursery
from tests.faulting.power import lose_power
from tests.faulting.seeded import notices
from tests.faulting.told import Told, read_notice
from tests.faulting.work import Work, prepare_work
from tests.needed import must_run
from tests.records import tampering
from tests.scheduling import orders
from tests.spacing.spaces import why_not

ROOT = Path(__file__).resolve().parents[1]


@dataclass
class Ground:
    """Where a run takes place.  What only some parts need is made when the first of them asks."""

    place: Path
    seed: int = 1
    keep: Path | None = None
    until_the_end: ExitStack = field(default_factory=ExitStack)

    @cached_property
    def work(self) -> Work:
        """The job of a hundred marks."""
        return prepare_work(self.place, self.seed)

    @cached_property
    def nursery(self) -> Nursery:
        """The process that begins lives of this tree."""
        return self.until_the_end.enter_context(nursery(ROOT, self.place / "nursery"))

    def bench(self, part: str, scale: Scale) -> Bench:
        """Return a bench in a folder of its own."""
        place = self.place / part
        place.mkdir()
        return Bench(self.work, self.nursery, place, self.seed, scale, self.keep)


Part: TypeAlias = Callable[[Ground], Told]


def traced(part: str, prove: Callable[[Bench], Told], scale: Scale) -> Part:
    """Return a part that looks at the program's system calls."""

    def run(ground: Ground) -> Told:
        try:
            may_trace()
        except NoTraceError as no:
            return Told(part, skipped=str(no), failed=isinstance(no, NoStraceError) and must_run())
        bench = ground.bench(part, scale)
        told = prove(bench)
        told.notices = notices(part, bench)
        return told

    return run


def by_hand(part: str, missing: Callable[[], str], *words: str, cases: str) -> Part:
    """Return a part that is a command of its own, which tries itself and tells by its status whether all is well."""

    def run(ground: Ground) -> Told:
        if why := missing():
            return Told(part, skipped=why, failed=part == "engines" and must_run())
        seed = ["--seed", str(ground.seed)] if part == "engines" else []
        command = [sys.executable, "-m", f"tests.{part}", *words, *seed]
        done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
        lines = done.stdout.splitlines()
        told = Told(part, facts=[line for line in lines if read_notice(line) is None], cases=cases, worst="see below")
        told.notices = [notice for line in lines if (notice := read_notice(line))]
        if done.returncode:
            told.wrong.append(f"python -m tests.{part} ended with status {done.returncode}: {done.stderr[-400:]}")
        return told

    return run


def no_postgresql() -> str:
    """Why no server of the second engine can be begun here, or nothing."""
    return "" if binaries() else MISSING


def no_spaces() -> str:
    """Why no network namespace can be made here, or nothing."""
    return why_not() or ""


def on_disk(scale: Scale) -> dict[str, Part]:
    """Return the three parts under strace."""
    parts = {"kill": kill_everywhere, "error": refuse_everywhere, "power": lose_power}
    return {name: traced(name, prove, scale) for name, prove in parts.items()}


def in_memory(
    *, cases: int, flips: int, edits: int, size: int, sets: int, longer: int, played: int, modelled: int
) -> dict[str, Part]:
    """Return the five parts that need nothing from the system."""
    return {
        "answers": lambda ground: answers.prove(ground.seed, cases=cases),
        "tampering": lambda ground: tampering.prove(ground.seed, flips=flips, edits=edits),
        "orders": lambda ground: orders.prove(ground.seed, size=size, sets=sets, longer=longer),
        "schedules": lambda ground: schedules.prove(ground.seed, count=played),
        "model": lambda ground: schedules.prove(ground.seed, count=modelled, world=schedules.PLAIN),
    }


def in_spaces(marks: int, kills: int) -> dict[str, Part]:
    """Return the part in network namespaces."""
    words = ("--marks", str(marks), "--kills", str(kills))
    return {"spaces": by_hand("spaces", no_spaces, *words, cases=f"2 x {marks} marks, {kills} kills")}


SHORT: Mapping[str, Part] = {
    **on_disk(Scale(kills=26, errors=5, states=600, faulted=2)),
    **in_memory(cases=10, flips=400, edits=44, size=4, sets=6, longer=80, played=60, modelled=2_000),
}
TIERS: Mapping[str, Mapping[str, Part]] = {
    "A": {
        **on_disk(Scale(kills=40, stopped=True, errors=8, swept=True, states=10_000, faulted=4, all_parts=True)),
        **in_memory(cases=200, flips=20_000, edits=440, size=5, sets=20, longer=2_000, played=500, modelled=100_000),
    },
    "B": {
        **on_disk(Scale(kills=None, errors=None, states=100_000, faulted=24, all_parts=True)),
        **in_memory(
            cases=5_000, flips=1_000_000, edits=10_000, size=7, sets=6, longer=20_000, played=10_000, modelled=1_000_000
        ),
        **in_spaces(300, 3),
    },
    "C": {
        "orders": lambda ground: orders.prove(ground.seed, size=7, sets=40, longer=100_000),
        "schedules": lambda ground: schedules.prove(ground.seed, count=100_000),
        "engines": by_hand("engines", no_postgresql, "--histories", "10000", cases="10000 histories"),
        **in_spaces(2_000, 20),
    },
}
"""What each tier runs, in this order.  C comes beside B and repeats only what is larger in it."""


def main() -> int:
    """Run the parts of a tier; return 0 only if nothing is wrong and every seeded fault was noticed."""
    given = _given()
    parts: Mapping[str, Part] = given.parts
    print(
        f"tier {given.tier}{', short' if given.short else ''}, seed {given.seed}; "
        f"{platform.machine()}, {platform.system()} {platform.release()}, Python {platform.python_version()}, "
        f"SQLite {sqlite3.sqlite_version}",
        flush=True,
    )
    begun, found = monotonic(), []
    with tempfile.TemporaryDirectory(prefix="faults-") as held, ExitStack() as until_the_end:
        ground = Ground(Path(held), given.seed, given.keep, until_the_end)
        for part in parts.values():
            part_begun = monotonic()
            told = part(ground)
            found.append(told)
            print("\n".join(told.lines(monotonic() - part_begun)), flush=True)
    good = all(told.good for told in found)
    noticed, seeded = sum(told.noticed for told in found), sum(len(told.notices) for told in found)
    print(
        f"{'good' if good else 'FAILED'}, seed {given.seed}, {noticed} of {seeded} seeded faults noticed, "
        f"{monotonic() - begun:.0f} s"
    )
    return 0 if good else 1


def _given() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.faults", description=(__doc__ or "").split("\n", 1)[0])
    parser.add_argument("tier", nargs="?", default="A", choices=sorted(TIERS))
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--short", action="store_true", help="about a minute, whatever the tier")
    parser.add_argument("--only", help="parts, parted by commas")
    parser.add_argument("--keep", type=Path, help="where to keep folders in which something was wrong")
    given = parser.parse_args()
    parts = SHORT if given.short else TIERS[given.tier]
    chosen = given.only.split(",") if given.only else list(parts)
    if unknown := set(chosen) - set(parts):
        parser.error(f"there is no part {min(unknown)!r} here; the parts are {', '.join(parts)}")
    given.parts = {name: part for name, part in parts.items() if name in chosen}
    return given


if __name__ == "__main__":
    sys.exit(main())
