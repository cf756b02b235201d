"""Acts at one access port: door, bag, neck, cut, stub, filter, clamp."""

from app.domain.containment.broken import Broken, Rule, unless
from app.domain.containment.effects import Act, Effect, Side
from app.domain.containment.state import (
    Closure,
    Door,
    Filling,
    HousingState,
    Inside,
    Isolation,
    Kind,
    Package,
    PortState,
    Sleeve,
)
from app.domain.housing import Seal, Service
from app.domain.replacing import replace

Faults = tuple[Broken, ...]
DECONTAMINATED_FIRST = frozenset({Service.BIOLOGICAL, Service.POTENT_COMPOUND})


def perform(state: HousingState, effect: Effect) -> tuple[HousingState, Faults]:
    """Return the state after a port act and the rules it breaks."""
    port = state.port(effect.port or "")
    if effect.act is Act.ACCOUNT_PACKAGE:
        return _account(state, port)
    after, broken = _at_port(state, port, effect)
    return state.with_port(after), broken


def _at_port(state: HousingState, port: PortState, effect: Effect) -> tuple[PortState, Faults]:
    position, side = effect.position or 0, effect.side or Side.RING
    match effect.act:
        case Act.TAKE_DOOR_OFF:
            return replace(port, door=Door.OFF), _can_open_door(state, port)
        case Act.REFIT_DOOR:
            return replace(port, door=Door.SHUT), _can_refit(port)
        case Act.EXTEND_BAG:
            return _changed_bag(port, extended=True), (*_bag_in_hand(port), *_rolled(port))
        case Act.ROLL_BAG:
            return _changed_bag(port, extended=False), _can_roll(port)
        case Act.FIT_BAG:
            sleeve = port.waiting or Sleeve()
            return replace(port, ring=(*port.ring, sleeve), waiting=None), _can_fit(port)
        case Act.STRAP_BAG:
            return _changed_bag(port, strapped=True), _can_strap(port)
        case Act.LOAD_FILTER:
            return replace(port, waiting=Sleeve(filter=Filling.NEW)), _can_load(port)
        case Act.DRAW_STUB_OFF:
            return _draw_stub_off(port)
        case Act.RELEASE_CLAMP:
            return replace(port, clamp_set=False), _can_release(state, port)
        case Act.SET_CLAMP:
            return replace(port, clamp_set=True), _can_set(state, port)
        case Act.DRAW_OUT:
            return _draw_out(port, position)
        case Act.SLIDE_IN:
            return _slide_in(state, port, position)
        case Act.GATHER:
            return _changed_bag(port, closure=Closure()), _can_gather(port)
        case Act.TIE | Act.BAND:
            return _close(state, port, effect.act, side)
        case Act.CUT:
            return _cut(state, port)
        case Act.TAPE_STUB:
            return _tape_stub(port)
        case Act.TAPE_PACKAGE:
            return _tape_package(port)
        case Act.FIT_OVERBAG:
            return replace(port, ring=(*port.ring, Sleeve())), _can_overbag(port)
        case Act.DRAW_TORN_OFF:
            return _draw_torn_off(port)
        case Act.BAND_BESIDE:
            return _band_beside(state, port, side)
        case Act.REPLACE_GASKET:
            return replace(port, gasket=True), _can_replace_gasket(port)
        case _:
            raise ValueError(f"{effect.act} is not an act at a port")


# --- door ---------------------------------------------------------------------------------------


def _can_open_door(state: HousingState, port: PortState) -> Faults:
    bag = port.bag
    covered = bag is not None and bag.strapped and bag.intact
    must_be_treated = state.needs_barrier and state.service in DECONTAMINATED_FIRST
    treated = state.inside is Inside.DECONTAMINATED or not must_be_treated
    return (
        *unless(port.door is Door.SHUT, Rule.R0, f"the door of port {port.id} is off already"),
        *_isolated(state, f"the door of port {port.id} comes off"),
        *unless(covered or not state.needs_barrier, Rule.R6, f"no strapped, intact bag is on port {port.id}"),
        *unless(treated, Rule.R6, f"port {port.id} is opened before its {state.service} service was decontaminated"),
    )


def _isolated(state: HousingState, act: str) -> Faults:
    return unless(state.isolation is Isolation.VERIFIED, Rule.R6, f"{act} before the isolation is verified")


def _can_refit(port: PortState) -> Faults:
    outer = port.outer
    clear = outer is None or not outer.extended
    return (
        *unless(port.door is Door.OFF, Rule.R0, f"the door of port {port.id} is on already"),
        *unless(clear, Rule.R0, f"the bag of port {port.id} is not rolled clear of the door"),
        *unless(port.gasket, Rule.R0, f"the door gasket of port {port.id} is damaged"),
    )


def _can_replace_gasket(port: PortState) -> Faults:
    return (
        *unless(port.door is Door.OFF, Rule.R0, f"the gasket of port {port.id} is out of reach on the shut door"),
        *unless(not port.gasket, Rule.R0, f"the door gasket of port {port.id} is whole"),
    )


# --- bag ----------------------------------------------------------------------------------------


def _changed_bag(port: PortState, **changes: object) -> PortState:
    bag = port.bag
    return port if bag is None else port.with_outer(replace(bag, **changes))  # type: ignore[arg-type]


def _bag_in_hand(port: PortState) -> Faults:
    return (
        *unless(port.door is Door.OFF, Rule.R0, f"the door of port {port.id} is still on"),
        *unless(port.bag is not None, Rule.R0, f"there is no bag on the ring of port {port.id}"),
    )


def _rolled(port: PortState) -> Faults:
    bag = port.bag
    return unless(bag is None or not bag.extended, Rule.R0, f"the bag of port {port.id} is extended already")


def _can_roll(port: PortState) -> Faults:
    bag = port.bag
    loose = bag is not None and bag.extended and bag.filter is Filling.EMPTY and bag.closure is None
    return (
        *_bag_in_hand(port),
        *unless(loose, Rule.R0, f"the bag of port {port.id} is not extended, empty and untied"),
    )


def _can_fit(port: PortState) -> Faults:
    return (
        *unless(port.door is Door.OFF, Rule.R0, f"the ring of port {port.id} is out of reach behind its door"),
        *unless(port.bag is None, Rule.R0, f"the ring of port {port.id} carries a bag already"),
    )


def _can_strap(port: PortState) -> Faults:
    bag = port.bag
    return (
        *_bag_in_hand(port),
        *unless(bag is None or not bag.strapped, Rule.R0, f"the bag of port {port.id} is strapped already"),
    )


def _can_load(port: PortState) -> Faults:
    return unless(port.waiting is None, Rule.R4, f"the bag made ready for port {port.id} holds a filter already")


# --- mending ------------------------------------------------------------------------------------


def _can_overbag(port: PortState) -> Faults:
    bag = port.bag
    return (
        *_bag_in_hand(port),
        *unless(bag is None or not bag.intact, Rule.R0, f"the bag of port {port.id} is whole and needs none over it"),
    )


def _draw_torn_off(port: PortState) -> tuple[PortState, Faults]:
    """The new bag takes the place of the torn ones under it, with what they held; it lies as the last of them lay."""
    bag, torn = port.bag, port.torn
    if bag is None or not torn:
        return port, (Broken(Rule.R0, f"there is no torn bag under another on port {port.id}"),)
    held = [sleeve.filter for sleeve in (*torn, bag) if sleeve.filter is not Filling.EMPTY]
    broken = (
        *unless(
            bag.strapped and bag.intact,
            Rule.R5,
            f"the torn bag of port {port.id} comes off in a bag that is not strapped and intact",
        ),
        *unless(bag.closure is None, Rule.R5, f"the bag of port {port.id} is gathered; no hand can reach in"),
        *unless(len(held) <= 1, Rule.R4, f"two filters would lie in one bag at port {port.id}"),
    )
    if len(held) > 1:
        return port, broken
    merged = replace(
        bag,
        extended=torn[-1].extended,
        filter=held[0] if held else Filling.EMPTY,
        stubs=bag.stubs + sum(sleeve.stubs for sleeve in torn),
        torn_inside=bag.torn_inside + sum(1 + sleeve.torn_inside for sleeve in torn),
    )
    kept = tuple(sleeve for sleeve in port.ring[:-1] if sleeve not in torn)
    return replace(port, ring=(*kept, merged)), broken


def _band_beside(state: HousingState, port: PortState, side: Side) -> tuple[PortState, Faults]:
    """A band that failed stays where it is; a new one is put beside it."""
    outer, name = port.outer, f"{side}_bands"
    if outer is None or outer.closure is None or (outer.kind is Kind.STUB and side is Side.PACKAGE):
        return port, (Broken(Rule.R0, f"there is no gathered neck to band at port {port.id}"),)
    count = getattr(outer.closure, name)
    broken = unless(
        count < state.closure_rule.bands_each_side, Rule.R0, f"no band is missing on the {side} side at port {port.id}"
    )
    return port.with_outer(replace(outer, closure=replace(outer.closure, **{name: count + 1}))), broken


# --- neck, cut, stub ----------------------------------------------------------------------------


def _can_gather(port: PortState) -> Faults:
    bag = port.bag
    fit = bag is not None and bag.strapped and bag.extended
    return (
        *_bag_in_hand(port),
        *unless(fit, Rule.R0, f"the bag of port {port.id} is not extended and strapped"),
        *unless(bag is None or bag.closure is None, Rule.R0, f"the bag of port {port.id} is gathered already"),
        *unless(port.stub is None, Rule.R5, f"the stub of port {port.id} is still on the ring under the bag"),
        *unless(not port.torn, Rule.R5, f"a torn bag of port {port.id} is still on the ring under the bag"),
    )


def _close(state: HousingState, port: PortState, act: Act, side: Side) -> tuple[PortState, Faults]:
    bag, rule = port.bag, state.closure_rule
    if bag is None or bag.closure is None:
        return port, (Broken(Rule.R0, f"there is no gathered neck to {act} at port {port.id}"),)
    name = f"{side}_{'ties' if act is Act.TIE else 'bands'}"
    each = rule.ties_each_side if act is Act.TIE else rule.bands_each_side
    closure = replace(bag.closure, **{name: getattr(bag.closure, name) + each})
    fresh = unless(getattr(bag.closure, name) == 0, Rule.R0, f"the {side} side at port {port.id} has its {act} already")
    return port.with_outer(replace(bag, closure=closure)), fresh


def _cut(state: HousingState, port: PortState) -> tuple[PortState, Faults]:
    bag, rule = port.bag, state.closure_rule
    if bag is None:
        return port, (Broken(Rule.R0, f"there is no bag to cut at port {port.id}"),)
    closure = bag.closure or Closure()
    broken = (
        *unless(closure.ring_done(rule), Rule.R2, f"the ring side at port {port.id} lacks its ties or bands"),
        *unless(closure.package_done(rule), Rule.R2, f"the package side at port {port.id} lacks its ties or bands"),
    )
    package = Package(
        port=port.id, number=port.cuts + 1, filter=bag.filter, stubs=bag.stubs, torn_inside=bag.torn_inside
    )
    stub = Sleeve(
        kind=Kind.STUB, strapped=bag.strapped, intact=bag.intact, extended=False, closure=closure, taped=False
    )
    after = replace(port.with_outer(stub), packages=(*port.packages, package), cuts=port.cuts + 1)
    return after, broken


def _tape_stub(port: PortState) -> tuple[PortState, Faults]:
    stub = port.stub
    if stub is None or stub.taped:
        return port, (Broken(Rule.R0, f"there is no raw stub edge to tape at port {port.id}"),)
    ring = tuple(replace(item, taped=True) if item is stub else item for item in port.ring)
    return replace(port, ring=ring), ()


def _tape_package(port: PortState) -> tuple[PortState, Faults]:
    if not port.packages or port.packages[-1].taped:
        return port, (Broken(Rule.R0, f"there is no raw package edge to tape at port {port.id}"),)
    last = replace(port.packages[-1], taped=True)
    return replace(port, packages=(*port.packages[:-1], last)), ()


def _draw_stub_off(port: PortState) -> tuple[PortState, Faults]:
    stub, bag = port.stub, port.bag
    if stub is None:
        return port, (Broken(Rule.R0, f"there is no stub on port {port.id} to draw off"),)
    if bag is None:
        bare = Broken(Rule.R5, f"the stub of port {port.id} comes off with no bag over it")
        return replace(port, ring=tuple(item for item in port.ring if item is not stub)), (bare,)
    safe = bag.strapped and bag.intact
    broken = (
        *unless(safe, Rule.R5, f"the stub of port {port.id} comes off in a bag that is not strapped and intact"),
        *unless(bag.closure is None, Rule.R5, f"the bag of port {port.id} is gathered; no hand can reach in"),
        *unless(not port.torn, Rule.R5, f"a torn bag covers the stub of port {port.id}; draw that off first"),
    )
    left = tuple(item for item in port.ring[:-1] if item is not stub)
    return replace(port, ring=(*left, replace(bag, stubs=bag.stubs + 1))), broken


def _account(state: HousingState, port: PortState) -> tuple[HousingState, Faults]:
    if not port.packages:
        return state, (Broken(Rule.R0, f"port {port.id} has no package to account for"),)
    first, *rest = port.packages
    broken = unless(first.taped, Rule.R10, f"package {first.number} of port {port.id} leaves with a raw edge untaped")
    after = state.with_port(replace(port, packages=tuple(rest)))
    return replace(after, accounted=(*state.accounted, first)), broken


# --- filter and clamp ---------------------------------------------------------------------------


def workable(port: PortState) -> bool:
    """Whether hands can work through the bag: strapped, intact, extended, not gathered, door off."""
    bag = port.bag
    whole = bag is not None and bag.strapped and bag.intact and bag.extended and bag.closure is None
    return whole and port.door is Door.OFF


def _through_bag(state: HousingState, port: PortState) -> Faults:
    """A gel seal's locking handle on a contaminated housing is worked through the gloves of the bag."""
    bare_hands = state.seal is Seal.GASKET or not state.needs_barrier
    return unless(
        bare_hands or workable(port),
        Rule.R8,
        f"the locking handle of port {port.id} is worked without an extended, strapped, intact, open bag",
    )


def _moves_in_bag(port: PortState) -> Faults:
    return (
        *unless(
            workable(port),
            Rule.R3,
            f"a filter moves at port {port.id} without an extended, strapped, intact, open bag",
        ),
        *unless(port.stub is None, Rule.R5, f"the stub still closes the ring of port {port.id}; draw it off first"),
        *unless(not port.torn, Rule.R5, f"a torn bag hangs in the ring of port {port.id}; draw it off first"),
    )


def _can_release(state: HousingState, port: PortState) -> Faults:
    return (
        *unless(port.clamp_set, Rule.R0, f"the filter clamp of port {port.id} is released already"),
        *_isolated(state, f"the filter clamp of port {port.id} is released"),
        *_through_bag(state, port),
    )


def _can_set(state: HousingState, port: PortState) -> Faults:
    empty = [n for n, filling in enumerate(port.positions, start=1) if filling is Filling.EMPTY]
    return (
        *unless(not port.clamp_set, Rule.R0, f"the filter clamp of port {port.id} is set already"),
        *unless(not empty, Rule.R8, f"the clamp of port {port.id} is set with position {empty[:1]} empty"),
        *_through_bag(state, port),
    )


def _clamp_off(port: PortState) -> Faults:
    return unless(not port.clamp_set, Rule.R3, f"a filter moves at port {port.id} with its filter clamp still set")


def _draw_out(port: PortState, position: int) -> tuple[PortState, Faults]:
    filling, bag = port.positions[position - 1], port.bag
    nearer = [n for n in range(1, position) if port.positions[n - 1] is not Filling.EMPTY]
    broken = (
        *unless(filling is not Filling.EMPTY, Rule.R0, f"position {position} of port {port.id} is empty"),
        *_clamp_off(port),
        *_moves_in_bag(port),
        *unless(
            bag is None or bag.filter is Filling.EMPTY,
            Rule.R4,
            f"the bag of port {port.id} holds a filter already",
        ),
        *unless(not nearer, Rule.R7, f"position {position} of port {port.id} leaves before position {nearer[:1]}"),
    )
    moved = _with_position(port, position, Filling.EMPTY)
    return (_changed_bag(moved, filter=filling) if filling is not Filling.EMPTY else moved), broken


def _slide_in(state: HousingState, port: PortState, position: int) -> tuple[PortState, Faults]:
    bag = port.bag
    bagged = bag is not None and bag.filter is Filling.NEW
    deeper = [n for n, fill in enumerate(port.positions, start=1) if n > position and fill is Filling.EMPTY]
    nearer = [n for n, fill in enumerate(port.positions, start=1) if n < position and fill is not Filling.EMPTY]
    broken = (
        *_clamp_off(port),
        *unless(port.door is Door.OFF, Rule.R0, f"the door of port {port.id} is still on"),
        *unless(
            port.positions[position - 1] is Filling.EMPTY,
            Rule.R0,
            f"position {position} of port {port.id} is not empty",
        ),
        *unless(not deeper, Rule.R7, f"position {position} of port {port.id} is filled before {deeper[:1]}"),
        *unless(not nearer, Rule.R7, f"position {nearer[:1]} of port {port.id} stands in the way"),
        *(_may_pass(port, bagged) if bagged or state.needs_barrier else ()),
    )
    after = _with_position(port, position, Filling.NEW)
    return (_changed_bag(after, filter=Filling.EMPTY) if bagged else after), broken


def _may_pass(port: PortState, bagged: bool) -> Faults:
    return (
        *unless(bagged, Rule.R3, f"there is no new filter in the bag of port {port.id}"),
        *_moves_in_bag(port),
    )


def _with_position(port: PortState, position: int, filling: Filling) -> PortState:
    changed = tuple(filling if n == position else old for n, old in enumerate(port.positions, start=1))
    return replace(port, positions=changed)
