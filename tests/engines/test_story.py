"""One whole job through the pages, on either engine and by two servers on one database, to a record that verifies."""

import io
import zipfile
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from app.bootstrap import start
from app.cli import main
from app.domain.event_base import Who
from app.domain.job import Stage
from app.services.rehearsal import commands_for
from app.settings import Settings
from tests.engines.server import PostgresServer
from tests.web.desk import SECRETS, Clock, Desk
from tests.web.sending import form_of


@pytest.fixture
def clock() -> Clock:
    """A told clock."""
    return Clock()


@pytest.fixture(params=["sqlite", "postgresql"])
def desk(request: pytest.FixtureRequest, tmp_path: Path, clock: Clock) -> Iterator[Desk]:
    """A sample site on each engine in turn."""
    database = None
    if request.param == "postgresql":
        server: PostgresServer = request.getfixturevalue("postgres")
        database = server.fresh()
    made = Desk.at(tmp_path / "site", clock, database=database)
    yield made
    made.running.close()


@pytest.fixture
def pair(postgres: PostgresServer, tmp_path: Path, clock: Clock) -> Iterator[tuple[Desk, Desk]]:
    """Two servers of one site: one folder, one database, nothing else in common."""
    database = postgres.fresh()
    first = Desk.at(tmp_path / "site", clock, database=database)
    second = Desk(start(Settings(data=tmp_path / "site", database=database), clock))
    yield first, second
    second.running.close()
    first.running.close()


def work_through(job: str, desk_for: Callable[[int], Desk]) -> None:
    """Do every step by its form, the n-th one at the desk that is named for it."""
    first = desk_for(0)
    secrets = {person.id: SECRETS[person.name] for person in first.running.people.everyone()}
    hands, cast = first.named("technician"), first.cast()
    for number in range(1_000):
        desk = desk_for(number)
        state = desk.running.site.jobs.state(job)
        due = state.due
        if due is None:
            return
        assert due.text.split("{")[0][:20] in desk.get(hands, f"/jobs/{job}/now").text or due.table or due.says
        for command, by in commands_for(state, cast):
            path, fields = form_of(command, by, secrets)
            answer = desk.post(by, f"/jobs/{job}/{path}", **fields)
            assert answer.status_code == 303, answer.text
    raise AssertionError("the job has no end")


def accept(job: str, desk: Desk) -> None:
    """Hand the job to review, open every exception and accept the record."""
    officer, lead = desk.named("safety officer"), desk.named("lead")
    packages = {f"p.{item.name}": "on" for item in desk.running.site.waste.of_job(job)[2]}
    assert desk.post(lead, f"/jobs/{job}/packages/facts", **packages, no_scale="no scale here").status_code == 303
    assert (
        desk.post(lead, f"/jobs/{job}/submit", permit_back="the permit desk", secret=SECRETS[lead.name]).status_code
        == 303
    )
    for item in desk.running.site.jobs.state(job).unread:
        assert desk.post(officer, f"/jobs/{job}/exceptions", entry=str(item.seq)).status_code == 303
    assert desk.post(officer, f"/jobs/{job}/accept", secret=SECRETS[officer.name]).status_code == 303


def verified(job: str, desk: Desk, folder: Path) -> int:
    """Take the record away and verify it as a stranger would; return the exit status."""
    packed = desk.get(desk.named("safety officer"), f"/jobs/{job}/record.zip")
    with zipfile.ZipFile(io.BytesIO(packed.content)) as archive:
        archive.extractall(folder)
    return main(["verify", str(next(path.parent for path in folder.rglob("record.json")))])


def test_a_whole_job_is_worked_through_and_its_record_verifies(desk: Desk, tmp_path: Path) -> None:
    """From opening over every form, hold, review and acceptance to an exported record that is good."""
    job = desk.open_job("EF-07")

    work_through(job, lambda _: desk)
    accept(job, desk)

    assert desk.running.site.jobs.state(job).stage is Stage.ACCEPTED
    assert verified(job, desk, tmp_path / "out") == 0


def test_two_servers_work_on_one_job_in_turn(pair: tuple[Desk, Desk], tmp_path: Path) -> None:
    """Each mark at one server is what the other goes on from, in every page; the record is one chain and good."""
    first, second = pair
    job = first.open_job("EF-07")

    work_through(job, lambda number: pair[number % 2])
    accept(job, second)

    states = [desk.running.site.jobs.state(job) for desk in pair]
    assert states[0] == states[1]
    assert states[0].stage is Stage.ACCEPTED
    assert first.running.site.jobs.site() == second.running.site.jobs.site()
    assert verified(job, first, tmp_path / "out") == 0


def test_a_session_ended_at_one_server_is_over_at_the_other(pair: tuple[Desk, Desk]) -> None:
    """Signing out, and the end of a person's access, reach every server with the next request."""
    first, second = (desk.running.site.sessions for desk in pair)
    who = pair[0].named("technician")
    tokens = [first.begin(who, "tablet 3") for _ in range(2)]
    known = [sessions.find(token) is not None for sessions in (first, second) for token in tokens]

    first.end(tokens[0])
    after_one = [second.find(token) is not None for token in tokens]
    pair[0].running.people.leave(who.id, by=pair[0].named("administrator"))
    after_both = [sessions.find(token) is not None for sessions in (first, second) for token in tokens]

    assert known == [True] * 4
    assert after_one == [False, True]
    assert after_both == [False] * 4


def test_a_session_used_at_one_server_does_not_idle_out_at_the_other(pair: tuple[Desk, Desk], clock: Clock) -> None:
    """Requests at either server count for both; without any, the session is locked at both."""
    first, second = (desk.running.site.sessions for desk in pair)
    token = first.begin(pair[0].named("technician"), "tablet 3")
    second.find(token)

    for _ in range(5):
        clock.now += timedelta(minutes=4)
        used = first.find(token)
        first.touched(token)
        pair[0].running.store.submit(lambda _: None).result()  # behind the time of use, for which nobody waits
    at_the_other = second.find(token)
    clock.now += timedelta(minutes=6)
    idle = [sessions.find(token) for sessions in (first, second)]

    assert used is not None
    assert not used.locked
    assert at_the_other is not None
    assert not at_the_other.locked
    assert all(session is not None and session.locked for session in idle)


def test_what_is_entered_at_one_server_is_in_the_register_of_the_other(pair: tuple[Desk, Desk]) -> None:
    """The site's own ledger is read again, too: people and jobs are the same at both."""
    first, second = pair
    before = second.running.site.jobs.site()

    first.running.people.add(
        "Maud Ek", first.named("lead").role, by=None, identity="known to us", secret="a secret of four words"
    )
    job = first.open_job("EF-11")

    assert second.running.site.jobs.site().size > before.size
    assert [line.job for line in second.running.site.jobs.site().jobs] == [job]
    assert isinstance(next(one.who for one in second.running.people.everyone() if one.name == "Maud Ek"), Who)
