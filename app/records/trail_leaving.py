"""Sentences of the trail for leaving work, coming back, and paper."""

from typing import assert_never

from app.domain.leaving import (
    DOCUMENTS,
    SUSPEND_REASONS,
    HandoverBegun,
    HandoverSigned,
    JobSuspended,
    LeavingEvent,
    NextThingRead,
    ReturnBegun,
)
from app.domain.paper import HOW_WORDS, BlankPrinted, BlankReconciled, PaperEvent


def leaving_sentence(event: LeavingEvent) -> str:
    """Return one sentence for an entry about leaving work or coming back to it."""
    who = event.by.name
    match event:
        case JobSuspended():
            return _suspended(event)
        case ReturnBegun():
            return f"{who} came back to the work; {len(event.rechecks)} things are to be looked at first."
        case NextThingRead():
            return f"{who} read what is to be done next: {event.next_thing}"
        case HandoverBegun():
            seen = ", ".join(DOCUMENTS.get(name, name) for name in event.documents)
            return f"{who} begins to take over from {event.outgoing.name}, having seen {seen}."
        case HandoverSigned():
            return f"{who} signed the hand-over as the {event.part} person: {event.signature.meaning}."
        case _:
            assert_never(event)


def _suspended(event: JobSuspended) -> str:
    seen = "; ".join(f"{item.text}: {item.seen}" for item in event.seen)
    where = "" if event.to_rest is None else f" NOT at rest, missing: {'; '.join(event.to_rest) or 'no way is known'}."
    permit = f" The permit: {event.permit.words}." if event.permit else ""
    return (
        f"{event.by.name} suspended the work because {SUSPEND_REASONS.get(event.reason, event.reason)}.{where}"
        f" Seen: {seen}. Told: {event.told}.{permit} Next thing to do: {event.next_thing}"
    )


def paper_sentence(event: PaperEvent) -> str:
    """Return one sentence for an entry about a blank."""
    who = event.by.name
    match event:
        case BlankPrinted():
            return f"{who} printed blank {event.serial} with the {event.steps} steps that were left."
        case BlankReconciled():
            photo = f" Photo {event.photo[:12]}." if event.photo else ""
            return f"{who} accounted for blank {event.serial}: {HOW_WORDS[event.how]}. {event.reason}{photo}".rstrip()
        case _:
            assert_never(event)
