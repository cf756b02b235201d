"""Where work may be left, found from the model and from no list.

A job may rest when every port has two barriers, or one with nothing moving through it: a strapped,
intact bag without a filter and not gathered, or a banded and taped stub.  A clean housing may always rest.
"""

from collections import deque
from functools import lru_cache

from app.domain.containment.effects import SIDED_ACTS, Act, Effect, Side
from app.domain.containment.rules import attempt
from app.domain.containment.state import Filling, HousingState, Kind, PortState, barriers

TOWARDS_REST = (
    Act.STRAP_BAG, Act.GATHER, Act.TIE, Act.BAND, Act.CUT, Act.TAPE_STUB, Act.FIT_BAG, Act.DRAW_STUB_OFF,
    Act.SLIDE_IN, Act.ROLL_BAG, Act.REFIT_DOOR, Act.BAND_BESIDE, Act.FIT_OVERBAG, Act.DRAW_TORN_OFF,
    Act.REPLACE_GASKET,
)  # fmt: skip


def port_rests(state: HousingState, port: PortState) -> bool:
    """Whether work at this port may be left as it is."""
    if not state.needs_barrier:
        return True
    held = barriers(port, state.closure_rule)
    if held >= 2:
        return True
    if held == 0:
        return False
    outer = port.outer
    if outer is None:
        return False  # a door alone, with no bag behind it, is not a place to leave
    if outer.kind is Kind.STUB:
        return outer.taped
    return outer.strapped and outer.filter is Filling.EMPTY and outer.closure is None


def rests(state: HousingState) -> bool:
    """Whether the whole job may be left as it is."""
    return all(port_rests(state, port) for port in state.ports)


@lru_cache(maxsize=4096)
def nearest_rest(state: HousingState) -> tuple[Effect, ...] | None:
    """Return the fewest effects to a resting state: empty if at rest, None if the model knows no way.

    Ports are independent of each other here, so each is searched by itself, breadth first.
    """
    path: list[Effect] = []
    for port in state.ports:
        found = _nearest_for(state, port.id)
        if found is None:
            return None
        path += found
    return tuple(path)


def _nearest_for(state: HousingState, port_id: str) -> tuple[Effect, ...] | None:
    seen = {state.port(port_id)}
    queue: deque[tuple[HousingState, tuple[Effect, ...]]] = deque([(state, ())])
    while queue:
        here, path = queue.popleft()
        if port_rests(here, here.port(port_id)):
            return path
        for effect in _steps_from(here.port(port_id)):
            outcome = attempt(here, effect)
            there = outcome.state.port(port_id)
            if outcome.allowed and there not in seen:
                seen.add(there)
                queue.append((outcome.state, (*path, effect)))
    return None


def _steps_from(port: PortState) -> tuple[Effect, ...]:
    found: list[Effect] = []
    for act in TOWARDS_REST:
        if act in SIDED_ACTS:
            found += [Effect(act=act, port=port.id, side=side) for side in Side]
        elif act is Act.SLIDE_IN:
            found += [Effect(act=act, port=port.id, position=n + 1) for n in range(len(port.positions))]
        else:
            found.append(Effect(act=act, port=port.id))
    return tuple(found)
