"""Rehearse a procedure over a housing: a complete run without people, marked REHEARSAL everywhere.

Every command goes through `decide` like a real one; answers are made up to lie within their limits.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta

from app.domain.applicability import PERMIT_UNTIL
from app.domain.commands import Accept, Begin, Command, ExplainStop, Finish, Moment, Open, Release, Reopen, Submit
from app.domain.crew import Acknowledge, ConfirmPause, Part, Qualifications
from app.domain.decide import decide
from app.domain.deciding.isolation import goes_back, named_at, unlocked
from app.domain.deciding.leaving import AS_EXPECTED
from app.domain.event_base import Who
from app.domain.events import Event, payload_of
from app.domain.field_change import ApproveChange, approvers_of
from app.domain.filling import SERIAL_ASK
from app.domain.housing import BankDesign, FurtherKind, SiteLimit
from app.domain.instruments import Instrument, InstrumentKind
from app.domain.job import JobState, Stage, fold, milliseconds_between
from app.domain.judging import AGAIN
from app.domain.leaving import AnswerLooks, ReadNext, Recheck, ReturnToWork, SignHandover
from app.domain.lessons import AnswerDeviation
from app.domain.locks import LockPoint, NamePoint, Stroke, StrokeDamper, StrokePart, TakeOwnLockOff, UnlockPoint
from app.domain.paper import ReconcileBlank
from app.domain.procedure import Role, Second, StepKind
from app.domain.radio import SignRadioRelease
from app.domain.site import SiteState
from app.domain.steps import AskedFor, Named, Step
from app.domain.watching import TakeReading
from app.ledger.canonical import canonical
from app.ledger.heads import Head, Signer, head_message
from app.ledger.tree import EMPTY, Frontier, leaf_hash
from app.records.moments import local_text, utc_text
from app.services.planning import Plan, first_entry

LEAD = Who(id="rehearsal-lead", name="Rehearsal lead", role=Role.LEAD)
OFFICER = Who(id="rehearsal-officer", name="Rehearsal officer", role=Role.SAFETY_OFFICER)
HANDS = Who(id="rehearsal-hands", name="Rehearsal hands", role=Role.TECHNICIAN)
EYES = Who(id="rehearsal-eyes", name="Rehearsal eyes", role=Role.TECHNICIAN)
SECOND_LEAD = Who(id="rehearsal-lead-2", name="Rehearsal second lead", role=Role.LEAD)


@dataclass(frozen=True, slots=True)
class Cast:
    """Who plays which part.  lead: one who releases holds and did not open the job."""

    hands: Who = HANDS
    eyes: Who = EYES
    officer: Who = OFFICER
    lead: Who = SECOND_LEAD


CAST = Cast()
MADE_UP_INSTRUMENTS = {
    f"rehearsal {kind}": Instrument(
        id=f"rehearsal {kind}", kind=kind, description="made up for a rehearsal", calibrated_on=date(2000, 1, 1),
        due=date(9999, 12, 31), floor_fraction="0.00001", u_pct="5", efficiency="0.3",
    )
    for kind in InstrumentKind
}  # fmt: skip
"""One of every kind that never runs out; no real job can use them, for no register holds them."""
MADE_ON, FAR_OFF = "2026-01-01", "9999-12-31"
"""The making of a made-up filter, where no day is given."""
STEP_TIME = timedelta(seconds=40)
COMING_BACK = (Stage.SUSPENDED, Stage.LOOKING, Stage.HANDING_OVER)
READ_BEFORE_MS = 10 * 60_000
"""People take a repeated reading before it is due; how long before, is this program's figure."""


@dataclass(slots=True)
class Run:
    """A ledger in memory: events, heads and the state folded from them."""

    ledger: str
    signer: Signer
    now: datetime
    zone: str = "UTC"
    state: JobState = field(default_factory=JobState)
    events: list[Event] = field(default_factory=list)
    heads: list[Head] = field(default_factory=list)
    frontier: Frontier = EMPTY
    qualifications: Qualifications = field(default_factory=dict)

    def do(self, command: Command, by: Who) -> JobState:
        """Carry out one command as this person and advance the made-up clock."""
        self.now += STEP_TIME
        at = utc_text(self.now)
        moment = Moment(
            ledger=self.ledger,
            at=at,
            by=by,
            local_time=local_text(at, self.zone),
            root=self.frontier.root().hex(),
            instruments=MADE_UP_INSTRUMENTS,
            qualifications=self.qualifications,
        )
        fresh = decide(self.state, command, moment)
        for event in fresh:
            self.frontier = self.frontier.append(leaf_hash(canonical(payload_of(event))))
        self.events += fresh
        self.state = fold(fresh, start=self.state)
        if fresh:
            self.heads.append(self._head(at))
        return self.state

    def _head(self, at: str) -> Head:
        size, root = self.frontier.size, self.frontier.root()
        message = head_message(ledger=self.ledger, size=size, root=root, at=at, key_id=self.signer.key_id)
        return Head(self.ledger, size, root, at, self.signer.key_id, self.signer.sign(message))


def rehearse(made: Plan, signer: Signer, *, begin: datetime, site: str = "Rehearsal", zone: str = "UTC") -> Run:
    """Run a whole job through `decide`, from opening to acceptance; raise Refused where the rules say no."""
    run = Run(ledger="", signer=signer, now=begin.astimezone(UTC), zone=zone)
    run.qualifications = made_up_qualifications(made.procedure.needs, (HANDS, EYES))
    draft = first_entry(
        made,
        site=SiteState(name=site, zone=zone),
        by=LEAD,
        at=utc_text(run.now + STEP_TIME),
        crew=(HANDS, EYES),
        rehearsal=True,
    )
    run.ledger = draft.ledger
    run.do(Open(draft), LEAD)
    while run.state.due is not None:
        for command, by in commands_for(run.state, made_on=run.now.date().isoformat()):
            run.do(command, by)
    run.do(Submit(), SECOND_LEAD)
    run.do(Accept(), OFFICER)
    return run


def made_up_qualifications(needs: Iterable[str], people: Iterable[Who]) -> Qualifications:
    """Return a register in which these people hold everything needed, for ever; no real job can use it."""
    last = date.fromisoformat(FAR_OFF)
    return {(who.id, need): last for who in people for need in needs}


def commands_for(state: JobState, cast: Cast = CAST, *, made_on: str = MADE_ON) -> Iterator[tuple[Command, Who]]:
    """Yield what people would do next, until the step that is due stands, with answers within their limits.

    A stopped job is re-opened, one that was left is come back to, and everything is found as recorded.
    Whoever has to be briefed for it is briefed first; with no step left, what is open after the job is answered.
    """
    yield from _obligations(state, cast)
    step = state.due
    if state.stage in COMING_BACK:
        yield from coming_back(state, cast)
        return
    if state.stage is Stage.STOPPED:
        if state.stop is not None and not state.stop.reason:
            yield ExplainStop("unexpected", "rehearsal: tried out"), cast.hands
        yield Reopen("rehearsal: looked at, safe to go on"), cast.lead
        return
    if step is None:
        yield from ((ReconcileBlank(item.serial, "voided", reason="not used"), cast.lead) for item in state.paper.out)
        for item in state.unanswered:
            yield (
                AnswerDeviation(item.seq, f"Otherwise than planned: {item.kind}.", "As noted there.", "Nothing."),
                cast.hands,
            )
        return
    yield from _briefings(state, step, cast)
    yield from about_locks(state, step, cast)
    if step.table == "locks_on" and (unlocked(state) or (step.further and not named_at(state, step))):
        return
    if step.table == "locks_off" and state.locks.points:
        return
    if step.kind is StepKind.HOLD:
        yield Release(step.id), cast.officer if step.role is Role.SAFETY_OFFICER else cast.lead
        return
    if step.says and state.crew.enforced:
        present = {who.id: who for who in (*state.crew.waiting, *state.unspoken(step.id))}
        joining = () if state.crew.member(cast.hands.id) else (cast.hands.id,)
        yield ConfirmPause(step.id, tuple(dict.fromkeys((*present, *joining)))), cast.hands
        return
    by = cast.eyes if step.kind is StepKind.VERIFY else cast.hands
    second = (cast.eyes if by is cast.hands else cast.hands) if step.second else None
    if step.marks == 2 and state.mark(step.id).begun is None:
        beside = second if step.second is Second.CONCURRENT else None
        yield Begin(step.id, beside, answers=labels_of(step)), by
    stated = {item.ask.id: _stated(state, item.same_as) for item in step.asks if item.same_as is not None}
    yield Finish(step.id, made_up_answers(step, made_on=made_on) | _serial(state, step) | stated, second=second), by


def _serial(state: JobState, step: Step) -> dict[str, str]:
    """Return a number of its own for each new filter, since no filter is in two places."""
    if step.computes != "filter_age" or state.opened is None:
        return {}
    place = f"{state.opened.housing.tag} {state.opened.number} {step.port}-{step.position}"
    return {SERIAL_ASK: f"rehearsal, serial {place}"} if any(asked.ask.id == SERIAL_ASK for asked in step.asks) else {}


def _stated(state: JobState, named: Named) -> str:
    """What a verification finds: what was entered first."""
    return state.mark(named.step).evidence.answers[named.ask].text


def _briefings(state: JobState, step: Step, cast: Cast) -> Iterator[tuple[Command, Who]]:
    """Yield the acknowledgements that must come before this step: of the crew named, and of who will mark it."""
    crew = state.crew
    if not crew.enforced:
        return
    words = "I know the cuts, the barriers and when to stop."
    if step.kind is StepKind.HOLD:
        if step.role is Role.LEAD and not crew.may_release(cast.lead):
            yield Acknowledge(Part.RELEASE, words), cast.lead
        marking: tuple[Who, ...] = ()
    else:
        marking = (cast.eyes,) if step.kind is StepKind.VERIFY else (cast.hands,)
    for who in {who.id: who for who in (*crew.waiting, *marking)}.values():
        if crew.member(who.id) is None:
            yield Acknowledge(Part.WORK, words), who


def _obligations(state: JobState, cast: Cast) -> Iterator[tuple[Command, Who]]:
    """What is owed before the work goes on or goes to review: signatures of senders, answers to field changes."""
    for release in state.unsigned:
        yield SignRadioRelease(release.seq), release.sender
    waiting = state.changes.waiting_at(state.due.id) if state.due else None
    if waiting is not None and state.due is not None:
        given = {item.by.role for item in waiting.approved}
        for role in approvers_of(state.due):
            if role not in given:
                yield ApproveChange(waiting.proposed.number), cast.lead if role is Role.LEAD else cast.officer


def coming_back(state: JobState, cast: Cast = CAST) -> Iterator[tuple[Command, Who]]:
    """Yield what lets left work go on: return, read what is next, answer every look as recorded, sign a hand-over."""
    under_way = state.leaving.handover
    hands = under_way.incoming if under_way else cast.hands
    if state.stage is Stage.SUSPENDED:
        yield ReturnToWork(), hands
    elif state.stage is Stage.HANDING_OVER and under_way:
        yield SignHandover(), under_way.signer[1]
    else:
        if state.leaving.unread:
            yield ReadNext(), hands
        if state.rechecks:
            yield AnswerLooks(looks_as_recorded(state.rechecks)), hands


def looks_as_recorded(looks: Sequence[Recheck]) -> dict[str, str]:
    """Return an answer to every look that agrees with the record."""
    return {look.id: _as_recorded(look) for look in looks}


def _as_recorded(look: Recheck) -> str:
    match look.kind:
        case "reading":
            return _within(look.limit)
        case None:
            return AS_EXPECTED
        case _:
            return look.expected


def about_locks(state: JobState, step: Step, cast: Cast) -> Iterator[tuple[Command, Who]]:
    """Yield what people would do about locks and repeated readings before they go on with this step."""
    if (
        (due := state.watch.due) is not None
        and state.last_at
        and milliseconds_between(state.last_at, due) < READ_BEFORE_MS
    ):
        repeated = state.opened.repeated if state.opened else None
        yield TakeReading(_within(repeated.limit if repeated else None)), cast.hands
    if stroke := state.locks.stroke:
        yield from _trial(state, stroke, cast)
    if goes_back(step):
        yield from ((TakeOwnLockOff(item.lock), item.by) for item in state.locks.own)
    if step.further and not named_at(state, step):
        tag = f"R-{len(state.locks.further) + 1}"
        yield NamePoint(step.id, tag, FurtherKind.BLANK, "bolted on"), cast.hands
    elif step.table == "locks_on":
        for place, point in enumerate(unlocked(state), start=len(state.locks.hung) + 1):
            yield LockPoint(step.id, point.id, point.safe, f"L-{place}", f"T-{place}"), cast.hands
    if step.table == "locks_off":
        yield from ((UnlockPoint(step.id, item.point), item.by) for item in state.locks.points)


def _trial(state: JobState, stroke: Stroke, cast: Cast) -> Iterator[tuple[Command, Who]]:
    point = next(item for item in state.points if item.id == stroke.point)
    lock = state.locks.at(point.id)
    left = list(StrokePart)[list(StrokePart).index(stroke.part) : list(StrokePart).index(StrokePart.GIVEN_UP)]
    for part in left:
        match part:
            case StrokePart.OFF if lock is not None:
                yield StrokeDamper(point.id, part), lock.by
            case StrokePart.MOVED:
                yield StrokeDamper(point.id, part, seen="moved to its end and back"), cast.hands
            case _:
                number = len(state.locks.hung) + 1
                yield StrokeDamper(point.id, part, point.safe, f"L-{number}", f"T-{number}"), cast.hands


def labels_of(step: Step) -> dict[str, str]:
    """Return what the labels read that a step asks for before anybody acts."""
    return {asked.ask.id: asked.ask.expects or "" for asked in step.asks_at("begin")}


def made_up_answers(step: Step, *, made_on: str = MADE_ON) -> dict[str, str]:
    """Return an answer for everything that the step must be given, each within its limit."""
    answers = {
        asked.ask.id: _made_up(asked, step, made_on)
        for asked in step.asks_at("finish")
        if asked.ask.required and asked.ask.kind != "photo"
    }
    design = step.design or BankDesign()
    match step.computes:
        case "leak_test":
            answers |= {"upstream": "25.0", "downstream": "0.0085", "background": "0.0010"}
        case "capacity":
            answers["flow"] = design.design_flow_m3_h or "1000"
        case "resistance_at_rated":
            answers |= {"flow": design.rated_flow_m3_h or "1000"}
            answers["drop"] = "200" if answers["drop"] == "0" else answers["drop"]
        case "pressure_decay":
            answers |= {"volume": "2", "minutes": "15", "baro-start": "101325", "baro-end": "101325",
                        "gauge-start": "-1000", "gauge-end": "-990", "temp-start": "21", "temp-end": "21"}  # fmt: skip
        case "uniformity":
            answers["readings"] = "0.45 0.46 0.44 0.45"
        case "smear":
            answers |= {"gross": "1", "minutes": "10", "background": "10", "background-minutes": "100"}
    twice = [asked.ask.id for asked in step.asks if asked.ask.twice and asked.ask.id in answers]
    return answers | {f"{name}{AGAIN}": answers[name] for name in twice}


def _made_up(asked: AskedFor, step: Step, made_on: str) -> str:
    match asked.ask.kind:
        case "choice":
            return (asked.ask.good or asked.ask.options)[0]
        case "reading":
            return _within(asked.limit)
        case "instrument":
            return f"rehearsal {asked.ask.measures}"
        case "tag":
            return asked.ask.expects or ""
        case "date":
            return FAR_OFF if asked.ask.id == PERMIT_UNTIL else made_on
        case _:
            return f"rehearsal, {step.id.rsplit('/', 1)[-1]}"


def _within(limit: SiteLimit | None) -> str:
    """Return a number that meets the limit: its lower end, or its upper end where that belongs to it, or 0."""
    if limit is None:
        return "0"
    if limit.low is not None:
        return limit.low
    return limit.high if limit.high is not None and limit.op == "<=" else "0"
