"""Faults to survive: nothing that was acknowledged is lost, nothing stands twice.  `python -m tests.faults [tier]`.

Three parts, on Linux with strace; without it each is skipped with a message, or fails where it was
installed (CHANGEOUT_MUST_RUN=1).
  kill   a life that records a job of a hundred marks is killed at its calls to the database and its log
  error  such a call fails, once or from then on, with EIO or ENOSPC
  power  lives are recorded, and the states that a power loss could have left of them are looked through
Then the harness itself is tried: faults are put into copies of the program, and the parts that must notice each have
their try.  The run ends with status 1 if anything is wrong, or if a seeded fault was not noticed.

Tiers: A for every change, B for the night.  Options: --short (about a minute), --seed N, --only PART,PART (with the
fourth part, seeded), --keep FOLDER (a copy of each folder in which something was found wrong).  The seed draws points,
moments and losses; signatures are new in every run, so that two runs of one seed differ in some bytes.
"""

import argparse
import platform
import sqlite3
import sys
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from time import monotonic

from tests.faulting.bench import Bench, Scale, Told
from tests.faulting.injections import kill_everywhere, refuse_everywhere
from tests.faulting.lives import NoStraceError, NoTraceError, Nursery, may_trace, nursery
from tests.faulting.power import lose_power
from tests.faulting.seeded import SEEDED, noticed
from tests.faulting.work import MARKS, Work, prepare_work
from tests.needed import must_run

ROOT = Path(__file__).resolve().parents[1]
TIERS = {
    "A": Scale(kills=None, errors=24, states=10_000, faulted=4, all_parts=True),
    "B": Scale(kills=None, errors=None, states=100_000, faulted=24, all_parts=True),
}
SHORT = Scale(kills=26, errors=5, states=600, faulted=2)
PARTS: dict[str, Callable[[Bench], Told]] = {
    "kill": kill_everywhere,
    "error": refuse_everywhere,
    "power": lose_power,
}
SEEDED_PART = "seeded"


def main() -> int:
    """Run the parts and the trial of the harness; return 0 only if nothing is wrong."""
    given = _given()
    scale = SHORT if given.short else TIERS[given.tier]
    print(
        f"tier {given.tier}{', short' if given.short else ''}, seed {given.seed}, {MARKS} marks; "
        f"{platform.machine()}, {platform.system()} {platform.release()}, Python {platform.python_version()}, "
        f"SQLite {sqlite3.sqlite_version}",
        flush=True,
    )
    try:
        may_trace()
    except NoTraceError as no:
        failed = isinstance(no, NoStraceError) and must_run()
        for part in given.only:
            print(f"{part}: {'FAILED' if failed else 'skipped'}, {no}")
        return 1 if failed else 0
    begun = monotonic()
    with tempfile.TemporaryDirectory(prefix="faults-") as held:
        good = _run(given, scale, Path(held))
    print(f"{'good' if good else 'FAILED'}, seed {given.seed}, {monotonic() - begun:.0f} s")
    return 0 if good else 1


def _given() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.faults", description=(__doc__ or "").split("\n", 1)[0])
    parser.add_argument("tier", nargs="?", default="A", choices=sorted(TIERS))
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--short", action="store_true", help="about a minute")
    parser.add_argument("--only", default=",".join((*PARTS, SEEDED_PART)), help="parts, parted by commas")
    parser.add_argument("--keep", type=Path, help="where to keep folders in which something was wrong")
    given = parser.parse_args()
    given.only = given.only.split(",")
    if unknown := set(given.only) - {*PARTS, SEEDED_PART}:
        parser.error(f"there is no part {min(unknown)!r}; the parts are {', '.join((*PARTS, SEEDED_PART))}")
    return given


def _run(given: argparse.Namespace, scale: Scale, place: Path) -> bool:
    work = prepare_work(place, given.seed)
    with nursery(ROOT, place / "nursery") as sound:
        results = [_part(name, _bench(work, sound, place / name, given, scale)) for name in PARTS if name in given.only]
        if SEEDED_PART in given.only:
            results.append(_seeded(_bench(work, sound, place / SEEDED_PART, given, scale)))
    return all(results)


def _bench(work: Work, sound: Nursery, place: Path, given: argparse.Namespace, scale: Scale) -> Bench:
    place.mkdir()
    return Bench(work, sound, place, given.seed, scale, given.keep)


def _part(name: str, bench: Bench) -> bool:
    begun = monotonic()
    told = PARTS[name](bench)
    print(f"{name}: {'WRONG' if told.wrong else 'good'}, {monotonic() - begun:.0f} s")
    for fact in told.facts:
        print(f"  {fact}")
    for wrong in told.wrong:
        print(f"  WRONG {wrong}")
    sys.stdout.flush()
    return not told.wrong


def _seeded(bench: Bench) -> bool:
    """Try the harness: a seeded fault counts as noticed when each part that had its try at it noticed it."""
    begun = monotonic()
    missed = 0
    for number, fault in enumerate(SEEDED):
        place = bench.place / f"{number}"
        notices = list(noticed(ROOT, fault, replace(bench), place, all_parts=bench.scale.all_parts))
        quiet = [notice.part for notice in notices if not notice.sentence]
        missed += bool(quiet)
        print(f"  {'MISSED  by ' + ', '.join(quiet) if quiet else 'noticed'}  {fault.name}")
        for notice in notices:
            if notice.sentence:
                print(f"           {notice.part}: {notice.sentence}")
        sys.stdout.flush()
    print(f"{SEEDED_PART}: {len(SEEDED) - missed} of {len(SEEDED)} seeded faults noticed, {monotonic() - begun:.0f} s")
    return missed == 0


if __name__ == "__main__":
    sys.exit(main())
