"""Who works on a job: the brief before the first step, who came and went, and who spoke at a team pause.

A job opened with a `Briefing` lets nobody mark a step who has not acknowledged its brief; a job opened before this
was asked has none, and nothing of it is enforced there.  The crew named at opening is the list to begin with.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from enum import StrEnum
from types import MappingProxyType
from typing import Literal, assert_never

from app.domain.event_base import FromHand, JobEvent, Signature, Who
from app.domain.instants import to_minute
from app.domain.procedure import Role
from app.domain.signing import BRIEFED_TO_RELEASE, BRIEFED_TO_WORK
from app.domain.text import Kept

Qualifications = Mapping[tuple[str, str], date]
"""The site's register: the last good day by person id and qualification."""
NO_QUALIFICATIONS: Qualifications = MappingProxyType({})


class Part(StrEnum):
    """What somebody is briefed for, and so what their signature means."""

    WORK = "work"
    RELEASE = "release"

    @property
    def meaning(self) -> str:
        """The meaning that stands beside the signature, in the first person."""
        match self:
            case Part.WORK:
                return BRIEFED_TO_WORK
            case Part.RELEASE:
                return BRIEFED_TO_RELEASE
            case _:
                assert_never(self)


class Briefing(Kept):
    """What a job asks of its crew: the qualifications it needs, in the site's words, and lessons of earlier jobs.

    asks: the kinds of deviation that are asked about after the work, beside those that every job asks about.
    branches: whether what to do if something goes wrong is told from the branches that the job keeps ready.
    """

    needs: tuple[str, ...] = ()
    lessons: tuple[str, ...] = ()
    asks: tuple[str, ...] | None = None
    branches: bool | None = None


class Held(Kept):
    """A qualification as it stood in the register: what for, and its last good day."""

    what: str
    until: date


class CrewBriefed(JobEvent):
    """Somebody acknowledged the brief of this revision in own words, with their own secret."""

    type: Literal["crew_briefed"] = "crew_briefed"
    revision: int
    part: Part
    words: str
    qualifications: tuple[Held, ...] = ()
    signature: Signature


class CrewLeft(JobEvent):
    """Somebody is no longer on the crew; they mark nothing more until they are briefed anew."""

    type: Literal["crew_left"] = "crew_left"
    person: Who
    reason: str


class PauseConfirmed(FromHand):
    """One person spoke at a team pause: with their own secret, or aloud and recorded by whoever made the entry.

    What a page says of a pause was said aloud, too; person is then its hand.
    """

    type: Literal["pause_confirmed"] = "pause_confirmed"
    step: str
    person: Who
    how: Literal["own secret", "said aloud"]
    signature: Signature | None = None


CrewEvent = CrewBriefed | CrewLeft | PauseConfirmed


@dataclass(frozen=True, slots=True)
class Acknowledge:
    """Acknowledge the brief; the secret of `Moment.by` was entered for this and was right."""

    part: str
    words: str


@dataclass(frozen=True, slots=True)
class LeaveCrew:
    """Take somebody off the crew, with the reason; oneself, or anybody by a lead."""

    person: str
    reason: str


@dataclass(frozen=True, slots=True)
class ConfirmPause:
    """Confirm a team pause: for oneself with the own secret (`aloud` empty), or for those who said it aloud."""

    step: str
    aloud: tuple[str, ...] = ()


CrewCommand = Acknowledge | LeaveCrew | ConfirmPause


@dataclass(frozen=True, slots=True)
class CrewState:
    """The crew at one moment.

    enforced: whether the job was opened with a brief.  waiting: named at opening, not briefed yet.  present: briefed
    for the work, in the order of briefing.  signers: ids of those briefed to release holds only.
    briefed, left, confirmed: the entries, for the record and for what was so before.
    """

    enforced: bool = False
    waiting: tuple[Who, ...] = ()
    present: tuple[Who, ...] = ()
    signers: frozenset[str] = frozenset()
    briefed: tuple[CrewBriefed, ...] = ()
    left: tuple[CrewLeft, ...] = ()
    confirmed: Mapping[str, tuple[PauseConfirmed, ...]] = field(default_factory=lambda: MappingProxyType({}))

    @property
    def to_brief(self) -> bool:
        """Whether work waits for a brief: somebody named has not had it, or nobody has."""
        return self.enforced and (bool(self.waiting) or not self.present)

    def member(self, person: str) -> Who | None:
        """Return who of the crew has this id, or None."""
        return next((who for who in self.present if who.id == person), None)

    def there(self, then: datetime) -> tuple[Who, ...]:
        """Return who was on the crew at a moment: briefed for the work by that minute, and not off it since."""
        came = [(item.seq, item.at, item.by, item.part is Part.WORK) for item in self.briefed]
        went = [(item.seq, item.at, item.person, False) for item in self.left]
        newest: dict[str, tuple[Who, bool]] = {}
        for _, at, who, on in sorted((*came, *went), key=lambda item: item[0]):
            if to_minute(at) <= then:
                newest[who.id] = who, on
        return tuple(who for who, on in newest.values() if on)

    def may_release(self, who: Who) -> bool:
        """Say whether somebody releases holds: they had the brief, or come from outside as a safety officer."""
        outside = not self.enforced or who.role is Role.SAFETY_OFFICER
        return outside or who.id in self.signers or self.member(who.id) is not None

    def unspoken(self, step: str, *, since: int, then: datetime | None = None) -> tuple[Who, ...]:
        """Return who has yet to speak at a pause; only what was confirmed after entry `since` counts.

        then: when it was held, where that was before now.
        """
        spoken = {item.person.id for item in self.confirmed.get(step, ()) if item.seq > since}
        crew = self.present if then is None else self.there(then)
        return tuple(who for who in crew if who.id not in spoken)


def crew_of(named: tuple[Who, ...], briefing: Briefing | None) -> CrewState:
    """Return the crew of a job that has just been opened."""
    return CrewState() if briefing is None else CrewState(enforced=True, waiting=named)


def evolve_crew(state: CrewState, event: CrewEvent) -> CrewState:
    """Return the crew after one more event."""
    match event:
        case CrewBriefed():
            state = replace(state, waiting=_without(state.waiting, event.by.id), briefed=(*state.briefed, event))
            others = _without(state.present, event.by.id)
            if event.part is Part.WORK:
                return replace(state, present=(*others, event.by), signers=state.signers - {event.by.id})
            return replace(state, present=others, signers=state.signers | {event.by.id})
        case CrewLeft():
            gone = event.person.id
            return replace(
                state, waiting=_without(state.waiting, gone), present=_without(state.present, gone),
                signers=state.signers - {gone}, left=(*state.left, event),
            )  # fmt: skip
        case PauseConfirmed():
            spoken = (*state.confirmed.get(event.step, ()), event)
            return replace(state, confirmed=MappingProxyType({**state.confirmed, event.step: spoken}))
        case _:
            assert_never(event)


def _without(people: tuple[Who, ...], person: str) -> tuple[Who, ...]:
    return tuple(who for who in people if who.id != person)


def held_by(person: str, register: Qualifications, needs: Iterable[str]) -> tuple[Held, ...]:
    """Return what the register says of a person about each qualification needed, where it says anything."""
    known = {what.casefold(): until for (who, what), until in register.items() if who == person}
    return tuple(Held(what=need, until=known[need.casefold()]) for need in needs if need.casefold() in known)


def lacking(who: Who, register: Qualifications, needs: Iterable[str], on: date) -> tuple[str, ...]:
    """Say of each qualification needed that a person does not hold on this day what is wrong; none: all are held."""
    needs = tuple(needs)
    held = {item.what: item.until for item in held_by(who.id, register, needs)}
    told = []
    for need in needs:
        if need not in held:
            told.append(f"{who.name} has no “{need}” in the register")
        elif held[need] < on:
            told.append(f"{who.name}'s “{need}” ran out on {held[need]}")
    return tuple(told)
