"""A site with the sample people and a client for each of them, for tests that look at pages through HTTP."""

import atexit
import shutil
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cache
from itertools import count
from pathlib import Path

from fastapi.testclient import TestClient
from httpx2 import Response

from app.bootstrap import Running, ship_sample_housings, start
from app.cli import DEMO_PEOPLE
from app.domain.commands import Command, Finish, Open
from app.domain.crew import Acknowledge
from app.domain.event_base import Who
from app.domain.job import JobState, Stage
from app.domain.judging import AGAIN
from app.records.moments import utc_text
from app.services.jobs import Asked
from app.services.planning import find_housing, find_procedure, first_entry, plan
from app.services.rehearsal import Cast, commands_for, made_up_answers
from app.settings import Settings
from app.web.context import COOKIE
from tests.builders import account_for_packages, issue_texts, keep_made_up_instruments

TOKENS = count(1)
MOST_ENTRIES = 2_000
"""No job of these tests has more; one that does is going round in circles."""
SECRETS = {name: secret for name, _, secret in DEMO_PEOPLE}


class Clock:
    """A clock that is told."""

    def __init__(self) -> None:
        self.now = datetime(2026, 3, 2, 7, 15, tzinfo=UTC)

    def __call__(self) -> datetime:
        """Return what was told."""
        return self.now


def _made(
    settings: Settings, clock: Callable[[], datetime], ticks: Callable[[], float] | None = None, *, limits: bool
) -> Running:  # fmt: skip
    ship_sample_housings(settings)
    running = start(settings, clock, ticks)
    for name, role, secret in DEMO_PEOPLE:
        running.people.add(name, role, by=None, identity="known to us", secret=secret)
    issue_texts(running, limits=limits)
    keep_made_up_instruments(running.site.jobs)
    return running


@cache
def _prepared(now: datetime, *, limits: bool) -> Path:
    """Make a site once in each process, and close it: a copy of its folder is a site like any other."""
    folder = Path(tempfile.mkdtemp(prefix="desk-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    clock = Clock()
    clock.now = now
    _made(Settings(data=folder), clock, limits=limits).close()
    return folder


@dataclass
class Desk:
    """One running site."""

    running: Running
    clients: dict[str, TestClient] = field(default_factory=dict)
    _known: tuple[int, dict[str, list[Who]]] = (0, {})
    """Who is known in which role, and the size of the site's own ledger then: whoever comes or goes makes it grow."""

    @classmethod
    def at(
        cls, folder: Path, clock: Callable[[], datetime], ticks: Callable[[], float] | None = None,
        *, database: str | None = None, limits: bool = True,
    ) -> "Desk":  # fmt: skip
        """Start a site with the sample housings and people.

        ticks: what its clock is watched against, in seconds.  database: address of an empty one, or None for SQLite.
        limits: those of the site hold where a housing has none of its own.
        """
        settings = Settings(data=folder, database=database)
        if database is not None or not isinstance(clock, Clock) or any(folder.glob("*")):
            return cls(_made(settings, clock, ticks, limits=limits))
        shutil.copytree(_prepared(clock.now, limits=limits), folder, dirs_exist_ok=True)
        return cls(start(settings, clock, ticks))

    def named(self, role: str, place: int = 0) -> Who:
        """Return the first person of a role, or a later one."""
        size = self.running.site.jobs.site().size
        if self._known[0] != size:
            roles: dict[str, list[Who]] = {}
            for person in self.running.people.everyone():
                roles.setdefault(person.role.words, []).append(person.who)
            self._known = size, roles
        return self._known[1][role][place]

    def client(self, who: Who) -> TestClient:
        """Return a client that is signed in as this person."""
        if who.id not in self.clients:
            made = self.stranger()
            made.cookies.set(COOKIE, self.running.site.sessions.begin(who, "tablet 3"))
            self.clients[who.id] = made
        return self.clients[who.id]

    def stranger(self) -> TestClient:
        """Return a client that nobody is signed in at."""
        return TestClient(self.running.app, follow_redirects=False, headers={"Origin": "http://testserver"})

    def get(self, who: Who, path: str) -> Response:
        """Open a page."""
        return self.client(who).get(path)

    def post(self, who: Who, path: str, **fields: str) -> Response:
        """Send a form, with a token of its own; whoever gives a secret gives their id with it."""
        by = {"person": who.id} if "secret" in fields else {}
        return self.client(who).post(path, data={"token": f"{next(TOKENS):032}", **by, **fields})

    def open_job(
        self, tag: str = "EF-03", kind: str = "change-out", *, briefed: bool = True, crew: Sequence[Who] = ()
    ) -> str:  # fmt: skip
        """Open a job for a housing, led by the first lead, brief its crew unless told otherwise, return its ledger.

        crew: the first two technicians if nobody is named.
        """
        site, lead = self.running.site, self.named("lead")
        made = plan(find_housing(site.library, tag), *find_procedure(site.library, kind))
        crew = tuple(crew) or (self.named("technician"), self.named("technician", 1))
        at = utc_text(site.clock())
        draft = first_entry(made, site=site.jobs.site(), by=lead, at=at, crew=crew, rehearsal=False)
        self.do(draft.ledger, Open(draft), lead)
        for who in crew if briefed else ():
            self.do(draft.ledger, Acknowledge("work", "I know the cuts and when to stop."), who)
        return draft.ledger

    def do(self, job: str, command: Command, by: Who) -> JobState:
        """Carry out one command through the service that the routes use."""
        asked = Asked(by=by, tablet="tablet 3", token=f"{next(TOKENS):032}")
        return self.running.site.jobs.record(job, command, asked).result().state

    def answer(self, job: str, by: Who, **typed: str) -> JobState:
        """Finish the step that is due with made-up answers but for those typed, a second person beside."""
        due = self.running.site.jobs.state(job).due
        assert due is not None
        answers = made_up_answers(due) | typed
        answers |= {
            f"{item.ask.id}{AGAIN}": answers[item.ask.id]
            for item in due.asks
            if item.ask.twice and item.ask.id in answers
        }
        return self.do(job, Finish(due.id, answers, second=self.cast().eyes if due.second else None), by)

    def go_on(self, job: str) -> JobState:
        """Re-open the stopped job and find everything as recorded."""
        state = self.running.site.jobs.state(job)
        while state.stage in (Stage.STOPPED, Stage.LOOKING):
            for command, by in commands_for(state, self.cast()):
                state = self.do(job, command, by)
        return state

    def work_until(self, job: str, words: str, *, accounted: bool = True) -> JobState:
        """Do every step before the first one whose action holds these words, or all of them.

        accounted: with no step left, the packages are accounted for as well.
        """
        state = self.running.site.jobs.state(job)
        while (due := state.due) is not None and words not in due.text:
            before = state.place, state.size
            for command, by in commands_for(state, self.cast()):
                state = self.do(job, command, by)
            stuck = state.notables[-1].sentence if state.notables else "nothing was entered"
            assert (state.place, state.size) != before, f"{due.id}: {stuck}"
            assert state.size < MOST_ENTRIES, f"{due.id}: {stuck}"
        for command, by in commands_for(state, self.cast()) if state.due is None else ():
            state = self.do(job, command, by)
        if state.due is None and accounted:
            account_for_packages(self.running.site.waste, job)
        return state

    def cast(self) -> Cast:
        """Return who of the site plays which part."""
        return Cast(
            hands=self.named("technician"), eyes=self.named("technician", 1),
            officer=self.named("safety officer"), lead=self.named("lead", 1),
        )  # fmt: skip
