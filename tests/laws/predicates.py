"""What must be true of a state before each act, written from the trade's point of view and not from the rules' code."""

from app.domain.containment.effects import Act, Effect
from app.domain.containment.state import HousingState, PortState, Sleeve
from app.domain.housing import Seal, Service


def open_bag(port: PortState) -> bool:
    """A bag that hands can work through."""
    if port.door != "off" or not port.ring or port.ring[-1].kind != "bag":
        return False
    bag = port.ring[-1]
    return bag.strapped and bag.intact and bag.extended and bag.closure is None


def both_sides_closed(state: HousingState, sleeve: Sleeve) -> bool:
    """Ties and bands enough on both sides of the place to cut."""
    closed, rule = sleeve.closure, state.closure_rule
    if closed is None:
        return False
    ties = min(closed.ring_ties, closed.package_ties)
    bands = min(closed.ring_bands, closed.package_bands)
    return ties >= rule.ties_each_side and bands >= rule.bands_each_side


def lawful(state: HousingState, effect: Effect) -> bool:
    """Whether the trade would let this act happen in this state (rules R2 to R10, and mending first after R1)."""
    return not must_mend_first(state, effect) and _fits(state, effect)


def must_mend_first(state: HousingState, effect: Effect) -> bool:
    """At a bare port nothing is done but to cover it; elsewhere nothing but what stops the air and locks it."""
    if state.inside == "clean":
        return False
    bare = {port.id for port in state.ports if barrier_count(state, port) == 0}
    covers = {"fit_bag", "fit_overbag", "strap_bag", "band_beside", "roll_bag", "replace_door_gasket", "refit_door"}
    safer = {"stop_fan", "shut_upstream_damper", "shut_downstream_damper", "isolate", "verify_isolation"}
    return bool(bare) and effect.act not in safer and not (effect.act in covers and effect.port in bare)


def _fits(state: HousingState, effect: Effect) -> bool:
    dirty = state.inside != "clean"
    match effect.act:
        case Act.ISOLATE:
            return (state.fan, state.upstream, state.downstream) == ("stopped", "shut", "shut")
        case Act.VERIFY_ISOLATION:
            return state.isolation != "none"
        case Act.DECONTAMINATE:
            return dirty and state.isolation == "verified" and all(port.door == "shut" for port in state.ports)
        case Act.OPEN_UPSTREAM | Act.OPEN_DOWNSTREAM | Act.REMOVE_LOCKS | Act.START_FAN | Act.PUT_IN_SERVICE:
            return _housing_act(state, effect.act)
        case Act.STOP_FAN | Act.SHUT_UPSTREAM | Act.SHUT_DOWNSTREAM:
            return True
        case _:
            return _port_act(state, state.port(effect.port or ""), effect, dirty)


def closed_up(state: HousingState) -> bool:
    """Every door shut, every clamp set, a rolled bag left on every ring."""
    return all(
        port.door == "shut"
        and port.clamp_set
        and bool(port.ring)
        and port.ring[-1].kind == "bag"
        and port.ring[-1].strapped
        and port.ring[-1].intact
        and not port.ring[-1].extended
        for port in state.ports
    )


def nothing_left(state: HousingState) -> bool:
    """No package, no bag made ready, no lone stub, no filter in a bag."""
    return all(
        not port.packages
        and port.waiting is None
        and (not port.ring or (port.ring[-1].kind == "bag" and port.ring[-1].filter == "empty"))
        for port in state.ports
    )


def _housing_act(state: HousingState, act: Act) -> bool:
    unlocked = state.isolation == "none"
    ways_open = state.upstream == "open" and state.downstream == "open"
    match act:
        case Act.REMOVE_LOCKS:
            return not unlocked and closed_up(state)
        case Act.START_FAN:
            return unlocked and ways_open and closed_up(state)
        case Act.PUT_IN_SERVICE:
            running = state.fan == "running"
            return unlocked and ways_open and running and closed_up(state) and nothing_left(state)
        case _:
            return unlocked and closed_up(state)


def _port_act(state: HousingState, port: PortState, effect: Effect, dirty: bool) -> bool:
    outer = port.ring[-1] if port.ring else None
    bag = outer if outer is not None and outer.kind == "bag" else None
    torn = [sleeve for sleeve in port.ring[:-1] if sleeve.kind == "bag" and not sleeve.intact]
    has_stub = any(sleeve.kind == "stub" for sleeve in port.ring)
    through_bag = state.seal is Seal.GASKET or not dirty or open_bag(port)
    place = (effect.position or 1) - 1
    match effect.act:
        case Act.TAKE_DOOR_OFF:
            covered = bag is not None and bag.strapped and bag.intact
            treated = state.inside == "decontaminated" or state.service not in (
                Service.BIOLOGICAL,
                Service.POTENT_COMPOUND,
            )
            return port.door == "shut" and state.isolation == "verified" and (not dirty or (covered and treated))
        case Act.REFIT_DOOR:
            return port.door == "off" and port.gasket and (outer is None or not outer.extended)
        case Act.EXTEND_BAG:
            return port.door == "off" and bag is not None and not bag.extended
        case Act.ROLL_BAG:
            loose = bag is not None and bag.extended and bag.filter == "empty" and bag.closure is None
            return port.door == "off" and loose
        case Act.FIT_BAG:
            return port.door == "off" and bag is None
        case Act.STRAP_BAG:
            return port.door == "off" and bag is not None and not bag.strapped
        case Act.LOAD_FILTER:
            return port.waiting is None
        case Act.DRAW_STUB_OFF:
            good = bag is not None and bag.strapped and bag.intact and bag.closure is None
            return has_stub and good and not torn
        case Act.RELEASE_CLAMP:
            return port.clamp_set and state.isolation == "verified" and through_bag
        case Act.SET_CLAMP:
            return not port.clamp_set and all(fill != "empty" for fill in port.positions) and through_bag
        case Act.DRAW_OUT:
            nearest = all(fill == "empty" for fill in port.positions[:place]) and port.positions[place] != "empty"
            free = bag is not None and bag.filter == "empty" and not has_stub and not torn
            return nearest and not port.clamp_set and open_bag(port) and free
        case Act.SLIDE_IN:
            filled = [fill != "empty" for fill in port.positions]
            fits = all(filled[place + 1 :]) and not any(filled[: place + 1])
            bagged = bag is not None and bag.filter == "new"
            way = open_bag(port) and not has_stub and not torn if bagged else not dirty
            return fits and not port.clamp_set and port.door == "off" and way
        case Act.GATHER:
            fit = bag is not None and bag.strapped and bag.extended and bag.closure is None
            return port.door == "off" and fit and not has_stub and not torn
        case Act.TIE | Act.BAND:
            return bag is not None and bag.closure is not None and _bare(bag, effect)
        case Act.CUT:
            return bag is not None and both_sides_closed(state, bag)
        case Act.TAPE_STUB:
            return any(sleeve.kind == "stub" and not sleeve.taped for sleeve in port.ring)
        case Act.TAPE_PACKAGE:
            return bool(port.packages) and not port.packages[-1].taped
        case Act.ACCOUNT_PACKAGE:
            return bool(port.packages) and port.packages[0].taped
        case Act.FIT_OVERBAG | Act.DRAW_TORN_OFF | Act.BAND_BESIDE | Act.REPLACE_GASKET:
            return _mending_act(state, port, effect, torn)
        case _:
            raise AssertionError(effect)


def _mending_act(state: HousingState, port: PortState, effect: Effect, torn: list[Sleeve]) -> bool:
    outer = port.ring[-1] if port.ring else None
    is_bag = outer is not None and outer.kind == "bag"
    match effect.act:
        case Act.FIT_OVERBAG:
            return outer is not None and is_bag and port.door == "off" and not outer.intact
        case Act.DRAW_TORN_OFF:
            good = outer is not None and is_bag and outer.strapped and outer.intact and outer.closure is None
            filters = sum(sleeve.filter != "empty" for sleeve in (*torn, *port.ring[-1:]))
            return good and bool(torn) and filters <= 1
        case Act.BAND_BESIDE:
            if outer is None or outer.closure is None or (effect.side == "package" and not is_bag):
                return False
            count: int = getattr(outer.closure, f"{effect.side}_bands")
            return count < state.closure_rule.bands_each_side
        case _:
            return port.door == "off" and not port.gasket


def _bare(bag: Sleeve, effect: Effect) -> bool:
    assert bag.closure is not None
    what = "ties" if effect.act is Act.TIE else "bands"
    count: int = getattr(bag.closure, f"{effect.side}_{what}")
    return count == 0


def barrier_count(state: HousingState, port: PortState) -> int:
    """Count barriers by the words of the rule: a whole shut door, a strapped intact bag, a banded stub."""
    held = 1 if port.door == "shut" and port.gasket else 0
    for sleeve in port.ring:
        whole = sleeve.strapped and sleeve.intact
        if sleeve.kind == "stub":
            closed, rule = sleeve.closure, state.closure_rule
            whole = whole and closed is not None and closed.ring_ties >= rule.ties_each_side
            whole = whole and closed is not None and closed.ring_bands >= rule.bands_each_side
        held += 1 if whole else 0
    return held


def went_bare(before: HousingState, after: HousingState) -> bool:
    """Whether a contaminated port has lost its last barrier."""
    return after.inside != "clean" and any(
        barrier_count(after, port) == 0
        and (before.inside == "clean" or barrier_count(before, before.port(port.id)) > 0)
        for port in after.ports
    )
