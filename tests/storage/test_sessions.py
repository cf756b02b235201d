"""What is kept in memory of sessions: nothing of those that are over."""

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from app.bootstrap import Running, start
from app.services.ports import Session
from app.settings import Settings
from app.storage.sessions import Sessions
from tests.storage.kept_sites import copied
from tests.web.desk import Clock


@pytest.fixture
def clock() -> Clock:
    """A told clock."""
    return Clock()


@pytest.fixture
def site(site_folder: Path, tmp_path: Path, clock: Clock) -> Iterator[Running]:
    """A site with people."""
    running = start(Settings(data=copied(site_folder, tmp_path / "site")), clock)
    yield running
    running.close()


def sessions_of(site: Running) -> Sessions:
    """Return the sessions with all that they keep."""
    assert isinstance(site.site.sessions, Sessions)
    return site.site.sessions


def kept(sessions: Sessions) -> tuple[int, int]:
    """Return of how many sessions something is in memory, and of how many when they were written."""
    return len(sessions._known), len(sessions._written)


def use(sessions: Sessions, token: str) -> None:
    """Let a person work at their tablet."""
    assert sessions.find(token) is not None
    sessions.touched(token)


def test_sessions_that_nobody_signs_out_of_are_forgotten_once_they_are_over(site: Running, clock: Clock) -> None:
    """Ten days of sign-ins leave no more than the sessions that can still be used."""
    sessions, who = sessions_of(site), site.people.everyone()[0].who

    for _ in range(30):
        clock.now += timedelta(hours=8)
        use(sessions, sessions.begin(who, "tablet 1"))

    assert kept(sessions) == (2, 2)


@pytest.mark.parametrize("way", ["signed out", "left", "tablet shut out", "over"])
def test_nothing_stays_of_a_session_that_has_ended(site: Running, clock: Clock, way: str) -> None:
    """However it ended, its token and its times are forgotten."""
    sessions, who = sessions_of(site), site.people.everyone()[0].who
    token = sessions.begin(who, "tablet 1")
    use(sessions, token)

    match way:
        case "signed out":
            sessions.end(token)
        case "left":
            sessions.end_all_of(who.id)
        case "tablet shut out":
            sessions.end_all_at("tablet 1")
        case _:
            clock.now += timedelta(hours=13)

    assert sessions.find(token) is None
    assert kept(sessions) == (0, 0)


def test_a_session_that_ends_while_another_request_looks_at_it_stays_over(
    site: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Looked up just before it ended, it is not put into memory again, where it would live on."""
    sessions, who = sessions_of(site), site.people.everyone()[0].who
    token = sessions.begin(who, "tablet 1")
    is_over = sessions._over

    def ended_meanwhile(session: Session) -> bool:
        monkeypatch.setattr(sessions, "_over", is_over)
        sessions.end(token)
        return is_over(session)

    monkeypatch.setattr(sessions, "_over", ended_meanwhile)
    sessions.find(token)

    assert sessions.find(token) is None
