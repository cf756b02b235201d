"""The trail: every entry of a job as one plain sentence, who did what, from what to what, and why."""

from collections.abc import Sequence
from typing import assert_never

from app.domain.applicability import BranchLeft, StepNotApplicable
from app.domain.contingency import ContingencyEntered
from app.domain.crew import CrewBriefed, CrewLeft, PauseConfirmed
from app.domain.event_base import Device, Evidence, Transcribed, Who
from app.domain.events import (
    STOP_REASONS,
    AnswerCorrected,
    AttemptRefused,
    ContestDecided,
    EntriesDiffered,
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
from app.domain.field_change import FieldChangeApproved, FieldChangeDeclined, FieldChangeProposed, reworded
from app.domain.job import JobState, came_from
from app.domain.leaving import HandoverBegun, HandoverSigned, JobSuspended, NextThingRead, ReturnBegun
from app.domain.lessons import DeviationAnswered
from app.domain.locks import (
    DamperStroked,
    OthersLockRemoved,
    OwnLockOff,
    OwnLockOn,
    PointLocked,
    PointNamed,
    PointStruck,
    PointUnlocked,
)
from app.domain.paper import BlankPrinted, BlankReconciled
from app.domain.radio import HoldReleasedByRadio, RadioReleaseSigned
from app.domain.steps import Step
from app.domain.watching import ReadingMissed, ReadingRepeated
from app.domain.words import unit_words
from app.records.crew_trail import crew_sentence
from app.records.deviations import contingency_sentence, departure_sentence
from app.records.locks import lock_sentence, watch_sentence
from app.records.moments import local_text
from app.records.trail_leaving import leaving_sentence, paper_sentence
from app.records.wording import prepared_words, second_words, transcribed_words


def trail_of(state: JobState, events: Sequence[Event]) -> list[tuple[int, str, str]]:
    """Return the entry, time and sentence of each of a job's entries; each step by the words that it had then.

    state: the job's after these events, which may be some of its entries only, oldest first.
    """
    zone = state.opened.zone if state.opened else "UTC"
    steps = {step.id: step for step in state.steps}
    changes = [(item.since, item.proposed) for item in state.changes.all if item.since is not None]
    changes.sort(key=lambda pair: pair[0])
    told: list[tuple[int, str, str]] = []
    for event in reversed(events):
        while changes and changes[-1][0] >= event.seq:  # before it was in force the step had the words it replaced
            _, change = changes.pop()
            if (step := steps.get(change.step)) is not None:
                steps[step.id] = reworded(step, change.old)
        told.append((event.seq, local_text(event.at, zone), sentence_of(event, steps, zone)))
    return told[::-1]


def sentence_of(event: Event, steps: dict[str, Step], zone: str = "UTC") -> str:
    """Return what an entry says, in plain words; `steps` maps step ids to steps of the job, `zone` is the site's."""
    came = came_from(event)
    told = f" ({transcribed_words(came, event.by.name)})" if came else ""
    return _said(event, steps, zone) + told + _of_its_tablet(event.device)


def _of_its_tablet(device: Device | None) -> str:
    """Say what is unusual about how an entry came: given back after a restore, or after one that is not there."""
    told = ""
    if device is not None and device.recovered:
        told += f" Recovered: {device.tablet} gave it back after a restore (it knew {device.knew} entries)."
    if device is not None and device.missing is not None:
        told += f" Its mark {device.missing}, made before, had not arrived."
    return told


def _said(event: Event, steps: dict[str, Step], zone: str) -> str:
    def text(step_id: str | None) -> str:
        step = steps.get(step_id or "")
        return f"“{step.text}”" if step else f"step {step_id}"

    came = came_from(event)
    who = came.hand.name if came else event.by.name
    match event:
        case JobOpened():
            marked = " as a rehearsal" if event.rehearsal else ""
            of_plan = f" {prepared_words(event.prepared)}" if event.prepared else ""
            return (
                f"{who} opened job {event.number} on {event.housing.tag}{marked}, "
                f"procedure {event.procedure} revision {event.revision}, {len(event.steps)} steps.{of_plan}"
            )
        case StepBegun():
            read = f", label read: {', '.join(event.labels.values())}" if event.labels else ""
            return f"{who}{_with(event.second, came)}{_for(event.worker)} began {text(event.step)}{read}{_shown(event)}"
        case StepDone():
            told = _entered(event.evidence, steps.get(event.step))
            told += f" Two entries had differed: {event.reconciled}" if event.reconciled else ""
            return (
                f"{who}{_with(event.second, came)}{_for(event.worker)} finished {text(event.step)}{told}{_shown(event)}"
            )
        case EntriesDiffered():
            told = f"{event.first} and {event.again} for {event.ask}"
            return f"{who}{_with(event.second)} entered {told}, which should be one number, at {text(event.step)}"
        case StepOutside():
            entered = _entered(event.evidence, steps.get(event.step)) + _shown(event)
            return f"{who}{_for(event.worker)} entered something outside its limit at {text(event.step)}{entered}"
        case HoldReleased():
            return f"{who} released the hold {text(event.step)} ({event.by.role.words}, own secret)."
        case AttemptRefused():
            return f"{who} was refused: {event.sentence}"
        case NoteWritten():
            after = "" if event.follows is None else f", going on from entry {event.follows}"
            return f"{who} noted{after}: {event.text}"
        case AnswerCorrected():
            told = f"{event.ask} at {text(event.step)} from {event.was} to {event.now}: {event.reason}"
            return f"{who}{_with(event.second)} corrected {told}"
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
        case ContingencyEntered():
            return contingency_sentence(event, text(event.step), text(event.returns_to))
        case (
            FieldChangeProposed() | FieldChangeApproved() | FieldChangeDeclined() | StepNotApplicable() | BranchLeft()
            | HoldReleasedByRadio() | RadioReleaseSigned()
        ):  # fmt: skip
            return departure_sentence(event, text)
        case JobStopped():
            covered = "From the covered screen of " if event.device and event.device.covered else ""
            at = f" at {text(event.step)}" if event.step else ""
            if event.noticed:
                return f"The job was stopped by the program when {who} acted or looked{at}. {event.text}".strip()
            return f"{covered}{who}{', somebody' if covered else ''} stopped the job{at}. {event.text}".strip()
        case StopExplained():
            return f"{who} explained the stop: {STOP_REASONS.get(event.reason, event.reason)}. {event.text}".strip()
        case JobReopened():
            return f"{who} re-opened the job: {event.answer}{_again(event.again)}"
        case RecheckAnswered():
            at = f" at {event.asked}" if event.asked else ""
            return f"{who} looked{at} and saw {'as recorded' if event.as_expected else 'otherwise'}: {event.seen}."
        case JobSubmitted():
            back = f" The permit was handed back: {event.permit_back}." if event.permit_back else ""
            return f"{who} handed the job to review: {event.signature.meaning}.{back}"
        case ExceptionOpened():
            if event.site is not None:
                return (
                    f"{who} opened entry {event.entry} of the site's ledger, {event.site.kind}: {event.site.sentence}"
                )
            return f"{who} opened the exception of entry {event.entry}."
        case RecordAccepted():
            return f"{who} accepted the record: {event.signature.meaning}."
        case RecordReturned():
            return f"{who} returned the record: {event.reason}"
        case CrewBriefed() | CrewLeft() | DeviationAnswered():
            return crew_sentence(event, "")
        case PauseConfirmed():
            return crew_sentence(event, text(event.step))
        case JobSuspended() | ReturnBegun() | NextThingRead() | HandoverBegun() | HandoverSigned():
            return leaving_sentence(event)
        case BlankPrinted() | BlankReconciled():
            return paper_sentence(event)
        case PointNamed() | PointStruck() | PointLocked() | PointUnlocked() | OwnLockOn() | OwnLockOff():
            return lock_sentence(event)
        case OthersLockRemoved() | DamperStroked():
            return lock_sentence(event)
        case ReadingRepeated() | ReadingMissed():
            return watch_sentence(event, zone)
        case _:
            assert_never(event)


def _for(worker: Who | None) -> str:
    return f", reading and recording for {worker.name}," if worker else ""


def _shown(event: StepBegun | StepDone | StepOutside) -> str:
    return f" Its hazards stood on the page (their text: SHA-256 {event.hazards[:8]}…)." if event.hazards else ""


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


def _with(second: Who | None, came: Transcribed | None = None) -> str:
    return f" with {second.name} ({second_words(came)})" if second else ""


def _again(steps: tuple[str, ...]) -> str:
    if not steps:
        return ""
    return f" {len(steps)} step{' is' if len(steps) == 1 else 's are'} due again."
