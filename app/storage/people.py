"""People and their secrets.  Ids are never given to anybody else; wrong secrets are counted and slowed down.

Five wrong secrets are free, then each further one costs a wait of 30 s, doubling up to an hour; after 100 in
a row an administrator must give a new one-time code.  The counter survives a restart.
"""

import re
import threading
import unicodedata
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import insert, select, update
from sqlmodel import SQLModel

from app.calc.errors import Invalid
from app.domain.event_base import Who
from app.domain.procedure import Role
from app.domain.refused import Refused
from app.domain.site import (
    PersonAdded,
    PersonLeft,
    SecretChosen,
    SecretReset,
    SecretWrong,
    SiteEvent,
    SiteState,
)
from app.records.moments import utc_text
from app.services.ports import Person
from app.storage import tables
from app.storage.secrets import check_secret, hash_secret, new_one_time_code, weak_secret
from app.storage.writer import Store

PERSON = SQLModel.metadata.tables[tables.PersonRow.__tablename__]
FREE_TRIES, HARD_STOP = 5, 100
FIRST_WAIT_S, LONGEST_WAIT_S = 30, 3600
MAX_HASHES_AT_ONCE = 2
SiteWriter = Callable[[Callable[[SiteState, int, str], SiteEvent]], Any]


class People:
    """The people of one site."""

    def __init__(self, store: Store, clock: Callable[[], datetime], write_site: SiteWriter) -> None:
        self._store = store
        self._clock = clock
        self._write_site = write_site
        self._hashing = threading.Semaphore(MAX_HASHES_AT_ONCE)

    def everyone(self) -> tuple[Person, ...]:
        """Return everybody who may sign in, by name."""
        return tuple(sorted((item for item in self._rows() if item.active), key=lambda person: person.name))

    def find(self, person_id: str) -> Person | None:
        """Return a person, also one who has left."""
        return next((person for person in self._rows() if person.id == person_id), None)

    def add(self, name: str, role: Role, *, by: Who | None, secret: str | None = None) -> tuple[Person, str]:
        """Add a person and return the one-time code that they replace at first sign-in.

        `secret` is for the sample site only; it then stands as if the person had chosen it.
        """
        told = " ".join(name.split())
        if not 2 <= len(told) <= 80:
            raise Invalid(f"The name {told!r} has {len(told)} characters. Give 2 to 80.")
        if odd := next((char for char in told if unicodedata.category(char)[0] == "C"), None):
            raise Invalid(f"The name holds U+{ord(odd):04X}, which cannot be seen or turns what follows. Leave it out.")
        if not any(char.isalpha() for char in told):
            raise Invalid(f"The name {told!r} has no letter. Give the name as it is to stand on records.")
        if any(person.active and person.name.casefold() == told.casefold() for person in self._rows()):
            raise Invalid(f"There is somebody called {told} already. Add what tells the two apart, such as an initial.")
        code = secret or new_one_time_code()
        person_id = self._free_id(told)
        row = {
            "id": person_id, "name": told, "role": str(role), "secret_hash": hash_secret(code),
            "must_change": secret is None, "active": True, "created_at": utc_text(self._clock()), "failed": 0,
            "locked_until": None,
        }  # fmt: skip
        self._store.submit(lambda tx: tx.run(insert(PERSON), row)).result()
        self._write_site(
            lambda _, seq, at: PersonAdded(seq=seq, at=at, by=by, person=person_id, name=told, role=role)
        ).result()
        return Person(person_id, told, role, secret is None, True), code

    def prove(self, person_id: str, secret: str, *, tablet: str) -> Who:
        """Return the person if the secret is theirs; wrong and unknown take the same time and say the same."""
        row = next(iter(self._store.read_rows(select(PERSON).where(PERSON.c.id == person_id))), None)
        wrong = Refused("secret", "That name and secret do not belong together. Check both and try again.")
        if row is None or not row.active:
            with self._hashing:
                check_secret(_DECOY, secret)
            raise wrong
        self._refuse_if_waiting(row)
        with self._hashing:
            right = check_secret(row.secret_hash, secret)
        if not right:
            self._count_wrong(row, tablet)
            raise wrong
        if row.failed:
            self._change(person_id, failed=0, locked_until=None)
        return Who(id=row.id, name=row.name, role=Role(row.role))

    def choose_secret(self, person_id: str, old: str, new: str, *, tablet: str, words: tuple[str, ...]) -> None:
        """Let a person replace their own secret (or one-time code) by one that nobody else has seen."""
        who = self.prove(person_id, old, tablet=tablet)
        if told := weak_secret(new, (*words, who.name)):
            raise Invalid(told)
        if new == old:
            raise Invalid("The new secret is the old one. Choose another.")
        self._change(person_id, secret_hash=hash_secret(new), must_change=False)
        self._write_site(lambda _, seq, at: SecretChosen(seq=seq, at=at, by=who, person=person_id)).result()

    def reset(self, person_id: str, *, by: Who) -> str:
        """Give a person a new one-time code; it signs nothing until they have replaced it."""
        if self.find(person_id) is None:
            raise Invalid("There is no such person. Choose one from the list.")
        code = new_one_time_code()
        self._change(person_id, secret_hash=hash_secret(code), must_change=True, failed=0, locked_until=None)
        self._write_site(lambda _, seq, at: SecretReset(seq=seq, at=at, by=by, person=person_id)).result()
        return code

    def leave(self, person_id: str, *, by: Who) -> None:
        """End a person's access; the id stays theirs."""
        if self.find(person_id) is None:
            raise Invalid("There is no such person. Choose one from the list.")
        if person_id == by.id:
            raise Refused("own_leave", "You cannot end your own access. Another administrator must.")
        self._change(person_id, active=False)
        self._write_site(lambda _, seq, at: PersonLeft(seq=seq, at=at, by=by, person=person_id)).result()

    def _rows(self) -> list[Person]:
        rows = self._store.read_rows(select(PERSON))
        return [Person(row.id, row.name, Role(row.role), bool(row.must_change), bool(row.active)) for row in rows]

    def _change(self, person_id: str, **values: object) -> None:
        statement = update(PERSON).where(PERSON.c.id == person_id).values(**values)
        self._store.submit(lambda tx: tx.run(statement)).result()

    def _refuse_if_waiting(self, row: Any) -> None:
        if row.failed >= HARD_STOP:
            raise Refused("locked", f"{row.name} is locked after {row.failed} wrong secrets. Ask an administrator.")
        if row.locked_until and row.locked_until > utc_text(self._clock()):
            raise Refused(
                "waiting",
                f"Too many wrong secrets for {row.name}. Wait until {row.locked_until} (UTC). Stop still works.",
            )

    def _count_wrong(self, row: Any, tablet: str) -> None:
        failed = row.failed + 1
        until = None
        if failed >= FREE_TRIES:
            wait_s = min(FIRST_WAIT_S * 2 ** (failed - FREE_TRIES), LONGEST_WAIT_S)
            until = utc_text(self._clock() + timedelta(seconds=wait_s))
        self._change(row.id, failed=failed, locked_until=until)
        self._write_site(
            lambda _, seq, at: SecretWrong(seq=seq, at=at, person=row.id, tablet=tablet, count=failed)
        ).result()

    def _free_id(self, name: str) -> str:
        base = re.sub(r"[^a-z0-9]+", "-", plain_letters(name)).strip("-") or "person"
        taken = {person.id for person in self._rows()}
        numbered = [base, *(f"{base}-{number}" for number in range(2, len(taken) + 3))]
        return next(candidate for candidate in numbered if candidate not in taken)


_SPELT = str.maketrans({
    "ł": "l", "ø": "o", "ß": "ss", "đ": "d", "ð": "d", "þ": "th", "æ": "ae", "œ": "oe", "ı": "i", "ħ": "h", "ŧ": "t",
    "ŋ": "ng", "ĸ": "k", "ə": "e", "’": "-",
})  # fmt: skip
"""Latin letters that Unicode does not take apart."""


def plain_letters(name: str) -> str:
    """Return a name in small letters from a to z where Latin ones are meant: `Nowák` is `nowak`; others are dropped."""
    apart = unicodedata.normalize("NFKD", name.casefold().translate(_SPELT))
    return apart.translate(_SPELT).encode("ascii", "ignore").decode()


_DECOY = "$argon2id$v=19$m=65536,t=3,p=4$AAAAAAAAAAAAAAAAAAAAAA$AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"
"""A hash that no secret fits, so that an unknown name takes as long as a wrong secret."""
