"""What the page tests share: a site by a fixed clock."""

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.web.desk import Desk


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    """A sample site with its people, at one fixed moment."""
    made = Desk.at(tmp_path, lambda: datetime(2026, 3, 2, 7, 15, tzinfo=UTC))
    yield made
    made.running.close()
