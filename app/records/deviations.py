"""What departed from the main line, in words: contingencies, field changes, steps set aside, radio releases."""

from collections.abc import Callable, Iterator
from typing import Any, assert_never

from app.domain.applicability import ApplicabilityEvent, BranchLeft, StepNotApplicable
from app.domain.contingency import ContingencyEntered
from app.domain.field_change import (
    Deviation,
    FieldChangeApproved,
    FieldChangeDeclined,
    FieldChangeEvent,
    FieldChangeProposed,
    NewWords,
)
from app.domain.job import JobState
from app.domain.radio import HoldReleasedByRadio, RadioEvent, RadioReleaseSigned
from app.domain.steps import Step
from app.records.wording import limit_words, use_words


def where_words(event: ContingencyEntered) -> str:
    """Say where something went wrong."""
    position = f", position {event.position}" if event.position else ""
    return f" at {event.port}{position}" if event.port else ""


def extra_words(extra: dict[str, int] | None) -> str:
    """Say what was used beyond the take-off."""
    return ", ".join(f"{count} {use_words(name, count)}" for name, count in (extra or {}).items())


def contingency_sentence(event: ContingencyEntered, step: str, returns_to: str) -> str:
    """Say what went wrong, what was put in, and where the work goes on."""
    told = [f"{event.by.name} entered the contingency “{event.title}”{where_words(event)} at {step}: {event.reason}"]
    told.append(f"The work goes on at {returns_to} afterwards")
    if event.due_again:
        told.append(f"{len(event.due_again)} steps before it are done again" if len(event.due_again) > 1
                    else "one step before it is done again")  # fmt: skip
    if extra := extra_words(event.extra):
        told.append(f"Beyond the take-off: {extra}")
    return ". ".join(part.rstrip(".") for part in told) + "."


def departure_sentence(
    event: FieldChangeEvent | ApplicabilityEvent | RadioEvent, text: Callable[[str | None], str]
) -> str:
    """Say in one sentence what a field change, a step set aside or a release by voice was."""
    who = event.by.name
    match event:
        case FieldChangeProposed():
            pairs = "; ".join(f"{what} from “{old}” to “{new}”" for what, old, new in changed_words(event))
            return f"{who} proposed the field change {event.number} at {text(event.step)}: {pairs}. {event.reason}"
        case FieldChangeApproved():
            force = "it is in force for this job" if event.in_force else "one more approval is needed"
            return f"{who} ({event.by.role.words}, own secret) approved the field change {event.number}; {force}."
        case FieldChangeDeclined():
            return f"{who} declined the field change {event.number}: {event.reason}"
        case StepNotApplicable():
            return f"{who} set {text(event.step)} aside as not applicable: {event.reason}"
        case BranchLeft():
            count = f"{len(event.steps)} step{'' if len(event.steps) == 1 else 's'}"
            again = f"; {len(event.taken_up)} apply after all" if event.taken_up else ""
            chose = f"{who} chose “{event.chosen}” (entry {event.decided})"
            return f"{chose}: {count} of the other way do not apply{again}."
        case HoldReleasedByRadio():
            port = f", {event.port}" if event.port else ""
            return (
                f"{event.sender.name} ({event.sender.role.words}) released the hold {text(event.step)} by radio; {who} "
                f"repeated “{event.housing}{port}”, which the sender confirmed. To be signed by {event.sender.name}."
            )
        case RadioReleaseSigned():
            return f"{who} signed the release by radio of entry {event.entry} with their own secret."
        case _:
            assert_never(event)


def changed_words(event: FieldChangeProposed) -> Iterator[tuple[str, str, str]]:
    """Yield what changes, the old words and the new ones."""
    yield from _pairs(event.old, event.new)


def _pairs(old: NewWords, new: NewWords) -> Iterator[tuple[str, str, str]]:
    if new.text is not None:
        yield "text", old.text or "", new.text
    if new.note is not None:
        yield "note", old.note or "nothing", new.note
    for name, options in (new.options or {}).items():
        yield f"answers of {name}", " | ".join((old.options or {}).get(name, ())), " | ".join(options)
    for name, limit in (new.limits or {}).items():
        was = (old.limits or {}).get(name)
        told = limit_words(was.low, was.high, was.op, was.unit) if was else "no limit"
        yield f"limit of {name}", told, f"{limit_words(limit.low, limit.high, limit.op, limit.unit)} ({limit.basis})"


def deviation_words(item: Deviation) -> str:
    """Say how a deviation stands, with who agreed."""
    proposed = item.proposed
    agreed = ", ".join(f"{event.by.name} ({event.by.role.words})" for event in item.approved)
    if item.declined is not None:
        return f"declined by {item.declined.by.name}: {item.declined.reason}"
    stands = "in force for this job" if item.in_force else "waits for approval"
    return f"{stands}; proposed by {proposed.by.name}" + (f", approved by {agreed}" if agreed else "")


def departures_of(state: JobState) -> list[dict[str, Any]]:
    """List every departure of a job: number, entry, step, what it was, old and new side by side, how it stands."""
    steps = {step.id: step for step in state.steps}
    found: list[dict[str, Any]] = [
        {
            "number": item.proposed.number, "entry": item.proposed.seq, "step": _step(state, steps, item.proposed.step),
            "what": f"Field change: {item.proposed.reason}",
            "pairs": [list(pair) for pair in changed_words(item.proposed)], "stands": deviation_words(item),
        }
        for item in state.changes.all
    ]  # fmt: skip
    for event in state.entered:
        extra = extra_words(event.extra)
        found.append({
            "number": "", "entry": event.seq, "step": _step(state, steps, event.step), "pairs": [],
            "what": f"Contingency: {event.title}{where_words(event)}. {event.reason}",
            "stands": f"beyond the take-off: {extra}" if extra else "nothing used beyond the take-off",
        })  # fmt: skip
    for step in state.steps:
        if why := state.mark(step.id).not_applicable:
            found.append({"number": "", "entry": _entry(state, step), "step": _step(state, steps, step.id), "pairs": [],
                          "what": "Step not applicable", "stands": why})  # fmt: skip
    for release in state.radio.given:
        signed = "signed by the sender" if release.seq in state.radio.signed else "TO BE SIGNED by the sender"
        found.append({"number": "", "entry": release.seq, "step": _step(state, steps, release.step), "pairs": [],
                      "what": f"Hold released by radio by {release.sender.name}, taken by {release.by.name}",
                      "stands": signed})  # fmt: skip
    return sorted(found, key=lambda row: int(row["entry"]))


def _entry(state: JobState, step: Step) -> int:
    done = state.mark(step.id).done
    return done.seq if done is not None else 0


def _step(state: JobState, steps: dict[str, Step], name: str) -> str:
    return f"step {state.index[name] + 1}: {steps[name].text}" if name in steps else name
