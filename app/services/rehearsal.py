"""Rehearse a procedure over a housing: a complete run without people, marked REHEARSAL everywhere.

Every command goes through `decide` like a real one; answers are made up to lie within their limits.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from app.domain.commands import Accept, Begin, Command, Finish, Moment, Open, Release, Submit
from app.domain.decide import decide
from app.domain.events import Event, Who, payload_of
from app.domain.housing import SiteLimit
from app.domain.job import JobState, fold
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
STEP_TIME = timedelta(seconds=40)


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
    for step in made.steps:
        for command, by in commands_for(step):
            run.do(command, by)
    run.do(Submit(), SECOND_LEAD)
    run.do(Accept(), OFFICER)
    return run


def commands_for(step: Step) -> Iterator[tuple[Command, Who]]:
    """Yield what people would do at one step, with answers within their limits."""
    if step.kind is StepKind.HOLD:
        yield Release(step.id), OFFICER if step.role is Role.SAFETY_OFFICER else SECOND_LEAD
        return
    by = EYES if step.kind is StepKind.VERIFY else HANDS
    if step.marks == 2:
        yield Begin(step.id), by
    yield Finish(step.id, made_up_answers(step)), by


def made_up_answers(step: Step) -> dict[str, str]:
    """Return an answer for everything that the step must be given, each within its limit."""
    answers = {
        asked.ask.id: _made_up(asked, step) for asked in step.asks if asked.ask.required and asked.ask.kind != "photo"
    }
    if step.computes == "leak_test":
        answers |= {"upstream": "25.0", "downstream": "0.0085", "background": "0.0010"}
    return answers


def _made_up(asked: AskedFor, step: Step) -> str:
    match asked.ask.kind:
        case "choice":
            return (asked.ask.good or asked.ask.options)[0]
        case "reading":
            return _within(asked.limit)
        case _:
            return f"rehearsal, {step.id.rsplit('/', 1)[-1]}"


def _within(limit: SiteLimit | None) -> str:
    """Return a number that meets the limit: its lower end, or its upper end where that belongs to it, or 0."""
    if limit is None:
        return "0"
    if limit.low is not None:
        return limit.low
    return limit.high if limit.high is not None and limit.op == "<=" else "0"
