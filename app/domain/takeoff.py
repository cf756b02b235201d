"""The take-off: what a job uses up, summed from the effects of its steps and from nothing else."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from app.domain.containment.effects import Use
from app.domain.containment.state import HousingState
from app.domain.housing import Housing, Seal
from app.domain.steps import Step, uses_by_effect

COUNTED = (
    Use.NEW_BAGS, Use.CUTS, Use.TIE_STRAPS, Use.METAL_BANDS, Use.EDGES_TO_TAPE, Use.SPENT_PACKAGES,
    Use.FILTERLESS_PACKAGES,
)  # fmt: skip

# Tools by seal type: common practice, no source; the site's own tool list comes first.
TOOLS: dict[Seal, tuple[str, ...]] = {
    Seal.GASKET: ("ratchet and socket for the drive bolts", "torque wrench, in calibration"),
    Seal.GEL: ("inspection lamp for the gel channel",),
}
TOOLS_FOR_CUTS = ("banding tool for the metal bands", "bag cutter with a guarded blade")

# Spares, stated as a rule of its own: common practice, no source.
SPARES_RULE = "one bag for each port, two ties and two bands for each port that is cut, one whole roll of tape"


@dataclass(frozen=True, slots=True)
class TakeOff:
    """Counts per port and in total, with filters by type, grease, tools, and spares on a line of their own."""

    per_port: dict[str, dict[str, int]]
    total: dict[str, int]
    filters: dict[str, int]
    grease: bool
    tools: tuple[str, ...]
    spares: dict[str, int]
    spares_rule: str = SPARES_RULE


def take_off(steps: Iterable[Step], housing: Housing, state: HousingState) -> TakeOff:
    """Add up what these steps use from this state on: a whole job, or what is left of an interrupted one."""
    per_port: dict[str, Counter[Use]] = {port.id: Counter() for port in housing.ports}
    for effect, counted in uses_by_effect(tuple(steps), state):
        if effect.port is not None:
            per_port[effect.port] += counted
    total = sum(per_port.values(), Counter[Use]())
    filters: Counter[str] = Counter()
    for port in housing.ports:
        filters[port.filter] += per_port[port.id][Use.FILTERS]
    cut_ports = sum(1 for counted in per_port.values() if counted[Use.CUTS])
    return TakeOff(
        per_port={port: {use: counted[use] for use in COUNTED} for port, counted in per_port.items()},
        total={use: total[use] for use in COUNTED},
        filters={name: count for name, count in filters.items() if count},
        grease=total[Use.GREASE] > 0,
        tools=(*TOOLS[housing.seal], *(TOOLS_FOR_CUTS if total[Use.CUTS] else ())),
        spares={
            "new_bags": len(housing.ports),
            "tie_straps": 2 * cut_ports,
            "metal_bands": 2 * cut_ports,
            "tape_rolls": 1,
        },
    )
