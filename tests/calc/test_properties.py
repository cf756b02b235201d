"""Laws that hold for every reading: inverses, monotonicity, unit invariance, no NaN, no clamp, no negative pass."""

import math
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.calc import air, airflow, banks, clamping, counting, housing_leak, leak_test, lifting, registry, trend, waste
from app.calc.errors import ChangeoutError
from app.calc.exact import Limit
from app.calc.registry_keys import INCH_POUND
from app.calc.registry_table import CALCULATIONS
from app.calc.units import UNITS, convert

READING = st.decimals(min_value=0, max_value=100, places=4, allow_nan=False).map(str)
UPSTREAM = st.decimals(min_value="0.0001", max_value=100, places=4).map(str)
LIMIT = Limit(Fraction("0.05"), "<", "site value")


def leak(upstream: str, downstream: str, background: str) -> leak_test.Penetration | None:
    """A penetration, or None where the readings give none."""
    try:
        return leak_test.penetration(
            upstream=upstream, downstream=downstream, background=background, floor_fraction="1e-5"
        )
    except ChangeoutError:
        return None


@given(UPSTREAM, READING, READING, READING)
def test_more_downstream_never_lowers_penetration(upstream: str, one: str, other: str, background: str) -> None:
    """Penetration does not fall, and a pass does not appear, when the downstream reading rises."""
    low, high = sorted((one, other), key=Fraction)

    first, second = leak(upstream, low, background), leak(upstream, high, background)

    if first and second:
        assert first.upper_pct <= second.upper_pct
        assert leak_test.judge(first, LIMIT).passed or not leak_test.judge(second, LIMIT).passed


@given(UPSTREAM, READING, READING)
def test_no_result_is_told_as_zero_or_negative(upstream: str, downstream: str, background: str) -> None:
    """Whatever the readings, what is shown is above zero, and efficiency stays under 100 %."""
    found = leak(upstream, downstream, background)

    if found:
        assert found.upper_pct > 0
        assert found.efficiency_pct < 100
        assert found.below_floor is found.shown.startswith("<")


@given(UPSTREAM, READING, READING, st.sampled_from(["1000", "0.001", "1e-2", "7.3"]))
def test_penetration_has_no_unit(upstream: str, downstream: str, background: str, factor: str) -> None:
    """All three readings in another unit give the same penetration, exactly."""
    scaled = [str(Fraction(r) * Fraction(factor)) for r in (upstream, downstream, background)]

    first = leak(upstream, downstream, background)

    if first:
        up, down, zero = (Fraction(s) for s in scaled)
        second = leak_test.penetration(upstream=up, downstream=down, background=zero, floor_fraction="1e-5")
        assert second.measured_pct == first.measured_pct


@given(st.lists(st.decimals(min_value="0.0001", max_value=100, places=4).map(str), min_size=1, max_size=12))
def test_a_further_bank_never_lets_more_through(penetrations: list[str]) -> None:
    """Banks in series let through no more than the best of them, and DF is the inverse of penetration."""
    found = banks.in_series(penetrations)

    assert 0 < found.penetration_pct <= min(Fraction(p) for p in penetrations)
    assert found.decontamination_factor * found.penetration_pct == 100


@given(
    st.lists(
        st.tuples(
            st.decimals(min_value=0, max_value=100, places=3), st.decimals(min_value="0.1", max_value=5000, places=1)
        ),
        min_size=1,
        max_size=8,
    )
)
def test_a_bank_lies_between_its_best_and_worst_filter(filters: list[tuple[object, object]]) -> None:
    """The mean of filters side by side is never outside them, and does not depend on the unit of flow."""
    typed = [str(p) for p, _ in filters]
    flows = [str(q) for _, q in filters]

    bank = banks.in_parallel_pct(penetrations_pct=typed, flows=flows)

    assert min(Fraction(p) for p in typed) <= bank <= max(Fraction(p) for p in typed)
    assert bank == banks.in_parallel_pct(penetrations_pct=typed, flows=[Fraction(q) * 3 for q in flows])


@given(st.floats(1e-7, 1e-3), st.floats(0.1, 100.0), st.floats(-10.0, 40.0), st.floats(1.0, 60.0))
def test_decay_and_allowed_fall_are_inverses(leak_m3_s: float, volume: float, temp: float, minutes: float) -> None:
    """The fall that a leak allows, put through the decay formula, gives the leak back.

    Relative 1e-7: a fall of 0.01 Pa between two pressures near 1e5 Pa keeps about nine digits.
    """
    fall = housing_leak.allowed_fall_pa(leak_m3_s=leak_m3_s, volume_m3=volume, temp_c=temp, minutes=minutes)
    if not 0.01 < fall < 20_000:
        return
    start = housing_leak.GasState(gauge_pa=20_000.0, barometer_pa=101_325.0, temp_c=temp)
    end = housing_leak.GasState(gauge_pa=20_000.0 - fall, barometer_pa=101_325.0, temp_c=temp)

    found = housing_leak.pressure_decay(volume_m3=volume, start=start, end=end, minutes=minutes)

    assert found.m3_s == pytest.approx(leak_m3_s, rel=1e-7)


@given(st.floats(-25_000, 25_000), st.floats(-25_000, 25_000), st.floats(-40, 80), st.floats(-40, 80))
def test_no_leak_rate_is_ever_negative(gauge1: float, gauge2: float, temp1: float, temp2: float) -> None:
    """Whatever the states, a leak rate is refused or zero or more."""
    start = housing_leak.GasState(gauge_pa=gauge1, barometer_pa=101_325.0, temp_c=temp1)
    end = housing_leak.GasState(gauge_pa=gauge2, barometer_pa=101_325.0, temp_c=temp2)

    try:
        found = housing_leak.pressure_decay(volume_m3=1.0, start=start, end=end, minutes=10.0)
    except ChangeoutError:
        return

    assert found.m3_s >= 0
    assert found.direction == ("out" if gauge1 > 0 else "in")


@given(st.floats(0.0, 20_000.0), st.floats(0.3, 3.0))
def test_velocity_and_its_pressure_are_inverses(pressure: float, density: float) -> None:
    """Velocity pressure to velocity and back is the identity."""
    velocity = airflow.velocity_m_s(pressure_pa=pressure, density_kg_m3=density)
    if velocity > 200.0:
        return

    back = airflow.velocity_pressure_pa(velocity_m_s=velocity, density_kg_m3=density)

    assert back == pytest.approx(pressure, rel=1e-12, abs=1e-300)


@given(st.lists(st.floats(0.0, 5000.0), min_size=1, max_size=20))
def test_mean_velocity_never_exceeds_that_of_the_mean_pressure(pressures: list[float]) -> None:
    """The root is concave: averaging pressures first always reads high or equal."""
    mean = airflow.mean_velocity_m_s(pressures_pa=pressures, density_kg_m3=1.2)

    naive = airflow.velocity_m_s(pressure_pa=math.fsum(pressures) / len(pressures), density_kg_m3=1.2)

    assert mean <= naive * (1 + 1e-12)


@given(st.floats(0.0, 60.0), st.floats(50_000.0, 110_000.0), st.floats(0.0, 99.0))
def test_density_falls_with_humidity_and_warmth(temp: float, pressure: float, humidity: float) -> None:
    """Moist air is lighter than dry, warm air lighter than cold."""
    here = air.density_kg_m3(temp_c=temp, pressure_pa=pressure, rh_pct=humidity)

    assert air.density_kg_m3(temp_c=temp, pressure_pa=pressure, rh_pct=humidity + 1.0) < here
    if temp <= 59.0:
        assert air.density_kg_m3(temp_c=temp + 1.0, pressure_pa=pressure, rh_pct=humidity) < here


@given(st.floats(1.0, 1e5), st.floats(0.001, 0.2), st.floats(0.05, 0.5))
def test_torque_and_force_are_inverses(force: float, diameter: float, factor: float) -> None:
    """Force to torque and back is the identity, and the spread brackets the torque."""
    torque = clamping.bolt_torque(force_n=force, diameter_m=diameter, factor=factor)

    back = clamping.bolt_force_n(torque_n_m=torque.torque_n_m, diameter_m=diameter, factor=factor)

    assert back == pytest.approx(force, rel=1e-12)
    assert torque.low_n_m < torque.torque_n_m < torque.high_n_m


@given(
    st.integers(0, 10_000), st.integers(0, 10_000), st.floats(0.5, 60.0), st.floats(0.5, 600.0), st.floats(0.05, 1.0)
)
def test_more_counts_never_mean_less_activity(
    gross: int, background: int, minutes: float, zero_minutes: float, efficiency: float
) -> None:
    """One count more raises the activity; the detection limit lies above the critical level."""
    less, more = (
        counting.smear(
            gross=counts, minutes=minutes, background=background, background_minutes=zero_minutes, efficiency=efficiency
        )
        for counts in (gross, gross + 1)
    )
    limits = counting.unequal_time_limits(
        background_cpm=background / zero_minutes, minutes=minutes, background_minutes=zero_minutes
    )

    assert less.net_dpm < more.net_dpm
    assert more.detected or not less.detected
    assert limits.critical < limits.detection
    assert all(math.isfinite(v) for v in (less.net_dpm, less.u_dpm, less.mda_dpm))


@given(st.floats(0.1, 62.0), st.floats(0.0, 134.0), st.floats(0.0, 7.9), st.floats(0.1, 7.9))
def test_harder_lifts_never_allow_more(reach: float, twist: float, frequency: float, hours: float) -> None:
    """Farther, more twisted, more often and longer never raises the limit."""

    def limit(h: float, a: float, f: float, t: float) -> float:
        return lifting.weight_limit_kg(
            lifting.metric_multipliers(
                h_cm=h, v_cm=80.0, d_cm=40.0, a_deg=a, freq_per_min=f, duration_h=t, coupling="fair"
            )
        )

    here = limit(reach, twist, frequency, hours)

    assert 0 < here <= 23.0
    assert limit(reach + 1.0, twist, frequency, hours) <= here
    assert limit(reach, twist + 1.0, frequency, hours) <= here
    assert limit(reach, twist, frequency + 0.1, hours) <= here
    assert limit(reach, twist, frequency, hours + 0.1) <= here


SERIES = st.lists(st.floats(10.0, 2000.0), min_size=3, max_size=12)


@given(SERIES, st.floats(2500.0, 5000.0))
def test_a_window_is_where_the_band_meets_the_limit(dp: list[float], limit: float) -> None:
    """Early ≤ line ≤ late, and both ends lie on the band (relative 1e-6: a quadratic's roots far outside the data)."""
    fit = trend.least_squares(days=[30.0 * i for i in range(len(dp))], dp_pa=dp)

    window = trend.due_window(fit=fit, limit_pa=limit)

    if window and window[1] < 1e6:
        crossing = fit.line.meets(limit)
        assert crossing is not None
        assert window[0] <= crossing * (1 + 1e-9)
        assert crossing <= window[1] * (1 + 1e-9)
        assert fit.prediction(window[0])[1] == pytest.approx(limit, rel=1e-6)
        assert fit.prediction(window[1])[0] == pytest.approx(limit, rel=1e-6)


@given(SERIES, st.floats(0.001, 20.0))
def test_a_trend_has_no_unit(dp: list[float], factor: float) -> None:
    """Readings and limit in another unit give the same crossing, for both methods (relative 1e-9)."""
    days = [30.0 * i for i in range(len(dp))]
    scaled = [p * factor for p in dp]

    one, other = trend.theil_sen(days=days, dp_pa=dp).line, trend.theil_sen(days=days, dp_pa=scaled).line

    assert other.slope_per_day == pytest.approx(one.slope_per_day * factor, rel=1e-9, abs=1e-9)
    assert trend.fit_line(days=days, dp_pa=scaled).slope_per_day == pytest.approx(
        trend.fit_line(days=days, dp_pa=dp).slope_per_day * factor, rel=1e-9, abs=1e-9
    )


@given(st.lists(st.integers(1, 60), min_size=3, max_size=3), st.lists(st.integers(1, 120), min_size=3, max_size=3))
def test_packing_keeps_to_the_volume_and_never_shrinks_with_the_box(item: list[int], box: list[int]) -> None:
    """Items packed never exceed the box's volume, and a box that is larger one way never holds fewer."""
    thing, inside = waste.box(item, name="Item"), waste.box(box, name="Box")

    count = waste.packing_count(item=thing, container=inside)

    assert count * thing.volume <= inside.volume
    assert waste.packing_count(item=thing, container=waste.box([box[0] + 1, *box[1:]], name="Box")) >= count


@given(st.decimals(min_value=0, max_value=100, places=3).map(str))
def test_transport_index_is_the_least_tenth_not_below(rate: str) -> None:
    """The index is a whole number of tenths, not below the rate and less than a tenth above it, or zero up to 0.05."""
    index = waste.transport_index(mrem_h_at_1m=rate)

    assert (index * 10).denominator == 1
    if Fraction(rate) > Fraction("0.05"):
        assert 0 <= index - Fraction(rate) < Fraction(1, 10)
    else:
        assert index == 0


@given(st.sampled_from(sorted(UNITS)), st.fractions(min_value=-1000, max_value=1000, max_denominator=10**6))
def test_conversions_are_inverses(unit: str, value: Fraction) -> None:
    """There and back is the identity, exactly, for every pair of units."""
    for other, found in UNITS.items():
        if found.dimension == UNITS[unit].dimension:
            assert convert(convert(value, unit, other), other, unit) == value


METRIC = {
    "pressure_decay": {
        "volume_m3": "2", "baro1_pa": "101325", "baro2_pa": "101225", "gauge1_pa": "2500", "gauge2_pa": "2150",
        "temp1_c": "20", "temp2_c": "20.3", "minutes": "10",
    },
    "velocity": {"pressure_pa": "62", "density_kg_m3": "1.2"},
    "air_density": {"temp_c": "25", "pressure_pa": "95000", "rh_pct": "60"},
    "resistance_at_rated": {"dp_pa": "154", "flow_m3_h": "1223", "rated_m3_h": "1699", "temp_c": "35"},
    "dp_trend": {"days": "0,30,60,90", "dp_pa": "230,245,257,280", "limit_pa": "500"},
    "smear": {"gross": "38", "minutes": "2", "background": "6", "background_minutes": "10", "efficiency": "0.35",
              "area_cm2": "50"},
    "lifting": {"h_cm": "40", "v_cm": "60", "d_cm": "50", "a_deg": "30", "freq_per_min": "1", "duration_h": "1",
                "coupling": "fair", "load_kg": "15"},
}  # fmt: skip


@pytest.mark.parametrize(
    ("name", "key", "other"),
    [
        (name, key.name, other)
        for name, entry in CALCULATIONS.items()
        if name in METRIC
        for key in entry.keys
        if key.unit and key.name in METRIC[name]
        for other in INCH_POUND[key.unit]
    ],
)
@settings(max_examples=5)
@given(st.integers(900, 1100))
def test_every_inch_pound_key_gives_the_metric_answer(name: str, key: str, other: str, per_mille: int) -> None:
    """For each unit key and each sister the answers agree to 1e-9 relative, over readings varied by 10 %."""
    unit = next(k.unit for k in CALCULATIONS[name].keys if k.name == key)
    assert unit is not None
    scale = Fraction(1) if key == "temp2_c" else Fraction(per_mille, 1000)
    values = [Fraction(v) * scale for v in METRIC[name][key].split(",")]
    metric = METRIC[name] | {key: ",".join(f"{float(v):.17g}" for v in values)}
    typed = ",".join(f"{float(convert(Fraction(v), unit, other)):.17g}" for v in metric[key].split(","))
    inch = {k: v for k, v in metric.items() if k != key} | {key.removesuffix(unit) + other: typed}

    try:
        reference = registry.run(name, metric)
    except ChangeoutError:
        with pytest.raises(ChangeoutError):
            registry.run(name, inch)
        return

    found = registry.run(name, inch)

    for result_key, value in reference.result.items():
        if isinstance(value, float):
            assert found.result[result_key] == pytest.approx(value, rel=1e-9)
        elif result_key != "note":
            assert found.result[result_key] == value


TYPED = st.one_of(
    st.sampled_from(["0", "-1", "1e99", "-1e99", "1e-99", "nan", "inf", "", "25", "0.05", "1,2,3", "5,5", "0,0,0",
                     "fair", "log-linear", "<", "100", "1e5", "20"]),
    st.floats(allow_nan=False, allow_infinity=False).map(str),
    st.text(max_size=8),
)  # fmt: skip


@settings(max_examples=400)
@given(st.sampled_from(sorted(CALCULATIONS)), st.data())
def test_any_input_is_answered_finitely_or_refused_in_a_sentence(name: str, data: st.DataObject) -> None:
    """Whatever is typed, there is a finite result or one sentence: no NaN, no infinity, no traceback."""
    pairs = {key.name: data.draw(TYPED) for key in CALCULATIONS[name].keys if key.required or data.draw(st.booleans())}

    found, refusal = answer(name, pairs)

    assert (found is None) is bool(refusal)
    assert refusal is None or (refusal.endswith(".") and len(refusal) < 2000)
    assert all(math.isfinite(v) for v in (found or {}).values() if isinstance(v, float))


@settings(max_examples=400)
@given(st.sampled_from(sorted(METRIC)), st.data())
def test_one_absurd_reading_among_good_ones_is_answered_or_refused(name: str, data: st.DataObject) -> None:
    """One reading of a good set replaced by any size of number gives a finite result or one sentence."""
    key = data.draw(st.sampled_from(sorted(METRIC[name])))
    exponent = data.draw(st.integers(-99, 99))
    absurd = data.draw(st.sampled_from(["0", f"1e{exponent}", f"-1e{exponent}", f"7.3e{exponent},1e{-exponent}"]))

    found, refusal = answer(name, METRIC[name] | {key: absurd})

    assert (found is None) is bool(refusal)
    assert all(math.isfinite(v) for v in (found or {}).values() if isinstance(v, float))


def answer(name: str, pairs: dict[str, str]) -> tuple[registry.Result | None, str | None]:
    """The result, or the sentence of a refusal."""
    try:
        return registry.run(name, pairs).result, None
    except ChangeoutError as refusal:
        return None, str(refusal)
