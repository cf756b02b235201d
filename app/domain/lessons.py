"""What a job teaches: fixed questions about each deviation, answered before the record goes to review.

Stops, attempts outside their limit, corrections and steps put in are asked about in three questions, every other
deviation in one.  Which those are stands in the job's first entry, so that a record means the same for ever.  The
answers go to whoever owns the procedure and into the brief of the next job on the same housing.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Literal

from app.domain.event_base import JobEvent

DEVIATIONS = frozenset({"stopped", "outside its limit", "corrected", "steps put in"})
"""The kinds of exception that are asked about."""
FURTHER: Mapping[str, str] = MappingProxyType(
    {
        "accounts differ": "How did two accounts of one step come about?",
        "contingency": "What led to it, and what would keep it from happening again?",
        "field change": "Why could the step not be done as written, and should the procedure change for good?",
        "filter refused": "How did a filter that may not go in come to the housing?",
        "late or clock apart": "Why did entries come late, or from a tablet whose clock was apart?",
        "left not at rest": "Why could the work not be brought to rest before it was left?",
        "lock off for a trial": "Why did a locked damper have to be moved?",
        "lock removed": "Why could the owner not take the lock off?",
        "mark missing": "What is known of the mark that is not in the record?",
        "not applicable": "Why did the step not apply here, and should the procedure say so?",
        "not as recorded": "How did the housing come to be otherwise than recorded?",
        "reading missed": "Why was the repeated reading not taken in time?",
        "recovered": "What was looked at again after entries had been lost and given back?",
        "transcribed from paper": "Why was paper needed?",
        "two entries differ": "Why were two numbers entered for one?",
        "withdrawn": "What led to the mark that was taken back?",
    }
)
"""The other kinds of exception that are asked about, each with its one question.

Not asked about is what follows from one of these (re-opened, accounts settled), what is refused before anything
happened, what the procedure provides for (a release by voice, a spare blank), and what belongs to crew and review.
"""
FILTER_REFUSED = "filter refused"
"""How a refusal of an unfit filter is known here."""
ONCE = frozenset({
    "late or clock apart", "mark missing", "reading missed", "recovered", "transcribed from paper",
    "two entries differ",
})  # fmt: skip
"""Kinds that come in runs: asked about once in a job, at the first of them."""
QUESTIONS = (
    ("differed", "What differed from the plan?"),
    ("why", "Why did it differ?"),
    ("change", "What should change in the procedure, or why nothing?"),
)


class DeviationAnswered(JobEvent):
    """Somebody answered the questions about the deviation of one entry.

    question: the one that was asked, where it was one; `differed` is then its answer and the others are empty.
    """

    type: Literal["deviation_answered"] = "deviation_answered"
    entry: int
    differed: str
    why: str
    change: str
    question: str | None = None

    @property
    def told(self) -> tuple[tuple[str, str], ...]:
        """What was asked and answered, in order."""
        if self.question is not None:
            return ((self.question, self.differed),)
        return tuple((question, getattr(self, name)) for name, question in QUESTIONS)


LessonEvent = DeviationAnswered


@dataclass(frozen=True, slots=True)
class AnswerDeviation:
    """Answer the questions about the deviation of one entry; `differed` alone answers where one is asked."""

    entry: int
    differed: str
    why: str
    change: str


LessonCommand = AnswerDeviation


@dataclass(frozen=True, slots=True)
class LessonState:
    """The answers so far, by the entry of their deviation."""

    answered: Mapping[int, DeviationAnswered] = field(default_factory=lambda: MappingProxyType({}))


def questions_of(kind: str) -> tuple[tuple[str, str], ...]:
    """Return what is asked about a deviation of this kind: the name of each answer and its question."""
    return (("differed", FURTHER[kind]),) if kind in FURTHER else QUESTIONS


def evolve_lessons(state: LessonState, event: LessonEvent) -> LessonState:
    """Return the answers after one more."""
    return replace(state, answered=MappingProxyType({**state.answered, event.entry: event}))
