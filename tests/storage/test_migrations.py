"""A database of an earlier version is taken up whole or not at all, and what was signed stays as it was signed."""

import gzip
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, event, text
from sqlalchemy.engine import Connection

from app.ledger.check import check_entries
from app.ledger.heads import Head
from app.storage.engine import open_engine
from app.storage.faults import StorageFault
from app.storage.migrations import STEPS, Step, newest
from app.storage.tables import SCHEMA_VERSION, create_schema

FROZEN = Path(__file__).resolve().parent / "frozen"
VERSIONS = range(1, SCHEMA_VERSION + 1)
DATABASE = "changeout.sqlite3"


class Cut(Exception):  # noqa: N818  (what happened, not an error of the program)
    """The program ended here."""


def to_made_up_2(connection: Connection) -> None:
    """Take version 1 to a version 2 that exists in this test only: a new table filled from an old one, a new column."""
    for statement in (
        "CREATE TABLE made_up (ledger TEXT PRIMARY KEY, entries INTEGER NOT NULL) WITHOUT ROWID",
        "INSERT INTO made_up SELECT ledger, COUNT(*) FROM entry GROUP BY ledger",
        "ALTER TABLE person ADD COLUMN language TEXT NOT NULL DEFAULT 'en'",
        "UPDATE person SET language = 'de' WHERE role = 'lead'",
    ):
        connection.execute(text(statement))


def strand_the_sessions(connection: Connection) -> None:
    """Be a bad step: delete the people that sessions point to."""
    connection.execute(text("DELETE FROM person"))


UP: tuple[Step, ...] = (*STEPS, to_made_up_2)


def thawed(folder: Path, version: int) -> Path:
    """Write the frozen database of a version into a folder and return its path."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / DATABASE
    path.write_bytes(gzip.decompress((FROZEN / f"schema-{version}.sqlite3.gz").read_bytes()))
    return path


@contextmanager
def opened(path: Path) -> Iterator[Engine]:
    """Open a database as the program does."""
    engine = open_engine(path)
    try:
        yield engine
    finally:
        engine.dispose()


def contents(path: Path) -> tuple[int, list[str]]:
    """Return the version mark and every row and definition, by a plain driver."""
    with closing(sqlite3.connect(path)) as driver:
        (version,) = driver.execute("PRAGMA user_version").fetchone()
        assert driver.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        return version, list(driver.iterdump())


def definitions(path: Path) -> list[Any]:
    """Return what the database consists of."""
    with closing(sqlite3.connect(path)) as driver:
        return driver.execute("SELECT type, name, sql FROM sqlite_master ORDER BY name").fetchall()


def ledgers(path: Path) -> dict[str, tuple[list[bytes], list[Head]]]:
    """Return payloads and heads of every ledger."""
    with closing(sqlite3.connect(path)) as driver:
        names = [row[0] for row in driver.execute("SELECT DISTINCT ledger FROM entry")]
        return {
            name: (
                [row[0] for row in driver.execute("SELECT payload FROM entry WHERE ledger=? ORDER BY seq", (name,))],
                [Head(*row) for row in driver.execute(
                    "SELECT ledger, size, root, at, key_id, signature FROM head WHERE ledger=? ORDER BY size", (name,)
                )],
            )
            for name in names
        }  # fmt: skip


def statements_of(engine: Engine, *, fail_at: int = 0, before_each: Any = None) -> list[str]:
    """Collect what the engine sends; fail before one of the statements, or do something before each."""
    sent: list[str] = []

    def note(_connection: Any, _cursor: Any, statement: str, *_: object) -> None:
        sent.append(statement)
        if before_each is not None:
            before_each(len(sent))
        if len(sent) == fail_at:
            raise Cut

    event.listen(engine, "before_cursor_execute", note)
    return sent


@pytest.mark.parametrize("version", VERSIONS)
def test_every_released_version_is_kept_and_still_verifies_after_it_is_opened(tmp_path: Path, version: int) -> None:
    """A database made by the program of its day opens, has today's schema, and its entries and heads are untouched."""
    path = thawed(tmp_path / "old", version)
    before = ledgers(path)
    with opened(tmp_path / "fresh" / DATABASE) as engine:
        create_schema(engine)

    with opened(path) as engine:
        create_schema(engine)
        create_schema(engine)

    certificate = (FROZEN / f"schema-{version}.crt").read_text("ascii")
    assert contents(path)[0] == SCHEMA_VERSION
    assert definitions(path) == definitions(tmp_path / "fresh" / DATABASE)
    assert ledgers(path) == before
    assert len(before) > 1
    for name, (payloads, heads) in before.items():
        assert check_entries(ledger=name, payloads=payloads, heads=heads, certificate_pem=certificate) == ()


def test_a_step_takes_an_earlier_version_up(tmp_path: Path) -> None:
    """A made-up second version is reached by its step once, and no entry or head changes on the way."""
    path = thawed(tmp_path, SCHEMA_VERSION)
    before = ledgers(path)

    with opened(path) as engine:
        create_schema(engine, steps=UP)
        create_schema(engine, steps=UP)

    with closing(sqlite3.connect(path)) as driver:
        counted = dict(driver.execute("SELECT ledger, entries FROM made_up"))
        assert {row[0] for row in driver.execute("SELECT language FROM person WHERE role='lead'")} == {"de"}
    assert contents(path)[0] == newest(UP) == SCHEMA_VERSION + 1
    assert counted == {name: len(payloads) for name, (payloads, _) in before.items()}
    assert ledgers(path) == before


def test_a_failure_at_any_statement_leaves_the_earlier_version_whole(tmp_path: Path) -> None:
    """Whichever statement of the step fails, every row and the version mark are as before, and the next start works."""
    with opened(thawed(tmp_path / "once", SCHEMA_VERSION)) as engine:
        sent = statements_of(engine)
        create_schema(engine, steps=UP)
    path = thawed(tmp_path / "swept", SCHEMA_VERSION)
    before = contents(path)

    for place in range(1, len(sent) + 1):
        with opened(path) as engine:
            statements_of(engine, fail_at=place)
            with pytest.raises(Cut):
                create_schema(engine, steps=UP)
        assert contents(path) == before, sent[place - 1]

    with opened(path) as engine:
        create_schema(engine, steps=UP)
    assert contents(path) == contents(tmp_path / "once" / DATABASE)
    assert len(sent) > len(("CREATE", "INSERT", "ALTER", "UPDATE", "PRAGMA"))


def test_a_program_that_ends_at_any_statement_leaves_the_old_or_the_new_version(tmp_path: Path) -> None:
    """The files as they lie on the disk before each statement, and at the end, open as one of the two versions."""
    path = thawed(tmp_path / "live", SCHEMA_VERSION)
    old = contents(path)

    def keep(number: int) -> None:
        cut = tmp_path / f"cut-{number}"
        cut.mkdir()
        for suffix in ("", "-wal"):  # the third file is rebuilt from these two
            if (source := path.with_name(DATABASE + suffix)).exists():
                shutil.copyfile(source, cut / source.name)

    with opened(path) as engine:
        sent = statements_of(engine, before_each=keep)
        create_schema(engine, steps=UP)
        keep(len(sent) + 1)
    new = contents(path)

    found = [contents(tmp_path / f"cut-{number}" / DATABASE) for number in range(1, len(sent) + 2)]
    assert found[:-1] == [old] * len(sent)
    assert found[-1] == new != old


def test_a_step_that_leaves_a_row_pointing_nowhere_is_undone(tmp_path: Path) -> None:
    """Foreign keys are asked before the commit, and the sentence says that nothing changed."""
    path = thawed(tmp_path, SCHEMA_VERSION)
    before = contents(path)

    with opened(path) as engine, pytest.raises(StorageFault, match="it is unchanged"):
        create_schema(engine, steps=(*STEPS, strand_the_sessions))

    assert contents(path) == before


def test_a_newer_database_keeps_every_byte(tmp_path: Path) -> None:
    """What a later version wrote is refused in one sentence, and its file is the same to the last byte."""
    path = thawed(tmp_path, SCHEMA_VERSION)
    with opened(path) as engine:
        create_schema(engine, steps=UP)
    before = sha256(path.read_bytes()).hexdigest()

    with opened(path) as engine, pytest.raises(StorageFault, match="newer version") as told:
        create_schema(engine)

    assert sha256(path.read_bytes()).hexdigest() == before
    assert str(told.value).count(". ") == 0
