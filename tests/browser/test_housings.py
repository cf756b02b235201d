"""A housing over its years by those who use its pages: entered, photographed, filled, read, taken off and put back."""

import re
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path

import pytest
from PIL import Image
from playwright.sync_api import Browser, FilePayload, expect

from app.bootstrap import Running
from app.cli import furnish
from tests.browser.driver import DESK, HANDS, LEAD, OFFICER, UPRIGHT, SignIn, follow, served
from tests.browser.test_register import faults_at_both_sizes

PLATE = {
    "Tag": "EF-20", "Place": "Pilot plant, level 2", "Upstream damper": "D-2001", "Downstream damper": "D-2002",
    "Bank": "hepa", "Service": "radioactive", "Seal": "gasket", "Filter type": "24x24x11.5 gasket",
}  # fmt: skip


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory, browser: Browser) -> Iterator[tuple[str, Running]]:
    """Serve a site with instruments and readings."""
    with served(tmp_path_factory.mktemp("housings")) as (address, running):
        furnish(running)
        yield address, running


def test_a_lead_enters_a_new_housing_by_form_and_a_technician_finds_it(site: tuple[str, Running], at: SignIn) -> None:
    """A fault is told by its field with everything typed still there; then it is on the first page."""
    lead = at(site[0], LEAD, DESK)
    page = lead.page
    lead.go("/register")
    follow(page, page.get_by_role("link", name="Enter a new housing"))
    faults = faults_at_both_sizes(page)
    for label, text in PLATE.items():
        field = page.get_by_label(label, exact=True)
        if field.evaluate("field => field.tagName") == "SELECT":
            field.select_option(text)
        else:
            field.fill(text)
    page.get_by_label("Port", exact=True).fill("P1")
    page.get_by_label("Filters in series").first.fill("nine")
    page.get_by_label("Why it is entered").fill("built this year")
    lead.send("Enter the nameplate")
    expect(page.get_by_role("alert")).to_contain_text("Filters in series")
    expect(page.get_by_role("alert")).to_contain_text("nine")
    expect(page.get_by_label("Tag", exact=True)).to_have_value("EF-20")
    expect(page.get_by_label("Why it is entered")).to_have_value("built this year")
    faults += faults_at_both_sizes(page)
    page.get_by_label("Filters in series").first.fill("2")
    lead.send("Enter the nameplate")
    expect(page.get_by_role("heading", level=1)).to_have_text("Housing EF-20")
    expect(page.get_by_text(f"Nameplate entered by {LEAD}")).to_be_visible()

    hands = at(site[0], HANDS, UPRIGHT)
    hands.go("/")
    follow(hands.page, hands.page.get_by_role("link", name="EF-20"))
    expect(hands.page.locator("main")).to_contain_text("Pilot plant, level 2")
    expect(hands.page.locator("main")).to_contain_text("P1, position 2")
    expect(hands.page.get_by_role("link", name="Change the nameplate")).to_have_count(0)
    assert faults + faults_at_both_sizes(hands.page) == []


def test_a_photo_is_put_up_by_a_technician_and_taken_down_by_a_lead(site: tuple[str, Running], at: SignIn) -> None:
    """The same photo again is refused in a sentence, its words kept; a technician takes none down."""
    picture = BytesIO()
    Image.new("RGB", (640, 480), "grey").save(picture, "JPEG")
    photo = FilePayload(name="door.jpg", mimeType="image/jpeg", buffer=picture.getvalue())
    hands, lead = at(site[0], HANDS, UPRIGHT), at(site[0], LEAD, DESK)
    page = hands.page
    hands.go("/housings/EF-11")
    for shows, told in (
        ("the door of P1, from the north", ""),
        ("the same again", "is on the register already: the door"),
    ):
        if not told:
            hands.open_up("Put a photo on the register")
        page.get_by_label("Photo", exact=True).set_input_files(photo)
        page.get_by_label("What it shows, and from where").fill(shows)
        hands.send("Put it on the register")
        if not told:
            expect(page.get_by_role("img", name=shows)).to_be_visible()
            expect(page.locator(".pictures")).to_contain_text(HANDS)
            hands.open_up("Put a photo on the register")
        else:
            expect(page.get_by_role("alert")).to_contain_text(told)
            expect(page.get_by_label("What it shows, and from where")).to_have_value(shows)
    faults = faults_at_both_sizes(page)
    expect(page.get_by_text("Take a photo down")).to_have_count(0)

    page = lead.page
    lead.go("/housings/EF-11")
    lead.open_up("Take a photo down")
    page.get_by_label("Which").select_option(index=1)
    page.get_by_label("Why it is taken down").fill("x")
    lead.send("Take it down")
    expect(page.get_by_role("alert")).to_contain_text("1 characters were given")
    page.get_by_label("Why it is taken down").fill("shows another door")
    faults += faults_at_both_sizes(page)
    lead.send("Take it down")
    expect(page.get_by_text("No photo is on the register.")).to_be_visible()
    assert faults == []


def test_a_safety_officer_enters_a_filter_that_is_in_place_and_that_it_left(
    site: tuple[str, Running], at: SignIn
) -> None:
    """Installed before it was made is refused with both days; in two places it cannot be; then it is not there."""
    officer = at(site[0], OFFICER, UPRIGHT)
    page = officer.page
    officer.go("/housings/EF-11")
    officer.open_up("Enter a filter that is in place")
    for label, text in {
        "Serial number": "HX-77", "Maker's date, if known": "2026-02-01", "Installed on, if known": "2026-01-01",
        "How it is known": "read through the window",
    }.items():  # fmt: skip
        page.get_by_label(label, exact=True).fill(text)
    page.get_by_label("Where", exact=True).select_option("P3/1")
    officer.send("It is in place")
    expect(page.get_by_role("alert")).to_contain_text(
        "Installed on: 2026-01-01 lies before 2026-02-01, the day on which HX-77 was made."
    )
    expect(page.get_by_label("Serial number")).to_have_value("HX-77")
    faults = faults_at_both_sizes(page)
    page.get_by_label("Installed on, if known").fill("2026-02-20")
    officer.send("It is in place")
    place = page.locator("li", has_text="P3, position 1")
    expect(place).to_contain_text("HX-77")
    officer.open_up("Enter a filter that is in place")
    page.get_by_label("Where", exact=True).select_option("P1/1")
    page.get_by_label("Serial number").fill("hx-77")
    page.get_by_label("How it is known").fill("read through the window")
    officer.send("It is in place")
    expect(page.get_by_role("alert")).to_contain_text("no filter is in two places")

    officer.go("/housings/EF-11")
    officer.open_up("Enter that a filter has left its position")
    page.get_by_label("Which").select_option("P3/1")
    page.get_by_label("Why it left").fill("tray was taken for a test")
    faults += faults_at_both_sizes(page)
    officer.send("It is not there any more")
    expect(place).to_contain_text("no filter known")
    assert faults == []


def test_a_lead_takes_a_housing_off_the_register_and_puts_it_back(site: tuple[str, Running], at: SignIn) -> None:
    """Meanwhile everybody is told who did it and why, and nothing can be planned or opened there."""
    lead, hands = at(site[0], LEAD, DESK), at(site[0], HANDS, UPRIGHT)
    page = lead.page
    lead.go("/housings/EF-07")
    lead.open_up("Take it off the register")
    page.get_by_label("Why", exact=True).fill("x")
    lead.send("Take it off")
    expect(page.get_by_role("alert")).to_contain_text("1 characters were given")
    page.get_by_label("Why", exact=True).fill("the wing is rebuilt")
    lead.send("Take it off")
    told = page.get_by_text("Nothing is planned or opened here.")
    expect(told).to_contain_text("the wing is rebuilt")
    expect(page.get_by_role("link", name="Plan a job")).to_have_count(0)
    faults = faults_at_both_sizes(page)
    lead.go("/plan/EF-07")
    expect(page.locator("main")).to_contain_text("the wing is rebuilt. A lead puts it back on its page first.")

    hands.go("/housings/EF-07")
    expect(hands.page.get_by_text("Nothing is planned or opened here.")).to_contain_text(LEAD)
    expect(hands.page.get_by_text("Put it back on the register")).to_have_count(0)
    faults += faults_at_both_sizes(hands.page)

    lead.go("/housings/EF-07")
    lead.open_up("Put it back on the register")
    page.get_by_label("Why", exact=True).fill("the wing stands again")
    lead.send("Put it back")
    expect(told).to_have_count(0)
    expect(page.get_by_role("link", name="Plan a job")).to_be_visible()
    assert faults == []


def test_a_reading_of_the_round_is_entered_and_struck_and_what_is_due_leads_there(
    site: tuple[str, Running], at: SignIn
) -> None:
    """From what is due to a housing's history: words for a number are refused, a reading counts until it is struck."""
    hands, lead = at(site[0], HANDS, UPRIGHT), at(site[0], LEAD, DESK)
    page, today = hands.page, site[1].site.clock().date()
    hands.go("/due")
    due = page.locator("section.due-housing", has_text="EF-03")
    expect(due).to_contain_text("HEPA bank")
    expect(page.get_by_role("heading", name="Calibrations")).to_be_visible()
    faults = faults_at_both_sizes(page)
    follow(page, due.get_by_role("link", name="EF-03", exact=True))
    rows = page.locator("table.drops tbody tr")
    before = rows.count()
    hands.open_up("Enter a reading of the HEPA bank")
    page.get_by_label("Pressure drop, Pa").fill("about 400")
    page.get_by_label("Note").fill("wind from the west")
    hands.send("Enter the reading")
    expect(page.get_by_role("alert")).to_contain_text("about 400")
    expect(page.get_by_label("Note")).to_have_value("wind from the west")
    page.get_by_label("Pressure drop, Pa").fill("412")
    page.get_by_label("Manometer").select_option("MM-1")
    faults += faults_at_both_sizes(page)
    hands.send("Enter the reading")
    expect(rows).to_have_count(before + 1)
    expect(page.get_by_role("img").first).to_have_attribute("alt", re.compile(rf"to {today} \(412 Pa\)"))
    expect(page.get_by_text("Strike a reading")).to_have_count(0)

    page = lead.page
    lead.go("/housings/EF-03/history")
    lead.open_up("Strike a reading")
    page.get_by_label("Reading", exact=True).select_option(label=f"{today}: 412 Pa")
    page.get_by_label("Why", exact=True).fill("of another housing")
    lead.send("Strike it")
    expect(page.locator("table.drops tbody tr")).to_have_count(before)
    struck = page.locator(".story li", has=page.locator("del"))
    expect(struck).to_contain_text("of another housing")
    faults += faults_at_both_sizes(page)
    with page.expect_download() as taken:
        page.get_by_role("link", name="To print (PDF)").click()
    assert Path(taken.value.path()).read_bytes().startswith(b"%PDF")
    assert faults == []
