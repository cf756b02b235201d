"""For every test: the same examples each run, no network but loopback, and a PostgreSQL server if one is asked for."""

import os
import socket
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from hypothesis import Phase, settings

from tests.engines.server import MISSING, PostgresServer, binaries, running

settings.register_profile("same", derandomize=True, deadline=None, database=None)
settings.register_profile("fresh", deadline=None)
settings.register_profile("first", settings.get_profile("same"), phases=(Phase.explicit, Phase.generate))
settings.load_profile(os.environ.get("CHANGEOUT_LAWS", "same"))

LOOPBACK = ("127.", "::1", "localhost")


@pytest.fixture(autouse=True)
def no_network(monkeypatch: pytest.MonkeyPatch) -> None:
    """Refuse every connection that would leave this machine."""
    connect = socket.socket.connect

    def guarded(self: socket.socket, address: Any) -> None:
        if self.family in (socket.AF_INET, socket.AF_INET6) and not str(address[0]).startswith(LOOPBACK):
            raise AssertionError(f"a test tried to reach {address}")
        connect(self, address)

    monkeypatch.setattr(socket.socket, "connect", guarded)


@pytest.fixture(scope="session")
def postgres() -> Iterator[PostgresServer]:
    """Run one PostgreSQL server for all tests that ask, or skip them where none is installed."""
    programs = binaries()
    if programs is None:
        pytest.skip(MISSING)
    with running(programs=programs) as server:
        yield server


@pytest.fixture
def new_database(postgres: PostgresServer) -> Callable[[], str]:
    """Give the address of an empty database at each call."""
    return postgres.fresh
