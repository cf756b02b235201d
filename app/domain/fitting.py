"""Whether a filter may go into a job's housing: what the store room knows of its serial number.

The question with the id SERIAL, at a step that computes the age of a new filter, is where a job reads it.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date

from app.calc.life import FILTER_LIFE_YEARS
from app.domain.event_base import Judged
from app.domain.housed import Housed, Spot
from app.domain.steps import Step
from app.domain.store import Standing, Store, plain_serial, plain_what, why_not

SERIAL = "serial"
"""The id of the question that asks for a new filter's serial number."""
STORE_ROOM = "the site's store room"
REGISTER = "the site's register of filters in place"


def reads_filter(step: Step) -> bool:
    """Whether a step reads the serial number of a new filter."""
    return step.computes == "filter_age" and any(asked.ask.id == SERIAL for asked in step.asks)


@dataclass(frozen=True, slots=True)
class Fitness:
    """What is needed to say whether a filter may go in at one step of a job.

    housed: what the register has in place.  here: the place that the step is for, where the register may have the
    filter already; None where it may not, since the job draws out what was there.
    elsewhere: serial numbers that other places of the job hold, as they are compared, to the place in words.
    before: the judgement of the serial number that the step holds already, under that number; it is not made anew.
    refuses: what may not go in is refused at once, for it has not gone in yet; else it is kept as not fit.
    """

    store: Store
    job: str
    filter_type: str
    life_years: int = FILTER_LIFE_YEARS
    elsewhere: Mapping[str, str] | None = None
    before: tuple[str, Judged | None] | None = None
    housed: Housed = field(default_factory=Housed)
    here: tuple[str, Spot] | None = None
    refuses: bool = True

    def judged(self, serial: str, *, on: date) -> Judged | None:
        """Judge a serial number; None where the site enters no filters, and the register has it nowhere else."""
        if self.before is not None and plain_serial(serial) == self.before[0]:
            return self.before[1]
        if not self.store.holds_filters:
            told = self._in_place(serial)
            return Judged(ask=SERIAL, verdict="outside", basis=REGISTER, why=told) if told else None
        told = self.why_not(serial, on=on)
        return Judged(ask=SERIAL, verdict="outside" if told else "within", basis=STORE_ROOM, why=told or None)

    def why_not(self, serial: str, *, on: date) -> str:
        """Say why the filter may not go in, at a site that enters its filters; nothing if it may."""
        if place := (self.elsewhere or {}).get(plain_serial(serial)):
            return f"The filter {serial} was read at {place} of this job. Read the serial number again."
        if told := self._in_place(serial):
            return told
        standing = self.store.of_serial(serial)
        if standing is None:
            return f"No filter {serial} was received and inspected here. Take one that was, or have it entered."
        if self.filter_type and plain_what(standing.lot.what) != plain_what(self.filter_type):
            return f"The filter {serial} is of type {standing.lot.what}; {self.filter_type} is asked. Take another."
        if not standing.used.get(self.job) and not standing.there_for(self.job):
            return f"The filter {serial} {_where(standing)}. Read the serial number again."
        return why_not(standing, on=on, life_years=self.life_years)

    def _in_place(self, serial: str) -> str:
        """Say where the register has the filter in place, but for what this job put there itself."""
        where = self.housed.where(serial)
        if where is None or where == self.here:
            return ""
        tag, (port, position) = where
        now = self.housed.at(tag, port, position)
        if now is not None and now.job == self.job:
            return ""
        return (
            f"The filter {serial} is in place at {tag}, {port} position {position}, by the register. Read the serial "
            "number again, or have it taken out there first."
        )


def _where(standing: Standing) -> str:
    """Say where a filter is that is neither in the store room nor in the kit of the job that asks."""
    if standing.staged:
        return f"stands staged for {min(standing.staged)}"
    if standing.used:
        return f"went into {min(standing.used)}"
    return "was counted as gone"
