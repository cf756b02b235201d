"""The signatures in a record, each with what it covers and whether it holds for this version."""

from collections.abc import Sequence

from app.domain.applicability import StepNotApplicable
from app.domain.contingency import ContingencyEntered
from app.domain.crew import CrewBriefed, PauseConfirmed
from app.domain.event_base import Signature, Who
from app.domain.events import Event, HoldReleased, JobReopened, JobSubmitted, RecordAccepted
from app.domain.field_change import FieldChangeApproved
from app.domain.job import JobState
from app.domain.leaving import HandoverSigned
from app.domain.locks import OthersLockRemoved
from app.domain.radio import RadioReleaseSigned
from app.records.moments import local_text

Signed = (
    HoldReleased
    | JobSubmitted
    | RecordAccepted
    | CrewBriefed
    | PauseConfirmed
    | FieldChangeApproved
    | RadioReleaseSigned
    | HandoverSigned
    | OthersLockRemoved
    | JobReopened
    | ContingencyEntered
    | StepNotApplicable
)


def signatures_of(state: JobState, events: Sequence[Event], zone: str) -> list[dict[str, str]]:
    """Return every signature in the order of time; a lock removed in its owner's absence carries two."""
    found = []
    for event in events:
        if isinstance(event, Signed) and event.signature is not None:
            found.append(signature_block(event.signature, event, zone, valid=_valid(state, event)))
        if isinstance(event, OthersLockRemoved):
            found.append(signature_block(event.officer_signature, event, zone, valid=True, who=event.officer))
    return found


def _valid(state: JobState, event: Signed) -> bool:
    match event:
        case CrewBriefed():
            return True
        case PauseConfirmed():
            done = state.mark(event.step).done
            return done is not None and event.seq < done.seq and state.mark(event.step).due_again is None
        case RecordAccepted():
            return state.accepted is not None and state.accepted.seq == event.seq
        case JobSubmitted():
            return state.submitted is not None and state.submitted.seq == event.seq
        case FieldChangeApproved():
            return True
        case RadioReleaseSigned():
            done = state.mark(event.step).done
            return done is not None and done.seq == event.entry and state.mark(event.step).due_again is None
        case HandoverSigned():
            return event.seq in state.leaving.sealed
        case HoldReleased() | StepNotApplicable():
            done = state.mark(event.step).done
            return done is not None and done.seq == event.seq and state.mark(event.step).due_again is None
        case OthersLockRemoved() | JobReopened() | ContingencyEntered():
            return True


def signature_block(
    signature: Signature, event: Event, zone: str, *, valid: bool, who: Who | None = None
) -> dict[str, str]:
    """Return what a signature shows everywhere: name, id, role, meaning, local time with offset, UTC, proof, head."""
    by = who or event.by
    return {
        "name": by.name,
        "id": by.id,
        "role": by.role.words,
        "meaning": signature.meaning,
        "local": local_text(event.at, zone),
        "utc": event.at,
        "proof": signature.proof,
        "covers": f"entries 0 to {signature.size - 1}, root {signature.root[:20]}",
        "valid": "valid for this version" if valid else "NOT VALID for this version",
        "entry": str(event.seq),
    }
