"""Straight-line trends of resistance against time, and their uncertainty.

Rules kept here:
- the interval is that of a *new reading* (prediction), not that of the line;
- Theil-Sen has two intercept conventions; both are given and named, the first being the usual one of libraries;
- a line needs two different days, an interval three readings.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise
from statistics import median

from app.calc.bounds import above, plain, within
from app.calc.errors import Invalid, OutOfRange

_CENTURY_DAYS = 36_525.0


@dataclass(frozen=True, slots=True)
class Line:
    """dp = intercept + slope × day; slope in Pa per day."""

    slope_per_day: float
    intercept_pa: float

    def at(self, day: float) -> float:
        """Resistance on a day, Pa."""
        return self.intercept_pa + self.slope_per_day * day

    def meets(self, limit_pa: float) -> float | None:
        """The day on which a rising line reaches the limit, or None for a line that does not rise."""
        return (limit_pa - self.intercept_pa) / self.slope_per_day if self.slope_per_day > 0 else None


@dataclass(frozen=True, slots=True)
class LeastSquares:
    """T1: line, residual standard deviation s (Pa), mean day, Sxx (day²), and t(0.975, n - 2)."""

    line: Line
    n: int
    s_pa: float
    mean_day: float
    sxx: float
    t_975: float

    @property
    def slope_interval(self) -> tuple[float, float]:
        """95 % interval of the slope, Pa per day."""
        half = self.t_975 * self.s_pa / math.sqrt(self.sxx)
        return self.line.slope_per_day - half, self.line.slope_per_day + half

    def prediction(self, day: float) -> tuple[float, float]:
        """T2: 95 % interval of a new reading on a day, Pa."""
        half = self.t_975 * self.s_pa * math.sqrt(1 + 1 / self.n + (day - self.mean_day) ** 2 / self.sxx)
        return self.line.at(day) - half, self.line.at(day) + half


def check_series(*, days: Sequence[float], dp_pa: Sequence[float]) -> None:
    """Refuse what is no series: unequal lists, days out of order, twice, negative or over a century, dp not above 0."""
    if len(days) != len(dp_pa):
        raise Invalid(f"{len(days)} days were given for {len(dp_pa)} readings: give one reading for each day.")
    for day, dp in zip(days, dp_pa, strict=True):
        within(day, 0.0, _CENTURY_DAYS, name="Day")
        above(dp, 0.0, 50_000.0, name="Resistance", unit="Pa")
    for before, after in pairwise(days):
        if after <= before:
            raise OutOfRange(
                f"Day {plain(after)} follows day {plain(before)}: give readings in order of time, one for each day.",
            )


def t_quantile_975(degrees_of_freedom: int) -> float:
    """Student's t at 0.975, for one degree of freedom or more."""
    from scipy.special import stdtrit

    within(float(degrees_of_freedom), 1.0, 1e6, name="Degrees of freedom", source_id="algebra")
    return float(stdtrit(degrees_of_freedom, 0.975))


def fit_line(*, days: Sequence[float], dp_pa: Sequence[float]) -> Line:
    """T1: least-squares line through two readings or more; OutOfRange for fewer."""
    check_series(days=days, dp_pa=dp_pa)
    if len(days) < 2:
        raise OutOfRange(f"{len(days)} reading has no trend: give two readings or more, of different days.")
    mean_x, mean_y = math.fsum(days) / len(days), math.fsum(dp_pa) / len(days)
    sxx = math.fsum((x - mean_x) ** 2 for x in days)
    slope = math.fsum((x - mean_x) * (y - mean_y) for x, y in zip(days, dp_pa, strict=True)) / sxx
    return Line(slope, mean_y - slope * mean_x)


def least_squares(*, days: Sequence[float], dp_pa: Sequence[float]) -> LeastSquares:
    """T1 with its uncertainty, from three readings or more; OutOfRange for fewer (source least-squares)."""
    line = fit_line(days=days, dp_pa=dp_pa)
    n = len(days)
    if n < 3:
        raise OutOfRange(f"{n} readings give a rate but no interval and no date: give three readings or more.")
    mean_x = math.fsum(days) / n
    sxx = math.fsum((x - mean_x) ** 2 for x in days)
    sse = math.fsum((y - line.at(x)) ** 2 for x, y in zip(days, dp_pa, strict=True))
    return LeastSquares(line, n, math.sqrt(sse / (n - 2)), mean_x, sxx, t_quantile_975(n - 2))


def due_window(*, fit: LeastSquares, limit_pa: float) -> tuple[float, float] | None:
    """T3: days on which the upper and the lower prediction bound reach the limit (early, late).

    None where the slope's interval includes zero or the line falls: then the lower bound never gets there.
    Both are roots of (b u - c)² = k² (1 + 1/n + u²/Sxx), u counted from the mean day.
    """
    above(limit_pa, 0.0, 50_000.0, name="Limit", unit="Pa")
    if fit.slope_interval[0] <= 0:
        return None
    slope, low, high = fit.line.slope_per_day, *fit.slope_interval
    gap = limit_pa - fit.line.at(fit.mean_day)
    lead = low * high
    root = fit.t_975 * fit.s_pa * math.sqrt(lead * (1 + 1 / fit.n) + gap**2 / fit.sxx)
    early, late = (slope * gap - root) / lead, (slope * gap + root) / lead
    return fit.mean_day + early, fit.mean_day + late


@dataclass(frozen=True, slots=True)
class TheilSen:
    """T4: median slope with both intercepts: of the medians, and the median of y - m x."""

    line: Line
    median_residual_intercept_pa: float


def theil_sen(*, days: Sequence[float], dp_pa: Sequence[float]) -> TheilSen:
    """T4: a line that one bad reading hardly moves, from two readings or more (source theil-sen)."""
    check_series(days=days, dp_pa=dp_pa)
    if len(days) < 2:
        raise OutOfRange(f"{len(days)} reading has no trend: give two readings or more, of different days.")
    pairs = combinations(zip(days, dp_pa, strict=True), 2)
    slope = median((y2 - y1) / (x2 - x1) for (x1, y1), (x2, y2) in pairs)
    of_residuals = median(y - slope * x for x, y in zip(days, dp_pa, strict=True))
    return TheilSen(Line(slope, median(dp_pa) - slope * median(days)), of_residuals)
