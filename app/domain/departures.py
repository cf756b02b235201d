"""Departures from the main line that the rules would have refused: what an outsider sees in the entries.

Contingencies, field changes, steps set aside, releases by voice.  Used on records from outside.
"""

from app.domain.applicability import BranchLeft, StepNotApplicable, why_critical
from app.domain.containment.mishaps import spots
from app.domain.contingency import ContingencyEntered
from app.domain.events import Event
from app.domain.field_change import FieldChangeApproved, FieldChangeProposed, answers_bind, approvers_of
from app.domain.job import JobState, Stage
from app.domain.procedure import Role, StepKind
from app.domain.radio import HoldReleasedByRadio, RadioReleaseSigned


def departure_fault(state: JobState, event: Event) -> str:
    """Return what is wrong with an entry that departs from the main line; nothing if it is lawful."""
    match event:
        case ContingencyEntered():
            return _contingency_fault(state, event)
        case FieldChangeProposed() | StepNotApplicable() if state.due is None or state.due.id != event.step:
            return "it concerns a step that was not in hand."
        case FieldChangeProposed() if event.new.options and (step := state.step(event.step)):
            return "answers were to be reworded by which others go." if answers_bind(state.steps, step) else ""
        case FieldChangeApproved():
            return _approval_fault(state, event)
        case StepNotApplicable():
            return _aside_fault(state, event)
        case BranchLeft():
            return _branch_fault(state, event)
        case HoldReleasedByRadio():
            return _radio_fault(state, event)
        case RadioReleaseSigned() if all(item.seq != event.entry or item.sender.id != event.by.id
                                         for item in state.unsigned):  # fmt: skip
            return f"{event.by.name} signed a release by voice that was not theirs to sign."
        case _:
            return ""


def _contingency_fault(state: JobState, event: ContingencyEntered) -> str:
    if event.by.role is not Role.LEAD:
        return f"a {event.by.role.words} entered a contingency."
    if state.stop is None or state.stop.is_by(event.by):
        return f"{event.by.name} entered a contingency without a stop by somebody else."
    kept = next((c for c in (state.opened and state.opened.contingencies) or () if c.id == event.contingency), None)
    if kept is None or state.model is None or event.spot not in spots(state.model, kept.occurs):
        return f"the contingency {event.contingency} was entered where it cannot have happened."
    return ""


def _approval_fault(state: JobState, event: FieldChangeApproved) -> str:
    found, step = state.changes.numbered(event.number), state.step(event.step)
    if found is None or step is None or not found.waits or found.proposed.step != event.step:
        return f"the change {event.number} was approved though it did not wait for that."
    if event.by.id == found.proposed.by.id:
        return f"{event.by.name} approved a change that they had proposed."
    missing = {role for role in approvers_of(step) if all(item.by.role is not role for item in found.approved)}
    if event.by.role not in missing or event.in_force != (len(missing) == 1):
        return f"the change {event.number} was put in force without everybody who must approve it."
    return ""


def _aside_fault(state: JobState, event: StepNotApplicable) -> str:
    step = state.step(event.step)
    if event.by.role is not Role.LEAD or state.stage is not Stage.OPEN:
        return f"{event.by.name} set a step aside and may not."
    return f"a step was set aside though {why_critical(step)}." if step is not None and why_critical(step) else ""


def _branch_fault(state: JobState, event: BranchLeft) -> str:
    named = (state.step(name) for name in (*event.steps, *event.taken_up))
    if any(step is None or step.only_if is None or step.only_if.step != event.step for step in named):
        return "steps were left that do not depend on that decision."
    chosen = {answer.text for answer in state.mark(event.step).evidence.answers.values()}
    if event.chosen not in chosen or any(
        step is not None and step.only_if is not None and step.only_if.option in chosen
        for step in map(state.step, event.steps)
    ):
        return "steps were left although the decision led to them."
    return ""


def _radio_fault(state: JobState, event: HoldReleasedByRadio) -> str:
    due = state.due
    if state.stage is not Stage.OPEN or due is None or due.id != event.step:
        return "a hold was released by voice when it was not due."
    if due.kind is not StepKind.HOLD or not due.by_radio or event.by.role is not Role.LEAD:
        return "a hold was released by voice that may not be, or was not received by a lead."
    if event.sender.role is not due.role or event.sender.id in {*state.performers, event.by.id}:
        return f"{event.sender.name} may not release this hold."
    if not state.crew.may_release(event.sender):
        return f"{event.sender.name} released a hold by voice without having been briefed."
    housing = state.opened.housing.tag if state.opened else ""
    return "" if (event.housing, event.port) == (housing, due.port) else "what was repeated is not what the hold names."
