"""One random schedule: two or three tablets and a server that is killed, stopped, re-opened, backed up and restored.

Every schedule is named by a seed and a number, and is the same at each run.  After it everything heals: each tablet
loads a page and sends until nothing waits.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import timedelta
from random import Random

from tests.builders import EYES, HANDS, LEAD
from tests.scheduling.server import Server, fresh_server
from tests.scheduling.tablets import UNREADABLE, Line, Tablet

PEOPLE = (HANDS, EYES, LEAD)
ACTS = {
    "mark": 9, "mark otherwise": 1, "send": 4, "load": 1, "server goes on": 2, "stop at a tablet": 0.4,
    "stop": 0.6, "re-open": 1.2, "back up": 0.8, "restore": 0.4, "restore and look again": 0.4, "poison": 0.4,
    "wait": 1, "weather": 3,
}  # fmt: skip
"""What may happen, and how often beside the rest."""
WEATHER = {
    "reached": {Line.GOOD: 12, Line.ANSWER_LOST: 1, Line.KILLED_AMID: 1, Line.BUSY: 1, Line.CONFLICT: 1},
    "out of reach": {Line.NEVER_ARRIVES: 1},
    "breaking": {Line.GOOD: 3, Line.NEVER_ARRIVES: 3, Line.ANSWER_LOST: 4, Line.KILLED_AMID: 2, Line.CONFLICT: 1},
}
MOST_ROUNDS = 12
MAKE = Callable[..., Tablet]


@dataclass
class Played:
    """What a schedule came to.  lost: tokens that were on the server and that a restore took away, at any time."""

    server: Server
    tablets: list[Tablet]
    lost: set[str] = field(default_factory=set)
    confirmed_and_lost: set[str] = field(default_factory=set)
    rounds: int = 0
    log: list[str] = field(default_factory=list)


def play(seed: int, number: int, make: MAKE = Tablet, begin: Callable[[], Server] = fresh_server) -> Played:
    """Play one schedule and heal it, on the service itself or on what stands for it."""
    chance = Random(f"{seed}/{number}")
    server = begin()
    server.back_up()
    played = Played(server, [])
    sky = ["reached"] * chance.choice((2, 2, 3))
    for place in range(len(sky)):

        def way(place: int = place) -> Line:
            kinds = WEATHER[sky[place]]
            return chance.choices(list(kinds), list(kinds.values()))[0]

        played.tablets.append(make(PEOPLE[place], f"tablet {place}", server, way))
    for _ in range(chance.randint(8, 36)):
        act = chance.choices(list(ACTS), list(ACTS.values()))[0]
        which = chance.randrange(len(sky))
        if act == "weather":
            sky[which] = chance.choice(list(WEATHER))
        played.log.append(f"{act} {which} {sky[which]}")
        _carry_out(played, act, which, chance, reached=sky[which] == "reached")
    _heal(played, sky)
    return played


def _carry_out(played: Played, act: str, which: int, chance: Random, *, reached: bool) -> None:
    server, tablet = played.server, played.tablets[which]
    server.now += timedelta(seconds=chance.randint(1, 1200))
    match act:
        case "mark" | "mark otherwise":
            tablet.mark(otherwise=act.endswith("otherwise"))
        case "send":
            tablet.drain()
        case "load" if reached:
            tablet.load()
        case "stop at a tablet":
            tablet.stop()
        case "poison":
            tablet.poison(chance.choice(("no step", UNREADABLE)))
        case "back up":
            server.back_up()
        case "restore":
            _restore(played, chance.randrange(len(server.backups)))
        case "restore and look again":  # as a careful crew would: the job is stopped and re-opened before it goes on
            _restore(played, chance.randrange(len(server.backups)))
            server.at_the_desk("stop")
            server.at_the_desk("re-open")
        case "server goes on" | "stop" | "re-open":
            server.at_the_desk(act)
        case _:
            server.now += timedelta(hours=1)


def _restore(played: Played, which: int) -> None:
    lost = played.server.restore(which)
    played.lost |= lost
    confirmed = {mark.token for tablet in played.tablets for mark in tablet.marks if mark.state == "taken"}
    played.confirmed_and_lost |= lost & confirmed
    played.confirmed_and_lost -= set(played.server.requests)  # an older line, which had it, is back


def _heal(played: Played, sky: list[str]) -> None:
    """Everything is in reach again: pages are loaded and queues sent, in turns, until nothing waits."""
    sky[:] = ["healed"] * len(sky)
    for tablet in played.tablets:
        tablet.way = lambda: Line.GOOD
        tablet.load()
    while any(tablet.waiting for tablet in played.tablets) and played.rounds < MOST_ROUNDS:
        played.rounds += 1
        for tablet in played.tablets:
            tablet.drain()
