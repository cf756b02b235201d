"""Told histories for the tests of what follows from them: jobs by their events, readings by their day."""

from dataclasses import dataclass, field
from datetime import date, timedelta

from app.domain.containment.effects import Act, Effect
from app.domain.event_base import Answer, Evidence, Result
from app.domain.events import Event, JobOpened, StepDone, StepOutside, StepWithdrawn
from app.domain.housing import Bank, Housing
from app.domain.job import JobState, fold
from app.domain.job_lines import JobLine
from app.domain.procedure import Ask, Role, StepKind, Use
from app.domain.site import DropReading, ReadingStruck, ReadingTaken, SiteEvent, SiteState, fold_site
from app.domain.steps import AskedFor, Step
from app.records.drops import Known
from tests.builders import HANDS, LEAD, housing


def step(name: str, *, bank: Bank | None = Bank.HEPA, position: int | None = None, slides: bool = False) -> Step:
    """Return a step of port P1; one that slides a filter in has that effect."""
    slide = Effect(act=Act.SLIDE_IN, port="P1", position=position or 1)
    asks = (
        AskedFor(ask=Ask(id="drop", label="Pressure drop", kind="reading", unit="Pa")),
        AskedFor(ask=Ask(id="flow", label="Air flow", kind="reading", unit="m3/h")),
    )
    return Step(
        id=name, stage="Work", section="work", title="Work", use=Use.STEP_IN_HAND, text=f"Do {name}.",
        kind=StepKind.READING, role=Role.TECHNICIAN, effects=(slide,) if slides else (), asks=asks, port="P1",
        position=position, bank=bank,
    )  # fmt: skip


def resistance(read: str, rated: str, flow: str = "1700", *, within: bool | None = None) -> Evidence:
    """Return evidence of a pressure drop brought to rated flow."""
    inputs = {"dp_pa": read, "flow_m3_h": flow, "rated_m3_h": "1700", "temp_c": "21.1"}
    result = Result(
        method="resistance_at_rated/1", inputs=inputs, value=rated, unit="Pa", shown=f"{rated} Pa", within=within
    )
    return Evidence(answers={"drop": Answer(text=read, unit="Pa")}, result=result)


def leak(value: str, *, within: bool | None) -> Evidence:
    """Return evidence of a leak test."""
    result = Result(
        method="leak_test/1", inputs={}, value=value, unit="pct", shown=f"{value} %", limit="0.05", op="<",
        basis="told limit", within=within,
    )  # fmt: skip
    return Evidence(result=result)


def age(until: str, *, site: bool = False) -> Evidence:
    """Return evidence of the day on which a filter's age runs out."""
    inputs = {"made_on": "2020-01-01", "life_from": "site value" if site else "age-study"}
    return Evidence(result=Result(method="filter_age/1", inputs=inputs, value=until, unit="date", shown=until))


@dataclass
class Told:
    """One housing whose history is told event by event."""

    housing: Housing = field(default_factory=lambda: housing("EF-03"))
    zone: str = "UTC"
    events: list[SiteEvent] = field(default_factory=list)
    jobs: list[tuple[JobLine, JobState]] = field(default_factory=list)

    def job(self, steps: list[Step], at: str = "2026-01-10T08:00:00.000Z", *, rehearsal: bool = False) -> "ToldJob":
        """Open a job."""
        number = f"2026-{len(self.jobs) + 1:04d}"
        opened = JobOpened(
            ledger=f"job-{number}", seq=0, at=at, by=LEAD, number=number, site="Told", zone=self.zone,
            housing=self.housing, procedure="told", revision=1, procedure_title="Told", procedure_sha256="0" * 64,
            kind="change_out", signal_words="severity of injury", steps=tuple(steps), ties_each_side=1,
            bands_each_side=1, rehearsal=rehearsal,
        )  # fmt: skip
        self.jobs.append((JobLine(opened.ledger, number, self.housing.tag, "change_out", at), JobState()))
        job = ToldJob(self, len(self.jobs) - 1)
        job.tell(opened)
        return job

    def read(self, on: str, drop: str, flow: str | None = None, *, at: str | None = None, **more: str) -> int:
        """Enter a reading and return its place."""
        kept = DropReading(
            housing=self.housing.tag, bank=Bank(more.pop("bank", "hepa")), on=date.fromisoformat(on), drop_pa=drop,
            flow_m3_h=flow, **more,
        )  # fmt: skip
        seq = len(self.events)
        self.events.append(ReadingTaken(seq=seq, at=at or f"{on}T09:00:00.000Z", by=HANDS, reading=kept))
        return seq

    def strike(self, entry: int, reason: str, at: str = "2026-03-01T09:00:00.000Z") -> None:
        """Strike a reading."""
        self.events.append(ReadingStruck(seq=len(self.events), at=at, by=LEAD, entry=entry, reason=reason))

    @property
    def known(self) -> Known:
        """What the site knows now."""
        site = fold_site(self.events, start=SiteState(zone=self.zone))
        return Known(self.housing, tuple(reversed(self.jobs)), site)


@dataclass
class ToldJob:
    """A job whose marks are told."""

    told: Told
    place: int

    def tell(self, event: Event) -> None:
        """Add an event."""
        line, state = self.told.jobs[self.place]
        self.told.jobs[self.place] = line, fold([event], start=state)

    @property
    def _next(self) -> tuple[str, int]:
        line, state = self.told.jobs[self.place]
        return line.job, state.size

    def done(self, name: str, at: str, evidence: Evidence | None = None) -> "ToldJob":
        """Mark a step done."""
        ledger, seq = self._next
        given = evidence or Evidence()
        self.tell(StepDone(ledger=ledger, seq=seq, at=at, by=HANDS, step=name, evidence=given, in_hand_since=at))
        return self

    def outside(self, name: str, at: str, evidence: Evidence) -> "ToldJob":
        """Enter an attempt outside its limit."""
        ledger, seq = self._next
        self.tell(StepOutside(ledger=ledger, seq=seq, at=at, by=HANDS, step=name, evidence=evidence))
        return self

    def taken_back(self, name: str, at: str) -> "ToldJob":
        """Take a mark back."""
        ledger, seq = self._next
        back = StepWithdrawn(ledger=ledger, seq=seq, at=at, by=HANDS, step=name, reason="misread", due_again=(name,))
        self.tell(back)
        return self


def days_after(first: str, days: int) -> str:
    """Return the day some days later, ISO."""
    return str(date.fromisoformat(first) + timedelta(days=days))


def design(told: Told, bank: Bank = Bank.HEPA, **values: object) -> Told:
    """Return the same telling with other site values for a bank."""
    whole = told.housing.model_dump()
    whole["design"] = {str(bank): values}
    told.housing = Housing.model_validate(whole)
    return told
