"""What the steps of a job have made, counted as they are done: each cut parts one package from its ring.

The numbers come from the model and from nothing else, so that none can be forgotten and none invented.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from app.domain.containment.state import HousingState, Kind, PortState
from app.domain.text import Kept


class LeftOnRing(Kept):
    """What earlier work left in the bag on a port's ring: it leaves with the first package of the next cut there.

    stubs: closed cuffs of earlier cuts.  torn: torn bags inside it.  job: the number of the job that left them.
    """

    port: str
    stubs: int = 0
    torn: int = 0
    job: str


@dataclass(frozen=True, slots=True)
class Made:
    """A package that a step made.  number: its place among those of the job, from 1.  cut: the cut of its port."""

    number: int
    port: str
    cut: int
    step: str


def newly_made(before: HousingState, after: HousingState, step: str, made: int) -> Iterator[Made]:
    """Yield the packages that came about between two states of a housing; `made` is how many there were before."""
    for port in after.ports:
        for cut in range(before.port(port.id).cuts + 1, port.cuts + 1):
            made += 1
            yield Made(made, port.id, cut, step)


def on_ring(port: PortState) -> tuple[int, int]:
    """Count the stubs and the torn bags that hang on a ring now, in a bag or bare."""
    sleeves = [*port.ring, *([port.waiting] if port.waiting else [])]
    stubs = sum(sleeve.stubs + (sleeve.kind is Kind.STUB) for sleeve in sleeves)
    torn = sum(sleeve.torn_inside + (sleeve.kind is Kind.BAG and not sleeve.intact) for sleeve in sleeves)
    return stubs, torn
