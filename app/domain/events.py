"""What has happened in a job: the events of its ledger, frozen, each complete in itself.

Every event says who (name and role as they were then), when by the server's clock (UTC), on which tablet
and what that tablet's clock said.  Events are past participles and never refused once they have happened.
"""

from typing import Annotated, Literal

from pydantic import Field, TypeAdapter

from app.domain.housing import Housing
from app.domain.instruments import Instrument
from app.domain.procedure import Role
from app.domain.steps import LaidWayOut, Step
from app.domain.text import Kept

STOP_REASONS = {
    "cannot_as_written": "the step cannot be done as written",
    "would_harm": "going on would harm people or damage equipment",
    "wrong_state": "the result would be a wrong or unsafe state",
    "text_wrong": "the text is technically wrong",
    "unexpected": "something unexpected was seen or read",
    "conflict": "the step conflicts with another instruction",
    "interrupted": "the work was interrupted (shift end, alarm, missing part)",
}


class Who(Kept):
    """A person as known at that moment."""

    id: str
    name: str
    role: Role


class Device(Kept):
    """The tablet of a mark, what its clock said at the tap, and how far that clock is from the server's (milliseconds).

    number: the tablet's own count of what it kept while the server was out of reach.  late_ms: for how long it kept it.
    covered: the screen was covered, so that whoever pressed need not be the person who is signed in there.
    """

    tablet: str
    at: str | None = None
    offset_ms: int | None = None
    number: int | None = None
    late_ms: int | None = None
    covered: bool | None = None


class Answer(Kept):
    """An answer as typed; `unit` for readings; `twice` if entered twice unseen; a photo's text is its SHA-256."""

    text: str
    unit: str | None = None
    twice: bool | None = None


class Judged(Kept):
    """How one answer stands to its limit."""

    ask: str
    verdict: Literal["within", "outside", "no limit"]
    low: str | None = None
    high: str | None = None
    op: str = "<="
    unit: str | None = None
    basis: str | None = None


class Result(Kept):
    """A computed result with its inputs, method and rounding; `verify` computes it again.

    value: in `unit`, in plain decimals.  shown: the result in words.  margin: limit less value, same unit.
    uncertainty: what is known of it, in words.  source: where the method comes from.
    """

    method: str
    inputs: dict[str, str]
    value: str
    unit: str
    shown: str
    limit: str | None = None
    op: str | None = None
    basis: str | None = None
    within: bool | None = None
    margin: str | None = None
    uncertainty: str | None = None
    source: str | None = None
    notes: tuple[str, ...] | None = None


class Evidence(Kept):
    """What a person entered at a step, and how it was judged; instruments as they were in the register that day."""

    answers: dict[str, Answer] = Field(default_factory=dict)
    instruments: tuple[Instrument, ...] | None = None
    judged: tuple[Judged, ...] = ()
    result: Result | None = None
    note: str = ""

    @property
    def within(self) -> bool:
        """Whether nothing entered lies outside its limit."""
        outside = any(item.verdict == "outside" for item in self.judged)
        return not outside and (self.result is None or self.result.within is not False)


class Signature(Kept):
    """A person's signature: the meaning, and the ledger's head that was signed."""

    meaning: str
    size: int
    root: str
    local_time: str
    proof: Literal["secret entered at signing", "id and secret entered at signing"] = "secret entered at signing"


class _Event(Kept):
    ledger: str
    seq: int
    at: str
    by: Who
    device: Device | None = None
    request: str | None = None


class JobOpened(_Event):
    """The job began: the housing, the procedure's digest and every step, so that the record explains itself."""

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
    signal_words: str
    steps: tuple[Step, ...]
    ways_out: tuple[LaidWayOut, ...] | None = None
    ties_each_side: int
    bands_each_side: int
    crew: tuple[Who, ...] = ()
    rehearsal: bool = False
    marks_apart_s: int | None = None


class StepBegun(_Event):
    """The first of two marks: somebody is about to act."""

    type: Literal["step_begun"] = "step_begun"
    step: str


class StepDone(_Event):
    """A step is finished, with its evidence."""

    type: Literal["step_done"] = "step_done"
    step: str
    evidence: Evidence = Evidence()
    in_hand_since: str


class StepOutside(_Event):
    """Evidence outside its limit was entered: kept as an attempt, the step stays due."""

    type: Literal["step_outside"] = "step_outside"
    step: str
    evidence: Evidence


class HoldReleased(_Event):
    """The named role released a hold point with its own secret."""

    type: Literal["hold_released"] = "hold_released"
    step: str
    signature: Signature


class AttemptRefused(_Event):
    """Somebody tried what the rules refuse, and the refusal is worth remembering."""

    type: Literal["attempt_refused"] = "attempt_refused"
    step: str | None = None
    code: str
    sentence: str


class NoteWritten(_Event):
    """A free remark, placed in sequence."""

    type: Literal["note_written"] = "note_written"
    step: str | None = None
    text: str


class AnswerCorrected(_Event):
    """An answer was corrected; the first one stays in the record."""

    type: Literal["answer_corrected"] = "answer_corrected"
    step: str
    ask: str
    was: str
    now: str
    reason: str
    evidence: Evidence
    due_again: tuple[str, ...] = ()
    flagged: tuple[str, ...] = ()


class StepWithdrawn(_Event):
    """A mark was taken back; what relied on it is due again, what is final is flagged."""

    type: Literal["step_withdrawn"] = "step_withdrawn"
    step: str
    reason: str
    due_again: tuple[str, ...] = ()
    flagged: tuple[str, ...] = ()


class WayOutTaken(_Event):
    """A lead put in the steps kept ready for a failed test; what was tested before is due again after them."""

    type: Literal["way_out_taken"] = "way_out_taken"
    way_out: str
    step: str
    reason: str
    due_again: tuple[str, ...] = ()


class MarkJoined(_Event):
    """A mark kept on a tablet arrived and says what stands already: both people are named."""

    type: Literal["mark_joined"] = "mark_joined"
    step: str
    act: Literal["begin", "finish"]
    note: str = ""


class MarkContested(_Event):
    """A mark kept on a tablet arrived and does not agree with what stands: kept as it was, until a lead decides."""

    type: Literal["mark_contested"] = "mark_contested"
    step: str
    act: Literal["begin", "finish"]
    answers: dict[str, str] = Field(default_factory=dict)
    note: str = ""
    why: str


class ContestDecided(_Event):
    """A lead looked into contested marks: what stands holds, or the steps are done again."""

    type: Literal["contest_decided"] = "contest_decided"
    entries: tuple[int, ...]
    holds: bool
    reason: str
    due_again: tuple[str, ...] = ()
    flagged: tuple[str, ...] = ()


class JobStopped(_Event):
    """Somebody stopped the job; the reason may follow."""

    type: Literal["job_stopped"] = "job_stopped"
    step: str | None = None
    reason: str | None = None
    text: str = ""


class StopExplained(_Event):
    """The reason for a stop, from the closed list, in words."""

    type: Literal["stop_explained"] = "stop_explained"
    reason: str
    text: str = ""


class Recheck(Kept):
    """One thing to look at before work goes on, and what the record believes about it."""

    id: str
    text: str
    expected: str


class JobReopened(_Event):
    """A lead re-opened the job with a written answer and a list of what to look at first."""

    type: Literal["job_reopened"] = "job_reopened"
    answer: str
    rechecks: tuple[Recheck, ...] = ()
    again: tuple[str, ...] = ()
    flagged: tuple[str, ...] = ()


class RecheckAnswered(_Event):
    """Somebody looked, and says what was seen."""

    type: Literal["recheck_answered"] = "recheck_answered"
    recheck: str
    as_expected: bool
    seen: str


class JobSubmitted(_Event):
    """The lead handed the finished job to review."""

    type: Literal["job_submitted"] = "job_submitted"
    signature: Signature


class SiteFinding(Kept):
    """Something of the site's ledger that bears on the job: wrong secrets, a clock that was moved."""

    kind: str
    sentence: str


class ExceptionOpened(_Event):
    """The reviewer opened one exception and read it; `site`: one of the site's ledger, whose words are kept here."""

    type: Literal["exception_opened"] = "exception_opened"
    entry: int
    site: SiteFinding | None = None


class RecordAccepted(_Event):
    """The safety officer accepted the record as it stood at the signed head."""

    type: Literal["record_accepted"] = "record_accepted"
    signature: Signature


class RecordReturned(_Event):
    """The safety officer returned the record with a reason."""

    type: Literal["record_returned"] = "record_returned"
    reason: str


Event = (
    JobOpened | StepBegun | StepDone | StepOutside | HoldReleased | AttemptRefused | NoteWritten | AnswerCorrected
    | StepWithdrawn | WayOutTaken | MarkJoined | MarkContested | ContestDecided | JobStopped
    | StopExplained | JobReopened | RecheckAnswered | JobSubmitted
    | ExceptionOpened | RecordAccepted | RecordReturned
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
