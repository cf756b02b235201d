"""Every time that something was tested, in the order of time: what was read, with what, what came out, how it stands.

Rules kept here:
- nothing is left out: attempts outside a limit and marks that no longer stand stay beside the one in force;
- an account that a tablet kept and that does not agree with what stands is shown, and how a lead settled it;
- one attempt at most is in force: the newest mark, as long as it stands.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from app.domain.events import (
    AnswerCorrected,
    ContestDecided,
    Event,
    JobReopened,
    MarkContested,
    StepDone,
    StepOutside,
    StepWithdrawn,
    WayOutTaken,
)
from app.domain.job import JobState, came_from
from app.domain.steps import Step
from app.domain.words import unit_words
from app.records.findings import Made, Outcome, Reading, outcome_of, readings_of
from app.records.moments import local_text
from app.records.wording import instrument_words, transcribed_words

IN_FORCE, FAILED, OVERTAKEN, DIFFERS = "in force", "failed", "no longer in force", "account that differs"


@dataclass(frozen=True, slots=True)
class Attempt:
    """One time that a step was done.  entry: its place in the ledger; utc: when, RFC 3339; at: in the site's zone.

    standing: in force, failed, no longer in force, or account that differs; why: of all but the first.  outcome: None
    if nothing was computed.
    """

    entry: int
    utc: str
    at: str
    who: str
    standing: str
    why: str
    instruments: tuple[str, ...]
    readings: tuple[Reading, ...]
    outcome: Outcome | None
    note: str


def attempts_of(step: Step, state: JobState, events: Sequence[Event]) -> tuple[Attempt, ...]:
    """Return every attempt at a step of a job, oldest first; `events` are all of the job's."""
    made = [_attempt(step, item, state, events) for item in _made(step.id, events)]
    other = [
        _account(step, event, state, events)
        for event in events
        if isinstance(event, MarkContested) and event.step == step.id and event.act == "finish"
    ]
    return tuple(sorted((*made, *other), key=lambda item: item.entry))


def _made(step: str, events: Sequence[Event]) -> list[Made]:
    found: list[Made] = []
    for event in events:
        match event:
            case StepDone() | StepOutside() if event.step == step:
                found.append(Made(event))
            case AnswerCorrected() if event.step == step:
                place = max(place for place, made in enumerate(found) if isinstance(made.event, StepDone))
                found[place] = Made(found[place].event, (*found[place].corrections, event))
            case _:
                pass
    return found


def _attempt(step: Step, made: Made, state: JobState, events: Sequence[Event]) -> Attempt:
    zone, evidence = state.opened.zone if state.opened else "UTC", made.evidence
    instruments = {item.id: item for item in evidence.instruments or ()}
    standing, why = _standing(step.id, made, state, events)
    return Attempt(
        entry=made.event.seq,
        utc=made.event.at,
        at=local_text(made.event.at, zone),
        who=_who(made.event),
        standing=standing,
        why=why,
        instruments=tuple(instrument_words(item) for item in instruments.values()),
        readings=tuple(readings_of(step, made, zone, frozenset(instruments))),
        outcome=outcome_of(step, made),
        note=evidence.note,
    )


def _who(event: Event) -> str:
    """Say who, in which role, on which tablet, and for how long the tablet kept it."""
    device = event.device
    tablet = f", {device.tablet}" if device else ""
    late = device.late_ms if device else None
    kept = f", kept on the tablet for {late // 60_000} min, which said {device.at}" if device and late else ""
    if came := came_from(event):
        return f"{came.hand.name} ({came.hand.role.words}), {transcribed_words(came, event.by.name)}"
    return f"{event.by.name} ({event.by.role.words}{tablet}{kept})"


def _account(step: Step, event: MarkContested, state: JobState, events: Sequence[Event]) -> Attempt:
    """What a tablet had kept and what does not agree with what stands: shown as sent, never judged."""
    settled = (item for item in events if isinstance(item, ContestDecided) and event.seq in item.entries)
    how = next((f"settled (entry {item.seq}): {item.reason}" for item in settled), "NOT settled yet")
    return Attempt(
        entry=event.seq,
        utc=event.at,
        at=local_text(event.at, state.opened.zone if state.opened else "UTC"),
        who=_who(event),
        standing=DIFFERS,
        why=f"{event.why} {how}".strip(),
        instruments=(),
        readings=tuple(
            Reading(item.ask.label, f"{event.answers[item.ask.id]} {unit_words(item.ask.unit)}".strip(), "", "", "", ())
            for item in step.asks
            if event.answers.get(item.ask.id)
        ),
        outcome=None,
        note=event.note,
    )


def _standing(step: str, made: Made, state: JobState, events: Sequence[Event]) -> tuple[str, str]:
    if isinstance(made.event, StepOutside):
        return FAILED, "outside its limit, not accepted; the step stayed due"
    mark = state.mark(step)
    if mark.stands and mark.done is not None and mark.done.seq == made.event.seq:
        return IN_FORCE, ""
    why = (told for event in events if event.seq > made.event.seq and (told := _unsettled(step, event, state)))
    return OVERTAKEN, next(why, "")


def _unsettled(step: str, event: Event, state: JobState) -> str:
    """Say why an event made a step due again; empty if it did not."""
    match event:
        case WayOutTaken() if step in event.due_again:
            return f"steps were put in before it (entry {event.seq}): {event.reason}"
        case StepWithdrawn() if step in event.due_again and event.step == step:
            return f"taken back (entry {event.seq}): {event.reason}"
        case StepWithdrawn() if step in event.due_again:
            return (
                f"{_named(event.step, state)}, on which it relies, was taken back (entry {event.seq}): {event.reason}"
            )
        case AnswerCorrected() if step in event.due_again and event.step == step:
            return f"corrected to what lies outside its limit (entry {event.seq})"
        case AnswerCorrected() if step in event.due_again:
            return f"{_named(event.step, state)}, on which it relies, was corrected (entry {event.seq}): {event.reason}"
        case ContestDecided() if step in event.due_again:
            return f"two accounts of it differed (entry {event.seq}): {event.reason}"
        case JobReopened() if step in event.again:
            return f"to be done again on re-opening (entry {event.seq}): {event.answer}"
        case _:
            return ""


def _named(step: str, state: JobState) -> str:
    return f"step {state.index[step] + 1}" if step in state.index else f"step {step}"
