"""What has happened in a job: the events of its ledger, frozen, each complete in itself.

Every event says who (name and role as they were then), when by the server's clock (UTC), on which tablet
and what that tablet's clock said.  Events are past participles and never refused once they have happened.
"""

from typing import Annotated, Literal

from pydantic import Field, TypeAdapter

from app.domain.applicability import BranchLeft, StepNotApplicable
from app.domain.contingency import ContingencyEntered, LaidContingency
from app.domain.crew import Briefing, CrewEvent
from app.domain.event_base import Evidence, FromHand, JobEvent, Signature, Who
from app.domain.field_change import FieldChangeApproved, FieldChangeDeclined, FieldChangeProposed
from app.domain.housing import Housing
from app.domain.leaving import LeavingEvent, Recheck
from app.domain.lessons import LessonEvent
from app.domain.locks import LocksEvent
from app.domain.made import LeftOnRing
from app.domain.paper import PaperEvent
from app.domain.radio import HoldReleasedByRadio, RadioReleaseSigned
from app.domain.readiness import Prepared
from app.domain.steps import LaidWayOut, Repeated, Step
from app.domain.text import Kept
from app.domain.watching import WatchEvent

STOPPED_TOO = "STOP was pressed here, too, while the server was out of reach."
"""What the note says that a kept STOP leaves on a job that was stopped already."""
STOP_REASONS = {
    "cannot_as_written": "the step cannot be done as written",
    "would_harm": "going on would harm people or damage equipment",
    "wrong_state": "the result would be a wrong or unsafe state",
    "text_wrong": "the text is technically wrong",
    "unexpected": "something unexpected was seen or read",
    "conflict": "the step conflicts with another instruction",
    "interrupted": "the work was interrupted (shift end, alarm, missing part)",
}


class JobOpened(JobEvent):
    """The job began: the housing, the procedure's digest and every step, so that the record explains itself.

    prepared: the planned work that it was opened from, and whether that was ready.
    rings: what earlier jobs are known to have left in the bags on the rings.  A job that has it, even empty, keeps an
    account of its packages and is not closed before each has an owner; a rehearsal, or a job opened before, has none.
    """

    type: Literal["job_opened"] = "job_opened"
    format: Literal["changeout-job/1"] = "changeout-job/1"
    number: str
    site: str
    zone: str
    housing: Housing
    procedure: str
    revision: int
    procedure_title: str
    procedure_sha256: str
    kind: Literal["change_out", "first_fit_out"]
    prepared: Prepared | None = None
    signal_words: str
    steps: tuple[Step, ...]
    ways_out: tuple[LaidWayOut, ...] | None = None
    contingencies: tuple[LaidContingency, ...] | None = None
    ties_each_side: int
    bands_each_side: int
    crew: tuple[Who, ...] = ()
    rehearsal: bool = False
    repeated: Repeated | None = None
    marks_apart_s: int | None = None
    verify_after_min: int | None = None
    brief: Briefing | None = None
    rings: tuple[LeftOnRing, ...] | None = None


class StepBegun(FromHand):
    """The first of two marks: somebody is about to act.

    second: who is there with them, proven by their own secret.  worker: who acts, where somebody else records it.
    labels: what was read on the component, by question.  hazards: `Step.hazards_sha256` of those on the
    page that the mark came from.
    """

    type: Literal["step_begun"] = "step_begun"
    step: str
    second: Who | None = None
    worker: Who | None = None
    labels: dict[str, str] | None = None
    hazards: str | None = None


class StepDone(FromHand):
    """A step is finished, with its evidence.

    second, hazards: as in StepBegun.  worker: who did it, where somebody else read it out and recorded it.
    reconciled: why two entries of a number had differed before.
    """

    type: Literal["step_done"] = "step_done"
    step: str
    evidence: Evidence = Evidence()
    in_hand_since: str
    second: Who | None = None
    reconciled: str | None = None
    worker: Who | None = None
    hazards: str | None = None


class StepOutside(FromHand):
    """Evidence outside its limit was entered: kept as an attempt, the step stays due."""

    type: Literal["step_outside"] = "step_outside"
    step: str
    evidence: Evidence
    second: Who | None = None
    reconciled: str | None = None
    worker: Who | None = None
    hazards: str | None = None


class EntriesDiffered(JobEvent):
    """A number that decides was entered twice, and not alike: both are kept, and the step asks why."""

    type: Literal["entries_differed"] = "entries_differed"
    step: str
    ask: str
    first: str
    again: str
    second: Who | None = None


class HoldReleased(FromHand):
    """The named role released a hold point with its own secret."""

    type: Literal["hold_released"] = "hold_released"
    step: str
    signature: Signature


class AttemptRefused(JobEvent):
    """Somebody tried what the rules refuse, and the refusal is worth remembering."""

    type: Literal["attempt_refused"] = "attempt_refused"
    step: str | None = None
    code: str
    sentence: str


class NoteWritten(JobEvent):
    """A free remark, placed in sequence.  follows: the entry of the note that it goes on from."""

    type: Literal["note_written"] = "note_written"
    step: str | None = None
    text: str
    follows: int | None = None


class AnswerCorrected(JobEvent):
    """An answer was corrected; the first one stays in the record.  second: who read it too, of their own secret."""

    type: Literal["answer_corrected"] = "answer_corrected"
    step: str
    ask: str
    was: str
    now: str
    reason: str
    evidence: Evidence
    due_again: tuple[str, ...] = ()
    flagged: tuple[str, ...] = ()
    second: Who | None = None


class StepWithdrawn(JobEvent):
    """A mark was taken back; what relied on it is due again, what is final is flagged."""

    type: Literal["step_withdrawn"] = "step_withdrawn"
    step: str
    reason: str
    due_again: tuple[str, ...] = ()
    flagged: tuple[str, ...] = ()


class WayOutTaken(JobEvent):
    """A lead put in the steps kept ready for a failed test; what was tested before is due again after them."""

    type: Literal["way_out_taken"] = "way_out_taken"
    way_out: str
    step: str
    reason: str
    due_again: tuple[str, ...] = ()


class MarkJoined(JobEvent):
    """A mark kept on a tablet arrived and says what stands already: both people are named."""

    type: Literal["mark_joined"] = "mark_joined"
    step: str
    act: Literal["begin", "finish"]
    note: str = ""


class MarkContested(JobEvent):
    """A mark kept on a tablet arrived and does not agree with what stands: kept as it was, until a lead decides."""

    type: Literal["mark_contested"] = "mark_contested"
    step: str
    act: Literal["begin", "finish"]
    answers: dict[str, str] = Field(default_factory=dict)
    note: str = ""
    why: str


class ContestDecided(JobEvent):
    """A lead looked into contested marks: what stands holds, or the steps are done again."""

    type: Literal["contest_decided"] = "contest_decided"
    entries: tuple[int, ...]
    holds: bool
    reason: str
    due_again: tuple[str, ...] = ()
    flagged: tuple[str, ...] = ()


class JobStopped(JobEvent):
    """Somebody stopped the job; the reason may follow.

    noticed: nobody pressed anything: the program stopped it when this person acted or looked.
    """

    type: Literal["job_stopped"] = "job_stopped"
    step: str | None = None
    reason: str | None = None
    text: str = ""
    noticed: bool | None = None


class StopExplained(JobEvent):
    """The reason for a stop, from the closed list, in words."""

    type: Literal["stop_explained"] = "stop_explained"
    reason: str
    text: str = ""


class JobReopened(JobEvent):
    """A lead re-opened the job with a written answer and a list of what to look at first."""

    type: Literal["job_reopened"] = "job_reopened"
    answer: str
    rechecks: tuple[Recheck, ...] = ()
    again: tuple[str, ...] = ()
    flagged: tuple[str, ...] = ()
    signature: Signature | None = None


class RecheckAnswered(JobEvent):
    """Somebody looked, and says what was seen.  asked: what was looked at, in words."""

    type: Literal["recheck_answered"] = "recheck_answered"
    recheck: str
    as_expected: bool
    seen: str
    asked: str | None = None


class JobSubmitted(JobEvent):
    """The lead handed the finished job to review.  permit_back: to whom the permit went back, where that was said."""

    type: Literal["job_submitted"] = "job_submitted"
    signature: Signature
    permit_back: str | None = None


class SiteFinding(Kept):
    """Something of the site's ledger that bears on the job: wrong secrets, a clock that was moved."""

    kind: str
    sentence: str


class ExceptionOpened(JobEvent):
    """The reviewer opened one exception and read it; `site`: one of the site's ledger, whose words are kept here."""

    type: Literal["exception_opened"] = "exception_opened"
    entry: int
    site: SiteFinding | None = None


class RecordAccepted(JobEvent):
    """The safety officer accepted the record as it stood at the signed head."""

    type: Literal["record_accepted"] = "record_accepted"
    signature: Signature


class RecordReturned(JobEvent):
    """The safety officer returned the record with a reason."""

    type: Literal["record_returned"] = "record_returned"
    reason: str


Event = (
    JobOpened | StepBegun | StepDone | StepOutside | EntriesDiffered | HoldReleased | AttemptRefused | NoteWritten
    | AnswerCorrected
    | StepWithdrawn | WayOutTaken | MarkJoined | MarkContested | ContestDecided | JobStopped
    | StopExplained | JobReopened | RecheckAnswered | JobSubmitted
    | ExceptionOpened | RecordAccepted | RecordReturned | LeavingEvent | PaperEvent
    | CrewEvent
    | LessonEvent
    | ContingencyEntered | FieldChangeProposed | FieldChangeApproved | FieldChangeDeclined
    | StepNotApplicable | BranchLeft | HoldReleasedByRadio | RadioReleaseSigned
    | LocksEvent | WatchEvent
)  # fmt: skip
_READER: TypeAdapter[Event] = TypeAdapter(Annotated[Event, Field(discriminator="type")])


def event_from(payload: object) -> Event:
    """Read an event from its JSON value; pydantic's ValidationError tells what is wrong with it."""
    return _READER.validate_python(payload, strict=False)


def event_from_bytes(payload: bytes) -> Event:
    """Read an event from the bytes that the ledger keeps."""
    return _READER.validate_json(payload)


def payload_of(event: Event) -> dict[str, object]:
    """Return the event as plain JSON values, without what was not given."""
    return event.model_dump(mode="json", exclude_none=True)
