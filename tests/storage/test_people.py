"""What is read to find one person."""

from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Row, Select

from app.bootstrap import start
from app.settings import Settings
from tests.storage.kept_sites import copied


def test_one_person_is_found_without_reading_all(
    site_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is one row, also of somebody who has left, and none for an id that nobody has."""
    running = start(Settings(data=copied(site_folder, tmp_path / "site")))
    people, read = running.people, running.store.read_rows
    gone, by = (person.who for person in people.everyone()[:2])
    people.leave(gone.id, by=by)
    rows: list[Row[Any]] = []

    def noted(statement: Select[Any]) -> list[Row[Any]]:
        found = read(statement)
        rows.extend(found)
        return found

    monkeypatch.setattr(running.store, "read_rows", noted)
    found, nobody = people.find(gone.id), people.find("nobody")
    running.close()

    assert found is not None
    assert (found.who, found.active, nobody) == (gone, False, None)
    assert len(rows) == 1
