"""Counting, contamination and stay time: CV44 to CV49 and CV52, and levels that are not to be exchanged."""

from fractions import Fraction

import pytest

from app.calc import contamination, counting
from app.calc.errors import Invalid, OutOfRange


def test_cv44_equal_times() -> None:
    """CV44: B = 40 gives L_C 14.736 and L_D 32.119. Source: Currie (secondary). Relative 1e-4, the figures' digits."""
    found = counting.equal_time_limits(background=40)

    assert found.critical == pytest.approx(14.736, rel=1e-4)
    assert found.detection == pytest.approx(32.119, rel=1e-4)


def test_sources_disagree_on_the_detection_limit() -> None:
    """Where one text has 2.71 another (MARSSIM) has 3; this program uses 2.71, which is 0.29 counts lower."""
    assert counting.equal_time_limits(background=0).detection == 2.71


def test_equal_and_unequal_forms_agree_at_equal_times() -> None:
    """Both forms give the same levels at equal times, within 0.2 % (2.33 is rounded from 1.645√2)."""
    equal = counting.equal_time_limits(background=40)

    unequal = counting.unequal_time_limits(background_cpm=40.0, minutes=1.0, background_minutes=1.0)

    assert unequal.critical == pytest.approx(equal.critical, rel=2e-3)
    assert unequal.detection == pytest.approx(equal.detection, rel=2e-3)


def test_cv45_least_detectable_alpha() -> None:
    """CV45: 0.5 cpm, 1 and 10 min, 0.30 give L_D 5.1499 and 17.166 dpm. Source: C4 (secondary). 1e-3 as listed."""
    limits = counting.unequal_time_limits(background_cpm=0.5, minutes=1.0, background_minutes=10.0)
    mda = counting.mda_dpm(background_cpm=0.5, minutes=1.0, background_minutes=10.0, efficiency=0.30)

    assert limits.detection == pytest.approx(5.1499, rel=1e-3)
    assert mda == pytest.approx(17.166, rel=1e-3)


def test_short_background_count_hardly_meets_20_dpm() -> None:
    """With one minute of background instead of ten the same detector reaches 19.99 dpm, just under 20."""
    mda = counting.mda_dpm(background_cpm=0.5, minutes=1.0, background_minutes=1.0, efficiency=0.30)

    assert mda == pytest.approx(19.99, abs=0.02)


def test_cv46_least_detectable_beta() -> None:
    """CV46: 60 cpm, 1 and 10 min, 0.25 give 117.75 dpm. Source: C4 (secondary). Relative 1e-3 as listed."""
    mda = counting.mda_dpm(background_cpm=60.0, minutes=1.0, background_minutes=10.0, efficiency=0.25)

    assert mda == pytest.approx(117.75, rel=1e-3)


def test_cv47_a_smear() -> None:
    """CV47: 38 in 2 min over 6 in 10 min at 0.35 is 52.571 ± 8.834 dpm. Source: C1, C2. Relative 1e-4, digits."""
    found = counting.smear(gross=38, minutes=2.0, background=6, background_minutes=10.0, efficiency=0.35)

    assert found.net_dpm == pytest.approx(52.571, rel=1e-4)
    assert found.u_dpm == pytest.approx(8.834, rel=1e-4)
    assert found.detected


def test_a_smear_tells_what_could_be_detected() -> None:
    """The smear of CV47 could detect L_D / (efficiency × minutes) = (2.71 + 3.29√1.44)/0.7 = 9.511 dpm."""
    found = counting.smear(gross=38, minutes=2.0, background=6, background_minutes=10.0, efficiency=0.35)

    assert found.mda_dpm == pytest.approx((2.71 + 3.29 * 1.2) / 0.7, rel=1e-12)


def test_a_smaller_area_is_scaled_to_100_cm2() -> None:
    """Wiping 25 cm² counts four times per 100 cm², value, uncertainty and capability alike."""
    whole = counting.smear(gross=38, minutes=2.0, background=6, background_minutes=10.0, efficiency=0.35)

    quarter = counting.smear(
        gross=38, minutes=2.0, background=6, background_minutes=10.0, efficiency=0.35, area_cm2=25.0
    )

    assert quarter.net_dpm == pytest.approx(4 * whole.net_dpm, rel=1e-12)
    assert quarter.u_dpm == pytest.approx(4 * whole.u_dpm, rel=1e-12)
    assert quarter.mda_dpm == pytest.approx(4 * whole.mda_dpm, rel=1e-12)
    assert quarter.detected == whole.detected


def test_negative_net_is_reported_as_measured() -> None:
    """A smear under background is told with its sign and is not detected, never lifted to zero."""
    found = counting.smear(gross=1, minutes=2.0, background=60, background_minutes=10.0, efficiency=0.35)

    assert found.net_dpm == pytest.approx((0.5 - 6.0) / 0.35)
    assert not found.detected


def test_detection_is_decided_by_the_critical_level() -> None:
    """Trap: a net between L_C and L_D is detected; judging by the detection limit would call it nothing."""
    limits = counting.unequal_time_limits(background_cpm=10.0, minutes=1.0, background_minutes=10.0)

    found = counting.smear(gross=18, minutes=1.0, background=100, background_minutes=10.0, efficiency=0.3)

    assert limits.critical < 8 < limits.detection
    assert found.detected


def test_cv48_stay_time() -> None:
    """CV48: 1.0 mR at 5 mR/h is 12.0 min. Source: non-destructive testing text (read). Exact."""
    assert counting.stay_time_min(allowed=1.0, received=0.0, rate_per_h=5.0) == 12.0


def test_cv49_stay_time_with_a_hold() -> None:
    """CV49: 100 mrem at 240 mrem/h is 25.0 min, 20.0 min at an 80 % hold. Source: C6. Exact but for one rounding."""
    assert counting.stay_time_min(allowed=100.0, received=0.0, rate_per_h=240.0) == 25.0
    assert counting.stay_time_min(allowed=100.0, received=0.0, rate_per_h=240.0, hold_fraction=0.8) == pytest.approx(
        20.0
    )


def test_dose_received_shortens_the_stay_and_can_end_it() -> None:
    """Half of the dose received leaves half the time; all of it leaves none and is refused."""
    assert counting.stay_time_min(allowed=100.0, received=50.0, rate_per_h=240.0) == 12.5
    with pytest.raises(OutOfRange, match="does not enter"):
        counting.stay_time_min(allowed=100.0, received=100.0, rate_per_h=240.0)


@pytest.mark.parametrize(
    "bad",
    [
        {"efficiency": 35.0},
        {"efficiency": 0.0},
        {"minutes": 0.0},
        {"background_minutes": -1.0},
        {"area_cm2": 0.0},
        {"efficiency": float("nan")},
    ],
)
def test_smear_refuses_what_cannot_be(bad: dict[str, float]) -> None:
    """A percentage for an efficiency, no time, no area and NaN are refused."""
    usual = {"minutes": 2.0, "background_minutes": 10.0, "efficiency": 0.35, "area_cm2": 100.0}

    with pytest.raises(OutOfRange):
        counting.smear(gross=38, background=6, **(usual | bad))


def test_negative_counts_are_refused() -> None:
    """Counts are never negative."""
    with pytest.raises(OutOfRange):
        counting.smear(gross=-1, minutes=1.0, background=0, background_minutes=1.0, efficiency=0.3)


@pytest.mark.parametrize(("dpm", "above"), [("19.9", False), ("20", False), ("20.0", False), ("20.1", True)])
def test_cv52_posting_is_greater_than(dpm: str, above: bool) -> None:
    """CV52: 20 dpm/100 cm² transuranic is not above its value, 20.1 is. Source: 10 CFR 835 App. D (read). Logic."""
    found = contamination.judge(group="transuranic", kind="removable", dpm_100cm2=dpm)

    assert found.above is above
    assert found.value_dpm == 20
    assert "10 CFR 835" in found.source


@pytest.mark.parametrize(
    ("group", "removable", "total"),
    [
        ("uranium", 1000, 5000),
        ("transuranic", 20, 500),
        ("thorium", 200, 1000),
        ("beta-gamma", 1000, 5000),
        ("tritium", 10_000, None),
    ],
)
def test_appendix_d_values(group: str, removable: int, total: int | None) -> None:
    """The table holds the appendix's values, the transuranic total being 500 and not a release table's 300."""
    found = contamination.APPENDIX_D[group]

    assert (found.removable_dpm, found.total_dpm) == (removable, total)


def test_contamination_refuses_unknown_groups_and_a_missing_value() -> None:
    """An unknown group, and the total of tritium, which is a note, are refused."""
    with pytest.raises(Invalid):
        contamination.judge(group="cobalt", kind="removable", dpm_100cm2="1")
    with pytest.raises(OutOfRange, match="no total value"):
        contamination.judge(group="tritium", kind="total", dpm_100cm2="1")


@pytest.mark.parametrize(
    ("dpm", "name"),
    [
        ("20", "not a contamination area"),
        ("20.1", "contamination area"),
        ("2000", "contamination area"),
        ("2000.1", "high contamination area"),
    ],
)
def test_posting_names(dpm: str, name: str) -> None:
    """Above the value it is a contamination area, above 100 times it a high one (a name that is unconfirmed)."""
    told = contamination.posting(group="transuranic", removable_dpm_100cm2=dpm)

    assert told.startswith(name)
    assert ("from memory, not confirmed" in told) is name.startswith("high")


def test_dpm_to_bq() -> None:
    """1000 dpm/100 cm² is 0.16667 Bq/cm² and 20 is 0.003333, exactly a sixth and a three-hundredth."""
    assert contamination.bq_cm2(dpm_100cm2=Fraction(1000)) == Fraction(1, 6)
    assert contamination.bq_cm2(dpm_100cm2=Fraction(20)) == Fraction(1, 300)
