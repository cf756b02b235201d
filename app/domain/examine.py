"""Run the steps of a job through the containment model and report every breach together."""

from collections.abc import Iterator
from itertools import product

from app.domain.containment.mishaps import Spot, happen
from app.domain.containment.rules import attempt, final_faults
from app.domain.containment.state import HousingState
from app.domain.contingency import LaidContingency, lay_contingencies
from app.domain.housing import MOST_FILTERS, MOST_PORTS, AccessPort, Housing, Seal, Service
from app.domain.procedure import Procedure
from app.domain.steps import LaidWayOut, Step, begin_with, expand, put_in, shown_before, ways_out
from app.domain.way_back import Breach, contingency_breaches
from app.domain.writing_rules import Finding, overlong

__all__ = ["Breach", "breaches", "breaches_anywhere", "examine", "laid_findings", "matrix", "sample_housing"]


def breaches(steps: tuple[Step, ...], state: HousingState) -> tuple[Breach, ...]:
    """Return every rule that the steps break from this state on, the state they end in included.

    What went wrong before a step, as the step says, happens to the housing and breaks no rule by itself.
    """
    found: list[Breach] = []
    for step in steps:
        if step.occurs is not None:
            state = happen(state, step.occurs.mishap, Spot(step.occurs.port, step.occurs.position))
        for effect in step.effects:
            outcome = attempt(state, effect)
            found += [Breach(step.id, broken.rule, broken.sentence) for broken in outcome.broken]
            state = outcome.state
    found += [Breach("end", broken.rule, broken.sentence) for broken in final_faults(state)]
    return tuple(found)


def examine(procedure: Procedure, housing: Housing) -> tuple[Breach, ...]:
    """Return the breaches of a procedure over one housing, with ways out and contingencies; none: it may be issued."""
    line = expand(procedure, housing)
    ways, kept = ways_out(procedure, housing, line), lay_contingencies(procedure, housing)
    return breaches_anywhere(line, ways, kept, begin_with(procedure, housing))


def laid_findings(procedure: Procedure, housing: Housing) -> tuple[Finding, ...]:
    """Return what keeps a procedure from being issued once it is laid over one housing; none: issue it.

    These are verifications whose maker would see what they are to find, and parts with too many steps in a row.
    """
    line = expand(procedure, housing)
    ways, kept = ways_out(procedure, housing, line), lay_contingencies(procedure, housing)
    laid = (line, *(way.steps for way in ways), *(item.steps for item in kept))
    seen = tuple(Finding(step, "W13", told) for steps in laid for step, told in shown_before(steps))
    return (*seen, *(found for steps in laid for found in overlong(steps)))


def breaches_anywhere(
    line: tuple[Step, ...], ways: tuple[LaidWayOut, ...], kept: tuple[LaidContingency, ...], state: HousingState
) -> tuple[Breach, ...]:
    """Return the breaches of a line of steps, of the line with each way out put in, and of each contingency in both."""
    lines = (line, *(put_in(line, way, 1) for way in ways))
    found = breaches(line, state) or tuple(breach for other in lines[1:] for breach in breaches(other, state))
    return found or tuple(
        dict.fromkeys(breach for other in lines for breach in contingency_breaches(other, kept, state))
    )


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
