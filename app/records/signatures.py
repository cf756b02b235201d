"""The signatures in a record, each with what it covers and whether it holds for this version."""

from collections.abc import Sequence

from app.domain.event_base import Signature, Who
from app.domain.events import Event, HoldReleased, JobSubmitted, RecordAccepted
from app.domain.job import JobState
from app.domain.locks import OthersLockRemoved
from app.records.moments import local_text

Signed = HoldReleased | JobSubmitted | RecordAccepted | OthersLockRemoved


def signatures_of(state: JobState, events: Sequence[Event], zone: str) -> list[dict[str, str]]:
    """Return every signature in the order of time; a lock removed in its owner's absence carries two."""
    found = []
    for event in events:
        if isinstance(event, Signed):
            found.append(signature_block(event.signature, event, zone, valid=_valid(state, event)))
        if isinstance(event, OthersLockRemoved):
            found.append(signature_block(event.officer_signature, event, zone, valid=True, who=event.officer))
    return found


def _valid(state: JobState, event: Signed) -> bool:
    match event:
        case RecordAccepted():
            return state.accepted is not None and state.accepted.seq == event.seq
        case JobSubmitted():
            return state.submitted is not None and state.submitted.seq == event.seq
        case HoldReleased():
            done = state.mark(event.step).done
            return done is not None and done.seq == event.seq and state.mark(event.step).due_again is None
        case OthersLockRemoved():
            return True


def signature_block(
    signature: Signature, event: Event, zone: str, *, valid: bool, who: Who | None = None
) -> dict[str, str]:
    """Return what a signature shows everywhere: name, id, role, meaning, local time with offset, UTC, head."""
    by = who or event.by
    return {
        "name": by.name,
        "id": by.id,
        "role": by.role.words,
        "meaning": signature.meaning,
        "local": local_text(event.at, zone),
        "utc": event.at,
        "covers": f"entries 0 to {signature.size - 1}, root {signature.root[:20]}",
        "valid": "valid for this version" if valid else "NOT VALID for this version",
        "entry": str(event.seq),
    }
