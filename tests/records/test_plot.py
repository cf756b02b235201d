"""The drawing of a trend: well-formed, told in words, the same bytes each time, and nothing that a page forbids."""

from datetime import date, timedelta
from xml.etree import ElementTree as ET

import pytest

from app.calc.errors import Invalid
from app.domain.housing import Bank, BankDesign
from app.records.bank_trend import BankTrend, bank_trend
from app.records.drops import DropSeries, Point
from app.records.plot import date_ticks, trend_svg, words_of
from tests.records.test_drops import DAYS, DROPS, series_of

SVG = "{http://www.w3.org/2000/svg}"
TITLE = "EF-03 <HEPA> & drop"


def trend(limit: str = "420") -> BankTrend:
    """Return a trend with a window."""
    return bank_trend(series_of(DAYS, DROPS), BankDesign(change_drop_pa=limit))


def test_the_drawing_is_well_formed_and_says_what_it_shows() -> None:
    """It parses, its first children are title and description, and the root names them for screen readers."""
    root = ET.fromstring(trend_svg(trend(), title=TITLE))

    assert root.tag == f"{SVG}svg"
    assert [child.tag for child in root][:2] == [f"{SVG}title", f"{SVG}desc"]
    assert (root[0].text, root[1].text) == (TITLE, words_of(trend(), title=TITLE))
    assert root.get("role") == "img"
    assert root.get("aria-labelledby") == f"{root[0].get('id')} {root[1].get('id')}"
    assert "8 readings from 2025-03-03 (230 Pa) to 2025-09-30 (341 Pa), limit 420 Pa" in (root[1].text or "")


def test_the_same_trend_gives_the_same_bytes() -> None:
    """No date, no chance: drawn anew it is the same to the last byte; another limit is another drawing."""
    first = trend_svg(trend(), title=TITLE)
    trend_svg.cache_clear()

    assert trend_svg(trend(), title=TITLE) == first
    assert trend_svg(trend("430"), title=TITLE) != first


def test_the_drawing_holds_no_style_no_script_no_letters_and_no_colour() -> None:
    """Pages forbid inline styles; letters are paths; ink and paper are the only two colours."""
    text = trend_svg(trend(), title=TITLE).decode()
    root = ET.fromstring(text)
    colours = {value for item in root.iter() for name, value in item.attrib.items() if name in {"fill", "stroke"}}

    assert not any(word in text for word in ("style", "<script", "<text", "http://matplotlib", "<metadata", "<image"))
    assert {colour for colour in colours if not colour.startswith("url(#h")} == {"none", "#1b1f24", "#fbfaf5"}


def test_a_window_is_hatched_and_without_one_nothing_is() -> None:
    """Hatching means the due span; a series without a trend has none."""
    flat = bank_trend(series_of(DAYS, (300.0, 310.0, 295.0, 306.0, 299.0, 304.0, 297.0, 305.0)), BankDesign(change_drop_pa="420"))  # fmt: skip  # noqa: E501

    assert b"<pattern" in trend_svg(trend(), title=TITLE)
    assert b"<pattern" not in trend_svg(flat, title=TITLE)


@pytest.mark.parametrize("count", [1, 2, 3])
def test_few_readings_are_drawn_too(count: int) -> None:
    """One, two and three readings make a drawing, with or without a limit."""
    for limit in (BankDesign(), BankDesign(change_drop_pa="420")):
        made = bank_trend(series_of(DAYS[:count], DROPS[:count]), limit)

        assert ET.fromstring(trend_svg(made, title=TITLE)).tag == f"{SVG}svg"


def test_a_point_left_out_has_a_mark_of_its_own_and_nothing_is_no_drawing() -> None:
    """The mark differs in shape; a series without any reading is refused with a sentence."""
    out = Point("", 0, date(2025, 5, 5), 200.0, 900.0, 300.0, "told", why_not="more than 10 % from rated flow")
    kept = series_of(DAYS, DROPS)
    more = bank_trend(DropSeries(Bank.HEPA, None, (*kept.points, out), ()), BankDesign(change_drop_pa="420"))
    nothing = bank_trend(DropSeries(Bank.HEPA, None, (), ()), BankDesign(change_drop_pa="420"))

    assert len(trend_svg(more, title=TITLE)) > len(trend_svg(trend(), title=TITLE))
    with pytest.raises(Invalid, match="nothing to draw"):
        trend_svg(nothing, title=TITLE)


@pytest.mark.parametrize("span", [0, 1, 5, 40, 89, 120, 365, 800, 3000, 36_000])
def test_ticks_are_few_in_order_and_within(span: int) -> None:
    """At most seven days are lettered whatever the span, ascending, none outside it, and at least one."""
    first = date(2025, 11, 17)
    ticks = date_ticks(first, first + timedelta(days=span))

    assert 1 <= len(ticks) <= 7
    assert [on for on, _ in ticks] == sorted({on for on, _ in ticks})
    assert all(first <= on <= first + timedelta(days=span) for on, _ in ticks)
