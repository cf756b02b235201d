"""What a mark finds in memory is taken at once: no thread and no database for the session, the job or the names."""

import asyncio
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from app.bootstrap import Running, ship_sample_housings, start
from app.domain.commands import Open, Reopen
from app.domain.event_base import Who
from app.domain.job import Stage
from app.domain.procedure import Role
from app.records.moments import utc_text
from app.services.jobs import Asked, EndedJobs
from app.services.planning import find_housing, find_procedure, first_entry, plan
from app.settings import Settings
from app.storage.writer import Store
from app.web import awaiting
from app.web.views import step as step_views
from app.web.views.step import new_token
from tests.builders import LEAD, let_texts_in, opened
from tests.web.desk import Clock, Desk
from tests.web.test_query_plans import worked


@pytest.fixture
def site(tmp_path: Path, clock: Clock) -> Iterator[Running]:
    """A sample site with one person."""
    settings = Settings(data=tmp_path)
    ship_sample_housings(settings)
    running = start(settings, clock)
    running.people.add("Ines Varga", Role.LEAD, by=None, identity="known to us", secret="sample lead of the day")
    let_texts_in(running.site.jobs)
    yield running
    running.close()


def signed_in(site: Running) -> tuple[str, Who]:
    """Start a session and return its token and whose it is."""
    who = site.people.everyone()[0].who
    return site.site.sessions.begin(who, "tablet 1"), who


def an_open_job(site: Running) -> str:
    """Open a job and return its ledger."""
    made = plan(find_housing(site.site.library, "EF-03"), *find_procedure(site.site.library, "change-out"))
    at = utc_text(site.site.clock())
    draft = first_entry(made, site=site.site.jobs.site(), by=LEAD, at=at, crew=(), rehearsal=False)
    site.site.jobs.record(draft.ledger, Open(draft), Asked(LEAD)).result()
    return draft.ledger


def no_thread(*_: Any) -> Any:
    """Stand in for the thread pool where none may be asked."""
    raise AssertionError("a thread was asked")


def test_a_session_found_once_is_at_hand_without_the_database(site: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    """A session is read once and then answered from memory, to its own token only."""
    token, who = signed_in(site)
    sessions = site.site.sessions

    before = sessions.at_hand(token)
    sessions.find(token)
    monkeypatch.setattr(site.store, "read_rows", no_thread)
    found = sessions.at_hand(token)

    assert before is None
    assert found is not None
    assert found.who == who
    assert sessions.at_hand(token + "x") is None
    assert sessions.at_hand(None) is None


def test_a_session_not_used_is_locked_for_good_and_ends_at_its_longest(site: Running, clock: Clock) -> None:
    """Locked after 5 minutes without use, used or not afterwards; and it ends 12 hours after it began, in any case."""
    idle, _ = signed_in(site)
    busy, _ = signed_in(site)
    sessions = site.site.sessions
    sessions.find(idle)
    sessions.find(busy)

    clock.now += timedelta(minutes=4)
    sessions.touched(busy)
    clock.now += timedelta(minutes=4)
    still, locked = sessions.at_hand(busy), sessions.at_hand(idle)
    sessions.touched(idle)
    touched = sessions.at_hand(idle)
    for _ in range(12 * 15):
        clock.now += timedelta(minutes=4)
        sessions.touched(busy)
    longest = sessions.at_hand(busy)

    assert still is not None
    assert not still.locked
    assert locked is not None
    assert locked.locked
    assert touched is not None
    assert touched.locked
    assert longest is None


def test_a_restart_neither_unlocks_a_session_nor_remembers_that_both_were_given(tmp_path: Path, clock: Clock) -> None:
    """What was locked or long unused is so after a restart; what was used a moment ago goes on, and asks both again."""
    settings = Settings(data=tmp_path)
    first = start(settings, clock)
    person, _ = first.people.add("Ines Varga", Role.LEAD, by=None, identity="known to us", secret="a secret of fifteen")
    locked, unused, used = (first.site.sessions.begin(person.who, f"tablet {number}") for number in range(3))
    for token in (locked, unused, used):
        first.site.sessions.find(token)
    first.site.sessions.lock(locked)
    for _ in range(6):
        clock.now += timedelta(minutes=1)
        first.site.sessions.touched(used)
    first.site.sessions.signed(used)
    first.close()

    second = start(settings, clock)
    found = {token: second.site.sessions.find(token) for token in (locked, unused, used)}
    second.close()

    assert [item.locked for item in found.values() if item is not None] == [True, True, False]
    assert not any(item.both for item in found.values() if item is not None)


def test_a_session_that_was_ended_is_not_at_hand(site: Running) -> None:
    """Signing out, and ending everything of a person, reach the copy in memory."""
    first, who = signed_in(site)
    second, _ = signed_in(site)
    sessions = site.site.sessions
    sessions.find(first)
    sessions.find(second)

    sessions.end(first)
    after_one = sessions.at_hand(first), sessions.at_hand(second)
    sessions.end_all_of(who.id)

    assert after_one[0] is None
    assert after_one[1] is not None
    assert sessions.at_hand(second) is None


def test_a_job_in_memory_asks_no_thread(site: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    """The state just committed is answered at once, and is the state that the ledger gives."""
    job = an_open_job(site)
    monkeypatch.setattr(awaiting, "run_in_threadpool", no_thread)

    state = asyncio.run(awaiting.state_of(site.site, job))

    assert state == site.site.jobs.state(job)
    assert state.opened is not None


def test_a_job_not_in_memory_is_read(tmp_path: Path, clock: Clock) -> None:
    """After a restart a job is not at hand until it has been read, and then it is."""
    settings = Settings(data=tmp_path)
    ship_sample_housings(settings)
    first = start(settings, clock)
    let_texts_in(first.site.jobs)
    job = an_open_job(first)
    first.close()
    second = start(settings, clock)

    before = second.site.jobs.at_hand(job)
    read = asyncio.run(awaiting.state_of(second.site, job))
    after = second.site.jobs.at_hand(job)
    second.close()

    assert before is None
    assert read.opened is not None
    assert after == read


def test_names_are_read_at_a_hold_point_and_nowhere_else(site: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    """The people to choose from come with a hold point; any other step is shown without asking who there is."""
    bench = opened("EF-03")
    first = bench.state
    at_hold = bench.run_to(steps=5)

    listed = asyncio.run(awaiting.around_for(site.site, at_hold)).people
    monkeypatch.setattr(awaiting, "run_in_threadpool", no_thread)
    nobody = asyncio.run(awaiting.around_for(site.site, first)).people

    assert at_hold.due is not None
    assert at_hold.due.kind == "hold"
    assert [person.name for person in listed] == ["Ines Varga"]
    assert nobody == ()


def test_request_tokens_differ() -> None:
    """No two forms carry one token, and each is 128 bits in hex."""
    tokens = [new_token() for _ in range(2000)]

    assert len(set(tokens)) == len(tokens)
    assert {len(token) for token in tokens} == {32}


def test_request_tokens_differ_from_those_before_a_restart() -> None:
    """Each start of the program draws tokens of its own, since a token is kept for the life of the database."""
    firsts = []
    for _ in range(40):
        step_views._tokens.cache_clear()
        firsts.append(new_token())

    assert len(set(firsts)) == len(firsts)


def test_a_job_that_has_ended_is_read_by_whoever_asks_and_not_where_marks_are_taken(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A page that looks through the past holds up no tablet; what it has read stays at hand until it changes."""
    job, ended = worked(desk)
    jobs, lead = desk.running.site.jobs, desk.named("lead", 1)
    assert jobs.at_hand(job) is not None
    assert jobs.at_hand(ended) is None
    with monkeypatch.context() as patch:
        patch.setattr(Store, "submit", no_thread)
        found, again = jobs.state(ended), jobs.state(ended)

    desk.do(ended, Reopen("The number on the label was read wrongly."), lead)

    assert found.stage is Stage.ACCEPTED
    assert again is found
    assert jobs.state(ended).accepted is None


def test_only_the_last_few_ended_jobs_stay_at_hand(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is kept has a bound, and the one asked for longest ago goes first."""
    monkeypatch.setattr("app.services.jobs.ENDED_KEPT", 1)
    (first, second), jobs = worked(desk), EndedJobs(desk.running.store)
    held = jobs.state(first)

    assert jobs.state(first) is held
    jobs.state(second)
    assert jobs.state(first) is not held
    assert jobs.state(first) == held
