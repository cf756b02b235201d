"""Who may ask what of a job whose crew is briefed: one table over every command, and the refusal that follows from it.

Late joiners are briefed before they write to the work.  What is asked at a step itself (marks, rows, holds) asks there,
in `crew.may_mark` and `crew.may_release`, once the step is known to be due.
"""

from collections.abc import Mapping
from enum import StrEnum
from types import MappingProxyType

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
from app.domain.field_change import ApproveChange, DeclineChange, ProposeChange
from app.domain.job import JobState, Stage
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


class Standing(StrEnum):
    """How somebody has to stand to a job.

    anybody: known to the site; the command's own rules say who.  leading: the brief of either part, or a lead or safety
    officer, who answer for the work from outside.  briefed: the brief of either part.  crew: briefed to take part.
    step: as the step that is due asks.
    """

    ANYBODY = "anybody"
    LEADING = "leading"
    BRIEFED = "briefed"
    CREW = "crew"
    STEP = "step"


STANDING: Mapping[type[Command], Standing] = MappingProxyType({
    # stopping is never held up, a lock comes off by its owner's hand, and a kept mark is never dropped
    StopWork: Standing.ANYBODY, ExplainStop: Standing.ANYBODY, TakeOwnLockOff: Standing.ANYBODY,
    Late: Standing.ANYBODY, NoticeMissed: Standing.ANYBODY, WriteNote: Standing.ANYBODY,
    # the way in, the way out, and signatures of people whom an earlier entry names
    Open: Standing.ANYBODY, Acknowledge: Standing.ANYBODY, LeaveCrew: Standing.ANYBODY,
    SignHandover: Standing.ANYBODY, SignRadioRelease: Standing.ANYBODY,
    # after the work
    Submit: Standing.ANYBODY, OpenException: Standing.ANYBODY, Accept: Standing.ANYBODY,
    ReturnRecord: Standing.ANYBODY, AnswerDeviation: Standing.LEADING,
    # leading and putting right
    Reopen: Standing.LEADING, DecideContest: Standing.LEADING, EnterContingency: Standing.LEADING,
    TakeWayOut: Standing.LEADING, SetAside: Standing.LEADING, ApproveChange: Standing.LEADING,
    DeclineChange: Standing.LEADING, Correct: Standing.LEADING, Withdraw: Standing.LEADING,
    RemoveOthersLock: Standing.LEADING, StrokeDamper: Standing.LEADING, ReleaseByRadio: Standing.LEADING,
    Transcribe: Standing.LEADING, TranscribeBeside: Standing.LEADING, ReconcileBlank: Standing.LEADING,
    PrintBlank: Standing.LEADING,
    # writing about the work, leaving it, coming back to it
    Suspend: Standing.BRIEFED, ReturnToWork: Standing.BRIEFED, ProposeChange: Standing.BRIEFED,
    ReadNext: Standing.BRIEFED, AnswerLooks: Standing.BRIEFED, TakeOver: Standing.BRIEFED,
    # being exposed
    TakeReading: Standing.CREW, PutOwnLockOn: Standing.CREW,
    # the step that is due
    Begin: Standing.STEP, Finish: Standing.STEP, Release: Standing.STEP, ConfirmPause: Standing.STEP,
    NamePoint: Standing.STEP, StrikePoint: Standing.STEP, LockPoint: Standing.STEP, UnlockPoint: Standing.STEP,
})  # fmt: skip
"""Every command there is, with how whoever gives it has to stand to the job."""


def complain_of_standing(state: JobState, command: Command, moment: Moment) -> None:
    """Refuse whoever has not had the brief that their command asks for; nothing where the job has no brief.

    Whoever handed the job over is let write nothing, the brief included, before they take it over again.
    """
    needed, by, crew = STANDING[type(command)], moment.by, state.crew
    if not crew.enforced or state.stage is Stage.ACCEPTED or needed in (Standing.ANYBODY, Standing.STEP):
        return
    if isinstance(command, TakeOver) and by.id in state.leaving.gone:
        return
    takes_part = crew.member(by.id) is not None
    if takes_part or (needed is not Standing.CREW and by.id in crew.signers):
        return
    if needed is Standing.LEADING and by.role in (Role.LEAD, Role.SAFETY_OFFICER):
        return
    to_do = " to take part in this work" if needed is Standing.CREW else " for this job"
    raise Refused(
        "not_briefed",
        f"{by.name} has not been briefed{to_do} and writes nothing to it. Read the brief and acknowledge it first; "
        "STOP works without it.",
        logged=True,
    )
