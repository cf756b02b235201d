"""Deciding on field changes: proposed from the step in hand, approved by others, within what may change."""

from typing import assert_never

from app.domain.commands import Moment
from app.domain.deciding.common import event_of, signature_of, words_of, working
from app.domain.event_base import Who
from app.domain.events import Event
from app.domain.field_change import (
    ApproveChange,
    DeclineChange,
    Deviation,
    FieldChangeApproved,
    FieldChangeCommand,
    FieldChangeDeclined,
    FieldChangeProposed,
    NewWords,
    ProposeChange,
    answers_bind,
    approvers_of,
    words_now,
)
from app.domain.job import JobState
from app.domain.procedure import Role
from app.domain.refused import Refused
from app.domain.signing import CHANGE
from app.domain.steps import Step
from app.domain.writing_rules import text_faults

APPROVERS = (Role.LEAD, Role.SAFETY_OFFICER)


def field_change(state: JobState, command: FieldChangeCommand, moment: Moment) -> tuple[Event, ...]:
    """Propose, approve or decline."""
    match command:
        case ProposeChange():
            return _propose(state, command, moment)
        case ApproveChange():
            return _approve(state, command, moment)
        case DeclineChange():
            return _decline(state, command, moment)
        case _:
            assert_never(command)


def _propose(state: JobState, command: ProposeChange, moment: Moment) -> tuple[Event, ...]:
    step = working(state, command.step)
    if waiting := state.changes.waiting_at(step.id):
        raise Refused("waits", f"The change {waiting.proposed.number} of this step waits already. Settle it first.")
    reason = words_of(command.reason, "The reason")
    now = words_now(step)
    _complain(step, command.new)
    changed = {
        "text": command.new.text if command.new.text not in (None, now.text) else None,
        "note": command.new.note if command.new.note not in (None, now.note) else None,
        "options": {k: v for k, v in (command.new.options or {}).items() if v != (now.options or {}).get(k)} or None,
        "limits": {k: v for k, v in (command.new.limits or {}).items() if v != (now.limits or {}).get(k)} or None,
    }
    if changed["options"] and (told := answers_bind(state.steps, step)):
        raise Refused("options", f"{told} These answers keep their words. Stop the job if none is true.", step=step.id)
    if not any(value is not None for value in changed.values()):
        raise Refused("same", "Nothing of the step would change. Write what it should say instead.")
    new = NewWords.model_validate(changed)
    number = f"{state.opened.number if state.opened else ''}/D{len(state.changes.all) + 1}"
    return (
        event_of(
            FieldChangeProposed, state, moment, number=number, step=step.id, new=new, old=_same_parts(now, new),
            reason=reason,
        ),
    )  # fmt: skip


def _same_parts(now: NewWords, new: NewWords) -> NewWords:
    """Return of the old words only what the new ones replace, so that both can stand side by side."""
    return NewWords(
        text=now.text if new.text is not None else None,
        note=now.note if new.note is not None else None,
        options={name: (now.options or {})[name] for name in new.options} if new.options else None,
        limits={name: (now.limits or {})[name] for name in new.limits if name in (now.limits or {})} or None
        if new.limits
        else None,
    )


def _complain(step: Step, new: NewWords) -> None:
    """New words keep the writing rules, answers stay as many, and a limit keeps its unit."""
    if new.text is not None and (faults := text_faults(new.text)):
        raise Refused("words", f"The new text breaks a writing rule: {faults[0]}. Write it as one command, verb first.")
    asks = {asked.ask.id: asked for asked in step.asks}
    for name, options in (new.options or {}).items():
        old = asks[name].ask.options if name in asks else ()
        if not old or len(options) != len(old) or len(set(options)) != len(options) or not all(options):
            raise Refused("options", f"The answers of {name} are {len(old)}; give each its new words, none twice.")
    for name, limit in (new.limits or {}).items():
        if name not in asks or asks[name].ask.kind != "reading" or limit.unit != asks[name].ask.unit:
            raise Refused("limit", f"{name} is no reading in {limit.unit}; a limit is given for what is read here.")


def _waiting(state: JobState, number: str) -> tuple[Deviation, Step]:
    found = state.changes.numbered(number)
    step = state.step(found.proposed.step) if found else None
    if found is None or step is None or not found.waits:
        raise Refused("no_change", f"No change {number} waits for an answer. Reload the page and look again.")
    return found, step


def _approve(state: JobState, command: ApproveChange, moment: Moment) -> tuple[Event, ...]:
    found, step = _waiting(state, command.number)
    if state.mark(step.id).stands:
        raise Refused(
            "step_stands", f"“{step.text}” is done or left meanwhile, so nothing of it changes. Decline the change.",
            step=step.id,
        )  # fmt: skip
    missing = [role for role in approvers_of(step) if all(item.by.role is not role for item in found.approved)]
    if moment.by.role not in missing:
        wanted = " and a ".join(role.words for role in missing)
        raise Refused("role", f"The change {command.number} waits for a {wanted}. Ask one.", step=step.id, logged=True)
    begun = state.mark(step.id).begun
    if moment.by.id == found.proposed.by.id or (begun is not None and moment.by.id in begun.hands):
        raise Refused(
            "own_change",
            f"{moment.by.name} proposed this change, has begun the step or was beside it. Somebody else approves it.",
            step=step.id, logged=True,
        )  # fmt: skip
    return (
        event_of(
            FieldChangeApproved, state, moment, number=command.number, step=step.id, in_force=len(missing) == 1,
            signature=signature_of(state, moment, CHANGE),
        ),
    )  # fmt: skip


def _decline(state: JobState, command: DeclineChange, moment: Moment) -> tuple[Event, ...]:
    found, step = _waiting(state, command.number)
    if moment.by.role not in APPROVERS and moment.by.id != found.proposed.by.id:
        raise Refused("role", "A lead, a safety officer or who proposed it can decline this change. Ask one.")
    reason = words_of(command.reason, "The reason")
    return (event_of(FieldChangeDeclined, state, moment, number=command.number, step=step.id, reason=reason),)


def complain_of_change(state: JobState, step: Step, moment: Moment) -> None:
    """Refuse whatever is done at a step while a change of it waits, or by somebody who approved a change of it."""
    if waiting := state.changes.waiting_at(step.id):
        raise Refused(
            "change_waits", f"The change {waiting.proposed.number} of this step waits for approval; so does the work.",
            step=step.id,
        )  # fmt: skip
    complain_of_approver(state, step, moment.by)


def complain_of_approver(state: JobState, step: Step, who: Who) -> None:
    """Refuse somebody who approved a change of the step as one of those who carry it out."""
    if who.id in state.changes.approvers_at(step.id):
        raise Refused(
            "own_approval", f"{who.name} approved a change of this step and so does not carry it out.",
            step=step.id, logged=True,
        )  # fmt: skip
