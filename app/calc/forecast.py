"""What may be said of the day on which a resistance reaches its limit.

Rules kept here (source forecast-rules):
- fewer than three readings give a rate and no date; three to five give a range that is marked "few data";
- a slope whose interval includes zero shows no trend, so no window is given;
- a date farther ahead than the readings reach back is marked as such;
- n, span, method, limit and interval are always told, and a present reading over the limit outranks any forecast;
- gaps and steps are told: a step is an event, and a fall at constant flow suggests a breach or a bypass.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median
from typing import Literal, assert_never

from app.calc.bounds import above, plain
from app.calc.errors import Invalid
from app.calc.trend import LeastSquares, Line, check_series, due_window, fit_line, least_squares, theil_sen

Method = Literal["least-squares", "theil-sen"]

FEW_DATA = 5
"""Up to this many readings a range is marked "few data"."""
GAP_FACTOR = 3.0
"""An interval this many times the usual one is told as a gap (this program's rule)."""
STEP_FACTOR = 4.0
STEP_SHARE = 0.10
"""A change between neighbours, off their median rate, over 4 times the usual and 10 % of the median is a step."""

_NAMES: dict[str, Method] = {
    "least-squares": "least-squares",
    "least-square": "least-squares",
    "ols": "least-squares",
    "theil-sen": "theil-sen",
    "theilsen": "theil-sen",
}


@dataclass(frozen=True, slots=True)
class Forecast:
    """Days in the series' own count; `due_day` is where the fitted line, early and late where the band, meets it."""

    method: Method
    slope_per_day: float
    due_day: float | None
    due_early: float | None
    due_late: float | None
    within_limit: bool
    horizon_day: float
    notes: tuple[str, ...]

    @property
    def note(self) -> str:
        """All notes as one text."""
        return " ".join(self.notes)


def method_from_text(text: str) -> Method:
    """Read a method's name, in any case and with spaces, hyphens or underscores; Invalid for another."""
    method = _NAMES.get(text.strip().lower().replace("_", "-").replace(" ", "-").replace("–", "-"))
    if method is None:
        raise Invalid(f"Trend method '{text[:40]}' is not known: use least-squares or Theil-Sen.")
    return method


def forecast(
    *,
    days: Sequence[float],
    dp_pa: Sequence[float],
    limit_pa: float,
    method: Method = "least-squares",
) -> Forecast:
    """Fit a trend and say when it meets the limit, as far as the rules allow.

    Days ascend from 0 or later; readings and limit are resistances at rated flow, above 0 to 50 000 Pa.
    The band is that of least squares for either method. Sources least-squares, theil-sen, forecast-rules.
    """
    above(limit_pa, 0.0, 50_000.0, name="Limit", unit="Pa")
    check_series(days=days, dp_pa=dp_pa)
    line = _line(days, dp_pa, method)
    fit = least_squares(days=days, dp_pa=dp_pa) if len(days) >= 3 else None
    window = due_window(fit=fit, limit_pa=limit_pa) if fit else None
    due_day = line.meets(limit_pa) if fit else None
    early, late = window or (None, None)
    span = days[-1] - days[0]
    notes = (
        *_present(dp_pa[-1], limit_pa),
        _told(len(days), span, method, limit_pa),
        *_worth(fit, line, early, days[-1] + span),
        *_irregular(days, dp_pa),
    )
    return Forecast(method, line.slope_per_day, due_day, early, late, dp_pa[-1] < limit_pa, days[-1] + span, notes)


def _line(days: Sequence[float], dp_pa: Sequence[float], method: Method) -> Line:
    match method:
        case "least-squares":
            return fit_line(days=days, dp_pa=dp_pa)
        case "theil-sen":
            return theil_sen(days=days, dp_pa=dp_pa).line
        case _:
            assert_never(method)


def _present(last_pa: float, limit_pa: float) -> Iterator[str]:
    if last_pa >= limit_pa:
        yield f"Due now: the last reading, {plain(last_pa)} Pa, has reached the limit."


def _told(n: int, span: float, method: Method, limit_pa: float) -> str:
    return (
        f"{n} readings over {plain(span)} days, {method}, limit {plain(limit_pa)} Pa, "
        "95 % prediction band of least squares."
    )


def _worth(fit: LeastSquares | None, line: Line, early: float | None, horizon: float) -> Iterator[str]:
    """What the number of readings, the slope and the reach of the forecast allow to be said."""
    if fit is None:
        yield "Rate only, no date: fewer than three readings."
        return
    if fit.n <= FEW_DATA:
        yield f"Few data: {fit.n} readings give a range, not a date."
    if early is None and fit.slope_interval[1] < 0:
        yield "The resistance falls, so no date: at constant flow look for a breach or a bypass."
    elif early is None:
        yield "No trend shown: the 95 % interval of the slope includes zero, so there is no window to plan with."
    if early is not None and early > horizon:
        yield (
            f"The window lies beyond day {plain(horizon)}, farther ahead than the readings reach back: "
            "read on before planning with it."
        )
    if line.slope_per_day <= 0 and early is not None:
        yield "The two methods disagree on the sign of the slope: look at the readings."


def _irregular(days: Sequence[float], dp_pa: Sequence[float]) -> Iterator[str]:
    """Gaps and steps, from four readings on."""
    if len(days) < 4:
        return
    intervals = [after - before for before, after in pairwise(days)]
    usual = median(intervals)
    for start, interval in zip(days, intervals, strict=False):
        if interval > GAP_FACTOR * usual:
            yield f"Gap: no reading between day {plain(start)} and day {plain(start + interval)}."
    rises = [after - before for before, after in pairwise(dp_pa)]
    rate = median(rise / interval for rise, interval in zip(rises, intervals, strict=True))
    jumps = [rise - rate * interval for rise, interval in zip(rises, intervals, strict=True)]
    least = max(STEP_FACTOR * median(abs(jump) for jump in jumps), STEP_SHARE * median(dp_pa))
    for start, interval, jump in zip(days, intervals, jumps, strict=False):
        if abs(jump) > least:
            yield _step(start, start + interval, jump)


def _step(start: float, end: float, jump: float) -> str:
    meaning = "a fall at constant flow suggests a breach or a bypass" if jump < 0 else "treat it as an event"
    return (
        f"Step of {plain(round(jump, 6))} Pa between day {plain(start)} and day {plain(end)}: {meaning}, and start a "
        "new series if something was changed."
    )
