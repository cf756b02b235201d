"""What is due at a housing and what planned work there does about it.

Rules kept here:
- what a procedure settles follows from its steps as laid over the housing: filters slid in, banks tested;
- a day that comes before the work begins is told, although the work settles it;
- a reason whose day lies farther behind the work than what is pointed out as near is nobody's worry yet.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date, timedelta

from app.domain.containment.effects import Act
from app.domain.planned import Planned
from app.domain.steps import Step
from app.records.due import SOON_DAYS, HousingDue, Item, Settling

LEAK_TEST = "leak_test"
"""What a step computes that tests a bank."""


@dataclass(frozen=True, slots=True)
class Settles:
    """What steps settle: in banks, and at which ports and positions new filters come in."""

    what: frozenset[Settling] = frozenset()
    spots: frozenset[tuple[str, int]] = field(default_factory=frozenset)

    def holds(self, item: Item) -> bool:
        """Whether a reason is settled by these steps."""
        return item.settled_by in self.what and (item.spot is None or item.spot in self.spots)


def settled_by(steps: Iterable[Step]) -> Settles:
    """Return what steps settle."""
    what: set[Settling] = set()
    spots = set()
    for step in steps:
        if step.bank is None:
            continue
        if step.computes == LEAK_TEST:
            what.add(("leak test", step.bank))
        for effect in step.effects:
            if effect.act is Act.SLIDE_IN and effect.port and effect.position:
                what.add(("new filter", step.bank))
                spots.add((effect.port, effect.position))
    return Settles(frozenset(what), frozenset(spots))


def not_covered(due: HousingDue, plan: Planned, settles: Settles) -> tuple[str, ...]:
    """Say what is due at the housing of a plan and is not settled by it, or not in time; the earliest first."""
    begins, ends = (date.fromisoformat(text[:10]) for text in (plan.begins, plan.ends))
    found = []
    for item in due.dated:
        if item.on is None or item.settled_by is None:
            continue
        if not settles.holds(item):
            if item.on <= ends + timedelta(days=SOON_DAYS):
                found.append(f"{item.sentence} No step of this work settles it.")
        elif item.on < begins or (item.ran_out and item.on == begins):
            found.append(f"{item.sentence} That is before this work begins, {begins}.")
    return tuple(found)
