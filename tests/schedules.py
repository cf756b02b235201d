"""Random schedules of tablets and a server: `python -m tests.schedules [--count N] [--seed N] [--from N]`.

Plays N schedules in virtual time, prints what they came to, then plays with each seeded fault until it is noticed.
Ends with status 1 if a law is broken or a seeded fault goes unnoticed.  A schedule that breaks a law is named by its
seed and number: `--from NUMBER --count 1 --seed SEED` plays it again and prints what happened in it.
"""

import argparse
import sys
from collections import Counter
from dataclasses import dataclass, field
from functools import partial
from time import monotonic

from app.domain.events import MarkContested
from tests.faulting.told import Notice, Told, ranges, shared_out
from tests.scheduling.laws import broken_laws
from tests.scheduling.play import MAKE, Played, play
from tests.scheduling.seeded import SEEDED, Fault
from tests.scheduling.tablets import Tablet

MOST_TRIES = 1_500
"""Schedules that a seeded fault is given to be noticed in."""
SHOWN = 5
AT_A_TIME = 50


def main() -> int:
    """Play, and return 0 only if all is well."""
    given = argparse.ArgumentParser(prog="python -m tests.schedules", description=(__doc__ or "").split("\n", 1)[0])
    given.add_argument("--count", type=int, default=1_000)
    given.add_argument("--seed", type=int, default=1)
    given.add_argument("--from", dest="first", type=int, default=0)
    asked = given.parse_args()
    if asked.count == 1:
        played = play(asked.seed, asked.first)
        print("\n".join([*played.log, *(f"WRONG {told}" for told in broken_laws(played))]))
    begun = monotonic()
    told = prove(asked.seed, count=asked.count, first=asked.first)
    print(f"seed {asked.seed}", *told.lines(monotonic() - begun), sep="\n")
    return 0 if told.good else 1


@dataclass
class Seen:
    """What some schedules came to."""

    totals: Counter[str] = field(default_factory=Counter)
    worst: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)


def prove(seed: int, *, count: int, first: int = 0) -> Told:
    """Play so many schedules, and play with each seeded fault until it is noticed."""
    begun = monotonic()
    found = shared_out(partial(play_all, seed), [(n.start + first, n.stop + first) for n in ranges(count, AT_A_TIME)])
    seconds = monotonic() - begun
    totals, worst = Counter[str](), Counter[str]()
    for seen in found:
        totals.update(seen.totals)
        for what, most in seen.worst.items():
            worst[what] = max(worst[what], most)
    told = Told("schedules", wrong=[wrong for seen in found for wrong in seen.wrong])
    told.cases = f"{count} schedules"
    told.worst = ", ".join(f"{n} {what}" for what, n in sorted(worst.items()))
    told.facts = [
        "in all " + ", ".join(f"{n} {what}" for what, n in sorted(totals.items())),
        f"{count / seconds:.0f} schedules a second: 100,000 take {100_000 * seconds / count / 60:.0f} minutes",
    ]
    told.notices = shared_out(partial(notice, seed), range(len(SEEDED)))
    return told


def play_all(seed: int, numbers: tuple[int, int]) -> Seen:
    """Play the schedules from one number to before another."""
    seen = Seen()
    for number in range(*numbers):
        played = play(seed, number)
        count(played, seen.totals, seen.worst)
        if told := broken_laws(played):
            seen.wrong.append(f"seed {seed}, schedule {number}: {'; '.join(told[:SHOWN])}")
    return seen


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


def notice(seed: int, place: int) -> Notice:
    """Play with a seeded fault, and say in which schedule it was noticed, or that it was not."""
    found = noticed_in(SEEDED[place], seed=seed)
    return Notice(SEEDED[place].name, f"in schedule {found[0]}: {found[1]}" if found else "")


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
