"""Deciding on the questions after a job: each deviation is answered once, and none is left open at the review."""

from app.domain.commands import Moment
from app.domain.deciding.common import event_of, words_of
from app.domain.events import Event
from app.domain.job import JobState
from app.domain.lessons import AnswerDeviation, DeviationAnswered, questions_of
from app.domain.refused import Refused


def answer_deviation(state: JobState, command: AnswerDeviation, moment: Moment) -> tuple[Event, ...]:
    """Answer the fixed questions about one deviation."""
    if state.accepted is not None:
        raise Refused("accepted", "The record has been accepted. A lead can re-open the job.")
    if before := state.lessons.answered.get(command.entry):
        raise Refused(
            "answered_already", f"{before.by.name} answered for entry {command.entry}. Write a note to add to it."
        )
    asked = next((item for item in state.unanswered if item.seq == command.entry), None)
    if asked is None:
        raise Refused("no_deviation", f"Entry {command.entry} is not asked about. Choose one of those shown.")
    questions = questions_of(asked.asked_as)
    given = {name: words_of(getattr(command, name), f"“{question}”") for name, question in questions}
    one = questions[0][1] if len(questions) == 1 else None
    return (
        event_of(
            DeviationAnswered, state, moment, entry=command.entry, question=one, differed=given["differed"],
            why=given.get("why", ""), change=given.get("change", ""),
        ),
    )  # fmt: skip


def none_open(state: JobState) -> None:
    """Refuse while a deviation has not been answered."""
    if left := state.unanswered:
        entries = ", ".join(str(item.seq) for item in left)
        raise Refused(
            "unanswered",
            f"Questions about {len(left)} deviation{'' if len(left) == 1 else 's'} are open (entry {entries}). Answer "
            "them first, under What differed.",
        )
