"""Laws of a job: people press whatever they like; after each press everything that anybody could press is tried.

The machine walks to arbitrary reachable states; in each of them every command is tried for every person near
the step that is due, and what `decide` would let happen is held against the rules in words.  Crews of two, three and
four walk; each history is then carried on to an accepted record, which `accepted.py` reads as an outsider does.
"""

import os
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import date, timedelta
from itertools import permutations
from typing import ClassVar, get_args

import pytest
from hypothesis import seed, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule, run_state_machine_as_test

from app.calc.errors import ChangeoutError
from app.domain.applicability import SetAside, StepNotApplicable
from app.domain.commands import (
    Accept,
    Begin,
    Command,
    Correct,
    DecideContest,
    ExplainStop,
    Finish,
    Late,
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
from app.domain.containment.rest import rests
from app.domain.containment.rules import final_faults
from app.domain.contingency import ContingencyEntered, EnterContingency
from app.domain.crew import Acknowledge, ConfirmPause, CrewBriefed, CrewLeft, LeaveCrew, Part, PauseConfirmed
from app.domain.decide import decide
from app.domain.deciding.contingency import possible
from app.domain.deciding.leaving import suspend_looks
from app.domain.event_base import FromHand, Who
from app.domain.events import (
    STOPPED_TOO,
    ContestDecided,
    Event,
    HoldReleased,
    JobReopened,
    JobStopped,
    JobSubmitted,
    MarkContested,
    NoteWritten,
    RecheckAnswered,
    RecordAccepted,
    RecordReturned,
    StepBegun,
    StepDone,
    StepOutside,
    StopExplained,
    WayOutTaken,
    event_from_bytes,
    payload_of,
)
from app.domain.field_change import (
    ApproveChange,
    DeclineChange,
    FieldChangeApproved,
    FieldChangeProposed,
    NewWords,
    ProposeChange,
)
from app.domain.history import unlawful
from app.domain.instants import to_minute
from app.domain.job import JobState, Stage, fold
from app.domain.judging import AGAIN
from app.domain.leaving import (
    DOCUMENTS,
    PERMIT_LOOKS,
    AnswerLooks,
    HandoverBegun,
    HandoverSigned,
    JobSuspended,
    NextThingRead,
    PermitFate,
    ReadNext,
    Recheck,
    ReturnBegun,
    ReturnToWork,
    SignHandover,
    Suspend,
    TakeOver,
)
from app.domain.lessons import AnswerDeviation, DeviationAnswered
from app.domain.locks import (
    DamperStroked,
    LockPoint,
    NamePoint,
    OthersLockRemoved,
    OwnLockOff,
    OwnLockOn,
    PointNamed,
    PointStruck,
    PointUnlocked,
    PutOwnLockOn,
    RemoveOthersLock,
    StrikePoint,
    StrokeDamper,
    StrokePart,
    TakeOwnLockOff,
    UnlockPoint,
)
from app.domain.paper import (
    Beside,
    Blank,
    BlankPrinted,
    BlankReconciled,
    PrintBlank,
    ReconcileBlank,
    Transcribe,
    TranscribeBeside,
)
from app.domain.procedure import Role, Second, StepKind
from app.domain.radio import HoldReleasedByRadio, RadioReleaseSigned, ReleaseByRadio, SignRadioRelease
from app.domain.steps import Step
from app.domain.watching import NoticeMissed, ReadingMissed, ReadingRepeated, TakeReading
from app.ledger.canonical import canonical
from app.services.rehearsal import Cast, commands_for, labels_of, looks_as_recorded, made_up_answers
from tests.builders import EYES, HANDS, KEEPER, LEAD, NEEDS, OFFICER, OTHER_LEAD, PEOPLE, QUALIFIED, Bench, opened
from tests.laws.accepted import left_behind

THIRD = Who(id="third", name="Jaro Lind", role=Role.TECHNICIAN)
FOURTH = Who(id="fourth", name="Mele Tuala", role=Role.TECHNICIAN)
EVERYBODY = (*PEOPLE, THIRD, FOURTH)
ALL_QUALIFIED = {**QUALIFIED, **{(who.id, need): date(9999, 12, 31) for who in (THIRD, FOURTH) for need in NEEDS}}
EXAMPLES = int(os.environ.get("CHANGEOUT_HISTORIES", "40"))
"""Histories of each size of crew; more by hand."""
DEPARTING = max(EXAMPLES // 10, 4)
"""As many more of each crew begin off the main line, for each way off it."""
people = st.sampled_from(EVERYBODY)
shifts = st.sampled_from([0, 0, 0, 0, 1, -1, -2, -4])
STARTS = [
    "as usual", "as usual", "officer works first", "officer works last", "to be read", "test failed",
    "failed and stopped", "tested again", "old permit", "entries differ", "to be verified unseen",
    "not briefed", "recorded for", "at the pause",
    "one has spoken", "a lead's hold", "ran out", "questions open",
    "suspended", "handing over", "handed over", "on paper",
    "suspended and stopped", "on paper, void", "on paper to the end", "not at rest",
    "walking down", "left again", "on paper, step taken back", "on paper, hold", "stopped while looking",
    "accounts differ", "other words", "by voice", "in review", "accepted", "returned",
    "at the rows", "own lock on", "locks come off",
    "went wrong", "leaked by", "step set aside", "owner away", "owner of a row away",
]  # fmt: skip
OTHER_WORDS = NewWords(text="Close the edge with two strips of tape.")
TOO_EARLY = "2026-03-01T07:00+00:00"
DEPARTURES = ("contingency_entered", "step_not_applicable", "others_lock_removed", "point_named")
"""Entries that lead a job off its main line; every size of crew must bring records with each of them to acceptance."""
DEPARTED = {
    "went wrong": "contingency_entered", "leaked by": "contingency_entered", "step set aside": "step_not_applicable",
    "isolated further": "point_named",
    "owner away": "others_lock_removed", "owner of a row away": "others_lock_removed",
}  # fmt: skip
"""Starts that have such an entry behind them."""
REOPENABLE = (Stage.STOPPED, Stage.IN_REVIEW, Stage.RETURNED, Stage.ACCEPTED)


def near(state: JobState, shift: int) -> Step:
    """Return a step near the one that is due."""
    due = state.due
    place = state.index[due.id] if due else len(state.steps) - 1
    return state.steps[max(0, min(place + shift, len(state.steps) - 1))]


def wrong_answers(step: Step) -> dict[str, str]:
    """Return answers of which the first lies outside its limit, where it has one."""
    answers = made_up_answers(step)
    if step.computes == "leak_test":
        return answers | {"downstream": "0.9", f"downstream{AGAIN}": "0.9"}
    if asked := next((asked for asked in step.asks if asked.ask.kind in {"reading", "choice"}), None):
        first, limit = asked.ask, asked.limit
        beyond = "999999" if limit is None or limit.high is not None else "-999999"
        answers[first.id] = first.options[-1] if first.options else beyond
    return answers


def answers_at(state: JobState, step: Step) -> dict[str, str]:
    """Return good answers; what a verification states anew is what was entered first."""
    named = {item.ask.id: item.same_as for item in step.asks if item.same_as is not None}
    first = {name: state.mark(same.step).evidence.answers.get(same.ask) for name, same in named.items()}
    return made_up_answers(step) | {name: answer.text for name, answer in first.items() if answer is not None}


def everything(state: JobState) -> Iterator[Command]:
    """Yield every command that a person could send near the step that is due."""
    assert state.opened is not None
    for shift in (0, 1, -1, -3):
        step = near(state, shift)
        for second in (None, EYES, OTHER_LEAD, KEEPER) if step.second else (None,):
            yield Begin(step.id, second, answers=labels_of(step))
            yield Finish(step.id, answers_at(state, step), second=second)
            yield Finish(step.id, answers_at(state, step), second=second, reconciled="the dial had not settled")
            yield Finish(step.id, wrong_answers(step), second=second)
        yield Release(step.id)
        yield SetAside(step.id, "not needed here")
        yield Withdraw(step.id, "ticked by mistake")
        if answers := state.mark(step.id).evidence.answers:
            yield Correct(step.id, next(iter(answers)), "999", "misread the dial", "999", second)
    yield from (TakeWayOut(way.id, "the bank failed its test") for way in (state.opened.ways_out or ()))
    yield from (EnterContingency(k.id, "seen", s.port, s.position) for k, s in possible(state)[:1])
    yield from about_isolation(state, near(state, 0))
    yield from (StopWork(), ExplainStop("unexpected", "seen at the port"), WriteNote("lamp flickers"))
    yield WriteNote("lamp flickers", step="no/such/step")
    yield Reopen("looked at, safe to go on")
    yield from leaving_and_paper(state)
    yield from kept_reworded_and_spoken(state, near(state, 0))
    yield from (OpenException(item.seq) for item in state.unread[:1])
    step = near(state, 0)
    yield from (Begin(step.id, worker=EYES.id), Finish(step.id, made_up_answers(step), "", worker=EYES.id))
    yield from (Acknowledge(part, "I call the stop and watch the ring.") for part in Part)
    yield from (LeaveCrew(who.id, "shift end") for who in (HANDS, EYES))
    yield from (
        ConfirmPause(step.id, aloud) for aloud in ((), (HANDS.id,), tuple(who.id for who in state.crew.present))
    )
    yield from (AnswerDeviation(item.seq, "a late filter", "the lorry", "nothing") for item in state.unanswered[:1])
    yield from (Submit(), Submit("the permit desk, by hand"))
    yield Accept()
    yield ReturnRecord("an instrument number is missing")


def kept_reworded_and_spoken(state: JobState, step: Step) -> Iterator[Command]:
    """Yield marks that a tablet kept, two accounts settled, words of a step changed, and releases given by voice."""
    assert state.opened is not None
    for seen in (state.size, 0):
        yield Late(Begin(step.id, answers=labels_of(step)), seen)
        yield Late(Finish(step.id, answers_at(state, step)), seen)
    yield Late(Finish(step.id, wrong_answers(step), second=EYES), state.size)
    waiting = tuple(item.seq for item in state.contests)
    yield from (DecideContest(waiting, holds, "looked at both") for holds in (True, False) if waiting)
    yield ProposeChange(step.id, OTHER_WORDS, "the tape is another one")
    for change in [item.proposed.number for item in state.changes.all[-1:]]:
        yield ApproveChange(change)
        yield DeclineChange(change, "the tape has come")
    for sender in (OFFICER, OTHER_LEAD, LEAD):
        yield ReleaseByRadio(step.id, sender, state.opened.housing.tag, step.port or "", confirmed=True)
    yield from (SignRadioRelease(item.seq) for item in state.unsigned[:1])


def leaving_and_paper(state: JobState) -> Iterator[Command]:
    """Yield what leaves the work, comes back to it, hands it over, and what comes from paper."""
    left = Suspend("break", looks_as_recorded(suspend_looks(state)), "control room, radio", "tape the stub")
    yield from (left, replace(left, permit="handed_back", permit_to="R. Osei"), replace(left, permit="lost"))
    yield ReturnToWork()
    yield ReadNext()
    yield from (AnswerLooks(looks_as_recorded([look])) for look in state.rechecks[:1])
    yield from (TakeOver(outgoing, tuple(DOCUMENTS)) for outgoing in (HANDS, LEAD, OFFICER))
    yield TakeOver(HANDS, ("record", "locks", "brief"))
    yield SignHandover()
    yield PrintBlank()
    step = near(state, 0)
    for blank in state.paper.blanks[-1:]:
        yield ReconcileBlank(blank.serial, "voided", reason="rained on")
        yield ReconcileBlank(blank.serial, "attached")
        yield ReconcileBlank(blank.serial, "voided")
        yield ReconcileBlank(blank.serial, "returned")
        yield from (from_paper(state, step, blank, hand, second) for hand, second in ((HANDS, EYES), (OFFICER, HANDS)))
        yield from (replace(from_paper(state, step, blank, HANDS, EYES), beside=who) for who in (None, HANDS, LEAD))
        yield from beside_from_paper(state, step, blank)
        at = f"{blank.at[:16]}+00:00"
        yield from (
            replace(from_paper(state, step, blank, hand, OFFICER), happened=at, began=at) for hand in (HANDS, EYES)
        )
        yield replace(from_paper(state, step, blank, EYES, HANDS), photo="")
        yield replace(from_paper(state, step, blank, EYES, HANDS), happened=TOO_EARLY, began=TOO_EARLY)


def from_paper(state: JobState, step: Step, blank: Blank, hand: Who, second: Who) -> Transcribe:
    """Return what is entered from a blank for a step, done when the newest entry was made."""
    at = state.last_at.replace("Z", "+00:00")[:16] + "+00:00"
    began = at if step.marks == 2 and state.mark(step.id).begun is None else None
    return Transcribe(
        step=step.id, serial=blank.serial, happened=at, began=began, why_late="no power", photo="ab" * 32,
        hand=hand, compared_by=second, answers=made_up_answers(step), beside=second,
    )  # fmt: skip


def beside_from_paper(state: JobState, step: Step, blank: Blank) -> Iterator[TranscribeBeside]:
    """Yield what a page may hold beside the marks, done when the newest entry was made."""
    acts: list[Beside] = [PutOwnLockOn("P-97"), ConfirmPause(step.id, tuple(who.id for who in state.crew.present))]
    acts += [TakeOwnLockOff(item.lock) for item in state.locks.own[-1:]]
    acts += [TakeReading("-21"), TakeReading("900")]
    if step.table is not None:
        acts += [LockPoint(step.id, "upstream", "shut", "L-97", "T-97"), UnlockPoint(step.id, "upstream")]
        acts += [NamePoint(step.id, "BL-97", "blank", "bolted on")]
    for act in acts:
        for hand, second in ((HANDS, EYES), (EYES, HANDS), (OFFICER, EYES)):
            for at in (state.last_at, blank.at):
                happened = f"{at[:16]}+00:00"
                yield TranscribeBeside(act, blank.serial, happened, "no power", "ab" * 32, hand, second)


def otherwise(look: Recheck) -> str:
    """Return an answer to a look that does not agree with the record."""
    match look.kind:
        case "choice":
            return next(option for option in look.options or () if option != look.expected)
        case "reading":
            return "999999"
        case "count":
            return "99"
        case _:
            return "something else"


def about_isolation(state: JobState, step: Step) -> Iterator[Command]:
    """Yield what a person could send about locks and repeated readings."""
    assert state.opened is not None
    if step.table is not None:
        yield LockPoint(step.id, "upstream", "shut", "L-99", "T-99")
        yield UnlockPoint(step.id, "upstream")
        yield NamePoint(step.id, f"BL-{len(state.locks.further)}", "blank", "bolted on")
        yield NamePoint(step.id, "DF-1", "damper", "shut")
        for point in state.locks.further:
            yield LockPoint(step.id, point.id, point.safe, f"L-{point.tag}", "T-96")
            yield from (UnlockPoint(step.id, point.id), StrikePoint(step.id, point.id, "misread"))
    yield from (StrokeDamper(point.id, StrokePart.CLEAR, "nobody near") for point in state.locks.further)
    yield from (PutOwnLockOn("P-99"), NoticeMissed())
    yield from (TakeOwnLockOff(item.lock) for item in state.locks.own[:1])
    yield from (removal(item.lock) for item in state.locks.hung[-1:])
    yield from (StrokeDamper("upstream", part, "shut", "L-98", "T-98") for part in StrokePart)
    if state.watch.due is not None:
        yield TakeReading("-20")


def removal(lock: str) -> RemoveOthersLock:
    """Return the removal of a lock with all that has to be known."""
    return RemoveOthersLock(lock, OFFICER, "signed out", (("2026-03-02 08:10", "rang"),), "call before the next shift")


def check(before: JobState, event: Event) -> None:
    """Hold one event against the rules in words."""
    if event.by.role is Role.ADMINISTRATOR:
        anybodys = isinstance(event, JobStopped | StopExplained) or getattr(event, "text", "") == STOPPED_TOO
        assert anybodys, "administrators never work on a job; like anybody they may stop it"
    check_gone(before, event)
    check_joined(before, event)
    if isinstance(event, FromHand):
        check_paper(before, event)
    match event:
        case JobSuspended() | ReturnBegun() | NextThingRead() | HandoverBegun() | HandoverSigned() | RecheckAnswered():
            check_leaving(before, event)
        case BlankPrinted():
            assert before.due is not None
            assert before.paper.blank(event.serial) is None, "a serial number is given once"
        case BlankReconciled():
            assert event.serial in {item.serial for item in before.paper.out}, "a blank is accounted for once"
            assert event.photo or event.how != "returned"
            assert event.reason or event.how != "voided"
            assert event.how != "attached" or event.serial in before.paper.used
        case StepBegun() | StepDone() | StepOutside() | HoldReleased():
            check_mark(before, event)
        case JobReopened():
            assert event.by.role is Role.LEAD
            assert before.stage in REOPENABLE
            assert before.stop is None or not before.stop.is_by(event.by), "the stopper cannot re-open"
            assert before.stop is None or before.stop.reason, "nobody leads on from a stop without a reason"
            assert {item.id for item in event.rechecks} >= {"tag", "upstream", "downstream", "fan"}, "all is looked at"
        case WayOutTaken():
            assert event.by.role is Role.LEAD
            assert before.stage is Stage.OPEN
            assert before.due is not None
            assert before.mark(before.due.id).attempts, "steps are put in only where a test has failed"
            attempt = before.mark(before.due.id).attempts[-1][0].seq
            assert all(seq < attempt for _, seq in before.taken), "and only once for a failure"
        case ContingencyEntered():
            assert event.by.role is Role.LEAD
            assert before.stop is not None, "a contingency is entered from a stop"
            assert before.stop.reason, "whose reason is known"
            assert not before.stop.is_by(event.by), "and not by who stopped"
        case StepNotApplicable():
            step = before.step(event.step)
            assert event.by.role is Role.LEAD
            assert before.stage is Stage.OPEN
            assert step is not None
            assert not step.effects, "what changes the housing is never set aside"
            assert not step.final
            assert step.marks == 1
        case JobSubmitted():
            assert event.by.role is Role.LEAD
            assert before.due is None
            assert before.stage in (Stage.WORK_DONE, Stage.RETURNED)
            assert not before.paper.out, "every blank is accounted for"
            assert before.model is not None
            assert final_faults(before.model) == ()
            assert not before.unanswered, "a deviation without its answers does not go to review"
        case RecordAccepted() | RecordReturned():
            assert event.by.role is Role.SAFETY_OFFICER
            assert before.stage is Stage.IN_REVIEW
            if isinstance(event, RecordAccepted):
                assert not before.unread, "every exception is opened first"
                assert not before.unanswered, "and every question about a deviation answered"
                assert event.by.id not in before.performers
        case CrewBriefed() | CrewLeft() | PauseConfirmed() | DeviationAnswered():
            check_crew(before, event)
        case FieldChangeProposed() | FieldChangeApproved() | HoldReleasedByRadio() | RadioReleaseSigned():
            check_agreed(before, event)
        case NoteWritten():
            assert event.step is None or before.step(event.step) is not None, "a note stands at a step of the job"
        case StopExplained():
            assert before.stop is not None
            assert not before.stop.reason, "nobody writes over the reason that somebody gave"
        case ContestDecided():
            makers = {item.by.id for item in before.contests if item.seq in event.entries}
            assert event.by.role is Role.LEAD
            assert makers, "what is settled was in dispute"
            assert event.by.id not in makers, "nobody settles their own account"
        case PointUnlocked() | OwnLockOff():
            lock = before.locks.numbered(event.lock)
            assert lock is not None
            assert lock.by.id == event.hand.id, "a lock comes off by the hand that put it on"
            if event.transcribed is not None:
                told = {event.by.id, event.transcribed.compared_by.id}
                assert lock.by.id in told, "and on paper with its owner's word"
            door_off = before.model is not None and any(port.door == "off" for port in before.model.ports)
            if isinstance(event, OwnLockOff) and before.leaving.suspended and door_off:
                assert {item.by.id for item in before.locks.own} - {event.by.id}, "and not as the last on open work"
        case PointNamed() | PointStruck():
            assert before.due is not None
            assert (before.due.id, before.due.further) == (event.step, True), "points are named at their step"
            known = {item.id for item in before.points} | {item.tag for item in before.points}
            if isinstance(event, PointNamed):
                assert not known & {event.point, event.tag}, "and each of them once"
            else:
                assert before.locks.at(event.point) is None, "nobody strikes off what a lock is on"
        case OthersLockRemoved():
            assert (event.by.role, event.officer.role) == (Role.LEAD, Role.SAFETY_OFFICER)
            assert event.owner.id not in (event.by.id, event.officer.id)
        case DamperStroked(part=StrokePart.OFF):
            assert before.model is not None
            assert all(port.door == "shut" for port in before.model.ports), "no damper moves with a door off"
        case _:
            pass


def check_agreed(
    before: JobState, event: FieldChangeProposed | FieldChangeApproved | HoldReleasedByRadio | RadioReleaseSigned
) -> None:
    """Words change by agreement of others; a voice that counts is of the right role, and of nobody who worked."""
    due = before.due
    match event:
        case FieldChangeProposed():
            assert before.stage is Stage.OPEN
            assert due is not None
            assert event.step == due.id, "only the step in hand is reworded"
            assert before.changes.waiting_at(event.step) is None, "one change of a step at a time"
        case FieldChangeApproved():
            found = before.changes.numbered(event.number)
            assert found is not None
            assert event.by.role in (Role.LEAD, Role.SAFETY_OFFICER)
            assert event.by.id != found.proposed.by.id, "nobody approves their own change"
            assert event.by.role not in {item.by.role for item in found.approved}, "each role once"
        case HoldReleasedByRadio():
            assert before.stage is Stage.OPEN
            assert due is not None
            assert (event.step, due.kind, due.by_radio) == (due.id, StepKind.HOLD, True)
            assert event.by.role is Role.LEAD
            assert event.sender.role is due.role
            assert event.sender.id not in {event.by.id, *before.performers}
        case RadioReleaseSigned():
            given = next(item for item in before.radio.given if item.seq == event.entry)
            assert event.by.id == given.sender.id, "who spoke signs"
            assert event.entry not in before.radio.signed


def check_crew(before: JobState, event: CrewBriefed | CrewLeft | PauseConfirmed | DeviationAnswered) -> None:
    """Who is briefed is qualified and says so once; who leaves is let go; who speaks at a pause is on the crew."""
    crew = before.crew
    match event:
        case CrewBriefed(part=Part.WORK):
            assert before.opened is not None
            assert before.opened.brief is not None
            held = {item.what: item.until.isoformat() for item in event.qualifications}
            assert all(held[need] >= event.signature.local_time[:10] for need in before.opened.brief.needs)
            assert crew.member(event.by.id) is None, "nobody is briefed twice"
        case CrewBriefed():
            assert event.by.role is not Role.TECHNICIAN, "technicians release nothing"
        case CrewLeft():
            assert event.by.role is Role.LEAD or event.by.id == event.person.id
            assert before.stage is not Stage.ACCEPTED, "an accepted record has no crew to leave"
        case PauseConfirmed():
            assert event.person in before.unspoken(event.step), "each speaks once, and only who is on the crew"
            assert event.transcribed is None or event.hand == event.person, "by paper everybody's own line"
            assert crew.member(event.hand.id) is not None
            assert event.how == "said aloud" or (event.by == event.person and event.signature is not None)
        case DeviationAnswered():
            assert event.entry in {item.seq for item in before.unanswered}


def check_marking_crew(before: JobState, event: StepBegun | StepDone | StepOutside) -> None:
    """Both people of a mark are briefed and qualified; a verification is in the verifier's own name."""
    due = before.due
    assert due is not None
    assert not before.crew.waiting, "nobody begins before everybody named has been briefed"
    marked_by = event.transcribed.hand if event.transcribed else event.by
    for who in (marked_by, *((event.worker,) if event.worker else ())):
        assert before.crew.member(who.id) is not None, "only the briefed crew has marks"
    if due.kind is StepKind.VERIFY:
        assert event.worker is None
    assert not due.says, "a team pause is never ticked off by one person"
    assert before.changes.waiting_at(due.id) is None, "nothing is marked while other words wait"
    approvers = {item.by.id for change in before.changes.in_force_at(due.id) for item in change.approved}
    assert marked_by.id not in approvers, "who approved other words does not carry them out"
    assert event.second is None or event.second.id not in approvers, "nor are they beside it"


def check_joined(before: JobState, event: Event) -> None:
    """Whoever writes about the work, leaves it or comes back to it has had the brief; to be exposed takes all of it."""
    crew, by = before.crew, event.by
    match event:
        case JobSuspended() | ReturnBegun() | NextThingRead() | HandoverBegun() | RecheckAnswered():
            assert crew.member(by.id) or by.id in crew.signers, "late joiners are briefed first"
        case FieldChangeProposed():
            assert crew.member(by.id) or by.id in crew.signers, "late joiners are briefed first"
        case BlankPrinted() | BlankReconciled() | HoldReleasedByRadio():
            assert by.role is not Role.TECHNICIAN or crew.member(by.id), "a technician is briefed first"
        case OwnLockOn() | ReadingRepeated():
            came = event.transcribed  # by a page, whoever was on the crew then, also if they have left since
            there = crew.there(to_minute(came.happened)) if came else crew.present
            assert event.hand.id in {who.id for who in there}, "and for all of the work before they are exposed"
        case _:
            pass


def check_gone(before: JobState, event: Event) -> None:
    """Whoever handed the job over stops it, takes off locks of their own, takes it over; the rest is put aside.

    They are named by nobody else: not as the second person, the one who acted, nor the voice that released.
    """
    named = [getattr(event, part, None) for part in ("second", "worker", "sender")]
    if getattr(event, "transcribed", None) is None:
        assert not {who.id for who in named if who is not None} & before.leaving.gone, "who is gone takes no part"
    if event.by.id not in before.leaving.gone or isinstance(
        event, JobStopped | StopExplained | HandoverBegun | MarkContested | ReadingMissed | OwnLockOff | PointUnlocked
    ):
        return
    if isinstance(event, StepDone) and before.due is not None and before.due.table == "locks_off":
        return  # with the last of the rows, each taken off by the hand that put the lock on
    under_way = before.leaving.handover
    assert under_way is not None, "somebody who handed the job over wrote to it"
    assert under_way.incoming.id == event.by.id


def check_leaving(
    before: JobState,
    event: JobSuspended | ReturnBegun | NextThingRead | HandoverBegun | HandoverSigned | RecheckAnswered,
) -> None:
    """Work is left at rest or by a lead; coming back, the line is read first, then everything is looked at."""
    under_way = before.leaving.handover
    match event:
        case JobSuspended():
            assert before.stage is Stage.OPEN
            assert before.model is not None
            assert rests(before.model) == (event.to_rest is None)
            assert rests(before.model) or event.by.role is Role.LEAD, "only a lead leaves work that does not rest"
            assert event.permit is None or before.permit_until is not None, "what is not on record goes nowhere"
            assert event.permit is None or event.permit.to or event.permit.fate == "in_force", "and it goes to somebody"
        case ReturnBegun() | HandoverBegun():
            assert before.stage is Stage.SUSPENDED
            permit = {look.id for look in event.rechecks} & PERMIT_LOOKS.keys()
            assert permit == (PERMIT_LOOKS.keys() if before.leaving.permit else set()), (
                "a permit that went is read anew"
            )
            assert len(event.rechecks) > len(permit), "there is always something else to look at"
            if isinstance(event, HandoverBegun):
                assert event.outgoing.id != event.by.id
                assert event.outgoing.role is event.by.role
                assert event.outgoing.id not in before.leaving.gone
                assert set(event.documents) == set(DOCUMENTS)
        case HandoverSigned():
            assert under_way is not None
            assert before.stage is Stage.HANDING_OVER, "both sign when everything was looked at"
            assert event.by == (under_way.outgoing if event.part == "outgoing" else under_way.incoming)
            assert (under_way.signed is None) == (event.part == "outgoing"), "the one who leaves signs first"
        case NextThingRead() | RecheckAnswered():
            assert before.stage is Stage.LOOKING
            assert before.leaving.unread == isinstance(event, NextThingRead), "the line is read before the first look"
            assert under_way is None or under_way.incoming.id == event.by.id, "the incoming person walks down"


def check_paper(before: JobState, event: FromHand) -> None:
    """From paper: a photo, a second person, a blank that is out with the step on it, times in their order."""
    came = event.transcribed
    if came is None:
        return
    blank = before.paper.blank(came.serial)
    assert blank is not None
    assert blank.how is None
    if (step := getattr(event, "step", None)) is not None:
        assert before.index[blank.step] <= before.index[step], "the step stands on the blank"
    assert came.photo
    assert came.compared_by.id != event.by.id
    told = [item for item in before.crew.briefed if item.by.id == came.hand.id and item.at[:16] <= came.happened[:16]]
    off = isinstance(event, OwnLockOff | PointUnlocked | HoldReleased)
    assert told or off or not before.crew.enforced, "nobody takes part before their brief"
    if isinstance(event, StepDone) and {effect.act for effect in before.steps[before.place].effects} & BACK:
        for own in (item for item in before.locks.hung if not item.point):
            on, gone = own.since[:16] <= came.happened[:16], own.until and own.until[:16] <= came.happened[:16]
            assert gone or not on, "nothing goes back into service over somebody's own lock, by whatever clock"
    assert blank.at[:16] <= came.happened[:16] <= event.at[:16]
    assert came.hand.id == event.by.id or not isinstance(event, HoldReleased), "a hold comes from its own hand only"


BACK = {"remove_locks", "open_upstream", "open_downstream", "start_fan", "put_in_service"}


def check_mark(before: JobState, event: StepBegun | StepDone | StepOutside | HoldReleased) -> None:
    """Only the due step is marked, while the job runs, by somebody who may."""
    due = before.due
    assert due is not None
    assert event.step == due.id, "only the due step is ever marked"
    assert before.stage is Stage.OPEN, "nothing is marked while stopped or being looked over"
    assert before.leaving.permit is None, "nor while the permit is away"
    assert before.locks.stroke is None, "nothing is marked while a damper is being moved"
    acts_back = {effect.act for effect in due.effects} & {"remove_locks", "start_fan", "put_in_service"}
    assert not (acts_back and before.locks.own), "nothing goes back into service over somebody's own lock"
    if isinstance(event, StepDone) and due.table == "locks_on":
        assert all(before.locks.at(point.id) for point in before.points), "a row for every point"
        named = [point for point in before.locks.further if point.step == due.id]
        assert named or not due.further, "and a further one where one is asked for"
    if isinstance(event, StepDone) and due.table == "locks_off":
        assert not before.locks.points, "and every row's lock off"
    assert isinstance(event, HoldReleased) == (due.kind is StepKind.HOLD), "a hold is released and never ticked"
    if isinstance(event, HoldReleased):
        assert event.by.role is due.role, "a hold is released by its role"
        assert event.by.id not in before.performers, "and never by somebody who worked on the job"
        until = before.permit_until
        assert until is None or until.isoformat() >= event.signature.local_time[:10], "nor under an old permit"
    if isinstance(event, StepDone | StepOutside):
        assert due.marks == 1 or before.mark(due.id).begun is not None, "done follows begun"
        assert event.evidence.within == isinstance(event, StepDone), "what lies outside its limit stays due"
    if not isinstance(event, HoldReleased):
        check_marking_crew(before, event)
    elif event.by.role is not Role.SAFETY_OFFICER:
        assert event.by.id in before.crew.signers or before.crew.member(event.by.id), "a lead releases once briefed"
    if isinstance(event, StepBegun):
        assert due.marks == 2
        assert before.mark(due.id).begun is None
    if not isinstance(event, HoldReleased):
        check_second(before, due, event)
    if due.kind is StepKind.VERIFY:
        acts = [s for s in before.steps[: before.index[due.id]] if s.effects and s.section == due.section]
        by = event.transcribed.hand if event.transcribed else event.by
        assert all((done := before.mark(s.id).done) is None or by.id not in done.doers for s in acts)


def check_second(before: JobState, due: Step, event: StepBegun | StepDone | StepOutside) -> None:
    """Where an act cannot be taken back two people mark it, and what is verified unseen is what was entered."""
    if due.second is Second.CONCURRENT or (due.second is Second.WITNESS and not isinstance(event, StepBegun)):
        assert event.second is not None, "two people mark it"
        first = event.transcribed.hand if event.transcribed else event.by
        assert event.second.id != first.id, "and they are two"
        assert event.second.role is not Role.ADMINISTRATOR
    if isinstance(event, StepDone):
        check_unseen(before, due, event)
    if isinstance(event, StepDone | StepOutside) and before.mark(due.id).differing:
        assert event.reconciled, "nobody goes on before it is said why two entries differed"


def check_unseen(before: JobState, due: Step, event: StepDone) -> None:
    """What is verified unseen is what was entered first, by somebody else."""
    for asked in due.asks:
        if asked.same_as is not None:
            first = before.mark(asked.same_as.step)
            assert first.done is not None
            assert first.done.by.id != event.by.id, "nobody verifies what they entered"
            assert first.evidence.answers[asked.same_as.ask].text == event.evidence.answers[asked.ask.id].text


def finals_stay(before: JobState, after: JobState) -> None:
    """A final step that was done stays done, whatever is taken back; only its own bad evidence re-opens it."""
    for step in before.steps:
        if step.final and before.mark(step.id).stands:
            assert after.mark(step.id).stands or not after.mark(step.id).evidence.within, step.id


class Crew(RuleBasedStateMachine):
    """Eight people and one job, which has a crew of two."""

    members: ClassVar[tuple[Who, ...]] = (HANDS, EYES)
    starts: ClassVar[Sequence[str]] = STARTS
    reached: ClassVar[Counter[str]] = Counter()

    def __init__(self) -> None:
        super().__init__()
        self.bench = Bench()
        self.run_out: frozenset[str] = frozenset()
        self.stages: set[str] = set()

    @initialize(
        tag=st.sampled_from(["EF-03", "EF-07"]),
        steps=st.sampled_from([0, 4, 13, 18, 26, 28, 40, 70, 88, 200]),
        start=st.runner().flatmap(lambda crew: st.sampled_from(crew.starts)),
    )
    def begin(self, tag: str, steps: int, start: str) -> None:
        """Start from some way along a job, perhaps one on which the safety officer and a lead have worked."""
        self.bench = opened(tag, crew=self.members, briefed=False, qualifications=ALL_QUALIFIED)
        self.bench.brief(*(self.members[:1] if start == "not briefed" else self.members))
        match start:
            case "not briefed":
                pass
            case "accounts differ":
                self.bench.run_to("port/P1/out-1/gather")
                due = near(self.bench.state, 0)
                self._do(Finish(due.id, made_up_answers(due)), HANDS)
                self._do(Late(Finish(due.id, made_up_answers(due) | {"length": "222"}), self.bench.state.size), EYES)
                assert self.bench.state.stage is Stage.CONTESTED
            case "other words":
                self.bench.run_to("port/P1/out-1/tape-stub")
                self._do(ProposeChange(near(self.bench.state, 0).id, OTHER_WORDS, "the tape is another one"), HANDS)
                assert self.bench.state.changes.all
            case "by voice":
                self.bench.run_to("close/release")
                self.bench.brief(LEAD)
                self.bench.brief(OTHER_LEAD, part=Part.RELEASE)
                due = near(self.bench.state, 0)
                sender = OFFICER if due.role is Role.SAFETY_OFFICER else OTHER_LEAD
                self._do(ReleaseByRadio(due.id, sender, tag, due.port or "", confirmed=True), LEAD)
                assert self.bench.state.unsigned
            case "at the rows":
                self.bench.run_to("shut/locks")
            case "locks come off":
                self.bench.run_to("unlock/locks")
            case "own lock on":
                self.bench.run_to("unlock/locks")
                self._do(PutOwnLockOn("P-1"), EYES)
            case (
                "went wrong"
                | "leaked by"
                | "isolated further"
                | "step set aside"
                | "owner away"
                | "owner of a row away"
            ):
                self._depart(start)
            case "in review" | "accepted" | "returned":
                self.bench.run_to("port/P1/out-1/draw")
                self._do(StopWork(), HANDS)
                self._carry_on(Stage.ACCEPTED if start == "accepted" else Stage.IN_REVIEW)
                if start == "returned":
                    self._do(ReturnRecord("an instrument number is missing"), OFFICER)
                assert self.bench.state.stage == Stage(start)
            case "a lead's hold":
                self.bench.run_to("close/release")
            case "recorded for":
                self.bench.run_to("out-1/band-ring")
                due = near(self.bench.state, 0)
                self._do(Finish(due.id, made_up_answers(due), "", worker=EYES.id), HANDS)
            case "at the pause":
                self.bench.run_to("/pause")
            case "one has spoken":
                self.bench.run_to("out-1/pause")
                self._do(ConfirmPause(near(self.bench.state, 0).id), EYES)
            case "ran out":
                self.bench.run_to("isolate/shut/fan")
                self.run_out = frozenset({HANDS.id})
                self.bench.qualifications = {**ALL_QUALIFIED, (HANDS.id, NEEDS[1]): date(2026, 3, 1)}
            case "questions open":
                self.bench.run_to("end/service/differences")
                self._do(StopWork(), HANDS)
                self._do(ExplainStop("unexpected", "a sound"), HANDS)
                self._do(Reopen("looked at, safe to go on"), LEAD)
                self.bench.go_on()
                self._do(Finish(near(self.bench.state, 0).id, made_up_answers(near(self.bench.state, 0))), HANDS)
            case "officer works first":
                self.bench.brief(OFFICER, OTHER_LEAD)
                self._work(OFFICER, 1)
                self._work(OTHER_LEAD, 1)
                self.bench.run_to("agree/agreed")
            case "officer works last":
                self.bench.brief(OFFICER)
                self.bench.run_to("end/service/tell")
                self._work(OFFICER, 2)
                self._do(Submit(), LEAD)
            case "test failed":
                self._fail_the_leak_test()
                self.bench.go_on()
            case "entries differ":
                self.bench.run_to("leak/aerosol")
                self.enter_two_numbers_for_one(HANDS, EYES)
                assert near(self.bench.state, 0).id.endswith("leak/aerosol")
                assert self.bench.state.mark(near(self.bench.state, 0).id).differing
            case "to be verified unseen":
                self.bench.run_to("serial-again")
            case "old permit":
                self.bench.run_to("agree/ppe")
                due = near(self.bench.state, 0)
                self._do(Finish(due.id, made_up_answers(due) | {"permit-until": "2026-03-01"}), HANDS)
            case "failed and stopped":
                self._fail_the_leak_test()
            case "tested again":
                self._fail_the_leak_test()
                self.bench.go_on()
                self._do(TakeWayOut("reseat-hepa", "the seal mark is uneven"), OTHER_LEAD)
                self.bench.run_to("leak/aerosol")
            case "suspended" | "handing over" | "handed over" | "suspended and stopped" | "walking down" | "left again":
                self._leave(start)
            case "on paper" | "on paper, void" | "on paper, step taken back" | "on paper, hold":
                self._print_at(start)
            case "on paper to the end":
                self.bench.run_to("end/service/tell")
                self._do(PrintBlank(), HANDS)
                self.bench.run_to()
            case "stopped while looking":
                self.bench.run_to("port/P1/open/door")
                self._do(StopWork(), HANDS)
                self._do(ExplainStop("unexpected", "a sound"), HANDS)
                self._do(Reopen("looked at, safe to go on"), LEAD)
                self._do(StopWork(), HANDS)
            case "not at rest":
                self.bench.run_to("port/P1/out-1/tape-stub")
            case "to be read":
                first = near(self.bench.state, 0)
                self._do(Finish(first.id, wrong_answers(first)), HANDS)
                self.bench.run_to()
                assert self.bench.state.due is None
                self._do(Submit(), LEAD)
            case _:
                self.bench.run_to(steps=steps)

    def _depart(self, start: str) -> None:
        """Leave the main line by one of the ways that `DEPARTED` names."""
        match start:
            case "went wrong":
                self.bench.run_to("port/P1/out-1/gather")
                self._goes_wrong("bag-torn", OTHER_LEAD)
            case "leaked by" | "isolated further":
                self.bench.run_to("port/P1/open/door")
                self._goes_wrong("damper-leaks", OTHER_LEAD)
                if start == "isolated further":
                    self.bench.run_to("stop/more")
                    step = near(self.bench.state, 0)
                    self._do(NamePoint(step.id, "DF-2", "damper", "shut"), HANDS)
                    self._do(LockPoint(step.id, self.bench.state.points[-1].id, "shut", "L-95", "T-95"), HANDS)
            case "step set aside":
                self.bench.run_to("parts/filters")
                self._do(SetAside(near(self.bench.state, 0).id, "no filter is changed for another type"), LEAD)
            case "owner away":
                self.bench.run_to("port/P1/open/door")
                self._do(PutOwnLockOn("P-1"), EYES)
                self._do(removal("P-1"), OTHER_LEAD)
            case _:
                self.bench.run_to("unlock/locks")
                self.bench.brief(LEAD)
                self._do(removal(self.bench.state.locks.points[0].lock), LEAD)
        assert [event for event in self.bench.events if event.type == DEPARTED[start]], start

    def _goes_wrong(self, name: str, lead: Who, place: int = 0) -> None:
        """Stop, say why, and let this lead put in the steps kept ready for what is named, or what stands at a place."""
        self._do(StopWork(), HANDS)
        self._do(ExplainStop("unexpected", "seen at the port"), HANDS)
        can_be = [(kept, spot) for kept, spot in possible(self.bench.state) if name in ("", kept.id)]
        for kept, spot in can_be[place % len(can_be) :][:1] if can_be else ():
            self._do(EnterContingency(kept.id, "seen at the port", spot.port, spot.position), lead)

    def _leave(self, start: str) -> None:
        self.bench.run_to("port/P1/out-1/draw" if start == "suspended" else "port/P1/open/door")
        at_ports = looks_as_recorded(suspend_looks(self.bench.state))
        self._do(Suspend("shift_end", at_ports, "control room, radio", "take the door off"), HANDS)
        match start:
            case "suspended and stopped":
                self._do(StopWork(), HANDS)
            case "suspended":
                pass
            case _:
                self._hand_over(start)

    def _hand_over(self, start: str) -> None:
        self._do(TakeOver(HANDS, tuple(DOCUMENTS)), EYES)
        self._do(ReadNext(), EYES)
        if start == "walking down":
            return
        self._do(AnswerLooks(looks_as_recorded(self.bench.state.rechecks)), EYES)
        if start == "handing over":
            return
        self._do(SignHandover(), HANDS)
        self._do(SignHandover(), EYES)
        if start == "left again":
            at_ports = looks_as_recorded(suspend_looks(self.bench.state))
            self._do(Suspend("break", at_ports, "control room, radio", "take the door off"), EYES)

    def _print_at(self, start: str) -> None:
        self.bench.run_to("port/P1/open/door" if start == "on paper" else "isolate/verify/release")
        self._do(PrintBlank(), HANDS)
        if start == "on paper, void":
            self._do(ReconcileBlank("2026-0001-B1", "voided", reason="rained on"), HANDS)
        if start == "on paper, step taken back":
            self._do(Withdraw(near(self.bench.state, -1).id, "ticked by mistake"), EYES)

    def _from_paper(self, hand: Who, second: Who, by: Who) -> None:
        state = self.bench.state
        if state.paper.blanks and state.opened is not None:
            self._do(from_paper(state, near(state, 0), state.paper.blanks[-1], hand, second), by)

    @rule(by=people, at_rest=st.booleans(), permit=st.sampled_from(["", "lost", *PermitFate]))
    def leave(self, by: Who, at_rest: bool, permit: str) -> None:
        """Somebody suspends the work, perhaps seeing the ports otherwise than recorded; the permit may go, too."""
        looks = suspend_looks(self.bench.state)
        seen = looks_as_recorded(looks)
        if looks and not at_rest:
            seen |= {looks[0].id: otherwise(looks[0])}
        to = "R. Osei" if permit else ""
        self._do(Suspend("part", seen, "control room, radio", "go on at the port", permit, to), by)

    @rule(by=people, outgoing=people)
    def come_back(self, by: Who, outgoing: Who) -> None:
        """Somebody returns, or takes over from somebody, and perhaps both sign."""
        self._do(ReturnToWork() if by == outgoing else TakeOver(outgoing, tuple(DOCUMENTS)), by)
        self._do(SignHandover(), outgoing)
        self._do(SignHandover(), by)

    @rule(by=people, hand=people, second=people)
    def use_paper(self, by: Who, hand: Who, second: Who) -> None:
        """Somebody prints a blank once, and enters the due step from it."""
        if not self.bench.state.paper.out:
            self._do(PrintBlank(), by)
        self._from_paper(hand, second, by)

    def _fail_the_leak_test(self) -> None:
        self.bench.run_to("leak/aerosol")
        due = near(self.bench.state, 0)
        self._do(Finish(due.id, wrong_answers(due), second=EYES), HANDS)
        assert self.bench.state.stage is Stage.STOPPED

    def _work(self, by: Who, count: int) -> None:
        for _ in range(count):
            for command, _hands in self.bench.due_commands():
                self._do(command, by)

    def _do(self, command: Command, by: Who) -> None:
        before = self.bench.state
        try:
            fresh = self.bench.do(command, by)
        except ChangeoutError as no:
            assert len(str(no)) > 15, "a refusal is a sentence"
            return
        for event in fresh[:1]:
            check(before, event)
        self._nothing_is_left(self.bench.events, self.bench.state)
        self.stages.add(self.bench.state.stage)
        if isinstance(fresh[0] if fresh else None, StepOutside):
            assert self.bench.state.stage is Stage.STOPPED, "what lies outside its limit stops the job"

    def _nothing_is_left(self, events: Sequence[Event], state: JobState) -> None:
        """Whoever accepts a record accepts no open hold, no missing verification, no lock, no bare stop."""
        if events and isinstance(events[-1], RecordAccepted):
            assert left_behind(events, state.steps) == []

    def _carry_on(self, to: Stage = Stage.ACCEPTED) -> None:
        """Let the right people bring the job to review or acceptance, if anybody is left who can."""
        size = -1
        while self.bench.state.stage is not to and self.bench.state.size != size:
            size = self.bench.state.size
            for cast in self._casts():
                for command, by in self._next(cast):
                    self._do(command, by)
                if self.bench.state.size != size:
                    break

    def _casts(self) -> Iterator[Cast]:
        """Yield who could work on: everybody qualified who has not handed the job over."""
        away = {*self.bench.state.leaving.gone, *self.run_out}
        able = [who for who in (*self.members, LEAD) if who.id not in away]
        for lead in (OTHER_LEAD, LEAD):
            yield from (Cast(hands, eyes, OFFICER, lead) for hands, eyes in permutations(able, 2))

    def _next(self, cast: Cast) -> Iterator[tuple[Command, Who]]:
        state = self.bench.state
        match state.stage:
            case Stage.CONTESTED:
                yield DecideContest(tuple(item.seq for item in state.contests), True, "looked at both"), cast.lead
            case Stage.WORK_DONE | Stage.RETURNED if not (state.unanswered or state.unsigned or state.paper.out):
                yield Submit(), cast.lead
            case Stage.IN_REVIEW:
                yield from ((AnswerDeviation(item.seq, "late", "the lorry", "no"), LEAD) for item in state.unanswered)
                yield from ((OpenException(item.seq), cast.officer) for item in state.unread)
                yield Accept(), cast.officer
            case _:
                if state.due is not None and state.due.table == "locks_off":
                    left = [item for item in state.locks.points if item.by.id in state.leaving.gone]
                    yield from ((removal(item.lock), cast.lead) for item in left)
                yield from commands_for(state, cast)

    @rule(by=people, second=people, shift=shifts, wrong=st.booleans(), why=st.booleans())
    def press_finish(self, by: Who, second: Who, shift: int, wrong: bool, why: bool) -> None:
        """Somebody finishes a step, a second person beside them."""
        step = near(self.bench.state, shift)
        answers = wrong_answers(step) if wrong else answers_at(self.bench.state, step)
        self._do(Finish(step.id, answers, second=second, reconciled="misread" if why else None), by)

    @rule(by=people, second=people)
    def enter_two_numbers_for_one(self, by: Who, second: Who) -> None:
        """Somebody enters a number twice, and not alike."""
        step = near(self.bench.state, 0)
        twice = [item.ask.id for item in step.asks if item.ask.twice and item.ask.required]
        answers = answers_at(self.bench.state, step) | {f"{name}{AGAIN}": "77" for name in twice}
        self._do(Finish(step.id, answers, second=second), by)

    @rule()
    def go_on(self) -> None:
        """The right people do the due step, so that the machine gets somewhere."""
        for command, by in self.bench.due_commands():
            self._do(command, by)

    @rule()
    def begin_only(self) -> None:
        """The right people begin the due step and leave it."""
        for command, by in self.bench.due_commands()[:1]:
            self._do(command, by)

    @rule(by=people, reason=st.sampled_from(["unexpected", "would_harm", "no such reason"]))
    def press_stop(self, by: Who, reason: str) -> None:
        """Somebody stops the job and says why."""
        self._do(StopWork(), by)
        self._do(ExplainStop(reason, "seen at the port"), by)

    @rule(by=people, shift=st.sampled_from([None, -1, -2, -5]))
    def press_reopen(self, by: Who, shift: int | None) -> None:
        """Somebody re-opens the job, perhaps with a step to be done again."""
        again = () if shift is None else (near(self.bench.state, shift).id,)
        self._do(Reopen("looked at, safe to go on", again), by)

    @rule(by=people, seen=st.booleans(), count=st.sampled_from([1, 1, 9]))
    def look(self, by: Who, seen: bool, count: int) -> None:
        """Somebody looks at one thing or at all of them."""
        self._do(ReadNext(), by)
        for item in self.bench.state.rechecks[:count]:
            self._do(AnswerLooks(looks_as_recorded([item]) if seen else {item.id: otherwise(item)}), by)

    @rule(by=people, shift=shifts)
    def take_back(self, by: Who, shift: int) -> None:
        """Somebody takes a mark back."""
        before = self.bench.state
        self._do(Withdraw(near(before, shift).id, "ticked by mistake"), by)
        finals_stay(before, self.bench.state)

    @rule(by=people, shift=shifts, now=st.sampled_from(["7", "999", "another"]))
    def put_right(self, by: Who, shift: int, now: str) -> None:
        """Somebody corrects an answer."""
        before, step = self.bench.state, near(self.bench.state, shift).id
        self._do(
            Correct(step, next(iter(before.mark(step).evidence.answers), "none"), now, "misread the dial", now, EYES),
            by,
        )
        finals_stay(before, self.bench.state)

    @rule(by=people)
    def put_steps_in(self, by: Who) -> None:
        """Somebody puts in the steps kept ready for a failed test."""
        opened_with = self.bench.state.opened
        for way in (opened_with and opened_with.ways_out) or ():
            self._do(TakeWayOut(way.id, "the bank failed its test"), by)

    @rule(by=people, on=st.booleans())
    def own_lock(self, by: Who, on: bool) -> None:
        """Somebody puts their own lock on or takes one off."""
        own = self.bench.state.locks.own
        number = f"P-{len(self.bench.state.locks.hung)}"
        self._do(PutOwnLockOn(number) if on or not own else TakeOwnLockOff(own[-1].lock), by)

    @rule(by=st.sampled_from((LEAD, OTHER_LEAD, OTHER_LEAD, OFFICER, HANDS)), place=st.integers(0, 9))
    def something_goes_wrong(self, by: Who, place: int) -> None:
        """Somebody stops and says why; somebody puts in the steps kept ready for what can have happened here."""
        self._goes_wrong("", by, place)

    @rule(by=st.sampled_from((LEAD, OTHER_LEAD, OTHER_LEAD, OFFICER, HANDS)))
    def set_a_step_aside(self, by: Who) -> None:
        """Somebody says that the step in hand does not apply."""
        self._do(SetAside(near(self.bench.state, 0).id, "not needed here"), by)

    @rule(by=people, own=st.booleans())
    def take_off_the_lock_of_somebody_away(self, by: Who, own: bool) -> None:
        """Somebody removes, with the safety officer, a lock whose owner is not there."""
        locks = self.bench.state.locks
        for item in (locks.own if own else locks.points)[-1:]:
            self._do(removal(item.lock), by)

    @rule(by=people, part=st.sampled_from(StrokePart))
    def move_a_damper(self, by: Who, part: StrokePart) -> None:
        """Somebody does a part of a trial."""
        number = f"S-{len(self.bench.state.locks.hung)}"
        self._do(StrokeDamper("downstream", part, "shut", number, number), by)

    @rule(by=people, minutes=st.sampled_from([1, 25, 70]), text=st.sampled_from(["-20", "40"]))
    def time_goes_by(self, by: Who, minutes: int, text: str) -> None:
        """Time goes by, somebody looks, somebody reads."""
        self.bench.now += timedelta(minutes=minutes)
        self._do(NoticeMissed(), by)
        self._do(TakeReading(text), by)

    @rule(by=people, shift=shifts, old=st.booleans(), wrong=st.booleans())
    def arrive_late(self, by: Who, shift: int, old: bool, wrong: bool) -> None:
        """A mark arrives that a tablet kept, perhaps from before something that changed the job."""
        state, step = self.bench.state, near(self.bench.state, shift)
        answers = wrong_answers(step) if wrong else answers_at(state, step)
        self._do(Late(Finish(step.id, answers), 0 if old else state.size), by)

    @rule(by=people, holds=st.booleans())
    def settle(self, by: Who, holds: bool) -> None:
        """Somebody settles every account that is in dispute."""
        self._do(DecideContest(tuple(item.seq for item in self.bench.state.contests), holds, "looked at both"), by)

    @rule(by=people, other=people, declines=st.booleans())
    def change_words(self, by: Who, other: Who, declines: bool) -> None:
        """Somebody proposes other words for the step in hand, others approve or decline."""
        self._do(ProposeChange(near(self.bench.state, 0).id, OTHER_WORDS, "the tape is another one"), by)
        for change in self.bench.state.changes.all[-1:]:
            number = change.proposed.number
            for who in (other, OFFICER):
                self._do(DeclineChange(number, "not needed") if declines else ApproveChange(number), who)

    @rule(by=people, sender=people)
    def release_by_voice(self, by: Who, sender: Who) -> None:
        """Somebody takes a release by voice, and the sender perhaps signs what is unsigned."""
        opened_with, step = self.bench.state.opened, near(self.bench.state, 0)
        if opened_with is not None:
            self._do(ReleaseByRadio(step.id, sender, opened_with.housing.tag, step.port or "", confirmed=True), by)
        for item in self.bench.state.unsigned[:1]:
            self._do(SignRadioRelease(item.seq), sender)

    @rule(by=people)
    def finish_job(self, by: Who) -> None:
        """Somebody hands the job to review, writes a note, or returns it."""
        self._do(Submit(), by)
        self._do(WriteNote("lamp flickers"), by)

    @rule(by=people, part=st.sampled_from(list(Part)), gone=people)
    def come_and_go(self, by: Who, part: Part, gone: Who) -> None:
        """Somebody acknowledges the brief; somebody is taken off the crew."""
        self._do(Acknowledge(part, "I call the stop and watch the ring."), by)
        self._do(LeaveCrew(gone.id, "called away"), by)

    @rule(by=people, aloud=st.lists(people, max_size=3))
    def speak(self, by: Who, aloud: list[Who]) -> None:
        """Somebody confirms a pause, for themselves or for those who said it aloud."""
        self._do(ConfirmPause(near(self.bench.state, 0).id, tuple(who.id for who in aloud)), by)

    @rule(by=people)
    def answer(self, by: Who) -> None:
        """Somebody answers about every deviation."""
        for item in self.bench.state.unanswered:
            self._do(AnswerDeviation(item.seq, "a late filter", "the lorry", "nothing"), by)

    @rule(by=people)
    def review(self, by: Who) -> None:
        """Somebody reads the exceptions and accepts."""
        for item in self.bench.state.unread:
            self._do(OpenException(item.seq), by)
        self._do(Accept(), by)

    @rule(by=people)
    def send_back(self, by: Who) -> None:
        """Somebody returns the record."""
        self._do(ReturnRecord("the second reading is missing its instrument"), by)

    @invariant()
    def nobody_can_do_what_the_rules_forbid(self) -> None:
        """Whatever anybody presses here, only lawful events follow, nobody unqualified has a mark, finals stay done."""
        before = self.bench.state
        if before.opened is None:
            return
        self.stages.add(before.stage)
        next_minute = replace(self.bench, now=self.bench.now + timedelta(minutes=1))
        moments = [next_minute.moment(by) for by in EVERYBODY]
        for command in everything(before):
            for moment in moments:
                try:
                    fresh = decide(before, command, moment)
                except ChangeoutError:
                    continue
                after = fold(fresh, start=before)
                if isinstance(command, Accept):
                    self._nothing_is_left([*self.bench.events, *fresh], after)
                for event in fresh[:1]:
                    check(before, event)
                    if isinstance(event, StepBegun | StepDone | StepOutside):
                        assert not self.run_out & ({event.by.id} | ({event.worker.id} if event.worker else set()))
                if isinstance(command, Withdraw | Correct | Reopen):
                    finals_stay(before, after)

    def teardown(self) -> None:
        """The history is one that an outsider finds lawful, and carried on it ends in a record with nothing left.

        It folds in pieces, and survives JSON and back.
        """
        if self.bench.state.opened is None:
            return
        self._carry_on()
        events = self.bench.events
        assert unlawful(events) == ()
        half = len(events) // 2
        whole = fold(events)
        assert fold(events[half:], start=fold(events[:half])) == whole == self.bench.state
        assert [event_from_bytes(canonical(payload_of(event))) for event in events] == events
        assert [event.seq for event in events] == list(range(len(events)))
        self.reached.update({*self.stages, f"ends {self.bench.state.stage}"})
        if self.bench.state.stage is Stage.ACCEPTED:
            self.reached.update({f"accepted, {event.type}" for event in events if event.type in DEPARTURES})


@seed(3)
class CrewOfThree(Crew):
    """The same with a crew of three."""

    members = (HANDS, EYES, THIRD)
    reached: ClassVar[Counter[str]] = Counter()


@seed(4)
class CrewOfFour(Crew):
    """The same with a crew of four."""

    members = (HANDS, EYES, THIRD, FOURTH)
    reached: ClassVar[Counter[str]] = Counter()


CREWS: dict[int, type[Crew]] = {2: Crew, 3: CrewOfThree, 4: CrewOfFour}


@pytest.mark.parametrize("tag", ["EF-03", "EF-07"])
def test_taking_any_mark_back_leaves_every_final_step_done(tag: str) -> None:
    """Whichever mark of a finished job is taken back or corrected, no cut, tape or opening returns to not done."""
    bench = opened(tag)
    bench.run_to()
    assert any(step.final for step in bench.state.steps)

    for step in bench.state.steps:
        answers = bench.state.mark(step.id).evidence.answers
        for command in (
            Withdraw(step.id, "wrong step"),
            Correct(step.id, next(iter(answers), "none"), "7", "misread", "7", EYES),
        ):
            trial = Bench(bench.state, [], bench.now, bench.ledger)
            try:
                trial.do(command, LEAD)
            except ChangeoutError:
                continue
            finals_stay(bench.state, trial.state)
            assert trial.state.mark(step.id).stands or not step.final or not trial.state.mark(step.id).evidence.within


@pytest.mark.parametrize("tag", ["EF-03", "EF-07"])
@pytest.mark.parametrize("start", sorted(set(STARTS)))
def test_from_every_start_nobody_can_do_what_the_rules_forbid(start: str, tag: str) -> None:
    """Every start of the machine is tried, and not only those that chance draws."""
    crew = CREWS[2 + len(start) % 3]()
    crew.begin(tag=tag, steps=26, start=start)

    crew.nobody_can_do_what_the_rules_forbid()

    crew.teardown()


@pytest.mark.parametrize("tag", ["EF-03", "EF-07"])
@pytest.mark.parametrize("size", sorted(CREWS))
@pytest.mark.parametrize("start", sorted(DEPARTED))
def test_a_job_that_left_the_main_line_is_carried_on_to_an_accepted_record(start: str, size: int, tag: str) -> None:
    """Whatever its crew: with a contingency, a step set aside, or a lock removed whose owner was away."""
    machine = CREWS[size]
    machine.reached.clear()
    crew = machine()
    crew.begin(tag=tag, steps=26, start=start)

    crew.teardown()

    assert machine.reached["ends accepted"] == 1
    assert machine.reached[f"accepted, {DEPARTED[start]}"] == 1


def test_every_command_and_every_stage_is_tried_from_some_start() -> None:
    """The machine leaves out no command of the program, but the one that opens a job, and no stage of a job."""
    tried: set[type[object]] = set()
    stages: set[Stage] = set()
    for start in sorted({*STARTS, *DEPARTED}):
        crew = Crew()
        crew.begin(tag="EF-03", steps=26, start=start)
        tried |= {type(command) for command in everything(crew.bench.state)}
        stages.add(crew.bench.state.stage)

    assert set(get_args(Command)) - tried == {Open}
    assert stages == set(Stage)


@pytest.mark.parametrize("size", sorted(CREWS))
def test_whatever_a_crew_presses_no_accepted_record_leaves_anything_behind(
    size: int, capsys: pytest.CaptureFixture[str]
) -> None:
    """The machine's walk for each size of crew; printed is in how many histories each stage was reached."""
    machine = CREWS[size]
    machine.reached.clear()

    run_state_machine_as_test(
        machine, settings=settings(machine.TestCase.settings, max_examples=EXAMPLES, stateful_step_count=18)
    )

    with capsys.disabled():
        print(f"\nA crew of {size}: " + ", ".join(f"{name} {count}" for name, count in machine.reached.most_common()))
    assert {Stage.OPEN, Stage.STOPPED, Stage.LOOKING, Stage.CONTESTED, Stage.WORK_DONE, Stage.IN_REVIEW} <= set(
        machine.reached
    )
    assert machine.reached["ends accepted"] > EXAMPLES // 2, "most histories end in a record"


@pytest.mark.parametrize("way", DEPARTURES)
@pytest.mark.parametrize("size", sorted(CREWS))
def test_whatever_a_crew_presses_off_the_main_line_no_accepted_record_leaves_anything_behind(
    size: int, way: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same walk from each way off the main line; most of these records are accepted, with that entry in them."""
    machine = CREWS[size]
    machine.reached.clear()
    monkeypatch.setattr(machine, "starts", sorted(start for start, entry in DEPARTED.items() if entry == way))

    run_state_machine_as_test(
        machine, settings=settings(machine.TestCase.settings, max_examples=DEPARTING, stateful_step_count=18)
    )

    accepted = {name: machine.reached[f"accepted, {name}"] for name in DEPARTURES}
    with capsys.disabled():
        print(f"\nA crew of {size}, {way} in {DEPARTING} histories; accepted with: {accepted}")
    assert accepted[way] > DEPARTING // 2
