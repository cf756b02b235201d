"""What can be done to a housing, in the trade's plain verbs, and what each act uses up."""

from collections import Counter
from enum import StrEnum

from app.domain.containment.state import ClosureRule, HousingState
from app.domain.housing import Seal
from app.domain.text import Kept


class Act(StrEnum):
    """An act that changes the housing."""

    STOP_FAN = "stop_fan"
    SHUT_UPSTREAM = "shut_upstream_damper"
    SHUT_DOWNSTREAM = "shut_downstream_damper"
    ISOLATE = "isolate"
    VERIFY_ISOLATION = "verify_isolation"
    DECONTAMINATE = "decontaminate"
    TAKE_DOOR_OFF = "take_door_off"
    EXTEND_BAG = "extend_bag"
    RELEASE_CLAMP = "release_clamp"
    DRAW_OUT = "draw_filter_into_bag"
    GATHER = "gather_bag"
    TIE = "tie"
    BAND = "band"
    CUT = "cut"
    TAPE_STUB = "tape_stub"
    TAPE_PACKAGE = "tape_package"
    ACCOUNT_PACKAGE = "account_package"
    LOAD_FILTER = "load_filter_into_bag"
    FIT_BAG = "fit_bag"
    STRAP_BAG = "strap_bag"
    DRAW_STUB_OFF = "draw_stub_off"
    SLIDE_IN = "slide_filter_in"
    SET_CLAMP = "set_clamp"
    ROLL_BAG = "roll_bag"
    REFIT_DOOR = "refit_door"
    REMOVE_LOCKS = "remove_locks"
    OPEN_UPSTREAM = "open_upstream_damper"
    OPEN_DOWNSTREAM = "open_downstream_damper"
    START_FAN = "start_fan"
    PUT_IN_SERVICE = "put_in_service"
    FIT_OVERBAG = "fit_overbag"
    DRAW_TORN_OFF = "draw_torn_bag_off"
    BAND_BESIDE = "band_beside"
    REPLACE_GASKET = "replace_door_gasket"


class Side(StrEnum):
    """Which side of the place to cut: what stays on the ring, or what leaves."""

    RING = "ring"
    PACKAGE = "package"


HOUSING_ACTS = frozenset({
    Act.STOP_FAN, Act.SHUT_UPSTREAM, Act.SHUT_DOWNSTREAM, Act.ISOLATE, Act.VERIFY_ISOLATION, Act.DECONTAMINATE,
    Act.REMOVE_LOCKS, Act.OPEN_UPSTREAM, Act.OPEN_DOWNSTREAM, Act.START_FAN, Act.PUT_IN_SERVICE,
})  # fmt: skip
POSITION_ACTS = frozenset({Act.DRAW_OUT, Act.LOAD_FILTER, Act.SLIDE_IN})
SIDED_ACTS = frozenset({Act.TIE, Act.BAND, Act.BAND_BESIDE})
MENDING_ACTS = frozenset({
    Act.FIT_BAG, Act.FIT_OVERBAG, Act.STRAP_BAG, Act.BAND_BESIDE, Act.ROLL_BAG, Act.REPLACE_GASKET, Act.REFIT_DOOR,
})  # fmt: skip
"""What may be done at a bare port: it puts a barrier there, or leads to one."""
SAFE_ACTS = frozenset({Act.STOP_FAN, Act.SHUT_UPSTREAM, Act.SHUT_DOWNSTREAM, Act.ISOLATE, Act.VERIFY_ISOLATION})
"""What makes the whole housing safer, and so is never in the way of mending."""


class Effect(Kept):
    """One act on the housing, or on one port of it, where needed at one filter position or side."""

    act: Act
    port: str | None = None
    position: int | None = None
    side: Side | None = None


class Use(StrEnum):
    """Things that acts use up, as the take-off names them."""

    NEW_BAGS = "new_bags"
    CUTS = "cuts"
    TIE_STRAPS = "tie_straps"
    METAL_BANDS = "metal_bands"
    EDGES_TO_TAPE = "edges_to_tape"
    SPENT_PACKAGES = "spent_packages"
    FILTERLESS_PACKAGES = "filterless_packages"
    FILTERS = "filters"
    GREASE = "grease_applications"


def uses(state: HousingState, effect: Effect) -> Counter[Use]:
    """Count what the effect uses up (or makes, for packages) in this state.

    Grease: a thin film on a new gasket, where the filter's maker permits it, is common practice with no
    source; a gel seal is never greased.
    """
    rule: ClosureRule = state.closure_rule
    match effect.act:
        case Act.TIE:
            return Counter({Use.TIE_STRAPS: rule.ties_each_side})
        case Act.BAND:
            return Counter({Use.METAL_BANDS: rule.bands_each_side})
        case Act.BAND_BESIDE:
            return Counter({Use.METAL_BANDS: 1})
        case Act.FIT_OVERBAG:
            return Counter({Use.NEW_BAGS: 1})
        case Act.TAPE_STUB | Act.TAPE_PACKAGE:
            return Counter({Use.EDGES_TO_TAPE: 1})
        case Act.LOAD_FILTER:
            return Counter({Use.NEW_BAGS: 1}) + _new_filter(state)
        case Act.FIT_BAG:
            ready = effect.port is not None and state.port(effect.port).waiting is not None
            return Counter() if ready else Counter({Use.NEW_BAGS: 1})
        case Act.SLIDE_IN:
            bag = state.port(effect.port).bag if effect.port is not None else None
            bagged = bag is not None and bag.filter == "new"
            return Counter() if bagged else _new_filter(state)
        case Act.CUT:
            bag = state.port(effect.port).bag if effect.port is not None else None
            empty = bag is None or bag.filter == "empty"
            made = Use.FILTERLESS_PACKAGES if empty else Use.SPENT_PACKAGES
            return Counter({Use.CUTS: 1, made: 1})
        case _:
            return Counter()


def _new_filter(state: HousingState) -> Counter[Use]:
    grease = {Use.GREASE: 1} if state.seal is Seal.GASKET else {}
    return Counter({Use.FILTERS: 1, **grease})
