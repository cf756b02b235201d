"""The reading that is repeated while a door is off and the isolation holds: what is due when, and what was missed.

Energy can build up behind a shut damper, so the reading goes on until the door is back (29 CFR 1910.147(d)(5)(ii)).
Nothing here happens by itself: instants are compared when somebody acts or looks.  The second reading missed since
the door came off, or since the job was re-opened, stops the job.
"""

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Literal, assert_never

from app.domain.containment.state import Door, HousingState, Isolation
from app.domain.event_base import Answer, FromHand, JobEvent, Judged
from app.domain.steps import Repeated

MOST_MISSED = 2
"""A lapse once is marked, twice stops the job (this program's figure)."""


class ReadingRepeated(FromHand):
    """The repeated reading was taken.  due: until when it was asked for, if it was."""

    type: Literal["reading_repeated"] = "reading_repeated"
    answer: Answer
    judged: Judged
    due: str | None = None


class ReadingMissed(JobEvent):
    """Somebody acted or looked, and a repeated reading that was due before had not been taken.  count: since when."""

    type: Literal["reading_missed"] = "reading_missed"
    due: str
    count: int


WatchEvent = ReadingRepeated | ReadingMissed


@dataclass(frozen=True, slots=True)
class TakeReading:
    """Enter the repeated reading, as typed."""

    text: str


@dataclass(frozen=True, slots=True)
class NoticeMissed:
    """Compare the server's time with what is due, because somebody acts or looks."""


WatchCommand = TakeReading | NoticeMissed


@dataclass(frozen=True, slots=True)
class Watch:
    """What is due next.

    due: the instant (RFC 3339) by which the next reading is to be taken; None where none is due.  minutes: between
    two.  missed: how many since the door came off or the job was re-opened.
    """

    due: str | None = None
    minutes: int = 0
    missed: int = 0


def evolve_watch(watch: Watch, event: WatchEvent) -> Watch:
    """Return the watch after one more event."""
    match event:
        case ReadingRepeated():
            due = None if watch.due is None else max(watch.due, later(event.happened, watch.minutes))
            return replace(watch, due=due)
        case ReadingMissed():
            return replace(watch, due=later(event.due, watch.minutes), missed=event.count)
        case _:
            assert_never(event)


def watched(watch: Watch, repeated: Repeated | None, model: HousingState | None, at: str) -> Watch:
    """Return the watch after the housing has changed: it runs from the first door off to the last door on."""
    if repeated is None or not stands_open(model):
        return Watch()
    if watch.due is not None or not at:
        return watch
    return replace(watch, minutes=repeated.minutes, due=later(at, repeated.minutes))


def resting(watch: Watch) -> Watch:
    """Return the watch of a job that is stopped: nothing is due until it goes on."""
    return replace(watch, due=None)


def stands_open(model: HousingState | None) -> bool:
    """Whether a door is off behind an isolation."""
    return (
        model is not None
        and model.isolation is not Isolation.NONE
        and any(port.door is not Door.SHUT for port in model.ports)
    )


def missed_by(watch: Watch, at: str) -> tuple[str, ...]:
    """Return the instants at which a reading was due and that have passed, as far as they have not been noted."""
    found: list[str] = []
    due = watch.due
    while due is not None and at and _instant(due) < _instant(at) and watch.missed + len(found) < MOST_MISSED:
        found.append(due)
        due = later(due, watch.minutes)
    return tuple(found)


def later(at: str, minutes: int) -> str:
    """Return the instant so many minutes later, written as the ledger writes instants (UTC, milliseconds)."""
    moved = _instant(at) + timedelta(minutes=minutes)
    return moved.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _instant(at: str) -> datetime:
    return datetime.fromisoformat(at)
