"""The record as one JSON value: every entry, every head, the certificate, and a summary that can be recomputed."""

from collections.abc import Mapping, Sequence
from typing import Any

from app.domain.events import Event, payload_of
from app.domain.job import JobState, came_from
from app.domain.words import unit_words
from app.ledger.canonical import canonical
from app.ledger.heads import Head
from app.records.cautions import CAUTIONS, NO_COMPLIANCE, REHEARSAL
from app.records.signatures import signatures_of

RECORD_FORMAT = "changeout-record/1"


def photos_named(events: Sequence[Event]) -> tuple[str, ...]:
    """Return the SHA-256 of every photo that the entries name, each once, in order."""
    opened = next((event for event in events if event.type == "job_opened"), None)
    if opened is None:
        return ()
    asks = {step.id: {item.ask.id for item in step.asks if item.ask.kind == "photo"} for step in opened.steps}
    found: dict[str, None] = {}
    for event in events:
        if event.type in ("step_done", "step_outside", "answer_corrected"):
            for name, answer in event.evidence.answers.items():
                if name in asks.get(event.step, set()):
                    found[answer.text] = None
        if photo := _of_paper(event):
            found[photo] = None
    return tuple(found)


def _of_paper(event: Event) -> str | None:
    """The photo of a paper page, of a mark that came from it or of a blank that was returned."""
    came = came_from(event)
    return came.photo if came else event.photo if event.type == "blank_reconciled" else None


def record_value(
    state: JobState,
    events: Sequence[Event],
    heads: Sequence[Head],
    *,
    certificate_pem: str,
    authority_pem: str,
    photo_sizes: Mapping[str, int],
    made_at: str,
    program: str,
) -> dict[str, Any]:
    """Return the record of a job as JSON values; `canonical` of it is what is signed and exported."""
    opened = state.opened
    rehearsal = bool(opened and opened.rehearsal)
    return {
        "format": RECORD_FORMAT,
        "ledger": heads[-1].ledger if heads else "",
        "rehearsal": REHEARSAL if rehearsal else "",
        "made": {"at": made_at, "program": program},
        "cautions": [*CAUTIONS, NO_COMPLIANCE],
        "entries": [payload_of(event) for event in events],
        "heads": [
            {"size": head.size, "root": head.root.hex(), "at": head.at, "key": head.key_id,
             "signature": head.signature.hex()}
            for head in heads
        ],
        "photos": [{"sha256": name, "bytes": photo_sizes.get(name, 0)} for name in photos_named(events)],
        "certificate": certificate_pem,
        "authority": authority_pem,
        "summary": summary_of(state, events),
    }  # fmt: skip


def record_bytes(value: dict[str, Any]) -> bytes:
    """Return the canonical bytes of a record."""
    return canonical(value)


def summary_of(state: JobState, events: Sequence[Event]) -> dict[str, Any]:
    """Return what the entries add up to; `verify` computes it again and compares.

    signatures: every one as it is shown, with whether it holds for this version; records of version 0.1 lack them.
    """
    opened = state.opened
    if opened is None:
        return {}
    results = [
        {"step": step.id, "result": result.shown, "limit": result.limit or "", "op": result.op or "",
         "met": bool(result.within)}
        for step in state.steps
        if (result := state.mark(step.id).evidence.result) is not None and state.mark(step.id).stands
    ]  # fmt: skip
    attempts = sum(len(mark.attempts) for mark in state.marks.values())
    return {
        "number": opened.number,
        "housing": opened.housing.tag,
        "procedure": f"{opened.procedure}/{opened.revision}",
        "stage": str(state.stage),
        "signed_for_this_version": state.accepted is not None,
        "signatures": signatures_of(state, events, opened.zone),
        "entries": state.size,
        "steps": len(state.steps),
        "steps_standing": state.done_count,
        "attempts_outside_limits": attempts,
        "exceptions": len(state.notables),
        "leak_tests": results,
        "packages": [
            {"port": item.port, "number": item.number, "holds": item.words}
            for item in (state.model.accounted if state.model else ())
        ],
        **({"deviations_answered": len(state.lessons.answered)} if state.lessons.answered else {}),
        "units": {code: unit_words(code) for code in sorted(_units(state))},
    }


def _units(state: JobState) -> set[str]:
    return {asked.ask.unit for step in state.steps for asked in step.asks if asked.ask.unit}
