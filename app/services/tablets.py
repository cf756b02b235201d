"""Tablets of the site: let in by a one-time code, known by a key of their own, shut out in one request.

As long as no tablet is enrolled, every device may sign people in.  From the first one on, only enrolled tablets may;
administrators may from anywhere, so that nobody locks the site out.  Codes live in memory and for a quarter of an
hour; of a key only the hash is kept.
"""

import secrets
from collections.abc import Callable
from concurrent.futures import Future
from datetime import datetime, timedelta
from hashlib import sha256
from threading import Lock

from app.calc.errors import Invalid
from app.domain.event_base import Who
from app.domain.refused import Refused
from app.domain.site import SiteEvent, SiteState, TabletEnrolled, TabletRevoked
from app.services.jobs import Jobs

GOOD_FOR = timedelta(minutes=15)
MOST_CODES = 20
WRONG_CODES = 10
"""Wrong codes until all that wait are thrown away (this program's figures, like the two above)."""
LETTERS = "23456789ABCDEFGHJKMNPQRSTUVWXYZ"


class Tablets:
    """The tablets of one site."""

    def __init__(self, jobs: Jobs, clock: Callable[[], datetime]) -> None:
        self._jobs = jobs
        self._clock = clock
        self._codes: dict[str, tuple[datetime, Who]] = {}
        self._wrong = 0
        self._guard = Lock()

    def invite(self, *, by: Who) -> str:
        """Return a code that lets one tablet in within a quarter of an hour."""
        code = "-".join("".join(secrets.choice(LETTERS) for _ in range(4)) for _ in range(2))
        now = self._clock()
        with self._guard:
            self._codes = {text: known for text, known in self._codes.items() if now - known[0] < GOOD_FOR}
            if len(self._codes) >= MOST_CODES:
                raise Invalid(f"{MOST_CODES} codes wait to be used. Use those, or wait until they run out.")
            self._codes[code] = (now, by)
        return code

    def enrol(self, code: str, name: str) -> str:
        """Let the tablet in that shows this code, and return its key, once and only here."""
        tablet = " ".join(name.split())
        if not 2 <= len(tablet) <= 40:
            raise Invalid(f"The tablet's name has {len(tablet)} characters. Give 2 to 40, such as tablet 2, roof.")
        if tablet in self._jobs.site().tablets:
            raise Invalid(
                f"There is a tablet {tablet!r} already. Give this one another name, or revoke that one first."
            )
        by = self._spend(code)
        key = secrets.token_urlsafe(32)

        def event(state: SiteState, seq: int, at: str) -> SiteEvent:
            if tablet in state.tablets:
                raise Invalid(f"There is a tablet {tablet!r} already. Give this one another name.")
            return TabletEnrolled(seq=seq, at=at, by=by, tablet=tablet, key_sha256=key_hash(key))

        self._jobs.write_site(event).result()
        return key

    def revoke(self, tablet: str, reason: str, *, by: Who) -> "Future[SiteState]":
        """Shut a tablet out."""
        told = " ".join(reason.split())
        if not 2 <= len(told) <= 200:
            raise Invalid("Say in a few words why the tablet is shut out, such as lost on the roof.")

        def event(state: SiteState, seq: int, at: str) -> SiteEvent:
            if tablet not in state.tablets:
                raise Invalid(f"There is no tablet {tablet!r}. Reload the page and choose again.")
            return TabletRevoked(seq=seq, at=at, by=by, tablet=tablet, reason=told)

        return self._jobs.write_site(event)

    def named(self, key: str | None) -> str | None:
        """Return the name of the enrolled tablet that carries this key, if it is one."""
        return tablet_of(self._jobs.site(), key)

    def _spend(self, code: str) -> Who:
        typed = code.strip().upper()
        with self._guard:
            made, by = self._codes.get(typed, (None, None))
            if made is None or by is None or self._clock() - made >= GOOD_FOR:
                self._wrong += 1
                if self._wrong >= WRONG_CODES:
                    self._codes, self._wrong = {}, 0
                raise Refused("waiting", "That code is not good, or not any more. Ask a lead for a new one.")
            del self._codes[typed]
            self._wrong = 0
        return by


def tablet_of(state: SiteState, key: str | None) -> str | None:
    """Return the name of the tablet that carries this key, as the site stands."""
    wanted = key_hash(key or "")
    return next((name for name, known in state.tablets.items() if known == wanted), None)


def key_hash(key: str) -> str:
    """Return what is kept of a tablet's key."""
    return sha256(key.encode()).hexdigest()
