"""Deciding on steps that do not apply, and on the branch that a decision leaves."""

from app.domain.applicability import BranchLeft, SetAside, StepNotApplicable, why_not_aside
from app.domain.commands import Moment
from app.domain.deciding.common import event_of, signature_of, words_of, working
from app.domain.deciding.gate import gate
from app.domain.event_base import Evidence
from app.domain.events import Event
from app.domain.job import JobState
from app.domain.procedure import Role
from app.domain.refused import Refused
from app.domain.signing import ASIDE
from app.domain.steps import Step


def set_aside(state: JobState, command: SetAside, moment: Moment) -> tuple[Event, ...]:
    """Set the step in hand aside."""
    step = working(state, command.step)
    if why := why_not_aside(step, state.steps):
        raise Refused(
            "critical", f"“{step.text}” cannot be set aside by anybody: {why}. Do it, or stop the job.",
            step=step.id, logged=True,
        )  # fmt: skip
    if moment.by.role is not Role.LEAD:
        raise Refused(
            "role", f"A {moment.by.role.words} cannot set a step aside. Ask a lead.", step=step.id, logged=True
        )
    gate(state, step, moment)
    reason = words_of(command.reason, "The reason")
    signature = signature_of(state, moment, ASIDE)
    return (event_of(StepNotApplicable, state, moment, step=step.id, reason=reason, signature=signature),)


def branch_of(state: JobState, step: Step, evidence: Evidence, moment: Moment, *, offset: int = 1) -> tuple[Event, ...]:
    """Return what follows from a choice: the steps of the ways not taken, and those taken up after all."""
    ways = [other for other in state.steps if other.only_if is not None and other.only_if.step == step.id]
    if not ways:
        return ()
    chosen = {answer.text for answer in evidence.answers.values()}
    left = tuple(way.id for way in ways if way.only_if and way.only_if.option not in chosen)
    taken = tuple(way.id for way in ways if way.id not in left and state.mark(way.id).not_applicable)
    asked = next(iter(evidence.answers.values()), None)
    event = event_of(
        BranchLeft, state, moment, offset=offset, step=step.id, decided=state.size + offset - 1,
        chosen=asked.text if asked else "", steps=left, taken_up=taken,
    )  # fmt: skip
    return (event,)
