"""The only place that says no.

Order: only the due step is ever marked; done follows begun where two marks are asked; a hold is released
only by its role, never by somebody who worked on the job; whoever stopped a job cannot re-open it; nothing
is marked while the job is stopped, suspended, looked over or handed over; a record is accepted only when every
exception in it has been opened.  Each refusal says what was asked, what is due and what to do next.
"""

from typing import assert_never

from app.domain.applicability import SetAside
from app.domain.commands import (
    Accept,
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
from app.domain.contingency import EnterContingency
from app.domain.crew import Acknowledge, ConfirmPause, LeaveCrew
from app.domain.deciding.applicability import set_aside
from app.domain.deciding.contingency import enter
from app.domain.deciding.correcting import correct, withdraw
from app.domain.deciding.crew import acknowledge, complain_of_crew
from app.domain.deciding.crew import leave as leave_crew
from app.domain.deciding.field_change import field_change
from app.domain.deciding.late import decide_contest, late
from app.domain.deciding.leaving import leave, refuse_whoever_handed_over
from app.domain.deciding.lessons import answer_deviation
from app.domain.deciding.locks import decide_locks
from app.domain.deciding.noting import note
from app.domain.deciding.paper import on_paper
from app.domain.deciding.paper_beside import beside_the_marks
from app.domain.deciding.radio import radio
from app.domain.deciding.reviewing import accept, give_back, open_exception, submit
from app.domain.deciding.standing import complain_of_standing
from app.domain.deciding.stopping import explain, reopen, stop
from app.domain.deciding.watching import decide_watch
from app.domain.deciding.work import begin, confirm_pause, finish, release, take_way_out
from app.domain.events import Event
from app.domain.examine import breaches_anywhere
from app.domain.field_change import ApproveChange, DeclineChange, ProposeChange
from app.domain.job import JobState, start_of
from app.domain.leaving import AnswerLooks, ReadNext, ReturnToWork, SignHandover, Suspend, TakeOver
from app.domain.lessons import AnswerDeviation
from app.domain.locks import (
    LockPoint,
    NamePoint,
    PutOwnLockOn,
    RemoveOthersLock,
    StrikePoint,
    StrokeDamper,
    TakeOwnLockOff,
    UnlockPoint,
)
from app.domain.paper import PrintBlank, ReconcileBlank, Transcribe, TranscribeBeside
from app.domain.procedure import Role
from app.domain.radio import ReleaseByRadio, SignRadioRelease
from app.domain.refused import Refused
from app.domain.watching import NoticeMissed, TakeReading

WORKERS = (Role.TECHNICIAN, Role.LEAD, Role.SAFETY_OFFICER)
ANYBODYS = (StopWork, ExplainStop)
"""What anybody may do who is known to the site, whatever their role: stop the work, and say why."""


def decide(state: JobState, command: Command, moment: Moment) -> tuple[Event, ...]:
    """Return the events that follow from a command, or raise Refused (rules) or Invalid (text)."""
    if isinstance(command, Open):
        return _open(state, command, moment)
    if state.opened is None:
        raise Refused("no_job", "There is no such job. Go back to the list of housings and choose one.")
    if moment.by.role not in WORKERS and not isinstance(command, ANYBODYS):
        raise Refused("role", f"An {moment.by.role.words} may stop a job and says why, but does not work on it.")
    refuse_whoever_handed_over(state, command, moment)
    complain_of_standing(state, command, moment)
    match command:
        case Begin():
            return begin(state, command, moment)
        case Finish():
            return finish(state, command, moment)
        case Release():
            return release(state, command, moment)
        case Late():
            return late(state, command, moment)
        case DecideContest():
            return decide_contest(state, command, moment)
        case TakeWayOut():
            return take_way_out(state, command, moment)
        case WriteNote():
            return note(state, command, moment)
        case Correct():
            return correct(state, command, moment)
        case Withdraw():
            return withdraw(state, command, moment)
        case StopWork():
            return stop(state, command, moment)
        case ExplainStop():
            return explain(state, command, moment)
        case Reopen():
            return reopen(state, command, moment)
        case Submit():
            return submit(state, command, moment)
        case OpenException():
            return open_exception(state, command, moment)
        case Accept():
            return accept(state, moment)
        case ReturnRecord():
            return give_back(state, command, moment)
        case Acknowledge():
            return acknowledge(state, command, moment)
        case LeaveCrew():
            return leave_crew(state, command, moment)
        case ConfirmPause():
            return confirm_pause(state, command, moment)
        case AnswerDeviation():
            return answer_deviation(state, command, moment)
        case EnterContingency():
            return enter(state, command, moment)
        case ProposeChange() | ApproveChange() | DeclineChange():
            return field_change(state, command, moment)
        case SetAside():
            return set_aside(state, command, moment)
        case ReleaseByRadio() | SignRadioRelease():
            return radio(state, command, moment)
        case Suspend() | ReturnToWork() | ReadNext() | AnswerLooks() | TakeOver() | SignHandover():
            return leave(state, command, moment)
        case PrintBlank() | Transcribe() | ReconcileBlank():
            return on_paper(state, command, moment)
        case TranscribeBeside():
            return beside_the_marks(state, command, moment)
        case NamePoint() | StrikePoint() | LockPoint() | UnlockPoint() | PutOwnLockOn() | TakeOwnLockOff():
            return decide_locks(state, command, moment)
        case RemoveOthersLock() | StrokeDamper():
            return decide_locks(state, command, moment)
        case TakeReading() | NoticeMissed():
            return decide_watch(state, command, moment)
        case _:
            assert_never(command)


def _open(state: JobState, command: Open, moment: Moment) -> tuple[Event, ...]:
    draft = command.draft
    if state.opened is not None:
        raise Refused("already_open", f"Job {state.opened.number} is open already. Go to it instead.")
    if moment.by.role is not Role.LEAD:
        raise Refused("role", f"A {moment.by.role.words} cannot open a job. Ask a lead to open it.")
    complain_of_crew(draft, moment)
    if found := breaches_anywhere(draft.steps, draft.ways_out or (), draft.contingencies or (), start_of(draft)):
        first = found[0]
        raise Refused(
            "breach",
            f"The procedure breaks rule {first.rule} at {first.step}: {first.sentence}"
            f" ({len(found)} in all). Correct the procedure; the job cannot be opened with it.",
        )
    return (draft,)
