"""Planned work and its readiness by those who use the pages: planned, answered, signed by two, void after a change."""

import re
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

import pytest
from playwright.sync_api import Browser, ViewportSize, expect

from app.bootstrap import Running
from app.domain.housing import Service
from app.domain.readiness import Item
from app.domain.readiness_items import applies
from tests.browser.driver import HANDS, LEAD, OFFICER, SignIn, Tablet, follow, served
from tests.browser.test_register import faults_at_both_sizes
from tests.domain.test_readiness import answers

WIDE: ViewportSize = {"width": 1280, "height": 800}
TALL: ViewportSize = {"width": 800, "height": 1280}
DEADLINE_MS = 20_000
TOO_WIDE = "document.documentElement.scrollWidth > window.innerWidth"
FAINT = """() => {
  const light = rgb => rgb.match(/[\\d.]+/g).slice(0, 3).map(Number).map(v => v / 255)
    .map(v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
    .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
  const behind = el => { for (; el; el = el.parentElement) {
    const colour = getComputedStyle(el).backgroundColor;
    if (!/, 0\\)$|transparent/.test(colour)) return colour; } return "rgb(255, 255, 255)"; };
  return [...document.querySelectorAll("main *")].filter(el => [...el.childNodes].some(
    node => node.nodeType === 3 && node.data.trim())).filter(el => {
      const [a, b] = [light(getComputedStyle(el).color), light(behind(el))].sort((x, y) => y - x);
      return el.checkVisibility() && (a + 0.05) / (b + 0.05) < 7; }).map(el => el.outerHTML.slice(0, 120));
}"""


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Running]]:
    """A sample site that is served."""
    with served(tmp_path_factory.mktemp("ready")) as found:
        yield found


def tablet(browser: Browser, address: str, who: str, size: ViewportSize) -> Tablet:
    """Return a tablet at which somebody is signed in."""
    page = browser.new_page(viewport=size)
    page.set_default_timeout(DEADLINE_MS)
    made = Tablet(page, address, f"tablet of {who.split(maxsplit=1)[0]}")
    made.sign_in(who)
    return made


def fits(at: Tablet) -> None:
    """Nothing scrolls sideways, and every text stands out by 7:1."""
    assert not at.page.evaluate(TOO_WIDE), at.page.url
    assert at.page.evaluate(FAINT) == [], at.page.url


def sign(at: Tablet) -> None:
    """Sign the plan that is shown."""
    at.give_secret("#secret")
    at.page.get_by_role("button", name="Sign that it is ready").click()


def plan(lead: Tablet, day: date) -> None:
    """Plan work from the page of its housing, and open it."""
    lead.go("/housings/EF-07")
    follow(lead.page, lead.page.get_by_role("link", name="Plan work ahead"))
    fits(lead)
    expect(lead.page.get_by_label("Housing")).to_have_value("EF-07")
    lead.page.get_by_label("Begins").fill(f"{day}T07:30")
    lead.page.get_by_label("Ends").fill(f"{day}T15:00")
    lead.page.get_by_label("Why the work is planned").fill("pressure drop near its limit")
    lead.page.get_by_label(re.compile(HANDS)).check(force=True)
    lead.page.get_by_role("button", name="Plan it").click()
    lead.page.get_by_role("link", name=re.compile("PL-0001")).click()
    expect(lead.page.get_by_text("Not ready: 8 of 8 items are open.")).to_be_visible()
    fits(lead)


def answer_all_but_the_space(running: Running, day: date) -> None:
    """Have the safety officer answer everything else."""
    by = next(person.who for person in running.people.everyone() if person.name == OFFICER)
    for item in (kind for kind in applies(Service.BIOLOGICAL) if kind is not Item.SPACE):
        typed = answers(item, Service.BIOLOGICAL) | ({"until": str(day)} if item is Item.PERMIT else {})
        running.site.plans.answer("PL-0001", item, typed, by=by).result()


def judge_the_space(officer: Tablet) -> None:
    """Answer the question of the confined space, at first without its hazards."""
    officer.go("/planned/PL-0001")
    fits(officer)
    follow(officer.page, officer.page.get_by_role("link", name="Confined space"))
    fits(officer)
    officer.page.get_by_label("Is it large enough").select_option("yes")
    officer.page.get_by_label("Are its ways in and out").select_option("yes")
    officer.page.get_by_label("Is it designed for people").select_option("no")
    officer.page.get_by_label("Your reasoning").fill("the plenum behind it is walked in")
    officer.page.get_by_role("button", name="Enter the answer").click()
    expect(officer.page.get_by_role("alert")).to_contain_text("so the hazards count")
    expect(officer.page.get_by_label("Your reasoning")).to_have_value("the plenum behind it is walked in")
    officer.page.get_by_label("Is it large enough").select_option("no")
    officer.page.get_by_role("button", name="Enter the answer").click()
    expect(officer.page.get_by_text("By these answers it is no confined space")).to_be_visible()


def change_and_open(lead: Tablet) -> None:
    """Change one answer of agreed work, see both signatures void below, and come to the page that opens the job."""
    lead.page.get_by_role("link", name="Way of the waste").click()
    lead.page.get_by_label("Container").fill("box")
    lead.page.get_by_role("button", name="Enter the answer").click()
    expect(lead.page.get_by_text(f"since Way of the waste changed by {LEAD}")).to_have_count(2)
    expect(lead.page.get_by_text("Ready: agreed by")).to_have_count(0)
    fits(lead)
    lead.page.get_by_role("link", name="Open the job from this plan").click()
    expect(lead.page.get_by_text("PL-0001 is NOT READY")).to_be_visible()
    expect(lead.page.get_by_label("Why the job is opened all the same")).to_be_visible()
    fits(lead)


def test_work_is_planned_made_ready_agreed_and_void_after_a_change(
    browser: Browser, site: tuple[str, Running], tmp_path: Path
) -> None:
    """The lead at a desk, the safety officer at a tablet; a technician reads it and takes the calendar along."""
    address, running = site
    day = running.site.clock().date() + timedelta(days=9)
    lead, officer = tablet(browser, address, LEAD, WIDE), tablet(browser, address, OFFICER, TALL)

    plan(lead, day)
    answer_all_but_the_space(running, day)
    judge_the_space(officer)
    sign(officer)
    expect(officer.page.get_by_text("nothing is open, and the lead has yet to agree")).to_be_visible()
    lead.go("/planned/PL-0001")
    sign(lead)
    expect(lead.page.get_by_text("Ready: agreed by")).to_be_visible()
    change_and_open(lead)

    officer.sign_in(HANDS)
    officer.go("/planned")
    fits(officer)
    with officer.page.expect_download() as taken:
        officer.page.get_by_role("link", name=HANDS, exact=True).click()
    taken.value.save_as(tmp_path / "own.ics")
    assert b"STATUS:TENTATIVE\r\n" in (tmp_path / "own.ics").read_bytes()


def test_a_lead_drops_a_plan_and_whoever_was_planned_sees_why(
    site: tuple[str, Running], at: SignIn, tmp_path: Path
) -> None:
    """Without a reason it stays; then it stands among what is past, changes no more and is cancelled in calendars."""
    address, running = site
    by = next(person.who for person in running.people.everyone() if person.name == LEAD)
    day = running.site.clock().date() + timedelta(days=20)
    typed = {"housing": "EF-11", "procedure": "change-out", "begins": f"{day}T07:30", "ends": f"{day}T15:00",
             "lead": by.id, "why": "outage"}  # fmt: skip
    running.site.plans.plan(typed, (), by=by).result()
    named = max(item.plan for item in running.site.jobs.site().planned.waiting)
    lead, hands = at(address, LEAD, WIDE), at(address, HANDS, TALL)
    page = lead.page
    lead.go(f"/planned/{named}")
    lead.open_up("Drop the plan")
    page.get_by_label("Why it is dropped").fill("x")
    lead.send("Drop it")
    expect(page.get_by_role("alert")).to_contain_text("Why it is dropped: 1 characters were given")
    expect(page.get_by_label("Why it is dropped")).to_have_value("x")
    page.get_by_label("Why it is dropped").fill("the outage was moved")
    faults = faults_at_both_sizes(page)
    lead.send("Drop it")
    expect(page.locator(".told", has_text="Dropped: ")).to_contain_text("the outage was moved")
    expect(page.get_by_role("link", name="Open the job from this plan")).to_have_count(0)

    hands.go("/planned")
    page = hands.page
    expect(page.locator("h2:has-text('Opened as jobs, or dropped') ~ ul li", has_text=named)).to_contain_text("dropped")
    faults += faults_at_both_sizes(page)
    follow(page, page.get_by_role("link", name=re.compile(named)))
    expect(page.locator(".told", has_text="Dropped: ")).to_contain_text(LEAD)
    hands.go("/planned")
    with page.expect_download() as taken:
        page.get_by_role("link", name="EF-11", exact=True).click()
    taken.value.save_as(tmp_path / "housing.ics")
    assert b"STATUS:CANCELLED\r\n" in (tmp_path / "housing.ics").read_bytes()
    assert faults == []
