"""Who is signed in at which tablet.  A new token at every sign-in; only its hash is kept.

Rules kept here:
- A session that nobody has used for longer than the site's setting is locked until its person gives the secret; it ends
  after a fixed time in any case.  Only what a person does counts as use (`touched`), not what a tablet sends by itself.
- When it was used last is written down now and then, so that a restart does not begin the time anew.
- A restart forgets that a person has signed with both components: the next signature takes both again.
- Where other processes serve the same site, every request asks the database, so that a session ended, locked or
  unlocked elsewhere is so here; what one process knows of its last use the others know within WRITTEN_EVERY.
"""

import secrets
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from hashlib import sha256
from threading import Lock

from sqlalchemy import func, insert, select, update
from sqlmodel import SQLModel

from app.domain.event_base import Who
from app.records.moments import utc_text
from app.services.ports import Session
from app.storage import tables
from app.storage.people import People
from app.storage.writer import Store

SESSION = SQLModel.metadata.tables[tables.SessionRow.__tablename__]
LONGEST_TABLET_NAME = 40
WRITTEN_EVERY = timedelta(seconds=30)
"""How often the time of last use is written at most; after a restart a lock may come so much early (our figure)."""


class Sessions:
    """The sessions of one site; committed rows with a copy in memory."""

    def __init__(
        self,
        store: Store,
        people: People,
        clock: Callable[[], datetime],
        *,
        idle: Callable[[], timedelta],
        longest: timedelta,
    ) -> None:
        self._store = store
        self._people = people
        self._clock = clock
        self._idle = idle
        self._longest = longest
        self._known: dict[str, Session] = {}
        self._written: dict[str, datetime] = {}
        self._ends = 0
        self._guard = Lock()

    def begin(self, who: Who, tablet: str) -> str:
        """Start a session and return its token, once and only here."""
        token = secrets.token_urlsafe(32)
        now = self._clock()
        self._keep(lambda item: not self._over(item))
        row = {
            "token_hash": _hash(token), "person": who.id, "tablet": tablet[:LONGEST_TABLET_NAME],
            "created_at": utc_text(now), "seen_at": utc_text(now), "ended_at": None,
        }  # fmt: skip
        self._store.submit(lambda tx: tx.run(insert(SESSION), row), urgent=True).result()
        return token

    def find(self, token: str | None) -> Session | None:
        """Return the session of a token if it is still good, locked if it has not been used for too long."""
        if not token:
            return None
        key, ends = _hash(token), self._ends
        session = None if self._store.shared else self._known.get(key)
        session = session or self._stored(key)
        if session is None:
            self._drop(key)
            return None
        session = self._joined(key, session) if self._store.shared else session
        if self._over(session):
            self.end(token)
            return None
        return self._judged(key, session, ends)

    def at_hand(self, token: str | None) -> Session | None:
        """Return the session of a token if it is good and in memory; waits for nothing.  Else ask `find`."""
        if self._store.shared:
            return None
        key, ends = _hash(token or ""), self._ends
        session = self._known.get(key)
        return None if session is None or self._over(session) else self._judged(key, session, ends)

    def touched(self, token: str | None) -> None:
        """Note that a person is at the tablet; a session that is locked stays so."""
        key, now = _hash(token or ""), self._clock()
        if not self._change(key, seen=now):
            return
        with self._guard:
            written = self._written.setdefault(key, now)
        if now - written >= WRITTEN_EVERY:
            self._write(key, utc_text(now))

    def lock(self, token: str | None) -> None:
        """Lock a session until its person gives the secret; also over a restart."""
        key = _hash(token or "")
        if self._change(key, locked=True, both=False):
            self._write(key, tables.LOCKED)

    def unlock(self, token: str | None) -> None:
        """Unlock a session, now in use; the next signature takes id and secret."""
        key, now = _hash(token or ""), self._clock()
        with self._guard:
            session = self._known.get(key)
            if session is None:
                return
            self._known[key] = replace(session, locked=False, both=False, seen=now)
        self._write(key, utc_text(now))

    def signed(self, token: str | None) -> None:
        """Note that id and secret were given for a signature."""
        self._change(_hash(token or ""), both=True)

    def last_sign_ins(self) -> dict[str, str]:
        """Return when each person signed in last, in UTC text, by id."""
        query = select(SESSION.c.person, func.max(SESSION.c.created_at).label("last")).group_by(SESSION.c.person)
        return {row.person: row.last for row in self._store.read_rows(query)}

    def end(self, token: str | None) -> None:
        """End a session."""
        if token:
            self._end(SESSION.c.token_hash == _hash(token))
            self._drop(_hash(token))

    def end_all_of(self, person_id: str) -> None:
        """End every session of a person."""
        self._end(SESSION.c.person == person_id)
        self._keep(lambda item: item.who.id != person_id)

    def end_all_at(self, tablet: str) -> None:
        """End every session at a tablet."""
        self._end(SESSION.c.tablet == tablet)
        self._keep(lambda item: item.tablet != tablet)

    def _drop(self, key: str) -> None:
        with self._guard:
            self._ends += 1
            self._known.pop(key, None)
            self._written.pop(key, None)

    def _keep(self, good: Callable[[Session], bool]) -> None:
        """Forget every session in memory that is not good, and when it was written."""
        with self._guard:
            self._ends += 1
            self._known = {key: item for key, item in self._known.items() if good(item)}
            self._written = {key: at for key, at in self._written.items() if key in self._known}

    def _over(self, session: Session) -> bool:
        return self._clock() - session.created > self._longest

    def _joined(self, key: str, stored: Session) -> Session:
        """Return what the database holds of a session with what this process knows of it, the newer of both."""
        with self._guard:
            here = self._known.get(key)
            if here is None:
                return stored
            newest = max(here.seen, stored.seen)
            locked = stored.locked or (here.locked and here.seen >= stored.seen)
            joined = replace(here, seen=newest, locked=locked, both=here.both and not locked)
            self._known[key] = joined
        return joined

    def _judged(self, key: str, session: Session, ends: int) -> Session:
        """Return the session as it is now: locked if nobody has used it for too long, and then for good.

        ends: how often sessions had ended when it was looked up; where one has since, it may be this one, and it is not
        put into memory again.
        """
        now, idle = self._clock(), self._idle()
        with self._guard:
            found = self._known.get(key, session)
            if not found.locked and now - found.seen > idle:
                found = replace(found, locked=True, both=False)
            if ends == self._ends:
                self._known[key] = found
        return found

    def _change(self, key: str, **changes: object) -> bool:
        """Change a session that is in memory and not locked."""
        with self._guard:
            session = self._known.get(key)
            if session is None or session.locked:
                return False
            self._known[key] = replace(session, **changes)  # type: ignore[arg-type]
            return True

    def _write(self, key: str, seen_at: str) -> None:
        """Write when a session was used last; nobody waits for it, and a full disk may refuse it."""
        with self._guard:
            self._written[key] = self._clock()
        statement = update(SESSION).where(SESSION.c.token_hash == key).values(seen_at=seen_at)
        self._store.submit(lambda tx: tx.run(statement))

    def _end(self, which: object) -> None:
        statement = (
            update(SESSION)
            .where(which, SESSION.c.ended_at.is_(None))  # type: ignore[arg-type]
            .values(ended_at=utc_text(self._clock()))
        )
        self._store.submit(lambda tx: tx.run(statement), urgent=True).result()

    def _stored(self, key: str) -> Session | None:
        query = select(SESSION).where(SESSION.c.token_hash == key, SESSION.c.ended_at.is_(None))
        row = next(iter(self._store.read_rows(query)), None)
        person = self._people.find(row.person) if row else None
        if row is None or person is None or not person.active:
            return None
        created = datetime.fromisoformat(row.created_at)
        locked = row.seen_at == tables.LOCKED
        seen = created if locked else datetime.fromisoformat(row.seen_at)
        return Session(person.who, row.tablet, person.must_change, created, seen, locked=locked)


def _hash(token: str) -> str:
    return sha256(token.encode()).hexdigest()
