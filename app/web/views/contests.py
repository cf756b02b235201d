"""Accounts that differ: what stands and what a tablet brought later, side by side, both with time and tablet."""

from collections.abc import Mapping
from dataclasses import dataclass

from app.domain.events import MarkContested
from app.domain.job import JobState
from app.domain.procedure import Role
from app.domain.words import unit_words
from app.records.moments import local_text
from app.services.ports import Session

CONTESTS = "contests"
"""What a refill of the form is known by; its answers are the fields."""


@dataclass(frozen=True, slots=True)
class ContestView:
    """One mark that does not agree with what stands: both, with who, when and on which tablet."""

    entry: int
    step: str
    why: str
    came: str
    came_answers: tuple[tuple[str, str], ...]
    stands: str
    stands_answers: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class ContestsView:
    """The accounts to settle. may: whether the person signed in is a lead who made none of them."""

    items: tuple[ContestView, ...]
    may: bool
    token: str
    typed: Mapping[str, str]


def contests_view(state: JobState, session: Session, token: str, typed: Mapping[str, str]) -> ContestsView:
    """Return the accounts to settle, as this person sees them, with what was typed before a refusal."""
    zone = state.opened.zone if state.opened else "UTC"
    items = tuple(_contest(state, event, zone) for event in state.contests)
    made = {event.by.id for event in state.contests}
    return ContestsView(items, session.who.role is Role.LEAD and session.who.id not in made, token, typed)


def _contest(state: JobState, event: MarkContested, zone: str) -> ContestView:
    step, mark = state.step(event.step), state.mark(event.step)
    asks = {asked.ask.id: asked.ask for asked in step.asks} if step else {}
    stamp, device = mark.done or mark.begun, event.device
    tablet = device.tablet if device else "no tablet"
    tapped = local_text(device.at, zone) if device and device.at else local_text(event.at, zone)
    return ContestView(
        entry=event.seq,
        step=f"Step {state.index[event.step] + 1}: {step.text}" if step else event.step,
        why=event.why,
        came=f"{event.by.name}, {tablet}, {tapped} by that tablet's clock: {event.act}",
        came_answers=tuple(
            (asks[name].label, f"{text} {unit_words(asks[name].unit)}".strip())
            for name, text in event.answers.items()
            if name in asks
        ),
        stands=f"{stamp.by.name}, {stamp.tablet or 'no tablet'}, {local_text(stamp.at, zone)}" if stamp else "no mark",
        stands_answers=tuple(
            (asks[name].label if name in asks else name, f"{answer.text} {unit_words(answer.unit)}".strip())
            for name, answer in mark.evidence.answers.items()
        ),
    )
