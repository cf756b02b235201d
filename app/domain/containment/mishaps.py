"""What goes wrong at a housing: transitions that nobody orders, and so stand outside the rules.

A mishap is no act of the crew.  It lowers barriers as the world would; no rule is broken by it.  What the crew does
next is judged again: while a contaminated port is bare, only acts that mend or make safe are allowed (R1).
A mishap that leaves the model as it is (a filter that sticks) still says where it can happen.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache

from app.domain.containment.effects import Act, Effect, Side
from app.domain.containment.rules import attempt
from app.domain.containment.state import Door, Filling, HousingState, Isolation, Kind, PortState
from app.domain.replacing import replace


class Mishap(StrEnum):
    """What can go wrong, as the model knows it."""

    NONE = "none"
    TEAR_BAG = "tear_bag"
    LOSE_RING_BAND = "lose_band:ring"
    LOSE_PACKAGE_BAND = "lose_band:package"
    STICK_FILTER = "stick_filter"
    DROP_SPENT_FILTER = "drop_spent_filter"
    DROP_NEW_FILTER = "drop_new_filter"
    DAMAGE_SEAL = "damage_seal"
    DAMAGE_GASKET = "damage_door_gasket"
    LEAK_BY = "leak_by"


AT_HOUSING = frozenset({Mishap.NONE, Mishap.LEAK_BY})
AT_POSITION = frozenset({Mishap.DROP_NEW_FILTER, Mishap.DAMAGE_SEAL})


@dataclass(frozen=True, slots=True)
class Spot:
    """Where a mishap happened: a port and a filter position of it, or the housing as a whole."""

    port: str | None = None
    position: int | None = None


def spots(state: HousingState, mishap: Mishap) -> tuple[Spot, ...]:
    """Return everywhere that the mishap can happen in this state; nothing where it cannot."""
    match mishap:
        case Mishap.NONE:
            return (Spot(),)
        case Mishap.LEAK_BY:
            return (Spot(),) if state.isolation is Isolation.VERIFIED else ()
        case _:
            return tuple(spot for port in state.ports for spot in _at_port(state, port, mishap))


def _at_port(state: HousingState, port: PortState, mishap: Mishap) -> Iterator[Spot]:
    """A shut door hides what is behind it: nothing is seen to go wrong there."""
    if port.door is Door.SHUT:
        return
    outer, bag = port.outer, port.bag
    match mishap:
        case Mishap.TEAR_BAG if bag is not None and bag.intact:
            yield Spot(port.id)
        case Mishap.LOSE_RING_BAND if outer is not None and outer.closure is not None and outer.closure.ring_bands:
            yield Spot(port.id)
        case Mishap.LOSE_PACKAGE_BAND if bag is not None and bag.closure is not None and bag.closure.package_bands:
            yield Spot(port.id)
        case Mishap.STICK_FILTER if _movable(state, port):
            yield Spot(port.id)
        case Mishap.DROP_SPENT_FILTER if bag is not None and bag.intact and bag.filter is Filling.SPENT:
            yield Spot(port.id)
        case Mishap.DROP_NEW_FILTER if bag is not None and bag.intact and bag.filter is Filling.NEW:
            yield from (Spot(port.id, position) for position in _movable(state, port))
        case Mishap.DAMAGE_SEAL:
            movable = _movable(state, port)
            yield from (Spot(port.id, n) for n in movable if port.positions[n - 1] is Filling.NEW)
        case Mishap.DAMAGE_GASKET if port.gasket:
            yield Spot(port.id)
        case _:
            return


@lru_cache(maxsize=256)
def _movable(state: HousingState, port: PortState) -> tuple[int, ...]:
    """Positions out of or into which a filter could be moved now: the nearest that is filled, the deepest empty one."""
    if port.clamp_set:
        return ()
    filled = [n for n, filling in enumerate(port.positions, start=1) if filling is not Filling.EMPTY][:1]
    empty = [n for n, filling in enumerate(port.positions, start=1) if filling is Filling.EMPTY][-1:]
    moves = [(Act.DRAW_OUT, n) for n in filled] + [(Act.SLIDE_IN, n) for n in empty]
    return tuple(n for act, n in moves if attempt(state, Effect(act=act, port=port.id, position=n)).allowed)


def happen(state: HousingState, mishap: Mishap, spot: Spot) -> HousingState:
    """Return the state after a mishap at one of its `spots`; elsewhere it changes nothing."""
    if spot not in spots(state, mishap):
        return state
    if mishap is Mishap.LEAK_BY:
        return replace(state, isolation=Isolation.LOCKED)
    if spot.port is None:
        return state
    port = state.port(spot.port)
    match mishap:
        case Mishap.TEAR_BAG | Mishap.DROP_SPENT_FILTER | Mishap.DROP_NEW_FILTER:
            return state.with_port(_torn(port))
        case Mishap.LOSE_RING_BAND:
            return state.with_port(_band_lost(port, Side.RING))
        case Mishap.LOSE_PACKAGE_BAND:
            return state.with_port(_band_lost(port, Side.PACKAGE))
        case Mishap.DAMAGE_GASKET:
            return state.with_port(replace(port, gasket=False))
        case _:
            return state


def _torn(port: PortState) -> PortState:
    """A bag into which a filter fell is taken for torn until a new one is around it."""
    outer = port.outer
    return port if outer is None else port.with_outer(replace(outer, intact=False))


def _band_lost(port: PortState, side: Side) -> PortState:
    outer = port.outer
    if outer is None or outer.closure is None or outer.kind not in (Kind.BAG, Kind.STUB):
        return port
    name = f"{side}_bands"
    closure = replace(outer.closure, **{name: getattr(outer.closure, name) - 1})
    return port.with_outer(replace(outer, closure=closure))
