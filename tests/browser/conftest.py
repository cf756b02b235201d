"""One Chromium for the whole run; every test here is skipped, with a message, where there is none."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from tests.browser.driver import a_browser, chromium_path


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark every test of this folder."""
    for item in items:
        if Path(__file__).parent in item.path.parents:
            item.add_marker(pytest.mark.browser)


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Yield the one browser."""
    if chromium_path() is None:
        pytest.skip("No Chromium was found. Install the package `chromium` to run the browser tests.")
    with a_browser() as found:
        yield found
