"""A database, an engine and a store for each test, on either kind of engine; one signing key for all."""

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import pytest
from sqlalchemy import Engine, create_engine, text

from app.storage.engine import open_engine
from app.storage.tables import create_schema
from app.storage.writer import Store
from tests.ledger.signing import TestSigner, new_signer
from tests.storage.builders import tick_clock
from tests.storage.small_site import make_site


@pytest.fixture(scope="session")
def signer() -> TestSigner:
    """Make one throw-away site key."""
    return new_signer()


ON_SQLITE = pytest.mark.parametrize("opened", ["sqlite"], indirect=True)
ON_POSTGRESQL = pytest.mark.parametrize("opened", ["postgresql"], indirect=True)
"""For what only one of the engines has."""


@dataclass(frozen=True)
class Opened:
    """A database of the test's own. address: on a server, or None for the SQLite file at `path`."""

    path: Path
    address: str | None

    def again(self) -> Engine:
        """Open it, once more if it was opened before."""
        return open_engine(self.path, self.address)

    def vandalise(self, statement: str) -> None:
        """Change what it holds behind the program's back, with the triggers out of the way."""
        if self.address is None:
            with closing(sqlite3.connect(self.path)) as file:
                for (trigger,) in file.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
                    file.execute(f"DROP TRIGGER {trigger}")
                file.execute(statement)
                file.commit()
            return
        engine = create_engine(self.address)
        with engine.begin() as connection:
            listed = "SELECT tgname, tgrelid::regclass FROM pg_trigger WHERE NOT tgisinternal"
            for name, table in connection.execute(text(listed)).all():
                connection.execute(text(f"DROP TRIGGER {name} ON {table}"))
            connection.exec_driver_sql(statement)
        engine.dispose()


@pytest.fixture(params=["sqlite", "postgresql"])
def opened(request: pytest.FixtureRequest, tmp_path: Path) -> Opened:
    """Name a fresh database on each kind of engine in turn."""
    path = tmp_path / "data" / "changeout.sqlite"
    if request.param == "sqlite":
        return Opened(path, None)
    new_database: Callable[[], str] = request.getfixturevalue("new_database")
    return Opened(path, new_database())


@pytest.fixture
def engine(opened: Opened) -> Iterator[Engine]:
    """Open a fresh database with its schema."""
    engine = opened.again()
    create_schema(engine)
    yield engine
    engine.dispose()


@pytest.fixture
def store(engine: Engine, signer: TestSigner) -> Iterator[Store]:
    """Start a store on the fresh database."""
    store = Store(engine, signer, tick_clock())
    yield store
    store.close()


@pytest.fixture(scope="session")
def site_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make one small site; tests copy it and leave it as it is."""
    folder = tmp_path_factory.mktemp("small") / "site"
    make_site(folder)
    return folder


@pytest.fixture(scope="session")
def other_site_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make another site, the same but for its key."""
    folder = tmp_path_factory.mktemp("other") / "site"
    make_site(folder)
    return folder
