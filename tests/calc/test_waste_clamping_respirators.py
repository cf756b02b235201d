"""Labels, packing, clamping, respirators: CV50, CV51, CV62 to CV66."""

from fractions import Fraction

import pytest

from app.calc import clamping, respirators, waste
from app.calc.constants import CLAMP_FORCE_LBF
from app.calc.errors import Invalid, OutOfRange
from app.calc.units import convert

FILTER = waste.box(["24", "24", "11.5"], name="Item")


def test_cv50_the_worse_of_index_and_surface() -> None:
    """CV50: TI 0.8 with 60 mrem/h is YELLOW-III by its surface, though its index alone asks for YELLOW-II.

    Source: 49 CFR 172.403(b), its own example (read). Exact logic.
    """
    assert waste.label(surface_mrem_h="60", index="0.8") == "YELLOW-III"
    assert waste.label(surface_mrem_h="50", index="0.8") == "YELLOW-II"


def test_cv51_small_index_counts_as_zero() -> None:
    """CV51: TI 0.04 with 0.4 mrem/h is WHITE-I. Source: 49 CFR 172.403 note 2 (read). Exact logic."""
    assert waste.label(surface_mrem_h="0.4", index="0.04") == "WHITE-I"


@pytest.mark.parametrize(
    ("surface", "index", "label"),
    [
        ("0.5", "0.05", "WHITE-I"),
        ("0.5000001", "0", "YELLOW-II"),
        ("0.5", "0.0500001", "YELLOW-II"),
        ("50", "1", "YELLOW-II"),
        ("50.1", "1", "YELLOW-III"),
        ("50", "1.1", "YELLOW-III"),
        ("200", "10", "YELLOW-III"),
        ("200.1", "10", "YELLOW-III, exclusive use"),
        ("1", "10.1", "YELLOW-III, exclusive use"),
        ("1000", "50", "YELLOW-III, exclusive use"),
    ],
)
def test_labels_on_and_over_each_bound(surface: str, index: str, label: str) -> None:
    """Each bound is inclusive on both scales, and one step more gives the next label."""
    assert waste.label(surface_mrem_h=surface, index=index) == label


def test_no_label_above_1000() -> None:
    """A surface above 1000 mrem/h is refused, and so is a negative reading."""
    with pytest.raises(OutOfRange, match="no label covers"):
        waste.label(surface_mrem_h="1000.1", index="1")
    with pytest.raises(OutOfRange):
        waste.label(surface_mrem_h="-1", index="1")


@pytest.mark.parametrize(
    ("rate", "index"),
    [("0.83", "0.9"), ("0.8", "0.8"), ("0.3", "0.3"), ("1.1", "1.1"), ("0.05", "0"), ("0.0501", "0.1"), ("0", "0")],
)
def test_transport_index_rounds_up_exactly(rate: str, index: str) -> None:
    """0.83 becomes 0.9; 0.3 and 1.1 stay, where ceil(10 × 1.1) in floats would make 1.2 of it (rule from memory)."""
    assert waste.transport_index(mrem_h_at_1m=rate) == Fraction(index)


@pytest.mark.parametrize(("surface", "allowed"), [("0.5", True), ("0.51", False)])
def test_limited_quantity_rate(surface: str, allowed: bool) -> None:
    """A surface of at most 0.5 mrem/h (49 CFR 173.421, read)."""
    assert waste.is_limited_quantity_rate(surface_mrem_h=surface) is allowed


def test_cv64_volume() -> None:
    """CV64: 24 × 24 × 11.5 in is 3.83333 ft³, 0.108548 m³. Algebra. Relative 1e-5, the digits of the figures."""
    cubic_feet = FILTER.volume / 1728

    assert float(cubic_feet) == pytest.approx(3.83333, rel=1e-5)
    assert float(convert(cubic_feet, "ft3", "m3")) == pytest.approx(0.108548, rel=1e-5)


def test_cv65_no_full_size_filter_fits_a_drum() -> None:
    """CV65: none fits a 22.5 in bore, for the smallest face has a diagonal of 26.61 in. Geometry; exact."""
    assert waste.drum_count(item=FILTER, bore="22.5", height="34.5") == 0


@pytest.mark.parametrize(("item", "count"), [(["12", "12", "5.875"], 5), (["13", "13", "7"], 4)])
def test_small_filters_in_a_drum(item: list[str], count: int) -> None:
    """Five bare 12 × 12 × 5-7/8 stack in 34.5 in, bagged ones only four (geometry)."""
    assert waste.drum_count(item=waste.box(item, name="Item"), bore="22.5", height="34.5") == count


def test_drum_diagonal_on_the_bore_fits() -> None:
    """A 3 × 4 face has a diagonal of exactly 5 and fits a bore of 5, not one of 4.9999."""
    item = waste.box(["3", "4", "10"], name="Item")

    assert waste.drum_count(item=item, bore="5", height="20") == 2
    assert waste.drum_count(item=item, bore="4.9999", height="20") == 0


def test_cv66_one_inch_of_bag_costs_three_quarters() -> None:
    """CV66: a 72 × 48 × 48 in box holds 24 bare filters and 6 bagged ones. Geometry; exact."""
    box = waste.box(["72", "48", "48"], name="Box")
    bagged = waste.box(["25", "25", "12.5"], name="Item")

    assert waste.packing_count(item=FILTER, container=box) == 24
    assert waste.packing_count(item=bagged, container=box) == 6


def test_packing_in_millimetres_loses_no_row() -> None:
    """1828.8 / 609.6 is exactly 3; floats would floor 609.6·k rows wrongly for some sizes, fractions do not."""
    item = waste.box(["609.6", "609.6", "292.1"], name="Item")
    box = waste.box(["1828.8", "1219.2", "1219.2"], name="Box")

    assert waste.packing_count(item=item, container=box) == 24


def test_packing_tries_every_orientation() -> None:
    """A flat item is found in each of the six orientations of its box."""
    item = waste.box(["1", "2", "3"], name="Item")

    for sides in (["1", "2", "3"], ["1", "3", "2"], ["2", "1", "3"], ["2", "3", "1"], ["3", "1", "2"], ["3", "2", "1"]):
        assert waste.packing_count(item=item, container=waste.box(sides, name="Box")) == 1


def test_boxes_that_are_none() -> None:
    """Two dimensions, and one of zero, are refused."""
    with pytest.raises(Invalid, match="give three"):
        waste.box(["1", "2"], name="Box")
    with pytest.raises(OutOfRange):
        waste.box(["1", "2", "0"], name="Box")


@pytest.mark.parametrize(("gross", "count"), [("100", 4), ("99.9", 3), ("20", 0), ("19", 0)])
def test_weight_limits_the_count(gross: str, count: int) -> None:
    """20 kg of drum and 20 kg apiece: 100 kg hold four, less hold fewer, and none where the drum is all."""
    assert waste.count_by_weight(item_kg="20", empty_kg="20", gross_limit_kg=gross) == count


def test_cv62_gasket_pressure() -> None:
    """CV62: 24 in outer, 3/4 in wide has 69.75 in², and 1400 lbf press it with 20.072 psi.

    Source: force UFGS 15860A (read), area by algebra. Relative 1e-4, the digits of the figures.
    """
    area = clamping.gasket_area_m2(outer_m=convert(24.0, "in", "m"), width_m=convert(0.75, "in", "m"))
    pressure = clamping.gasket_pressure_pa(
        force_n=convert(CLAMP_FORCE_LBF.value, "lbf", "n"),
        outer_m=convert(24.0, "in", "m"),
        width_m=convert(0.75, "in", "m"),
    )

    assert convert(area, "m2", "in2") == pytest.approx(69.75, rel=1e-4)
    assert convert(pressure, "pa", "psi") == pytest.approx(20.072, rel=1e-4)


def test_printed_newtons_are_a_rounding() -> None:
    """1400 lbf is 6227.5 N; the text's 6200 N is 0.4 % less, a rounding."""
    assert convert(1400.0, "lbf", "n") == pytest.approx(6227.5, abs=0.05)


def test_cv63_bolt_torque() -> None:
    """CV63: K 0.2, 350 lbf, 0.5 in is 35.0 lbf·in, 3.9545 N·m. Bolt mechanics. Relative 1e-4, the figures' digits."""
    found = clamping.bolt_torque(force_n=convert(350.0, "lbf", "n"), diameter_m=0.0127, factor=0.2)

    assert convert(found.torque_n_m, "nm", "lbf_in") == pytest.approx(35.0, rel=1e-4)
    assert found.torque_n_m == pytest.approx(3.9545, rel=1e-4)
    assert (found.low_n_m, found.high_n_m) == pytest.approx((0.7 * found.torque_n_m, 1.3 * found.torque_n_m))


def test_clamping_refuses_what_cannot_be() -> None:
    """A gasket wider than half its side, no force, and a K of 20 (for 0.20) are refused."""
    with pytest.raises(OutOfRange):
        clamping.gasket_area_m2(outer_m=0.6, width_m=0.31)
    with pytest.raises(OutOfRange):
        clamping.bolt_torque(force_n=0.0, diameter_m=0.0127, factor=0.2)
    with pytest.raises(OutOfRange):
        clamping.bolt_force_n(torque_n_m=4.0, diameter_m=0.0127, factor=20.0)


def test_trap_one_mask_has_two_numbers() -> None:
    """Trap: a full facepiece is 50 by OSHA and 100 by 10 CFR 20, so each factor goes with its rule set."""
    osha = respirators.protection_factor(respirator="full-facepiece", rule_set="osha")
    nrc = respirators.protection_factor(respirator="full-facepiece", rule_set="10cfr20")

    assert (osha.factor, nrc.factor) == (50, 100)
    assert "from memory, not confirmed" in osha.shown
    assert "10 CFR 20" in nrc.shown
    assert "from memory" not in nrc.shown


def test_greatest_concentration() -> None:
    """50 × 0.5 µg/m³ is 25 µg/m³, exactly."""
    factor = respirators.protection_factor(respirator="full-facepiece", rule_set="osha")

    assert respirators.greatest_concentration(factor=factor, exposure_limit="0.5") == 25


@pytest.mark.parametrize(
    ("respirator", "osha", "nrc"),
    [
        ("half-mask", 10, 10),
        ("papr-hood", 25, 1000),
        ("papr-loose", 25, 25),
        ("scba-full-demand", 50, 100),
        ("scba-full-pressure-demand", 10_000, 10_000),
        ("airline-full-demand", 50, 100),
    ],
)
def test_factors_by_rule_set(respirator: str, osha: int, nrc: int) -> None:
    """Factors as the two columns have them."""
    found = [respirators.protection_factor(respirator=respirator, rule_set=r).factor for r in ("osha", "10cfr20")]

    assert found == [osha, nrc]


def test_unknown_respirator_and_rule_set_are_refused() -> None:
    """Both tables are closed."""
    with pytest.raises(Invalid):
        respirators.protection_factor(respirator="scarf", rule_set="osha")
    with pytest.raises(Invalid):
        respirators.protection_factor(respirator="half-mask", rule_set="house")
