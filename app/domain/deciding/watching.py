"""Deciding on the repeated reading: taken while a door is off, noted where it was missed, a stop at the second time."""

from datetime import datetime

from app.calc.errors import Invalid
from app.domain.commands import Moment
from app.domain.deciding.common import event_of, qualified, stop_for
from app.domain.event_base import Answer
from app.domain.events import Event
from app.domain.instants import to_minute
from app.domain.job import JobState, Stage
from app.domain.judging import number_text, verdict_of
from app.domain.refused import Refused
from app.domain.watching import (
    MOST_MISSED,
    NoticeMissed,
    ReadingMissed,
    ReadingRepeated,
    TakeReading,
    WatchCommand,
    missed_by,
    stands_open,
)

LONGEST_NUMBER = 40
"""Characters of a typed number (this program's bound, no source)."""


def decide_watch(state: JobState, command: WatchCommand, moment: Moment) -> tuple[Event, ...]:
    """Return what follows from a reading, or from comparing the time with what is due."""
    return take(state, command, moment) if isinstance(command, TakeReading) else notice(state, command, moment)


def take(state: JobState, command: TakeReading, moment: Moment) -> tuple[Event, ...]:
    """Take the repeated reading; one outside its limit stops the job.

    One that stands on paper was taken while a door was off, whether that is back on by now or not.
    """
    repeated = state.opened.repeated if state.opened else None
    if moment.paper is not None and not _off_then(state, to_minute(moment.local_time)):
        raise Refused(
            "not_watched",
            f"No door was off at {moment.local_time[11:16]}, as far as it is entered. Enter the step that took it off "
            "first, then its readings.",
        )
    asked = stands_open(state.model) or moment.paper is not None
    if repeated is None or not asked or state.stage is Stage.ACCEPTED:
        raise Refused("not_watched", "No door is off, so no reading is repeated. Go to the step that is due.")
    qualified(state, moment.by, moment)
    if not command.text.strip():
        raise Invalid(f"{repeated.label}: nothing was given. Enter what was read.")
    if len(command.text) > LONGEST_NUMBER:
        raise Invalid(f"{repeated.label}: {len(command.text)} characters were given. Enter one number.")
    text = number_text(command.text, repeated.label)
    judged = verdict_of("repeated", text, repeated.limit)
    answer = Answer(text=text, unit=repeated.unit)
    read = event_of(ReadingRepeated, state, moment, answer=answer, judged=judged, due=state.watch.due)
    if judged.verdict != "outside" or state.stop is not None:
        return (read,)
    told = f"{repeated.label} {text} {repeated.unit} lies outside its limit while a door is off."
    return (read, stop_for(state, moment, told))


def _off_then(state: JobState, then: datetime) -> bool:
    return any(to_minute(since) <= then and (not until or then <= to_minute(until)) for since, until in state.doors_off)


def notice(state: JobState, _command: NoticeMissed, moment: Moment) -> tuple[Event, ...]:
    """Note each reading that was due before now and not taken; stop the job where that makes two."""
    missed = missed_by(state.watch, moment.at) if state.stop is None else ()
    count = state.watch.missed
    found: list[Event] = [
        event_of(ReadingMissed, state, moment, offset=place, due=due, count=count + place + 1)
        for place, due in enumerate(missed)
    ]
    if missed and count + len(missed) >= MOST_MISSED:
        told = f"{MOST_MISSED} repeated readings were missed while a door is off; the last was due at {missed[-1]}."
        found.append(stop_for(state, moment, told, offset=len(found), noticed=True))
    return tuple(found)
