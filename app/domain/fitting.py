"""Whether a filter may go into a job's housing: what the store room knows of its serial number.

The question with the id SERIAL, at a step that computes the age of a new filter, is where a job reads it.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from app.calc.life import FILTER_LIFE_YEARS
from app.domain.event_base import Judged
from app.domain.steps import Step
from app.domain.store import Standing, Store, plain_serial, plain_what, why_not

SERIAL = "serial"
"""The id of the question that asks for a new filter's serial number."""
STORE_ROOM = "the site's store room"


def reads_filter(step: Step) -> bool:
    """Whether a step reads the serial number of a new filter."""
    return step.computes == "filter_age" and any(asked.ask.id == SERIAL for asked in step.asks)


@dataclass(frozen=True, slots=True)
class Fitness:
    """What is needed to say whether a filter may go in at one step of a job.

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
    refuses: bool = True

    def judged(self, serial: str, *, on: date) -> Judged | None:
        """Judge a serial number; None where the site enters no filters."""
        if self.before is not None and plain_serial(serial) == self.before[0]:
            return self.before[1]
        if not self.store.holds_filters:
            return None
        told = self.why_not(serial, on=on)
        return Judged(ask=SERIAL, verdict="outside" if told else "within", basis=STORE_ROOM, why=told or None)

    def why_not(self, serial: str, *, on: date) -> str:
        """Say why the filter may not go in; nothing if it may, or if the site enters no filters at all."""
        if not self.store.holds_filters:
            return ""
        if place := (self.elsewhere or {}).get(plain_serial(serial)):
            return f"The filter {serial} was read at {place} of this job. Read the serial number again."
        standing = self.store.of_serial(serial)
        if standing is None:
            return f"No filter {serial} was received and inspected here. Take one that was, or have it entered."
        if self.filter_type and plain_what(standing.lot.what) != plain_what(self.filter_type):
            return f"The filter {serial} is of type {standing.lot.what}; {self.filter_type} is asked. Take another."
        if not standing.used.get(self.job) and not standing.there_for(self.job):
            return f"The filter {serial} {_where(standing)}. Read the serial number again."
        return why_not(standing, on=on, life_years=self.life_years)


def _where(standing: Standing) -> str:
    """Say where a filter is that is neither in the store room nor in the kit of the job that asks."""
    if standing.staged:
        return f"stands staged for {min(standing.staged)}"
    if standing.used:
        return f"went into {min(standing.used)}"
    return "was counted as gone"
