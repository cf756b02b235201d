"""Labels as people use them: a sheet is printed, tablets follow its codes, a wrong one is held up at its step."""

from collections.abc import Iterator
from pathlib import Path

import pytest
import zxingcpp
from PIL import Image
from playwright.sync_api import Browser, expect

from app.bootstrap import Running
from app.domain.paper import PrintBlank
from tests.browser.driver import HANDS, LEAD, SECRETS, UPRIGHT, Tablet, follow, served
from tests.browser.stage import Staged
from tests.browser.test_register import faults_at_both_sizes
from tests.paper.tools import run

DOOR, LATER = "Take the door off", "Tape the raw edge of the stub"
PRINTED_DPI = 150


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory, browser: Browser) -> Iterator[tuple[str, Running, Staged]]:
    """Serve a site with a filter in the store room and a job of EF-03 before its door."""
    with served(tmp_path_factory.mktemp("labels")) as (address, running):
        staged = Staged(running).do_until(DOOR)
        lot = {"id": "F-1", "kind": "filter", "what": "24x24x11.5 gasket", "serial": "4471-001", "made": "2025-06-01"}
        running.site.store_room.receive(lot, by=staged.who(HANDS)).result()
        yield address, running, staged


@pytest.fixture(scope="module")
def tablet(browser: Browser, site: tuple[str, Running, Staged]) -> Iterator[Tablet]:
    """The technician's tablet, held upright."""
    context = browser.new_context(viewport=UPRIGHT)
    made = Tablet(context.new_page(), site[0])
    made.sign_in(HANDS)
    yield made
    context.close()


def printed(tablet: Tablet, kind: str, of: str, folder: Path) -> list[str]:
    """Print labels from their page, and return what a reader finds in the codes of the sheet."""
    page = tablet.page
    page.get_by_role("radio", name=kind, exact=True).check(force=True)
    page.get_by_label("Which").fill(of)
    with page.expect_download() as taken:
        page.get_by_role("button", name="Give the sheet (PDF)").click()
    run("pdftoppm", "-r", str(PRINTED_DPI), "-png", str(taken.value.path()), str(folder / kind))
    sheets = [Image.open(path).convert("L") for path in sorted(folder.glob(f"{kind}*.png"))]
    return sorted(code.text for sheet in sheets for code in zxingcpp.read_barcodes(sheet))


def test_a_sheet_is_printed_and_its_codes_lead_to_what_they_stand_on(
    site: tuple[str, Running, Staged], tablet: Tablet, browser: Browser, tmp_path: Path
) -> None:
    """Right, another component and another housing at the step that asks; nobody signed in yet; filter and blank."""
    address, _, staged = site
    page, job = tablet.page, staged.job
    staged.do(PrintBlank(), HANDS)
    tablet.go("/housings/EF-03")
    follow(page, page.get_by_role("link", name="Labels"))
    expect(page.get_by_text("This address means the server's own machine.")).to_be_visible()
    expect(page.get_by_label("Which")).to_have_value("EF-03")
    faults = faults_at_both_sizes(page)
    page.get_by_label("Which").fill("EF-03, EF-99")
    with page.expect_navigation():
        page.get_by_role("button", name="Give the sheet (PDF)").click()
    expect(page.locator("main")).to_contain_text("'EF-99'")
    page.go_back()
    expect(page.get_by_label("Which")).to_have_value("EF-03, EF-99")
    codes = printed(tablet, "housings with their points of isolation", "EF-03, EF-07", tmp_path)
    codes += printed(tablet, "filters in the store room", "", tmp_path)
    codes += printed(tablet, "controlled blanks of a job", staged.job.removeprefix("job-"), tmp_path)
    known = {code.removeprefix(address): code for code in codes}
    assert len(known) == len(codes)

    for label, words in {
        "/at/point/D-301": "NOT THIS ONE: job {} asks for EF-03 now, and this label reads D-301.",
        "/at/housing/EF-07": "NOT YOUR HOUSING: job {} is on EF-03, and this label reads EF-07. Do not go on here.",
    }.items():
        page.goto(known[label])
        expect(page.get_by_role("alert")).to_contain_text(words.format(job.removeprefix("job-")))
        faults += faults_at_both_sizes(page)
    page.goto(known["/at/housing/EF-03"])
    expect(page.locator(".told-good")).to_contain_text("This is the label that job")
    expect(page.get_by_role("alert")).to_have_count(0)
    follow(page, page.get_by_role("link", name="Go to the step"))
    assert tablet.action.startswith(DOOR)
    page.goto(known["/at/filter/F-1"])
    expect(page.get_by_role("heading", level=1)).to_have_text("Filter 4471-001")
    page.goto(known[f"/at/blank/{job}/1"])
    expect(page).to_have_url(f"{address}/jobs/{job}/blanks/1/entry")

    with browser.new_context(viewport=UPRIGHT) as context:
        stranger = context.new_page()
        stranger.goto(known["/at/housing/EF-03"])
        stranger.get_by_label(LEAD).check(force=True)
        stranger.get_by_label("Secret", exact=True).fill(SECRETS[LEAD])
        with stranger.expect_navigation():
            stranger.get_by_role("button", name="Sign in").click()
        expect(stranger).to_have_url(known["/at/housing/EF-03"])
        expect(stranger.get_by_text("You are in the crew of no job in hand")).to_be_visible()
        expect(stranger.get_by_role("link", name=f"Job {job.removeprefix('job-')} on EF-03")).to_be_visible()
        faults += faults_at_both_sizes(stranger)
    assert faults == []


def test_a_scan_of_the_wrong_housing_is_held_up_at_the_step_and_a_package_leads_to_where_it_is(
    site: tuple[str, Running, Staged], tablet: Tablet, tmp_path: Path
) -> None:
    """The neighbour's code, scanned into the step, begins nothing; the own one does, and the bag gets a label too."""
    address, running, staged = site
    page, job = tablet.page, staged.job
    tablet.go(f"/jobs/{job}/now")
    label = page.locator("#mark input[data-label]")
    label.fill(f"{address}/at/housing/EF-04")
    label.press("Tab")
    expect(label).to_have_value("EF-04")
    tablet.second_person()
    tablet.press("Begin")
    assert "EF-04" in tablet.told
    assert "not this one" in tablet.told
    assert staged.state.due is not None
    assert running.site.jobs.state(job).mark(staged.state.due.id).begun is None
    label.fill(f"{address}/at/housing/EF-03")
    tablet.second_person()
    tablet.press("Begin")
    expect(page.get_by_role("button", name="Begin", exact=True)).to_have_count(0)

    staged.state = running.site.jobs.state(job)
    staged.do_until(LATER)
    tablet.go(f"/jobs/{job}/packages")
    follow(page, page.get_by_role("link", name="Labels to print"))
    (code,) = printed(tablet, "waste packages of a job", job.removeprefix("job-"), tmp_path)
    page.goto(code)
    expect(page).to_have_url(f"{address}/jobs/{job}/packages#package-1")
    expect(page.locator("#package-1")).to_be_in_viewport()
