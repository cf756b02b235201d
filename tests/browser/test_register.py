"""The housing register as its people use it: a technician with a tablet at the housing, a lead at the desk."""

from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from app.domain.housing_text import housing_text
from tests.browser.driver import HANDS, LEAD, Tablet, follow, served
from tests.browser.test_screens import CONTROL_PX, EXAMINE, OTHER_PX, SCHEMES, SIZES, TEXT_PX
from tests.records.faulty_tables import SECOND, WHOLE, table

WANTED = {"work": False, "controlPx": CONTROL_PX, "otherPx": OTHER_PX, "leastTextPx": TEXT_PX}


def faults_at_both_sizes(page: Page) -> list[str]:
    """Examine the page that is open, upright and lying, bright and dim; whoever calls has waited until it is open."""
    found = []
    page.locator("h1").first.wait_for()
    for scheme in SCHEMES:
        page.evaluate("scheme => { document.documentElement.dataset.scheme = scheme; }", scheme)
        for width, height in SIZES:
            page.set_viewport_size({"width": width, "height": height})
            told: list[str] = page.evaluate(EXAMINE, WANTED)
            found += [f"{page.url} {width} {scheme}: {fault}" for fault in told]
    return found


@pytest.mark.parametrize("scripts", [True, False], ids=["scripts", "no scripts"])
def test_a_housing_is_surveyed_on_a_tablet_and_the_lead_answers(
    browser: Browser, tmp_path: Path, *, scripts: bool
) -> None:
    """What differs is asked for only where it was chosen; the lead is told, changes the nameplate, and answers."""
    with served(tmp_path) as (address, running):
        walking = browser.new_context(viewport={"width": 800, "height": 1280}, java_script_enabled=scripts)
        tablet = Tablet(walking.new_page(), address)
        page = tablet.page
        tablet.sign_in(HANDS)
        tablet.go("/housings/EF-07")
        follow(page, page.get_by_role("link", name="Survey it"))
        faults = faults_at_both_sizes(page) if scripts else []
        ways = page.locator(".survey-ways")
        for place in range(ways.count()):
            ways.nth(place).get_by_role("radio", name="as on the register").check(force=True)
        assert page.get_by_label("What is there instead").first.is_hidden()
        point = page.locator("fieldset", has_text="Place: Laboratory wing")
        point.get_by_role("radio", name="differs").check(force=True)
        point.get_by_label("What is there instead").fill("Laboratory wing, level 4")
        page.get_by_label("What", exact=True).first.fill("Pressure drop")
        page.get_by_label("Value", exact=True).first.fill("231")
        page.get_by_label("Unit", exact=True).first.fill("Pa")
        tablet.give_secret("#survey-secret")
        page.get_by_role("button", name="Sign the survey").click()
        page.get_by_text("found “Laboratory wing, level 4”").wait_for()
        faults += faults_at_both_sizes(page) if scripts else []

        tablet.sign_in(LEAD)
        tablet.go("/")
        follow(page, page.get_by_role("link", name="answer", exact=True))
        page.get_by_label("Answer").select_option("register changed")
        page.get_by_label("Reason").fill("seen on the plan")
        page.get_by_role("button", name="Answer it").click()
        page.get_by_text("the register still has").wait_for()
        assert page.get_by_label("Reason").input_value() == "seen on the plan"
        faults += faults_at_both_sizes(page) if scripts else []
        tablet.go("/housings/EF-07/change")
        faults += faults_at_both_sizes(page) if scripts else []
        page.get_by_label("Place", exact=True).fill("Laboratory wing, level 4")
        page.get_by_label("Why it is entered").fill("as surveyed")
        page.get_by_role("button", name="Enter the nameplate").click()
        page.get_by_text("Nameplate entered by").wait_for()
        tablet.go("/surveys")
        page.get_by_label("Answer").select_option("register changed")
        page.get_by_label("Reason").fill("entered so")
        page.get_by_role("button", name="Answer it").click()
        page.get_by_text("Nothing waits for an answer").wait_for()
        walking.close()

        plate = running.site.library.housing("EF-07")
        assert plate is not None
        assert plate.location == "Laboratory wing, level 4"
        assert dict(running.site.jobs.site().housed.differences) == {}
        assert faults == []


def test_a_lead_sends_a_faulty_table_then_a_good_one_and_enters_it(browser: Browser, tmp_path: Path) -> None:
    """The faults stand in the order of the rows; the good one says what it would do before it does it."""
    bad, good = tmp_path / "bad.csv", tmp_path / "good.csv"
    bad.write_text(
        table({"service": "steam", "made": "soon"}, SECOND | {"service": "steam", "notes": "=1"}), newline=""
    )
    good.write_text(WHOLE, newline="")
    with served(tmp_path / "site") as (address, running):
        desk = Tablet(browser.new_page(viewport={"width": 1280, "height": 800}), address)
        page = desk.page
        desk.sign_in(LEAD)
        desk.go("/")
        follow(page, page.get_by_role("link", name="Housing register"))
        faults = faults_at_both_sizes(page)
        page.get_by_label("A table: CSV").set_input_files(bad)
        page.get_by_role("button", name="Check the table").click()
        page.get_by_text("faults. Nothing of this file can be entered").wait_for()
        told = page.locator(".faults li").all_inner_texts()
        faults += faults_at_both_sizes(page)
        desk.go("/register")
        page.get_by_label("A table: CSV").set_input_files(good)
        page.get_by_role("button", name="Check the table").click()
        page.get_by_text("Nothing has been entered yet").wait_for()
        faults += faults_at_both_sizes(page)
        assert running.site.library.housing("EH-1") is None
        page.get_by_label("Why it is entered").fill("survey of the annex")
        page.get_by_role("button", name="Enter all of it").click()
        page.get_by_text("4 housings, 2 filters in place").wait_for()
        with page.expect_download() as taken:
            page.get_by_role("link", name="Table (CSV)").click()
        page.get_by_label("A table: CSV").set_input_files(taken.value.path())
        page.get_by_role("button", name="Check the table").click()
        page.get_by_text("The register has all of this already").wait_for()
        page.close()

    assert [fault.split(":")[0] for fault in told] == [
        "Row 2, column service", "Row 2, column made", "Row 3, column notes", "Row 3, column notes",
    ]  # fmt: skip
    assert faults == []


def test_a_survey_that_is_left_and_returned_to_is_still_typed(browser: Browser, tmp_path: Path) -> None:
    """On this tablet, for whoever typed it, until it is signed; what the register has anew is asked anew."""
    with served(tmp_path) as (address, running):
        tablet = Tablet(browser.new_context(viewport={"width": 800, "height": 1280}).new_page(), address)
        page, path = tablet.page, "/housings/EF-07/survey"
        tablet.sign_in(HANDS)
        tablet.go(path)
        assert page.locator("#typed-before").is_hidden()
        ways = page.locator(".survey-ways")
        for place in range(ways.count()):
            ways.nth(place).get_by_role("radio", name="as on the register").check(force=True)
        where, fan = (page.locator("fieldset", has_text=words) for words in ("Place: Laboratory wing", "Fan: fan F-"))
        fan.get_by_role("radio", name="differs").check(force=True)
        fan.get_by_label("What is there instead").fill("fan F-99")
        page.get_by_label("Note").fill("lamp is out")
        page.locator("#survey-secret").fill("half a secret")
        page.get_by_role("link", name="Leave without signing").click()

        known = running.site.library.housing("EF-07")
        assert known is not None
        moved = known.model_copy(update={"location": "Laboratory wing, level 9"})
        (running.site.settings.data / "housings" / "EF-07.toml").write_text(housing_text(moved), "utf-8")
        running.site.library.housing("EF-07")
        tablet.go(path)
        page.locator("#typed-before").wait_for()
        assert fan.get_by_role("radio", name="differs").is_checked()
        assert fan.get_by_label("What is there instead").input_value() == "fan F-99"
        assert page.get_by_label("Note").input_value() == "lamp is out"
        assert page.locator("#survey-secret").input_value() == ""
        assert where.locator("input:checked").count() == 0, "the register has another place now"
        assert faults_at_both_sizes(page) == []

        where.get_by_role("radio", name="as on the register").check(force=True)
        tablet.give_secret("#survey-secret")
        page.get_by_role("button", name="Sign the survey").click()
        page.get_by_text("found “fan F-99”").first.wait_for()
        tablet.go(path)
        assert page.locator("#typed-before").is_hidden()
        assert page.locator(".survey-ways input:checked").count() == 0

        page.get_by_label("Note").fill("of the next walk")
        tablet.sign_in(LEAD)
        tablet.go(path)
        assert page.get_by_label("Note").input_value() == "", "another person's words"
        tablet.sign_in(HANDS)
        tablet.go(path)
        assert page.get_by_label("Note").input_value() == "of the next walk"
