"""Trend and due window: CV56 to CV61, scipy as the reference, and what few or odd readings may say."""

import pytest
from scipy import stats

from app.calc import forecast, trend
from app.calc.errors import Invalid, OutOfRange

DAYS = [0.0, 30.0, 60.0, 90.0, 120.0, 150.0, 180.0, 210.0]
DP = [0.92, 0.98, 1.03, 1.12, 1.15, 1.24, 1.29, 1.37]
OUTLIER = [0.92, 0.98, 1.03, 1.12, 1.75, 1.24, 1.29, 1.37]
LIMIT = 2.0


def test_cv56_least_squares() -> None:
    """CV56: b .00212698, a .914167, s .0125198, crossing 510.50. Source: T1. Relative 1e-4, the figures' digits."""
    fit = trend.least_squares(days=DAYS, dp_pa=DP)

    assert fit.line.slope_per_day == pytest.approx(0.00212698, rel=1e-4)
    assert fit.line.intercept_pa == pytest.approx(0.914167, rel=1e-4)
    assert fit.s_pa == pytest.approx(0.0125198, rel=1e-4)
    assert (fit.mean_day, fit.sxx) == (105.0, 37_800.0)
    assert fit.line.meets(LIMIT) == pytest.approx(510.50, rel=1e-4)


def test_cv57_prediction_interval() -> None:
    """CV57: at day 300, 1.50754 to 1.59698. Source: T2 (secondary). Relative 1e-4, the figures' digits.

    The naive interval of the line (without the 1 under the root) would be 1.519 to 1.586.
    """
    low, high = trend.least_squares(days=DAYS, dp_pa=DP).prediction(300.0)

    assert low == pytest.approx(1.50754, rel=1e-4)
    assert high == pytest.approx(1.59698, rel=1e-4)


def test_cv58_due_window() -> None:
    """CV58: the band meets 2.0 on days 478.87 and 546.61. Source: T3. Relative 1e-3 as in the check list."""
    fit = trend.least_squares(days=DAYS, dp_pa=DP)

    window = trend.due_window(fit=fit, limit_pa=LIMIT)

    assert window == pytest.approx((478.87, 546.61), rel=1e-3)
    assert window is not None
    assert fit.prediction(window[0])[1] == pytest.approx(LIMIT, rel=1e-12)
    assert fit.prediction(window[1])[0] == pytest.approx(LIMIT, rel=1e-12)


def test_cv59_theil_sen_and_its_two_intercepts() -> None:
    """CV59: slope .00213810; intercept .9105 by medians, .917571 by the median of residuals.

    Source: T4 (secondary). Relative 1e-4, the figures' digits. The two conventions differ, and both are named.
    """
    found = trend.theil_sen(days=DAYS, dp_pa=DP)

    assert found.line.slope_per_day == pytest.approx(0.00213810, rel=1e-4)
    assert found.line.intercept_pa == pytest.approx(0.9105, rel=1e-4)
    assert found.median_residual_intercept_pa == pytest.approx(0.917571, rel=1e-4)
    assert found.line.meets(LIMIT) == pytest.approx(509.6, abs=0.05)


def test_cv60_one_bad_reading() -> None:
    """CV60: with 1.75 on day 120 least squares cross at 437.97, Theil-Sen at 485.55. Relative 1e-3 as listed."""
    squares = forecast.forecast(days=DAYS, dp_pa=OUTLIER, limit_pa=LIMIT)
    robust = forecast.forecast(days=DAYS, dp_pa=OUTLIER, limit_pa=LIMIT, method="theil-sen")

    assert squares.due_day == pytest.approx(437.97, rel=1e-3)
    assert robust.due_day == pytest.approx(485.55, rel=1e-3)
    assert trend.least_squares(days=DAYS, dp_pa=OUTLIER).s_pa == pytest.approx(0.220, abs=0.0005)


def test_cv61_three_points() -> None:
    """CV61: three points predict 1.01638 to 1.26695 at day 120, t being 12.7. Relative 1e-3 as listed."""
    fit = trend.least_squares(days=DAYS[:3], dp_pa=DP[:3])

    assert fit.prediction(120.0) == pytest.approx((1.01638, 1.26695), rel=1e-3)
    assert fit.line.slope_per_day == pytest.approx(0.00183333, rel=1e-5)
    assert fit.slope_interval == pytest.approx((0.00061, 0.00306), abs=0.00001)
    assert fit.t_975 == pytest.approx(12.7062, rel=1e-5)


@pytest.mark.parametrize("freedom", [1, 2, 6, 30, 1000])
def test_t_quantiles_agree_with_scipy_stats(freedom: int) -> None:
    """Student's t at 0.975 is that of scipy.stats, to rounding."""
    assert trend.t_quantile_975(freedom) == pytest.approx(stats.t.ppf(0.975, freedom), rel=1e-10)  # type: ignore[attr-defined]


@pytest.mark.parametrize("readings", [DP, OUTLIER])
def test_regression_agrees_with_scipy(readings: list[float]) -> None:
    """Slope, intercept and the slope's standard error are those of scipy.stats.linregress, to rounding."""
    reference = stats.linregress(DAYS, readings)

    fit = trend.least_squares(days=DAYS, dp_pa=readings)

    assert fit.line.slope_per_day == pytest.approx(reference.slope, rel=1e-10)
    assert fit.line.intercept_pa == pytest.approx(reference.intercept, rel=1e-10)
    assert fit.slope_interval[1] - fit.line.slope_per_day == pytest.approx(fit.t_975 * reference.stderr, rel=1e-10)


def test_prediction_interval_agrees_with_scipy_pieces() -> None:
    """T2 put together from scipy's standard errors of slope and intercept at the mean gives the same band."""
    reference = stats.linregress([d - 105.0 for d in DAYS], DP)
    residual = reference.intercept_stderr * 8**0.5
    t_975 = stats.t.ppf(0.975, 6)  # type: ignore[attr-defined]
    half = t_975 * (residual**2 + reference.intercept_stderr**2 + (195.0 * reference.stderr) ** 2) ** 0.5

    low, high = trend.least_squares(days=DAYS, dp_pa=DP).prediction(300.0)

    assert (high - low) / 2 == pytest.approx(half, rel=1e-10)


@pytest.mark.parametrize("readings", [DP, OUTLIER])
def test_theil_sen_agrees_with_scipy(readings: list[float]) -> None:
    """Slope and both intercepts are those of scipy.stats.theilslopes by its two methods."""
    separate = stats.theilslopes(readings, DAYS, method="separate")
    joint = stats.theilslopes(readings, DAYS, method="joint")

    found = trend.theil_sen(days=DAYS, dp_pa=readings)

    assert found.line.slope_per_day == pytest.approx(separate.slope, rel=1e-12)
    assert found.line.intercept_pa == pytest.approx(separate.intercept, rel=1e-12)
    assert found.median_residual_intercept_pa == pytest.approx(joint.intercept, rel=1e-12)


def test_due_date_is_the_early_side() -> None:
    """The window opens before and closes after the day on which the line meets the limit."""
    found = forecast.forecast(days=DAYS, dp_pa=DP, limit_pa=LIMIT)

    assert found.due_early is not None
    assert found.due_day is not None
    assert found.due_late is not None
    assert found.due_early < found.due_day < found.due_late


def test_two_readings_give_a_rate_and_no_date() -> None:
    """Fewer than three: the rate is told, no date at all."""
    found = forecast.forecast(days=[0.0, 30.0], dp_pa=[0.92, 0.98], limit_pa=LIMIT)

    assert found.slope_per_day == pytest.approx(0.002)
    assert (found.due_day, found.due_early, found.due_late) == (None, None, None)
    assert "Rate only, no date" in found.note


@pytest.mark.parametrize(("n", "few"), [(3, True), (5, True), (6, False)])
def test_three_to_five_readings_are_few_data(n: int, few: bool) -> None:
    """Three to five readings give a range marked "few data"; six do not carry the mark."""
    found = forecast.forecast(days=DAYS[:n], dp_pa=DP[:n], limit_pa=LIMIT)

    assert ("Few data" in found.note) is few
    assert found.due_early is not None


def test_slope_that_may_be_zero_shows_no_trend() -> None:
    """With the bad reading in, the slope's interval includes zero: no window, and the note says so."""
    found = forecast.forecast(days=DAYS, dp_pa=OUTLIER, limit_pa=LIMIT)

    assert (found.due_early, found.due_late) == (None, None)
    assert "No trend shown" in found.note


def test_level_readings_show_no_trend() -> None:
    """Equal readings have a slope of exactly zero and no date."""
    found = forecast.forecast(days=DAYS, dp_pa=[0.1] * 8, limit_pa=LIMIT)

    assert found.slope_per_day == 0.0
    assert found.due_day is None
    assert "No trend shown" in found.note


def test_falling_resistance_points_to_a_breach() -> None:
    """A falling trend has no date but a warning."""
    found = forecast.forecast(days=DAYS, dp_pa=DP[::-1], limit_pa=LIMIT)

    assert (found.due_day, found.due_early, found.due_late) == (None, None, None)
    assert "breach or a bypass" in found.note


def test_far_dates_are_marked() -> None:
    """The window of CV58 lies beyond day 420, the observed span on top of the last day, and is marked as such."""
    far = forecast.forecast(days=DAYS, dp_pa=DP, limit_pa=LIMIT)
    near = forecast.forecast(days=DAYS, dp_pa=DP, limit_pa=1.5)

    assert far.horizon_day == 420.0
    assert "farther ahead than the readings reach back" in far.note
    assert "farther ahead" not in near.note


@pytest.mark.parametrize(("limit", "within"), [(1.37, False), (1.3700001, True)])
def test_present_reading_outranks_the_forecast(limit: float, within: bool) -> None:
    """A last reading on its limit is due now, whatever the line says; just under it is not."""
    found = forecast.forecast(days=DAYS, dp_pa=DP, limit_pa=limit)

    assert found.within_limit is within
    assert found.note.startswith("Due now") is not within


def test_note_tells_what_it_rests_on() -> None:
    """Number, span, method, limit and interval stand in every note."""
    note = forecast.forecast(days=DAYS, dp_pa=DP, limit_pa=LIMIT).note

    assert "8 readings over 210 days, least-squares, limit 2 Pa, 95 % prediction band" in note


def test_steps_and_gaps_are_told() -> None:
    """A jump that is off the trend and a long silence each get their sentence; the clean series gets neither."""
    stepped = forecast.forecast(days=DAYS, dp_pa=[*DP[:4], *[p - 0.5 for p in DP[4:]]], limit_pa=LIMIT)
    gapped = forecast.forecast(days=[*DAYS[:7], 400.0], dp_pa=DP, limit_pa=LIMIT)
    clean = forecast.forecast(days=DAYS, dp_pa=DP, limit_pa=LIMIT)

    assert "between day 90 and day 120: a fall at constant flow suggests a breach" in stepped.note
    assert "Gap: no reading between day 180 and day 400" in gapped.note
    assert "Step" not in clean.note
    assert "Gap" not in clean.note


@pytest.mark.parametrize(
    ("days", "dp", "sentence"),
    [
        ([0.0, 30.0], [1.0], "one reading for each day"),
        ([0.0, 30.0, 20.0], [1.0, 1.1, 1.2], "in order of time"),
        ([0.0, 30.0, 30.0], [1.0, 1.1, 1.2], "in order of time"),
        ([-1.0, 30.0, 40.0], [1.0, 1.1, 1.2], "Day -1"),
        ([0.0, 30.0, 40_000.0], [1.0, 1.1, 1.2], "Day 40000"),
        ([0.0, 30.0, 60.0], [1.0, 0.0, 1.2], "Resistance 0"),
        ([0.0, 30.0, 60.0], [1.0, -1.0, 1.2], "Resistance -1"),
        ([0.0, 30.0, 60.0], [1.0, float("nan"), 1.2], "Resistance nan"),
        ([0.0], [1.0], "1 reading has no trend"),
        ([], [], "0 reading has no trend"),
    ],
)
def test_series_that_are_none(days: list[float], dp: list[float], sentence: str) -> None:
    """Unequal lists, disorder, doubles, absurd days, readings of nothing and single readings get a sentence each."""
    with pytest.raises((Invalid, OutOfRange), match=sentence):
        forecast.forecast(days=days, dp_pa=dp, limit_pa=LIMIT)


def test_limit_must_be_above_zero() -> None:
    """A limit of zero is refused."""
    with pytest.raises(OutOfRange, match="Limit"):
        forecast.forecast(days=DAYS, dp_pa=DP, limit_pa=0.0)


@pytest.mark.parametrize("text", ["Theil-Sen", "theil_sen", "THEIL SEN", "theil–sen"])
def test_method_names(text: str) -> None:
    """A method is known in any case and with any joint."""
    assert forecast.method_from_text(text) == "theil-sen"
    with pytest.raises(Invalid):
        forecast.method_from_text("cubic")
