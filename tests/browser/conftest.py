"""Every test here drives the one Chromium of the run."""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext, ViewportSize

    from tests.browser.driver import Tablet


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark every test of this folder."""
    for item in items:
        if Path(__file__).parent in item.path.parents:
            item.add_marker(pytest.mark.browser)


@pytest.fixture
def at(browser: "Browser") -> "Iterator[Callable[[str, str, ViewportSize], Tablet]]":
    """Yield what gives somebody a tablet of their own, of this size, at which they are signed in."""
    from tests.browser.driver import Tablet

    contexts: list[BrowserContext] = []

    def sign_in(address: str, name: str, size: "ViewportSize") -> Tablet:
        contexts.append(browser.new_context(viewport=size))
        made = Tablet(contexts[-1].new_page(), address, f"tablet of {name}")
        made.sign_in(name)
        return made

    yield sign_in
    for context in contexts:
        context.close()
