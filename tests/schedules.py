"""Random schedules of tablets and a server: `python -m tests.schedules [--plain] [--count N] [--seed N] [--from N]`.

Plays N schedules in virtual time, prints what they came to, then plays with each seeded fault until it is noticed.
Ends with status 1 if a law is broken or a seeded fault goes unnoticed.  A schedule that breaks a law is named by its
seed and number: `--from NUMBER --count 1 --seed SEED` plays it again and prints what happened in it.
With --plain the server is the plain model of the service, which plays some fifty times as many in the same time.
"""

import argparse
import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from time import monotonic

from tests.faulting.told import Notice, Told, ranges, shared_out
from tests.scheduling.laws import broken_laws
from tests.scheduling.plain import PlainServer, PlainTablet
from tests.scheduling.play import MAKE, Played, play
from tests.scheduling.seeded import SEEDED, Fault
from tests.scheduling.server import Server, fresh_server
from tests.scheduling.tablets import Tablet

MOST_TRIES = 1_500
"""Schedules that a seeded fault is given to be noticed in."""
SHOWN = 5
AT_A_TIME = 50


@dataclass(frozen=True)
class World:
    """What schedules are played on, and how many of them are handed to a process at once."""

    part: str
    tablet: type[Tablet]
    begin: Callable[[], Server]
    at_a_time: int = AT_A_TIME

    def tablets(self, make: MAKE) -> MAKE:
        """Return what makes this world's tablets, with the fault that those of `make` have."""
        if make is Tablet or not isinstance(make, type):
            return self.tablet
        return make if self.tablet is Tablet else type(make.__name__, (make, self.tablet), {})


SERVICE = World("schedules", Tablet, fresh_server)
PLAIN = World("model", PlainTablet, PlainServer, at_a_time=1_000)


def main() -> int:
    """Play, and return 0 only if all is well."""
    given = argparse.ArgumentParser(prog="python -m tests.schedules", description=(__doc__ or "").split("\n", 1)[0])
    given.add_argument("--count", type=int, default=1_000)
    given.add_argument("--seed", type=int, default=1)
    given.add_argument("--from", dest="first", type=int, default=0)
    given.add_argument("--plain", action="store_true")
    asked = given.parse_args()
    world = PLAIN if asked.plain else SERVICE
    if asked.count == 1:
        played = play(asked.seed, asked.first, world.tablet, world.begin)
        print("\n".join([*played.log, *(f"WRONG {told}" for told in broken_laws(played))]))
    begun = monotonic()
    told = prove(asked.seed, count=asked.count, first=asked.first, world=world)
    print(f"seed {asked.seed}", *told.lines(monotonic() - begun), sep="\n")
    return 0 if told.good else 1


@dataclass
class Seen:
    """What some schedules came to."""

    totals: Counter[str] = field(default_factory=Counter)
    worst: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)


def prove(seed: int, *, count: int, first: int = 0, world: World = SERVICE) -> Told:
    """Play so many schedules, and play with each seeded fault until it is noticed."""
    begun = monotonic()
    numbers = [(n.start + first, n.stop + first) for n in ranges(count, world.at_a_time)]
    found = shared_out(partial(play_all, seed, world=world), numbers)
    seconds = monotonic() - begun
    totals, worst = Counter[str](), Counter[str]()
    for seen in found:
        totals.update(seen.totals)
        for what, most in seen.worst.items():
            worst[what] = max(worst[what], most)
    told = Told(world.part, wrong=[wrong for seen in found for wrong in seen.wrong])
    told.cases = f"{count} schedules"
    told.worst = ", ".join(f"{n} {what}" for what, n in sorted(worst.items()))
    told.facts = [
        "in all " + ", ".join(f"{n} {what}" for what, n in sorted(totals.items())),
        f"{count / seconds:.0f} schedules a second: 100,000 take {100_000 * seconds / count / 60:.0f} minutes",
    ]
    told.notices = shared_out(partial(notice, seed, world=world), range(len(SEEDED)))
    return told


def play_all(seed: int, numbers: tuple[int, int], world: World = SERVICE) -> Seen:
    """Play the schedules from one number to before another."""
    seen = Seen()
    for number in range(*numbers):
        played = play(seed, number, world.tablet, world.begin)
        count(played, seen.totals, seen.worst)
        if told := broken_laws(played):
            seen.wrong.append(f"seed {seed}, schedule {number}: {'; '.join(told[:SHOWN])}")
    return seen


def count(played: Played, totals: Counter[str], worst: Counter[str]) -> None:
    """Add up what happened in a schedule."""
    entries = played.server.entries()
    here = {
        "marks": sum(len(tablet.marks) for tablet in played.tablets),
        "restores": played.server.restores,
        "recovered": sum(entry.recovered for entry in entries),
        "contested": sum(entry.contested for entry in entries),
        "set aside": sum(mark.state == "aside" for tablet in played.tablets for mark in tablet.marks),
        "rounds to drain": played.rounds,
    }
    totals.update(here)
    for what, n in here.items():
        worst[what] = max(worst[what], n)


def notice(seed: int, place: int, world: World = SERVICE) -> Notice:
    """Play with a seeded fault, and say in which schedule it was noticed, or that it was not."""
    found = noticed_in(SEEDED[place], seed=seed, world=world)
    return Notice(SEEDED[place].name, f"in schedule {found[0]}: {found[1]}" if found else "")


def noticed_in(fault: Fault, *, seed: int, world: World = SERVICE) -> tuple[int, str] | None:
    """Play with a fault until a law notices it; return the schedule's number and the sentence, None if none did.

    The same schedule without the fault is the control: if a law complains of that as well, nothing was noticed.
    """
    for number in range(MOST_TRIES):
        with fault.seeded() as make:
            told = complaints(seed, number, world.tablets(make), world)
        if told:
            return None if complaints(seed, number, world.tablet, world) else (number, told[0])
    return None


def complaints(seed: int, number: int, make: MAKE, world: World) -> list[str]:
    """Play one schedule and return what is wrong with it, be it by a law or by what the play itself holds to."""
    try:
        return list(broken_laws(play(seed, number, make, world.begin)))
    except AssertionError as error:
        return [str(error)]


if __name__ == "__main__":
    sys.exit(main())
