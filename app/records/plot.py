"""The trend of a bank's pressure drop as a drawing: readings, line, band, limit and the span in which it is due.

One pure function from a trend to SVG bytes, the same for the screen and for the printed record.  Ink on paper:
marks, line styles and hatching carry the meaning, colour never; letters are drawn as paths, so that every reader
shows the same.  The same trend gives the same bytes.
"""

import re
from collections.abc import Sequence
from datetime import date
from functools import lru_cache
from io import BytesIO
from math import ceil, floor
from threading import Lock
from typing import Any
from xml.sax.saxutils import escape

from app.calc.bounds import plain
from app.calc.errors import Invalid
from app.records.bank_trend import BankTrend

INK, PAPER = "#1b1f24", "#fbfaf5"
SIZE_IN = (8.2, 4.9)
TEXT_PT = 15
STEPS = 60
MOST_TICKS = 7
_STYLE = re.compile(r'style="([^"]*)"')
_SHEET = re.compile(r"\s*<defs>\s*<style[^>]*>[^<]*</style>\s*</defs>")
_ONE_AT_A_TIME = Lock()
"""The settings of the drawing library are shared by all threads."""
_SETTINGS: Any = {
    "svg.hashsalt": "changeout", "svg.fonttype": "path", "font.family": ["DejaVu Sans"], "font.size": TEXT_PT,
    "hatch.linewidth": 1.6, "hatch.color": INK, "text.color": INK, "axes.edgecolor": INK, "axes.labelcolor": INK,
    "xtick.color": INK, "ytick.color": INK, "axes.linewidth": 1.6, "xtick.major.width": 1.6, "ytick.major.width": 1.6,
    "figure.facecolor": PAPER, "axes.facecolor": PAPER, "legend.frameon": False, "path.simplify": False,
}  # fmt: skip


def words_of(trend: BankTrend, *, title: str) -> str:
    """Say in one paragraph what the drawing shows, for whoever does not see it."""
    used = trend.series.used
    parts = [f"{title}. {len(used)} reading{'' if len(used) == 1 else 's'}"]
    parts += [f" from {used[0].on} ({used[0].pa:.0f} Pa) to {used[-1].on} ({used[-1].pa:.0f} Pa)"] if used else []
    parts += [f", limit {plain(trend.limit_pa)} Pa"] if trend.limit_pa is not None else []
    parts += [f", band meets the limit from {trend.early} to {trend.late or 'an unknown day'}"] if trend.early else []
    return "".join(parts) + "."


@lru_cache(maxsize=64)
def trend_svg(trend: BankTrend, *, title: str) -> bytes:
    """Return the drawing of a trend as SVG with a title and a description; Invalid where there is nothing to draw."""
    if not trend.series.points:
        raise Invalid("There is no reading of these filters, so there is nothing to draw. Enter one.")
    with _ONE_AT_A_TIME:
        drawn = _drawn(trend)
    return _told(drawn, title, words_of(trend, title=title))


def _told(svg: bytes, title: str, described: str) -> bytes:
    """Put title and description where screen readers look for them, in place of the library's own metadata.

    Styles become attributes, since the site's pages allow no inline style, not even in a drawing opened by itself.
    """
    text = svg.decode("utf-8")
    body = _STYLE.sub(lambda found: _attributes(found[1]), _SHEET.sub("", text[text.index("<svg ") :]))
    start, end = body.index("<metadata>"), body.index("</metadata>") + len("</metadata>")
    words = f'<title id="plot-title">{escape(title)}</title>\n <desc id="plot-words">{escape(described)}</desc>'
    told = body[:start] + words + body[end:]
    head = '<svg role="img" aria-labelledby="plot-title plot-words" stroke-linejoin="round" stroke-linecap="butt" '
    return told.replace("<svg ", head, 1).encode("utf-8")


def _attributes(style: str) -> str:
    """Write `fill: none; stroke: #000` as attributes of the element."""
    pairs = [part.partition(":") for part in style.split(";") if part.strip()]
    return " ".join(f'{name.strip()}="{value.strip()}"' for name, _, value in pairs)


def _drawn(trend: BankTrend) -> bytes:
    import matplotlib as mpl
    from matplotlib.figure import Figure

    with mpl.rc_context(_SETTINGS):
        figure = Figure(figsize=SIZE_IN, layout="constrained")
        axes = figure.add_subplot()
        last = _last_day(trend)
        _draw_window(axes, trend, last)
        _draw_line(axes, trend, last)
        _draw_limit(axes, trend)
        _draw_points(axes, trend)
        _draw_axes(axes, trend, last)
        handles, _ = axes.get_legend_handles_labels()
        figure.legend(loc="outside lower center", ncols=2, fontsize=TEXT_PT - 1, columnspacing=1.4, handlelength=3)
        assert handles
        held = BytesIO()
        figure.savefig(held, format="svg", metadata={"Date": None, "Creator": None})
    return held.getvalue()


def _first_day(trend: BankTrend) -> int:
    return min(point.on for point in trend.series.points).toordinal()


def _last_day(trend: BankTrend) -> int:
    """The right edge: the newest reading, or as far ahead as the due span goes and the forecast may look."""
    newest = max(point.on for point in trend.series.points).toordinal()
    if trend.forecast is None or trend.early is None:
        return newest
    horizon = trend.series.used[0].on.toordinal() + floor(trend.forecast.horizon_day)
    late = trend.late.toordinal() if trend.late else horizon
    return max(newest, min(late, horizon))


def _draw_points(axes: Any, trend: BankTrend) -> None:
    used = trend.series.used
    out = [point for point in trend.series.points if point.why_not]
    axes.plot(
        [point.on.toordinal() for point in used], [point.pa for point in used],
        linestyle="none", marker="o", markersize=8, color=INK, label="reading", zorder=5,
    )  # fmt: skip
    if out:
        axes.plot(
            [point.on.toordinal() for point in out], [point.pa for point in out], linestyle="none", marker="x",
            markersize=10, markeredgewidth=2.2, color=INK, label="left out of the trend", zorder=5,
        )  # fmt: skip


def _draw_line(axes: Any, trend: BankTrend, last: int) -> None:
    """The fitted line, whole over the readings and broken ahead of them, with the edges of its band dotted."""
    if trend.fit is None:
        return
    fit, first = trend.fit, trend.series.used[0].on.toordinal()
    newest = trend.series.used[-1].on.toordinal()
    at = fit.line.at
    axes.plot([first, newest], [at(0), at(newest - first)], color=INK, linewidth=2.4, label="fitted line")
    if last > newest:
        axes.plot(
            [newest, last], [at(newest - first), at(last - first)], color=INK, linewidth=2.4, linestyle=(0, (6, 4))
        )
    days = [first + (last - first) * step / STEPS for step in range(STEPS + 1)]
    for side, label in ((0, "95 % prediction band"), (1, None)):
        edge = [fit.prediction(day - first)[side] for day in days]
        axes.plot(days, edge, color=INK, linewidth=1.8, linestyle=(0, (1, 2.2)), label=label)


def _draw_limit(axes: Any, trend: BankTrend) -> None:
    if trend.limit_pa is not None:
        label = f"change at {plain(trend.limit_pa)} Pa"
        axes.axhline(trend.limit_pa, color=INK, linewidth=3.2, linestyle=(0, (5, 1.6, 1, 1.6)), label=label)


def _draw_window(axes: Any, trend: BankTrend, last: int) -> None:
    """The span in which the band meets the limit, hatched, as far as it lies within the drawing."""
    if trend.early is None or trend.early.toordinal() > last:
        return
    end = min(trend.late.toordinal(), last) if trend.late else last
    axes.axvspan(
        trend.early.toordinal(), max(end, trend.early.toordinal() + 1), facecolor="none", edgecolor=INK, hatch="//",
        linewidth=1.2, label="due span", zorder=0,
    )  # fmt: skip


def _draw_axes(axes: Any, trend: BankTrend, last: int) -> None:
    first = _first_day(trend)
    margin = max(2.0, 0.04 * (last - first))
    axes.set_xlim(first - margin, last + margin)
    drops = [point.pa for point in trend.series.points] + ([trend.limit_pa] if trend.limit_pa is not None else [])
    room = max(5.0, 0.1 * (max(drops) - min(drops)))
    axes.set_ylim(max(0.0, min(drops) - room), max(drops) + room)
    ticks = date_ticks(date.fromordinal(first), date.fromordinal(last))
    axes.set_xticks([on.toordinal() for on, _ in ticks], [label for _, label in ticks])
    axes.set_ylabel("pressure drop, Pa")
    axes.spines[["top", "right"]].set_visible(False)


def date_ticks(first: date, last: date) -> Sequence[tuple[date, str]]:
    """Return at most seven days to letter from first to last: firsts of months, or single days over a short span."""
    months = 12 * (last.year - first.year) + last.month - first.month
    if months < 3:
        step = max(1, ceil((last - first).days / (MOST_TICKS - 2)))
        days = range(first.toordinal(), last.toordinal() + 1, step)
        return [(date.fromordinal(day), date.fromordinal(day).strftime("%m-%d")) for day in days]
    step = next(step for step in (1, 2, 3, 4, 6, 12, 24, 60, 120, 600) if months / step <= MOST_TICKS - 1)
    start = 12 * first.year + first.month - 1
    found = [date(month // 12, month % 12 + 1, 1) for month in range(start, start + months + 1) if month % step == 0]
    return [(on, f"{on:%Y-%m}") for on in found if first <= on <= last]
