"""The first page with many housings: bounded, with words to look for, and no script."""

from app.domain.housing import Housing
from app.domain.housing_text import housing_text
from tests.web.desk import Desk


def furnished(desk: Desk, count: int) -> None:
    """Put files of so many housings beside the samples."""
    folder = desk.running.site.settings.data / "housings"
    plate = desk.running.site.library.housing("EF-07")
    assert plate is not None
    for number in range(count):
        made = Housing.model_validate(
            plate.model_dump() | {"tag": f"EH-{number:03}", "location": f"Annex {number % 3}, bay <{number}>"}
        )
        (folder / f"EH-{number:03}.toml").write_text(housing_text(made), "utf-8")


def test_a_site_with_few_housings_shows_them_all_and_nothing_to_look_with(desk: Desk) -> None:
    """Three housings need no search."""
    page = desk.get(desk.named("technician"), "/").text

    assert page.count('class="job-line" href="/housings/') == 3
    assert 'name="q"' not in page


def test_many_housings_are_shown_a_page_at_a_time_and_found_by_words(desk: Desk) -> None:
    """Fifty at once, with a way on and back; words of tag, place and service find; nothing found is said."""
    furnished(desk, 120)
    hands = desk.named("technician")

    first, last = desk.get(hands, "/").text, desk.get(hands, "/?page=3").text
    found = desk.get(hands, "/?q=annex+2%2C+BIOLOGICAL").text
    none = desk.get(hands, "/?q=no+such+%3Cplace%3E").text

    assert first.count('class="job-line" href="/housings/') == 50
    assert "1 to 50 of 123" in first
    assert 'href="/?q=&amp;page=2">Further' in first
    assert "Earlier" not in first
    assert "101 to 123 of 123" in last
    assert "Further" not in last
    assert "1 to 40 of 40 that hold “annex 2, BIOLOGICAL”" in found
    assert "EH-002" in found
    assert "EH-003" not in found
    assert "No housing holds “no such &lt;place&gt;” in tag, place or service" in none


def test_a_page_that_is_not_there_is_the_nearest_that_is(desk: Desk) -> None:
    """An address typed by hand gives a page, whatever stands in it."""
    furnished(desk, 60)
    hands = desk.named("technician")

    for asked in ("0", "-1", "999999", "99999999999999", "²", "one"):
        assert desk.get(hands, f"/?page={asked}").status_code == 200
    assert "51 to 63 of 63" in desk.get(hands, "/?page=77").text
