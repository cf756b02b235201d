"""What a person asks the job to do.  Commands are imperatives; `decide` answers with events or a refusal."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from types import MappingProxyType

from app.domain.event_base import Device, Who
from app.domain.events import JobOpened, Recheck
from app.domain.instruments import Instrument
from app.domain.locks import LocksCommand
from app.domain.watching import WatchCommand


@dataclass(frozen=True, slots=True)
class Moment:
    """Who asks, when by the server's clock, from which tablet, under which request token, on which head.

    local_time: the same instant in the site's zone, ISO 8601 from its first character.
    instruments: the site's register at that moment.
    """

    ledger: str
    at: str
    by: Who
    local_time: str
    root: str
    device: Device | None = None
    request: str | None = None
    instruments: Mapping[str, Instrument] = field(default_factory=lambda: MappingProxyType({}))

    @property
    def on(self) -> date:
        """The day at the site."""
        return date.fromisoformat(self.local_time[:10])


@dataclass(frozen=True, slots=True)
class Open:
    """Open a job; `draft` is its first entry, checked by the model before it becomes one."""

    draft: JobOpened


@dataclass(frozen=True, slots=True)
class Begin:
    """Make the first of two marks.  answers: what the label on the component reads, where the step asks for it."""

    step: str
    answers: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Finish:
    """Finish a step with what it asks for."""

    step: str
    answers: Mapping[str, str] = field(default_factory=dict)
    note: str = ""


@dataclass(frozen=True, slots=True)
class Release:
    """Release a hold point; the secret of `Moment.by` was entered for this and was right."""

    step: str


@dataclass(frozen=True, slots=True)
class TakeWayOut:
    """Put in the steps kept ready for the test that failed, with a reason."""

    way_out: str
    reason: str


@dataclass(frozen=True, slots=True)
class Late:
    """A mark that a tablet kept while the server was out of reach.  seen: the size of the job as the tablet knew it."""

    mark: Begin | Finish
    seen: int


@dataclass(frozen=True, slots=True)
class DecideContest:
    """Settle contested marks (`entries`): what stands holds, or the steps are done again."""

    entries: tuple[int, ...]
    holds: bool
    reason: str


@dataclass(frozen=True, slots=True)
class WriteNote:
    """Write a free remark."""

    text: str
    step: str | None = None


@dataclass(frozen=True, slots=True)
class Correct:
    """Correct one answer of a finished step."""

    step: str
    ask: str
    now: str
    reason: str


@dataclass(frozen=True, slots=True)
class Withdraw:
    """Take a mark back."""

    step: str
    reason: str


@dataclass(frozen=True, slots=True)
class StopWork:
    """Stop the job; a reason may follow later.  kept: the tablet kept it while the server was out of reach."""

    kept: bool = False


@dataclass(frozen=True, slots=True)
class ExplainStop:
    """Give the reason of the stop in force."""

    reason: str
    text: str


@dataclass(frozen=True, slots=True)
class Reopen:
    """Re-open a stopped, returned or finished job."""

    answer: str
    rechecks: tuple[Recheck, ...]
    again: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class AnswerRecheck:
    """Say what was seen at one re-check."""

    recheck: str
    as_expected: bool
    seen: str


@dataclass(frozen=True, slots=True)
class Submit:
    """Hand the finished job to review, signed."""


@dataclass(frozen=True, slots=True)
class OpenException:
    """Open one exception in review."""

    entry: int


@dataclass(frozen=True, slots=True)
class Accept:
    """Accept the record, signed."""


@dataclass(frozen=True, slots=True)
class ReturnRecord:
    """Return the record with a reason."""

    reason: str


Command = (
    Open | Begin | Finish | Late | Release | TakeWayOut | DecideContest | WriteNote | Correct | Withdraw | StopWork
    | ExplainStop | Reopen | AnswerRecheck | Submit | OpenException | Accept | ReturnRecord
    | LocksCommand
    | WatchCommand
)  # fmt: skip
