"""Units: CV53 and CV54, NIST factors, exactness, temperatures with their offsets."""

from fractions import Fraction

import pytest

from app.calc.errors import Invalid
from app.calc.units import UNITS, convert


def test_cv53_ten_inches_of_water() -> None:
    """CV53: 10 in.wg (conventional) is 2490.8891 Pa. Source: NIST SP 811 (read). Exact to its digits."""
    assert convert(Fraction(10), "inwg", "pa") == Fraction("2490.8891")


def test_cv54_flow_and_torque() -> None:
    """CV54: 1000 ft³/min is 1699.0108 m³/h, 7 lbf·ft is 9.49073 N·m.

    Source: exact definitions. Relative 1e-6, the digits of the figures.
    """
    assert convert(1000.0, "cfm", "m3_h") == pytest.approx(1699.0108, rel=1e-6)
    assert convert(7.0, "lbf_ft", "nm") == pytest.approx(9.49073, rel=1e-6)


@pytest.mark.parametrize(
    ("unit", "to", "factor"),
    [
        ("inwg", "pa", "249.08891"),
        ("inwg_39f", "pa", "249.082"),
        ("inwg_60f", "pa", "248.84"),
        ("inwg", "lbf_ft2", "5.202330"),
        ("cfm", "m3_h", "1.6990107955"),
        ("cfm", "l_s", "0.4719474432"),
        ("fpm", "m_s", "0.00508"),
        ("ft3", "m3", "0.028316846592"),
        ("lb", "kg", "0.45359237"),
        ("in", "mm", "25.4"),
        ("mil", "mm", "0.0254"),
        ("ft", "m", "0.3048"),
        ("lbf_ft", "nm", "1.3558179483314"),
        ("lbf_in", "nm", "0.1129848290276167"),
        ("lbf", "n", "4.4482216152605"),
        ("psi", "pa", "6894.757293168"),
        ("lb_ft3", "kg_m3", "16.01846337396"),
        ("inhg", "pa", "3386.388640341"),
        ("ug_l", "mg_m3", "1"),
        ("mrem_h", "msv_h", "0.01"),
        ("dpm", "bq", "0.016666666667"),
        ("hpa", "inwg", "0.401463"),
    ],
)
def test_factors_of_the_guide(unit: str, to: str, factor: str) -> None:
    """Factors of NIST SP 811 and exact products, to the digits in which they are printed (relative 1e-9 or 1e-6)."""
    found = convert(Fraction(1), unit, to)

    digits = len(factor.replace(".", "").lstrip("0"))
    assert float(found) == pytest.approx(float(factor), rel=10.0 ** (1 - digits) if digits > 1 else 1e-15)


def test_inch_of_water_at_68_degrees() -> None:
    """From water of 998.2071 kg/m³ the inch is 248.642 Pa (computed; six digits)."""
    assert convert(1.0, "inwg_68f", "pa") == pytest.approx(248.642, abs=0.0005)


def test_trap_inches_of_water_differ_by_a_tenth_per_cent() -> None:
    """Trap: conventional and 60 °F inches differ by 0.10 %, and "10 in.wg = 2500 Pa" is a rounding."""
    assert convert(1.0, "inwg", "inwg_60f") - 1 == pytest.approx(0.0010, abs=0.00005)
    assert convert(Fraction(10), "inwg", "pa") not in {2480, 2500}


@pytest.mark.parametrize(
    ("value", "unit", "to", "expected"),
    [
        ("70", "degf", "degr", "529.67"),
        ("32", "degf", "c", "0"),
        ("212", "degf", "c", "100"),
        ("-40", "degf", "c", "-40"),
        ("0", "c", "k", "273.15"),
        ("20", "c", "degf", "68"),
    ],
)
def test_temperatures_are_exact(value: str, unit: str, to: str, expected: str) -> None:
    """Degrees carry their offset, exactly."""
    assert convert(Fraction(value), unit, to) == Fraction(expected)


def test_floats_and_fractions_agree() -> None:
    """The float path is the exact path within rounding, offsets included."""
    for unit, found in UNITS.items():
        for other, also in UNITS.items():
            if found.dimension == also.dimension:
                assert convert(7.25, unit, other) == pytest.approx(
                    float(convert(Fraction("7.25"), unit, other)), rel=1e-12
                )


def test_dimensions_do_not_mix_and_names_are_known() -> None:
    """A pressure is no flow, and an unknown name is refused with the list."""
    with pytest.raises(Invalid, match="use units of one kind"):
        convert(1.0, "pa", "cfm")
    with pytest.raises(Invalid, match="not known"):
        convert(1.0, "furlong", "m")
