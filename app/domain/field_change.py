"""Field changes: a step that cannot be done as written is reworded for this job, by agreement, and never in silence.

Only wording, note, answers and limits of one step may change; what it does, its kind, role and marks stay.  The old
text stays beside the new one in the step, and the change ends with the job.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

from app.domain.event_base import JobEvent, Signature
from app.domain.housing import SiteLimit
from app.domain.procedure import Role, StepKind
from app.domain.steps import Step
from app.domain.text import Kept


class NewWords(Kept):
    """What a step is to say instead; None or empty: as before.

    options: for a choice, its answers anew, one for one in the order of the old ones.  limits: for a reading.
    """

    text: str | None = None
    note: str | None = None
    options: dict[str, tuple[str, ...]] | None = None
    limits: dict[str, SiteLimit] | None = None


class FieldChangeProposed(JobEvent):
    """Somebody proposed other words for the step in hand.  number: of the deviation, such as 2026-0001/D1."""

    type: Literal["field_change_proposed"] = "field_change_proposed"
    number: str
    step: str
    new: NewWords
    old: NewWords
    reason: str


class FieldChangeApproved(JobEvent):
    """Somebody who may approved a proposed change; the last approval that is needed puts it in force."""

    type: Literal["field_change_approved"] = "field_change_approved"
    number: str
    step: str
    in_force: bool
    signature: Signature


class FieldChangeDeclined(JobEvent):
    """A proposed change was declined, or taken back by who proposed it: the step stays as written."""

    type: Literal["field_change_declined"] = "field_change_declined"
    number: str
    step: str
    reason: str


FieldChangeEvent = FieldChangeProposed | FieldChangeApproved | FieldChangeDeclined


@dataclass(frozen=True, slots=True)
class ProposeChange:
    """Propose other words for the step in hand."""

    step: str
    new: NewWords
    reason: str


@dataclass(frozen=True, slots=True)
class ApproveChange:
    """Approve the change that is proposed; the secret of `Moment.by` was entered for this and was right."""

    number: str


@dataclass(frozen=True, slots=True)
class DeclineChange:
    """Decline the change that is proposed, or take it back."""

    number: str
    reason: str


FieldChangeCommand = ProposeChange | ApproveChange | DeclineChange


@dataclass(frozen=True, slots=True)
class Deviation:
    """One proposed change with what became of it."""

    proposed: FieldChangeProposed
    approved: tuple[FieldChangeApproved, ...] = ()
    declined: FieldChangeDeclined | None = None

    @property
    def since(self) -> int | None:
        """The entry with which the step began to say the new words; None before that."""
        return next((item.seq for item in self.approved if item.in_force), None)

    @property
    def in_force(self) -> bool:
        """Whether the step says the new words."""
        return self.since is not None

    @property
    def waits(self) -> bool:
        """Whether it waits for an approval."""
        return self.declined is None and not self.in_force


@dataclass(frozen=True, slots=True)
class FieldChanges:
    """The deviations of a job, in the order of their numbers."""

    all: tuple[Deviation, ...] = field(default=())

    def waiting_at(self, step: str) -> Deviation | None:
        """Return the change that waits for approval at a step."""
        return next((item for item in self.all if item.proposed.step == step and item.waits), None)

    def numbered(self, number: str) -> Deviation | None:
        """Return a deviation by its number."""
        return next((item for item in self.all if item.proposed.number == number), None)

    def in_force_at(self, step: str) -> tuple[Deviation, ...]:
        """Return the changes that hold at a step, oldest first."""
        return tuple(item for item in self.all if item.proposed.step == step and item.in_force)

    def approvers_at(self, step: str) -> frozenset[str]:
        """Return the ids of who approved what holds at a step."""
        return frozenset(item.by.id for change in self.in_force_at(step) for item in change.approved)


def evolve_field_changes(state: FieldChanges, event: FieldChangeEvent) -> FieldChanges:
    """Return the deviations after one more event."""
    if isinstance(event, FieldChangeProposed):
        return replace(state, all=(*state.all, Deviation(event)))
    found = []
    for item in state.all:
        if item.proposed.number != event.number:
            found.append(item)
        elif isinstance(event, FieldChangeApproved):
            found.append(replace(item, approved=(*item.approved, event)))
        else:
            found.append(replace(item, declined=event))
    return replace(state, all=tuple(found))


def critical(step: Step) -> bool:
    """Whether a slip in this step could not be mended: it is final, takes two marks or is a hold point."""
    return step.final or step.marks == 2 or step.kind is StepKind.HOLD


def answers_bind(steps: Iterable[Step], step: Step) -> str:
    """Say why the answers of a step may not be reworded: others go by their words; nothing if none do."""
    for other in steps:
        if other.only_if is not None and other.only_if.step == step.id:
            return f"“{other.text}” applies or not by the answer given here."
        if any(asked.same_as is not None and asked.same_as.step == step.id for asked in other.asks):
            return f"“{other.text}” states the answer given here anew."
    return ""


def approvers_of(step: Step) -> tuple[Role, ...]:
    """Return the roles that must approve a change of this step."""
    return (Role.LEAD, Role.SAFETY_OFFICER) if critical(step) else (Role.LEAD,)


def words_now(step: Step) -> NewWords:
    """Return everything of a step that a field change may touch, as it stands."""
    choices = {asked.ask.id: asked.ask.options for asked in step.asks if asked.ask.kind == "choice"}
    limits = {asked.ask.id: asked.limit for asked in step.asks if asked.limit is not None}
    return NewWords(text=step.text, note=step.note, options=choices or None, limits=limits or None)


def reworded(step: Step, new: NewWords) -> Step:
    """Return the step with new words; what was a good answer stays one under its new words."""
    asks = []
    for asked in step.asks:
        ask, limit = asked.ask, asked.limit
        if options := (new.options or {}).get(ask.id):
            renamed: Mapping[str, str] = dict(zip(ask.options, options, strict=False))
            good = tuple(renamed.get(word, word) for word in ask.good)
            ask = ask.model_copy(update={"options": options, "good": good})
        limit = (new.limits or {}).get(ask.id, limit)
        asks.append(asked.model_copy(update={"ask": ask, "limit": limit}))
    return step.model_copy(update={
        "text": step.text if new.text is None else new.text,
        "note": step.note if new.note is None else new.note,
        "asks": tuple(asks),
    })  # fmt: skip
