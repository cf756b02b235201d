"""Velocity, flow, capacity and evenness of an air stream.

Rules kept here:
- the mean velocity is the mean of velocities, never the root of the mean pressure, which reads high;
- a reading is judged against the average that it is part of, as the text has it: a bad point drags that average;
- 4005 and 1096.7 hide a water temperature, so the inch-pound forms differ by up to 0.1 % from SI; both are kept.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from app.calc.bounds import above, plain, within
from app.calc.constants import PITOT_ANY_AIR, PITOT_FLOOR_PA, PITOT_STANDARD_AIR, STANDARD_DENSITY
from app.calc.errors import Invalid
from app.calc.exact import Reading, exact

CAPACITY_BAND_PCT = Fraction(10)
"""Source capacity."""
DISTRIBUTION_BAND_PCT = Fraction(20)
"""Source distribution; the same number for mixing is from memory (source mixing)."""


def velocity_m_s(*, pressure_pa: float, density_kg_m3: float) -> float:
    """A1: V = sqrt(2 VP / density), m/s, for 0 to 20 000 Pa and 0.3 to 3 kg/m³ (source pitot-si)."""
    within(pressure_pa, 0.0, 20_000.0, name="Velocity pressure", unit="Pa")
    within(density_kg_m3, 0.3, 3.0, name="Air density", unit="kg/m³")
    return math.sqrt(2.0 * pressure_pa / density_kg_m3)


def velocity_pressure_pa(*, velocity_m_s: float, density_kg_m3: float) -> float:
    """Inverse of `velocity_m_s`, for 0 to 200 m/s."""
    within(velocity_m_s, 0.0, 200.0, name="Velocity", unit="m/s")
    within(density_kg_m3, 0.3, 3.0, name="Air density", unit="kg/m³")
    return density_kg_m3 * velocity_m_s**2 / 2.0


def velocity_fpm(*, pressure_inwg: float, density_lb_ft3: float) -> float:
    """A1, inch-pound: V = 1096.7 sqrt(VP / density), ft/min (source pitot, from memory)."""
    within(pressure_inwg, 0.0, 80.0, name="Velocity pressure", unit="in.wg")
    within(density_lb_ft3, 0.02, 0.19, name="Air density", unit="lb/ft³")
    return PITOT_ANY_AIR.value * math.sqrt(pressure_inwg / density_lb_ft3)


def standard_air_velocity_fpm(*, pressure_inwg: float) -> float:
    """A1 for standard air: V = 4005 sqrt(VP), ft/min (source pitot, from memory)."""
    within(pressure_inwg, 0.0, 80.0, name="Velocity pressure", unit="in.wg")
    return PITOT_STANDARD_AIR.value * math.sqrt(pressure_inwg)


def mean_velocity_m_s(*, pressures_pa: Sequence[float], density_kg_m3: float) -> float:
    """A3: mean of the velocities of a traverse, m/s; not the velocity of the mean pressure."""
    _some(pressures_pa)
    return math.fsum(
        velocity_m_s(pressure_pa=pressure, density_kg_m3=density_kg_m3) for pressure in pressures_pa
    ) / len(pressures_pa)


def flow_m3_s(*, mean_velocity_m_s: float, area_m2: float) -> float:
    """A3: Q = V A, m³/s."""
    within(mean_velocity_m_s, 0.0, 200.0, name="Mean velocity", unit="m/s")
    return mean_velocity_m_s * above(area_m2, 0.0, 1000.0, name="Area", unit="m²")


def standard_flow(*, flow: float, density_kg_m3: float) -> float:
    """A7: flow at standard density (0.075 lb/ft³), in the unit of `flow`."""
    within(density_kg_m3, 0.3, 3.0, name="Air density", unit="kg/m³")
    return within(flow, 0.0, 1e9, name="Flow") * density_kg_m3 / STANDARD_DENSITY.value


@dataclass(frozen=True, slots=True)
class Capacity:
    """Measured against design flow: deviation in %, exact, and whether it lies within the band."""

    deviation_pct: Fraction
    passed: bool


def capacity(*, measured: Reading, design: Reading, band_pct: Reading = CAPACITY_BAND_PCT) -> Capacity:
    """A4: 100 (measured/design - 1) within ± 10 % or the site's band, compared exactly (source capacity)."""
    flow = within(exact(measured, name="Measured flow"), 0, 1e9, name="Measured flow")
    rated = above(exact(design, name="Design flow"), 0, 1e9, name="Design flow")
    band = above(exact(band_pct, name="Band"), 0, 100, name="Band", unit="%")
    deviation = 100 * (flow / rated - 1)
    return Capacity(deviation, abs(deviation) <= band)


@dataclass(frozen=True, slots=True)
class Uniformity:
    """Evenness of readings: mean, largest and smallest deviation from it in %, exact, and the judgement."""

    mean: Fraction
    max_deviation_pct: Fraction
    min_deviation_pct: Fraction
    passed: bool


def uniformity(*, readings: Sequence[Reading], band_pct: Reading = DISTRIBUTION_BAND_PCT) -> Uniformity:
    """A5, A6: every reading within ± 20 % (or the site's band) of the average of all, compared exactly.

    For 2 to 1000 readings of one unit, each zero or more and not all zero. Sources distribution, mixing.
    """
    values = [within(exact(r, name="Reading"), 0, 1e9, name="Reading") for r in readings]
    if not 2 <= len(values) <= 1000:
        raise Invalid(f"{len(values)} readings were given: evenness needs 2 to 1000.")
    mean = above(sum(values, Fraction(0)) / len(values), 0, 1e9, name="Mean of the readings")
    band = above(exact(band_pct, name="Band"), 0, 100, name="Band", unit="%")
    highest, lowest = (100 * (extreme / mean - 1) for extreme in (max(values), min(values)))
    return Uniformity(mean, highest, lowest, passed=highest <= band and -lowest <= band)


def _some(pressures_pa: Sequence[float]) -> None:
    if not pressures_pa:
        raise Invalid("No velocity pressure was given: a traverse needs at least one reading.")


def pitot_caution(*, pressure_pa: float) -> str | None:
    """A9: a sentence where a pitot tube is too weak for the reading (source pitot-floor), else None."""
    if pressure_pa >= PITOT_FLOOR_PA.value:
        return None
    return (
        f"{plain(pressure_pa)} Pa is under {plain(PITOT_FLOOR_PA.value)} Pa, where a pitot tube is weak: "
        "use a thermal or vane instrument."
    )
