"""Counting of smears, and stay time.

Rules kept here:
- "above background?" is decided with the critical level; what an instrument can do is told with the detection limit,
  before counting; the two are not exchanged;
- the number measured is reported, negative ones too, with its uncertainty;
- counts are whole numbers, an efficiency is counts per disintegration and never a percentage.
"""

import math
from dataclasses import dataclass
from fractions import Fraction

from app.calc.bounds import Number, above, within
from app.calc.constants import (
    CURRIE_CRITICAL,
    CURRIE_DETECTION,
    DETECTION_OFFSET,
    UNEQUAL_CRITICAL,
    UNEQUAL_DETECTION,
)
from app.calc.errors import OutOfRange

SMEAR_AREA_CM2 = 100.0
"""Activity is told per 100 cm² (source 10cfr835-d)."""


@dataclass(frozen=True, slots=True)
class CountLimits:
    """Critical level and detection limit, in net counts."""

    critical: float
    detection: float


def equal_time_limits(*, background: int) -> CountLimits:
    """C3: L_C = 2.33 sqrt(B), L_D = 2.71 + 4.65 sqrt(B), for equal times (source currie)."""
    root = math.sqrt(_counts(background, "Background counts"))
    return CountLimits(CURRIE_CRITICAL.value * root, DETECTION_OFFSET.value + CURRIE_DETECTION.value * root)


def unequal_time_limits(*, background_cpm: float, minutes: float, background_minutes: float) -> CountLimits:
    """C4: the same for any two times in minutes, from the background rate in counts per minute."""
    within(background_cpm, 0.0, 1e7, name="Background rate", unit="cpm")
    _minutes(minutes, "Counting time")
    _minutes(background_minutes, "Background counting time")
    root = math.sqrt(background_cpm * minutes * (1.0 + minutes / background_minutes))
    return CountLimits(UNEQUAL_CRITICAL.value * root, DETECTION_OFFSET.value + UNEQUAL_DETECTION.value * root)


def mda_dpm(*, background_cpm: float, minutes: float, background_minutes: float, efficiency: float) -> float:
    """C4: least detectable activity of a sample, dpm: L_D / (efficiency × minutes); efficiency 1e-6 to 1."""
    limits = unequal_time_limits(
        background_cpm=background_cpm,
        minutes=minutes,
        background_minutes=background_minutes,
    )
    return limits.detection / (_efficiency(efficiency) * minutes)


@dataclass(frozen=True, slots=True)
class Smear:
    """Activity and its standard uncertainty, and what could have been detected, dpm per 100 cm²."""

    net_dpm: float
    u_dpm: float
    mda_dpm: float
    detected: bool


def smear(
    *,
    gross: int,
    minutes: float,
    background: int,
    background_minutes: float,
    efficiency: float,
    area_cm2: float = SMEAR_AREA_CM2,
) -> Smear:
    """C1, C2, C4, C5: activity per 100 cm² of a smear of `area_cm2` (0.01 to 10 000).

    Counts are whole and at most 1e9, times 0.01 to 10 080 min; OutOfRange else.
    Sources poisson, unequal-times.
    """
    net_dpm = net_activity_dpm(
        gross=gross,
        minutes=Fraction(_minutes(minutes, "Counting time")),
        background=background,
        background_minutes=Fraction(_minutes(background_minutes, "Background counting time")),
        efficiency=Fraction(_efficiency(efficiency)),
        area_cm2=Fraction(_area(area_cm2)),
    )
    scale = SMEAR_AREA_CM2 / area_cm2 / efficiency
    limits = unequal_time_limits(
        background_cpm=background / background_minutes,
        minutes=minutes,
        background_minutes=background_minutes,
    )
    return Smear(
        net_dpm=float(net_dpm),
        u_dpm=scale * math.sqrt(gross / minutes**2 + background / background_minutes**2),
        mda_dpm=scale * limits.detection / minutes,
        detected=float(net_dpm) / scale * minutes > limits.critical,
    )


def net_activity_dpm(
    *,
    gross: int,
    minutes: Fraction,
    background: int,
    background_minutes: Fraction,
    efficiency: Fraction,
    area_cm2: Fraction,
) -> Fraction:
    """C1: net activity in dpm per 100 cm², exact, so that it can be compared with a limit; may be negative."""
    counts, zero = _counts(gross, "Gross counts"), _counts(background, "Background counts")
    net_cpm = counts / _minutes(minutes, "Counting time")
    net_cpm -= zero / _minutes(background_minutes, "Background counting time")
    return net_cpm * 100 / _area(area_cm2) / _efficiency(efficiency)


def stay_time_min(*, allowed: float, received: float, rate_per_h: float, hold_fraction: float = 1.0) -> float:
    """C6: minutes until the dose left, times a hold fraction (above 0 to 1), is used up (source stay-time).

    Doses and rate share one unit, such as mrem and mrem/h. Raises OutOfRange where nothing is left.
    """
    above(rate_per_h, 0.0, 1e6, name="Dose rate")
    above(hold_fraction, 0.0, 1.0, name="Hold fraction", source_id="stay-time")
    above(allowed, 0.0, 1e6, name="Allowed dose")
    within(received, 0.0, 1e6, name="Dose received")
    if received >= allowed:
        raise OutOfRange(
            f"Dose received {received:g} leaves nothing of the allowed {allowed:g}: "
            "this person does not enter; ask the safety officer.",
        )
    return 60.0 * hold_fraction * (allowed - received) / rate_per_h


def _counts(counts: int, name: str) -> int:
    within(float(counts), 0.0, 1e9, name=name)
    return counts


def _minutes(minutes: Number, name: str) -> Number:
    return within(minutes, 0.01, 10_080.0, name=name, unit="min")


def _efficiency(efficiency: Number) -> Number:
    return within(efficiency, 1e-6, 1.0, name="Counting efficiency (counts per disintegration)")


def _area(area_cm2: Number) -> Number:
    return within(area_cm2, 0.01, 10_000, name="Wiped area", unit="cm²")
