"""The state of a housing in words, for screens, drawings and records; words stand beside every shape."""

from app.domain.containment.effects import Act, Effect
from app.domain.containment.state import (
    Door,
    Filling,
    HousingState,
    Isolation,
    Kind,
    PortState,
    Sleeve,
    barriers,
)

UNITS = {
    "pct": "%", "mm": "mm", "Pa": "Pa", "N.m": "N·m", "pcs": "pcs", "mg/m3": "mg/m³", "m3/h": "m³/h",
    "dpm/100cm2": "dpm/100 cm²", "1": "", "uSv/h": "µSv/h", "degC": "°C",
    "pct/min": "% a minute", "m3": "m³", "min": "min", "date": "",
}  # fmt: skip

ACT_WORDS = {
    Act.STRAP_BAG: "strap the bag on {port}",
    Act.GATHER: "gather the bag on {port}",
    Act.TIE: "tie the {side} side on {port}",
    Act.BAND: "band the {side} side on {port}",
    Act.CUT: "cut between the closures on {port}",
    Act.TAPE_STUB: "tape the stub on {port}",
    Act.FIT_BAG: "fit a bag on {port}",
    Act.DRAW_STUB_OFF: "draw the stub off {port} into the bag",
    Act.SLIDE_IN: "slide the filter into position {position} of {port}",
    Act.ROLL_BAG: "roll the bag of {port}",
    Act.REFIT_DOOR: "refit the door of {port}",
    Act.FIT_OVERBAG: "fit a new bag over the torn one on {port}",
    Act.DRAW_TORN_OFF: "draw the torn bag off {port} into the new one",
    Act.BAND_BESIDE: "put a new band beside the failed one on the {side} side of {port}",
    Act.REPLACE_GASKET: "replace the door gasket of {port}",
}


def unit_words(code: str | None) -> str:
    """Return a unit as people write it."""
    return UNITS.get(code or "", code or "")


def effect_words(effect: Effect) -> str:
    """Say one act of `nearest_rest` as a short instruction."""
    words = ACT_WORDS.get(effect.act, effect.act.replace("_", " "))
    return words.format(port=effect.port or "", side=effect.side or "", position=effect.position or "")


def sleeve_words(sleeve: Sleeve) -> str:
    """Say what one sleeve on the ring is and how it stands."""
    if sleeve.kind is Kind.STUB:
        parts = ["stub", "taped" if sleeve.taped else "raw edge"]
    else:
        parts = ["bag", "extended" if sleeve.extended else "rolled"]
        if sleeve.filter is not Filling.EMPTY:
            parts.append(f"holds {sleeve.filter} filter")
        if sleeve.stubs:
            parts.append("holds a stub" if sleeve.stubs == 1 else f"holds {sleeve.stubs} stubs")
        if sleeve.torn_inside:
            parts.append("holds a torn bag" if sleeve.torn_inside == 1 else f"holds {sleeve.torn_inside} torn bags")
        if sleeve.closure is not None:
            closed = sleeve.closure
            ties = closed.ring_ties + closed.package_ties
            bands = closed.ring_bands + closed.package_bands
            parts.append(f"neck gathered, {ties} ties, {bands} bands")
    parts.append("strapped" if sleeve.strapped else "not strapped")
    if not sleeve.intact:
        parts.append("torn")
    return ", ".join(parts)


def ring_words(port: PortState) -> str:
    """Say what is on the bagging ring, inner to outer."""
    return "; ".join(sleeve_words(sleeve) for sleeve in port.ring) or "bare ring"


def filling_words(filling: Filling) -> str:
    """Say what stands in a filter position."""
    return {Filling.EMPTY: "empty", Filling.SPENT: "spent filter", Filling.NEW: "new filter"}[filling]


def barrier_words(state: HousingState, port: PortState) -> str:
    """Say how many barriers part the inside from the room at this port now."""
    if not state.needs_barrier:
        return "clean inside, no barrier needed"
    held = barriers(port, state.closure_rule)
    return f"{held} barrier" + ("" if held == 1 else "s")


def barrier_parts(state: HousingState, port: PortState) -> str:
    """Name the barriers at this port."""
    found = ["door"] if port.door is Door.SHUT and port.gasket else []
    for sleeve in port.ring:
        alone = PortState(id="", bank=port.bank, positions=(), door=Door.OFF, ring=(sleeve,))
        if barriers(alone, state.closure_rule):
            found.append("stub" if sleeve.kind is Kind.STUB else "bag")
    return " and ".join(found)


def isolation_words(state: HousingState) -> str:
    """Say how the housing is isolated."""
    return {
        Isolation.NONE: "not isolated",
        Isolation.LOCKED: "locked, not verified",
        Isolation.VERIFIED: "locked and verified",
    }[state.isolation]
