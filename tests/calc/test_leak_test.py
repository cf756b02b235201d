"""In-place leak test: check values CV01 to CV08, exact limits, floor, uncertainty, and what is refused."""

import math
from decimal import Decimal
from fractions import Fraction

import pytest

from app.calc import banks, leak_test
from app.calc.errors import ChangeoutError, Invalid, OutOfRange
from app.calc.exact import Limit, Operator
from app.calc.leak_limits import LEAK_LIMITS, leak_limit

HEPA = Limit(Fraction("0.05"), "<", "NRC RG 1.52 Rev. 4 C.6.c")
ADSORBER = Limit(Fraction("0.05"), "<=", "NRC RG 1.52 Rev. 4 C.6.f")


def result(downstream: str, background: str = "0.0010", upstream: str = "25") -> leak_test.Penetration:
    """Penetration from typed readings with the photometer floor of 1e-5."""
    return leak_test.penetration(upstream=upstream, downstream=downstream, background=background, floor_fraction="1e-5")


def test_cv01_penetration_and_decontamination_factor() -> None:
    """CV01: 25, 0.0085 and 0.0010 give 0.03 % and DF 3333.3.

    Source: formulas L1 and L2. Exact, for the arithmetic is rational: no tolerance is needed.
    """
    found = result(".0085", ".0010")

    assert found.measured_pct == Fraction("0.03")
    assert found.efficiency_pct == Fraction("99.97")
    assert found.decontamination_factor == Fraction(10_000, 3)


def test_cv02_equality_fails_less_than_and_passes_at_most() -> None:
    """CV02: exactly 0.05 % fails the HEPA limit and passes the adsorber limit.

    Source: RG 1.52 Rev. 4 C.6.c and C.6.f (read). Exact logic; a float would need a guard, a fraction needs none.
    """
    found = result(".0135", ".0010")

    assert found.measured_pct == Fraction("0.05")
    assert not leak_test.judge(found, HEPA).passed
    assert leak_test.judge(found, ADSORBER).passed


def test_cv03_below_background_is_less_than_the_floor() -> None:
    """CV03: a raw -0.0004 % is recorded as less than 0.001 %, and passes as that.

    Source: L6, a photometer that resolves 1e-5 of upstream (secondary text). Exact logic.
    """
    found = result(".0009", ".0010")

    assert found.measured_pct == Fraction("-0.0004")
    assert found.below_floor
    assert found.shown == "< 0.001 %"
    assert found.upper_pct == Fraction("0.001")
    assert leak_test.judge(found, HEPA).passed


def test_cv04_a_stage_that_failed() -> None:
    """CV04: a stage efficiency of 99.31417 % is a penetration of 0.68583 % and fails 99.95 %.

    Source: DNFSB staff report 1994 (read). Exact: the efficiency has five decimals.
    """
    found = leak_test.Penetration(100 - Fraction("99.31417"), None)

    verdict = leak_test.judge(found, leak_limit("stage-doe").limit)

    assert found.measured_pct == Fraction("0.68583")
    assert not verdict.passed


def test_cv05_two_banks_in_series() -> None:
    """CV05: 0.03 % behind 0.03 % is 9e-6 %, DF 1.11e7.

    Source: L3, algebra. Exact, being a product of fractions.
    """
    found = banks.in_series(["0.03", "0.03"])

    assert found.penetration_pct == Fraction("9e-6")
    assert found.decontamination_factor == Fraction(10**8, 9)


def test_cv06_one_bad_filter_of_six() -> None:
    """CV06: one filter at 0.24 % and five at 0.003 % give 0.0425 %, which passes while the one is five times over.

    Source: L4, mass balance. Exact. This is the trap of a mixed sample: the mean hides the bad filter.
    """
    typed = ["0.24", *["0.003"] * 5]

    bank = banks.in_parallel_pct(penetrations_pct=typed, flows=["1000"] * 6)

    assert bank == Fraction("0.0425")
    assert leak_test.judge(leak_test.Penetration(bank, None), HEPA).passed
    assert not leak_test.judge(leak_test.Penetration(Fraction("0.24"), None), HEPA).passed


def test_a_bad_filter_with_more_flow_weighs_more() -> None:
    """L4 weights by flow: 0.24 % of 2000 beside 0.003 % of 1000 is 0.161 %, not the plain mean 0.1215 %."""
    bank = banks.in_parallel_pct(penetrations_pct=["0.24", "0.003"], flows=["2000", "1000"])

    assert bank == Fraction("0.161")


def test_cv07_air_that_joins_before_the_sample_point() -> None:
    """CV07: with 10 % more flow downstream the result is 0.033 %, where the naive form says 0.030 %.

    Source: L5, mass balance. Exact.
    """
    flows = leak_test.Flows(upstream="1000", downstream="1100")

    found = leak_test.penetration(upstream="20", downstream=".006", background="0", flows=flows)
    naive = leak_test.penetration(upstream="20", downstream=".006", background="0")

    assert found.measured_pct == Fraction("0.033")
    assert naive.measured_pct == Fraction("0.03")


def test_cv08_uncertainty_of_a_penetration() -> None:
    """CV08: u(P) = 0.002265 % and an upper bound of 0.033726 %.

    Source: L10, GUM propagation. Relative 1e-3 as in the check list, whose figure has four digits.
    """
    found = leak_test.uncertainty(
        upstream=25.0, downstream=0.0085, background=0.0010, u_upstream=1.25, u_downstream=0.0003, u_background=0.0003
    )

    assert found.u_pct == pytest.approx(0.002265, rel=1e-3)
    assert found.upper_bound_pct == pytest.approx(0.033726, rel=1e-3)


def test_uncertainty_is_a_caution_and_does_not_judge() -> None:
    """A value under its limit passes although its upper bound lies over it."""
    found = result("0.0130")

    caution = leak_test.uncertainty(
        upstream=25.0, downstream=0.0130, background=0.0010, u_upstream=1.25, u_downstream=0.0003, u_background=0.0003
    )

    assert leak_test.judge(found, HEPA).passed
    assert caution.upper_bound_pct > float(HEPA.value)


@pytest.mark.parametrize("background", ["0", "0.0", "0.0000", ".0", "0e5", " 0 "])
@pytest.mark.parametrize(
    "downstream", ["0.0500", "0.05", ".05", "5e-2", "5E-02", "5.00e-2", "+0.05", " 0.050 ", "00.05"]
)
def test_equality_is_exact_however_it_is_typed(downstream: str, background: str) -> None:
    """0.05 of 100 is 0.05 % in every way of typing it: over `<` 0.05, within `<=` 0.05."""
    found = leak_test.penetration(upstream="100", downstream=downstream, background=background)

    assert not leak_test.judge(found, HEPA).passed
    assert leak_test.judge(found, ADSORBER).passed


@pytest.mark.parametrize(
    ("downstream", "operator", "passed"),
    [
        ("0.0499999999999999999999", "<", True),
        ("0.0499999999999999999999", "<=", True),
        ("0.05", "<", False),
        ("0.05", "<=", True),
        ("0.0500000000000000000001", "<", False),
        ("0.0500000000000000000001", "<=", False),
    ],
)
def test_one_inside_on_and_outside_the_limit(downstream: str, operator: Operator, passed: bool) -> None:
    """Inside, on and outside a limit are told apart at the 22nd decimal, where floats are all one number."""
    found = leak_test.penetration(upstream="100", downstream=downstream, background="0")

    verdict = leak_test.judge(found, Limit(Fraction("0.05"), operator, "site value"))

    assert verdict.passed is passed


def test_a_naive_float_would_have_passed_a_failed_bank() -> None:
    """20, 0.011 and 0.001 are exactly 0.05 %, but floats make 0.049999999999999996 of it and would pass `<` 0.05."""
    in_floats = 100 * (0.011 - 0.001) / 20

    found = result("0.011", "0.001", "20")

    assert in_floats < 0.05
    assert found.measured_pct == Fraction(5, 100)
    assert not leak_test.judge(found, HEPA).passed


def test_margin_is_limit_less_value() -> None:
    """The margin of 0.03 % under 0.05 % is 0.02 %, and negative when the limit is exceeded."""
    good = leak_test.judge(result(".0085"), HEPA)
    bad = leak_test.judge(result(".0260"), HEPA)

    assert good.margin_pct == Fraction("0.02")
    assert bad.margin_pct == Fraction("-0.05")


def test_at_the_floor_is_resolved_and_just_under_it_is_not() -> None:
    """A result equal to the floor is told as its value, one under it as less than the floor."""
    on = leak_test.penetration(upstream="100", downstream="0.001", background="0", floor_fraction="1e-5")
    under = leak_test.penetration(upstream="100", downstream="0.00099", background="0", floor_fraction="1e-5")

    assert on.shown == "0.001 %"
    assert under.shown == "< 0.001 %"


def test_a_floor_over_the_limit_cannot_show_a_pass() -> None:
    """A photometer that resolves only 0.1 % is refused as evidence for 0.05 %, not passed and not failed."""
    found = leak_test.penetration(upstream="25", downstream="0.001", background="0.001", floor_fraction="1e-3")

    with pytest.raises(OutOfRange, match="cannot show a pass"):
        leak_test.judge(found, HEPA)


def test_without_a_floor_nothing_is_said_of_no_signal() -> None:
    """Downstream equal to background gives no number unless the floor is known."""
    with pytest.raises(OutOfRange, match="give the floor"):
        leak_test.penetration(upstream="25", downstream="0.001", background="0.001")


def test_diluter_multiplies_the_upstream_reading() -> None:
    """L11: 0.42 behind a 1:100 diluter is 42 upstream, so a downstream of 0.0126 is 0.03 % and not 3 %."""
    found = leak_test.penetration(upstream="0.42", downstream="0.0126", background="0", dilution_ratio="100")

    assert found.measured_pct == Fraction("0.03")


def test_upstream_before_and_after_takes_the_lower() -> None:
    """The lower of two upstream readings is used, since it gives the higher penetration, and the drift is told."""
    steady = leak_test.upstream_before_and_after(before="25.0", after="24.5", drift_limit_pct="5")

    assert steady.lower == Fraction("24.5")
    assert steady.drift_pct == -2
    with pytest.raises(OutOfRange, match="steady the generator"):
        leak_test.upstream_before_and_after(before="25", after="20", drift_limit_pct="5")


@pytest.mark.parametrize(
    ("readings", "sentence"),
    [
        (("0", "0.01", "0"), "check the generator"),
        (("-25", "0.01", "0"), "outside 0 to"),
        (("25", "-0.01", "0"), "Downstream reading"),
        (("25", "0.01", "-0.001"), "Background reading"),
        (("25", "25.1", "0"), "not exchanged"),
        (("1e12", "0.01", "0"), "outside 0 to"),
    ],
)
def test_readings_that_give_no_penetration(readings: tuple[str, str, str], sentence: str) -> None:
    """Zero or negative upstream, negative or exchanged readings and slips of typing each get a sentence."""
    upstream, downstream, background = readings

    with pytest.raises(OutOfRange, match=sentence):
        leak_test.penetration(upstream=upstream, downstream=downstream, background=background)


def test_downstream_equal_to_upstream_is_a_hole() -> None:
    """A missing filter is a reading of 100 %, which is possible and fails."""
    found = leak_test.penetration(upstream="25", downstream="25", background="0")

    assert found.measured_pct == 100
    assert not leak_test.judge(found, HEPA).passed


@pytest.mark.parametrize("typed", ["OL", ">100", "sat", "---", "off scale", "OVER"])
def test_off_scale_text_is_named_as_such(typed: str) -> None:
    """What an instrument shows when it is saturated is refused as off-scale, not as a mere misspelling."""
    with pytest.raises(Invalid, match="off-scale or saturated"):
        leak_test.penetration(upstream="25", downstream=typed, background="0")


def test_full_scale_reading_is_saturated() -> None:
    """A reading at full scale is refused, one digit under it is used."""
    assert leak_test.penetration(upstream="99.9", downstream="1", background="0", full_scale="100").measured_pct > 1
    with pytest.raises(OutOfRange, match="saturated"):
        leak_test.penetration(upstream="100", downstream="1", background="0", full_scale="100")


@pytest.mark.parametrize("floor", ["0", "1", "-1e-5", "2"])
def test_floor_outside_0_to_1_is_refused(floor: str) -> None:
    """A floor is a fraction of upstream; 0, 1 and beyond are refused."""
    with pytest.raises(OutOfRange, match="Floor fraction"):
        leak_test.penetration(upstream="25", downstream="0.01", background="0", floor_fraction=floor)


@pytest.mark.parametrize("ratio", ["0", "0.99", "1000001", "-100"])
def test_dilution_ratio_below_one_or_absurd_is_refused(ratio: str) -> None:
    """A diluter cannot concentrate, and a ratio over a million is a slip."""
    with pytest.raises(OutOfRange, match="Dilution ratio"):
        leak_test.penetration(upstream="25", downstream="0.01", background="0", dilution_ratio=ratio)


@pytest.mark.parametrize(("up", "down"), [("0", "1"), ("1000", "900"), ("-1", "1")])
def test_flows_that_do_not_join_are_refused(up: str, down: str) -> None:
    """Air that joins makes the downstream flow the larger one; anything else is refused."""
    with pytest.raises(OutOfRange):
        leak_test.penetration(
            upstream="20", downstream=".006", background="0", flows=leak_test.Flows(upstream=up, downstream=down)
        )


def test_a_bypass_and_its_hole() -> None:
    """L7: 0.05 % of 1000 ft³/min is 0.5 ft³/min, one hole of 4.9 mm at 1 in.wg and Cd 0.61.

    The diameter is published to two digits, hence 0.05 mm.
    """
    flow_cfm = leak_test.bypass_flow(penetration_pct=0.05, flow=1000.0)

    hole = leak_test.hole_diameter_mm(
        flow_m3_s=flow_cfm * 0.3048**3 / 60, dp_pa=249.08891, density_kg_m3=1.2014, discharge=0.61
    )

    assert flow_cfm == pytest.approx(0.5, rel=1e-12)
    assert hole == pytest.approx(4.9, abs=0.05)


def test_a_leak_weighs_more_at_a_fifth_of_the_flow() -> None:
    """L8: leak grows with the root of resistance and media flow with resistance, so the share is √5 at 20 %."""
    assert leak_test.leak_share_ratio(flow_fraction=0.2) == pytest.approx(math.sqrt(5), rel=1e-12)


def test_laskin_planning_figure() -> None:
    """L9: two nozzles into 1000 ft³/min give 27 µg/L, a figure from memory that is only for planning."""
    assert leak_test.laskin_upstream_ug_l(nozzles=2, flow_cfm=1000.0) == pytest.approx(27.0, rel=1e-12)


@pytest.mark.parametrize("limit", list(LEAK_LIMITS))
def test_every_example_limit_is_a_requirement_with_a_source(limit: str) -> None:
    """No limit recalled from memory stands in the table, and each basis names its publication."""
    from app.calc.sources import source

    example = leak_limit(limit)

    assert source(example.source_id).is_requirement
    assert example.limit.basis == source(example.source_id).shown


def test_operators_stand_as_sourced() -> None:
    """HEPA banks have `<` and adsorbers `<=`, both at 0.05 %."""
    operators = {name: leak_limit(name).operator for name in ("hepa-rg-1.52", "adsorber-rg-1.52")}

    assert operators == {"hepa-rg-1.52": "<", "adsorber-rg-1.52": "<="}
    with pytest.raises(Invalid, match="not in the table"):
        leak_limit("nsf")


def test_factory_and_in_place_limits_are_told_apart() -> None:
    """Trap: 0.02 % in place is under the factory's 0.03 %, yet the factory limit says that it is no in-place limit."""
    assert "not an in-place limit" in leak_limit("new-filter-doe").what
    assert "clean rooms only" in leak_limit("scan-clean-room").what


def test_series_and_parallel_refuse_what_is_no_bank() -> None:
    """No filter, zero penetration in series, unequal lists and zero flow are refused."""
    with pytest.raises(Invalid):
        banks.in_series([])
    with pytest.raises(OutOfRange):
        banks.in_series(["0", "0.03"])
    with pytest.raises(Invalid, match="one flow for each"):
        banks.in_parallel_pct(penetrations_pct=["0.1", "0.2"], flows=["1"])
    with pytest.raises(OutOfRange):
        banks.in_parallel_pct(penetrations_pct=["0.1"], flows=["0"])
    with pytest.raises(OutOfRange):
        banks.in_series(["100.1"])


def test_a_float_or_a_nan_is_no_reading() -> None:
    """Binary floats, NaN and infinity are refused as readings, in any type they come in."""
    for bad in (0.05, float("nan"), True, Decimal("NaN"), "nan", "inf", "1_0", "0,05", "", "٣"):
        with pytest.raises(ChangeoutError):
            leak_test.penetration(upstream="25", downstream=bad, background="0")  # type: ignore[arg-type]
