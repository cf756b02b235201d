"""Steps that do not apply: by a lead with a reason, or because a decision of the procedure led the other way."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from app.domain.containment.effects import Act
from app.domain.event_base import JobEvent, Signature
from app.domain.procedure import StepKind
from app.domain.steps import Step

PERMIT_UNTIL = "permit-until"
"""The id of the question that asks for a permit's last day."""

CRITICAL_KINDS = {StepKind.HOLD: "a hold point", StepKind.VERIFY: "a verification", StepKind.DECIDE: "a decision"}
LOCKING = {
    Act.ISOLATE: "it belongs to putting the locks on (29 CFR 1910.147(c)(9), (d))",
    Act.REMOVE_LOCKS: "it belongs to taking the locks off (29 CFR 1910.147(e))",
}
"""Why no step of a section with this act is set aside: area and people are looked at, whoever it affects is told."""


class StepNotApplicable(JobEvent):
    """A lead said that a step does not apply here, and why.  signature: None in entries from before it was signed."""

    type: Literal["step_not_applicable"] = "step_not_applicable"
    step: str
    reason: str
    signature: Signature | None = None


class BranchLeft(JobEvent):
    """A decision led one way: the steps of the other way do not apply.  decided: the entry that chose."""

    type: Literal["branch_left"] = "branch_left"
    step: str
    decided: int
    chosen: str
    steps: tuple[str, ...] = ()
    taken_up: tuple[str, ...] = ()


ApplicabilityEvent = StepNotApplicable | BranchLeft


@dataclass(frozen=True, slots=True)
class SetAside:
    """Say that the step in hand does not apply, and why; the secret of `Moment.by` was entered for this."""

    step: str
    reason: str


def why_critical(step: Step) -> str:
    """Say why a step can never be set aside; nothing if it can."""
    if step.effects:
        return "it changes the housing"
    if step.final or step.marks == 2:
        return "it cannot be undone" if step.final else "it takes two marks"
    if step.computes is not None:
        return "it is a test"
    if step.says:
        return "it is a team pause"
    if step.table is not None:
        return "it is done row by row, a lock on each point"
    if any(asked.limit is not None for asked in step.asks):
        return "it is held against a limit"
    if step.kind in CRITICAL_KINDS:
        return f"it is {CRITICAL_KINDS[step.kind]}"
    return ""


def why_not_aside(step: Step, line: Iterable[Step]) -> str:
    """Say why nobody sets a step aside today; nothing if a lead may.  Records from before these were asked stand.

    line: the steps of the job, for what is done in the section of this one.
    """
    if critical := why_critical(step):
        return critical
    if step.port is not None:
        return "it is done at a port"
    if any(asked.ask.id == PERMIT_UNTIL for asked in step.asks):
        return "no hold is released without its permit"
    if any(asked.ask.kind == "reading" for asked in step.asks):
        return "something is read at it"
    acts = {effect.act for other in line if other.section == step.section for effect in other.effects}
    return next((told for act, told in LOCKING.items() if act in acts), "")


def branch_words(event: BranchLeft) -> str:
    """Say why the steps of a branch do not apply, with the number of the entry that decided."""
    return f"not applicable: entry {event.decided} chose “{event.chosen}”"
