"""Leaving work and coming back to it: suspended at rest, handed over to another crew, gone on with after looking.

Events, commands, state and fold of the topic.  Rules kept here:
- suspended is no stop: nothing went wrong, and whoever comes back needs no lead, but the same looks;
- the line that says what to do next is read before anything else is looked at;
- whoever handed the job over stays named in `gone` until they take it over again;
- a permit that went back to its issuer is away until its number and last day were read anew as the record has them.
  Suspension and hand-back of permits are common practice, no source.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from enum import StrEnum
from types import MappingProxyType
from typing import Literal, assert_never

from app.domain.event_base import JobEvent, Signature, Who
from app.domain.housing import SiteLimit
from app.domain.instants import to_minute
from app.domain.locks import Locks
from app.domain.text import Kept

SUSPEND_REASONS = {
    "shift_end": "the shift ends",
    "break": "the crew takes a break",
    "part": "a part, tool or instrument is missing",
    "person": "somebody is waited for",
    "plant": "the plant or the weather does not allow the work",
}
DOCUMENTS = {
    "record": "this job's record so far",
    "permit": "the permit to work",
    "locks": "the list of locks",
    "brief": "the notes of the brief",
}
"""What the incoming person has seen before the walk-down; a closed list."""
Part = Literal["outgoing", "incoming"]


class PermitFate(StrEnum):
    """What becomes of the permit to work while the work is left; a closed list."""

    IN_FORCE = "in_force"
    SUSPENDED = "suspended"
    HANDED_BACK = "handed_back"

    @property
    def words(self) -> str:
        """As people read it."""
        return _PERMIT_WORDS[self]


_PERMIT_WORDS = {
    PermitFate.IN_FORCE: "stays in force with whoever was told",
    PermitFate.SUSPENDED: "suspended by its issuer",
    PermitFate.HANDED_BACK: "handed back to its issuer",
}
PERMIT_LOOKS = {"permit-number": "Number of the permit in force now", "permit-until": "Last day of the permit"}
"""What is read anew of a permit that was away, by the ids of the looks."""


class Recheck(Kept):
    """One thing to look at before work goes on, and what the record believes about it.

    kind: choice (one of `options`), same (text that must read alike), count (a whole number), reading (a number in
    `unit`, judged by `limit` if there is one); None: a lead's own words, answered as expected or otherwise.
    group: what is looked at together, in one place.  expected: never shown before the answer, but for None.
    """

    id: str
    text: str
    expected: str
    kind: Literal["choice", "same", "count", "reading"] | None = None
    group: str | None = None
    options: tuple[str, ...] | None = None
    unit: str | None = None
    limit: SiteLimit | None = None


class Seen(Kept):
    """What was seen at one thing, in the words of the answer."""

    id: str
    text: str
    seen: str


class PermitLeft(Kept):
    """What became of the permit when the work was left.  to: who has it, as entered."""

    fate: PermitFate
    to: str | None = None

    @property
    def words(self) -> str:
        """Say where the permit is."""
        return f"{self.fate.words} ({self.to})" if self.to else self.fate.words


class JobSuspended(JobEvent):
    """The crew left the work: why, in which state as seen, who was told, and what is to be done next.

    to_rest: the acts that were missing to a resting state, where a lead left it elsewhere.  permit: what became of it,
    where that was said.
    """

    type: Literal["job_suspended"] = "job_suspended"
    step: str | None = None
    reason: str
    seen: tuple[Seen, ...]
    told: str
    next_thing: str
    to_rest: tuple[str, ...] | None = None
    permit: PermitLeft | None = None


class ReturnBegun(JobEvent):
    """Somebody came back to suspended work: what is to be looked at before anything is marked."""

    type: Literal["return_begun"] = "return_begun"
    rechecks: tuple[Recheck, ...]


class NextThingRead(JobEvent):
    """The line that says what to do next was read."""

    type: Literal["next_thing_read"] = "next_thing_read"
    next_thing: str


class HandoverBegun(JobEvent):
    """The incoming person saw the documents and begins the walk-down; `by` is the incoming person."""

    type: Literal["handover_begun"] = "handover_begun"
    outgoing: Who
    documents: tuple[str, ...]
    rechecks: tuple[Recheck, ...]


class HandoverSigned(JobEvent):
    """One of the two people signed the hand-over with their own secret."""

    type: Literal["handover_signed"] = "handover_signed"
    part: Part
    signature: Signature


LeavingEvent = JobSuspended | ReturnBegun | NextThingRead | HandoverBegun | HandoverSigned
COMING_BACK = (ReturnBegun, HandoverBegun)


@dataclass(frozen=True, slots=True)
class Suspend:
    """Leave the work.  seen: answers to the looks at the ports, by their ids.

    permit: what becomes of the permit, a value of PermitFate, or nothing where nothing is said.  permit_to: who has it.
    """

    reason: str
    seen: Mapping[str, str]
    told: str
    next_thing: str
    permit: str = ""
    permit_to: str = ""


@dataclass(frozen=True, slots=True)
class ReturnToWork:
    """Come back to suspended work."""


@dataclass(frozen=True, slots=True)
class ReadNext:
    """Say that the line about what to do next was read."""


@dataclass(frozen=True, slots=True)
class AnswerLooks:
    """Say what was seen, by the ids of the looks, in the words or numbers of the answers."""

    answers: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class TakeOver:
    """Take suspended work over from `outgoing`, having seen these documents (keys of DOCUMENTS)."""

    outgoing: Who
    documents: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SignHandover:
    """Sign the hand-over; the secret of `Moment.by` was entered for this and was right."""


LeavingCommand = Suspend | ReturnToWork | ReadNext | AnswerLooks | TakeOver | SignHandover


@dataclass(frozen=True, slots=True)
class Handover:
    """A hand-over under way, begun `at`.  signed: the entry of the outgoing person's signature, once there is one."""

    outgoing: Who
    incoming: Who
    at: str
    signed: int | None = None

    @property
    def signer(self) -> tuple[Part, Who]:
        """Whose signature is due: first the outgoing person's, then the incoming one's."""
        return ("outgoing", self.outgoing) if self.signed is None else ("incoming", self.incoming)


@dataclass(frozen=True, slots=True)
class Leaving:
    """Where a job stands with leaving and coming back.

    suspended: in force.  last: the newest suspension, also one that is over.  unread: the line of `last` is yet to be
    read.  gone: ids of people who handed the job over.  since: when each of them had.  sealed: entries of the
    signatures of finished hand-overs.  permit: where the permit is while it is away.  permit_looks: what of it was
    asked on coming back and has yet to be answered as recorded; then it is away no more.
    """

    suspended: JobSuspended | None = None
    last: JobSuspended | None = None
    unread: bool = False
    handover: Handover | None = None
    gone: frozenset[str] = frozenset()
    since: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    sealed: tuple[int, ...] = ()
    permit: PermitLeft | None = None
    permit_looks: frozenset[str] = frozenset()


def evolve_leaving(state: Leaving, event: LeavingEvent) -> Leaving:
    """Return the state after one more event of the topic; total, and never refuses history."""
    match event:
        case JobSuspended():
            state = replace(state, suspended=event, last=event, unread=False, handover=None)
            return permit_away(state, event.permit)
        case ReturnBegun():
            return come_back(state, event.rechecks)
        case NextThingRead():
            return replace(state, unread=False)
        case HandoverBegun():
            made = Handover(outgoing=event.outgoing, incoming=event.by, at=event.at)
            return replace(come_back(state, event.rechecks), handover=made)
        case HandoverSigned():
            return _signed(state, event)
        case _:
            assert_never(event)


def come_back(state: Leaving, looks: tuple[Recheck, ...]) -> Leaving:
    """Return the state once a suspension is over: its line is to be read first."""
    asked = frozenset(look.id for look in looks if look.id in PERMIT_LOOKS)
    return replace(state, suspended=None, unread=state.suspended is not None, handover=None, permit_looks=asked)


def permit_away(state: Leaving, left: PermitLeft | None) -> Leaving:
    """Return the state once something was said of the permit; one that stays in force is not away."""
    return state if left is None or left.fate is PermitFate.IN_FORCE else replace(state, permit=left)


def permit_read(state: Leaving, look: str) -> Leaving:
    """Return the state once a look was answered as recorded: with the last one at the permit it is in force again."""
    if look not in state.permit_looks:
        return state
    left = state.permit_looks - {look}
    return replace(state, permit_looks=left, permit=state.permit if left else None)


def _signed(state: Leaving, event: HandoverSigned) -> Leaving:
    under_way = state.handover
    if under_way is None:
        return state
    if event.part == "outgoing" or under_way.signed is None:
        return replace(state, handover=replace(under_way, signed=event.seq))
    gone = (state.gone | {under_way.outgoing.id}) - {under_way.incoming.id}
    since = MappingProxyType({**state.since, under_way.outgoing.id: event.at})
    return replace(state, handover=None, gone=gone, since=since, sealed=(*state.sealed, under_way.signed, event.seq))


def own_lock_fault(under_way: Handover, locks: Locks) -> str:
    """Say what is wrong with the own locks of the two at a signature: the incoming one on, the outgoing one off."""
    incoming, outgoing = under_way.incoming, under_way.outgoing
    theirs = [item for item in locks.hung if not item.point and item.by.id == outgoing.id]
    comes_on = any(item.by.id == incoming.id for item in locks.own)
    if any(item.on for item in theirs):
        first = "" if comes_on else f"{incoming.name} puts theirs on first. "
        return f"The lock of {outgoing.name} is still on. {first}Then {outgoing.name} takes it off under Locks."
    if not comes_on and any((item.off_at or "") >= under_way.at for item in theirs):
        return f"The lock of {outgoing.name} came off for this, and {incoming.name} has none on. Put it on under Locks."
    return ""


def lock_off_fault(under_way: Handover | None, locks: Locks, person: Who, then: datetime | None = None) -> str:
    """Say why an own lock may not come off during a hand-over: the incoming person's is not on yet.

    then: when it came off, where that was before now.
    """
    if under_way is None or person.id != under_way.outgoing.id:
        return ""
    if any(
        item.by.id == under_way.incoming.id and (then is None or to_minute(item.since) <= then) for item in locks.own
    ):
        return ""
    return f"{under_way.incoming.name} is taking over: their lock goes on before the lock of {person.name} comes off."
