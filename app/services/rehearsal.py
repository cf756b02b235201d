"""Rehearse a procedure over a housing: a complete run without people, marked REHEARSAL everywhere.

Every command goes through `decide` like a real one; answers are made up to lie within their limits.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta

from app.domain.commands import Accept, Begin, Command, Finish, Moment, Open, Release, Submit
from app.domain.decide import decide
from app.domain.deciding.leaving import AS_EXPECTED
from app.domain.event_base import Who
from app.domain.events import Event, payload_of
from app.domain.housing import BankDesign, SiteLimit
from app.domain.instruments import Instrument, InstrumentKind
from app.domain.job import PERMIT_UNTIL, JobState, Stage, fold
from app.domain.judging import AGAIN
from app.domain.leaving import AnswerLooks, ReadNext, Recheck, ReturnToWork, SignHandover
from app.domain.paper import ReconcileBlank
from app.domain.procedure import Role, StepKind
from app.domain.site import SiteState
from app.domain.steps import AskedFor, Step
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
    if state.stage in COMING_BACK:
        yield from coming_back(state, cast)
        return
    step = state.due
    if step is None:
        yield from ((ReconcileBlank(item.serial, "voided", reason="not used"), cast.lead) for item in state.paper.out)
        return
    if step.kind is StepKind.HOLD:
        yield Release(step.id), cast.officer if step.role is Role.SAFETY_OFFICER else cast.lead
        return
    by = cast.eyes if step.kind is StepKind.VERIFY else cast.hands
    if step.marks == 2:
        yield Begin(step.id), by
    yield Finish(step.id, made_up_answers(step, made_on=made_on)), by


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


def made_up_answers(step: Step, *, made_on: str = MADE_ON) -> dict[str, str]:
    """Return an answer for everything that the step must be given, each within its limit."""
    answers = {
        asked.ask.id: _made_up(asked, step, made_on)
        for asked in step.asks
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
