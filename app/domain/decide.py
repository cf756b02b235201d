"""The only place that says no.

Order: only the due step is ever marked; done follows begun where two marks are asked; a hold is released
only by its role, never by somebody who worked on the job; whoever stopped a job cannot re-open it; nothing
is marked while the job is stopped or being looked over; a record is accepted only when every exception in
it has been opened.  Each refusal says what was asked, what is due and what to do next.
"""

from datetime import date
from typing import TypeVar, assert_never

from app.calc.errors import Invalid
from app.domain.commands import (
    Accept,
    AnswerRecheck,
    Begin,
    Command,
    Correct,
    DecideContest,
    ExplainStop,
    Finish,
    Late,
    Moment,
    Open,
    OpenException,
    Release,
    Reopen,
    ReturnRecord,
    StopWork,
    Submit,
    TakeWayOut,
    Withdraw,
    WriteNote,
)
from app.domain.computing import Setting
from app.domain.containment.rules import attempt, final_faults
from app.domain.containment.state import ClosureRule, starting_state
from app.domain.events import (
    STOP_REASONS,
    AnswerCorrected,
    ContestDecided,
    Event,
    ExceptionOpened,
    HoldReleased,
    JobReopened,
    JobStopped,
    JobSubmitted,
    MarkContested,
    MarkJoined,
    NoteWritten,
    RecheckAnswered,
    RecordAccepted,
    RecordReturned,
    Signature,
    StepBegun,
    StepDone,
    StepOutside,
    StepWithdrawn,
    StopExplained,
    WayOutTaken,
)
from app.domain.examine import breaches_anywhere
from app.domain.job import JobState, Stage
from app.domain.judging import AGAIN, LONGEST_ANSWER, evidence_from
from app.domain.procedure import Role, StepKind
from app.domain.refused import Refused
from app.domain.steps import Step

WORKERS = (Role.TECHNICIAN, Role.LEAD, Role.SAFETY_OFFICER)
NOT_OPEN = {
    Stage.STOPPED: "The job is stopped. A lead must re-open it before anything is marked.",
    Stage.LOOKING: "The job was re-opened. Answer what is to be looked at before going on.",
    Stage.CONTESTED: "Two accounts of a step differ. A lead must settle them before anything is marked.",
}
MEANING_HOLD = "I release this hold point"
MEANING_SUBMIT = "The work is complete as recorded"
MEANING_ACCEPT = "I have read this record with every exception in it and accept it"


def decide(state: JobState, command: Command, moment: Moment) -> tuple[Event, ...]:
    """Return the events that follow from a command, or raise Refused (rules) or Invalid (text)."""
    if isinstance(command, Open):
        return _open(state, command, moment)
    if state.opened is None:
        raise Refused("no_job", "There is no such job. Go back to the list of housings and choose one.")
    if moment.by.role not in WORKERS:
        raise Refused("role", f"An {moment.by.role.words} does not work on jobs. Sign in as somebody on the job.")
    match command:
        case Begin():
            return _begin(state, command, moment)
        case Finish():
            return _finish(state, command, moment)
        case Release():
            return _release(state, command, moment)
        case Late():
            return _late(state, command, moment)
        case DecideContest():
            return _decide_contest(state, command, moment)
        case TakeWayOut():
            return _take_way_out(state, command, moment)
        case WriteNote():
            text = _words(command.text, "The note")
            return (_event(NoteWritten, state, moment, text=text, step=command.step),)
        case Correct():
            return _correct(state, command, moment)
        case Withdraw():
            return _withdraw(state, command, moment)
        case StopWork():
            return _stop(state, command, moment)
        case ExplainStop():
            return _explain(state, command, moment)
        case Reopen():
            return _reopen(state, command, moment)
        case AnswerRecheck():
            return _answer_recheck(state, command, moment)
        case Submit():
            return _submit(state, moment)
        case OpenException():
            return _open_exception(state, command, moment)
        case Accept():
            return _accept(state, moment)
        case ReturnRecord():
            return _return(state, command, moment)
        case _:
            assert_never(command)


E = TypeVar("E", bound=Event)


def _event(kind: type[E], state: JobState, moment: Moment, *, offset: int = 0, **fields: object) -> E:
    return kind(
        ledger=moment.ledger,
        seq=state.size + offset,
        at=moment.at,
        by=moment.by,
        device=moment.device,
        request=moment.request,
        **fields,
    )


def _words(text: str, what: str) -> str:
    told = text.strip()
    if not told:
        raise Refused("no_words", f"{what} is empty. Write at least a few words.")
    if len(told) > LONGEST_ANSWER:
        raise Refused("too_long", f"{what} has {len(told)} characters; {LONGEST_ANSWER} is the most. Shorten it.")
    return told


# --- opening ------------------------------------------------------------------------------------


def _open(state: JobState, command: Open, moment: Moment) -> tuple[Event, ...]:
    draft = command.draft
    if state.opened is not None:
        raise Refused("already_open", f"Job {state.opened.number} is open already. Go to it instead.")
    if moment.by.role is not Role.LEAD:
        raise Refused("role", f"A {moment.by.role.words} cannot open a job. Ask a lead to open it.")
    rule = ClosureRule(ties_each_side=draft.ties_each_side, bands_each_side=draft.bands_each_side)
    start = starting_state(draft.housing, fitted=draft.kind == "change_out", rule=rule)
    if found := breaches_anywhere(draft.steps, draft.ways_out or (), start):
        first = found[0]
        raise Refused(
            "breach",
            f"The procedure breaks rule {first.rule} at {first.step}: {first.sentence}"
            f" ({len(found)} in all). Correct the procedure; the job cannot be opened with it.",
        )
    return (draft,)


# --- working ------------------------------------------------------------------------------------


def _working(state: JobState, step_id: str) -> Step:
    """Return the step asked for if the job runs and the step is due."""
    step = state.step(step_id)
    if step is None:
        raise Refused("no_step", f"This job has no step {step_id}. Go back to the step that is due.")
    due = state.due
    if due is None or state.stage is not Stage.OPEN:
        raise Refused("not_open", NOT_OPEN.get(state.stage, f"The job is {state.stage}; no step is due."), step=step_id)
    if due.id != step_id:
        done = state.mark(step_id).stands
        told = "is done already" if done else "is not due yet"
        by = _by(state, step_id) if done else ""
        raise Refused(
            "done_already" if done else "out_of_order",
            f"“{step.text}” {told}{by}. Due now: “{due.text}”. Go to that step.",
            step=step_id,
            logged=not done,
        )
    return step


def _by(state: JobState, step_id: str) -> str:
    done = state.mark(step_id).done
    return f" by {done.by.name} at {done.at}" if done else ""


def _may_mark(state: JobState, step: Step, moment: Moment) -> None:
    if step.kind is StepKind.HOLD:
        raise Refused(
            "hold",
            f"“{step.text}” is a hold point. It is released by a {step.role.words} with their own secret.",
            step=step.id,
            logged=True,
        )
    if step.role is not Role.TECHNICIAN and moment.by.role is not step.role:
        raise Refused("role", f"“{step.text}” is for a {step.role.words}. Ask one to mark it.", step=step.id)
    if step.kind is StepKind.VERIFY and moment.by.id in _hands_in(state, step):
        raise Refused(
            "own_work",
            f"{moment.by.name} did the work that this step verifies. Somebody else must verify it.",
            step=step.id,
            logged=True,
        )


def _hands_in(state: JobState, step: Step) -> frozenset[str]:
    """Who did the work that a verification looks at: the steps before it in its section, or in the one before."""
    place = state.index[step.id]
    here = [other for other in state.steps[:place] if other.section == step.section]
    work = [other for other in here if other.effects]
    if not work:
        before = [other for other in state.steps[:place] if other.port == step.port and other.effects]
        work = [other for other in before if other.section == before[-1].section]
    stamps = (state.mark(other.id).done for other in work)
    return frozenset(stamp.by.id for stamp in stamps if stamp is not None)


def _begin(state: JobState, command: Begin, moment: Moment) -> tuple[Event, ...]:
    step = _working(state, command.step)
    _may_mark(state, step, moment)
    if step.marks == 1:
        raise Refused("one_mark", f"“{step.text}” takes one mark only. Mark it done when it is done.", step=step.id)
    if begun := state.mark(step.id).begun:
        raise Refused(
            "begun_already", f"“{step.text}” was begun by {begun.by.name} at {begun.at}. Mark it done.", step=step.id
        )
    _model_allows(state, step)
    return (_event(StepBegun, state, moment, step=step.id),)


def _finish(state: JobState, command: Finish, moment: Moment) -> tuple[Event, ...]:
    step = _working(state, command.step)
    _may_mark(state, step, moment)
    if step.marks == 2 and state.mark(step.id).begun is None:
        raise Refused("not_begun", f"“{step.text}” has not been begun. Mark it begun before acting.", step=step.id)
    _model_allows(state, step)
    evidence = evidence_from(step, command.answers, command.note, Setting(moment.on, moment.instruments))
    if not evidence.within:
        return (_event(StepOutside, state, moment, step=step.id, evidence=evidence),)
    return (_event(StepDone, state, moment, step=step.id, evidence=evidence, in_hand_since=state.last_at),)


# --- marks that a tablet kept -------------------------------------------------------------------


def _late(state: JobState, command: Late, moment: Moment) -> tuple[Event, ...]:
    """Take a kept mark: as if it had come in time, or beside the one that stands; it is never dropped."""
    mark = command.mark
    step = state.step(mark.step)
    if step is None:
        raise Invalid(f"This job has no step {mark.step}. The mark stays on the tablet; show it to a lead.")
    if command.seen <= state.unsettled_at:
        return _contested(state, mark, moment, "The job was stopped, re-opened or corrected after this mark was made.")
    try:
        return decide(state, mark, moment)
    except (Refused, Invalid) as no:
        if _says_the_same(state, step, mark, moment):
            act, note = ("finish", mark.note) if isinstance(mark, Finish) else ("begin", "")
            return (_event(MarkJoined, state, moment, step=step.id, act=act, note=note),)
        stands = isinstance(no, Refused) and no.code in {"done_already", "begun_already"}
        why = "Another mark stands at this step and says something else." if stands else str(no)
        return _contested(state, mark, moment, why)


def _contested(state: JobState, mark: Begin | Finish, moment: Moment, why: str) -> tuple[Event, ...]:
    answers, note = (dict(mark.answers), mark.note) if isinstance(mark, Finish) else ({}, "")
    act = "finish" if isinstance(mark, Finish) else "begin"
    return (_event(MarkContested, state, moment, step=mark.step, act=act, answers=answers, note=note, why=why),)


def _says_the_same(state: JobState, step: Step, mark: Begin | Finish, moment: Moment) -> bool:
    """Whether what stands at the step is what the mark says, answer for answer."""
    stands = state.mark(step.id)
    if isinstance(mark, Begin):
        return stands.stands or stands.begun is not None
    if not stands.stands or step.kind is StepKind.HOLD:
        return False
    try:
        return evidence_from(step, mark.answers, "", Setting(moment.on, moment.instruments)).answers == (
            stands.evidence.answers
        )
    except (Refused, Invalid):
        return False


def _decide_contest(state: JobState, command: DecideContest, moment: Moment) -> tuple[Event, ...]:
    if moment.by.role is not Role.LEAD:
        raise Refused("role", f"A {moment.by.role.words} cannot settle two accounts. Ask a lead.", logged=True)
    known = {item.seq: item for item in state.contests}
    chosen = [known[entry] for entry in command.entries if entry in known]
    if not chosen or len(chosen) != len(command.entries):
        raise Refused("no_contest", "That is not among the accounts to settle. Reload the page and choose again.")
    if any(item.by.id == moment.by.id for item in chosen):
        raise Refused("own_contest", f"{moment.by.name} made one of these marks. Another lead must settle it.")
    reason = _words(command.reason, "The reason")
    again: dict[str, None] = {}
    flagged: dict[str, None] = {}
    for item in chosen if not command.holds else ():
        step = state.step(item.step)
        if step is not None and state.mark(step.id).stands:
            more, flags = relying_on(state, step)
            (flagged if step.final else again)[step.id] = None
            again |= dict.fromkeys(more)
            flagged |= dict.fromkeys(flags)
    return (
        _event(
            ContestDecided, state, moment, entries=command.entries, holds=command.holds, reason=reason,
            due_again=tuple(again), flagged=tuple(flagged),
        ),
    )  # fmt: skip


def _take_way_out(state: JobState, command: TakeWayOut, moment: Moment) -> tuple[Event, ...]:
    if moment.by.role is not Role.LEAD:
        raise Refused("role", f"A {moment.by.role.words} cannot put steps in. Ask a lead.", logged=True)
    due, way = state.due, state.way_out
    if state.stage is not Stage.OPEN or due is None or way is None or way.id != command.way_out:
        raise Refused("no_way_out", "These steps are put in where a test has failed. Go to the step that is due.")
    reason = _words(command.reason, "The reason")
    again = tuple(step.id for step in state.steps if step.section == due.section and state.mark(step.id).stands)
    return (_event(WayOutTaken, state, moment, way_out=way.id, step=due.id, reason=reason, due_again=again),)


def _setting_then(state: JobState, step: Step, moment: Moment) -> Setting:
    """What the first answers were judged with: their day, and the instruments as they were kept with them."""
    mark = state.mark(step.id)
    kept = {item.id: item for item in mark.evidence.instruments or ()}
    then = mark.evidence.result.inputs.get("on") if mark.evidence.result else None
    day = date.fromisoformat(then or (mark.done.at[:10] if mark.done else moment.local_time[:10]))
    return Setting(day, {**moment.instruments, **kept})


def _model_allows(state: JobState, step: Step) -> None:
    """The model's word at the moment of the act; after the check at opening it only speaks on a fault of ours."""
    if state.model is None or step.id in state.applied:
        return
    model = state.model
    for effect in step.effects:
        outcome = attempt(model, effect)
        if outcome.broken:
            first = outcome.broken[0]
            raise Refused("breach", f"Rule {first.rule}: {first.sentence}. Stop and call the lead.", step=step.id)
        model = outcome.state


def _release(state: JobState, command: Release, moment: Moment) -> tuple[Event, ...]:
    step = _working(state, command.step)
    if step.kind is not StepKind.HOLD:
        raise Refused("no_hold", f"“{step.text}” is not a hold point. Mark it like any other step.", step=step.id)
    if moment.by.role is not step.role:
        raise Refused(
            "hold_role",
            f"{moment.by.name} is a {moment.by.role.words}; this hold is released by a {step.role.words}.",
            step=step.id,
            logged=True,
        )
    if moment.by.id in state.performers:
        raise Refused(
            "hold_own_work",
            f"{moment.by.name} has worked on this job and cannot release its holds. Call another {step.role.words}.",
            step=step.id,
            logged=True,
        )
    until = state.permit_until
    if until is not None and until < moment.on:
        raise Refused(
            "permit",
            f"The permit was good until {until} and today is {moment.on}. Have it renewed and correct its date, then "
            "release.",
            step=step.id,
            logged=True,
        )
    return (_event(HoldReleased, state, moment, step=step.id, signature=_signature(state, moment, MEANING_HOLD)),)


def _signature(state: JobState, moment: Moment, meaning: str) -> Signature:
    return Signature(meaning=meaning, size=state.size, root=moment.root, local_time=moment.local_time)


# --- correcting ---------------------------------------------------------------------------------


def _done_step(state: JobState, step_id: str, moment: Moment) -> Step:
    step, mark = state.step(step_id), state.mark(step_id)
    if step is None or (mark.done is None and mark.begun is None):
        raise Refused("not_done", "That step carries no mark. Only what has been marked can be corrected.")
    owner = mark.done or mark.begun
    if moment.by.role is not Role.LEAD and owner is not None and owner.by.id != moment.by.id:
        raise Refused(
            "not_yours",
            f"{owner.by.name} made that mark. It is corrected by {owner.by.name} or by a lead.",
            step=step_id,
        )
    if state.accepted is not None and moment.by.role is not Role.LEAD:
        raise Refused("accepted", "The record has been accepted. Ask a lead to correct or re-open it.", step=step_id)
    return step


def _correct(state: JobState, command: Correct, moment: Moment) -> tuple[Event, ...]:
    step = _done_step(state, command.step, moment)
    reason = _words(command.reason, "The reason")
    mark = state.mark(step.id)
    if command.ask not in mark.evidence.answers:
        raise Refused("no_answer", f"“{step.text}” holds no answer named {command.ask}. Choose one that was given.")
    was = mark.evidence.answers[command.ask].text
    answers = {name: answer.text for name, answer in mark.evidence.answers.items()} | {command.ask: command.now}
    answers |= {asked.ask.id + AGAIN: answers.get(asked.ask.id, "") for asked in step.asks if asked.ask.twice}
    evidence = evidence_from(step, answers, mark.evidence.note, _setting_then(state, step, moment))
    now = evidence.answers[command.ask].text if command.ask in evidence.answers else ""
    if now == was:
        raise Refused("same", f"The corrected answer is the same as the first, {was}. Enter what was really seen.")
    again, flagged = relying_on(state, step)
    if not evidence.within:
        again = (step.id, *again)
    return (
        _event(
            AnswerCorrected,
            state,
            moment,
            step=step.id,
            ask=command.ask,
            was=was,
            now=now,
            reason=reason,
            evidence=evidence,
            due_again=again,
            flagged=flagged,
        ),
    )


def _withdraw(state: JobState, command: Withdraw, moment: Moment) -> tuple[Event, ...]:
    step = _done_step(state, command.step, moment)
    reason = _words(command.reason, "The reason")
    if state.mark(step.id).done is None:
        return (_event(StepWithdrawn, state, moment, step=step.id, reason=reason),)
    again, flagged = relying_on(state, step)
    again, flagged = (again, (step.id, *flagged)) if step.final else ((step.id, *again), flagged)
    return (_event(StepWithdrawn, state, moment, step=step.id, reason=reason, due_again=again, flagged=flagged),)


def relying_on(state: JobState, step: Step) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the steps that relied on this one and stand: those due again, and the final ones to be flagged."""
    standing = [other for name in step.relied_on_by if (other := state.step(name)) and state.mark(name).stands]
    return (
        tuple(other.id for other in standing if not other.final),
        tuple(other.id for other in standing if other.final),
    )


# --- stopping and re-opening --------------------------------------------------------------------


def _stop(state: JobState, command: StopWork, moment: Moment) -> tuple[Event, ...]:
    if state.stop is not None:
        told = "STOP was pressed here, too, while the server was out of reach."
        return (_event(NoteWritten, state, moment, text=told),) if command.kept else ()
    if state.stage is Stage.ACCEPTED:
        raise Refused("accepted", "The record has been accepted; no work is in hand. A lead can re-open the job.")
    due = state.due
    return (_event(JobStopped, state, moment, step=due.id if due else None),)


def _explain(state: JobState, command: ExplainStop, moment: Moment) -> tuple[Event, ...]:
    if state.stop is None:
        raise Refused("not_stopped", "The job is not stopped, so there is no stop to explain.")
    if command.reason not in STOP_REASONS:
        raise Refused("reason", "Choose one of the reasons shown.")
    return (_event(StopExplained, state, moment, reason=command.reason, text=command.text.strip()[:LONGEST_ANSWER]),)


def _reopen(state: JobState, command: Reopen, moment: Moment) -> tuple[Event, ...]:
    if moment.by.role is not Role.LEAD:
        raise Refused("role", f"A {moment.by.role.words} cannot re-open a job. Ask a lead.", logged=True)
    if state.stage in (Stage.OPEN, Stage.LOOKING, Stage.WORK_DONE):
        raise Refused("running", "The job is not stopped, so there is nothing to re-open. Go to the step that is due.")
    if state.stop is not None and state.stop.stamp.by.id == moment.by.id:
        raise Refused(
            "own_stop", f"{moment.by.name} stopped this job and cannot re-open it. Another lead must.", logged=True
        )
    answer = _words(command.answer, "The written answer")
    again: dict[str, None] = {}
    flagged: dict[str, None] = {}
    for name in command.again:
        step = state.step(name)
        if step is None or not state.mark(name).stands:
            raise Refused("not_done", f"Step {name} is not done, so it cannot be asked for again. Choose a done step.")
        more, flags = relying_on(state, step)
        (flagged if step.final else again)[name] = None
        again |= dict.fromkeys(more)
        flagged |= dict.fromkeys(flags)
    return (
        _event(
            JobReopened,
            state,
            moment,
            answer=answer,
            rechecks=command.rechecks,
            again=tuple(again),
            flagged=tuple(flagged),
        ),
    )


def _answer_recheck(state: JobState, command: AnswerRecheck, moment: Moment) -> tuple[Event, ...]:
    found = next((item for item in state.rechecks if item.id == command.recheck), None)
    if state.stop is not None or found is None:
        raise Refused("no_recheck", "That is not among the things to look at now. Go back to the job.")
    seen = found.expected if command.as_expected else _words(command.seen, "What was seen instead")
    answered = _event(RecheckAnswered, state, moment, recheck=found.id, as_expected=command.as_expected, seen=seen)
    if command.as_expected:
        return (answered,)
    stop = _event(
        JobStopped,
        state,
        moment,
        offset=1,
        reason="unexpected",
        text=f"{found.text}: {seen}; recorded {found.expected}.",
    )
    return (answered, stop)


# --- review -------------------------------------------------------------------------------------


def _submit(state: JobState, moment: Moment) -> tuple[Event, ...]:
    if moment.by.role is not Role.LEAD:
        raise Refused("role", f"A {moment.by.role.words} cannot hand the job to review. Ask a lead.")
    if state.stage not in (Stage.WORK_DONE, Stage.RETURNED) or state.due is not None:
        due = state.due
        told = f"Due now: “{due.text}”." if due else f"The job is {state.stage}."
        raise Refused("not_finished", f"The job cannot go to review yet. {told} Finish the work first.")
    if state.model is not None and (faults := final_faults(state.model)):
        raise Refused("left_over", f"Rule {faults[0].rule}: {faults[0].sentence}. Settle it before review.")
    return (_event(JobSubmitted, state, moment, signature=_signature(state, moment, MEANING_SUBMIT)),)


def _reviewing(state: JobState, moment: Moment, act: str) -> None:
    if moment.by.role is not Role.SAFETY_OFFICER:
        raise Refused(
            "role", f"A {moment.by.role.words} cannot {act}. A safety officer reviews the record.", logged=True
        )
    if state.stage is not Stage.IN_REVIEW:
        raise Refused("not_in_review", f"The job is {state.stage}, not in review. A lead hands it to review first.")


def _open_exception(state: JobState, command: OpenException, moment: Moment) -> tuple[Event, ...]:
    _reviewing(state, moment, "open exceptions for review")
    if command.entry not in {item.seq for item in state.notables}:
        raise Refused("no_exception", f"Entry {command.entry} is not among the exceptions of this record.")
    if command.entry in state.read:
        return ()
    return (_event(ExceptionOpened, state, moment, entry=command.entry),)


def _accept(state: JobState, moment: Moment) -> tuple[Event, ...]:
    _reviewing(state, moment, "accept the record")
    if moment.by.id in state.performers:
        raise Refused("own_work", f"{moment.by.name} worked on this job and cannot accept its record.", logged=True)
    if unread := state.unread:
        raise Refused(
            "unread", f"{len(unread)} exceptions have not been opened. Open each, then accept.", step=unread[0].step
        )
    return (_event(RecordAccepted, state, moment, signature=_signature(state, moment, MEANING_ACCEPT)),)


def _return(state: JobState, command: ReturnRecord, moment: Moment) -> tuple[Event, ...]:
    _reviewing(state, moment, "return the record")
    return (_event(RecordReturned, state, moment, reason=_words(command.reason, "The reason")),)
