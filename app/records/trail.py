"""The trail: every entry of a job as one plain sentence, who did what, from what to what, and why."""

from typing import assert_never

from app.domain.event_base import Evidence
from app.domain.events import (
    STOP_REASONS,
    AnswerCorrected,
    AttemptRefused,
    ContestDecided,
    Event,
    ExceptionOpened,
    HoldReleased,
    JobOpened,
    JobReopened,
    JobStopped,
    JobSubmitted,
    MarkContested,
    MarkJoined,
    NoteWritten,
    RecheckAnswered,
    RecordAccepted,
    RecordReturned,
    StepBegun,
    StepDone,
    StepOutside,
    StepWithdrawn,
    StopExplained,
    WayOutTaken,
)
from app.domain.locks import DamperStroked, OthersLockRemoved, OwnLockOff, OwnLockOn, PointLocked, PointUnlocked
from app.domain.steps import Step
from app.domain.watching import ReadingMissed, ReadingRepeated
from app.domain.words import unit_words
from app.records.locks import lock_sentence, watch_sentence


def sentence_of(event: Event, steps: dict[str, Step]) -> str:
    """Return one sentence for an entry; `steps` maps step ids to steps of the job."""

    def text(step_id: str | None) -> str:
        step = steps.get(step_id or "")
        return f"“{step.text}”" if step else f"step {step_id}"

    who = event.by.name
    match event:
        case JobOpened():
            marked = " as a rehearsal" if event.rehearsal else ""
            return (
                f"{who} opened job {event.number} on {event.housing.tag}{marked}, "
                f"procedure {event.procedure} revision {event.revision}, {len(event.steps)} steps."
            )
        case StepBegun():
            read = f", label read: {', '.join(event.labels.values())}" if event.labels else ""
            return f"{who} began {text(event.step)}{read}"
        case StepDone():
            return f"{who} finished {text(event.step)}{_entered(event.evidence, steps.get(event.step))}"
        case StepOutside():
            entered = _entered(event.evidence, steps.get(event.step))
            return f"{who} entered something outside its limit at {text(event.step)}{entered}"
        case HoldReleased():
            return f"{who} released the hold {text(event.step)} ({event.by.role.words}, own secret)."
        case AttemptRefused():
            return f"{who} was refused: {event.sentence}"
        case NoteWritten():
            return f"{who} noted: {event.text}"
        case AnswerCorrected():
            return f"{who} corrected {event.ask} at {text(event.step)} from {event.was} to {event.now}: {event.reason}"
        case StepWithdrawn():
            return f"{who} took back the mark at {text(event.step)}: {event.reason}{_again(event.due_again)}"
        case MarkJoined():
            did = "finished" if event.act == "finish" else "began"
            return f"{who} {did} {text(event.step)} too: the mark was kept on a tablet and says the same.{event.note}"
        case MarkContested():
            told = "; ".join(f"{name}: {value}" for name, value in event.answers.items())
            return f"{who}'s mark on {text(event.step)}, kept on a tablet, does not agree: {event.why} {told}".strip()
        case ContestDecided():
            what = "what stands holds" if event.holds else "the steps are done again"
            return f"{who} settled two accounts, {what}: {event.reason}{_again(event.due_again)}"
        case WayOutTaken():
            return f"{who} put in steps before {text(event.step)}: {event.reason}{_again(event.due_again)}"
        case JobStopped():
            return f"{who} stopped the job{' at ' + text(event.step) if event.step else ''}. {event.text}".strip()
        case StopExplained():
            return f"{who} explained the stop: {STOP_REASONS.get(event.reason, event.reason)}. {event.text}".strip()
        case JobReopened():
            return f"{who} re-opened the job: {event.answer}{_again(event.again)}"
        case RecheckAnswered():
            return f"{who} looked and saw {'as recorded' if event.as_expected else 'otherwise'}: {event.seen}."
        case JobSubmitted():
            return f"{who} handed the job to review: {event.signature.meaning}."
        case ExceptionOpened():
            return f"{who} opened the exception of entry {event.entry}."
        case RecordAccepted():
            return f"{who} accepted the record: {event.signature.meaning}."
        case RecordReturned():
            return f"{who} returned the record: {event.reason}"
        case PointLocked() | PointUnlocked() | OwnLockOn() | OwnLockOff() | OthersLockRemoved() | DamperStroked():
            return lock_sentence(event)
        case ReadingRepeated() | ReadingMissed():
            return watch_sentence(event)
        case _:
            assert_never(event)


def _entered(evidence: Evidence, step: Step | None) -> str:
    labels = {asked.ask.id: asked.ask for asked in step.asks} if step else {}
    told: list[str] = []
    for name, answer in evidence.answers.items():
        ask = labels.get(name)
        value = "photo" if ask and ask.kind == "photo" else f"{answer.text} {unit_words(answer.unit)}".strip()
        told.append(f"{ask.label if ask else name}: {value}")
    if evidence.result:
        told.append(f"result {evidence.result.shown}")
    if evidence.note:
        told.append(f"note: {evidence.note}")
    return f" — {'; '.join(told)}." if told else ""


def _again(steps: tuple[str, ...]) -> str:
    if not steps:
        return ""
    return f" {len(steps)} step{' is' if len(steps) == 1 else 's are'} due again."
