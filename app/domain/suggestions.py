"""What jobs taught, carried on: changes suggested to a procedure, a kit rule or the register, and what became of them.

Rules kept here:
- a suggestion is answered by name and with a reason, by a lead or safety officer who did not make it;
- what was accepted stays open until somebody says how it was carried out; nothing is carried out by this program.
"""

from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Literal, assert_never

from immutables import Map

from app.domain.site_entry import SiteEntry


class About(StrEnum):
    """What would be changed."""

    PROCEDURE = "procedure"
    KIT = "kit rule"
    REGISTER = "register"


class SuggestionMade(SiteEntry):
    """Somebody suggests a change.  what: which procedure, rule or housing.  job, entry: its deviation, if any."""

    type: Literal["suggestion_made"] = "suggestion_made"
    about: About
    what: str
    text: str
    job: str = ""
    entry: int = -1


class SuggestionAnswered(SiteEntry):
    """A suggestion was accepted or declined, and why.  suggestion: the place of its entry."""

    type: Literal["suggestion_answered"] = "suggestion_answered"
    suggestion: int
    answer: Literal["accepted", "declined"]
    reason: str


class SuggestionCarriedOut(SiteEntry):
    """What was accepted has been done: the new revision, the changed rule or entry."""

    type: Literal["suggestion_carried_out"] = "suggestion_carried_out"
    suggestion: int
    how: str


SuggestionEvent = SuggestionMade | SuggestionAnswered | SuggestionCarriedOut


@dataclass(frozen=True, slots=True)
class Suggestion:
    """One suggestion and what became of it."""

    made: SuggestionMade
    answered: SuggestionAnswered | None = None
    carried_out: SuggestionCarriedOut | None = None

    @property
    def stands(self) -> str:
        """How it stands, in a word or two."""
        if self.answered is None:
            return "waits for an answer"
        if self.answered.answer == "declined":
            return "declined"
        return "accepted, to be carried out" if self.carried_out is None else "carried out"


@dataclass(frozen=True, slots=True)
class Suggestions:
    """All suggestions by the place of their entry, which deviations have led to one, which wait for an answer."""

    all: Map[int, Suggestion] = field(default_factory=Map)
    taught: Map[tuple[str, int], int] = field(default_factory=Map)
    waiting: Map[int, None] = field(default_factory=Map)

    def waiting_for(self, person: str) -> int:
        """Count what waits for an answer by this person, who answers none of their own."""
        makers = (self.all[entry].made.by for entry in self.waiting)
        return sum(1 for by in makers if by is None or by.id != person)


def evolve_suggestions(state: Suggestions, event: SuggestionEvent) -> Suggestions:
    """Return the suggestions after one more entry; total over the closed union."""
    match event:
        case SuggestionMade():
            taught = state.taught.set((event.job, event.entry), event.seq) if event.job else state.taught
            waiting = state.waiting.set(event.seq, None)
            return replace(state, all=state.all.set(event.seq, Suggestion(event)), taught=taught, waiting=waiting)
        case SuggestionAnswered():
            found = state.all.get(event.suggestion)
            return state if found is None else _with(state, replace(found, answered=event))
        case SuggestionCarriedOut():
            found = state.all.get(event.suggestion)
            return state if found is None else _with(state, replace(found, carried_out=event))
        case _:
            assert_never(event)


def _with(state: Suggestions, suggestion: Suggestion) -> Suggestions:
    entry = suggestion.made.seq
    waiting = state.waiting.delete(entry) if entry in state.waiting else state.waiting
    return replace(state, all=state.all.set(entry, suggestion), waiting=waiting)
