"""Contingencies: the steps kept ready for when something goes wrong, and the entry of one into a job.

They are laid when the job opens, once for any port, and filled in where it happened.  Where one can be entered
follows from the containment model and from no list.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from app.calc.errors import Invalid
from app.domain.containment.mishaps import AT_HOUSING, AT_POSITION, Mishap, Spot
from app.domain.event_base import JobEvent, Signature
from app.domain.housing import Housing
from app.domain.procedure import Ask, Procedure
from app.domain.steps import Occurrence, Step, lay_template, port_names, renamed
from app.domain.text import Kept


class LaidContingency(Kept):
    """Steps kept ready beside the main line, with names of a port still open in their texts.

    returns: where the main line goes on, in the order of preference (`due`, `next`, or the last part of a step's id).
    """

    id: str
    title: str
    occurs: Mishap
    returns: tuple[str, ...]
    steps: tuple[Step, ...]

    def at(self, spot: Spot, housing: Housing, turn: int) -> tuple[Step, ...]:
        """Return the steps for this place, with ids of their own for this turn, counted from 1."""
        names = port_names(housing, spot.port, spot.position)
        first, *others = (self._filled(step, spot, names, turn) for step in self.steps)
        occurs = Occurrence(mishap=self.occurs, port=spot.port, position=spot.position)
        return (first.model_copy(update={"occurs": occurs}), *others)

    def _filled(self, step: Step, spot: Spot, names: Mapping[str, str], turn: int) -> Step:
        at_port = step.port is not None
        asks = (asked.model_copy(update={"ask": _named(asked.ask, names)}) for asked in step.asks)
        effects = (
            effect.model_copy(update={"port": spot.port, "position": effect.position and spot.position})
            if effect.port is not None
            else effect
            for effect in step.effects
        )
        return renamed(step, f"{self.id}-{turn}").model_copy(update={
            "text": step.text.format_map(names),
            "note": step.note.format_map(names),
            "asks": tuple(asks),
            "effects": tuple(effects),
            "port": spot.port if at_port else None,
            "position": spot.position if at_port else None,
        })  # fmt: skip


def _named(ask: Ask, names: Mapping[str, str]) -> Ask:
    """Return a question with the names of the port where it happened."""
    expects = None if ask.expects is None else ask.expects.format_map(names)
    return ask.model_copy(update={"label": ask.label.format_map(names), "expects": expects})


def lay_contingencies(procedure: Procedure, housing: Housing) -> tuple[LaidContingency, ...]:
    """Lay every contingency of a procedure over a housing, for any of its ports.

    Raises Invalid where one that concerns the housing as a whole has a stage at a port, or a text names what is
    not known there.
    """
    found = []
    for name, written in procedure.contingencies.items():
        if written.occurs in AT_HOUSING and any(stage.each != "job" for stage in written.stages):
            raise Invalid(f"The contingency {name} concerns the whole housing; none of its stages is laid at a port.")
        steps = lay_template(procedure, housing, written.stages)
        if written.occurs not in AT_POSITION and any(effect.position for step in steps for effect in step.effects):
            raise Invalid(f"The contingency {name} moves a filter, but what went wrong tells of no filter position.")
        laid = LaidContingency(
            id=name, title=written.title, occurs=written.occurs, returns=written.returns, steps=steps
        )
        found.append(laid)
    return tuple(found)


class ContingencyEntered(JobEvent):
    """Something went wrong, and a lead put in the steps kept ready for it; the stop in force ends with this.

    step: the one in hand.  returns_to: where the main line goes on.  due_again: what is done again from there.
    left: steps of an earlier contingency that this one replaces.  extra: what is used beyond the take-off.
    """

    type: Literal["contingency_entered"] = "contingency_entered"
    contingency: str
    title: str
    port: str | None = None
    position: int | None = None
    step: str
    reason: str
    returns_to: str
    due_again: tuple[str, ...] = ()
    left: tuple[str, ...] = ()
    extra: dict[str, int] | None = None
    signature: Signature | None = None

    @property
    def spot(self) -> Spot:
        """Where it happened."""
        return Spot(self.port, self.position)


@dataclass(frozen=True, slots=True)
class EnterContingency:
    """Put in the steps kept ready for what went wrong at this place, with a reason."""

    contingency: str
    reason: str
    port: str | None = None
    position: int | None = None
