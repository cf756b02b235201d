"""Locks on a housing: one row for each point of isolation, everybody's own lock, and locks that others had to remove.

Rules kept here:
- a row says which point, its position as seen, lock and tag number, by whom, when, and who took the lock off;
- nobody's lock leaves the list: one that is off stays with its times;
- a lock comes off by the hand that put it on (29 CFR 1910.147(e)(3)); whatever else happens says how;
- a point that a job names beyond the nameplate stands in the same list from then on (1910.147(d)(4): a lock on each);
- a lock taken off for a trial goes by its own parts, in order, and the isolation is verified anew (1910.147(f)(1)).
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum
from typing import Literal, assert_never

from app.domain.event_base import FromHand, JobEvent, Signature, Transcribed, Who
from app.domain.housing import FurtherKind, FurtherPoint
from app.domain.instants import to_minute
from app.domain.labels import same_tag
from app.domain.text import Kept

MOST_ATTEMPTS = 3
"""Attempts to reach the owner of a lock that one removal keeps (this program's bound, no source)."""


OTHERWISE = "in another position"
"""The answer that says that a point is not in its safe position."""
OWN_LOOK = "own-"
"""Before the id of a look at somebody's own lock."""


class StrokePart(StrEnum):
    """The parts of moving a locked damper for a trial, in order; or given up before the lock came off."""

    CLEAR = "clear"
    OFF = "off"
    MOVED = "moved"
    ON = "on"
    GIVEN_UP = "given_up"


NEXT_PART = {StrokePart.CLEAR: StrokePart.OFF, StrokePart.OFF: StrokePart.MOVED, StrokePart.MOVED: StrokePart.ON}


class PointNamed(FromHand):
    """A point of isolation beyond the nameplate was named: its tag as on its label, what it is, its safe position."""

    type: Literal["point_named"] = "point_named"
    step: str
    point: str
    tag: str
    kind: FurtherKind
    safe: str


class PointStruck(JobEvent):
    """A point that was named, and has had no lock yet, was struck off the list: a slip of the pen."""

    type: Literal["point_struck"] = "point_struck"
    step: str
    point: str
    tag: str
    reason: str


class PointLocked(FromHand):
    """A lock went onto one point of isolation.  seen: the position as seen there."""

    type: Literal["point_locked"] = "point_locked"
    step: str
    point: str
    tag: str
    seen: str
    lock: str
    tag_number: str


class PointUnlocked(FromHand):
    """Whoever locked a point took the lock off.  tag: of a point that the job has named, whose id says nothing."""

    type: Literal["point_unlocked"] = "point_unlocked"
    step: str
    point: str
    lock: str
    tag: str | None = None


class OwnLockOn(FromHand):
    """Somebody put their own lock on, for as long as they are exposed."""

    type: Literal["own_lock_on"] = "own_lock_on"
    lock: str


class OwnLockOff(FromHand):
    """Somebody took their own lock off."""

    type: Literal["own_lock_off"] = "own_lock_off"
    lock: str


class Contact(Kept):
    """One attempt to reach the owner of a lock: when (site time, as written), how and what came of it."""

    at: str
    how: str


class OthersLockRemoved(JobEvent):
    """A lock was removed that its owner did not take off: by a lead with the safety officer, both signed.

    point: the point of isolation it was on; None for somebody's own lock.  off_site: how it is known that the owner is
    not on site.  attempts: to reach the owner.  telling: how the owner will be told before they next work here.
    """

    type: Literal["others_lock_removed"] = "others_lock_removed"
    lock: str
    owner: Who
    point: str | None = None
    off_site: str
    attempts: tuple[Contact, ...]
    telling: str
    signature: Signature
    officer: Who
    officer_signature: Signature


class DamperStroked(JobEvent):
    """One part of moving a locked damper for a trial.  seen: what was seen; lock, tag_number: when it goes back on."""

    type: Literal["damper_stroked"] = "damper_stroked"
    point: str
    tag: str
    part: StrokePart
    seen: str
    lock: str | None = None
    tag_number: str | None = None
    due_again: tuple[str, ...] | None = None
    flagged: tuple[str, ...] | None = None


LocksEvent = (
    PointNamed | PointStruck | PointLocked | PointUnlocked | OwnLockOn | OwnLockOff | OthersLockRemoved | DamperStroked
)


@dataclass(frozen=True, slots=True)
class NamePoint:
    """Name a point of isolation beyond the nameplate.  kind: one of `FurtherKind`; safe: the position it is put in."""

    step: str
    tag: str
    kind: str
    safe: str


@dataclass(frozen=True, slots=True)
class StrikePoint:
    """Strike a point off the list that was named by mistake, before any lock is on it."""

    step: str
    point: str
    reason: str


@dataclass(frozen=True, slots=True)
class LockPoint:
    """Put a lock on one point of isolation, and say in which position it is seen."""

    step: str
    point: str
    seen: str
    lock: str
    tag_number: str


@dataclass(frozen=True, slots=True)
class UnlockPoint:
    """Take one's lock off a point of isolation."""

    step: str
    point: str


@dataclass(frozen=True, slots=True)
class PutOwnLockOn:
    """Put one's own lock on."""

    lock: str


@dataclass(frozen=True, slots=True)
class TakeOwnLockOff:
    """Take one's own lock off."""

    lock: str


@dataclass(frozen=True, slots=True)
class RemoveOthersLock:
    """Remove a lock whose owner is away.  officer: the safety officer whose secret was entered and was right.

    attempts: pairs of when and how the owner was tried to be reached.
    """

    lock: str
    officer: Who
    off_site: str
    attempts: tuple[tuple[str, str], ...]
    telling: str


@dataclass(frozen=True, slots=True)
class StrokeDamper:
    """Do the next part of moving a locked damper for a trial."""

    point: str
    part: StrokePart
    seen: str = ""
    lock: str = ""
    tag_number: str = ""


LocksCommand = (
    NamePoint | StrikePoint | LockPoint | UnlockPoint | PutOwnLockOn | TakeOwnLockOff | RemoveOthersLock | StrokeDamper
)


@dataclass(frozen=True, slots=True)
class Hung:
    """One lock with its times.  point, tag, seen, tag_number: empty for somebody's own lock.

    off_at, off_by: when and by whom it came off; None while it is on.  paper, off_paper: where that came from, if it
    was written on paper first; by, off_by are then the hands that wrote it there.  entered_by: who entered that it
    went on.  seq: the entry by which it did.
    """

    lock: str
    by: Who
    at: str
    point: str = ""
    tag: str = ""
    seen: str = ""
    tag_number: str = ""
    off_at: str | None = None
    off_by: Who | None = None
    paper: Transcribed | None = None
    off_paper: Transcribed | None = None
    entered_by: Who | None = None
    seq: int = 0

    @property
    def since(self) -> str:
        """When it went on: by the paper that says so, else by the server's clock."""
        return self.paper.happened if self.paper else self.at

    @property
    def until(self) -> str:
        """When it came off, likewise; nothing while it is on."""
        return self.off_paper.happened if self.off_paper else self.off_at or ""

    @property
    def on(self) -> bool:
        """Whether the lock is on."""
        return self.off_at is None

    @property
    def look(self) -> str:
        """The id under which somebody's own lock is looked at before work goes on."""
        return f"{OWN_LOOK}{self.seq}"

    @property
    def recorders(self) -> frozenset[str]:
        """The ids of who put it on and, where that came from paper, of who entered it and who compared the two."""
        told = (self.by, self.entered_by, self.paper.compared_by if self.paper else None)
        return frozenset(who.id for who in told if who is not None)


@dataclass(frozen=True, slots=True)
class Stroke:
    """A damper that is being moved for a trial, and the part that comes next."""

    point: str
    tag: str
    part: StrokePart


@dataclass(frozen=True, slots=True)
class Locks:
    """Every lock of a job in the order in which they went on, and the trial in hand, if there is one.

    further: the points of isolation that the job has named beyond the nameplate.
    """

    hung: tuple[Hung, ...] = ()
    stroke: Stroke | None = None
    further: tuple[FurtherPoint, ...] = ()

    def at(self, point: str) -> Hung | None:
        """Return the lock that is on a point now."""
        return next((item for item in self.hung if item.on and item.point == point), None)

    def named(self, point: str) -> FurtherPoint | None:
        """Return the point with this id if the job has named it."""
        return next((item for item in self.further if item.id == point), None)

    def numbered(self, lock: str) -> Hung | None:
        """Return the lock with this number if it is on."""
        return next((item for item in self.hung if item.on and same_tag(item.lock, lock)), None)

    @property
    def own(self) -> tuple[Hung, ...]:
        """Everybody's own locks that are on."""
        return tuple(item for item in self.hung if item.on and not item.point)

    def own_during(self, begun: datetime, done: datetime) -> Hung | None:
        """Return somebody's own lock that has come off by now and was on at some moment from `begun` to `done`."""
        return next(
            (
                item for item in self.hung if not item.point and item.until
                and to_minute(item.since) <= done and begun < to_minute(item.until)
            ),
            None,
        )  # fmt: skip

    @property
    def points(self) -> tuple[Hung, ...]:
        """The locks that are on points of isolation."""
        return tuple(item for item in self.hung if item.on and item.point)


def evolve_locks(locks: Locks, event: LocksEvent) -> Locks:
    """Return the locks after one more event; total, and silent about what cannot be."""
    match event:
        case PointNamed():
            point = FurtherPoint(id=event.point, tag=event.tag, kind=event.kind, safe=event.safe, step=event.step)
            return replace(locks, further=(*locks.further, point))
        case PointStruck():
            return replace(locks, further=tuple(item for item in locks.further if item.id != event.point))
        case PointLocked():
            row = replace(_hung(event), point=event.point, tag=event.tag, seen=event.seen, tag_number=event.tag_number)
            return replace(locks, hung=(*locks.hung, row))
        case OwnLockOn():
            return replace(locks, hung=(*locks.hung, _hung(event)))
        case PointUnlocked() | OwnLockOff():
            return _off(locks, event.lock, event.at, event.hand, event.transcribed)
        case OthersLockRemoved():
            return _off(locks, event.lock, event.at, event.by)
        case DamperStroked():
            return _stroked(locks, event)
        case _:
            assert_never(event)


def _hung(event: PointLocked | OwnLockOn) -> Hung:
    came = event.transcribed
    return Hung(event.lock, event.hand, event.at, paper=came, entered_by=event.by if came else None, seq=event.seq)


def _off(locks: Locks, lock: str, at: str, by: Who, paper: Transcribed | None = None) -> Locks:
    return replace(
        locks,
        hung=tuple(
            replace(item, off_at=at, off_by=by, off_paper=paper) if item.on and item.lock == lock else item
            for item in locks.hung
        ),
    )


def _stroked(locks: Locks, event: DamperStroked) -> Locks:
    part = NEXT_PART.get(event.part)
    stroke = None if part is None else Stroke(event.point, event.tag, part)
    match event.part:
        case StrokePart.OFF:
            row = locks.at(event.point)
            locks = locks if row is None else _off(locks, row.lock, event.at, event.by)
        case StrokePart.ON:
            row = Hung(
                event.lock or "", event.by, event.at, event.point, event.tag, event.seen, event.tag_number or "",
                seq=event.seq,
            )  # fmt: skip
            locks = replace(locks, hung=(*locks.hung, row))
        case _:
            pass
    return replace(locks, stroke=stroke)


def notable_of(event: LocksEvent) -> Iterator[tuple[str, str]]:
    """Yield kind and sentence of what the reviewer must open: a lock removed by others, a damper moved, a new point."""
    match event:
        case OthersLockRemoved():
            yield "lock removed", f"Lock {event.lock} of {event.owner.name} was removed: {event.off_site}"
        case PointNamed():
            yield "further isolation", f"{event.tag}, {event.kind.words}, was named as a point of isolation."
        case DamperStroked(part=StrokePart.OFF):
            yield "lock off for a trial", f"The lock of {event.tag} came off so that it could be moved."
        case _:
            pass
