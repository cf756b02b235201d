"""A database of an earlier version is taken up whole or not at all, and what was signed stays as it was signed."""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, event, text

from app.ledger.check import check_entries
from app.storage.engine import kind_of, reader
from app.storage.faults import StorageFault
from app.storage.migrations import STEPS, Steps, mark, revision, upgrade, version_of
from app.storage.tables import SCHEMA_VERSION, create_schema, schema_found
from tests.engines.server import PostgresServer
from tests.storage.thawing import DATABASE, Kept, Place

HERE = Path(__file__).resolve().parent
VERSIONS = range(1, SCHEMA_VERSION + 1)
UP = Steps(newest=SCHEMA_VERSION + 1, folders=(*STEPS.folders, HERE / "steps" / "made_up"))
STRANDING = Steps(newest=SCHEMA_VERSION + 1, folders=(*STEPS.folders, HERE / "steps" / "stranding"))


class Cut(Exception):  # noqa: N818  (what happened, not an error of the program)
    """The program ended here."""


@pytest.fixture(params=["sqlite", "postgresql"])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> Place:
    """Make databases of each kind in turn."""
    server: PostgresServer | None = None
    if request.param == "postgresql":
        server = request.getfixturevalue("postgres")
    return Place(tmp_path, server)


@pytest.fixture
def files(tmp_path: Path) -> Place:
    """Make SQLite files only."""
    return Place(tmp_path, None)


@contextmanager
def opened(kept: Kept) -> Iterator[Engine]:
    """Open a database as the program does."""
    engine = kept.engine()
    try:
        yield engine
    finally:
        engine.dispose()


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
def test_every_released_version_is_kept_and_still_verifies_after_it_is_opened(place: Place, version: int) -> None:
    """A database made by the program of its day opens, has today's schema, and its entries and heads are untouched."""
    old, fresh = place.thawed(version), place.empty("fresh")
    before = old.ledgers()
    with opened(fresh) as engine:
        create_schema(engine)

    with opened(old) as engine:
        create_schema(engine)
        create_schema(engine)
        found = schema_found(engine)

    assert found == SCHEMA_VERSION
    assert old.definitions() == fresh.definitions()
    assert old.ledgers() == before
    assert len(before) > 1
    for name, (payloads, heads) in before.items():
        assert (
            check_entries(ledger=name, payloads=payloads, heads=heads, certificate_pem=place.certificate(version)) == ()
        )


def test_all_steps_from_nothing_give_what_a_new_database_is(place: Place) -> None:
    """The tables as the program has them, and every step one after another: the same definitions to the letter."""
    stepped, fresh = place.empty("stepped"), place.empty("fresh")
    with opened(fresh) as engine:
        create_schema(engine)

    with opened(stepped) as engine, engine.begin() as connection:
        upgrade(connection, STEPS)
        kind_of(engine).lay_triggers(connection)
        mark(connection, kind_of(engine), STEPS.newest)

    assert stepped.contents() == fresh.contents()


def test_the_newest_step_is_the_version_that_the_program_has() -> None:
    """There is one chain of steps without a gap, and the number beside it is that of its end."""
    from alembic.script import ScriptDirectory

    script = ScriptDirectory(str(STEPS.folders[0].parent), version_locations=[str(STEPS.folders[0])])

    assert script.get_heads() == [revision(SCHEMA_VERSION)]
    assert [version_of(step.revision) for step in script.walk_revisions()] == list(range(SCHEMA_VERSION, 0, -1))


def test_a_step_takes_an_earlier_version_up(place: Place) -> None:
    """A made-up next version is reached by its step once, and no entry or head changes on the way."""
    kept = place.thawed(SCHEMA_VERSION)
    before = kept.ledgers()

    with opened(kept) as engine:
        create_schema(engine, steps=UP)
        create_schema(engine, steps=UP)

        with reader(engine).connect() as connection:
            counted = {row.ledger: row.entries for row in connection.execute(text("SELECT * FROM made_up"))}
            spoken = connection.execute(text("SELECT DISTINCT language FROM person WHERE role = 'lead'")).scalars()
            assert list(spoken) == ["de"]
            assert connection.execute(text("SELECT count(*) FROM session")).scalar_one() == 1
        assert schema_found(engine) == UP.newest == SCHEMA_VERSION + 1

    assert counted == {name: len(payloads) for name, (payloads, _) in before.items()}
    assert kept.ledgers() == before


def test_a_failure_at_any_statement_leaves_the_earlier_version_whole(place: Place) -> None:
    """Whichever statement of the step fails, every row and the version mark are as before, and the next start works."""
    once = place.thawed(SCHEMA_VERSION, "once")
    with opened(once) as engine:
        sent = statements_of(engine)
        create_schema(engine, steps=UP)
    swept = place.thawed(SCHEMA_VERSION, "swept")
    before = swept.contents()

    for number in range(1, len(sent) + 1):
        with opened(swept) as engine:
            statements_of(engine, fail_at=number)
            with pytest.raises(Cut):
                create_schema(engine, steps=UP)
        assert swept.contents() == before, sent[number - 1]

    with opened(swept) as engine:
        create_schema(engine, steps=UP)
    assert swept.contents() == once.contents() != before
    assert len(sent) > len(("CREATE", "INSERT", "ALTER", "UPDATE", "PRAGMA"))


def test_a_program_that_ends_at_any_statement_leaves_the_old_or_the_new_version(files: Place, tmp_path: Path) -> None:
    """The files as they lie on the disk before each statement, and at the end, open as one of the two versions."""
    live = files.thawed(SCHEMA_VERSION)
    old = live.contents()

    def keep(number: int) -> None:
        cut = tmp_path / f"cut-{number}"
        cut.mkdir()
        for suffix in ("", "-wal"):  # the third file is rebuilt from these two
            if (source := live.path.with_name(DATABASE + suffix)).exists():
                shutil.copyfile(source, cut / source.name)

    with opened(live) as engine:
        sent = statements_of(engine, before_each=keep)
        create_schema(engine, steps=UP)
        keep(len(sent) + 1)
    new = live.contents()

    found = [Kept(tmp_path / f"cut-{number}" / DATABASE, None, None).contents() for number in range(1, len(sent) + 2)]
    assert found[:-1] == [old] * len(sent)
    assert found[-1] == new != old


def test_a_step_that_leaves_a_row_pointing_nowhere_is_undone(place: Place) -> None:
    """Foreign keys are asked before the commit, and nothing changes."""
    kept = place.thawed(SCHEMA_VERSION)
    before = kept.contents()

    with opened(kept) as engine, pytest.raises(StorageFault, match=r"it is unchanged|foreign key"):
        create_schema(engine, steps=STRANDING)

    assert kept.contents() == before


def test_a_newer_database_keeps_every_byte(place: Place) -> None:
    """What a later version wrote is refused in one sentence, and it is the same to the last byte."""
    kept = place.thawed(SCHEMA_VERSION)
    with opened(kept) as engine:
        create_schema(engine, steps=UP)
    before = kept.contents(), sha256(kept.path.read_bytes() if kept.server is None else b"").hexdigest()

    with opened(kept) as engine, pytest.raises(StorageFault, match="newer version") as told:
        create_schema(engine)

    assert sha256(kept.path.read_bytes() if kept.server is None else b"").hexdigest() == before[1]
    assert kept.contents() == before[0]
    assert str(told.value).count(". ") == 0


def test_a_file_from_before_alembic_keeps_the_mark_that_its_program_reads(files: Place) -> None:
    """A file without the new mark gets it beside the old one, which stays what the program of its day knows."""
    kept = files.thawed(1)
    before = kept.contents()

    with opened(kept) as engine:
        create_schema(engine)

    added = [line for line in kept.contents() if line not in before]
    assert before[0] == "version 1"
    assert not any("alembic_version" in line for line in before)
    assert [line.partition("(")[0].strip().strip('"') for line in added] == [
        "CREATE TABLE alembic_version",
        'INSERT INTO "alembic_version" VALUES',
    ]


@pytest.mark.parametrize(
    ("statement", "words"),
    [
        ("CREATE TABLE person (id int)", "did not make"),
        ("CREATE TABLE alembic_version AS SELECT '0f3a' AS version_num", "another program"),
    ],
)
def test_another_programs_database_is_refused_untouched(
    postgres: PostgresServer, tmp_path: Path, statement: str, words: str
) -> None:
    """A server's database that holds somebody else's tables gets none of ours."""
    kept = Place(tmp_path, postgres).empty("theirs")
    with opened(kept) as engine:
        with engine.begin() as connection:
            connection.execute(text(statement))
        before = kept.contents()

        with pytest.raises(StorageFault, match=words):
            create_schema(engine)

    assert kept.contents() == before
