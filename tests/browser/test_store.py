"""A storekeeper's weeks before a change-out: filters come in, are inspected, staged, and read at the housing."""

from collections.abc import Iterator
from datetime import timedelta
from io import BytesIO
from pathlib import Path

import pytest
from PIL import Image
from playwright.sync_api import Browser, expect

from app.bootstrap import Running
from app.domain.store import Kind
from app.domain.storing import receipt_items
from app.records.moments import site_day, utc_text
from tests.browser.driver import DESK, HANDS, LEAD, SignIn, Tablet, served
from tests.browser.stage import Staged
from tests.browser.test_register import faults_at_both_sizes
from tests.browser.test_screens import CONTROL_PX, EXAMINE, OTHER_PX, SCHEMES, SIZES, TEXT_PX

TYPE = "24x24x11.5 gasket"
PAGES = ("/stock", "/stock/F-1", "/stock/F-3", "/picking", "/kits/PL-0001")


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory, browser: Browser) -> Iterator[tuple[str, Running]]:
    """One sample site with work planned for a housing in a week's time."""
    with served(tmp_path_factory.mktemp("store")) as (address, running):
        lead = next(person.who for person in running.people.everyone() if person.name == LEAD)
        day = site_day(utc_text(running.site.clock()), "UTC") + timedelta(days=7)
        typed = {"housing": "EF-03", "procedure": "change-out", "begins": f"{day}T07:30", "ends": f"{day}T15:00",
                 "lead": lead.id, "why": "outage"}  # fmt: skip
        running.site.plans.plan(typed, (), by=lead).result()
        yield address, running


@pytest.fixture(scope="module")
def tablet(browser: Browser, site: tuple[str, Running]) -> Iterator[Tablet]:
    """The storekeeper's tablet."""
    context = browser.new_context(viewport={"width": 800, "height": 1280})
    made = Tablet(context.new_page(), site[0], "tablet 2, store room")
    made.sign_in(HANDS)
    yield made
    context.close()


def receive(tablet: Tablet, lot: str, *, kind: str = "filter", what: str = TYPE, serial: str = "", count: str = "1",
            made: str = "") -> None:  # fmt: skip
    """Enter a lot."""
    tablet.go("/stock")
    page = tablet.page
    page.get_by_label("Number of your own").fill(lot)
    page.get_by_label("What it is").select_option(kind)
    page.get_by_label("Type, ring size or description").fill(what)
    page.get_by_label("Serial number, for a filter").fill(serial)
    page.get_by_label("How many; each filter by itself").fill(count)
    page.get_by_label("Made on, by its label").fill(made)
    tablet.send("Enter it, then inspect it")


def inspect(tablet: Tablet, kind: Kind, verdict: str, *, bad: str = "", reason: str = "", photo: bytes = b"") -> None:
    """Answer every item of an inspection, one of them with what is not as asked, and give a verdict."""
    page = tablet.page
    for name, item in receipt_items(kind).items():
        answer = item.bad if name == bad else item.good
        page.locator(f'input[name="a.{name}"][value="{answer}"]').check(force=True)
    page.locator(f'input[name=verdict][value="{verdict}"]').check(force=True)
    page.get_by_label("Why, if it is held back or rejected").fill(reason)
    if photo:
        page.locator("#photo").set_input_files({"name": "a.jpg", "mimeType": "image/jpeg", "buffer": photo})
    tablet.send("Enter the inspection")


def test_from_the_carton_to_the_kit(tablet: Tablet) -> None:
    """A torn filter is not accepted, and nothing typed is lost; the good ones are proposed for the kit and staged."""
    page, picture = tablet.page, BytesIO()
    Image.new("RGB", (64, 48), "grey").save(picture, "JPEG")

    receive(tablet, "f-1", serial="4471-001", made="2025-06-01")
    inspect(tablet, Kind.FILTER, "accepted", bad="media", photo=picture.getvalue())
    expect(page.get_by_role("alert")).to_contain_text("so it is not accepted. Hold it back or reject it.")
    assert page.locator("input[type=radio]:checked").count() == len(receipt_items(Kind.FILTER)) + 1
    page.locator('input[name=verdict][value="rejected"]').check(force=True)
    page.get_by_label("Why, if it is held back or rejected").fill("media torn at the lower edge")
    tablet.send("Enter the inspection")
    expect(page.locator("main")).to_contain_text("Put a red label on it")
    for lot, serial in (("F-2", "4471-002"), ("F-3", "4471-003")):
        receive(tablet, lot, serial=serial, made="2025-06-01")
        inspect(tablet, Kind.FILTER, "accepted")
    receive(tablet, "B-1", kind="bag", what="ring 660", count="9")
    inspect(tablet, Kind.BAG, "accepted")

    tablet.go("/picking")
    expect(page.locator("main")).to_contain_text("lead time not known")
    page.get_by_role("link", name="Kit of PL-0001").click()
    assert page.get_by_label("Put aside of lot F-2").input_value() == "1"
    assert page.get_by_label("Put aside of lot B-1").input_value() == "4"
    tablet.send("Stage it for PL-0001")
    expect(page.locator("main")).to_contain_text("4 of bag ring 660")
    tablet.go("/picking")
    with page.expect_download() as taken:
        page.get_by_role("link", name="Both lists, PDF").click()
    assert Path(taken.value.path()).read_bytes().startswith(b"%PDF")


@pytest.mark.parametrize("scheme", SCHEMES)
@pytest.mark.parametrize("size", SIZES, ids=["landscape", "portrait"])
def test_the_pages_fit_and_can_be_read(
    site: tuple[str, Running], tablet: Tablet, size: tuple[int, int], scheme: str
) -> None:
    """As every other page: nothing scrolls sideways, 7:1, labels, controls in reach."""
    page, faults = tablet.page, []
    page.context.add_cookies([{"name": "changeout_scheme", "value": scheme, "url": site[0]}])
    page.set_viewport_size({"width": size[0], "height": size[1]})
    wanted = {"work": False, "controlPx": CONTROL_PX, "otherPx": OTHER_PX, "leastTextPx": TEXT_PX}
    for path in PAGES:
        tablet.go(path)
        faults += [f"{path}: {fault}" for fault in page.evaluate(EXAMINE, wanted)]

    assert not faults, "\n".join(faults)


def test_at_the_housing_only_a_fit_filter_is_taken(site: tuple[str, Running], tablet: Tablet) -> None:
    """One that was rejected and one that is staged for other work are refused on the panel; the third goes in."""
    receive(tablet, "F-4", serial="4471-004", made="2025-06-01")
    inspect(tablet, Kind.FILTER, "accepted")
    staged = Staged(site[1]).do_until("Read the serial number of the new")
    tablet.go(f"/jobs/{staged.job}/now")

    tablet.do_step(serial="4471-001")
    rejected = tablet.told
    tablet.do_step(serial="4471-002")
    elsewhere = tablet.told
    tablet.do_step(serial="4471-004")

    assert "was rejected on inspection: media torn at the lower edge. Take another." in rejected
    assert "stands staged for PL-0001" in elsewhere
    assert tablet.action == "Read the serial number of that filter anew."
    assert dict(site[1].site.jobs.site().store.lots["F-4"].used) == {staged.job: 1}


def test_counts_labels_and_lead_times_are_put_right(site: tuple[str, Running], tablet: Tablet, at: SignIn) -> None:
    """A storekeeper counts and corrects a label, which is inspected anew; the times are a lead's; all with a reason."""
    page, room, running = tablet.page, site[1].site.store_room, site[1]
    hands = next(person.who for person in running.people.everyone() if person.name == HANDS)
    for lot, kind, what, serial, count in (
        ("B-9", Kind.BAG, "ring 500", "", "7"), ("F-9", Kind.FILTER, TYPE, "4471-009", "1"),
    ):  # fmt: skip
        told = {"id": lot, "kind": kind, "what": what, "serial": serial, "count": count, "made": "2025-06-01"}
        room.receive({name: text for name, text in told.items() if text}, by=hands).result()
        seen = {name: item.good for name, item in receipt_items(kind).items()}
        room.inspect(lot, seen, verdict="accepted", reason="", photo="", by=hands).result()

    tablet.go("/stock/B-9")
    tablet.open_up("Count it, or take some of it")
    page.get_by_label("Lying in the store room now").fill("a few")
    page.get_by_label("Why it is another number").fill("two were wet")
    tablet.send("Enter the count")
    expect(page.get_by_role("alert")).to_contain_text("Lot B-9: 'a few' is no count. Give a whole number")
    expect(page.get_by_label("Why it is another number")).to_have_value("two were wet")
    page.get_by_label("Lying in the store room now").fill("5")
    tablet.send("Enter the count")
    expect(page.locator("dl.facts")).to_contain_text("5 left")

    tablet.go("/stock/F-9")
    tablet.open_up("Correct what its label says")
    page.get_by_label("Why it is corrected").fill("read from the carton")
    tablet.send("Correct it")
    expect(page.get_by_role("alert")).to_have_text("That is what stands of lot F-9. Nothing was entered.")
    expect(page.get_by_label("Why it is corrected")).to_have_value("read from the carton")
    page.get_by_label("Made on").fill("2025-05-01")
    faults = faults_at_both_sizes(page)
    tablet.send("Correct it")
    expect(page.locator(".told")).to_contain_text("Not to be used.")
    expect(page.get_by_role("heading", name="Corrections of its label")).to_be_visible()
    expect(page.locator("main")).to_contain_text("read from the carton")

    tablet.go("/stock")
    expect(page.get_by_text("Change a time")).to_have_count(0)
    lead = at(site[0], LEAD, DESK)
    page = lead.page
    lead.go("/stock")
    lead.open_up("Change a time")
    page.get_by_label("Kind", exact=True).select_option("filter")
    page.get_by_label("Days; empty if not known").fill("6 w")
    page.get_by_label("Why that").fill("as the last order took")
    lead.send("Change it")
    expect(page.get_by_role("alert")).to_contain_text("'6 w' is no lead time. Give whole days")
    expect(page.get_by_label("Why that")).to_have_value("as the last order took")
    page.get_by_label("Days; empty if not known").fill("42")
    faults += faults_at_both_sizes(page)
    lead.send("Change it")
    expect(page.locator("dl.facts")).to_contain_text("Filter42 days")
    assert faults == []
