"""Units of measure, with exact factors wherever the unit is defined exactly.

Rules kept here:
- a unit belongs to one dimension, and nothing is converted across dimensions;
- factors are fractions, so a typed 72 in is 1828.8 mm and not nearly so;
- the inch of water is the conventional one (1000 kg/m³, g = 9.80665 m/s²) unless its name says otherwise.
"""

from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from app.calc.bounds import Number
from app.calc.errors import Invalid


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit: value in the dimension's first unit = value × scale + offset."""

    symbol: str
    dimension: str
    scale: Fraction
    offset: Fraction = Fraction(0)
    source_id: str = "sp-811"


_INCH: Final = Fraction("0.0254")
_FOOT: Final = Fraction("0.3048")
_POUND: Final = Fraction("0.45359237")
_GRAVITY: Final = Fraction("9.80665")
_LBF: Final = _POUND * _GRAVITY
_ZERO_C: Final = Fraction("273.15")
_HOUR: Final = 3600
_ONE: Final = Fraction(1)

UNITS: Final[dict[str, Unit]] = {
    "pa": Unit("Pa", "pressure", _ONE),
    "hpa": Unit("hPa", "pressure", Fraction(100)),
    "inwg": Unit("in.wg", "pressure", 1000 * _GRAVITY * _INCH),
    "inwg_39f": Unit("in.wg (39.2 °F)", "pressure", Fraction("249.082")),
    "inwg_60f": Unit("in.wg (60 °F)", "pressure", Fraction("248.84")),
    "inwg_68f": Unit("in.wg (68 °F)", "pressure", Fraction("998.2071") * _GRAVITY * _INCH, source_id="water-68f"),
    "inhg": Unit("inHg", "pressure", Fraction("3386.388640341")),
    "psi": Unit("psi", "pressure", _LBF / _INCH**2),
    "lbf_ft2": Unit("lbf/ft²", "pressure", _LBF / _FOOT**2),
    "m3_s": Unit("m³/s", "flow", _ONE),
    "m3_h": Unit("m³/h", "flow", Fraction(1, _HOUR)),
    "l_min": Unit("L/min", "flow", Fraction(1, 60_000)),
    "l_s": Unit("L/s", "flow", Fraction(1, 1000)),
    "cfm": Unit("ft³/min", "flow", _FOOT**3 / 60),
    "m_s": Unit("m/s", "velocity", _ONE),
    "fpm": Unit("ft/min", "velocity", _FOOT / 60),
    "m3": Unit("m³", "volume", _ONE),
    "ft3": Unit("ft³", "volume", _FOOT**3),
    "m": Unit("m", "length", _ONE),
    "cm": Unit("cm", "length", Fraction(1, 100)),
    "mm": Unit("mm", "length", Fraction(1, 1000)),
    "in": Unit("in", "length", _INCH),
    "mil": Unit("mil", "length", _INCH / 1000),
    "ft": Unit("ft", "length", _FOOT),
    "m2": Unit("m²", "area", _ONE),
    "cm2": Unit("cm²", "area", Fraction(1, 10_000)),
    "in2": Unit("in²", "area", _INCH**2),
    "kg": Unit("kg", "mass", _ONE),
    "lb": Unit("lb", "mass", _POUND),
    "n": Unit("N", "force", _ONE),
    "lbf": Unit("lbf", "force", _LBF),
    "nm": Unit("N·m", "torque", _ONE),
    "lbf_ft": Unit("lbf·ft", "torque", _LBF * _FOOT),
    "lbf_in": Unit("lbf·in", "torque", _LBF * _INCH),
    "kg_m3": Unit("kg/m³", "density", _ONE),
    "lb_ft3": Unit("lb/ft³", "density", _POUND / _FOOT**3),
    "k": Unit("K", "temperature", _ONE),
    "c": Unit("°C", "temperature", _ONE, _ZERO_C),
    "degf": Unit("°F", "temperature", Fraction(5, 9), Fraction("459.67") * Fraction(5, 9)),
    "degr": Unit("°R", "temperature", Fraction(5, 9)),
    "mg_m3": Unit("mg/m³", "concentration", _ONE),
    "ug_l": Unit("µg/L", "concentration", _ONE),
    "msv_h": Unit("mSv/h", "dose rate", _ONE),
    "mrem_h": Unit("mrem/h", "dose rate", Fraction(1, 100)),
    "bq": Unit("Bq", "activity", _ONE),
    "dpm": Unit("dpm", "activity", Fraction(1, 60)),
}


def convert(value: Number, unit: str, to: str) -> Number:
    """Convert between two units of one dimension; exact for fractions, one rounding or two for floats.

    Raises Invalid for an unknown unit and for two dimensions.
    """
    old, new = _unit(unit), _unit(to)
    if old.dimension != new.dimension:
        raise Invalid(f"{old.symbol} is a {old.dimension} and {new.symbol} a {new.dimension}: use units of one kind.")
    if isinstance(value, Fraction):
        return (value * old.scale + old.offset - new.offset) / new.scale
    return value * float(old.scale / new.scale) + float((old.offset - new.offset) / new.scale)


def _unit(name: str) -> Unit:
    unit = UNITS.get(name)
    if unit is None:
        raise Invalid(f"Unit '{name}' is not known: use one of {', '.join(UNITS)}.")
    return unit
