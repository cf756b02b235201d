"""The trend of one bank's pressure drops: when it meets the resistance at which the site changes the filters.

Rules kept here:
- the rules of the forecast stand (calc.forecast): few data, no trend, a window too far ahead give no day to plan with;
- the day to plan with is the early side of the band, a day or less early and never late;
- a present reading at the limit is due on its own day, whatever a forecast says.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date
from math import ceil, floor

from app.calc.bounds import plain
from app.calc.forecast import FEW_DATA, Forecast, forecast
from app.calc.trend import LeastSquares, least_squares
from app.domain.housing import BankDesign
from app.records.drops import DropSeries, real

_CENTURY = 36_525


@dataclass(frozen=True, slots=True)
class BankTrend:
    """A series with what may be said of it.

    early, late: days on which the prediction band meets the limit.  plan_on: the day to plan with, None where the
    forecast's rules give none.  notes: everything to be told, the series' own notes first.
    """

    series: DropSeries
    limit_pa: float | None
    fit: LeastSquares | None = None
    forecast: Forecast | None = None
    early: date | None = None
    late: date | None = None
    plan_on: date | None = None
    notes: tuple[str, ...] = ()


def bank_trend(series: DropSeries, design: BankDesign) -> BankTrend:
    """Fit the series and say when it meets the bank's change resistance, as far as the rules allow."""
    limit = None if design.change_drop_pa is None else real(design.change_drop_pa)
    days, drops = [float(point.day) for point in series.used], [point.pa for point in series.used]
    fit = least_squares(days=days, dp_pa=drops) if len(days) >= 3 else None
    if limit is None or len(days) < 2:
        return BankTrend(series, limit, fit, notes=(*series.notes, *_no_forecast(series, limit)))
    found = forecast(days=days, dp_pa=drops, limit_pa=limit)
    first = series.used[0].on
    return BankTrend(
        series=series,
        limit_pa=limit,
        fit=fit,
        forecast=found,
        early=_date(first, found.due_early, floor),
        late=_date(first, found.due_late, ceil),
        plan_on=_plan_on(series, found, len(days)),
        notes=(*series.notes, *found.notes),
    )


def past_trend(series: DropSeries, design: BankDesign) -> BankTrend:
    """Fit the series of filters that are gone; nothing is forecast of them."""
    limit = None if design.change_drop_pa is None else real(design.change_drop_pa)
    days, drops = [float(point.day) for point in series.used], [point.pa for point in series.used]
    fit = least_squares(days=days, dp_pa=drops) if len(days) >= 3 else None
    return BankTrend(series, limit, fit, notes=series.notes)


def _no_forecast(series: DropSeries, limit: float | None) -> Iterator[str]:
    if limit is None:
        yield "The site gives no resistance at which this bank is changed, so there is no date."
    if len(series.used) < 2:
        since = " since the filters were changed" if series.changed_on else " on record"
        yield f"{'One reading' if series.used else 'No reading'}{since}: no trend."


def _date(first: date, day: float | None, whole: Callable[[float], int]) -> date | None:
    """The calendar day of a day of the series, not before its first; None for none and beyond a century."""
    if day is None or day > _CENTURY:
        return None
    return date.fromordinal(first.toordinal() + max(0, whole(day)))


def _plan_on(series: DropSeries, found: Forecast, count: int) -> date | None:
    if not found.within_limit:
        return series.used[-1].on
    if count <= FEW_DATA or found.due_early is None or found.due_early > found.horizon_day:
        return None
    return _date(series.used[0].on, found.due_early, floor)


def rate_words(trend: BankTrend) -> str:
    """Say how fast the resistance changes, in Pa a month of 30 days; empty where no line was fitted."""
    slope = trend.forecast.slope_per_day if trend.forecast else trend.fit.line.slope_per_day if trend.fit else None
    if slope is None:
        return ""
    rate = 30 * slope
    return f"{'+' if rate > 0 else ''}{plain(round(rate, 1))} Pa in 30 days"
