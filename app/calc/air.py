"""Density and viscosity of air.

Two densities are offered on purpose. The ideal mixture holds over the temperatures of ducts and agrees with
psychrometric handbooks; CIPM-2007 is the metrologist's formula for rooms and lies 0.03 % higher.
A specific volume is per kilogram of *dry* air, so the moist density is (1 + W)/v and not 1/v.
"""

import math
from typing import Final

from app.calc.bounds import within
from app.calc.constants import (
    DRY_AIR_GAS_CONSTANT,
    MOLAR_GAS_CONSTANT,
    MOLAR_MASS_DRY_AIR,
    MOLAR_MASS_WATER,
    STANDARD_PRESSURE,
    SUTHERLAND_COEFFICIENT,
    SUTHERLAND_TEMPERATURE,
    VAPOUR_GAS_CONSTANT,
    VAPOUR_TO_AIR_MASS,
    ZERO_CELSIUS_K,
)

# CIPM-2007 compressibility; K/Pa and its powers (source cipm-2007).
_A: Final = (1.58123e-6, -2.9331e-8, 1.1043e-10)
_B: Final = (5.707e-6, -2.051e-8)
_C: Final = (1.9898e-4, -2.376e-6)
_D: Final = 1.83e-11
_E: Final = -0.765e-8


def kelvin(temp_c: float) -> float:
    """Absolute temperature in K of a temperature in °C."""
    return temp_c + ZERO_CELSIUS_K.value


def _moist_state(temp_c: float, pressure_pa: float, rh_pct: float) -> None:
    within(temp_c, 0.0, 60.0, name="Air temperature", unit="°C")
    within(pressure_pa, 50_000.0, 110_000.0, name="Absolute air pressure", unit="Pa")
    within(rh_pct, 0.0, 100.0, name="Relative humidity", unit="%", source_id="algebra")


def saturation_pressure_pa(*, temp_c: float) -> float:
    """Saturation vapour pressure over water, Pa, for 0 to 60 °C (source cipm-2007)."""
    t = kelvin(within(temp_c, 0.0, 60.0, name="Air temperature", unit="°C"))
    return math.exp(1.2378847e-5 * t * t - 1.9121316e-2 * t + 33.93711047 - 6343.1645 / t)


def density_kg_m3(*, temp_c: float, pressure_pa: float, rh_pct: float) -> float:
    """Density of moist air as an ideal mixture, kg/m³.

    Valid for 0 to 60 °C, 50 to 110 kPa absolute, 0 to 100 % relative humidity; OutOfRange beyond.
    Source ideal-mixture; an ideal mixture has no enhancement factor, so the vapour pressure is RH times saturation.
    """
    _moist_state(temp_c, pressure_pa, rh_pct)
    vapour_pa = rh_pct / 100.0 * saturation_pressure_pa(temp_c=temp_c)
    return _mixture_kg_m3(temp_c, pressure_pa, vapour_pa)


def _mixture_kg_m3(temp_c: float, pressure_pa: float, vapour_pa: float) -> float:
    t = kelvin(temp_c)
    dry = (pressure_pa - vapour_pa) / (DRY_AIR_GAS_CONSTANT.value * t)
    return dry + vapour_pa / (VAPOUR_GAS_CONSTANT.value * t)


def density_cipm_kg_m3(*, temp_c: float, pressure_pa: float, rh_pct: float) -> float:
    """Density of moist air by CIPM-2007, kg/m³.

    Valid for 15 to 27 °C and 60 to 110 kPa (cipm-range, from memory), 0 to 100 %; OutOfRange beyond.
    The enhancement factor has 3.14e-8 per Pa (it is 3.14e-5 per kPa, which is often copied as if per Pa).
    """
    within(temp_c, 15.0, 27.0, name="Air temperature", unit="°C", source_id="cipm-range")
    within(pressure_pa, 60_000.0, 110_000.0, name="Absolute air pressure", unit="Pa", source_id="cipm-range")
    _moist_state(temp_c, pressure_pa, rh_pct)
    enhancement = 1.00062 + 3.14e-8 * pressure_pa + 5.6e-7 * temp_c**2
    share = rh_pct / 100.0 * enhancement * saturation_pressure_pa(temp_c=temp_c) / pressure_pa
    t = kelvin(temp_c)
    dry = pressure_pa * MOLAR_MASS_DRY_AIR.value / (_compressibility(temp_c, pressure_pa, share) * t)
    return dry / MOLAR_GAS_CONSTANT.value * (1.0 - share * (1.0 - MOLAR_MASS_WATER.value / MOLAR_MASS_DRY_AIR.value))


def _compressibility(temp_c: float, pressure_pa: float, share: float) -> float:
    first = _A[0] + _A[1] * temp_c + _A[2] * temp_c**2
    first += (_B[0] + _B[1] * temp_c) * share + (_C[0] + _C[1] * temp_c) * share**2
    ratio = pressure_pa / kelvin(temp_c)
    return 1.0 - ratio * first + ratio**2 * (_D + _E * share**2)


def density_from_humidity_ratio_kg_m3(*, temp_c: float, pressure_pa: float, humidity_ratio: float) -> float:
    """Density of moist air from W, kg of water per kg of dry air (0 to 0.2), kg/m³; ideal mixture."""
    within(temp_c, -40.0, 60.0, name="Air temperature", unit="°C")
    within(pressure_pa, 50_000.0, 110_000.0, name="Absolute air pressure", unit="Pa")
    within(humidity_ratio, 0.0, 0.2, name="Humidity ratio", unit="kg/kg")
    vapour_pa = pressure_pa * humidity_ratio / (VAPOUR_TO_AIR_MASS.value + humidity_ratio)
    return _mixture_kg_m3(temp_c, pressure_pa, vapour_pa)


def specific_volume_m3_kg(*, temp_c: float, pressure_pa: float, humidity_ratio: float) -> float:
    """Volume of moist air per kilogram of *dry* air, m³/kg, from W in kg/kg; ideal mixture."""
    moist = density_from_humidity_ratio_kg_m3(
        temp_c=temp_c,
        pressure_pa=pressure_pa,
        humidity_ratio=humidity_ratio,
    )
    return (1.0 + humidity_ratio) / moist


def standard_pressure_pa(*, altitude_m: float) -> float:
    """Pressure of the standard atmosphere, Pa, from -5000 to 11 000 m (source ashrae-fundamentals)."""
    within(altitude_m, -5000.0, 11_000.0, name="Altitude", unit="m", source_id="ashrae-fundamentals")
    return STANDARD_PRESSURE.value * math.pow(1.0 - 2.25577e-5 * altitude_m, 5.2559)


def viscosity_pa_s(*, temp_c: float) -> float:
    """Dynamic viscosity of air, Pa·s, for -40 to 400 °C (source sutherland, from memory)."""
    t = kelvin(within(temp_c, -40.0, 400.0, name="Air temperature", unit="°C"))
    return SUTHERLAND_COEFFICIENT.value * t * math.sqrt(t) / (t + SUTHERLAND_TEMPERATURE.value)
