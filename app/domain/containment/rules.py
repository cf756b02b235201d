"""The named rules, and `attempt`: try one effect and hear every rule it would break.

R0  an act needs its object: no tie without a gathered neck, no strap without a bag.
R1  while the inside is contaminated, every port has at least one barrier after every act; a port that a mishap
    has left bare is mended before anything else is done.
R2  a cut is made only between closures that are complete on both sides.
R3  a filter moves only with its clamp released, into or out of an extended, empty, intact, strapped bag.
R4  one filter to a bag.
R5  a stub comes off only inside a fitted, strapped, intact bag.
R6  a door comes off, and a clamp is released, only with the isolation verified; on a contaminated housing
    also with a bag on the ring, and in biological or potent-compound service after decontamination.
R7  filters leave nearest first and enter deepest first.
R8  the clamp is set only with every position filled; a gel seal's handle is worked through the bag.
R9  dampers open only with every door shut, every clamp set and a bag left on every ring.
R10 nothing is left over: no loose stub, filter or package unaccounted for.

A broken rule is data, not an exception; the transition is made all the same, as the world would make it.
"""

from dataclasses import dataclass

from app.domain.containment import housing_acts, port_acts
from app.domain.containment.broken import Broken, Rule
from app.domain.containment.effects import (
    HOUSING_ACTS,
    MENDING_ACTS,
    POSITION_ACTS,
    SAFE_ACTS,
    SIDED_ACTS,
    Act,
    Effect,
)
from app.domain.containment.state import HousingState, Kind, PortState, barriers

__all__ = ["Broken", "Outcome", "Rule", "attempt", "left_over"]


@dataclass(frozen=True, slots=True)
class Outcome:
    """The state after an effect, and the rules that it broke (none: it was allowed)."""

    state: HousingState
    broken: tuple[Broken, ...]

    @property
    def allowed(self) -> bool:
        """Whether no rule was broken."""
        return not self.broken


def attempt(state: HousingState, effect: Effect) -> Outcome:
    """Carry out one effect; total over every effect that is addressed to a port of this housing.

    Raises ValueError for an effect that lacks its port, position or side, or names a port that is not
    there: those are faults of the program or the procedure file, found when the file is read.
    """
    complain_if_misaddressed(state, effect)
    if effect.act in HOUSING_ACTS:
        after, broken = housing_acts.perform(state, effect.act, left_over(state))
    else:
        after, broken = port_acts.perform(state, effect)
    return Outcome(after, (*_mend_first(state, effect), *broken, *_bare_ports(state, after)))


def complain_if_misaddressed(state: HousingState, effect: Effect) -> None:
    """Raise ValueError unless the effect carries exactly what its act needs."""
    act, known = effect.act, {port.id: len(port.positions) for port in state.ports}
    if (effect.port is None) != (act in HOUSING_ACTS):
        raise ValueError(f"{act} {'needs a port' if effect.port is None else 'takes no port'}")
    if effect.port is not None and effect.port not in known:
        raise ValueError(f"{act}: no port {effect.port!r}")
    if (effect.position is None) != (act not in POSITION_ACTS):
        raise ValueError(f"{act} {'needs a position' if effect.position is None else 'takes no position'}")
    if effect.position is not None and not 1 <= effect.position <= known[effect.port or ""]:
        raise ValueError(f"{act}: port {effect.port} has no position {effect.position}")
    if (effect.side is None) != (act not in SIDED_ACTS):
        raise ValueError(f"{act} {'needs a side' if effect.side is None else 'takes no side'}")


def bare_ports(state: HousingState) -> tuple[PortState, ...]:
    """Return the ports at which nothing parts a contaminated inside from the room."""
    if not state.needs_barrier:
        return ()
    return tuple(port for port in state.ports if barriers(port, state.closure_rule) == 0)


def _mend_first(state: HousingState, effect: Effect) -> tuple[Broken, ...]:
    """R1, at a port that is bare: nothing but mending there, or what makes the whole housing safer."""
    bare = bare_ports(state)
    mends = effect.act in MENDING_ACTS and any(port.id == effect.port for port in bare)
    if not bare or mends or effect.act in SAFE_ACTS:
        return ()
    return (Broken(Rule.R1, f"{_place(effect)}port {bare[0].id} is bare; a barrier comes first"),)


def _place(effect: Effect) -> str:
    return f"before work at port {effect.port}, " if effect.port is not None else ""


def _bare_ports(before: HousingState, after: HousingState) -> tuple[Broken, ...]:
    """R1, told once, at the act that takes the last barrier away."""
    if not after.needs_barrier:
        return ()
    return tuple(
        Broken(Rule.R1, f"port {port.id} has nothing between the contaminated inside and the room")
        for was, port in zip(before.ports, after.ports, strict=True)
        if (port is not was or not before.needs_barrier)
        and barriers(port, after.closure_rule) == 0
        and (not before.needs_barrier or barriers(was, before.closure_rule) > 0)
    )


def left_over(state: HousingState) -> tuple[Broken, ...]:
    """R10: everything at the housing that nobody has accounted for."""
    found: list[Broken] = []
    for port in state.ports:
        found.extend(
            Broken(Rule.R10, f"package {item.number} of port {port.id} ({item.words}) is not accounted for")
            for item in port.packages
        )
        if port.waiting is not None:
            found.append(Broken(Rule.R10, f"a bag made ready for port {port.id} was never fitted"))
        outer = port.outer
        if outer is not None and outer.kind is Kind.STUB:
            found.append(Broken(Rule.R10, f"port {port.id} is left with a stub and no bag over it"))
        if outer is not None and outer.filter != "empty":
            found.append(Broken(Rule.R10, f"a {outer.filter} filter is left in the bag of port {port.id}"))
    return tuple(found)


def allowed(state: HousingState, effect: Effect) -> bool:
    """Whether the effect breaks no rule in this state."""
    return attempt(state, effect).allowed


def final_faults(state: HousingState) -> tuple[Broken, ...]:
    """What would be wrong if the work ended in this state: R10, and R9 where dampers stand open or not."""
    faults = list(left_over(state))
    for port in state.ports:
        if any(filling == "empty" for filling in port.positions):
            faults.append(Broken(Rule.R8, f"port {port.id} has an empty filter position"))
    if not state.in_service:
        faults.append(Broken(Rule.R10, "the housing has not been put back in service"))
    return tuple(faults)


def every_effect(state: HousingState) -> tuple[Effect, ...]:
    """List every well-addressed effect on this housing, allowed or not."""
    from app.domain.containment.effects import Side

    found = [Effect(act=act) for act in Act if act in HOUSING_ACTS]
    for port in state.ports:
        for act in Act:
            if act in POSITION_ACTS:
                found += [Effect(act=act, port=port.id, position=n + 1) for n in range(len(port.positions))]
            elif act in SIDED_ACTS:
                found += [Effect(act=act, port=port.id, side=side) for side in Side]
            elif act not in HOUSING_ACTS:
                found.append(Effect(act=act, port=port.id))
    return tuple(found)
