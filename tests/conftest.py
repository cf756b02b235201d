"""For every test: the same examples each run, and no network but loopback."""

import os
import socket
from typing import Any

import pytest
from hypothesis import Phase, settings

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
