"""Wrong secrets given at two servers of one site: each is counted once, and a wait set at one holds at both."""

from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from app.bootstrap import start
from app.domain.refused import Refused
from app.domain.watch_events import SecretWrong
from app.settings import Settings
from app.storage import people, secrets
from tests.engines.server import PostgresServer
from tests.web.desk import SECRETS, Clock, Desk

WRONG = "not this one, by far"


@pytest.fixture
def pair(postgres: PostgresServer, tmp_path: Path) -> Iterator[tuple[Desk, Desk]]:
    """Two servers of one site."""
    database, clock = postgres.fresh(), Clock()
    first = Desk.at(tmp_path / "site", clock, database=database)
    second = Desk(start(Settings(data=tmp_path / "site", database=database), clock))
    yield first, second
    second.running.close()
    first.running.close()


@pytest.fixture
def amid(monkeypatch: pytest.MonkeyPatch) -> Callable[[Callable[[], None]], None]:
    """Let something happen once, while the next secret that is given is compared."""
    waiting: list[Callable[[], None]] = []

    def compared(hashed: str, secret: str) -> bool:
        if waiting:
            waiting.pop()()
        return secrets.check_secret(hashed, secret)

    monkeypatch.setattr(people, "check_secret", compared)
    return waiting.append


def give(desk: Desk, secret: str) -> None:
    """Give a secret for the first lead."""
    desk.running.people.prove(desk.named("lead").id, secret, tablet="tablet 3")


def give_wrong(desk: Desk) -> None:
    """Give a wrong one."""
    with suppress(Refused):
        give(desk, WRONG)


def counts(desk: Desk) -> list[int]:
    """Return what the entries of the site count."""
    return [event.count for event in desk.running.site.jobs.site_events() if isinstance(event, SecretWrong)]


def test_wrong_secrets_at_two_servers_at_once_are_each_counted_once(
    pair: tuple[Desk, Desk], amid: Callable[[Callable[[], None]], None]
) -> None:
    """Neither is lost, none is doubled, in the entries as in the count that the wait comes from."""
    first, second = pair
    for _ in range(2):
        amid(lambda: give_wrong(second))
        give_wrong(first)
    give_wrong(first)

    assert counts(first) == [1, 2, 3, 4, 5]
    with pytest.raises(Refused, match="Too many wrong secrets"):
        give(second, SECRETS[second.named("lead").name])


def test_the_right_secret_does_not_end_a_wait_that_began_meanwhile_at_the_other_server(
    pair: tuple[Desk, Desk], amid: Callable[[Callable[[], None]], None]
) -> None:
    """It counts as given after the wrong one, and has to wait like any other."""
    first, second = pair
    right = SECRETS[first.named("lead").name]
    for _ in range(4):
        give_wrong(first)
    amid(lambda: give_wrong(second))

    with pytest.raises(Refused, match="Too many wrong secrets"):
        give(first, right)

    assert counts(second) == [1, 2, 3, 4, 5]
    with pytest.raises(Refused, match="Too many wrong secrets"):
        give(second, right)
