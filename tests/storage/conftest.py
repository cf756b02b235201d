"""A data folder, an engine and a store for each test; one signing key for all."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import Engine

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


@pytest.fixture
def engine(tmp_path: Path) -> Iterator[Engine]:
    """Open a fresh database with its schema."""
    engine = open_engine(tmp_path / "data" / "changeout.sqlite")
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
