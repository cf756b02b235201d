"""Is a finished history one that `decide` would have allowed?  Used on records from outside.

Only what an outsider can see in the entries is asked: order of marks, begun before done, roles at hold
points, no mark while stopped, nobody releasing or accepting their own work, no gap in the review.
"""

from collections.abc import Iterable, Sequence
from datetime import date, timedelta
from itertools import accumulate

from app.calc.errors import ChangeoutError
from app.domain.applicability import StepNotApplicable
from app.domain.containment.rest import rests
from app.domain.contingency import ContingencyEntered
from app.domain.crew import CrewBriefed, CrewLeft, Part, PauseConfirmed
from app.domain.deciding.isolation import goes_back
from app.domain.deciding.leaving import read_look
from app.domain.departures import departure_fault
from app.domain.event_base import FromHand, Signature, Transcribed, Who
from app.domain.events import (
    STOPPED_TOO,
    AttemptRefused,
    ContestDecided,
    Event,
    HoldReleased,
    JobOpened,
    JobReopened,
    JobStopped,
    JobSubmitted,
    MarkContested,
    NoteWritten,
    RecheckAnswered,
    RecordAccepted,
    StepBegun,
    StepDone,
    StepOutside,
    StopExplained,
    WayOutTaken,
)
from app.domain.field_change import FieldChangeApproved
from app.domain.instants import to_minute
from app.domain.job import JobState, Stage, came_from, evolve
from app.domain.judging import same_answer
from app.domain.leaving import (
    HandoverBegun,
    HandoverSigned,
    JobSuspended,
    NextThingRead,
    ReturnBegun,
    own_lock_fault,
)
from app.domain.lock_history import lock_fault
from app.domain.locks import OthersLockRemoved, OwnLockOff, OwnLockOn, PointLocked, PointUnlocked
from app.domain.paper import Blank
from app.domain.procedure import Role, Second, StepKind
from app.domain.radio import HoldReleasedByRadio, RadioReleaseSigned
from app.domain.steps import Step, looked_at
from app.domain.watching import MOST_MISSED, ReadingMissed, ReadingRepeated
from app.domain.words import unit_words

SIGNED = (
    HoldReleased, JobSubmitted, RecordAccepted, FieldChangeApproved, RadioReleaseSigned, HandoverSigned, CrewBriefed,
    PauseConfirmed, OthersLockRemoved, JobReopened, ContingencyEntered, StepNotApplicable,
)  # fmt: skip
MARKS = (StepBegun, StepDone, StepOutside, HoldReleased, HoldReleasedByRadio, PointLocked, PointUnlocked)


def signature_of(event: Event) -> Signature | None:
    """Return the signature that an event carries, if it carries one."""
    return event.signature if isinstance(event, SIGNED) else None


def unlawful(events: Sequence[Event], before: Iterable[JobState] | None = None) -> tuple[str, ...]:
    """Return a sentence for every entry that the rules would have refused.

    before: the states that the entries came upon, where they have been folded already.
    """
    found = []
    states = accumulate(events, evolve, initial=JobState()) if before is None else before
    for event, state in zip(events, states, strict=False):
        try:
            told = _fault(state, event)
        except (ValueError, OverflowError):
            told = "a time in it, or in an entry before it, cannot be read."
        if told:
            found.append(f"Entry {event.seq}: {told}")
    return tuple(found)


def _fault(state: JobState, event: Event) -> str:
    if (state.opened is None) != isinstance(event, JobOpened):
        return "a job is opened once, and first."
    if told := _gone_fault(state, event) or _paper_fault(state, event) or lock_fault(state, event):
        return told
    if isinstance(event, MARKS) and (away := state.leaving.permit) is not None:
        return f"the step {event.step} was marked while the permit was away, {away.words}."
    match event:
        case StepBegun() | StepDone() | StepOutside() | HoldReleased():
            return _mark_fault(state, event) or _crew_fault(state, event)
        case CrewBriefed() | CrewLeft() | PauseConfirmed():
            return _brief_fault(state, event)
        case JobStopped(noticed=True) if state.watch.missed < MOST_MISSED:
            return "the program is said to have stopped the job, and no readings were missed."
        case JobReopened() if event.by.role is not Role.LEAD:
            return f"a {event.by.role.words} re-opened the job."
        case JobReopened() if state.stop is not None and state.stop.is_by(event.by):
            return f"{event.by.name} re-opened a job that they had stopped."
        case ContestDecided() if event.by.role is not Role.LEAD:
            return f"a {event.by.role.words} settled two accounts."
        case WayOutTaken():
            return _way_out_fault(state, event)
        case JobSubmitted() if state.due is not None or state.stop is not None:
            return "the job was handed to review unfinished."
        case JobSubmitted() if state.unanswered:
            return "the job was handed to review with questions about a deviation open."
        case JobSubmitted() if state.unsigned:
            return "the job was handed to review before every release by voice was signed."
        case JobSubmitted() | RecordAccepted() if any(item.on for item in state.locks.hung):
            return "the record was closed while somebody's lock was on."
        case JobSubmitted() if state.paper.out:
            return f"the job was handed to review while the blank {state.paper.out[0].serial} was out."
        case JobSuspended() | ReturnBegun() | NextThingRead() | HandoverBegun() | HandoverSigned() | RecheckAnswered():
            return _leaving_fault(state, event)
        case RecordAccepted():
            return _accept_fault(state, event)
        case _:
            return departure_fault(state, event)


def _mark_fault(state: JobState, event: StepBegun | StepDone | StepOutside | HoldReleased) -> str:
    due = state.due
    if state.stage is not Stage.OPEN:
        return f"a step was marked while the job was {state.stage}."
    if due is None or due.id != event.step:
        return f"the step {event.step} was marked when another was due."
    if isinstance(event, HoldReleased):
        wrong = event.by.role is not due.role or due.kind is not StepKind.HOLD
        own = event.by.id in state.performers
        until = state.permit_until
        if until is not None and until < date.fromisoformat(event.signature.local_time[:10]):
            return f"a hold was released though the permit had run out on {until}."
        return f"{event.by.name} may not release this hold." if wrong or own else ""
    if due.kind is StepKind.HOLD:
        return "a hold point was marked and not released."
    if event.hazards is not None and event.hazards != due.hazards_sha256:
        return f"the step {event.step} was marked on a page that did not show its hazards."
    if told := _second_fault(due, event):
        return told
    if isinstance(event, StepDone) and due.marks == 2 and state.mark(due.id).begun is None:
        return f"the step {event.step} was done without being begun."
    if isinstance(event, StepDone) and not event.evidence.within:
        return f"the step {event.step} was done with evidence outside its limit."
    if isinstance(event, StepDone) and due.kind is StepKind.VERIFY and (told := _too_soon(state, due, event)):
        return told
    if isinstance(event, StepDone) and (asked := _otherwise(state, due, event)):
        return f"the step {event.step} was verified although “{asked}” was not what had been entered first."
    return ""


def _too_soon(state: JobState, due: Step, event: StepDone) -> str:
    """A verification comes as long after the work as the site asked when the job was opened."""
    wait = timedelta(minutes=(state.opened.verify_after_min if state.opened else None) or 0)
    marks = (state.mark(other.id).done for other in looked_at(due, state.steps[: state.index[due.id]]))
    if wait and any(done is not None and to_minute(event.happened) < to_minute(done.when) + wait for done in marks):
        return f"the step {due.id} was verified sooner after the work than this site allows."
    return ""


def _second_fault(due: Step, event: StepBegun | StepDone | StepOutside) -> str:
    """Two people where the step takes two: the second is not who marks, nor by the paper who did it."""
    asked = due.second is Second.CONCURRENT or (due.second is Second.WITNESS and not isinstance(event, StepBegun))
    came = came_from(event)
    first = came.hand if came is not None and came.second_on_paper else event.by
    if asked and (event.second is None or event.second.id == first.id):
        return f"the step {event.step} takes two people and was marked by one."
    return ""


def _otherwise(state: JobState, due: Step, event: StepDone) -> str:
    """Return the question whose answer is not what stood at the step it verifies."""
    for asked in due.asks:
        if asked.same_as is not None:
            first = state.mark(asked.same_as.step).evidence.answers.get(asked.same_as.ask)
            again = event.evidence.answers.get(asked.ask.id)
            if first is None or again is None or not same_answer(asked.ask.kind, first.text, again.text):
                return asked.ask.label
    return ""


def _crew_fault(state: JobState, event: StepBegun | StepDone | StepOutside | HoldReleased) -> str:
    """Whether the crew's rules held at a mark: both people briefed, nobody missing at a team pause."""
    crew = state.crew
    if not crew.enforced:
        return ""
    if isinstance(event, HoldReleased):
        told = f"{event.by.name} released a hold without having been briefed."
        return "" if crew.may_release(event.by) else told
    came = came_from(event)
    then = to_minute(came.happened) if came else None
    there = {who.id for who in (crew.present if then is None else crew.there(then))}
    for who in (came.hand if came else event.by, *((event.worker,) if event.worker else ())):
        if who.id not in there:
            return f"{who.name} has a mark without having been briefed."
    step = state.step(event.step)
    if step is not None and step.kind is StepKind.VERIFY and event.worker is not None:
        return f"a verification was recorded for {event.worker.name} by somebody else."
    if isinstance(event, StepDone) and step is not None and step.says and (left := state.unspoken(step.id, then=then)):
        return f"a team pause was passed without {left[0].name}."
    return ""


def _brief_fault(state: JobState, event: CrewBriefed | CrewLeft | PauseConfirmed) -> str:
    match event:
        case CrewBriefed(part=Part.WORK):
            held = {item.what for item in event.qualifications if str(item.until) >= event.signature.local_time[:10]}
            needs = state.opened.brief.needs if state.opened and state.opened.brief else ()
            lacks = [need for need in needs if need not in held]
            return f"{event.by.name} was briefed without “{lacks[0]}”." if lacks else ""
        case CrewLeft() if event.by.role is not Role.LEAD and event.by.id != event.person.id:
            return f"a {event.by.role.words} took {event.person.name} off the crew."
        case PauseConfirmed() if event.person.id not in _crew_at(state, event):
            return f"{event.person.name} spoke at a pause without having been briefed."
        case PauseConfirmed(how="own secret") if event.signature is None or event.by.id != event.person.id:
            return f"{event.person.name} did not sign for the pause in person."
        case _:
            return ""


def _gone_fault(state: JobState, event: Event) -> str:
    """Whoever handed the job over writes nothing but a stop, what the program keeps of them, and a taking over.

    They also take off locks of their own; with the last row of the table its step is done.
    """
    if event.by.id not in state.leaving.gone:
        return ""
    if isinstance(event, JobStopped | StopExplained | AttemptRefused | MarkContested | HandoverBegun | ReadingMissed):
        return ""
    if isinstance(event, OwnLockOff | PointUnlocked) or (isinstance(event, NoteWritten) and event.text == STOPPED_TOO):
        return ""
    if isinstance(event, StepDone) and state.due is not None and state.due.table == "locks_off":
        return ""
    under_way = state.leaving.handover
    if under_way is not None and under_way.incoming.id == event.by.id:
        return ""
    return f"{event.by.name} had handed the job over."


def _leaving_fault(
    state: JobState,
    event: JobSuspended | ReturnBegun | NextThingRead | HandoverBegun | HandoverSigned | RecheckAnswered,
) -> str:
    under_way = state.leaving.handover
    match event:
        case JobSuspended():
            at_rest = state.model is None or rests(state.model)
            if state.stage is not Stage.OPEN:
                return f"the job was suspended while it was {state.stage}."
            if not at_rest and event.by.role is not Role.LEAD:
                return f"a {event.by.role.words} left the work where it does not rest."
            return "" if at_rest == (event.to_rest is None) else "the job is said to rest where it does not."
        case ReturnBegun() | HandoverBegun() if state.stage is not Stage.SUSPENDED:
            return f"somebody came back to a job that was {state.stage}."
        case HandoverBegun() if event.outgoing.id == event.by.id or event.outgoing.role is not event.by.role:
            return f"{event.by.name} may not take over from {event.outgoing.name}."
        case HandoverSigned() if under_way is not None and (told := own_lock_fault(under_way, state.locks)):
            return told[0].lower() + told[1:]
        case HandoverSigned() if (
            under_way is None or state.stage is not Stage.HANDING_OVER or under_way.signer != (event.part, event.by)
        ):
            return f"the hand-over was not {event.by.name}'s to sign."
        case RecheckAnswered() | NextThingRead() if state.stage is not Stage.LOOKING:
            return f"something was looked at while the job was {state.stage}."
        case RecheckAnswered() if state.leaving.unread:
            return "something was looked at before the next thing to do was read."
        case RecheckAnswered():
            return _look_fault(state, event)
        case _:
            return ""


def _look_fault(state: JobState, event: RecheckAnswered) -> str:
    """What was seen is held against what the record believed, once more."""
    look = next((item for item in state.rechecks if item.id == event.recheck), None)
    if look is None:
        return f"nobody asked to look at {event.recheck}."
    if look.kind is None:
        return ""
    try:
        _, same = read_look(look, event.seen.removesuffix(f" {unit_words(look.unit)}"))
    except ChangeoutError:
        return f"what was seen at {look.text} cannot be read."
    return "" if same == event.as_expected else f"what was seen at {look.text} was not compared with the record."


def _crew_at(state: JobState, event: FromHand) -> frozenset[str]:
    """The ids of the crew when something happened: by the page it stands on, else when it was entered."""
    crew, came = state.crew, event.transcribed
    return frozenset(who.id for who in (crew.there(to_minute(came.happened)) if came else crew.present))


def _paper_fault(state: JobState, event: Event) -> str:
    """What comes from paper names a blank that is out, a photo, two people and a time; a hold came from its hand."""
    came = came_from(event)
    if came is None or not isinstance(event, FromHand):
        return ""
    blank = state.paper.blank(came.serial)
    if blank is None or blank.how is not None:
        return f"the blank {came.serial} was not out."
    if came.compared_by.id == event.by.id or not came.photo or not came.why_late.strip():
        return f"{event.by.name} entered something from paper without a photo, a reason or a second person."
    second = _second_by_page(event)
    if Role.ADMINISTRATOR in {who.role for who in (came.compared_by, came.hand, second) if who is not None}:
        return "an administrator stands for something that came from paper."
    if isinstance(event, HoldReleased) and came.hand.id != event.by.id:
        return f"a hold was released from paper by {event.by.name}, who did not sign it."
    if isinstance(event, PauseConfirmed) and came.hand.id != event.person.id:
        return f"{event.person.name} is said to have spoken at a pause by the hand of {came.hand.name}."
    try:
        return _time_fault(state, event, came, blank)
    except (ValueError, OverflowError):
        return f"the time {came.happened} of something that came from paper cannot be read."


def _second_by_page(event: FromHand) -> Who | None:
    """Return whom the page names as the second person; before that was asked, whoever compared stood for them."""
    if not isinstance(event, StepBegun | StepDone | StepOutside) or event.transcribed is None:
        return None
    return event.second if event.transcribed.second_on_paper else None


def _time_fault(state: JobState, event: FromHand, came: Transcribed, blank: Blank) -> str:
    then = to_minute(came.happened)
    if not to_minute(blank.at) <= then <= to_minute(event.at):
        return f"something came from blank {blank.serial} that was done before its printing, or after it was entered."
    second = _second_by_page(event)
    for who in (came.hand, second):
        if who is not None and state.had_gone(who, then):
            return f"{who.name} had handed the job over before what the page says."
    if second is not None and state.crew.enforced and all(who.id != second.id for who in state.crew.there(then)):
        return f"{second.name} is the second person of the page and was not on the briefed crew then."
    if isinstance(event, OwnLockOn | OwnLockOff | ReadingRepeated):
        return ""
    again = isinstance(event, HoldReleased | PauseConfirmed) or event.by.role is not Role.LEAD
    if again and state.before_unsettled(blank.seq, (came.happened,)):
        return f"{event.by.name} entered from paper what was done before the job was stopped or left."
    step = state.step(getattr(event, "step", ""))
    if step is not None and goes_back(step) and (row := state.locks.own_during(then, then)) is not None:
        return f"the step {step.id} was done while {row.by.name}'s own lock was on."
    return ""


def _way_out_fault(state: JobState, event: WayOutTaken) -> str:
    if event.by.role is not Role.LEAD:
        return f"a {event.by.role.words} put steps in."
    way = state.way_out
    if state.stage is not Stage.OPEN or way is None or way.id != event.way_out:
        return f"the steps {event.way_out} were put in where no test had failed."
    return ""


def _accept_fault(state: JobState, event: RecordAccepted) -> str:
    if event.by.role is not Role.SAFETY_OFFICER or event.by.id in state.performers:
        return f"{event.by.name} may not accept this record."
    if state.stage is not Stage.IN_REVIEW or state.unread:
        return "the record was accepted before it was reviewed."
    return ""
