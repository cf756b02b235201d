"""A site with the sample people and a client for each of them, for tests that look at pages through HTTP."""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import count
from pathlib import Path

from fastapi.testclient import TestClient
from httpx2 import Response

from app.bootstrap import Running, ship_sample_housings, start
from app.cli import DEMO_PEOPLE
from app.domain.commands import Command, Open
from app.domain.events import Who
from app.domain.job import JobState
from app.records.moments import utc_text
from app.services.jobs import Asked
from app.services.planning import find_housing, find_procedure, first_entry, plan
from app.services.rehearsal import EYES, HANDS, OFFICER, SECOND_LEAD, commands_for
from app.settings import Settings
from app.web.context import COOKIE
from tests.builders import keep_made_up_instruments

TOKENS = count(1)
SECRETS = {name: secret for name, _, secret in DEMO_PEOPLE}


class Clock:
    """A clock that is told."""

    def __init__(self) -> None:
        self.now = datetime(2026, 3, 2, 7, 15, tzinfo=UTC)

    def __call__(self) -> datetime:
        """Return what was told."""
        return self.now


@dataclass
class Desk:
    """One running site."""

    running: Running
    clients: dict[str, TestClient] = field(default_factory=dict)

    @classmethod
    def at(cls, folder: Path, clock: Callable[[], datetime], *, database: str | None = None) -> "Desk":
        """Start a site with the sample housings and people. database: address of an empty one, or None for SQLite."""
        settings = Settings(data=folder, database=database)
        ship_sample_housings(settings)
        running = start(settings, clock)
        for name, role, secret in DEMO_PEOPLE:
            running.people.add(name, role, by=None, secret=secret)
        keep_made_up_instruments(running.site.jobs)
        return cls(running)

    def named(self, role: str, place: int = 0) -> Who:
        """Return the first person of a role, or a later one."""
        return [person.who for person in self.running.people.everyone() if person.role.words == role][place]

    def client(self, who: Who) -> TestClient:
        """Return a client that is signed in as this person."""
        if who.id not in self.clients:
            made = TestClient(self.running.app, follow_redirects=False, headers={"Origin": "http://testserver"})
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
        """Send a form, with a token of its own."""
        return self.client(who).post(path, data={"token": f"{next(TOKENS):032}", **fields})

    def open_job(self, tag: str = "EF-03", kind: str = "change-out") -> str:
        """Open a job for a housing, led by the first lead, and return its ledger."""
        site, lead = self.running.site, self.named("lead")
        made = plan(find_housing(site.library, tag), *find_procedure(site.library, kind))
        crew = (self.named("technician"), self.named("technician", 1))
        at = utc_text(site.clock())
        draft = first_entry(made, site=site.jobs.site(), by=lead, at=at, crew=crew, rehearsal=False)
        self.do(draft.ledger, Open(draft), lead)
        return draft.ledger

    def do(self, job: str, command: Command, by: Who) -> JobState:
        """Carry out one command through the service that the routes use."""
        asked = Asked(by=by, tablet="tablet 3", token=f"{next(TOKENS):032}")
        return self.running.site.jobs.record(job, command, asked).result().state

    def work_until(self, job: str, words: str) -> JobState:
        """Do every step before the first one whose action holds these words, or all of them."""
        cast = {
            HANDS.id: self.named("technician"), EYES.id: self.named("technician", 1),
            OFFICER.id: self.named("safety officer"), SECOND_LEAD.id: self.named("lead", 1),
        }  # fmt: skip
        state = self.running.site.jobs.state(job)
        while (due := state.due) is not None and words not in due.text:
            for command, by in commands_for(due):
                state = self.do(job, command, cast.get(by.id, self.named("lead")))
        return state
