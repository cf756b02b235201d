"""What a person asks the job to do.  Commands are imperatives; `decide` answers with events or a refusal."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from types import MappingProxyType

from app.domain.applicability import SetAside
from app.domain.contingency import EnterContingency
from app.domain.crew import NO_QUALIFICATIONS, CrewCommand, Qualifications
from app.domain.event_base import Device, Who
from app.domain.events import JobOpened
from app.domain.field_change import FieldChangeCommand
from app.domain.housed import Housed
from app.domain.instruments import Instrument
from app.domain.job import Notable
from app.domain.leaving import LeavingCommand
from app.domain.lessons import LessonCommand
from app.domain.locks import LocksCommand
from app.domain.paper import PaperCommand
from app.domain.radio import RadioCommand
from app.domain.restores import Restore
from app.domain.store import Store
from app.domain.watching import WatchCommand


@dataclass(frozen=True, slots=True)
class Moment:
    """Who asks, when by the server's clock, from which tablet, under which request token, on which head.

    local_time: the same instant in the site's zone, ISO 8601 from its first character.
    instruments, qualifications: the site's registers at that moment.  restores: every restore of the site, as the job
    saw it.  missing: the number of the tablet's mark before this one, where the record has no such mark.
    findings: what the site's ledger holds for the job's reviewer.  packages: a sentence for each package of the job
    that nobody has accounted for.  both: the person gave id and secret for this, not the secret alone.  store: the
    site's store room.  kept: what is entered was done before now, on paper or while the server was out of reach.
    paper: the entry by which the page was printed that this is entered from, where it is.
    taken: who took the record of the job, by person: how many entries the newest one that they took has.
    housed: the site's register of what is in place.
    """

    ledger: str
    at: str
    by: Who
    local_time: str
    root: str
    device: Device | None = None
    request: str | None = None
    instruments: Mapping[str, Instrument] = field(default_factory=lambda: MappingProxyType({}))
    restores: tuple[Restore, ...] = ()
    missing: int | None = None
    findings: tuple[Notable, ...] = ()
    packages: tuple[str, ...] = ()
    both: bool = False
    qualifications: Qualifications = field(default_factory=lambda: NO_QUALIFICATIONS)
    store: Store = field(default_factory=Store)
    kept: bool = False
    paper: int | None = None
    taken: Mapping[str, int] = field(default_factory=lambda: MappingProxyType({}))
    housed: Housed = field(default_factory=Housed)

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
    """Make the first of two marks.

    second: a second person who is there; their secret was entered and was right.  worker: the id of whoever acts, if
    not the person who marks.  answers: what the label on the component reads, where the step asks for it.
    hazards: `Step.hazards_sha256` of those that stood on the page; None where the mark comes from no page.
    """

    step: str
    second: Who | None = None
    worker: str = ""
    answers: Mapping[str, str] = field(default_factory=dict)
    hazards: str | None = None


@dataclass(frozen=True, slots=True)
class Finish:
    """Finish a step with what it asks for.

    second, worker, hazards: as in Begin.  reconciled: why two entries of a number had differed, once they have.
    """

    step: str
    answers: Mapping[str, str] = field(default_factory=dict)
    note: str = ""
    second: Who | None = None
    reconciled: str | None = None
    worker: str = ""
    hazards: str | None = None


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
class Knowledge:
    """What a tablet says of a mark that it kept.

    line: on which line of entries it was made (`app.domain.restores`); empty before any restore.  acknowledged: the
    server has confirmed it once.  before, before_token: number and token of the mark that this tablet kept before it
    for the job; 0 and empty if there is none.
    """

    line: str = ""
    acknowledged: bool = False
    before: int = 0
    before_token: str = ""


@dataclass(frozen=True, slots=True)
class Late:
    """A mark that a tablet kept while the server was out of reach, or gives back after a restore.

    seen: the size of the job as the tablet knew it, on the line of entries that `knowledge` names.
    """

    mark: Begin | Finish
    seen: int
    knowledge: Knowledge = Knowledge()


@dataclass(frozen=True, slots=True)
class DecideContest:
    """Settle contested marks (`entries`): what stands holds, or the steps are done again."""

    entries: tuple[int, ...]
    holds: bool
    reason: str


@dataclass(frozen=True, slots=True)
class WriteNote:
    """Write a free remark.  follows: the entry of an earlier note."""

    text: str
    step: str | None = None
    follows: int | None = None


@dataclass(frozen=True, slots=True)
class Correct:
    """Correct one answer of a finished step.  again: the second entry of a number that is entered twice.

    beside: somebody else who read that number too, proven by their own secret, where two people answer for the step.
    """

    step: str
    ask: str
    now: str
    reason: str
    again: str = ""
    beside: Who | None = None


@dataclass(frozen=True, slots=True)
class Withdraw:
    """Take a mark back."""

    step: str
    reason: str


@dataclass(frozen=True, slots=True)
class StopWork:
    """Stop the job; a reason may follow later.  kept: the tablet kept it while the server was out of reach."""

    kept: bool = False
    seen: int = 0
    knowledge: Knowledge = Knowledge()


@dataclass(frozen=True, slots=True)
class ExplainStop:
    """Give the reason of the stop in force."""

    reason: str
    text: str


@dataclass(frozen=True, slots=True)
class Reopen:
    """Re-open a stopped, returned or finished job.  again: steps to be done again.  look: what else to look at."""

    answer: str
    again: tuple[str, ...] = ()
    look: str = ""


@dataclass(frozen=True, slots=True)
class Submit:
    """Hand the finished job to review, signed.  permit_back: to whom the permit was handed back, and how."""

    permit_back: str = ""


@dataclass(frozen=True, slots=True)
class OpenException:
    """Open one exception in review; `of_site`: the entry stands in the site's ledger."""

    entry: int
    of_site: bool = False


@dataclass(frozen=True, slots=True)
class Accept:
    """Accept the record, signed."""


@dataclass(frozen=True, slots=True)
class ReturnRecord:
    """Return the record with a reason."""

    reason: str


Command = (
    Open | Begin | Finish | Late | Release | TakeWayOut | DecideContest | WriteNote | Correct | Withdraw | StopWork
    | ExplainStop | Reopen | Submit | OpenException | Accept | ReturnRecord | LeavingCommand | PaperCommand
    | CrewCommand | LessonCommand | EnterContingency | FieldChangeCommand | SetAside | RadioCommand
    | LocksCommand | WatchCommand
)  # fmt: skip
