"""Small builders shared by the tests: people, moments, housings, whole runs.  No clock, no random."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache, partial
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING

from app.domain.commands import Command, Finish, Moment, Open
from app.domain.crew import Acknowledge, Part, Qualifications
from app.domain.decide import decide
from app.domain.event_base import Device, Who
from app.domain.events import Event
from app.domain.housed import Housed
from app.domain.housing import Housing, SiteLimit, read_housing
from app.domain.job import JobState, Stage, fold
from app.domain.judging import AGAIN
from app.domain.procedure import Procedure, Role, read_procedure
from app.domain.restores import Restore
from app.domain.site import InstrumentKept, ProcedureIssued, QualificationNoted, SiteState
from app.domain.store import Store
from app.domain.wasting import lacks
from app.domain.watch_events import LimitChosen
from app.records.moments import local_text, utc_text
from app.services.issuing import issue_all
from app.services.jobs import Jobs
from app.services.planning import first_entry, plan
from app.services.rehearsal import MADE_UP_INSTRUMENTS, Cast, commands_for, made_up_answers
from app.services.waste import WasteBook

if TYPE_CHECKING:
    from app.bootstrap import Running

SEED = Path(__file__).resolve().parents[1] / "seed_data"
START = datetime(2026, 3, 2, 7, 0, tzinfo=UTC)

LEAD = Who(id="lead", name="Ines Varga", role=Role.LEAD)
OTHER_LEAD = Who(id="other-lead", name="Radek Nowák", role=Role.LEAD)
HANDS = Who(id="hands", name="Noor Haddad", role=Role.TECHNICIAN)
EYES = Who(id="eyes", name="Tomé Silva", role=Role.TECHNICIAN)
OFFICER = Who(id="officer", name="Aiko Lindqvist", role=Role.SAFETY_OFFICER)
KEEPER = Who(id="keeper", name="Bram Okafor", role=Role.ADMINISTRATOR)
CAST = Cast(hands=HANDS, eyes=EYES, officer=OFFICER, lead=OTHER_LEAD)
PEOPLE = (LEAD, OTHER_LEAD, HANDS, EYES, OFFICER, KEEPER)


NEEDS = ("bag-out training", "respirator fit test", "site induction")
"""What the shipped procedures need of whoever works."""
DEMO_IDS = ("ines-varga", "radek-nowak", "noor-haddad", "tome-silva", "aiko-lindqvist")
QUALIFIED = {
    (person, need): date(9999, 12, 31) for person in (*(who.id for who in PEOPLE), *DEMO_IDS) for need in NEEDS
}
"""A register in which the people of the tests and of the sample site hold all of it."""


LIMITS_OF_TESTS = {
    "no_flow": SiteLimit(low="0", high="0.06", unit="m/s", basis="figure of these tests"),
    "housing_pressure": SiteLimit(low="-55", high="0", unit="Pa", basis="figure of these tests"),
}


@lru_cache
def procedure(name: str = "change-out") -> Procedure:
    """Return a shipped procedure."""
    return read_procedure(procedure_text(name), name=name)


def procedure_text(name: str = "change-out") -> str:
    """Return a shipped procedure's text."""
    return (SEED / "procedures" / f"{name}.toml").read_text("utf-8")


@lru_cache
def housing(tag: str = "EF-03") -> Housing:
    """Return a sample housing."""
    return read_housing((SEED / "housings" / f"{tag}.toml").read_text("utf-8"), name=tag)


@dataclass
class Bench:
    """A job without storage: commands in, events out, a clock that is told."""

    state: JobState = field(default_factory=JobState)
    events: list[Event] = field(default_factory=list)
    now: datetime = START
    ledger: str = "job-2026-0001"
    root: str = "00" * 32
    restores: tuple[Restore, ...] = ()
    missing: int | None = None
    qualifications: Qualifications = field(default_factory=lambda: QUALIFIED)
    store: Store = field(default_factory=Store)
    housed: Housed = field(default_factory=Housed)
    cast: Cast = CAST

    def do(self, command: Command, by: Who, device: Device | None = None) -> tuple[Event, ...]:
        """Carry out one command a minute later."""
        self.now += timedelta(minutes=1)
        fresh = decide(self.state, command, self.moment(by, device))
        self.state = fold(fresh, start=self.state)
        self.events += fresh
        return fresh

    def moment(self, by: Who, device: Device | None = None) -> Moment:
        """Return this person asking now."""
        at = utc_text(self.now)
        return Moment(
            ledger=self.ledger,
            at=at,
            by=by,
            local_time=local_text(at, "UTC"),
            root=self.root,
            device=device,
            instruments=MADE_UP_INSTRUMENTS,
            restores=self.restores,
            missing=self.missing,
            qualifications=self.qualifications,
            store=self.store,
            housed=self.housed,
        )

    def due_commands(self) -> list[tuple[Command, Who]]:
        """Return what would do the step that is due, and who would do it."""
        return list(commands_for(self.state, self.cast))

    def answer(self, answers: Mapping[str, str], by: Who = HANDS) -> tuple[Event, ...]:
        """Finish the step that is due with these answers in place of the made-up ones, a second person beside."""
        due = self.state.due
        assert due is not None
        whole = made_up_answers(due) | dict(answers)
        whole |= {
            f"{item.ask.id}{AGAIN}": whole[item.ask.id] for item in due.asks if item.ask.twice and item.ask.id in whole
        }
        return self.do(Finish(due.id, whole, second=EYES if due.second else None), by)

    def go_on(self) -> None:
        """Re-open the stopped job and find everything as recorded."""
        while self.state.stage in (Stage.STOPPED, Stage.LOOKING):
            for command, by in self.due_commands():
                self.do(command, by)

    def brief(self, *people: Who, part: Part = Part.WORK) -> None:
        """Let these people acknowledge the brief."""
        for who in people:
            self.do(Acknowledge(part, "Nobody cuts before the pause; I call the stop."), who)

    def run_to(self, name: str = "", *, steps: int = 10_000) -> JobState:
        """Work on until the due step's id ends with `name`, or for so many steps, or to the end."""
        while self.state.due is not None and steps and not (name and self.state.due.id.endswith(name)):
            for command, by in self.due_commands():
                self.do(command, by)
            steps -= 1
        for command, by in self.due_commands() if self.state.due is None else ():
            self.do(command, by)
        return self.state


def let_limits_hold(jobs: Jobs) -> None:
    """Enter the limits of a site for housings that have none of their own."""
    for name, now in LIMITS_OF_TESTS.items():
        chosen = partial(LimitChosen, limit=name, now=now)
        jobs.write_site(lambda _, seq, at, chosen=chosen: chosen(seq=seq, at=at)).result()  # type: ignore[misc]


def keep_made_up_instruments(jobs: Jobs) -> None:
    """Put the instruments that made-up answers name into a site's register, and qualify the people of the tests."""
    for (person, need), until in QUALIFIED.items():
        noted = partial(QualificationNoted, person=person, what=need, until=until)
        jobs.write_site(lambda _, seq, at, noted=noted: noted(seq=seq, at=at)).result()  # type: ignore[misc]
    for instrument in MADE_UP_INSTRUMENTS.values():
        jobs.write_site(
            lambda _, seq, at, kept=instrument: InstrumentKept(seq=seq, at=at, instrument=kept)  # type: ignore[misc]
        ).result()


def issue_texts(running: "Running", *, limits: bool = True) -> None:
    """Have a safety officer of the site approve its procedures and a lead issue them; limits: its own hold as well."""
    if limits:
        let_limits_hold(running.site.jobs)
    people = {person.role: person.who for person in reversed(running.people.everyone())}
    texts = running.site.library.procedures()
    issue_all(running.site.jobs, texts, approver=people[Role.SAFETY_OFFICER], lead=people[Role.LEAD])


UNREAD = "0" * 64
"""The SHA-256 that a job of the tests names where nobody looks at its text."""


def let_texts_in(jobs: Jobs) -> None:
    """Enter the shipped procedures as issued, unsigned as the first program did, at a site where nobody works.

    Its limits for housings without their own hold as well.
    """
    let_limits_hold(jobs)
    for path in sorted((SEED / "procedures").glob("*.toml")):
        text = path.read_text("utf-8")
        made = read_procedure(text, name=path.name)
        for digest in (sha256(text.encode()).hexdigest(), UNREAD):
            issued = partial(ProcedureIssued, procedure=made.id, revision=made.revision, author=made.author,
                             approver=made.approver, sha256=digest)  # fmt: skip
            jobs.write_site(lambda _, seq, at, issued=issued: issued(seq=seq, at=at)).result()  # type: ignore[misc]


def account_for_packages(waste: WasteBook, job: str, by: Who = KEEPER) -> None:
    """Enter what the steps leave open of a job's packages: why they were not weighed, and the rest if need be."""
    _, site, packages = waste.of_job(job)
    found = {item.name: lacks(site.waste, item) for item in packages}
    told = [name for name, missing in found.items() if any(item.startswith("weight") for item in missing)]
    placed = [name for name, missing in found.items() if "place and owner" in missing]
    if told:
        waste.tell(told, {"no_scale": "no scale in these tests"}, by=by).result()
    for name in (name for name, missing in found.items() if "closure check" in missing):
        waste.check_closure(name, seen="taped and whole", whole=True, by=by).result()
    if placed:
        waste.place(placed, {"place": "the waste point", "answers": by.name}, by=by).result()


def opened(
    tag: str = "EF-03", name: str = "change-out", crew: Sequence[Who] = (HANDS, EYES), *, briefed: bool = True,
    qualifications: Qualifications = QUALIFIED,
) -> Bench:  # fmt: skip
    """Return a job that has just been opened on a sample housing; its crew has been briefed unless told otherwise."""
    bench = Bench(qualifications=qualifications)
    made = plan(housing(tag), procedure(name), "0" * 64)
    draft = first_entry(
        made, site=SiteState(name="Sample Works"), by=LEAD, at=utc_text(START), crew=tuple(crew), rehearsal=False
    )
    bench.ledger = draft.ledger
    bench.do(Open(draft), LEAD)
    if briefed:
        bench.brief(*crew)
    return bench
