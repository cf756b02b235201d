"""The way back from a contingency to the main line, proved by the model before anybody takes it.

For a check of a procedure it is enough that the housing ends up as the main line has it at the step where the work
goes on: the main line itself is checked from there.  In a job, the steps that are left are run through the model.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import product

from app.domain.containment.broken import Broken, Rule
from app.domain.containment.effects import Effect, Use
from app.domain.containment.mishaps import Mishap, Spot, happen, spots
from app.domain.containment.rules import attempt, final_faults
from app.domain.containment.state import HousingState, PortState, Sleeve
from app.domain.contingency import LaidContingency
from app.domain.housing import Housing
from app.domain.procedure import StepKind
from app.domain.steps import Step, total_uses

IN_HAND, NEXT = "due", "next"


@dataclass(frozen=True, slots=True)
class Breach:
    """A step that would break a containment rule."""

    step: str
    rule: Rule
    sentence: str


@dataclass(frozen=True, slots=True)
class WayBack:
    """Where the main line goes on after a contingency.

    steps: what is put in before the step `returns_to`.  due_again: what is done again from there.  left: steps of an
    earlier contingency that this one replaces.  extra: what is used beyond what was planned from here on.
    """

    steps: tuple[Step, ...]
    returns_to: str
    due_again: tuple[str, ...]
    left: tuple[str, ...]
    extra: dict[str, int]


# --- in a job -----------------------------------------------------------------------------------


def ways_back(
    line: Sequence[Step], place: int, done: frozenset[str], model: HousingState, laid: LaidContingency, spot: Spot,
    housing: Housing, turn: int,
) -> WayBack | None:  # fmt: skip
    """Return the first stated way back that breaks no rule up to the end of the job; None if the model knows none.

    line: the steps of the job.  place: that of the step in hand.  done: steps whose effects the model shows.
    """
    put_in, after = laid.at(spot, housing, turn), happen(model, laid.occurs, spot)
    for first, name in product(_from(line, place), laid.returns):
        if (back := _named(line, first, name)) is None or back >= len(line):
            continue
        again, left = tuple(line[back:first]), tuple(line[place : max(first, back)])
        rest = _effects_left(line[back:], done - {step.id for step in again})
        if _broken(put_in, rest, after):
            continue
        planned, used = total_uses(_effects_left(line[place:], done), model), total_uses((*put_in, *rest), after)
        return WayBack(
            steps=put_in,
            returns_to=line[back].id,
            due_again=tuple(step.id for step in again),
            left=tuple(step.id for step in left),
            extra=_beyond(used, planned),
        )
    return None


def _from(line: Sequence[Step], place: int) -> Iterator[int]:
    """From where to look for the way back: the step in hand; else the end of the contingency that it belongs to."""
    yield place
    inside = line[place].id.partition("/")[0]
    if any(step.occurs is not None and step.id.startswith(f"{inside}/") for step in line):
        yield next((n for n in range(place, len(line)) if line[n].id.partition("/")[0] != inside), len(line))


def _named(line: "Sequence[Step] | Sequence[Shape]", place: int, name: str) -> int | None:
    """Return the place that a stated return names, seen from the step at `place`; None if that cannot be.

    Nothing that is final is done again, and neither it nor a hold is passed over.
    """
    if place >= len(line) or name == IN_HAND:
        return place
    here = line[place]
    if name == NEXT:
        return None if here.final or here.kind is StepKind.HOLD else place + 1
    for number in range(place - 1, -1, -1):
        step = line[number]
        if step.section != here.section or step.final:
            return None
        if step.id.rpartition("/")[2] == name:
            return number
    return None


def _effects_left(steps: Sequence[Step], done: frozenset[str]) -> tuple[Step, ...]:
    return tuple(step for step in steps if step.effects and step.id not in done)


def _broken(put_in: Sequence[Step], rest: Sequence[Step], state: HousingState) -> bool:
    for step in (*put_in, *rest):
        for effect in step.effects:
            outcome = attempt(state, effect)
            if outcome.broken:
                return True
            state = outcome.state
    return bool(final_faults(state))


def _beyond(used: Counter[Use], planned: Counter[Use]) -> dict[str, int]:
    return {str(use): used[use] - planned[use] for use in Use if used[use] > planned[use]}


# --- in the check of a procedure ------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Shape:
    """What of a step the check depends on; equal shapes are checked once."""

    id: str
    section: str
    port: str | None
    kind: StepKind
    final: bool
    effects: tuple[Effect, ...]


@dataclass(frozen=True, slots=True)
class Kept:
    """What of a contingency the check depends on."""

    id: str
    occurs: Mishap
    returns: tuple[str, ...]
    effects: tuple[Effect, ...]


def contingency_breaches(
    line: tuple[Step, ...], laid: tuple[LaidContingency, ...], state: HousingState
) -> tuple[Breach, ...]:
    """Return a breach for every contingency that, somewhere along the line, does not lead back to it.

    Of ports at which exactly the same is done, the first stands for all.
    """
    alike = set(_alike(line, state).values())
    shapes = tuple(
        Shape(step.id, step.section, step.port, step.kind, step.final, step.effects)
        for step in line
        if step.port is None or step.port in alike
    )
    kept = tuple(
        Kept(item.id, item.occurs, item.returns, tuple(effect for step in item.steps for effect in step.effects))
        for item in laid
    )
    return _found(shapes, kept, replace(state, ports=tuple(port for port in state.ports if port.id in alike)))


@lru_cache(maxsize=64)
def _found(line: tuple[Shape, ...], laid: tuple[Kept, ...], state: HousingState) -> tuple[Breach, ...]:
    states = [state]
    for step in line:
        for effect in step.effects:
            state = attempt(state, effect).state
        states.append(state)
    found: dict[tuple[str, str], Breach] = {}
    seen = _Seen(states)
    for number, step in enumerate(line):
        for contingency in laid:
            if (told := _first_fault(line, seen, number, contingency)) and (contingency.id, told) not in found:
                rule, _, sentence = told.partition("|")
                found[contingency.id, told] = Breach(f"{contingency.id} at {step.id}", Rule(rule), sentence)
    return tuple(found.values())


def _alike(line: Sequence[Step], start: HousingState) -> dict[str, str]:
    """Return for each port the first one at which exactly the same is done: what holds there holds here."""
    first: dict[tuple[object, ...], str] = {}
    found = {}
    for port in start.ports:
        done = tuple(
            (step.section.replace(port.id, HERE), tuple((e.act, e.position, e.side) for e in step.effects))
            for step in line if step.port == port.id
        )  # fmt: skip
        found[port.id] = first.setdefault((port.bank, port.positions, done), port.id)
    return found


class _Seen:
    """The states along a line as the rules see them from a port, and where a mishap can happen, each made once."""

    def __init__(self, states: Sequence[HousingState]) -> None:
        self._states = states
        self._first = [0]
        for number in range(1, len(states)):
            same = states[number] is states[number - 1]
            self._first.append(self._first[-1] if same else number)
        self._from: dict[tuple[int, str | None], HousingState] = {}
        self._spots: dict[tuple[int, Mishap], tuple[Spot, ...]] = {}

    def spots(self, number: int, mishap: Mishap) -> tuple[Spot, ...]:
        key = self._first[number], mishap
        if key not in self._spots:
            self._spots[key] = spots(self._states[number], mishap)
        return self._spots[key]

    def seen_from(self, number: int, spot: Spot) -> HousingState:
        key = self._first[number], spot.port
        if key not in self._from:
            self._from[key] = _seen_from(self._states[number], spot)
        return self._from[key]


def _first_fault(line: Sequence[Shape], seen: _Seen, number: int, laid: Kept) -> str:
    for spot in seen.spots(number, laid.occurs):
        backs = tuple(back for name in laid.returns if (back := _named(line, number, name)) is not None)
        told = leads_back(
            seen.seen_from(number, spot), laid.occurs, Spot(spot.port and HERE, spot.position), laid.effects,
            tuple(seen.seen_from(back, spot) for back in backs),
        )  # fmt: skip
        if told:
            return told
    return ""


HERE = "this port"


@lru_cache(maxsize=8192)
def leads_back(
    state: HousingState, mishap: Mishap, spot: Spot, effects: tuple[Effect, ...], goals: tuple[HousingState, ...]
) -> str:
    """Return nothing if a contingency leads back without a breach, else the rule and a sentence, parted by a bar."""
    after, place = happen(state, mishap, spot), spot.port or ""
    for effect in effects:
        here = effect
        if effect.port is not None:
            here = effect.model_copy(update={"port": spot.port, "position": effect.position and spot.position})
        outcome = attempt(after, here)
        if outcome.broken:
            first: Broken = outcome.broken[0]
            return f"{first.rule}|{first.sentence.replace(place, 'where it happened') if place else first.sentence}"
        after = outcome.state
    if any(_seen_from(after, spot) == goal for goal in goals):
        return ""
    return f"{Rule.R1}|after {mishap} the housing does not stand as the main line has it where the work goes on"


def _seen_from(state: HousingState, spot: Spot) -> HousingState:
    """Return the housing as the rules see it from one port: without counts and names on which no rule rests.

    Other ports do not enter into what is allowed at this one, but for being bare, and there they are not: no two
    ports are open at a time in a line without a breach.
    """
    ports = tuple(_bare_of_counts(port) for port in state.ports if spot.port in (port.id, None, HERE))
    return replace(state, ports=ports if spot.port is not None else (), accounted=())


def _bare_of_counts(port: PortState) -> PortState:
    return replace(
        port,
        id=HERE,
        cuts=0,
        ring=tuple(_without_counts(sleeve) for sleeve in port.ring),
        waiting=port.waiting and _without_counts(port.waiting),
        packages=tuple(replace(item, port=HERE, number=0, stubs=0, torn_inside=0) for item in port.packages),
    )


def _without_counts(sleeve: Sleeve) -> Sleeve:
    return replace(sleeve, stubs=0, torn_inside=0)
