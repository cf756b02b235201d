"""What the use cases need from the outside, as protocols that storage fulfils."""

from collections.abc import Callable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol, TypeVar

from app.domain.event_base import Who
from app.domain.housing import Housing
from app.domain.procedure import Procedure, Role
from app.ledger.heads import Head
from app.ledger.tree import Frontier

T = TypeVar("T")
Clock = Callable[[], datetime]


class Tip(Protocol):
    """Where a ledger ends, with what was folded from exactly these entries."""

    @property
    def size(self) -> int:
        """Return the number of entries."""

    @property
    def frontier(self) -> Frontier:
        """Return the tree's right edge."""

    @property
    def memo(self) -> object | None:
        """Return what was folded from the entries, if it is at hand."""


class SeenRequest(Protocol):
    """A request token that has been used."""

    @property
    def ledger(self) -> str:
        """Return the ledger it wrote to."""

    @property
    def digest(self) -> str:
        """Return the digest of what it asked."""


class LedgerWork(Protocol):
    """What one piece of work on the writer thread may do to ledgers."""

    def tip(self, ledger: str) -> Tip:
        """Return where a ledger ends."""

    def payloads(self, ledger: str) -> list[bytes]:
        """Return all entries of a ledger."""

    def append(self, ledger: str, payloads: Sequence[bytes], *, memo: object | None = None) -> Head:
        """Append entries and return the signed head."""

    def remember(self, ledger: str, memo: object) -> None:
        """Keep what was folded beside the tip."""

    def seen_request(self, token: str) -> SeenRequest | None:
        """Return a used request token."""

    def keep_request(self, token: str, ledger: str, digest: str, seq: int) -> None:
        """Use a request token up."""


class LedgerStore(Protocol):
    """The one place where order is made."""

    def submit(self, work: Callable[[LedgerWork], T], *, urgent: bool = False) -> "Future[T]":
        """Do the work on the writer thread; the future resolves after the commit. urgent: also on a full disk."""

    def peek(self, ledger: str) -> Tip | None:
        """Return the newest committed tip if it is in memory and nobody else can have moved it; waits for nothing."""

    def last_seen(self, ledger: str) -> Tip | None:
        """Return the tip as this process saw it last, if it is in memory; waits for nothing."""

    def fresh(self, ledger: str) -> Tip | None:
        """Return the newest committed tip if it is in memory; where others write, the database is asked first."""

    def read_payloads(self, ledger: str, *, since: int = 0, until: int | None = None) -> list[bytes]:
        """Return the committed entries of a ledger from this place on, up to but without another."""

    def read_heads(self, ledger: str) -> list[Head]:
        """Return all committed heads of a ledger."""

    def read_head(self, ledger: str, size: int | None = None) -> Head | None:
        """Return the committed head of a ledger over so many entries, or the newest one; None if there is none."""


@dataclass(frozen=True, slots=True)
class Person:
    """A person as the site knows them; the secret's hash stays in storage. failed: wrong secrets in a row."""

    id: str
    name: str
    role: Role
    must_change: bool
    active: bool
    failed: int = 0

    @property
    def who(self) -> Who:
        """The person as an event names them."""
        return Who(id=self.id, name=self.name, role=self.role)


@dataclass(frozen=True, slots=True)
class Session:
    """A person signed in at a tablet.

    both: id and secret have been given for a signature since this session began or was locked last; the secret alone is
    then enough.  locked: nothing but stopping and unlocking until the secret is given.
    """

    who: Who
    tablet: str
    must_change: bool
    created: datetime
    seen: datetime
    both: bool = False
    locked: bool = False


class PhotoShelf(Protocol):
    """Where photos lie, by their SHA-256."""

    def read(self, sha256_hex: str) -> bytes:
        """Return the bytes of a photo, or raise a ChangeoutError."""

    def need(self, sha256_hex: str) -> None:
        """Raise Invalid where a form names a photo that is not here."""

    def keep(self, data: bytes) -> "Kept":
        """Store a photo durably and return its name."""


class PartsShelf(Protocol):
    """Photos that arrive in parts."""

    def held(self, digest: str) -> tuple[int, bool]:
        """Return how many bytes of a photo are here, and whether it is whole and kept."""

    def add(self, digest: str, part: bytes, *, at: int, of: int, now: datetime) -> tuple[int, bool]:
        """Take the part that starts at byte `at` of `of`; return the same as `held`."""


class Kept(Protocol):
    """A photo that is on the disk."""

    @property
    def sha256(self) -> str:
        """Return its name."""


class Library(Protocol):
    """The housings and procedures of the site."""

    def housings(self) -> tuple[Housing, ...]:
        """Return every housing, by tag."""

    def housing(self, tag: str) -> Housing | None:
        """Return the housing with this tag, or None."""

    def holding(self, words: str) -> tuple[Housing, ...]:
        """Return the housings whose tag, place or service hold every one of these words, by tag."""

    def made_of(self, make: Callable[[tuple[Housing, ...]], T]) -> T:
        """Return what a function makes of all housings: made once and kept for as long as nothing changes."""

    def procedures(self) -> tuple[tuple[Procedure, str], ...]:
        """Return every procedure with the SHA-256 of its file."""

    def procedure_text(self, digest: str) -> str:
        """Return the text of a procedure by its SHA-256; Invalid if there is none such now."""

    def faults(self) -> tuple[str, ...]:
        """Return a sentence for every file that cannot be used."""


class PeopleBook(Protocol):
    """Who may work here, and whether a secret is theirs."""

    def everyone(self) -> tuple[Person, ...]:
        """Return everybody who may sign in, by name."""

    def find(self, person_id: str) -> Person | None:
        """Return a person, also one who has left."""

    def add(
        self, name: str, role: Role, *, by: Who | None, identity: str, secret: str | None = None
    ) -> tuple[Person, str]:
        """Add a person and return the one-time code for the first sign-in."""

    def prove(self, person_id: str, secret: str, *, tablet: str) -> Who:
        """Return the person if the secret is right, else raise Refused; wrong ones are counted."""

    def use_code(self, who: Who, *, tablet: str) -> None:
        """Use up the one-time code by which somebody signs in."""

    def prove_to_sign(self, person_id: str, secret: str, *, tablet: str) -> Who:
        """Return the same for a signature, for which a one-time code is not enough."""

    def choose_secret(
        self, person_id: str, old: str, new: str, *, tablet: str, words: tuple[str, ...], accepted: bool
    ) -> None:
        """Let a person replace their own secret."""

    def reset(self, person_id: str, *, by: Who, identity: str) -> str:
        """Give a person a new one-time code."""

    def leave(self, person_id: str, *, by: Who) -> None:
        """End a person's access; the id stays theirs."""

    def give_role(self, person_id: str, role: str, reason: str, *, by: Who) -> None:
        """Give a person another role from here on."""

    def lift_wait(self, person_id: str, reason: str, *, by: Who) -> None:
        """End the wait that wrong secrets brought a person."""


class SessionBook(Protocol):
    """Who is signed in at which tablet."""

    def begin(self, who: Who, tablet: str) -> str:
        """Start a session and return its token."""

    def find(self, token: str | None) -> Session | None:
        """Return the session of a token if it is still good."""

    def at_hand(self, token: str | None) -> Session | None:
        """Return the session of a token if it is good and in memory, without waiting."""

    def touched(self, token: str | None) -> None:
        """Note that a person is at the tablet; a session that is locked stays so."""

    def lock(self, token: str | None) -> None:
        """Lock a session until its person gives the secret."""

    def unlock(self, token: str | None) -> None:
        """Unlock a session; the next signature takes id and secret."""

    def signed(self, token: str | None) -> None:
        """Note that id and secret were given for a signature."""

    def last_sign_ins(self) -> dict[str, str]:
        """Return when each person signed in last, in UTC text, by id."""

    def end(self, token: str | None) -> None:
        """End a session."""

    def end_all_of(self, person_id: str) -> None:
        """End every session of a person."""

    def end_all_at(self, tablet: str) -> None:
        """End every session at a tablet."""
