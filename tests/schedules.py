"""Random schedules of tablets and a server: `python -m tests.schedules [--count N] [--seed N] [--from N]`.

Plays N schedules in virtual time, prints what they came to, then plays with each seeded fault until it is noticed.
Ends with status 1 if a law is broken or a seeded fault goes unnoticed.  A schedule that breaks a law is named by its
seed and number: `--from NUMBER --count 1 --seed SEED` plays it again and prints what happened in it.
"""

import argparse
import sys
from collections import Counter
from time import monotonic

from app.domain.events import MarkContested
from tests.scheduling.laws import broken_laws
from tests.scheduling.play import MAKE, Played, play
from tests.scheduling.seeded import SEEDED, Fault
from tests.scheduling.tablets import Tablet

MOST_TRIES = 1_500
"""Schedules that a seeded fault is given to be noticed in."""
SHOWN = 5


def main() -> int:
    """Play, and return 0 only if all is well."""
    given = argparse.ArgumentParser(prog="python -m tests.schedules", description=(__doc__ or "").split("\n", 1)[0])
    given.add_argument("--count", type=int, default=1_000)
    given.add_argument("--seed", type=int, default=1)
    given.add_argument("--from", dest="first", type=int, default=0)
    asked = given.parse_args()
    begun = monotonic()
    totals, worst, bad = Counter[str](), Counter[str](), 0
    for number in range(asked.first, asked.first + asked.count):
        played = play(asked.seed, number)
        told = broken_laws(played)
        count(played, totals, worst)
        if told:
            bad += 1
            print(f"WRONG seed {asked.seed}, schedule {number}: {'; '.join(told[:SHOWN])}")
        if asked.count == 1:
            print("\n".join(played.log))
    print(f"seed {asked.seed}: {asked.count - bad} of {asked.count} schedules drained and lawful")
    print("in all: " + ", ".join(f"{n} {what}" for what, n in sorted(totals.items())))
    print("worst: " + ", ".join(f"{n} {what}" for what, n in sorted(worst.items())))
    missed = sum(not try_fault(fault, asked.seed) for fault in SEEDED)
    print(f"{len(SEEDED) - missed} of {len(SEEDED)} seeded faults noticed; {monotonic() - begun:.0f} s")
    return 1 if bad or missed else 0


def count(played: Played, totals: Counter[str], worst: Counter[str]) -> None:
    """Add up what happened in a schedule."""
    events = played.server.events()
    recovered = sum(1 for event in events if event.device and event.device.recovered)
    here = {
        "marks": sum(len(tablet.marks) for tablet in played.tablets),
        "restores": played.server.restores,
        "recovered": recovered,
        "contested": sum(isinstance(event, MarkContested) for event in events),
        "set aside": sum(mark.state == "aside" for tablet in played.tablets for mark in tablet.marks),
        "rounds to drain": played.rounds,
    }
    totals.update(here)
    for what, n in here.items():
        worst[what] = max(worst[what], n)


def try_fault(fault: Fault, seed: int) -> bool:
    """Play with a fault, and say in which schedule it was noticed, or that it was not."""
    found = noticed_in(fault, seed=seed)
    print(f"  noticed  {fault.name}: in schedule {found[0]}: {found[1]}" if found else f"  MISSED   {fault.name}")
    return found is not None


def noticed_in(fault: Fault, *, seed: int) -> tuple[int, str] | None:
    """Play with a fault until a law notices it; return the schedule's number and the sentence, None if none did.

    The same schedule without the fault is the control: if a law complains of that as well, nothing was noticed.
    """
    for number in range(MOST_TRIES):
        with fault.seeded() as make:
            told = complaints(seed, number, make)
        if told:
            return None if complaints(seed, number, Tablet) else (number, told[0])
    return None


def complaints(seed: int, number: int, make: MAKE) -> list[str]:
    """Play one schedule and return what is wrong with it, be it by a law or by what the play itself holds to."""
    try:
        return list(broken_laws(play(seed, number, make)))
    except AssertionError as error:
        return [str(error)]


if __name__ == "__main__":
    sys.exit(main())
