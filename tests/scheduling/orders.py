"""In which order the kept marks of two tablets arrive decides nothing but the order of the entries.

A set of marks is made out of reach, then sent in every order, or in many that are drawn by chance.  In any order, even
one in which no tablet sends, each mark stands once or is refused in a sentence, and the entries are lawful.  In orders
that keep each tablet's own there are the same contested accounts to begin with (the steps where what was marked
differs), the same stage, and the same job once a lead has had all that is contested done again.

Which of two accounts stands, and what else waits beside it because it came later, depends on the order: no winner is
chosen.  So does the drawing, which a mark that stood has reached and one that only waited has not.
"""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cached_property
from itertools import count
from random import Random
from typing import Any, TypeAlias
from unittest.mock import patch

from app.domain.commands import DecideContest, Finish, StopWork
from app.domain.deciding import late
from app.domain.events import Event, event_from_bytes
from app.domain.history import unlawful
from app.domain.job import JobState, Stage, fold
from app.domain.steps import Step
from app.services.jobs import Asked
from tests.builders import EYES, HANDS, OTHER_LEAD, Bench
from tests.faulting.told import Notice, Told, ranges, shared_out
from tests.scheduling.memory import MemoryStore
from tests.scheduling.server import OUTCOMES, Server, fresh_server
from tests.scheduling.tablets import KeptMark, Line, Tablet

LONGER = 8, 14
"""So many marks are in a longer set."""
ORDERS_EACH = 20
"""So many orders are drawn of a longer set, half of them such that no tablet sends in."""
SETS_AT_ONCE = 4
MOST_SETS = 60
"""Sets that a seeded fault is given to be noticed in."""
STOPS = 0.06
FURTHER = 0.3
"""How likely the job is some steps further than the gathering of its first bag."""
OTHERWISE = 0.0, 0.7, 0.7
"""How likely the second tablet says something else than the first, where a step leaves it a choice; by the set."""

Form: TypeAlias = tuple[object, ...]


@dataclass(frozen=True)
class Sent:
    """One mark, and the tablet that sends it."""

    tablet: Tablet
    mark: KeptMark

    @property
    def asked(self) -> Asked:
        """How it is sent."""
        mark, tablet = self.mark, self.tablet
        return Asked(tablet.who, tablet.name, mark.at, mark.token, sent_at=mark.at, number=mark.n)


@dataclass(frozen=True)
class MarksMade:
    """What two tablets made out of reach of a server."""

    server: Server
    sent: tuple[Sent, ...]

    @cached_property
    def before(self) -> tuple[Event, ...]:
        """What was entered before any of it arrived."""
        return self.server.events()

    @property
    def stopped(self) -> bool:
        """Whether a stop is among it."""
        return any(isinstance(one.mark.act, StopWork) for one in self.sent)

    @property
    def differing(self) -> set[str]:
        """The steps that were finished with answers that differ, read from the marks alone."""
        said: dict[str, set[str]] = {}
        for one in self.sent:
            if isinstance(act := one.mark.act, Finish):
                said.setdefault(act.step, set()).add(repr(sorted(act.answers.items())))
        return {step for step, answers in said.items() if len(answers) > 1}


@dataclass(frozen=True)
class Arrived:
    """A server after some marks arrived, in this order.  told: what it said to each, None if it took it."""

    server: Server
    order: tuple[Sent, ...] = ()
    told: tuple[str | None, ...] = ()

    def and_then(self, sent: Sent) -> "Arrived":
        """Let one more arrive, at a copy of the server."""
        before = self.server
        server = Server(MemoryStore(before.store.kept), before.job, now=before.now, made=before.made + 1)
        return Arrived(server, (*self.order, sent), (*self.told, server.take(sent.mark.command, sent.asked)))

    @property
    def as_sent(self) -> bool:
        """Whether each tablet's marks came in its own order."""
        last: dict[str, int] = {}
        for sent in self.order:
            if sent.mark.n < last.get(sent.tablet.name, 0):
                return False
            last[sent.tablet.name] = sent.mark.n
        return True


def marks_made(seed: object, size: int, *, stops: bool = False) -> MarksMade:
    """Let two tablets out of reach mark what each takes for due until there are so many marks."""
    tried = (_made(Random(f"orders/{seed}/{attempt}"), size, stops=stops) for attempt in count())
    return next(made for made in tried if len(made.sent) == size)


def _made(chance: Random, size: int, *, stops: bool) -> MarksMade:
    """Let them mark; where both must wait for something, the set is smaller."""
    server, otherwise = fresh_server(), chance.choice(OTHERWISE)
    if chance.random() < FURTHER:
        for _ in range(chance.randint(1, 6)):
            for command, by in Bench(server.state).due_commands():
                server.do(command, by)
    tablets = [Tablet(who, f"tablet {n}", server, lambda: Line.NEVER_ARRIVES) for n, who in enumerate((HANDS, EYES))]
    for _ in range(size * 4):
        if sum(len(tablet.marks) for tablet in tablets) == size:
            break
        tablet = chance.choice(tablets)
        if stops and chance.random() < STOPS:
            tablet.stop()
        else:
            tablet.mark(otherwise=tablet is tablets[1] and chance.random() < otherwise)
    return MarksMade(server, tuple(Sent(tablet, mark) for tablet in tablets for mark in tablet.marks))


def every_order(made: MarksMade) -> Iterator[Arrived]:
    """Let the marks arrive in every order there is; what orders have in common is carried out once."""

    def further(here: Arrived, left: Sequence[Sent]) -> Iterator[Arrived]:
        if not left:
            yield here
        for place, sent in enumerate(left):
            yield from further(here.and_then(sent), [*left[:place], *left[place + 1 :]])

    return further(Arrived(made.server), made.sent)


def some_orders(made: MarksMade, count: int, chance: Random) -> Iterator[Arrived]:
    """Let the marks arrive in orders drawn by chance; every other one keeps the order of each tablet."""
    for number in range(count):
        order = list(made.sent)
        chance.shuffle(order)
        if number % 2 == 0:
            by_tablet = {one.tablet.name: iter([x for x in made.sent if x.tablet is one.tablet]) for one in order}
            order = [next(by_tablet[one.tablet.name]) for one in order]
        here = Arrived(made.server)
        for sent in order:
            here = here.and_then(sent)
        yield here


def lost(made: MarksMade, arrived: Arrived) -> Iterator[str]:
    """Say which marks were lost in silence, and what is unlawful; in any order there are none."""
    fresh = tuple(event_from_bytes(payload) for payload in arrived.server.payloads[len(made.before) :])
    by_token: dict[str | None, list[Event]] = {}
    for event in fresh:
        by_token.setdefault(event.request, []).append(event)
    for sent, told in zip(arrived.order, arrived.told, strict=True):
        stands = by_token.get(sent.mark.token, [])
        name = f"mark {sent.mark.n} of {sent.tablet.name}"
        if len(stands) != (told is None):
            yield f"{name} stands {len(stands)} times and was answered {told or 'well'!r}"
        for event in stands:
            if not isinstance(sent.mark.act, StopWork) and not isinstance(event, OUTCOMES):
                yield f"{name} became {event.type}"
    yield from (f"unlawful: {told}" for told in unlawful((*made.before, *fresh)))
    if fold(fresh, start=made.server.state) != arrived.server.state:
        yield "the state at hand is not the fold of the entries"
    if made.stopped and arrived.server.state.stage is Stage.OPEN:
        yield "the work goes on though a stop arrived"


def form_of(made: MarksMade, arrived: Arrived) -> Form:
    """Return what must be the same in every order that keeps each tablet's own.  It ends what the server is for."""
    server = arrived.server
    stage, contested = server.state.stage, {contest.step for contest in server.state.contests}
    first = contested & made.differing
    if server.state.contests:
        entries = tuple(contest.seq for contest in server.state.contests)
        server.do(DecideContest(entries, holds=False, reason="nobody is sure"), OTHER_LEAD)
    state = server.state
    marks = ((step.id, state.mark(step.id)) for step in state.steps)
    stands = tuple((name, mark.evidence.answers) for name, mark in marks if mark.stands)
    begun = tuple(step.id for step in state.steps if state.mark(step.id).begun is not None)
    return stage, frozenset(first), state.stage, state.due.id if state.due else "", stands, begun


@dataclass
class Seen:
    """What was found in some sets.  orders: how many were tried.  contested: in how many something was contested."""

    orders: int = 0
    contested: int = 0
    longest: int = 0
    wrong: list[str] = field(default_factory=list)


def look(made: MarksMade, orders: Iterator[Arrived], name: str, seen: Seen) -> None:
    """Let a set arrive in these orders, and add what is found."""
    first: Form | None = None
    for arrived in orders:
        seen.orders += 1
        seen.longest = max(seen.longest, len(arrived.order))
        shown = " ".join(f"{sent.tablet.name[-1]}.{sent.mark.n}" for sent in arrived.order)
        seen.contested += bool(arrived.server.state.contests)
        seen.wrong += [f"{name}, order {shown}: {told}" for told in lost(made, arrived)]
        if made.stopped or not arrived.as_sent:
            continue
        form = form_of(made, arrived)
        if form[1] != made.differing:
            seen.wrong.append(f"{name}, order {shown}: the steps {sorted(made.differing)} are not all contested")
        if first is not None and form != first:
            told = next(f"{was} or {now}" for was, now in zip(first, form, strict=True) if was != now)
            seen.wrong.append(f"{name}, order {shown}: it comes to something else than the first order: {told[:300]}")
        first = first or form


@dataclass(frozen=True)
class Share:
    """Some sets to look at.  size: marks of a set in every order; 0 for longer ones, in some orders."""

    seed: int
    numbers: range
    size: int


def look_at(share: Share) -> Seen:
    """Look at all sets of a share."""
    seen = Seen()
    for number in share.numbers:
        look_at_one(share.seed, number, share.size, seen)
    return seen


def look_at_one(seed: int, number: int, size: int, seen: Seen) -> None:
    """Look at one set: in every order, or longer and in some."""
    if size:
        made = marks_made(f"{seed}/{number}", size)
        look(made, every_order(made), f"set {number} of {size}", seen)
        return
    chance = Random(f"longer/{seed}/{number}")
    made = marks_made(f"{seed}/longer/{number}", chance.randint(*LONGER), stops=True)
    look(made, some_orders(made, ORDERS_EACH, chance), f"longer set {number}", seen)


# --- faults that must be noticed -----------------------------------------------------------------


def _dropped(*_: object) -> tuple[Event, ...]:
    return ()


def _the_same(*_: object) -> bool:
    return True


def _itself_only(state: JobState, steps: Iterator[Step]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    del state
    return tuple(step.id for step in steps), ()


def _by_number(server: Server, command: Any, asked: Asked) -> str | None:
    """Take a mark for sent before where the tablet's number is not above all before it."""
    numbers = [e.device.number or 0 for e in server.events() if e.device and e.device.tablet == asked.tablet]
    return None if (asked.number or 0) <= max(numbers, default=0) else _take(server, command, asked)


_take = Server.take


@dataclass(frozen=True)
class Fault:
    """A fault by name: what is put in place of what."""

    name: str
    where: object
    what: str
    instead: Callable[..., object]

    @contextmanager
    def seeded(self) -> Iterator[None]:
        """Put it in while this lasts."""
        with patch.object(self.where, self.what, self.instead):
            yield


SEEDED = (
    Fault("an account that differs is dropped", late, "_contested", _dropped),
    Fault("an account that differs is joined to what stands", late, "_says_the_same", _the_same),
    Fault("what relied on a contested step is not due again", late, "due_again", _itself_only),
    Fault("a mark that comes late is taken for one sent before", Server, "take", _by_number),
)


def notice(place: int, seed: int = 1) -> Notice:
    """Look at sets with a seeded fault until it is noticed; a set where the sound program is blamed counts for none."""
    fault = SEEDED[place]
    for number in range(MOST_SETS):
        seen, sound = Seen(), Seen()
        with fault.seeded():
            look_at_one(seed, number, 4, seen)
        if seen.wrong:
            look_at_one(seed, number, 4, sound)
            return Notice(fault.name, "" if sound.wrong else seen.wrong[0])
    return Notice(fault.name, "")


def prove(seed: int, *, size: int, sets: int, longer: int) -> Told:
    """Look at so many sets of this size in every order, at so many orders of longer sets, and try the seeded faults."""
    shares = [Share(seed, numbers, size) for numbers in ranges(sets, SETS_AT_ONCE)]
    shares += [Share(seed, numbers, 0) for numbers in ranges(-(-longer // ORDERS_EACH), SETS_AT_ONCE)]
    found = shared_out(look_at, shares)
    short, long = found[: -(-sets // SETS_AT_ONCE)], found[-(-sets // SETS_AT_ONCE) :]
    told = Told("orders", wrong=[wrong for seen in found for wrong in seen.wrong])
    told.cases = (
        f"{sum(seen.orders for seen in short)} orders, which are all of {sets} sets of {size} marks, "
        f"and {sum(seen.orders for seen in long)} of longer sets"
    )
    told.worst = f"{max(seen.longest for seen in found)} marks in one order"
    told.facts = [f"in {sum(seen.contested for seen in found)} orders something was contested"]
    told.notices = shared_out(notice, range(len(SEEDED)))
    return told
