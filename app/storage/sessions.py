"""Who is signed in at which tablet.  A new token at every sign-in; only its hash is kept.

Where other processes serve the same site, every request asks the database, so that a session ended elsewhere is over
here; and the last request of a session is written down, to the minute.
"""

import secrets
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from hashlib import sha256
from threading import Lock

from sqlalchemy import insert, select, update
from sqlmodel import SQLModel

from app.domain.events import Who
from app.records.moments import utc_text
from app.services.ports import Session
from app.storage import tables
from app.storage.people import People
from app.storage.writer import Store

SESSION = SQLModel.metadata.tables[tables.SessionRow.__tablename__]
LONGEST_TABLET_NAME = 40
SEEN_AGAIN_AFTER = timedelta(minutes=1)
"""Longest lag of what other processes know about a session's last request (this program's figure)."""


class Sessions:
    """The sessions of one site; committed rows with a copy in memory."""

    def __init__(
        self, store: Store, people: People, clock: Callable[[], datetime], *, idle: timedelta, longest: timedelta
    ) -> None:
        self._store = store
        self._people = people
        self._clock = clock
        self._idle = idle
        self._longest = longest
        self._known: dict[str, Session] = {}
        self._noted: dict[str, datetime] = {}
        self._guard = Lock()

    def begin(self, who: Who, tablet: str) -> str:
        """Start a session and return its token, once and only here."""
        token = secrets.token_urlsafe(32)
        now = self._clock()
        row = {
            "token_hash": _hash(token), "person": who.id, "tablet": tablet[:LONGEST_TABLET_NAME],
            "created_at": utc_text(now), "seen_at": utc_text(now), "ended_at": None,
        }  # fmt: skip
        self._store.submit(lambda tx: tx.run(insert(SESSION), row), urgent=True).result()
        return token

    def find(self, token: str | None) -> Session | None:
        """Return the session of a token if it is still good."""
        if not token:
            return None
        key = _hash(token)
        session = None if self._store.shared else self._known.get(key)
        session = session or self._stored(key)
        if session is None:
            return None
        if self._over(session):
            self.end(token)
            return None
        return self._seen(key, session)

    def at_hand(self, token: str | None) -> Session | None:
        """Return the session of a token if it is good and in memory; waits for nothing.  Else ask `find`."""
        if self._store.shared:
            return None
        key = _hash(token or "")
        session = self._known.get(key)
        return None if session is None or self._over(session) else self._seen(key, session)

    def end(self, token: str | None) -> None:
        """End a session."""
        if token:
            self._end(SESSION.c.token_hash == _hash(token))
            with self._guard:
                self._known.pop(_hash(token), None)

    def end_all_of(self, person_id: str) -> None:
        """End every session of a person."""
        self._end(SESSION.c.person == person_id)
        with self._guard:
            self._known = {key: item for key, item in self._known.items() if item.who.id != person_id}

    def end_all_at(self, tablet: str) -> None:
        """End every session at a tablet."""
        self._end(SESSION.c.tablet == tablet)
        with self._guard:
            self._known = {key: item for key, item in self._known.items() if item.tablet != tablet}

    def _over(self, session: Session) -> bool:
        now = self._clock()
        return now - session.seen > self._idle or now - session.created > self._longest

    def _seen(self, key: str, session: Session) -> Session:
        now = self._clock()
        with self._guard:
            self._known[key] = replace(session, seen=now)
        if self._store.shared and now - self._noted.get(key, session.created - SEEN_AGAIN_AFTER) >= SEEN_AGAIN_AFTER:
            statement = update(SESSION).where(SESSION.c.token_hash == key).values(seen_at=utc_text(now))
            self._store.submit(lambda tx: tx.run(statement)).result()
            self._noted[key] = now
        return session

    def _end(self, which: object) -> None:
        statement = (
            update(SESSION)
            .where(which, SESSION.c.ended_at.is_(None))  # type: ignore[arg-type]
            .values(ended_at=utc_text(self._clock()))
        )
        self._store.submit(lambda tx: tx.run(statement)).result()

    def _stored(self, key: str) -> Session | None:
        query = select(SESSION).where(SESSION.c.token_hash == key, SESSION.c.ended_at.is_(None))
        row = next(iter(self._store.read_rows(query)), None)
        person = self._people.find(row.person) if row else None
        if row is None or person is None or not person.active:
            return None
        created = datetime.fromisoformat(row.created_at)
        seen = self._clock()
        if self._store.shared:
            here, seen = self._known.get(key), datetime.fromisoformat(row.seen_at)
            seen = max(seen, here.seen) if here else seen
        return Session(person.who, row.tablet, person.must_change, created, seen)


def _hash(token: str) -> str:
    return sha256(token.encode()).hexdigest()
