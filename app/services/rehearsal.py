"""Rehearse a procedure over a housing: a complete run without people, marked REHEARSAL everywhere.

Every command goes through `decide` like a real one; answers are made up to lie within their limits.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta

from app.domain.commands import Accept, Begin, Command, Finish, Moment, Open, Release, Submit
from app.domain.decide import decide
from app.domain.deciding.isolation import BACK_TO_SERVICE, unlocked
from app.domain.event_base import Who
from app.domain.events import Event, payload_of
from app.domain.housing import BankDesign, SiteLimit
from app.domain.instruments import Instrument, InstrumentKind
from app.domain.job import PERMIT_UNTIL, JobState, fold, milliseconds_between
from app.domain.judging import AGAIN
from app.domain.locks import LockPoint, Stroke, StrokeDamper, StrokePart, TakeOwnLockOff, UnlockPoint
from app.domain.procedure import Role, StepKind
from app.domain.site import SiteState
from app.domain.steps import AskedFor, Step
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


def commands_for(state: JobState, cast: Cast = CAST, *, made_on: str = MADE_ON) -> Iterator[tuple[Command, Who]]:
    """Yield what people would do next, until the step that is due stands, with answers within their limits."""
    step = state.due
    if step is None:
        return
    yield from about_locks(state, step, cast)
    if step.table == "locks_on" and unlocked(state):
        return
    if step.table == "locks_off" and state.locks.points:
        return
    if step.kind is StepKind.HOLD:
        yield Release(step.id), cast.officer if step.role is Role.SAFETY_OFFICER else cast.lead
        return
    by = cast.eyes if step.kind is StepKind.VERIFY else cast.hands
    if step.marks == 2 and state.mark(step.id).begun is None:
        yield Begin(step.id, labels_of(step)), by
    yield Finish(step.id, made_up_answers(step, made_on=made_on)), by


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
    if any(effect.act in BACK_TO_SERVICE for effect in step.effects):
        yield from ((TakeOwnLockOff(item.lock), item.by) for item in state.locks.own)
    if step.table == "locks_on":
        for place, point in enumerate(unlocked(state), start=len(state.locks.hung) + 1):
            yield LockPoint(step.id, point.id, point.safe, f"L-{place}", f"T-{place}"), cast.hands
    if step.table == "locks_off":
        yield from ((UnlockPoint(step.id, item.point), item.by) for item in state.locks.points)


def _trial(state: JobState, stroke: Stroke, cast: Cast) -> Iterator[tuple[Command, Who]]:
    points = state.opened.housing.points if state.opened else ()
    point = next(item for item in points if item.id == stroke.point)
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
    return answers | {f"{asked.ask.id}{AGAIN}": answers[asked.ask.id] for asked in step.asks if asked.ask.twice}


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
