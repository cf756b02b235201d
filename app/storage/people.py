"""People and their secrets.  Ids are never given to anybody else; wrong secrets are counted and slowed down.

Rules kept here:
- Five wrong secrets are free, then each further one costs a wait of 30 s, doubling up to an hour; after 100 in a row a
  lead must end the wait, or an administrator give a new one-time code.  The counter survives a restart.
- Tries for one person are taken one after another, so that many at once are no way around the counter. Servers beside
  this one take tries of their own: each is counted once, inside the writing, and what is right is refused where
  another server has counted up to a wait meanwhile. So as many tries as there are other servers may pass a limit.
- A one-time code is good for a day and opens one session, which can choose a secret and nothing else; above all it
  signs nothing.  Whoever loses that session before they have chosen is given a new code.
- What changes here and the entry that says so are one transaction.
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
from app.domain import access
from app.domain.event_base import Who
from app.domain.procedure import Role
from app.domain.refused import Refused
from app.domain.registers import SiteMoment, reason_from
from app.domain.signing import BINDING
from app.domain.site import SiteState
from app.domain.watch import FREE_TRIES
from app.domain.watch_events import CodeUsed, PersonAdded, PersonLeft, SecretChosen, SecretReset, SecretWrong, Way
from app.records.moments import site_day, utc_text
from app.services.ports import Person
from app.storage import tables
from app.storage.batch import Tx
from app.storage.secrets import check_secret, hash_secret, new_one_time_code, weak_secret
from app.storage.writer import Store

PERSON = SQLModel.metadata.tables[tables.PersonRow.__tablename__]
HARD_STOP = 100
FIRST_WAIT_S, LONGEST_WAIT_S = 30, 3600
MAX_HASHES_AT_ONCE = 2
CODE_LIFE = timedelta(hours=24)
"""How long a one-time code is good (this program's figure)."""
SiteWriter = Callable[..., Any]


class People:
    """The people of one site."""

    def __init__(
        self,
        store: Store,
        clock: Callable[[], datetime],
        write_site: SiteWriter,
        write_seeing: SiteWriter,
        read_site: Callable[[], SiteState],
    ) -> None:
        self._store = store
        self._clock = clock
        self._write_site = write_site
        self._write_seeing = write_seeing
        self._read_site = read_site
        self._hashing = threading.Semaphore(MAX_HASHES_AT_ONCE)
        self._turns: dict[str, threading.Lock] = {}
        self._guard = threading.Lock()

    def everyone(self) -> tuple[Person, ...]:
        """Return everybody who may sign in, by name."""
        return tuple(sorted((item for item in self._rows() if item.active), key=lambda person: person.name))

    def find(self, person_id: str) -> Person | None:
        """Return a person, also one who has left."""
        row = self._row(person_id)
        return None if row is None else _person(row)

    def add(
        self, name: str, role: Role, *, by: Who | None, identity: str, secret: str | None = None
    ) -> tuple[Person, str]:
        """Add a person and return the one-time code that they replace at first sign-in.

        identity: how it was checked who they are.  `secret` is for the sample site only; it then stands as if the
        person had chosen it and accepted what signing means.
        """
        checked = identity_from(identity)
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
        until = None if secret is not None else self._code_end()
        self._write_site(
            lambda _, seq, at: PersonAdded(
                seq=seq,
                at=at,
                by=by,
                person=person_id,
                name=told,
                role=role,
                good_until=until,
                identity=checked,
                accepted=BINDING if secret is not None else None,
            ),
            also=lambda tx: tx.run(insert(PERSON), row),
        ).result()
        return Person(person_id, told, role, secret is None, True), code

    def prove(self, person_id: str, secret: str, *, tablet: str) -> Who:
        """Return the person if the secret is theirs; wrong and unknown take the same time and say the same."""
        who = self._prove(person_id, secret, tablet)
        self._refuse_if_used(person_id)
        return who

    def use_code(self, who: Who, *, tablet: str) -> None:
        """Use up the one-time code of somebody who has just proved themselves by it; nothing for an own secret."""
        row = self._row(who.id)
        if not row.must_change:
            return

        def used(tx: Tx, state: SiteState, seq: int, at: str) -> CodeUsed:
            account = state.watch.accounts.get(who.id)
            if _row_in(tx, who.id).secret_hash != row.secret_hash or (account is not None and account.code_used):
                raise _used_up()
            return CodeUsed(seq=seq, at=at, by=who, person=who.id, tablet=tablet)

        self._write_seeing(used).result()

    def _prove(self, person_id: str, secret: str, tablet: str) -> Who:
        row = self._row(person_id)
        if row is None:
            with self._hashing:
                check_secret(_DECOY, secret)
            raise _wrong()
        with self._turn(person_id):
            return self._proved(person_id, secret, tablet)

    def prove_to_sign(self, person_id: str, secret: str, *, tablet: str) -> Who:
        """Return the same for a signature: a one-time code, which somebody else knows, signs nothing."""
        who = self._prove(person_id, secret, tablet)
        found = self.find(person_id)
        if found is None or found.must_change:
            raise Refused("secret", f"{who.name} has a one-time code only, which signs nothing. Choose a secret first.")
        account = self._read_site().watch.accounts.get(person_id)
        if account is None or (told := account.unfit):
            raise Refused("secret", told if account else f"The site does not know {who.name}. Ask an administrator.")
        return who

    def choose_secret(
        self, person_id: str, old: str, new: str, *, tablet: str, words: tuple[str, ...], accepted: bool
    ) -> None:
        """Let a person replace their own secret (or one-time code) by one that nobody else has seen.

        old: the own secret; a one-time code is used up by then, and its session stands for it.
        accepted: whether they accept that what they sign binds them; nobody chooses a secret without.
        """
        if not accepted:
            raise Invalid("Accept first that what you sign with your secret binds you: tick the sentence on the form.")
        row = self._row(person_id)
        first = row is not None and row.must_change
        who = self._let_in_by_code(row) if first else self.prove(person_id, old, tablet=tablet)
        if told := weak_secret(new, (*words, who.name)):
            raise Invalid(told)
        if new == old or (first and check_secret(row.secret_hash, new)):
            raise Invalid("The new secret is the old one. Choose another.")
        way: Way = "one-time code" if first else "own secret"

        def chosen(state: SiteState, seq: int, at: str) -> SecretChosen:
            account = state.watch.accounts.get(person_id)
            if first and account is not None and not account.code_used:
                raise _not_used()
            return SecretChosen(seq=seq, at=at, by=who, person=person_id, way=way, tablet=tablet, accepted=BINDING)

        self._write_site(
            chosen,
            also=self._changing(person_id, secret_hash=hash_secret(new), must_change=False),
        ).result()

    def reset(self, person_id: str, *, by: Who, identity: str) -> str:
        """Give a person a new one-time code; it signs nothing, and ends, until they have replaced it."""
        checked = identity_from(identity)
        if self.find(person_id) is None:
            raise Invalid("There is no such person. Choose one from the list.")
        code, until = new_one_time_code(), self._code_end()
        self._write_site(
            lambda _, seq, at: SecretReset(seq=seq, at=at, by=by, person=person_id, good_until=until, identity=checked),
            also=self._changing(
                person_id, secret_hash=hash_secret(code), must_change=True, failed=0, locked_until=None
            ),
        ).result()
        return code

    def leave(self, person_id: str, *, by: Who) -> None:
        """End a person's access; the id stays theirs."""
        if self.find(person_id) is None:
            raise Invalid("There is no such person. Choose one from the list.")
        if person_id == by.id:
            raise Refused("own_leave", "You cannot end your own access. Another administrator must.")
        self._write_site(
            lambda _, seq, at: PersonLeft(seq=seq, at=at, by=by, person=person_id),
            also=self._changing(person_id, active=False),
        ).result()

    def give_role(self, person_id: str, role: str, reason: str, *, by: Who) -> None:
        """Give a person another role from here on; what they signed before keeps the role of its day."""
        self._write_site(
            lambda state, seq, at: access.role_given(
                state, _moment(state, seq, at, by), person=person_id, role=role, reason=reason
            ),
            also=self._changing(person_id, role=role),
        ).result()

    def lift_wait(self, person_id: str, reason: str, *, by: Who) -> None:
        """End the wait that wrong secrets brought a person."""
        self._write_site(
            lambda state, seq, at: access.wait_lifted(
                state, _moment(state, seq, at, by), person=person_id, reason=reason
            ),
            also=self._changing(person_id, failed=0, locked_until=None),
        ).result()

    def _proved(self, person_id: str, secret: str, tablet: str) -> Who:
        row = self._row(person_id)
        self._refuse_if_waiting(row)
        with self._hashing:
            right = check_secret(row.secret_hash if row.active else _DECOY, secret)
        if not right:
            self._count_wrong(person_id, tablet)
            raise _wrong()
        if row.must_change:
            self._refuse_if_run_out(person_id)
        if row.failed:
            self._store.submit(lambda tx: self._forgive(tx, person_id), urgent=True).result()
        return Who(id=row.id, name=row.name, role=Role(row.role))

    def _turn(self, person_id: str) -> threading.Lock:
        with self._guard:
            return self._turns.setdefault(person_id, threading.Lock())

    def _let_in_by_code(self, row: Any) -> Who:
        """Return who signed in with a one-time code that is still good, and so may choose a secret without it."""
        self._refuse_if_run_out(row.id)
        account = self._read_site().watch.accounts.get(row.id)
        if account is not None and not account.code_used:
            raise _not_used()
        return Who(id=row.id, name=row.name, role=Role(row.role))

    def _refuse_if_used(self, person_id: str) -> None:
        account = self._read_site().watch.accounts.get(person_id)
        if account is not None and account.code_used:
            raise _used_up()

    def _code_end(self) -> str:
        return utc_text(self._clock() + CODE_LIFE)

    def _refuse_if_run_out(self, person_id: str) -> None:
        account = self._read_site().watch.accounts.get(person_id)
        if account is not None and account.code_until is not None and account.code_until < utc_text(self._clock()):
            raise Refused("secret", "That one-time code is not good any more. Ask an administrator for a new one.")

    def _row(self, person_id: str) -> Any:
        return next(iter(self._store.read_rows(select(PERSON).where(PERSON.c.id == person_id))), None)

    def _rows(self) -> list[Person]:
        return [_person(row) for row in self._store.read_rows(select(PERSON))]

    def _changing(self, person_id: str, **values: object) -> Callable[[Any], None]:
        statement = update(PERSON).where(PERSON.c.id == person_id).values(**values)
        return lambda tx: tx.run(statement)

    def _refuse_if_waiting(self, row: Any) -> None:
        if row.failed >= HARD_STOP:
            raise Refused("locked", f"{row.name} is locked after {row.failed} wrong secrets. Ask a lead to end that.")
        if row.locked_until and row.locked_until > utc_text(self._clock()):
            raise Refused(
                "waiting",
                f"Too many wrong secrets for {row.name}. Wait until {row.locked_until} (UTC). Stop still works.",
            )

    def _forgive(self, tx: Tx, person_id: str) -> None:
        self._refuse_if_waiting(_row_in(tx, person_id))
        self._changing(person_id, failed=0, locked_until=None)(tx)

    def _count_wrong(self, person_id: str, tablet: str) -> None:
        def counted(tx: Tx, _: SiteState, seq: int, at: str) -> SecretWrong:
            failed = _row_in(tx, person_id).failed + 1
            until = None
            if failed >= FREE_TRIES:
                wait_s = min(FIRST_WAIT_S * 2 ** (failed - FREE_TRIES), LONGEST_WAIT_S)
                until = utc_text(self._clock() + timedelta(seconds=wait_s))
            self._changing(person_id, failed=failed, locked_until=until)(tx)
            return SecretWrong(seq=seq, at=at, person=person_id, tablet=tablet, count=failed, waits_until=until)

        self._write_seeing(counted).result()

    def _free_id(self, name: str) -> str:
        base = re.sub(r"[^a-z0-9]+", "-", plain_letters(name)).strip("-") or "person"
        taken = {person.id for person in self._rows()}
        numbered = [base, *(f"{base}-{number}" for number in range(2, len(taken) + 3))]
        return next(candidate for candidate in numbered if candidate not in taken)


def identity_from(text: str) -> str:
    """Return how an identity was checked, as it is kept; raise Invalid for no words or too many."""
    return reason_from(text, "How it was checked who this is")


def _used_up() -> Refused:
    return Refused(
        "secret", "That one-time code has opened its session and opens no other. Ask an administrator for a new one."
    )


def _not_used() -> Refused:
    return Refused("secret", "Sign in with the one-time code first, then choose a secret.")


_SPELT = str.maketrans({
    "ł": "l", "ø": "o", "ß": "ss", "đ": "d", "ð": "d", "þ": "th", "æ": "ae", "œ": "oe", "ı": "i", "ħ": "h", "ŧ": "t",
    "ŋ": "ng", "ĸ": "k", "ə": "e", "’": "-",
})  # fmt: skip
"""Latin letters that Unicode does not take apart."""


def plain_letters(name: str) -> str:
    """Return a name in small letters from a to z where Latin ones are meant: `Nowák` is `nowak`; others are dropped."""
    apart = unicodedata.normalize("NFKD", name.casefold().translate(_SPELT))
    return apart.translate(_SPELT).encode("ascii", "ignore").decode()


def _person(row: Any) -> Person:
    return Person(row.id, row.name, Role(row.role), bool(row.must_change), bool(row.active), row.failed)


def _row_in(tx: Tx, person_id: str) -> Any:
    return tx.rows(select(PERSON).where(PERSON.c.id == person_id))[0]


def _wrong() -> Refused:
    return Refused("secret", "That name and secret do not belong together. Check both and try again.")


def _moment(state: SiteState, seq: int, at: str, by: Who) -> SiteMoment:
    return SiteMoment(seq=seq, at=at, today=site_day(at, state.zone), by=by)


_DECOY = "$argon2id$v=19$m=65536,t=3,p=4$AAAAAAAAAAAAAAAAAAAAAA$AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"
"""A hash that no secret fits, so that an unknown name takes as long as a wrong secret."""
