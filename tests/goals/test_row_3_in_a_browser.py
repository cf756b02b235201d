"""Row 3: the hazards of a step stand in one view with it, and again whenever somebody comes back."""

from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from tests.browser.driver import HANDS, Tablet, served
from tests.browser.stage import Staged


def boxes(page: Page) -> list[tuple[str, float, float]]:
    """Return the text, top and bottom of each hazard of the step and of its action, as they lie in the window."""
    found = []
    for part in page.locator("#work .hazard, #work .action").all():
        box = part.bounding_box()
        assert box is not None
        found.append((part.inner_text(), box["y"], box["y"] + box["height"]))
    return found


@pytest.mark.parametrize(("width", "height"), [(1280, 800), (800, 1280)])
def test_row_3_the_hazards_of_a_cut_are_in_view_with_it_and_again_on_return(
    browser: Browser, tmp_path: Path, width: int, height: int
) -> None:
    """At both sizes block and action lie inside the window; left for the overview and back again, they stand there."""
    with served(tmp_path) as (address, running):
        job = Staged(running).do_until("Cut the neck midway").job
        context = browser.new_context(viewport={"width": width, "height": height})
        tablet = Tablet(context.new_page(), address)
        tablet.sign_in(HANDS)
        tablet.go(f"/jobs/{job}/now")
        first = boxes(tablet.page)
        tablet.go(f"/jobs/{job}")
        tablet.go(f"/jobs/{job}/now")
        again = boxes(tablet.page)
        context.close()

    assert len(first) > 1
    assert any("Cut the neck" in text for text, _, _ in first)
    assert all(0 <= top < bottom <= height for _, top, bottom in first), first
    assert again == first
