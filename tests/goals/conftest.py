"""What the rows share: a sample site by a clock that is told."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.web.desk import Clock, Desk


@pytest.fixture
def clock() -> Clock:
    """A told clock."""
    return Clock()


@pytest.fixture
def desk(tmp_path: Path, clock: Clock) -> Iterator[Desk]:
    """A sample site with its people, by a clock that is told."""
    made = Desk.at(tmp_path, clock)
    yield made
    made.running.close()
