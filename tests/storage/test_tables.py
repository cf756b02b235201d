"""The ledger's tables cannot be changed, whatever statement tries."""

from pathlib import Path

import pytest
from sqlalchemy import Engine, text
from sqlalchemy.exc import IntegrityError

from app.storage.engine import open_engine, reader
from app.storage.faults import StorageFault
from app.storage.tables import SCHEMA_VERSION, create_schema

ROWS = {
    "entry": "INSERT INTO entry VALUES ('job-1', 0, x'00', x'01')",
    "head": "INSERT INTO head VALUES ('job-1', 1, x'00', 'at', 'key', x'01')",
    "request": "INSERT INTO request VALUES ('token', 'job-1', 'digest', 0)",
}
CHANGES = [
    "UPDATE entry SET payload = x'02'",
    "UPDATE entry SET seq = 5",
    "DELETE FROM entry",
    "REPLACE INTO entry VALUES ('job-1', 0, x'02', x'03')",
    "INSERT INTO entry VALUES ('job-1', 0, x'02', x'03') ON CONFLICT DO UPDATE SET payload = x'02'",
    "INSERT INTO entry VALUES ('job-1', 2, x'02', x'03')",
    "INSERT INTO entry VALUES ('job-1', -1, x'02', x'03')",
    "INSERT INTO entry VALUES ('job-2', 1, x'02', x'03')",
    "UPDATE head SET root = x'02'",
    "DELETE FROM head",
    "REPLACE INTO head VALUES ('job-1', 1, x'02', 'at', 'key', x'03')",
    "INSERT INTO head VALUES ('job-1', 0, x'02', 'at', 'key', x'03')",
    "UPDATE request SET seq = 1",
    "DELETE FROM request",
    "REPLACE INTO request VALUES ('token', 'job-1', 'other', 1)",
]


@pytest.fixture
def filled(engine: Engine) -> Engine:
    """Put one row into each table that is kept for ever."""
    with engine.begin() as connection:
        for statement in ROWS.values():
            connection.execute(text(statement))
    return engine


def contents(engine: Engine) -> list[object]:
    """Return all rows of the kept tables."""
    with reader(engine).connect() as connection:
        return [tuple(row) for table in ROWS for row in connection.execute(text(f"SELECT * FROM {table}"))]


@pytest.mark.parametrize("statement", CHANGES)
def test_what_is_kept_cannot_be_changed(filled: Engine, statement: str) -> None:
    """UPDATE, DELETE, REPLACE, upserts, gaps and steps back are all aborted."""
    before = contents(filled)

    with pytest.raises(IntegrityError), filled.begin() as connection:
        connection.execute(text(statement))

    assert contents(filled) == before
    assert len(before) == 3


def test_the_next_entry_and_head_go_in(filled: Engine) -> None:
    """The triggers stop changes, not growth."""
    with filled.begin() as connection:
        connection.execute(text("INSERT INTO entry VALUES ('job-1', 1, x'02', x'03')"))
        connection.execute(text("INSERT INTO entry VALUES ('job-2', 0, x'02', x'03')"))
        connection.execute(text("INSERT INTO head VALUES ('job-1', 2, x'02', 'at', 'key', x'03')"))

    assert len(contents(filled)) == 6


def test_making_the_schema_again_changes_nothing(filled: Engine) -> None:
    """A second start finds everything in place."""
    listing = text("SELECT name, sql FROM sqlite_master ORDER BY name")
    with reader(filled).connect() as connection:
        before = connection.execute(listing).all()

    create_schema(filled)

    with reader(filled).connect() as connection:
        assert connection.execute(listing).all() == before
        assert connection.execute(text("PRAGMA user_version")).scalar_one() == SCHEMA_VERSION
    assert len(contents(filled)) == 3


def test_a_newer_database_is_refused_untouched(engine: Engine) -> None:
    """What a later version wrote is not opened by an earlier one, and nothing in it is made or changed."""
    with engine.begin() as connection:
        connection.execute(text("DROP TABLE ledger_name"))
        connection.execute(text(f"PRAGMA user_version = {SCHEMA_VERSION + 1}"))

    with pytest.raises(StorageFault, match="newer version"):
        create_schema(engine)

    with reader(engine).connect() as connection:
        assert connection.execute(text("PRAGMA user_version")).scalar_one() == SCHEMA_VERSION + 1
        assert connection.execute(text("SELECT count(*) FROM sqlite_master WHERE name='ledger_name'")).scalar_one() == 0


def test_a_disk_without_room_for_the_schema_is_told(tmp_path: Path) -> None:
    """A start on a full disk ends in a sentence, not in the database's own error."""
    engine = open_engine(tmp_path / "changeout.sqlite")
    with reader(engine).connect() as connection:
        connection.execute(text("PRAGMA max_page_count=1"))

    with pytest.raises(StorageFault, match="full"):
        create_schema(engine)

    engine.dispose()


def test_a_session_needs_its_person(engine: Engine) -> None:
    """Foreign keys are on: no session without a person."""
    with pytest.raises(IntegrityError, match="FOREIGN KEY"), engine.begin() as connection:
        connection.execute(text("INSERT INTO session VALUES ('hash', 'nobody', 'tablet', 'at', 'at', NULL)"))
