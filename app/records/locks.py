"""Locks and repeated readings in the record: a sentence for each entry, and tables that show them at one glance."""

from collections.abc import Iterable, Sequence
from typing import Any, assert_never

from app.domain.event_base import FromHand, Transcribed, Who
from app.domain.events import Event
from app.domain.job import JobState
from app.domain.locks import (
    DamperStroked,
    Hung,
    LocksEvent,
    OthersLockRemoved,
    OwnLockOff,
    OwnLockOn,
    PointLocked,
    PointNamed,
    PointStruck,
    PointUnlocked,
    StrokePart,
)
from app.domain.watching import ReadingMissed, ReadingRepeated, WatchEvent
from app.domain.words import unit_words
from app.domain.zones import local_or_as_kept
from app.records.moments import local_text
from app.records.veil import UNSEEN
from app.records.wording import limit_words


def lock_sentence(event: LocksEvent) -> str:
    """Return one sentence for an entry about locks."""
    who = (event.hand if isinstance(event, FromHand) else event.by).name
    match event:
        case PointNamed():
            return f"{who} named a further point of isolation: {event.tag}, {event.kind.words}, to be {event.safe}."
        case PointStruck():
            return f"{who} struck {event.tag} off the points of isolation, named by mistake: {event.reason}"
        case PointLocked():
            return f"{who} put lock {event.lock} with tag {event.tag_number} on {event.tag}, seen {event.seen}."
        case PointUnlocked():
            return f"{who} took lock {event.lock} off {event.tag or event.point}."
        case OwnLockOn():
            return f"{who} put their own lock {event.lock} on."
        case OwnLockOff():
            return f"{who} took their own lock {event.lock} off."
        case OthersLockRemoved():
            return (
                f"{who} and {event.officer.name} removed lock {event.lock} of {event.owner.name}. "
                f"Off site: {event.off_site}. Tried to reach: {attempts_words(event)}. Will be told: {event.telling}."
            )
        case DamperStroked():
            return _trial_sentence(event, who)
        case _:
            assert_never(event)


def attempts_words(event: OthersLockRemoved) -> str:
    """Say when and how the owner of a lock was tried to be reached."""
    return "; ".join(f"{item.at} {item.how}" for item in event.attempts)


def _trial_sentence(event: DamperStroked, who: str) -> str:
    match event.part:
        case StrokePart.CLEAR:
            return f"{who} cleared {event.tag} for a trial: {event.seen}"
        case StrokePart.OFF:
            return f"{who} took the lock off {event.tag} for a trial."
        case StrokePart.MOVED:
            return f"{who} moved {event.tag}: {event.seen}"
        case StrokePart.ON:
            again = f" {len(event.due_again)} steps are due again." if event.due_again else ""
            return f"{who} put lock {event.lock} with tag {event.tag_number} on {event.tag}, seen {event.seen}.{again}"
        case StrokePart.GIVEN_UP:
            return f"{who} gave the trial of {event.tag} up: {event.seen}"
        case _:
            assert_never(event.part)


def watch_sentence(event: WatchEvent, zone: str) -> str:
    """Return one sentence for an entry about the repeated reading, times by the site's zone."""
    match event:
        case ReadingRepeated():
            value = f"{event.answer.text} {unit_words(event.answer.unit)}".strip()
            return f"{event.hand.name} took the repeated reading: {value}, {event.judged.verdict}."
        case ReadingMissed():
            told = (
                f"A repeated reading was due at {local_text(event.due, zone)} and was not taken (number {event.count})."
            )
            return f"{told} Seen when {event.by.name} acted or looked."
        case _:
            assert_never(event)


def lock_tables(state: JobState, events: Sequence[Event], zone: str) -> list[dict[str, Any]]:
    """Return tables (title, head, rows of texts) of locks, locks removed by others and repeated readings, if any."""
    points = [
        [point_words(state, item), item.seen, UNSEEN if item.lock == UNSEEN else f"{item.lock} / {item.tag_number}",
         _when(item.by, item.at, zone, item.paper),
         _when(item.off_by, item.off_at, zone, item.off_paper)]
        for item in state.locks.hung if item.point
    ]  # fmt: skip
    own = [
        [
            item.by.name,
            item.lock,
            _when(None, item.at, zone, item.paper),
            _when(item.off_by, item.off_at, zone, item.off_paper),
        ]
        for item in state.locks.hung
        if not item.point
    ]
    removed = [
        [event.lock, event.owner.name, event.off_site, attempts_words(event), event.telling,
         f"{event.by.name}; {event.officer.name}, {local_text(event.at, zone)}"]
        for event in events if isinstance(event, OthersLockRemoved)
    ]  # fmt: skip
    made = [
        ("Isolation, point by point", ["Point", "Seen", "Lock / tag", "On", "Off"], points),
        ("Own locks", ["Person", "Lock", "On", "Off"], own),
        (
            "Locks removed in their owner's absence",
            ["Lock", "Owner", "Off site: how known", "Attempts", "Will be told", "By"],
            removed,
        ),
        ("Readings repeated while a door was off", ["When", "By", "Read", "Limit", "Verdict"], _readings(events, zone)),
    ]
    return [{"title": title, "head": head, "rows": rows} for title, head, rows in made if rows]


def point_words(state: JobState, item: Hung) -> str:
    """Say on which point a lock was: its tag, and what it is where the job has named it beyond the nameplate."""
    further = state.locks.named(item.point)
    return f"{item.tag}, further: {further.kind.words}" if further else item.tag


def _when(who: Who | None, at: str | None, zone: str, came: Transcribed | None = None) -> str:
    told = happened_words(at or "", zone, came)
    return f"{who.name}, {told}" if who and told else told or "on"


STILL_ON = "still on"
"""What stands for the day on which a lock came off, while it is on."""
OWN = "own lock"
LOCK_COLUMNS = ("Job", "Point", "Position", "Lock", "Tag", "Put on by", "On", "Taken off by", "Off")
"""The list of a housing's locks: one row for each lock that was on."""


def lock_list(jobs: Iterable[tuple[str, JobState]]) -> tuple[tuple[str, ...], ...]:
    """Return every lock of these jobs, each with its number, in the order of the jobs and of when they went on."""
    return tuple(
        (
            number, point_words(state, item) or OWN, item.seen, item.lock, item.tag_number, item.by.name,
            happened_words(item.at, _zone(state), item.paper), item.off_by.name if item.off_by else "",
            happened_words(item.off_at, _zone(state), item.off_paper) if item.off_at else STILL_ON,
        )
        for number, state in jobs
        for item in state.locks.hung
    )  # fmt: skip


def _zone(state: JobState) -> str:
    return state.opened.zone if state.opened else "UTC"


def on_in(row: Sequence[str], year: int) -> bool:
    """Whether a lock of the list was on at some time in a year of the site's calendar."""
    on, off = row[LOCK_COLUMNS.index("On")][:4], row[LOCK_COLUMNS.index("Off")]
    return on <= f"{year:04}" and (off == STILL_ON or f"{year:04}" <= off[:4])


def happened_words(at: str, zone: str, came: Transcribed | None) -> str:
    """Say when something was done: by the paper it came from, which is named, else by the server's clock."""
    return f"{local_or_as_kept(came.happened, zone)}, from paper {came.serial}" if came else local_text(at, zone)


def _readings(events: Sequence[Event], zone: str) -> list[list[str]]:
    rows = []
    for event in events:
        match event:
            case ReadingRepeated(judged=judged):
                value = f"{event.answer.text} {unit_words(event.answer.unit)}".strip()
                limit = limit_words(judged.low, judged.high, judged.op, judged.unit)
                rows.append(
                    [happened_words(event.at, zone, event.transcribed), event.hand.name, value, limit, judged.verdict]
                )
            case ReadingMissed():
                rows.append([local_text(event.due, zone), "", "MISSED", "", f"number {event.count}"])
            case _:
                pass
    return rows
