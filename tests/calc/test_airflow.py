"""Airflow: check values CV17 to CV25, the constants' hidden water, the mean of velocities, evenness."""

import math
from fractions import Fraction

import pytest

from app.calc import airflow, traverse
from app.calc.errors import Invalid, OutOfRange
from app.calc.units import convert


def test_cv17_standard_air_by_both_constants() -> None:
    """CV17: 0.25 in.wg is 2002.5 ft/min by 4005 and 2002.29 by 1096.7.

    Source: A1 (from memory). Relative 1e-4: the sources disagree by exactly that much, being two roundings.
    """
    by_4005 = airflow.standard_air_velocity_fpm(pressure_inwg=0.25)
    by_1096 = airflow.velocity_fpm(pressure_inwg=0.25, density_lb_ft3=0.075)

    assert by_4005 == pytest.approx(2002.5, rel=1e-9)
    assert by_1096 == pytest.approx(2002.29, rel=1e-5)
    assert by_4005 == pytest.approx(by_1096, rel=2e-4)


def test_cv18_si_is_higher_by_the_hidden_water() -> None:
    """CV18: 62.2722 Pa at 1.201385 kg/m³ is 10.1817 m/s, 2004.28 ft/min, 0.09 % above CV17 by design.

    Source: A2 (computed). Relative 1e-4, the digits of the figure. The trap: 4005 is not exact for conventional water.
    """
    velocity = airflow.velocity_m_s(pressure_pa=62.2722, density_kg_m3=1.201385)

    fpm = convert(velocity, "m_s", "fpm")

    assert velocity == pytest.approx(10.1817, rel=1e-4)
    assert fpm == pytest.approx(2004.28, rel=1e-4)
    assert fpm / airflow.standard_air_velocity_fpm(pressure_inwg=0.25) - 1 == pytest.approx(0.0009, abs=0.00002)


@pytest.mark.parametrize(("unit", "constant"), [("inwg", 4008.6), ("inwg_60f", 4006.5), ("inwg_68f", 4005.0)])
def test_4005_belongs_to_water_at_68_degrees(unit: str, constant: float) -> None:
    """A2: the constant for standard air follows the inch of water chosen; 4005.0 is that of 68 °F.

    The figures have five digits, hence 0.1 ft/min.
    """
    found = airflow.velocity_m_s(pressure_pa=convert(1.0, unit, "pa"), density_kg_m3=0.075 * 16.01846337396)

    assert convert(found, "m_s", "fpm") == pytest.approx(constant, abs=0.1)


def test_cv19_mean_of_velocities_not_of_pressures() -> None:
    """CV19: 0.09, 0.16, 0.25 and 0.16 in.wg average to 1602.0 ft/min; averaging pressures first gives 1626.84.

    Source: A3. Relative 1e-5, the digits of the figures. The naive order fails the first assertion.
    """
    readings = [0.09, 0.16, 0.25, 0.16]
    density = convert(1.0, "inwg_68f", "pa") * 2 / convert(4005.0, "fpm", "m_s") ** 2

    mean = airflow.mean_velocity_m_s(
        pressures_pa=[convert(r, "inwg_68f", "pa") for r in readings], density_kg_m3=density
    )

    assert convert(mean, "m_s", "fpm") == pytest.approx(1602.0, rel=1e-5)
    assert airflow.standard_air_velocity_fpm(pressure_inwg=math.fsum(readings) / 4) == pytest.approx(1626.84, rel=1e-5)


def test_cv20_thin_air() -> None:
    """CV20: 0.30 in.wg at 0.0672 lb/ft³ is 2317.20 ft/min. Source: A1. Relative 1e-5, the digits of the figure."""
    found = airflow.velocity_fpm(pressure_inwg=0.30, density_lb_ft3=0.0672)

    assert found == pytest.approx(2317.20, rel=1e-5)


def test_worked_velocity_in_si() -> None:
    """50 Pa at 1.10 kg/m³ is 9.535 m/s (computed figure of four digits)."""
    assert airflow.velocity_m_s(pressure_pa=50.0, density_kg_m3=1.10) == pytest.approx(9.535, rel=1e-4)


@pytest.mark.parametrize(("measured", "deviation", "passed"), [("1815", "-9.25", True), ("1799", "-10.05", False)])
def test_cv21_capacity(measured: str, deviation: str, passed: bool) -> None:
    """CV21: 1815 of 2000 is -9.25 % and passes, 1799 is -10.05 % and fails. Source: A4 (read). Exact."""
    found = airflow.capacity(measured=measured, design="2000")

    assert found.deviation_pct == Fraction(deviation)
    assert found.passed is passed


@pytest.mark.parametrize(
    ("measured", "passed"), [("1800", True), ("1799.999", False), ("2200", True), ("2200.001", False)]
)
def test_capacity_band_is_inclusive_and_exact(measured: str, passed: bool) -> None:
    """Exactly ± 10 % is within, a thousandth beyond is not."""
    assert airflow.capacity(measured=measured, design="2000").passed is passed


def test_cv22_an_even_bank() -> None:
    """CV22: mean 243.333, +10.959 % and -15.753 %, which passes ± 20 %.

    Source: A5 (read). Relative 1e-4, the digits of the figures.
    """
    found = airflow.uniformity(readings=["245", "260", "230", "250", "270", "205"])

    assert float(found.mean) == pytest.approx(243.333, rel=1e-4)
    assert float(found.max_deviation_pct) == pytest.approx(10.959, rel=1e-4)
    assert float(found.min_deviation_pct) == pytest.approx(-15.753, rel=1e-4)
    assert found.passed


def test_cv23_the_bad_point_drags_its_own_mean() -> None:
    """CV23: with 185 the mean is 240.0 and the point -22.917 % off, which fails.

    Source: A5 (read). The mean is exact. Judged against the good five alone it would be -26.3 %, another answer.
    """
    found = airflow.uniformity(readings=["245", "260", "230", "250", "270", "185"])

    assert found.mean == 240
    assert float(found.min_deviation_pct) == pytest.approx(-22.917, rel=1e-4)
    assert not found.passed
    assert pytest.approx(-26.3, abs=0.1) == 100 * (185 / 251 - 1)


@pytest.mark.parametrize(("low", "passed"), [("80", True), ("79.999999999999999999", False)])
def test_evenness_is_exact_at_twenty_per_cent(low: str, passed: bool) -> None:
    """A reading exactly 20 % under the average is within; the least less is not."""
    found = airflow.uniformity(readings=[low, str(200 - Fraction(low)) if passed else "120.000000000000000001"])

    assert found.passed is passed


@pytest.mark.parametrize("points", [5, 6, 7])
def test_cv24_log_tchebycheff_is_symmetric(points: int) -> None:
    """CV24: each position and its mirror add to 1 within 0.0005, the rounding of three decimals (secondary text)."""
    found = traverse.positions(scheme="log-tchebycheff", points=points)

    assert len(found) == points
    assert all(a + b == pytest.approx(1.0, abs=0.0005) for a, b in zip(found, reversed(found), strict=True))


@pytest.mark.parametrize("points", [6, 8, 10])
def test_cv24_log_linear_is_symmetric(points: int) -> None:
    """CV24: the same for the circle; the misprints 0.32 for 0.032 and 0.981 for 0.979 would break it."""
    found = traverse.positions(scheme="log-linear", points=points)

    assert len(found) == points
    assert all(a + b == pytest.approx(1.0, abs=0.0005) for a, b in zip(found, reversed(found), strict=True))
    assert list(found) == sorted(found)


def test_cv25_equal_area_circle() -> None:
    """CV25: three rings lie at 0.0436, 0.1464, 0.2959 and their mirrors. Computed; 0.0001 is the figures' rounding."""
    found = traverse.positions(scheme="equal-area-circle", points=6)

    assert found == pytest.approx((0.0436, 0.1464, 0.2959, 0.7041, 0.8536, 0.9564), abs=0.0001)


def test_equal_area_circle_of_five_rings() -> None:
    """Five rings follow the published row, within its rounding of 0.0001."""
    row = (0.0257, 0.0817, 0.1464, 0.2261, 0.3419, 0.6581, 0.7739, 0.8536, 0.9183, 0.9743)

    assert traverse.positions(scheme="equal-area-circle", points=10) == pytest.approx(row, abs=0.0001)


def test_equal_area_rectangle_has_cell_centres() -> None:
    """Four cells have their centres at eighths."""
    assert traverse.positions(scheme="equal-area-rectangle", points=4) == (0.125, 0.375, 0.625, 0.875)


def test_log_tchebycheff_is_not_the_cosine_formula() -> None:
    """Trap: a cosine formula in circulation is not log-Tchebycheff; its first of five points is 0.0245, not 0.074."""
    cosine = [(1 - math.cos((2 * k - 1) * math.pi / 10)) / 2 for k in range(1, 6)]

    found = traverse.positions(scheme="log-tchebycheff", points=5)

    assert abs(found[0] - cosine[0]) > 0.04


@pytest.mark.parametrize(
    ("scheme", "points"),
    [
        ("log-tchebycheff", 4),
        ("log-tchebycheff", 8),
        ("log-linear", 7),
        ("equal-area-circle", 5),
        ("equal-area-circle", 0),
        ("equal-area-rectangle", 0),
        ("equal-area-rectangle", 101),
    ],
)
def test_numbers_of_points_that_a_scheme_lacks(scheme: traverse.Scheme, points: int) -> None:
    """Only tabulated or whole numbers of points are given; nothing is interpolated."""
    with pytest.raises(OutOfRange):
        traverse.positions(scheme=scheme, points=points)


@pytest.mark.parametrize(("side_mm", "points"), [(761.9, 5), (762.0, 6), (914.4, 6), (914.5, 7)])
def test_points_along_a_rectangle(side_mm: float, points: int) -> None:
    """Under 30 in 5, from 30 to 36 in 6, above 36 in 7 (secondary text)."""
    assert traverse.points_per_side(side_mm=side_mm) == points


def test_standard_flow_follows_density() -> None:
    """A7: air at half the standard density counts as half the standard flow."""
    assert airflow.standard_flow(flow=1000.0, density_kg_m3=0.6006923768) == pytest.approx(500.0, rel=1e-9)


def test_flow_is_velocity_times_area() -> None:
    """A3: 1.27 m/s through 24 by 24 in is 1000 ft³/min (250 ft/min through 4 ft²)."""
    flow = airflow.flow_m3_s(mean_velocity_m_s=1.27, area_m2=0.6096**2)

    assert convert(flow, "m3_s", "cfm") == pytest.approx(1000.0, rel=1e-9)


def test_pitot_is_cautioned_under_its_floor() -> None:
    """A9: 2.4 Pa gets a caution, 2.5 Pa none."""
    assert "thermal or vane" in (airflow.pitot_caution(pressure_pa=2.4) or "")
    assert airflow.pitot_caution(pressure_pa=2.5) is None


def test_airflow_refuses_what_cannot_be() -> None:
    """Negative pressure, no density, no readings, a single reading and all-zero readings are refused."""
    with pytest.raises(OutOfRange):
        airflow.velocity_m_s(pressure_pa=-0.1, density_kg_m3=1.2)
    with pytest.raises(OutOfRange):
        airflow.velocity_m_s(pressure_pa=10.0, density_kg_m3=0.0)
    with pytest.raises(Invalid):
        airflow.mean_velocity_m_s(pressures_pa=[], density_kg_m3=1.2)
    with pytest.raises(Invalid):
        airflow.uniformity(readings=["245"])
    with pytest.raises(OutOfRange):
        airflow.uniformity(readings=["0", "0"])
    with pytest.raises(OutOfRange):
        airflow.capacity(measured="100", design="0")
