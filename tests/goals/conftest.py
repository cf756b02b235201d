"""What the goal tests share with the page tests and the browser tests."""

from pathlib import Path

import pytest

from tests.web.conftest import clock, desk

__all__ = ["clock", "desk"]


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what needs a browser."""
    for item in items:
        if item.path.parent == Path(__file__).parent and item.path.stem.endswith("in_a_browser"):
            item.add_marker(pytest.mark.browser)
