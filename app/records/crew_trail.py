"""Sentences of the trail about the crew: briefed, left, spoke at a pause, answered about a deviation."""

from typing import assert_never

from app.domain.crew import CrewBriefed, CrewLeft, Part, PauseConfirmed
from app.domain.event_base import Transcribed
from app.domain.lessons import DeviationAnswered


def crew_sentence(event: CrewBriefed | CrewLeft | PauseConfirmed | DeviationAnswered, step: str) -> str:
    """Return one sentence; step: the step of a pause as readers know it."""
    who = event.by.name
    match event:
        case CrewBriefed():
            what = "to take part in the work" if event.part is Part.WORK else "to release holds"
            held = "; ".join(f"{item.what} until {item.until}" for item in event.qualifications)
            qualified = f" Held then: {held}." if held else ""
            return (
                f"{who} acknowledged the brief of revision {event.revision}, {what} (own secret), in own words: "
                f"“{event.words}”{qualified}"
            )
        case CrewLeft():
            left = "left the crew" if event.by.id == event.person.id else f"took {event.person.name} off the crew"
            return f"{who} {left}: {event.reason}"
        case PauseConfirmed(how="own secret"):
            return f"{who} confirmed the pause {step} with the own secret."
        case PauseConfirmed(transcribed=Transcribed()):
            return f"{event.person.name} spoke at the pause {step}."
        case PauseConfirmed():
            return f"{who} heard {event.person.name} say it aloud at the pause {step} and recorded it."
        case DeviationAnswered(question=str() as question):
            return f"{who} answered about entry {event.entry}. {question} {event.differed}"
        case DeviationAnswered():
            return (
                f"{who} answered about entry {event.entry}. What differed: {event.differed} Why: {event.why} "
                f"What should change: {event.change}"
            )
        case _:
            assert_never(event)
