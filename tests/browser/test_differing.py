"""What people see when two accounts of a step differ: soon, all of it, and at twice the size."""

import re
from collections.abc import Callable, Iterator
from time import monotonic

import pytest
from playwright.sync_api import Browser, BrowserContext, expect

from app.bootstrap import Running
from app.services.rehearsal import commands_for
from tests.browser.driver import EYES, HANDS, NIGHT_LEAD, Tablet, served
from tests.browser.stage import Staged
from tests.browser.test_kept import carry

SOON_S = 2.0
TIME = re.compile(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d [+-]\d\d:\d\d")
SEEN = "() => document.querySelector('.work-contests') !== null"


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
        expect(told).to_contain_text("Step 24: Twist the bag into")
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
