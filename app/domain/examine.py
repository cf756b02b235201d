"""Run the steps of a job through the containment model and report every breach together."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product

from app.domain.containment.broken import Rule
from app.domain.containment.rules import attempt, final_faults
from app.domain.containment.state import HousingState
from app.domain.housing import MOST_FILTERS, MOST_PORTS, AccessPort, Housing, Seal, Service
from app.domain.procedure import Procedure
from app.domain.steps import LaidWayOut, Step, begin_with, expand, put_in, ways_out


@dataclass(frozen=True, slots=True)
class Breach:
    """A step that would break a containment rule."""

    step: str
    rule: Rule
    sentence: str


def breaches(steps: tuple[Step, ...], state: HousingState) -> tuple[Breach, ...]:
    """Return every rule that the steps break from this state on, the state they end in included."""
    found: list[Breach] = []
    for step in steps:
        for effect in step.effects:
            outcome = attempt(state, effect)
            found += [Breach(step.id, broken.rule, broken.sentence) for broken in outcome.broken]
            state = outcome.state
    found += [Breach("end", broken.rule, broken.sentence) for broken in final_faults(state)]
    return tuple(found)


def examine(procedure: Procedure, housing: Housing) -> tuple[Breach, ...]:
    """Return the breaches of a procedure over one housing, ways out included; none: it may be issued for it."""
    line = expand(procedure, housing)
    return breaches_anywhere(line, ways_out(procedure, housing, line), begin_with(procedure, housing))


def breaches_anywhere(line: tuple[Step, ...], ways: tuple[LaidWayOut, ...], state: HousingState) -> tuple[Breach, ...]:
    """Return the breaches of a line of steps, and of the line with each way out put in."""
    found = breaches(line, state)
    return found or tuple(breach for way in ways for breach in breaches(put_in(line, way, 1), state))


def matrix() -> Iterator[Housing]:
    """Yield sample housings over every seal, service, number of filters behind a port and number of ports."""
    for seal, service, filters, ports in product(Seal, Service, range(1, MOST_FILTERS + 1), range(1, MOST_PORTS + 1)):
        yield sample_housing(seal, service, (filters,) * ports)


def sample_housing(seal: Seal, service: Service, filters: tuple[int, ...]) -> Housing:
    """Return a housing for trying a procedure on: one port for each number of filters given."""
    return Housing(
        tag="SAMPLE",
        location="sample housing",
        service=service,
        seal=seal,
        upstream_damper="D-1",
        downstream_damper="D-2",
        ports=tuple(
            AccessPort(id=f"P{number}", filters=count, filter=f"24x24x11.5 {seal}")
            for number, count in enumerate(filters, start=1)
        ),
    )
