"""What people see when two accounts of a step differ: soon, all of it, and at twice the size."""

import re
from collections.abc import Callable, Iterator
from time import monotonic

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect

from app.bootstrap import Running
from app.services.rehearsal import commands_for
from tests.browser.driver import EYES, HANDS, NIGHT_LEAD, Tablet, served
from tests.browser.stage import Staged
from tests.browser.test_kept import carry

SOON_S = 2.0
MOST_COVERED = 0.45
TIME = re.compile(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d [+-]\d\d:\d\d")
SEEN = "() => document.querySelector('.work-contests') !== null"

ZOOMED = ((640, 400), (400, 640))
"""A tablet of 1280 by 800 at 200 %, both ways up."""


STICKING_OUT = """() => [...document.body.querySelectorAll("*")]
  .filter(element => element.getBoundingClientRect().right > innerWidth)
  .map(element => element.outerHTML.slice(0, 80))"""


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Running]]:
    """One served site for this file."""
    with served(tmp_path_factory.mktemp("differing")) as found:
        yield found


@pytest.fixture
def tablet_for(site: tuple[str, Running], browser: Browser) -> Iterator[Callable[[str], Tablet]]:
    """Give tablets, each with a browser profile of its own."""
    contexts: list[BrowserContext] = []

    def made(name: str) -> Tablet:
        contexts.append(browser.new_context(viewport={"width": 1280, "height": 800}))
        tablet = Tablet(contexts[-1].new_page(), site[0], f"tablet of {name}")
        tablet.sign_in(name)
        return tablet

    yield made
    for context in contexts:
        context.close()


def differing(site: tuple[str, Running], away: Tablet, other: Tablet | None = None) -> tuple[Staged, float]:
    """Let a tablet mark out of reach what others mark meanwhile, and come back; return how soon it shows that."""
    staged = Staged(site[1]).do_until("Twist the bag into")
    carry(away, staged)
    away.page.context.set_offline(True)
    away.do_step(length="210")
    for command, _ in commands_for(staged.state, staged.cast()):
        staged.do(command, EYES)
    if other is not None:
        other.go(f"/jobs/{staged.job}/now")
    begun = monotonic()
    away.page.context.set_offline(False)
    away.page.wait_for_function(SEEN)
    return staged, monotonic() - begun


def test_two_accounts_are_told_whole_and_soon(site: tuple[str, Running], tablet_for: Callable[[str], Tablet]) -> None:
    """Within 2 s the tablet that came back says who, where, both times, what is blocked and whom to call."""
    away, other, lead = tablet_for(HANDS), tablet_for(EYES), tablet_for(NIGHT_LEAD)
    staged, soon = differing(site, away, other)
    other.answer_all()
    begun = monotonic()
    other.page.evaluate("window.handMoved()")
    other.page.locator(".work-controls .primary").click()
    other.page.wait_for_function(SEEN)
    next_tap = monotonic() - begun
    lead.go(f"/jobs/{staged.job}/now")

    assert soon < SOON_S
    assert next_tap < SOON_S
    for tablet in (away, other, lead):
        told = tablet.page.locator("main")
        expect(told).to_contain_text("Two accounts differ. Look at the housing")
        expect(told).to_contain_text("Step 25: Twist the bag into")
        facts = tablet.page.locator("dl.facts dd").all_inner_texts()
        assert [len(TIME.findall(fact)) for fact in facts] == [1, 1]
        assert facts[0].startswith(f"{EYES}, tablet 9, ")
        assert facts[1].startswith(f"{HANDS}, tablet of {HANDS}, ")
        assert "by that tablet's clock" in facts[1]
        assert facts[0].endswith("Gathered length: 150 mm")
        assert facts[1].endswith("Gathered length: 210 mm")
        expect(told).to_contain_text("Nothing more is marked in this job until")
    for tablet in (away, other):
        expect(tablet.page.locator("main")).to_contain_text("Call a lead who made none of these marks.")
    expect(lead.page.get_by_role("button", name="Settle what is ticked")).to_be_visible()


def covered(page: Page) -> float:
    """Return how much of the window's height is under what stays at its foot, from 0 to 1."""
    page.evaluate("scrollTo(0, 0)")
    return float(
        page.evaluate(
            """() => {
          const rows = Array.from({ length: innerHeight / 4 }, (_, row) => row * 4);
          const found = rows.map(row => document.elementFromPoint(innerWidth / 2, row));
          return found.filter(element => element?.closest(".work-foot")).length / rows.length;
        }"""
        )
    )


@pytest.mark.parametrize("size", ZOOMED, ids=["landscape", "portrait"])
def test_two_accounts_can_be_read_at_twice_the_size(
    site: tuple[str, Running], tablet_for: Callable[[str], Tablet], size: tuple[int, int]
) -> None:
    """At 200 % nothing scrolls sideways, most of the window is for reading, and STOP WORK stays in it."""
    away, lead = tablet_for(HANDS), tablet_for(NIGHT_LEAD)
    staged, _ = differing(site, away)
    lead.go(f"/jobs/{staged.job}/now")
    for page in (away.page, lead.page):
        page.set_viewport_size({"width": size[0], "height": size[1]})
        wide = page.evaluate("[document.documentElement.scrollWidth, innerWidth]")

        assert wide[0] <= wide[1], page.evaluate(STICKING_OUT)
        assert covered(page) < MOST_COVERED
        expect(page.get_by_role("button", name="STOP WORK")).to_be_in_viewport(ratio=1)
