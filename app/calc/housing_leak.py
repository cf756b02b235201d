"""Leak rate of a closed housing by pressure decay or at constant pressure.

Rules kept here:
- pressures in the gas law are absolute, so the barometer is needed at the start *and* at the end;
- temperatures in the gas law are absolute and those of the gas: one degree outweighs most leaks;
- a vacuum test is told as magnitude and direction "in"; a leak that runs against the test pressure is refused,
  for then a temperature or a barometer reading is wrong, and a negative number must never look like a pass;
- the rate is in standard volume (0.075 lb/ft³) and always has its time base.
"""

from dataclasses import dataclass
from typing import Literal

from app.calc.air import kelvin
from app.calc.bounds import above, plain, within
from app.calc.constants import DRY_AIR_GAS_CONSTANT, STANDARD_DENSITY
from app.calc.errors import OutOfRange

Direction = Literal["out", "in"]

_STANDARD_GAS = DRY_AIR_GAS_CONSTANT.value * STANDARD_DENSITY.value
"""R × standard density, Pa/K: turns pressure over temperature into a share of standard volume."""


@dataclass(frozen=True, slots=True)
class GasState:
    """Gas in the housing at one moment: gauge pressure (signed), barometer and gas temperature."""

    gauge_pa: float
    barometer_pa: float
    temp_c: float

    def __post_init__(self) -> None:
        within(self.gauge_pa, -25_000.0, 25_000.0, name="Gauge pressure", unit="Pa")
        within(self.barometer_pa, 50_000.0, 110_000.0, name="Barometer reading", unit="Pa")
        within(self.temp_c, -40.0, 80.0, name="Gas temperature", unit="°C")

    @property
    def pressure_over_temperature(self) -> float:
        """Absolute pressure over absolute temperature, Pa/K."""
        return (self.gauge_pa + self.barometer_pa) / kelvin(self.temp_c)


@dataclass(frozen=True, slots=True)
class LeakRate:
    """Magnitude of a leak in standard volume, with its direction; `pct_min` is % of the housing per minute (D5)."""

    m3_s: float
    volume_m3: float
    direction: Direction

    @property
    def l_min(self) -> float:
        """Litres per minute."""
        return self.m3_s * 60_000.0

    @property
    def pct_min(self) -> float:
        """Per cent of the housing's volume per minute."""
        return 6000.0 * self.m3_s / self.volume_m3


def pressure_decay(*, volume_m3: float, start: GasState, end: GasState, minutes: float) -> LeakRate:
    """D1: L = (P1/T1 - P2/T2) V / (R Δt 0.075 lb/ft³), averaged over the interval.

    For a rigid volume (0.001 to 100 000 m³) of well-mixed air over 0 to 1440 min. Sources ideal-gas, decay-method.
    Raises OutOfRange where start and end lie on different sides of room pressure, or the leak runs uphill.
    """
    above(volume_m3, 0.001, 100_000.0, name="Housing volume", unit="m³")
    above(minutes, 0.0, 1440.0, name="Duration", unit="min")
    direction = _direction(start.gauge_pa, end.gauge_pa)
    lost = start.pressure_over_temperature - end.pressure_over_temperature
    outward = lost * volume_m3 / (_STANDARD_GAS * minutes * 60.0)
    return LeakRate(_magnitude(outward, direction), volume_m3, direction)


def _direction(start_pa: float, end_pa: float) -> Direction:
    if start_pa == 0 or start_pa * end_pa < 0:
        raise OutOfRange(
            f"Gauge pressure {plain(start_pa)} Pa at the start and {plain(end_pa)} Pa at the end are not on one side "
            "of room pressure, so no leak rate follows: pressurise or evacuate the housing and test again.",
        )
    return "out" if start_pa > 0 else "in"


def _magnitude(outward_m3_s: float, direction: Direction) -> float:
    magnitude = outward_m3_s if direction == "out" else -outward_m3_s
    if magnitude < 0:
        raise OutOfRange(
            f"The readings say that gas moved {'into' if direction == 'out' else 'out of'} the housing against the "
            "test pressure: check that the two temperatures or the two barometer readings are not exchanged.",
        )
    return abs(magnitude)


def allowed_fall_pa(*, leak_m3_s: float, volume_m3: float, temp_c: float, minutes: float) -> float:
    """D3: the fall of pressure, Pa, that a leak rate makes at one steady temperature; inverse of D1."""
    above(leak_m3_s, 0.0, 10.0, name="Leak rate", unit="m³/s")
    above(volume_m3, 0.001, 100_000.0, name="Housing volume", unit="m³")
    within(temp_c, -40.0, 80.0, name="Gas temperature", unit="°C")
    above(minutes, 0.0, 1440.0, name="Duration", unit="min")
    return leak_m3_s * _STANDARD_GAS * kelvin(temp_c) * minutes * 60.0 / volume_m3


def constant_pressure(*, meter_m3_s: float, meter: GasState, volume_m3: float) -> LeakRate:
    """D4: the make-up flow that holds the test pressure, turned to standard volume at the meter's own state.

    The flow must be steady and within the meter's range (0 to 10 m³/s here). Source ideal-gas.
    """
    above(volume_m3, 0.001, 100_000.0, name="Housing volume", unit="m³")
    above(meter_m3_s, 0.0, 10.0, name="Meter flow", unit="m³/s")
    direction: Direction = "out" if meter.gauge_pa >= 0 else "in"
    return LeakRate(meter_m3_s * meter.pressure_over_temperature / _STANDARD_GAS, volume_m3, direction)
