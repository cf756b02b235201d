"""What is read to find one person."""

from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Row, Select

from app.bootstrap import start
from app.domain.procedure import Role
from app.domain.refused import Refused
from app.domain.watch_events import CodeUsed
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


def test_a_code_is_used_up_once_whoever_is_first(site_folder: Path, tmp_path: Path) -> None:
    """Of two who have proved themselves by it one goes on, also where the administrator has given another meanwhile.

    Nobody chooses a secret by a code that has opened no session.
    """
    running = start(Settings(data=copied(site_folder, tmp_path / "site")))
    people, admin = running.people, running.people.everyone()[0].who
    made, code = people.add("Late Joiner", Role.TECHNICIAN, by=admin, identity="site pass seen")
    one, two = (people.prove(made.id, code, tablet=f"tablet {number}") for number in (1, 2))
    asked = {"tablet": "tablet 1", "words": (), "accepted": True}

    with pytest.raises(Refused, match="Sign in with the one-time code first"):
        people.choose_secret(made.id, code, "green lamp over water", **asked)  # type: ignore[arg-type]
    people.use_code(one, tablet="tablet 1")
    with pytest.raises(Refused, match="opens no other"):
        people.use_code(two, tablet="tablet 2")
    with pytest.raises(Refused, match="opens no other"):
        people.prove(made.id, code, tablet="tablet 2")
    with pytest.raises(Refused, match="which signs nothing"):
        people.prove_to_sign(made.id, code, tablet="tablet 1")
    newer = people.reset(made.id, by=admin, identity="site pass seen")
    three = people.prove(made.id, newer, tablet="tablet 3")
    people.use_code(three, tablet="tablet 3")
    people.choose_secret(made.id, "", "green lamp over water", **asked)  # type: ignore[arg-type]
    with pytest.raises(Refused, match="do not belong together"):
        people.prove(made.id, newer, tablet="tablet 3")
    people.use_code(people.prove(made.id, "green lamp over water", tablet="tablet 3"), tablet="tablet 3")
    used = [event.tablet for event in running.site.jobs.site_events() if isinstance(event, CodeUsed)]
    running.close()

    assert used == ["tablet 1", "tablet 3"]
