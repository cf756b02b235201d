"""Deciding on notes: a free remark at any moment, by anybody who works on jobs; one note may go on from another."""

from app.domain.commands import Moment, WriteNote
from app.domain.deciding.common import event_of, words_of
from app.domain.events import Event, NoteWritten
from app.domain.job import JobState
from app.domain.refused import Refused


def note(state: JobState, command: WriteNote, moment: Moment) -> tuple[Event, ...]:
    """Write a free remark."""
    text = words_of(command.text, "The note")
    if command.follows is not None and command.follows not in state.notes:
        raise Refused("no_note", f"Entry {command.follows} is not a note. Choose one of the notes shown, or none.")
    if command.step is not None and state.step(command.step) is None:
        raise Refused(
            "no_step", f"This job has no step {command.step[:80]!r}. Open the log of the job and write it there."
        )
    return (event_of(NoteWritten, state, moment, text=text, step=command.step, follows=command.follows),)
