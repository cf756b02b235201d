"""The ledger's tables cannot be changed, whatever statement tries."""

import re
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, text
from sqlalchemy.exc import IntegrityError

from app.storage.engine import kind_of, open_engine, reader
from app.storage.faults import StorageFault
from app.storage.migrations import mark
from app.storage.tables import SCHEMA_VERSION, create_schema, schema_found
from tests.storage.conftest import ON_POSTGRESQL

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


BYTES = re.compile("x'([0-9a-f]*)'")
REPLACED = re.compile("REPLACE INTO (.*)")


def said(engine: Engine, statement: str) -> Any:
    """Return a statement in the engine's own words: bytes, and REPLACE, which PostgreSQL has not."""
    if engine.dialect.name == "postgresql":
        statement = BYTES.sub(r"'\\x\1'", REPLACED.sub(r"INSERT INTO \1 ON CONFLICT DO NOTHING", statement))
        statement = statement.replace("ON CONFLICT DO UPDATE", "ON CONFLICT (ledger, seq) DO UPDATE")
    return text(statement)


@pytest.fixture
def filled(engine: Engine) -> Engine:
    """Put one row into each table that is kept for ever."""
    with engine.begin() as connection:
        for statement in ROWS.values():
            connection.execute(said(engine, statement))
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
        connection.execute(said(filled, statement))

    assert contents(filled) == before
    assert len(before) == 3


def test_the_next_entry_and_head_go_in(filled: Engine) -> None:
    """The triggers stop changes, not growth."""
    with filled.begin() as connection:
        connection.execute(said(filled, "INSERT INTO entry VALUES ('job-1', 1, x'02', x'03')"))
        connection.execute(said(filled, "INSERT INTO entry VALUES ('job-2', 0, x'02', x'03')"))
        connection.execute(said(filled, "INSERT INTO head VALUES ('job-1', 2, x'02', 'at', 'key', x'03')"))

    assert len(contents(filled)) == 6


LISTINGS = {
    "sqlite": "SELECT name, sql FROM sqlite_master ORDER BY name",
    "postgresql": """
        SELECT oid, relname::text, xmin::text FROM pg_class WHERE relnamespace = 'public'::regnamespace UNION ALL
        SELECT oid, tgname::text || tgenabled::text, xmin::text FROM pg_trigger UNION ALL
        SELECT oid, proname || prosrc, xmin::text FROM pg_proc WHERE pronamespace = 'public'::regnamespace ORDER BY 1
    """,
}


def definitions(engine: Engine) -> list[Any]:
    """Return what the database consists of; on PostgreSQL with the transaction that made each part."""
    with reader(engine).connect() as connection:
        return list(connection.execute(text(LISTINGS[engine.dialect.name])))


def test_making_the_schema_again_changes_nothing(filled: Engine) -> None:
    """A second start finds everything in place, and makes no part of it again."""
    before = definitions(filled)

    create_schema(filled)

    assert definitions(filled) == before
    assert schema_found(filled) == SCHEMA_VERSION
    assert len(contents(filled)) == 3


def test_a_newer_database_is_refused_untouched(engine: Engine) -> None:
    """What a later version wrote is not opened by an earlier one, and nothing in it is made or changed."""
    with engine.begin() as connection:
        connection.execute(text("DROP TABLE ledger_name"))
        mark(connection, kind_of(engine), SCHEMA_VERSION + 1)
    before = definitions(engine)

    with pytest.raises(StorageFault, match="newer version"):
        create_schema(engine)

    assert schema_found(engine) == SCHEMA_VERSION + 1
    assert definitions(engine) == before


@ON_POSTGRESQL
@pytest.mark.parametrize("statement", ["TRUNCATE entry", "TRUNCATE entry, head, request"])
def test_what_is_kept_cannot_be_emptied_even_as_a_replica(filled: Engine, statement: str) -> None:
    """TRUNCATE is aborted, too, and so is everything in a session that plays a replica, where triggers may rest."""
    before = contents(filled)

    for role in ("origin", "replica"):
        both = text(f"SET LOCAL session_replication_role = {role}; {statement}")
        with pytest.raises(IntegrityError, match="never changed"), filled.begin() as connection:
            connection.execute(both)

    assert contents(filled) == before


@ON_POSTGRESQL
def test_a_trigger_that_was_put_to_rest_is_woken_by_the_next_start(filled: Engine) -> None:
    """What somebody turned off at the server is on again after a start."""
    with filled.begin() as connection:
        connection.execute(text("ALTER TABLE entry DISABLE TRIGGER ALL"))

    create_schema(filled)

    with pytest.raises(IntegrityError), filled.begin() as connection:
        connection.execute(text("DELETE FROM entry"))


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
    with pytest.raises(IntegrityError, match=r"(?i)foreign key"), engine.begin() as connection:
        connection.execute(text("INSERT INTO session VALUES ('hash', 'nobody', 'tablet', 'at', 'at', NULL)"))
