"""For every test: the same examples each run, no network but loopback, one Chromium for all that drive one.

A PostgreSQL server is started for those that ask for one.
"""

import gc
import os
import socket
from collections.abc import Callable, Generator, Iterator
from typing import TYPE_CHECKING, Any

import pytest
from argon2 import Parameters, Type
from argon2.profiles import RFC_9106_LOW_MEMORY
from hypothesis import Phase, settings

from tests.engines.server import PostgresServer, found, running

if TYPE_CHECKING:
    from playwright.sync_api import Browser

settings.register_profile("same", derandomize=True, deadline=None, database=None)
settings.register_profile("fresh", deadline=None)
settings.register_profile("first", settings.get_profile("same"), phases=(Phase.explicit, Phase.generate))
settings.load_profile(os.environ.get("CHANGEOUT_LAWS", "same"))

LEAST = Parameters(Type.ID, version=19, salt_len=16, hash_len=32, time_cost=1, memory_cost=8, parallelism=1)
FOR_PEOPLE = RFC_9106_LOW_MEMORY
LOOPBACK = ("127.", "::1", "localhost")
COLLECTED_AFTER = 50_000
"""New objects, beyond those let go of, after which the collector looks through the young ones."""
LONGEST_FIRST = (
    "test_any_request.py", "test_kill_job.py", "test_procedures.py", "test_job.py", "test_every_form.py",
    "test_verify.py", "test_labels.py", "test_containment.py", "test_recipe.py", "test_spaces.py", "test_kill.py",
    "test_schedules.py", "test_stop_anywhere.py", "test_rows_marks.py",
)  # fmt: skip
"""Files that take 20 s to three minutes (measured).  Begun first: else one worker goes on alone at the end."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the longest files first, all others as they were."""
    places = {name: place for place, name in enumerate(LONGEST_FIRST)}
    items.sort(key=lambda item: places.get(item.path.name, len(places)))


def pytest_collection_finish() -> None:
    """Take what was imported and collected out of the garbage collector's rounds, for it stays, and let it rest more.

    Walking the modules of all tests again and again took two thirds of the time of checking all housings (measured).
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(COLLECTED_AFTER, 20, 20)


@pytest.fixture(scope="session")
def browser() -> "Iterator[Browser]":
    """Yield the one browser; whoever asks for it is skipped, with a message, where there is none."""
    from tests.browser.driver import a_browser, chromium_path

    if chromium_path() is None:
        pytest.skip("No Chromium was found. Install the package `chromium` to run the browser tests.")
    with a_browser() as found:
        yield found


@pytest.fixture(autouse=True)
def no_network(monkeypatch: pytest.MonkeyPatch) -> None:
    """Refuse every connection that would leave this machine."""
    connect = socket.socket.connect

    def guarded(self: socket.socket, address: Any) -> None:
        if self.family in (socket.AF_INET, socket.AF_INET6) and not str(address[0]).startswith(LOOPBACK):
            raise AssertionError(f"a test tried to reach {address}")
        connect(self, address)

    monkeypatch.setattr(socket.socket, "connect", guarded)


@pytest.fixture(scope="session", autouse=True)
def quick_secrets() -> Iterator[None]:
    """Hash secrets with the least that Argon2id takes: a site of six people would cost a second and a half.

    How they are hashed for people is tested with the parameters that hold for people (`storage/test_secrets.py`).
    """
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("argon2.profiles.RFC_9106_LOW_MEMORY", LEAST)
        yield


@pytest.fixture(scope="session")
def postgres() -> Iterator[PostgresServer]:
    """Run one PostgreSQL server for all tests that ask; where none is installed, see tests/needed.py."""
    with running(programs=found()) as server:
        yield server


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Tell with a failure what stood on every page that was open."""
    report = yield
    driven = getattr(item, "funcargs", {}).get("browser")
    if report.when == "call" and report.failed and driven is not None:
        for number, page in enumerate((page for context in driven.contexts for page in context.pages), 1):
            try:
                stood = page.locator("body").inner_text(timeout=2_000)
            except Exception as fault:  # noqa: BLE001 - whatever the browser answers, the failure itself is told
                stood = str(fault)
            report.sections.append((f"page {number}, {page.url}", stood))
    return report


@pytest.fixture
def new_database(postgres: PostgresServer) -> Callable[[], str]:
    """Give the address of an empty database at each call."""
    return postgres.fresh
