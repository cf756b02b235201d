"""Acts on the housing as a whole: fan, dampers, isolation, decontamination, return to service."""

from app.domain.containment.broken import Broken, Rule, unless
from app.domain.containment.effects import Act
from app.domain.containment.state import Damper, Door, Fan, HousingState, Inside, Isolation, Kind
from app.domain.replacing import replace

Result = tuple[HousingState, tuple[Broken, ...]]


def perform(state: HousingState, act: Act, leftovers: tuple[Broken, ...]) -> Result:
    """Return the state after a housing act and the rules it breaks; `leftovers` is R10 as it stands now."""
    match act:
        case Act.STOP_FAN:
            return replace(state, fan=Fan.STOPPED, in_service=False), ()
        case Act.SHUT_UPSTREAM:
            return replace(state, upstream=Damper.SHUT, in_service=False), ()
        case Act.SHUT_DOWNSTREAM:
            return replace(state, downstream=Damper.SHUT, in_service=False), ()
        case Act.ISOLATE:
            return replace(state, isolation=Isolation.LOCKED), _can_isolate(state)
        case Act.VERIFY_ISOLATION:
            locked = unless(state.isolation is not Isolation.NONE, Rule.R0, "there is no applied isolation to verify")
            return replace(state, isolation=Isolation.VERIFIED), locked
        case Act.DECONTAMINATE:
            return _decontaminate(state)
        case Act.REMOVE_LOCKS:
            return replace(state, isolation=Isolation.NONE), (*_closed_up(state), *_locks_on(state))
        case Act.OPEN_UPSTREAM:
            return replace(state, upstream=Damper.OPEN), _can_open(state)
        case Act.OPEN_DOWNSTREAM:
            return replace(state, downstream=Damper.OPEN), _can_open(state)
        case Act.START_FAN:
            return replace(state, fan=Fan.RUNNING), (*_air_may_flow(state), *_closed_up(state))
        case Act.PUT_IN_SERVICE:
            running = unless(state.fan is Fan.RUNNING, Rule.R0, "the fan is not running")
            broken = (*_air_may_flow(state), *running, *_closed_up(state), *leftovers)
            return replace(state, in_service=True), broken
        case _:
            raise ValueError(f"{act} is not an act on the whole housing")


def _can_isolate(state: HousingState) -> tuple[Broken, ...]:
    return (
        *unless(state.fan is Fan.STOPPED, Rule.R0, "the fan has not been stopped before the locks go on"),
        *unless(state.upstream is Damper.SHUT, Rule.R0, "the upstream damper is not shut"),
        *unless(state.downstream is Damper.SHUT, Rule.R0, "the downstream damper is not shut"),
    )


def _locks_on(state: HousingState) -> tuple[Broken, ...]:
    return unless(state.isolation is not Isolation.NONE, Rule.R0, "there are no locks to remove")


def _decontaminate(state: HousingState) -> Result:
    broken = (
        *unless(state.needs_barrier, Rule.R0, "a clean housing has nothing to decontaminate"),
        *unless(
            all(port.door is Door.SHUT for port in state.ports),
            Rule.R6,
            "decontamination comes before any door is opened",
        ),
        *unless(state.isolation is Isolation.VERIFIED, Rule.R6, "decontamination needs the isolation verified"),
    )
    after = Inside.DECONTAMINATED if state.needs_barrier else state.inside
    return replace(state, inside=after), broken


def _can_open(state: HousingState) -> tuple[Broken, ...]:
    return (
        *unless(state.isolation is Isolation.NONE, Rule.R0, "the damper is still locked"),
        *_closed_up(state),
    )


def _air_may_flow(state: HousingState) -> tuple[Broken, ...]:
    return (
        *unless(state.isolation is Isolation.NONE, Rule.R0, "the locks are still on"),
        *unless(state.upstream is Damper.OPEN, Rule.R0, "the upstream damper is not open"),
        *unless(state.downstream is Damper.OPEN, Rule.R0, "the downstream damper is not open"),
    )


def _closed_up(state: HousingState) -> tuple[Broken, ...]:
    """R9, port by port."""
    broken: list[Broken] = []
    for port in state.ports:
        outer = port.outer
        bag_left = (
            outer is not None and outer.kind is Kind.BAG and outer.strapped and outer.intact and not outer.extended
        )
        broken += unless(port.door is Door.SHUT, Rule.R9, f"the door of port {port.id} is off")
        broken += unless(port.clamp_set, Rule.R9, f"the filter clamp of port {port.id} is not set")
        broken += unless(bag_left, Rule.R9, f"no rolled, strapped, intact bag is left on port {port.id}")
    return tuple(broken)
