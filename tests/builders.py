"""Small builders shared by the tests: people, moments, housings, whole runs.  No clock, no random."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from pathlib import Path

from app.domain.commands import Command, Moment, Open
from app.domain.decide import decide
from app.domain.event_base import Device, Who
from app.domain.events import Event
from app.domain.housing import Housing, read_housing
from app.domain.job import JobState, fold
from app.domain.procedure import Procedure, Role, read_procedure
from app.domain.site import InstrumentKept, SiteState
from app.records.moments import local_text, utc_text
from app.services.jobs import Jobs
from app.services.planning import first_entry, plan
from app.services.rehearsal import MADE_UP_INSTRUMENTS, Cast, commands_for

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
        )

    def due_commands(self) -> list[tuple[Command, Who]]:
        """Return what would do the step that is due, and who would do it."""
        return list(commands_for(self.state, CAST))

    def run_to(self, name: str = "", *, steps: int = 10_000) -> JobState:
        """Work on until the due step's id ends with `name`, or for so many steps, or to the end."""
        while self.state.due is not None and steps and not (name and self.state.due.id.endswith(name)):
            for command, by in self.due_commands():
                self.do(command, by)
            steps -= 1
        return self.state


def keep_made_up_instruments(jobs: Jobs) -> None:
    """Put the instruments that made-up answers name into a site's register."""
    for instrument in MADE_UP_INSTRUMENTS.values():
        jobs.write_site(
            lambda _, seq, at, kept=instrument: InstrumentKept(seq=seq, at=at, instrument=kept)  # type: ignore[misc]
        ).result()


def opened(tag: str = "EF-03", name: str = "change-out", crew: Sequence[Who] = (HANDS, EYES)) -> Bench:
    """Return a job that has just been opened on a sample housing."""
    bench = Bench()
    made = plan(housing(tag), procedure(name), "0" * 64)
    draft = first_entry(
        made, site=SiteState(name="Sample Works"), by=LEAD, at=utc_text(START), crew=tuple(crew), rehearsal=False
    )
    bench.ledger = draft.ledger
    bench.do(Open(draft), LEAD)
    return bench
