"""Results of steps: right against outside figures, exact at their limits, and the same when computed again."""

from datetime import date
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.calc.errors import ChangeoutError, Invalid, OutOfRange
from app.domain.computing import METHODS, compute, inputs_for
from app.domain.housing import BankDesign, SiteLimit
from app.domain.instruments import Instrument, InstrumentKind

HEPA = SiteLimit(high="0.05", op="<", unit="pct", basis="NRC Regulatory Guide 1.52 Rev. 4, C.6.c")
CARBON = SiteLimit(high="0.05", op="<=", unit="pct", basis="NRC Regulatory Guide 1.52 Rev. 4, C.6.f")
FLOW = SiteLimit(low="-10", high="10", unit="pct", basis="NRC Regulatory Guide 1.52 Rev. 4, capacity")
SMEAR = SiteLimit(high="1000", unit="dpm/100cm2", basis="10 CFR 835 Appendix D, beta-gamma, removable")
READINGS = {"upstream": "25", "downstream": "0.0085", "background": "0.0010"}
TODAY = date(2026, 3, 2)


def test_a_leak_test_tells_value_limit_margin_and_where_it_comes_from() -> None:
    """25, 0.0085 and 0.0010 give 0.03 %, 0.02 % inside the limit of RG 1.52 Rev. 4 C.6.c (exact arithmetic)."""
    result = compute("leak_test/1", READINGS, HEPA)

    assert (result.value, result.unit, result.within, result.margin) == ("0.03", "pct", True, "0.02")
    assert (result.limit, result.op, result.basis) == ("0.05", "<", HEPA.basis)
    assert result.source


@pytest.mark.parametrize("zeros", ["", "0", "0000"])
def test_equality_fails_less_than_and_passes_at_most(zeros: str) -> None:
    """Exactly 0.05 % fails C.6.c (<) and passes C.6.f (<=), however many zeros were typed (RG 1.52 Rev. 4)."""
    readings = READINGS | {"downstream": f".0135{zeros}"}

    assert compute("leak_test/1", readings, HEPA).within is False
    assert compute("leak_test/1", readings, CARBON).within is True


def test_the_lower_of_two_upstream_readings_counts() -> None:
    """Upstream 25 before and 20 after: 0.0075 of 20 is 0.0375 %, the higher penetration of the two (by hand)."""
    result = compute("leak_test/1", READINGS | {"upstream_after": "20"}, HEPA)

    assert result.value == "0.0375"
    assert any("-20 %" in note for note in result.notes or ())


def test_a_pass_closer_than_its_uncertainty_is_told() -> None:
    """0.0495 %: with 5 % of each reading the 95 % upper bound is 0.0495 + 1.645 u, above 0.05, so a caution stands.

    By hand from the propagation of L10: u = 100 sqrt((0.05 C_dn)^2 + (0.05 C_bg)^2 + (0.05 net)^2) / C_up; 1.645 is the
    one-sided 95 % normal quantile of handbook tables.  Rounded to three digits, as the bound is told.
    """
    readings = {"upstream": "100", "downstream": "0.0505", "background": "0.0010", "u_pct": "5"}

    result = compute("leak_test/1", readings, HEPA)

    u = (2.525e-3**2 + 5e-5**2 + 2.475e-3**2) ** 0.5
    assert result.within is True
    assert result.uncertainty is not None
    assert f"upper bound {0.0495 + 1.645 * u:.3g}"[:18] in result.uncertainty
    assert any("less than its uncertainty" in note for note in result.notes or ())


def test_a_saturated_reading_and_a_floor_too_coarse_give_no_result() -> None:
    """A reading at full scale, or a floor of 0.1 % against a limit of 0.05 %, is refused with what to do."""
    with pytest.raises(OutOfRange, match="saturated"):
        compute("leak_test/1", READINGS | {"full_scale": "25"}, HEPA)
    with pytest.raises(OutOfRange, match="use a finer one"):
        compute("leak_test/1", READINGS | {"floor": "0.001"}, HEPA)


@pytest.mark.parametrize(
    ("flow", "within"), [("1529.9", False), ("1530", True), ("1700", True), ("1870", True), ("1870.1", False)]
)
def test_flow_lies_within_ten_per_cent_of_design_ends_included(flow: str, within: bool) -> None:
    """One value inside, on and outside each end of design flow 1700 m3/h +- 10 % (RG 1.52 Rev. 4, capacity)."""
    assert compute("capacity/1", {"flow_m3_h": flow, "design_m3_h": "1700"}, FLOW).within is within


def test_resistance_at_half_flow_is_about_doubled_at_rated_flow() -> None:
    """Through laminar media dP is proportional to flow: 100 Pa at half flow and 21.1 C is 200 Pa at rated flow."""
    result = compute(
        "resistance_at_rated/1", {"dp_pa": "100", "flow_m3_h": "850", "rated_m3_h": "1700", "temp_c": "21.1"}, None
    )

    assert float(result.value) == pytest.approx(200, rel=1e-4)  # 21.1 C is 70 F only to 0.01 K
    assert result.within is None


@pytest.mark.parametrize(("made", "within"), [("2016-03-02", False), ("2016-03-03", True), ("2026-03-02", True)])
def test_a_filter_is_good_to_the_day_before_ten_years_are_over(made: str, within: bool) -> None:
    """Ten calendar years from making (source age-study): on the day itself the age has run out."""
    given = {"made_on": made, "on": "2026-03-02", "life_years": "10", "life_from": "age-study"}

    result = compute("filter_age/1", given, None)

    assert result.within is within
    assert result.value == str(int(made[:4]) + 10) + made[4:]


def test_a_leap_day_and_the_sites_own_life() -> None:
    """Made on 29 February 2024 with a site life of 5 years: 28 February 2029, and the basis is a site value."""
    given = inputs_for("filter_age", {"made": "2024-02-29"}, (), design=BankDesign(life_years=5), on=TODAY)
    assert given is not None

    result = compute("filter_age/1", given, None)

    assert (result.value, result.basis) == ("2029-02-28", "site value")


def test_a_smear_is_net_of_background_and_shows_what_could_be_detected() -> None:
    """250 counts in 1 min over 500 in 10 min at 30 %: (250 - 50) / 0.3 = 666.667 dpm per 100 cm2 (by hand)."""
    counts = {"gross": "250", "minutes": "1", "background": "500", "background_minutes": "10", "efficiency": "0.3"}

    result = compute("smear/1", counts, SMEAR)

    assert (result.value, result.within, result.margin) == ("666.667", True, "333.333")
    with pytest.raises(Invalid, match="whole numbers"):
        compute("smear/1", counts | {"gross": "250.5"}, SMEAR)
    with pytest.raises(OutOfRange, match="count longer"):
        compute("smear/1", counts | {"minutes": "0.02"}, SMEAR)


def test_a_result_is_left_out_where_the_site_has_not_given_what_it_needs() -> None:
    """Without a design flow there is nothing to compare a flow with; the reading alone is kept."""
    assert inputs_for("capacity", {"flow": "1700"}, (), design=BankDesign(), on=TODAY) is None
    assert inputs_for("resistance_at_rated", {"drop": "250", "flow": "1"}, (), design=BankDesign(), on=TODAY) is None


def test_floor_full_scale_and_uncertainty_come_from_the_instrument() -> None:
    """What the register knows of the photometer enters the result's inputs, so that it can be computed again."""
    photometer = Instrument(
        id="PH-1", kind=InstrumentKind.PHOTOMETER, description="photometer", calibrated_on=TODAY, due=TODAY,
        floor_fraction="0.00001", full_scale="120", u_pct="5",
    )  # fmt: skip

    found = inputs_for("leak_test", READINGS, (photometer,), design=BankDesign(), on=TODAY)

    assert found == READINGS | {"floor": "0.00001", "full_scale": "120", "u_pct": "5"}


def test_an_unknown_method_is_refused_with_what_to_do() -> None:
    """A record of a later version names a method that this one does not have."""
    with pytest.raises(Invalid, match="with the version that made it"):
        compute("leak_test/9", READINGS, HEPA)


def test_a_fall_of_pressure_counts_both_barometers_and_temperatures() -> None:
    """2 m3 at -1000 Pa for 10 min with nothing but the barometer up by 100 Pa: no air leaked (ideal gas, by hand).

    The absolute pressure stays 100 325 Pa while the gauge reads 100 Pa less, which a naive reading takes for a leak.
    """
    weather = {
        "volume": "2", "minutes": "10", "baro_start": "101325", "baro_end": "101425", "gauge_start": "-1000",
        "gauge_end": "-1100", "temp_start": "21", "temp_end": "21",
    }  # fmt: skip
    tight = compute("pressure_decay/1", weather, SiteLimit(high="0.1", unit="pct/min"))
    leaking = compute("pressure_decay/1", weather | {"gauge_end": "-1000"}, SiteLimit(high="0.001", unit="pct/min"))

    assert (tight.value, tight.within) == ("0", True)
    assert leaking.within is False


@pytest.mark.parametrize(
    ("readings", "within"), [("0.8 1.2 1.0", True), ("0.7999 1.2 1.0", False), ("80;120; 100", True)]
)
def test_readings_lie_within_twenty_per_cent_of_their_average(readings: str, within: bool) -> None:
    """0.8 and 1.2 about 1.0 lie on both ends of 20 % (UFGS 15860A); a hair less lies outside."""
    limit = SiteLimit(high="20", unit="pct", basis="UFGS 15860A")

    assert compute("uniformity/1", {"readings": readings}, limit).within is within


amounts = st.decimals("0.0001", "9000", places=4).map(str)


@given(up=amounts, down=amounts, more=amounts, zero=amounts)
def test_more_downstream_never_lowers_the_penetration(up: str, down: str, more: str, zero: str) -> None:
    """Monotone in the downstream reading, and never a pass with a negative leak told."""
    higher = str(Fraction(down) + Fraction(more)) if "/" not in str(Fraction(down) + Fraction(more)) else down
    first, second = (
        {"upstream": up, "downstream": reading, "background": zero, "floor": "0.00001"} for reading in (down, higher)
    )
    try:
        one, two = compute("leak_test/1", first, None), compute("leak_test/1", second, None)
    except ChangeoutError as no:
        assert str(no).endswith(".")
        return

    assert Fraction(one.value) <= Fraction(two.value)
    assert Fraction(one.value) > 0
    assert compute("leak_test/1", one.inputs, None) == one


def test_every_method_is_one_that_a_step_may_name() -> None:
    """The methods and what procedures may compute are the same list."""
    from app.domain.procedure import RESULT_UNITS

    assert {name.removesuffix("/1") for name in METHODS} == set(RESULT_UNITS)


def test_a_reading_below_its_background_is_questioned_and_never_negative() -> None:
    """Background 0.001 and downstream 0.0005 at upstream 25: below the floor, and no bound lies below what is told."""
    readings = {"upstream": "25", "downstream": "0.0005", "background": "0.001", "floor": "0.00001", "u_pct": "5"}

    result = compute("leak_test/1", readings, HEPA)

    assert result.shown == "below 0.001 %"
    assert result.uncertainty is not None
    assert "upper bound 0.001 %" in result.uncertainty
    assert any("below its background" in note for note in result.notes or ())


def test_a_flow_far_from_rated_gives_no_resistance() -> None:
    """A hair of air through a bank says nothing of it at rated flow."""
    given = {"dp_pa": "690", "flow_m3_h": "0.000000001", "rated_m3_h": "1700", "temp_c": "21.1"}

    with pytest.raises(OutOfRange, match="less than a tenth"):
        compute("resistance_at_rated/1", given, None)


def test_a_change_of_upstream_is_held_to_the_sites_own_limit_and_never_to_one_made_up_for_it() -> None:
    """25 to 24 is 4 %: within the site's 5 %, outside its 3 %; without one a doubling is refused, as our own."""
    readings = READINGS | {"upstream_after": "24"}

    assert compute("leak_test/1", readings | {"drift_limit_pct": "5"}, HEPA).within
    with pytest.raises(OutOfRange, match="where the site allows 3 %"):
        compute("leak_test/1", readings | {"drift_limit_pct": "3"}, HEPA)
    assert compute("leak_test/1", READINGS | {"upstream_after": "50"}, HEPA).value == "0.03"
    with pytest.raises(OutOfRange, match="this program's bound") as refused:
        compute("leak_test/1", READINGS | {"upstream_after": "50.1"}, HEPA)
    assert "the site allows" not in str(refused.value)


def test_the_sites_limit_on_a_change_of_upstream_enters_the_result() -> None:
    """It stands among the inputs, so that the refusal or the pass can be computed again."""
    found = inputs_for("leak_test", READINGS, (), design=BankDesign(drift_limit_pct="5"), on=TODAY)

    assert found == READINGS | {"drift_limit_pct": "5"}
