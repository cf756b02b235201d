"""Clamping force, gasket pressure and bolt torque.

Rules kept here:
- no torque number is offered as a standard: none was found, so torque follows from a force, with its spread;
- torque without "at stop" is no evidence for a drive-bolt lock, and a gel seal has no torque target at all.
"""

from dataclasses import dataclass

from app.calc.bounds import above
from app.calc.constants import BOLT_FACTOR_SPREAD


def gasket_area_m2(*, outer_m: float, width_m: float) -> float:
    """Area of a square gasket: outer side squared less the opening squared, m² (source algebra)."""
    above(outer_m, 0.0, 5.0, name="Outer side of the gasket", unit="m")
    above(width_m, 0.0, outer_m / 2.0, name="Width of the gasket", unit="m", source_id="algebra")
    return outer_m**2 - (outer_m - 2.0 * width_m) ** 2


def gasket_pressure_pa(*, force_n: float, outer_m: float, width_m: float) -> float:
    """Mean pressure on a square gasket, Pa: clamping force over its area."""
    above(force_n, 0.0, 1e6, name="Clamping force", unit="N", source_id="plausible")
    return force_n / gasket_area_m2(outer_m=outer_m, width_m=width_m)


@dataclass(frozen=True, slots=True)
class BoltTorque:
    """Torque for one bolt, N·m, and the range that the spread of K allows."""

    torque_n_m: float
    low_n_m: float
    high_n_m: float


def bolt_torque(*, force_n: float, diameter_m: float, factor: float) -> BoltTorque:
    """T = K F d for one bolt; K 0.05 to 0.5 is uncertain by ± 30 % (source bolt)."""
    _bolt(diameter_m, factor)
    torque = factor * above(force_n, 0.0, 1e6, name="Force of one bolt", unit="N") * diameter_m
    spread = BOLT_FACTOR_SPREAD.value
    return BoltTorque(torque, torque * (1.0 - spread), torque * (1.0 + spread))


def bolt_force_n(*, torque_n_m: float, diameter_m: float, factor: float) -> float:
    """Inverse of `bolt_torque`: force of one bolt, N."""
    _bolt(diameter_m, factor)
    return above(torque_n_m, 0.0, 1e5, name="Torque", unit="N·m") / (factor * diameter_m)


def _bolt(diameter_m: float, factor: float) -> None:
    above(diameter_m, 0.0, 0.2, name="Bolt diameter", unit="m")
    above(factor, 0.0499999, 0.5, name="Bolt factor K", source_id="bolt")
