"""Pressure drops since the last change, and their trend: which points count, and scipy as the reference for dates."""

from collections import Counter
from datetime import date, timedelta
from math import ceil, floor, sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize, stats

from app.domain.housing import Bank, BankDesign
from app.records.bank_trend import bank_trend, rate_words
from app.records.drops import DropSeries, Point, drop_series
from tests.records.told import Told, days_after, design, resistance, step

FIRST = "2025-03-03"
DAYS = (0, 31, 62, 90, 119, 152, 181, 211)
DROPS = (230.0, 243.0, 256.0, 279.0, 287.0, 309.0, 322.0, 341.0)


def series_of(days: tuple[int, ...], drops: tuple[float, ...]) -> DropSeries:
    """Return a series of plain points."""
    start = date.fromisoformat(FIRST)
    points = tuple(
        Point("", 0, start + timedelta(days=day), drop, None, None, "told", day=day)
        for day, drop in zip(days, drops, strict=True)
    )
    return DropSeries(Bank.HEPA, None, points, ())


def reference_window(days: tuple[int, ...], drops: tuple[float, ...], limit: float) -> tuple[float, float]:
    """Days on which the 95 % prediction band meets the limit: scipy's fit, its t quantile, and a root finder."""
    fit, n, mean = stats.linregress(days, drops), len(days), sum(days) / len(days)
    sxx = sum((day - mean) ** 2 for day in days)
    rest = sum((y - fit.intercept - fit.slope * x) ** 2 for x, y in zip(days, drops, strict=True))
    spread, t = sqrt(rest / (n - 2)), stats.t.ppf(0.975, n - 2)  # type: ignore[attr-defined]

    def edge(day: float, sign: int) -> float:
        half = t * spread * sqrt(1 + 1 / n + (day - mean) ** 2 / sxx)
        return float(fit.intercept + fit.slope * day + sign * half - limit)

    early, late = (optimize.brentq(edge, days[-1], 5000, args=(sign,)) for sign in (1, -1))  # type: ignore[no-untyped-call]
    return early, late


def test_the_days_of_the_window_are_those_of_scipy() -> None:
    """The band meets the limit on the days that an independent fit and root finder give, rounded to the safe side."""
    early, late = reference_window(DAYS, DROPS, 420.0)

    trend = bank_trend(series_of(DAYS, DROPS), BankDesign(change_drop_pa="420"))

    start = date.fromisoformat(FIRST)
    assert trend.early == start + timedelta(days=floor(early))
    assert trend.late == start + timedelta(days=ceil(late))
    assert trend.plan_on == trend.early
    assert rate_words(trend) == f"+{30 * stats.linregress(DAYS, DROPS).slope:.1f} Pa in 30 days"


@pytest.mark.parametrize(
    ("days", "drops", "limit", "words"),
    [
        (DAYS[:2], DROPS[:2], "420", "Rate only, no date"),
        (DAYS[:5], DROPS[:5], "300", "Few data"),
        (DAYS, (300.0, 310.0, 295.0, 306.0, 299.0, 304.0, 297.0, 305.0), "420", "No trend shown"),
        (DAYS, DROPS, "900", "The window lies beyond day 422"),
        (DAYS, DROPS[::-1], "420", "The resistance falls"),
    ],
)
def test_a_weak_forecast_says_so_and_gives_no_day(
    days: tuple[int, ...], drops: tuple[float, ...], limit: str, words: str
) -> None:
    """Few readings, no slope, a falling one, and a window too far ahead: told, and no day to plan with."""
    trend = bank_trend(series_of(days, drops), BankDesign(change_drop_pa=limit))

    assert trend.plan_on is None
    assert (trend.early is not None) == words.startswith(("Few", "The window"))
    assert any(note.startswith(words) for note in trend.notes)


def test_a_reading_at_its_limit_is_due_on_its_own_day() -> None:
    """A present reading outranks any forecast, even one from few readings."""
    trend = bank_trend(series_of((0, 40), (300.0, 421.0)), BankDesign(change_drop_pa="420"))

    assert trend.plan_on == date(2025, 4, 12)
    assert trend.notes[0].startswith("Due now")


def test_without_a_limit_or_with_one_reading_there_is_no_forecast() -> None:
    """What is missing is named."""
    without = bank_trend(series_of(DAYS, DROPS), BankDesign())
    alone = bank_trend(series_of((0,), (300.0,)), BankDesign(change_drop_pa="420"))

    assert without.fit is not None
    assert without.notes == ("The site gives no resistance at which this bank is changed, so there is no date.",)
    assert alone.notes == ("One reading on record: no trend.",)
    assert (without.plan_on, alone.plan_on) == (None, None)


@given(st.floats(0.05, 5.0), st.lists(st.floats(-3.0, 3.0), min_size=8, max_size=8), st.integers(0, 4000))
def test_moving_a_series_in_time_moves_its_days_alike(slope: float, noise: list[float], away: int) -> None:
    """The same readings some days later are due as many days later."""
    drops = tuple(200 + slope * day + off for day, off in zip(DAYS, noise, strict=True))
    design_ = BankDesign(change_drop_pa=str(round(drops[-1] + 20 * slope + 5, 3)))
    here = series_of(DAYS, drops)
    moved = DropSeries(
        here.bank, None,
        tuple(Point("", 0, p.on + timedelta(days=away), p.read_pa, None, None, "", day=p.day) for p in here.points), (),
    )  # fmt: skip

    one, other = bank_trend(here, design_), bank_trend(moved, design_)

    for before, after in ((one.early, other.early), (one.late, other.late), (one.plan_on, other.plan_on)):
        assert (before is None) == (after is None)
        assert before is None or after == before + timedelta(days=away)


def test_readings_are_brought_to_rated_flow_where_the_flow_is_known() -> None:
    """At half the rated flow a laminar drop is half; without a flow or a rated flow it stands as read, and is told."""
    told = design(Told(), rated_flow_m3_h="1700")
    told.read("2026-01-05", "300", "1615")
    told.read("2026-01-06", "300")

    found = drop_series(told.known, Bank.HEPA)
    plain = drop_series(design(told).known, Bank.HEPA)

    assert [point.pa for point in found.points] == [pytest.approx(300 * 1700 / 1615), 300.0]
    assert any("without a flow are used as read" in note for note in found.notes)
    assert any("21.1 °C is assumed" in note for note in found.notes)
    assert [point.pa for point in plain.points] == [300.0, 300.0]
    assert any("No rated flow is given" in note for note in plain.notes)


def test_warm_air_reads_higher_and_is_brought_down() -> None:
    """Viscosity rises with temperature, so a drop read in warm air is smaller at the reference temperature."""
    told = design(Told(), rated_flow_m3_h="1700")
    told.read("2026-01-05", "300", "1700", temp_c="45")

    (point,) = drop_series(told.known, Bank.HEPA).points

    assert 270 < point.pa < 290


def test_what_stays_out_of_the_trend_stays_in_sight_with_its_reason() -> None:
    """Far from rated flow, and all but the newest of a day: in the table, not in the trend."""
    told = design(Told(), rated_flow_m3_h="1700")
    told.read("2026-01-05", "250", "1500")
    told.read("2026-01-06", "300", "1700", at="2026-01-06T08:00:00.000Z")
    told.read("2026-01-06", "310", "1700", at="2026-01-06T09:00:00.000Z")

    found = drop_series(told.known, Bank.HEPA)

    assert [(point.read_pa, point.why_not) for point in found.points] == [
        (250.0, "more than 10 % from rated flow"), (300.0, "a later one of the same day counts"), (310.0, ""),
    ]  # fmt: skip
    assert [point.day for point in found.points] == [-1, 0, 0]
    assert any(note.startswith("2 readings are left out") for note in found.notes)


def test_a_struck_reading_gives_no_point_nor_does_one_of_another_bank_or_housing() -> None:
    """Only unstruck readings of this bank of this housing count."""
    told = Told()
    told.read("2026-01-05", "300")
    told.strike(told.read("2026-01-06", "900"), "hose off")
    told.read("2026-01-07", "400", bank="carbon")

    assert [point.read_pa for point in drop_series(told.known, Bank.HEPA).points] == [300.0]


def test_a_change_of_filters_starts_a_new_series() -> None:
    """What was read before the filters were slid in is history; the job's own reading after it is the first point."""
    told = Told()
    told.read("2026-01-05", "600")
    job = told.job([step("before"), step("slide", position=1, slides=True), step("after")])
    job.done("before", "2026-01-10T09:00:00.000Z", resistance("640", "641"))
    job.done("slide", "2026-01-10T11:00:00.000Z")
    job.done("after", "2026-01-10T15:00:00.000Z", resistance("300", "301", "1690"))
    told.read("2026-02-09", "310")

    found = drop_series(told.known, Bank.HEPA)

    assert found.changed_on == date(2026, 1, 10)
    assert [(point.day, point.read_pa, point.pa) for point in found.points] == [(0, 300.0, 301.0), (30, 310.0, 310.0)]
    assert found.points[0].origin == "job 2026-0001, step 3"


def test_the_filters_before_keep_what_was_read_of_them() -> None:
    """Each run ends where the next begins; a day's reading that may be of either stands with the later filters."""
    told = Told()
    told.read("2026-01-05", "600")
    for at in ("2026-01-10", "2026-02-10"):
        job = told.job(
            [step("before"), step("slide", position=1, slides=True), step("after")], at=f"{at}T08:00:00.000Z"
        )
        job.done("before", f"{at}T09:00:00.000Z", resistance("640", "641"))
        job.done("slide", f"{at}T11:00:00.000Z")
        job.done("after", f"{at}T15:00:00.000Z", resistance("300", "301"))
    told.read("2026-02-10", "602", at="2026-02-12T12:00:00.000Z")
    told.read("2026-02-10", "631", at="2026-02-10T10:00:00.000Z")
    told.read("2026-03-01", "310")

    now, one, two = (drop_series(told.known, Bank.HEPA, before=ago) for ago in range(3))

    assert [(run.changed_on, run.ended_on) for run in (two, one, now)] == [
        (None, date(2026, 1, 10)), (date(2026, 1, 10), date(2026, 2, 10)), (date(2026, 2, 10), None),
    ]  # fmt: skip
    assert [point.read_pa for point in two.points] == [600.0, 640.0]
    assert [(point.read_pa, bool(point.why_not)) for point in one.points] == [
        (300.0, False), (640.0, True), (631.0, False),
    ]  # fmt: skip
    assert [point.read_pa for point in now.points] == [631.0, 602.0, 300.0, 310.0]


DAY = st.integers(1, 28).map(lambda day: f"2026-01-{day:02d}")


@given(
    changes=st.lists(st.tuples(DAY, st.integers(0, 23)), max_size=4, unique=True),
    reads=st.lists(st.tuples(DAY, st.integers(0, 23), st.integers(0, 2)), max_size=12),
)
def test_every_reading_is_used_in_at_most_one_run_and_shown_in_one(
    changes: list[tuple[str, int]], reads: list[tuple[str, int, int]]
) -> None:
    """However often filters were changed, no reading is lost between two runs and none counts twice."""
    told = Told()
    for day, hour in changes:
        job = told.job([step("slide", position=1, slides=True)], at=f"{day}T00:00:00.000Z")
        job.done("slide", f"{day}T{hour:02d}:30:00.000Z")
    entries = [
        told.read(day, "300", at=f"{date.fromisoformat(day) + timedelta(days=later)}T{hour:02d}:15:00.000Z")
        for day, hour, later in reads
    ]

    runs = [drop_series(told.known, Bank.HEPA, before=ago) for ago in range(len(changes) + 1)]
    used = Counter(point.entry for run in runs for point in run.used)

    assert {point.entry for run in runs for point in run.points} == set(entries)
    assert all(count == 1 for count in used.values())


def test_a_reading_of_the_day_of_the_change_counts_only_if_its_hour_is_known_to_be_after_it() -> None:
    """Entered that day after the change it counts; entered before it, or on a later day, it does not."""
    told = Told()
    told.job([step("slide", position=1, slides=True)]).done("slide", "2026-01-10T11:00:00.000Z")
    told.read("2026-01-10", "601", at="2026-01-10T10:00:00.000Z")
    told.read("2026-01-10", "302", at="2026-01-10T13:00:00.000Z")
    told.read("2026-01-10", "603", at="2026-01-12T12:00:00.000Z")

    found = drop_series(told.known, Bank.HEPA)

    assert [(point.read_pa, point.why_not) for point in found.points] == [
        (601.0, "read before the filters were changed"),
        (603.0, "of the day of the change: whether before or after it is not known"),
        (302.0, ""),
    ]


def test_attempts_marks_taken_back_and_rehearsals_give_the_trend_no_point() -> None:
    """An attempt and a mark taken back are shown and left out; a rehearsal is not shown at all."""
    told = Told()
    job = told.job([step("read"), step("again")])
    job.outside("read", "2026-01-10T09:00:00.000Z", resistance("900", "900", within=False))
    job.done("read", "2026-01-11T09:00:00.000Z", resistance("300", "300")).taken_back(
        "read", "2026-01-11T10:00:00.000Z"
    )
    job.done("again", "2026-01-12T09:00:00.000Z", resistance("305", "305"))
    told.job([step("read")], rehearsal=True).done("read", "2026-01-13T09:00:00.000Z", resistance("1", "1"))

    found = drop_series(told.known, Bank.HEPA)

    assert [(point.read_pa, point.why_not) for point in found.points] == [
        (900.0, "an attempt outside its limit"),
        (300.0, "the reading was taken again, or its mark taken back"),
        (305.0, ""),
    ]  # fmt: skip


@pytest.mark.parametrize("zone", ["Pacific/Auckland", "America/Los_Angeles"])
def test_days_are_those_of_the_sites_calendar(zone: str) -> None:
    """A change late in the evening by UTC falls on the day that the site's calendar shows."""
    told = Told(zone=zone)
    told.job([step("slide", position=1, slides=True)]).done("slide", "2026-01-10T23:30:00.000Z")

    assert drop_series(told.known, Bank.HEPA).changed_on == date(2026, 1, 11 if zone.startswith("Pacific") else 10)


def test_told_days_are_counted_by_the_calendar() -> None:
    """February 2024 has 29 days: from 28 January to 1 March are 33."""
    told = Told()
    told.read("2024-01-28", "300")
    told.read(days_after("2024-01-28", 33), "310")

    assert [(point.day, point.on) for point in drop_series(told.known, Bank.HEPA).points] == [
        (0, date(2024, 1, 28)), (33, date(2024, 3, 1)),
    ]  # fmt: skip
