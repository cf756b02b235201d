"""A job as the fold of its events: what is done, begun, due again, stopped, reviewed.

`evolve` is total and never refuses history; `fold(a + b) == fold(b, start=fold(a))`.
Effects of a step reach the containment model once, when it is first done; a mark taken back later leaves
the model as it is and puts the step among the doubtful ones, because a record cannot un-do the world.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from enum import StrEnum
from functools import reduce
from types import MappingProxyType
from typing import assert_never

from app.domain.applicability import PERMIT_UNTIL, BranchLeft, StepNotApplicable, branch_words
from app.domain.containment.effects import Act, Use
from app.domain.containment.mishaps import happen
from app.domain.containment.rules import attempt
from app.domain.containment.state import ClosureRule, HousingState, Isolation, starting_state
from app.domain.contingency import ContingencyEntered
from app.domain.crew import CrewBriefed, CrewLeft, CrewState, PauseConfirmed, crew_of, evolve_crew
from app.domain.event_base import Device, Evidence, FromHand, Signature, Transcribed, Who
from app.domain.events import (
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
from app.domain.field_change import (
    FieldChangeApproved,
    FieldChangeDeclined,
    FieldChangeProposed,
    FieldChanges,
    evolve_field_changes,
    reworded,
)
from app.domain.housing import Point
from app.domain.instants import readable, to_minute
from app.domain.leaving import (
    COMING_BACK,
    HandoverBegun,
    HandoverSigned,
    JobSuspended,
    Leaving,
    LeavingEvent,
    NextThingRead,
    PermitFate,
    PermitLeft,
    Recheck,
    ReturnBegun,
    come_back,
    evolve_leaving,
    permit_away,
    permit_read,
)
from app.domain.lessons import DEVIATIONS, FILTER_REFUSED, ONCE, DeviationAnswered, LessonState, evolve_lessons
from app.domain.locks import (
    OWN_LOOK,
    DamperStroked,
    Locks,
    LocksEvent,
    OthersLockRemoved,
    OwnLockOff,
    OwnLockOn,
    PointLocked,
    PointNamed,
    PointStruck,
    PointUnlocked,
    StrokePart,
    evolve_locks,
    notable_of,
)
from app.domain.made import Made, newly_made
from app.domain.paper import BlankPrinted, BlankReconciled, Paper, evolve_paper, taken_from
from app.domain.radio import HoldReleasedByRadio, Radio, RadioReleaseSigned, evolve_radio
from app.domain.replacing import replace
from app.domain.steps import AskedFor, LaidWayOut, Step, asked_further, put_in
from app.domain.watching import (
    ReadingMissed,
    ReadingRepeated,
    Watch,
    evolve_watch,
    resting,
    stands_open,
    watched,
)
from app.domain.words import unit_words
from app.domain.zones import local_or_as_kept

LATE_AFTER_MS = 300_000
"""A tablet's time further than this from the server's makes the entry a late one (project figure)."""


class Stage(StrEnum):
    """Where a job stands, derived from its events."""

    OPEN = "open"
    BRIEFING = "to be briefed"
    STOPPED = "stopped"
    SUSPENDED = "suspended"
    LOOKING = "being looked over"
    HANDING_OVER = "being handed over"
    CONTESTED = "two accounts differ"
    WORK_DONE = "work done"
    IN_REVIEW = "in review"
    RETURNED = "returned"
    ACCEPTED = "accepted"


@dataclass(frozen=True, slots=True)
class Stamp:
    """Who made an entry, when, and where it stands in the ledger.  worker: who acted, if not `by`.

    by: who did it.  paper: where the mark came from, if it was written on paper first; `by` is then the hand that
    wrote it there, and `entered_by` who entered it.
    """

    seq: int
    at: str
    by: Who
    tablet: str | None = None
    device_at: str | None = None
    offset_ms: int | None = None
    second: Who | None = None
    worker: Who | None = None
    paper: Transcribed | None = None
    entered_by: Who | None = None

    @property
    def when(self) -> str:
        """When it was done: by the paper that says so, else by the server's clock."""
        return self.paper.happened if self.paper and readable(self.paper.happened) else self.at

    @property
    def doers(self) -> frozenset[str]:
        """The ids of who acted and who recorded it; a second person only watched."""
        return frozenset(who.id for who in (self.by, self.worker) if who is not None)

    @property
    def hands(self) -> frozenset[str]:
        """The ids of all: who acted, who recorded it, and who was there as the second person."""
        return frozenset(who.id for who in (self.by, self.worker, self.second) if who is not None)

    @property
    def recorders(self) -> frozenset[str]:
        """The ids of who acted and who recorded it, at a screen or, with whoever compared the two, from paper."""
        from_paper = (self.entered_by, self.paper.compared_by) if self.paper else ()
        return self.doers | {who.id for who in from_paper if who is not None}


@dataclass(frozen=True, slots=True)
class Difference:
    """Two entries of one number that were not alike.  by: who made the first.  settled: why, once told."""

    stamp: Stamp
    ask: str
    first: str
    again: str
    settled: str | None = None


@dataclass(frozen=True, slots=True)
class Correction:
    """An answer that was changed: the first value stays readable."""

    stamp: Stamp
    ask: str
    was: str
    now: str
    reason: str


@dataclass(frozen=True)  # no slots: see `replacing`
class Mark:
    """Everything the record holds about one step.  joined: kept marks that said what stood already."""

    begun: Stamp | None = None
    labels: Mapping[str, str] | None = None
    done: Stamp | None = None
    in_hand_since: str | None = None
    evidence: Evidence = field(default_factory=Evidence)
    signature: Signature | None = None
    attempts: tuple[tuple[Stamp, Evidence], ...] = ()
    earlier: tuple[tuple[Stamp, Evidence], ...] = ()
    differences: tuple[Difference, ...] = ()
    corrections: tuple[Correction, ...] = ()
    due_again: str | None = None
    flags: tuple[str, ...] = ()
    not_applicable: str | None = None
    joined: tuple[Stamp, ...] = ()

    @property
    def stamps(self) -> tuple[Stamp, ...]:
        """Everything that somebody entered about the step, taken back or not."""
        told = [item.stamp for item in self.differences] + [item.stamp for item in self.corrections]
        tried = [stamp for stamp, _ in (*self.attempts, *self.earlier)]
        return tuple(stamp for stamp in (self.begun, self.done, *told, *tried, *self.joined) if stamp is not None)

    @property
    def stands(self) -> bool:
        """Whether the step counts as done; one that does not apply stands for the order of the steps."""
        return self.done is not None and self.due_again is None

    @property
    def differing(self) -> tuple[Difference, ...]:
        """Entries of numbers that differed, and nobody has said why yet."""
        return tuple(item for item in self.differences if item.settled is None)


@dataclass(frozen=True, slots=True)
class Stop:
    """A stop in force.  noticed: the program stopped the job when somebody acted or looked."""

    stamp: Stamp
    step: str | None
    reason: str | None
    text: str
    noticed: bool = False

    def is_by(self, who: Who) -> bool:
        """Whether this person stopped the job, and so is not the one who leads on from it."""
        return not self.noticed and self.stamp.by.id == who.id


@dataclass(frozen=True, slots=True)
class Notable:
    """An entry that the reviewer must open before accepting.  code: of what was refused, if it is a refusal."""

    seq: int
    kind: str
    sentence: str
    step: str | None = None
    code: str | None = None

    @property
    def asked_as(self) -> str:
        """As what kind of deviation it is asked about after the work, if it is."""
        return FILTER_REFUSED if self.code == "filter" else self.kind


UNSETTLING: frozenset[type[Event]] = frozenset({
    JobStopped, JobReopened, StepWithdrawn, AnswerCorrected, WayOutTaken, ContestDecided, ContingencyEntered,
    JobSuspended, ReturnBegun, HandoverBegun, HandoverSigned, DamperStroked,
})  # fmt: skip
LEADING_ON: frozenset[type[Event]] = frozenset({JobReopened, ContestDecided, ContingencyEntered})
"""With these a lead goes on from what was entered, having looked at it."""
_NO_MARK = Mark()
_NOTHING_YET = (None, None, None, None)
_EMPTY: Mapping[str, Mark] = MappingProxyType({})


@dataclass(frozen=True)  # no slots: see `replacing`
class JobState:
    """One job at one moment.

    steps: those of the job in order, with those that were put in.  place: how many stand before the first that does
    not.  taken: the ways out that were put in, each with the entry that did it.
    entered: the contingencies that were entered.
    contests: kept marks that do not agree with what stands, undecided.  unsettled_at: the newest entry that stopped,
    re-opened, suspended or took something back; a mark from before it may mean something that is no longer so.
    counted: the highest number of a kept mark that the record has, by tablet.
    read, read_site: exceptions opened in review, of this ledger and of the site's.  done_at: when a step was last done,
    by the clock at the tap.
    notes: the entries that hold a free remark.  made: the packages that the steps have made, in order.
    led: who led the job on from a stop or settled accounts that differ, each with their newest entry of it.
    refused: who was refused, and by which rule, since anything else happened, in order.
    unsettled_when: when the entry `unsettled_at` was made.  doors_off: from when and until when a door was off behind
    an isolation; no end while one is.
    """

    opened: JobOpened | None = None
    steps: tuple[Step, ...] = ()
    size: int = 0
    marks: Mapping[str, Mark] = field(default_factory=lambda: _EMPTY)
    index: Mapping[str, int] = field(default_factory=lambda: MappingProxyType({}))
    place: int = 0
    model: HousingState | None = None
    model_at_stop: tuple[tuple[int, HousingState], ...] = ()
    applied: frozenset[str] = frozenset()
    stop: Stop | None = None
    rechecks: tuple[Recheck, ...] = ()
    submitted: Stamp | None = None
    returned: str | None = None
    accepted: Stamp | None = None
    voided: tuple[int, ...] = ()
    notables: tuple[Notable, ...] = ()
    read: frozenset[int] = frozenset()
    read_site: frozenset[int] = frozenset()
    done_at: str = ""
    performers: frozenset[str] = frozenset()
    taken: tuple[tuple[str, int], ...] = ()
    entered: tuple[ContingencyEntered, ...] = ()
    changes: FieldChanges = field(default_factory=FieldChanges)
    radio: Radio = field(default_factory=Radio)
    contests: tuple[MarkContested, ...] = ()
    locks: Locks = field(default_factory=Locks)
    watch: Watch = field(default_factory=Watch)
    unsettled_at: int = -1
    counted: Mapping[str, int] = field(default_factory=lambda: MappingProxyType({}))
    last_at: str = ""
    crew: CrewState = field(default_factory=CrewState)
    lessons: LessonState = field(default_factory=LessonState)
    notes: frozenset[int] = frozenset()
    leaving: Leaving = field(default_factory=Leaving)
    paper: Paper = field(default_factory=Paper)
    refused: tuple[tuple[str, str], ...] = ()
    unsettled_when: str = ""
    doors_off: tuple[tuple[str, str], ...] = ()
    made: tuple[Made, ...] = ()
    led: Mapping[str, int] = field(default_factory=lambda: MappingProxyType({}))

    @property
    def points(self) -> tuple[Point, ...]:
        """The points of isolation: those of the nameplate, and those that the job has named beyond it."""
        return (*self.opened.housing.points, *self.locks.further) if self.opened else ()

    def step(self, step_id: str) -> Step | None:
        """Return the step with this id, or None."""
        place = self.index.get(step_id)
        return None if place is None else self.steps[place]

    def by_number(self, told: str) -> str:
        """Return a sentence with each step's id, as entries name it, replaced by the number that readers see."""
        for step_id in sorted(self.index, key=len, reverse=True) if told else ():
            told = told.replace(step_id, f"step {self.index[step_id] + 1}")
        return told

    def mark(self, step_id: str) -> Mark:
        """Return what the record holds about a step; an empty mark if nothing."""
        return self.marks.get(step_id, _NO_MARK)

    @property
    def due(self) -> Step | None:
        """The step that is due: the first that does not stand."""
        return self.steps[self.place] if self.place < len(self.steps) else None

    @property
    def permit_until(self) -> date | None:
        """The last day of the permit to work, as entered where the steps ask for it; None before that."""
        for step in self.steps:
            if any(asked.ask.id == PERMIT_UNTIL for asked in step.asks):
                answer = self.mark(step.id).evidence.answers.get(PERMIT_UNTIL)
                return date.fromisoformat(answer.text) if answer else None
        return None

    @property
    def way_out(self) -> LaidWayOut | None:
        """The steps that may be put in now: the step that is due has failed since they were put in last."""
        due = self.due
        ways = self.opened.ways_out or () if self.opened else ()
        way = next((way for way in ways if due is not None and way.at == due.id), None)
        if way is None or due is None or not self.mark(due.id).attempts:
            return None
        taken = max((seq for name, seq in self.taken if name == way.id), default=-1)
        return way if self.mark(due.id).attempts[-1][0].seq > taken else None

    @property
    def unsigned(self) -> tuple[HoldReleasedByRadio, ...]:
        """Holds released by voice that stand and that their senders have yet to sign."""
        return tuple(
            event
            for event in self.radio.given
            if event.seq not in self.radio.signed
            and (done := self.mark(event.step).done) is not None
            and done.seq == event.seq
            and self.mark(event.step).due_again is None
        )

    @property
    def walked(self) -> tuple[Step, ...]:
        """The steps as they act on the housing: one that does not apply changes nothing there."""
        return tuple(
            step.model_copy(update={"effects": ()}) if step.effects and self.mark(step.id).not_applicable else step
            for step in self.steps
        )

    @property
    def done_count(self) -> int:
        """How many steps stand."""
        return sum(1 for mark in self.marks.values() if mark.stands)

    @property
    def doubtful(self) -> tuple[str, ...]:
        """Steps whose effect the model still shows although their mark was taken back."""
        later = (step.id for step in self.steps[self.place :] if step.id in self.applied)  # all before it stand
        return tuple(sorted(step for step in later if not self.mark(step).stands))

    @property
    def unread(self) -> tuple[Notable, ...]:
        """Exceptions that the reviewer has yet to open."""
        return tuple(item for item in self.notables if item.seq not in self.read)

    @property
    def unanswered(self) -> tuple[Notable, ...]:
        """Deviations whose questions are still open; none in a rehearsal, nor in a job opened without a brief."""
        if self.opened is None or self.opened.brief is None or self.opened.rehearsal:
            return ()
        kinds = DEVIATIONS | set(self.opened.brief.asks or ())
        asked: dict[int, Notable] = {}
        for item in self.notables:
            again = item.asked_as in ONCE and any(other.asked_as == item.asked_as for other in asked.values())
            if item.asked_as in kinds and not again:
                asked.setdefault(item.seq, item)
        return tuple(item for seq, item in asked.items() if seq not in self.lessons.answered)

    def unspoken(self, step_id: str, *, then: datetime | None = None) -> tuple[Who, ...]:
        """Return who of the crew has yet to speak at this team pause; what was said before a stop is said again.

        Whoever handed the job over is no longer at the housing.  then: when it was held, where a page says so; who was
        on the crew at that moment speaks.
        """
        done = self.mark(step_id).done
        missing = self.crew.unspoken(step_id, since=max(self.unsettled_at, done.seq if done else -1), then=then)
        return tuple(who for who in missing if not self.had_gone(who, then))

    def before_unsettled(self, printed: int, times: Iterable[str]) -> bool:
        """Whether something that stands on a page was done before the newest stop, leaving or taking back since.

        printed: the entry by which the page was.
        """
        if self.unsettled_at <= printed:
            return False
        return any(to_minute(text) < to_minute(self.unsettled_when) for text in times)

    def had_gone(self, who: Who, then: datetime | None = None) -> bool:
        """Whether somebody has handed the job over, or had at a moment before now."""
        if then is None or who.id not in self.leaving.gone:
            return who.id in self.leaving.gone
        return to_minute(self.leaving.since[who.id]) <= then

    @property
    def stage(self) -> Stage:
        """Where the job stands."""
        if self.accepted is not None:
            return Stage.ACCEPTED
        if self.stop is not None:
            return Stage.STOPPED
        if self.leaving.suspended is not None:
            return Stage.SUSPENDED
        if self.rechecks or self.leaving.unread:
            return Stage.LOOKING
        if self.leaving.handover is not None:
            return Stage.HANDING_OVER
        if self.contests:
            return Stage.CONTESTED
        if self.submitted is not None:
            return Stage.IN_REVIEW
        if self.returned is not None:
            return Stage.RETURNED
        if self.due is None:
            return Stage.WORK_DONE
        return Stage.BRIEFING if self.crew.to_brief else Stage.OPEN


def fold(events: Iterable[Event], start: JobState | None = None) -> JobState:
    """Return the state after these events."""
    return reduce(evolve, events, start or JobState())


def evolve(state: JobState, event: Event) -> JobState:
    """Return the state after one more event; total over the closed union of events."""
    state = _evolved(state, event)
    return _further_asked(state) if state.locks.further or type(event) is PointStruck else state


def _further_asked(state: JobState) -> JobState:
    """Have the verifications of the isolation that are to come look at the points that the job has named."""
    left = tuple(
        step if state.mark(step.id).stands else asked_further(step, state.locks.further)
        for step in state.steps[state.place :]
    )
    return replace(state, steps=(*state.steps[: state.place], *left)) if left != state.steps[state.place :] else state


def _evolved(state: JobState, event: Event) -> JobState:
    came = came_from(event)
    found = (*state.notables, *_notable(state, event, came), *_close_together(state, event))
    state = replace(state, size=state.size + 1, last_at=event.at, notables=found)
    if state.refused and not isinstance(event, AttemptRefused):
        state = replace(state, refused=())
    if came is not None and isinstance(event, FromHand):
        state = replace(state, paper=taken_from(state.paper, event, came))
    if state.accepted is not None and not isinstance(event, ExceptionOpened):
        state = replace(state, accepted=None, voided=(*state.voided, state.accepted.seq))
    if type(event) in UNSETTLING and (not isinstance(event, AnswerCorrected) or event.due_again):
        state = replace(state, unsettled_at=event.seq, unsettled_when=event.at)
    if type(event) in LEADING_ON:
        state = replace(state, led=MappingProxyType({**state.led, event.by.id: event.seq}))
    if event.device is not None and event.device.number is not None:
        highest = max(event.device.number, state.counted.get(event.device.tablet, 0))
        state = replace(state, counted=MappingProxyType({**state.counted, event.device.tablet: highest}))
    match event:
        case JobOpened():
            return _opened(state, event)
        case StepBegun():
            stamp = stamp_of(event)
            return _marked(state, event.step, begun=stamp, labels=event.labels, by=stamp)
        case StepDone():
            return _done(state, event)
        case HoldReleased():
            mark = replace(_renewed(state.mark(event.step)), done=stamp_of(event), signature=event.signature)
            return _with_mark(state, event.step, mark)
        case StepOutside():
            mark = _settled(state.mark(event.step), event.reconciled)
            attempts = (*mark.attempts, (stamp_of(event), event.evidence))
            return _marked(state, event.step, by=stamp_of(event), attempts=attempts, differences=mark.differences)
        case EntriesDiffered():
            difference = Difference(stamp_of(event), event.ask, event.first, event.again)
            differences = (*state.mark(event.step).differences, difference)
            return _marked(state, event.step, differences=differences, by=stamp_of(event))
        case AnswerCorrected():
            return _corrected(state, event)
        case StepWithdrawn():
            return _withdrawn(state, event)
        case WayOutTaken():
            return _put_in(state, event)
        case ContingencyEntered():
            return _went_wrong(state, event)
        case FieldChangeProposed() | FieldChangeApproved() | FieldChangeDeclined():
            return _changed(replace(state, changes=evolve_field_changes(state.changes, event)), event)
        case StepNotApplicable():
            return _not_applicable(state, (event.step,), stamp_of(event), f"not applicable: {event.reason}")
        case BranchLeft():
            state = _not_applicable(state, event.steps, stamp_of(event), branch_words(event))
            return _unsettle(
                state, event.taken_up, (), f"applies after all: entry {event.decided} chose {event.chosen}"
            )
        case HoldReleasedByRadio():
            mark = replace(_renewed(state.mark(event.step)), done=stamp_of(event))
            return replace(_with_mark(state, event.step, mark), radio=evolve_radio(state.radio, event))
        case RadioReleaseSigned():
            mark = replace(state.mark(event.step), signature=event.signature)
            return replace(_with_mark(state, event.step, mark), radio=evolve_radio(state.radio, event))
        case MarkJoined():
            return _marked(
                state, event.step, joined=(*state.mark(event.step).joined, stamp_of(event)), by=stamp_of(event)
            )
        case MarkContested():
            return replace(state, contests=(*state.contests, event), submitted=None)
        case ContestDecided():
            left = tuple(item for item in state.contests if item.seq not in event.entries)
            return _unsettle(
                replace(state, contests=left), event.due_again, event.flagged, "two accounts of it differed"
            )
        case JobStopped():
            return _stopped(state, event)
        case StopExplained():
            stop = state.stop and replace(state.stop, reason=event.reason, text=event.text)
            return replace(state, stop=stop)
        case JobReopened():
            return _reopened(state, event)
        case RecheckAnswered():
            leaving = permit_read(state.leaving, event.recheck) if event.as_expected else state.leaving
            to_see = tuple(item for item in state.rechecks if item.id != event.recheck)
            return replace(state, rechecks=to_see, leaving=leaving)
        case JobSubmitted():
            back = PermitLeft(fate=PermitFate.HANDED_BACK, to=event.permit_back) if event.permit_back else None
            leaving = permit_away(state.leaving, back)
            return replace(state, submitted=stamp_of(event), returned=None, leaving=leaving)
        case ExceptionOpened():
            if event.site is not None:
                return replace(state, read_site=state.read_site | {event.entry})
            return replace(state, read=state.read | {event.entry})
        case RecordAccepted():
            return replace(state, accepted=stamp_of(event))
        case RecordReturned():
            return replace(state, submitted=None, returned=event.reason)
        case CrewBriefed() | CrewLeft() | PauseConfirmed():
            return replace(state, crew=evolve_crew(state.crew, event))
        case DeviationAnswered():
            return replace(state, lessons=evolve_lessons(state.lessons, event))
        case NoteWritten():
            return replace(state, notes=state.notes | {event.seq})
        case JobSuspended() | ReturnBegun() | NextThingRead() | HandoverBegun() | HandoverSigned():
            return _left(state, event)
        case BlankPrinted() | BlankReconciled():
            return replace(state, paper=evolve_paper(state.paper, event))
        case PointNamed() | PointStruck() | PointLocked() | PointUnlocked() | OwnLockOn() | OwnLockOff():
            return _locked(state, event)
        case OthersLockRemoved() | DamperStroked():
            return _locked(state, event)
        case ReadingRepeated() | ReadingMissed():
            return replace(state, watch=evolve_watch(state.watch, event))
        case AttemptRefused():
            return replace(state, refused=(*state.refused, (event.by.id, event.code)))
        case _:
            assert_never(event)


def stamp_of(event: Event) -> Stamp:
    """Return who, when and where of an event."""
    device, paper = event.device, came_from(event)
    return Stamp(
        seq=event.seq,
        at=event.at,
        by=paper.hand if paper else event.by,
        tablet=device.tablet if device else None,
        device_at=device.at if device else None,
        offset_ms=device.offset_ms if device else None,
        second=getattr(event, "second", None),
        worker=getattr(event, "worker", None),
        paper=paper,
        entered_by=event.by if paper else None,
    )


def came_from(event: Event) -> Transcribed | None:
    """Return where an entry came from that was written on paper first; None for every other entry."""
    return event.transcribed if isinstance(event, FromHand) else None


def _opened(state: JobState, event: JobOpened) -> JobState:
    return replace(
        state,
        opened=event,
        steps=event.steps,
        place=_place(event.steps, state.marks),
        index=_index(event.steps),
        model=start_of(event),
        crew=crew_of(event.crew, event.brief),
    )


def start_of(opened: JobOpened) -> HousingState:
    """Return how the housing stood before the first step, as the job's first entry tells it."""
    rule = ClosureRule(ties_each_side=opened.ties_each_side, bands_each_side=opened.bands_each_side)
    left = {item.port: (item.stubs, item.torn) for item in opened.rings or ()}
    return starting_state(opened.housing, fitted=opened.kind == "change_out", rule=rule, left=left)


def _index(steps: tuple[Step, ...]) -> Mapping[str, int]:
    return MappingProxyType({step.id: number for number, step in enumerate(steps)})


def _with_marks(state: JobState, changed: Mapping[str, Mark], **others: object) -> JobState:
    """Put changed marks in and move the place; it is looked for from the first step that may have moved it.

    others: fields that change with them.
    """
    marks = MappingProxyType({**state.marks, **changed})
    first = min((state.index.get(step, state.place) for step in changed), default=state.place)
    place = _place(state.steps, marks, min(first, state.place))
    return replace(state, marks=marks, place=place, **others)  # type: ignore[arg-type]


def _with_mark(state: JobState, step: str, mark: Mark, **others: object) -> JobState:
    return _with_marks(state, {step: mark}, **others)


def _place(steps: tuple[Step, ...], marks: Mapping[str, Mark], first: int = 0) -> int:
    """Return the place of the first step that does not stand, from `first` on; all before it stand."""
    place = first
    while place < len(steps) and marks.get(steps[place].id, _NO_MARK).stands:
        place += 1
    return place


def _marked(state: JobState, step: str, by: Stamp, **changes: object) -> JobState:
    mark = replace(state.mark(step), **changes)  # type: ignore[arg-type]
    return _with_mark(state, step, mark, performers=state.performers | by.hands)


def _settled(mark: Mark, why: str | None) -> Mark:
    """Say of entries that differed why they did."""
    if not mark.differences:
        return mark
    told = tuple(replace(item, settled=item.settled or why) for item in mark.differences)
    return replace(mark, differences=told)


def _renewed(mark: Mark) -> Mark:
    """Move a mark that is due again among the earlier ones, so that the new one stands beside it."""
    if (mark.done, mark.due_again, mark.signature, mark.not_applicable) == _NOTHING_YET:
        return mark
    earlier = mark.earlier if mark.done is None else (*mark.earlier, (mark.done, mark.evidence))
    return replace(mark, earlier=earlier, due_again=None, done=None, signature=None, not_applicable=None)


def _done(state: JobState, event: StepDone) -> JobState:
    stamp = stamp_of(event)
    mark = replace(
        _settled(_renewed(state.mark(event.step)), event.reconciled),
        done=stamp,
        evidence=event.evidence,
        in_hand_since=event.in_hand_since,
    )
    performers = state.performers | stamp.hands
    state = _with_mark(state, event.step, mark, performers=performers, done_at=_tapped_at(event))
    step = state.step(event.step)
    if step is None or not step.effects or event.step in state.applied or state.model is None:
        return state
    model = state.model
    for effect in step.effects:
        model = attempt(model, effect).state
    watch = watched(state.watch, state.opened.repeated if state.opened else None, model, event.at)
    doors_off = _doors_off(state.doors_off, model, event.happened)
    made = (*state.made, *newly_made(state.model, model, event.step, len(state.made)))
    applied = state.applied | {event.step}
    return replace(state, model=model, applied=applied, watch=watch, made=made, doors_off=doors_off)


def _doors_off(known: tuple[tuple[str, str], ...], model: HousingState, at: str) -> tuple[tuple[str, str], ...]:
    """Return the times with a door off after the housing has changed."""
    off = bool(known) and not known[-1][1]
    if stands_open(model) == off:
        return known
    return (*known[:-1], (known[-1][0], at)) if off else (*known, (at, ""))


def _locked(state: JobState, event: LocksEvent) -> JobState:
    """Put locks in; a damper whose lock comes off for a trial leaves an isolation that nobody has verified.

    Somebody's own lock that came off while it was still to be looked at is looked for no more.
    """
    locks = evolve_locks(state.locks, event)
    on = {item.look for item in locks.own}
    rechecks = tuple(item for item in state.rechecks if not item.id.startswith(OWN_LOOK) or item.id in on)
    state = replace(state, locks=locks, rechecks=rechecks)
    if isinstance(event, OwnLockOn | OwnLockOff | OthersLockRemoved):
        return state
    if isinstance(event, DamperStroked) and event.part in (StrokePart.CLEAR, StrokePart.GIVEN_UP):
        return state  # whoever has a trial made, or not made, has had no hand in it
    state = replace(state, performers=state.performers | {(event.hand if isinstance(event, FromHand) else event.by).id})
    if not isinstance(event, DamperStroked):
        return state
    if event.part is StrokePart.OFF and state.model is not None and state.model.isolation is Isolation.VERIFIED:
        verified = {s.id for s in state.steps if any(effect.act is Act.VERIFY_ISOLATION for effect in s.effects)}
        model = replace(state.model, isolation=Isolation.LOCKED)
        state = replace(state, model=model, applied=state.applied - verified)
    return _unsettle(state, event.due_again or (), event.flagged or (), f"{event.tag} was moved for a trial")


def _corrected(state: JobState, event: AnswerCorrected) -> JobState:
    mark = state.mark(event.step)
    correction = Correction(stamp_of(event), event.ask, event.was, event.now, event.reason)
    changed = replace(mark, evidence=event.evidence, corrections=(*mark.corrections, correction))
    state = _with_mark(state, event.step, changed)
    return _unsettle(state, event.due_again, event.flagged, f"answer corrected at {event.step}")


def _withdrawn(state: JobState, event: StepWithdrawn) -> JobState:
    mark = state.mark(event.step)
    if mark.done is None:
        return _with_mark(state, event.step, replace(mark, begun=None))
    return _unsettle(state, event.due_again, event.flagged, f"withdrawn: {event.reason}")


def _put_in(state: JobState, event: WayOutTaken) -> JobState:
    way = next((way for way in (state.opened and state.opened.ways_out) or () if way.id == event.way_out), None)
    if way is None:
        return state
    turn = 1 + sum(1 for name, _ in state.taken if name == way.id)
    steps = put_in(state.steps, way, turn)
    state = replace(state, steps=steps, index=_index(steps), taken=(*state.taken, (way.id, event.seq)))
    first = next(number for number, step in enumerate(steps) if step.id.startswith(f"{way.id}-{turn}/"))
    state = _unsettle(state, event.due_again, (), "to be done again after the steps put in")
    return replace(state, place=_place(steps, state.marks, min(first, state.place)))


def _went_wrong(state: JobState, event: ContingencyEntered) -> JobState:
    """Let it happen in the model, put the steps in, and have done again what it has undone."""
    opened, model = state.opened, state.model
    kept = next((item for item in (opened and opened.contingencies) or () if item.id == event.contingency), None)
    if opened is None or model is None or kept is None:
        return state
    turn = 1 + sum(1 for item in state.entered if item.contingency == event.contingency)
    put = kept.at(event.spot, opened.housing, turn)
    place = state.index.get(event.returns_to, state.place)
    steps = counted_again((*state.steps[:place], *put, *state.steps[place:]), state.marks, event.extra or {})
    state = replace(
        state, steps=steps, index=_index(steps), entered=(*state.entered, event), stop=None,
        model=happen(model, kept.occurs, event.spot), applied=state.applied - set(event.due_again),
    )  # fmt: skip
    state = replace(state, watch=_watched_again(state, event))
    why = f"left for {event.title}, entry {event.seq}"
    state = _not_applicable(state, event.left, stamp_of(event), why)
    state = _unsettle(state, event.due_again, (), f"undone by {event.title}, entry {event.seq}")
    return replace(state, place=_place(state.steps, state.marks, min(place, state.place)))


def _changed(state: JobState, event: FieldChangeProposed | FieldChangeApproved | FieldChangeDeclined) -> JobState:
    """Put the new words of a change that is now in force into its step."""
    found = state.changes.numbered(event.number)
    if not isinstance(event, FieldChangeApproved) or not event.in_force or found is None:
        return state
    new = found.proposed.new
    steps = tuple(reworded(step, new) if step.id == event.step else step for step in state.steps)
    return replace(state, steps=steps)


def _not_applicable(state: JobState, steps: tuple[str, ...], stamp: Stamp, why: str) -> JobState:
    changed = {step: replace(_renewed(state.mark(step)), done=stamp, not_applicable=why) for step in steps}
    return _with_marks(state, changed) if changed else state


def counted_again(steps: tuple[Step, ...], marks: Mapping[str, Mark], extra: Mapping[str, int]) -> tuple[Step, ...]:
    """Return the steps with the packages that a contingency adds counted where packages are handed over."""
    more = extra.get(Use.SPENT_PACKAGES, 0) + extra.get(Use.FILTERLESS_PACKAGES, 0)
    if not more:
        return steps
    return tuple(
        step if marks.get(step.id, _NO_MARK).stands else
        step.model_copy(update={"asks": tuple(_with_packages(asked, more) for asked in step.asks)})
        for step in steps
    )  # fmt: skip


def _with_packages(asked: AskedFor, more: int) -> AskedFor:
    limit = asked.limit
    if limit is None or asked.ask.limit != "takeoff.packages":
        return asked
    low, high = (None if end is None else str(int(end) + more) for end in (limit.low, limit.high))
    basis = "take-off of this job, with what contingencies added"
    return asked.model_copy(update={"limit": limit.model_copy(update={"low": low, "high": high, "basis": basis})})


def _unsettle(state: JobState, due_again: tuple[str, ...], flagged: tuple[str, ...], why: str) -> JobState:
    changed = {step: replace(state.mark(step), due_again=why, begun=None) for step in due_again}
    for step in flagged:
        changed[step] = replace(state.mark(step), flags=(*state.mark(step).flags, why))
    return replace(_with_marks(state, changed), submitted=None if due_again else state.submitted)


def _stopped(state: JobState, event: JobStopped) -> JobState:
    stop = Stop(stamp_of(event), event.step, event.reason, event.text, bool(event.noticed))
    pictures = state.model_at_stop if state.model is None else (*state.model_at_stop, (event.seq, state.model))
    leaving = replace(state.leaving, handover=None)
    watch = resting(state.watch)
    return replace(state, stop=state.stop or stop, model_at_stop=pictures, leaving=leaving, watch=watch)


def _left(state: JobState, event: LeavingEvent) -> JobState:
    rechecks = event.rechecks if isinstance(event, COMING_BACK) else state.rechecks
    watch = state.watch
    if isinstance(event, JobSuspended):
        watch = resting(watch)
    if isinstance(event, COMING_BACK):
        watch = _watched_again(state, event)
    return replace(state, leaving=evolve_leaving(state.leaving, event), rechecks=rechecks, watch=watch)


def _watched_again(state: JobState, event: Event) -> Watch:
    """Repeated readings begin anew when work that was left or stopped is come back to."""
    return watched(Watch(), state.opened.repeated if state.opened else None, state.model, event.at)


def _reopened(state: JobState, event: JobReopened) -> JobState:
    leaving, watch = come_back(state.leaving, event.rechecks), _watched_again(state, event)
    state = replace(
        state, stop=None, submitted=None, returned=None, rechecks=event.rechecks, leaving=leaving, watch=watch
    )
    return _unsettle(state, event.again, event.flagged, "to be done again, by the lead on re-opening")


def _left_otherwise(state: JobState, event: JobStopped) -> bool:
    """Whether something was seen otherwise when the work was left.

    Noted only where the job's first entry says that further kinds are asked about: no reviewer of an older record was
    ever shown it.
    """
    brief = state.opened.brief if state.opened else None
    further = brief is not None and brief.asks is not None
    return further and state.stage is Stage.SUSPENDED and not event.noticed


def _notable(state: JobState, event: Event, paper: Transcribed | None) -> tuple[Notable, ...]:
    found: list[Notable] = []
    zone = state.opened.zone if state.opened else "UTC"
    match event:
        case StepDone() | StepBegun():
            pass  # most entries are one of these: they are known without asking after every other kind
        case StepOutside():
            told = outside_words(event.evidence, state.step(event.step))
            found.append(Notable(event.seq, "outside its limit", told, event.step))
        case EntriesDiffered():
            step = state.step(event.step)
            label = next((item.ask.label for item in step.asks if item.ask.id == event.ask), "") if step else ""
            told = f"{label or event.ask}: {event.first} and {event.again} were entered for one number."
            found.append(Notable(event.seq, "two entries differ", told, event.step))
        case AttemptRefused():
            found.append(Notable(event.seq, "refused", event.sentence, event.step, event.code))
        case AnswerCorrected():
            told = f"{event.ask}: was {event.was}, now {event.now}. {event.reason}"
            found.append(Notable(event.seq, "corrected", told, event.step))
        case StepWithdrawn():
            found.append(Notable(event.seq, "withdrawn", event.reason, event.step))
        case JobStopped() if event.reason is None or _left_otherwise(state, event):
            found.append(Notable(event.seq, "stopped", event.text or "The job was stopped.", event.step))
        case JobReopened():
            found.append(Notable(event.seq, "re-opened", event.answer))
        case MarkContested():
            found.append(Notable(event.seq, "accounts differ", event.why, event.step))
        case ContestDecided():
            found.append(Notable(event.seq, "accounts settled", event.reason))
        case WayOutTaken():
            found.append(Notable(event.seq, "steps put in", event.reason, event.step))
        case ContingencyEntered():
            found.append(Notable(event.seq, "contingency", f"{event.title}: {event.reason}", event.step))
        case FieldChangeProposed():
            found.append(Notable(event.seq, "field change", f"{event.number}: {event.reason}", event.step))
        case StepNotApplicable():
            found.append(Notable(event.seq, "not applicable", event.reason, event.step))
        case HoldReleasedByRadio():
            told = f"Released by {event.sender.name} by voice, taken by {event.by.name}."
            found.append(Notable(event.seq, "released by radio", told, event.step))
        case RecheckAnswered(as_expected=False):
            found.append(Notable(event.seq, "not as recorded", event.seen))
        case RecordReturned():
            found.append(Notable(event.seq, "returned", event.reason))
        case CrewLeft():
            found.append(Notable(event.seq, "left the crew", f"{event.person.name}: {event.reason}"))
        case JobSuspended() if event.to_rest is not None:
            told = f"Missing to a resting state: {'; '.join(event.to_rest) or 'not known to the model'}."
            found.append(Notable(event.seq, "left not at rest", told, event.step))
        case BlankReconciled(how="voided"):
            found.append(Notable(event.seq, "paper voided", f"{event.serial}: {event.reason}"))
        case OthersLockRemoved() | DamperStroked() | PointNamed():
            found += [Notable(event.seq, kind, told) for kind, told in notable_of(event)]
        case ReadingMissed():
            found.append(
                Notable(
                    event.seq, "reading missed", f"A repeated reading was due at {local_or_as_kept(event.due, zone)}."
                )
            )
        case ReadingRepeated() if event.judged.verdict == "outside":
            found.append(Notable(event.seq, "outside its limit", f"Repeated reading {event.answer.text}."))
        case _:
            pass
    if paper is not None:
        told = f"From paper {paper.serial}, done {local_or_as_kept(paper.happened, zone)}: {paper.why_late}"
        found.append(Notable(event.seq, "transcribed from paper", told, getattr(event, "step", None)))
    if event.device is not None:
        found += [_of_clock(event, kind, told) for kind, told in _clock_words(event.device)]
    return tuple(found)


def _tapped_at(event: Event) -> str:
    """When a mark was made: by the tablet's clock if the tablet kept it for a while, else by the server's."""
    device = event.device
    return device.at if device is not None and device.late_ms is not None and device.at else event.at


def _close_together(state: JobState, event: Event) -> Iterator[Notable]:
    """Notice two steps done within less than the site's setting: were both looked at."""
    least = state.opened.marks_apart_s if state.opened else None
    tapped_at = _tapped_at(event)
    if not least or not state.done_at or not tapped_at or not isinstance(event, StepDone):
        return
    apart_ms = milliseconds_between(state.done_at, tapped_at)
    if 0 <= apart_ms < least * 1000:
        told = f"Done {apart_ms / 1000:.1f} s after the step before it; less than {least} s apart."
        yield Notable(event.seq, "marks close together", told, event.step)


def outside_words(evidence: Evidence, step: Step | None) -> str:
    """Say what was outside: the result, else the answers, by the names that people see."""
    asks = {asked.ask.id: asked.ask for asked in step.asks} if step else {}
    told = [evidence.result.shown] if evidence.result and evidence.result.within is False else []
    why = "".join(f" {item.why}" for item in evidence.judged if item.why)
    for item in evidence.judged:
        if item.verdict == "outside" and (answer := evidence.answers.get(item.ask)):
            label = asks[item.ask].label if item.ask in asks else item.ask
            told.append(f"{label} {answer.text} {unit_words(answer.unit)}".strip())
    return f"Outside its limit: {'; '.join(told)}.{why}" if told else "A reading or answer outside its limit."


def _of_clock(event: Event, kind: str, told: str) -> Notable:
    return Notable(event.seq, kind, told, getattr(event, "step", None))


def _clock_words(device: Device) -> Iterator[tuple[str, str]]:
    if device.offset_ms is not None and abs(device.offset_ms) > LATE_AFTER_MS:
        apart = f"The tablet's clock and the server's are {abs(device.offset_ms) // 1000} s apart."
        yield "late or clock apart", apart
    if device.late_ms is not None and device.late_ms > LATE_AFTER_MS:
        kept = f"Kept on the tablet for {device.late_ms // 60_000} min while the server was out of reach."
        yield "late or clock apart", kept
    if device.recovered:
        yield "recovered", f"Given back by {device.tablet} after a restore from a backup."
    if device.missing is not None:
        gap = f"Mark {device.missing} of {device.tablet}, made before this one, is not in the record up to here."
        yield "mark missing", gap


def milliseconds_between(earlier: str, later: str) -> int:
    """Return the time from one RFC 3339 instant to another, in milliseconds."""
    span = datetime.fromisoformat(later) - datetime.fromisoformat(earlier)
    return round(span.total_seconds() * 1000)
