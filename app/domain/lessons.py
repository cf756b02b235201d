"""What a job teaches: fixed questions about each deviation, answered before the record goes to review.

A deviation is a stop, an attempt outside its limit, a correction, or steps put in.  The answers go to whoever owns
the procedure and into the brief of the next job on the same housing.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Literal

from app.domain.event_base import JobEvent

DEVIATIONS = frozenset({"stopped", "outside its limit", "corrected", "steps put in"})
"""The kinds of exception that are asked about."""
QUESTIONS = (
    ("differed", "What differed from the plan?"),
    ("why", "Why did it differ?"),
    ("change", "What should change in the procedure, or why nothing?"),
)


class DeviationAnswered(JobEvent):
    """Somebody answered the questions about the deviation of one entry."""

    type: Literal["deviation_answered"] = "deviation_answered"
    entry: int
    differed: str
    why: str
    change: str


LessonEvent = DeviationAnswered


@dataclass(frozen=True, slots=True)
class AnswerDeviation:
    """Answer the questions about the deviation of one entry."""

    entry: int
    differed: str
    why: str
    change: str


LessonCommand = AnswerDeviation


@dataclass(frozen=True, slots=True)
class LessonState:
    """The answers so far, by the entry of their deviation."""

    answered: Mapping[int, DeviationAnswered] = field(default_factory=lambda: MappingProxyType({}))


def evolve_lessons(state: LessonState, event: LessonEvent) -> LessonState:
    """Return the answers after one more."""
    return replace(state, answered=MappingProxyType({**state.answered, event.entry: event}))
