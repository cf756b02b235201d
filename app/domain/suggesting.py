"""Deciding over suggestions: who may make, answer and carry out which; bad text is refused with one sentence."""

from app.calc.errors import Invalid
from app.domain.procedure import Role
from app.domain.refused import Refused
from app.domain.registers import SiteMoment
from app.domain.suggestions import (
    About,
    Suggestion,
    SuggestionAnswered,
    SuggestionCarriedOut,
    SuggestionMade,
    Suggestions,
)

LONGEST, LONGEST_WHAT, SHORTEST = 500, 80, 3
KEEPERS = (Role.LEAD, Role.SAFETY_OFFICER)


def suggestion_made(
    state: Suggestions, moment: SiteMoment, *, about: str, what: str, text: str, job: str = "", entry: int = -1
) -> SuggestionMade:
    """Return the entry for a suggestion; raise Invalid for bad text, Refused where its deviation has led to one."""
    if about not in tuple(About):
        raise Invalid(f"{about[:40]!r} is nothing that can be changed here. Choose procedure, kit rule or register.")
    named, said = " ".join(what.split()), " ".join(text.split())
    if not 1 <= len(named) <= LONGEST_WHAT:
        raise Invalid(f"Say which {about} is meant, in 1 to {LONGEST_WHAT} characters.")
    _complain_of_length(said, "What should change")
    if job and (place := state.taught.get((job, entry))) is not None:
        raise Refused("suggested", f"That deviation has led to suggestion {place} already. Look at what became of it.")
    return SuggestionMade(
        seq=moment.seq, at=moment.at, by=moment.by, about=About(about), what=named, text=said, job=job, entry=entry
    )


def suggestion_answered(
    state: Suggestions, moment: SiteMoment, *, suggestion: int, answer: str, reason: str
) -> SuggestionAnswered:
    """Return the entry that accepts or declines a suggestion, by somebody who did not make it."""
    found = _known(state, suggestion)
    if found.answered is not None:
        raise Refused("answered", f"Suggestion {suggestion} was {found.answered.answer} already.")
    if moment.by is None or moment.by.role not in KEEPERS:
        raise Refused("role", "A lead or a safety officer answers a suggestion.")
    if found.made.by is not None and found.made.by.id == moment.by.id:
        raise Refused("own", f"{moment.by.name} made this suggestion and cannot answer it. Somebody else must.")
    if answer not in ("accepted", "declined"):
        raise Invalid("Say whether the suggestion is accepted or declined.")
    why = " ".join(reason.split())
    _complain_of_length(why, "Why it is so")
    return SuggestionAnswered(
        seq=moment.seq, at=moment.at, by=moment.by, suggestion=suggestion,
        answer="accepted" if answer == "accepted" else "declined", reason=why,
    )  # fmt: skip


def suggestion_carried_out(
    state: Suggestions, moment: SiteMoment, *, suggestion: int, how: str
) -> SuggestionCarriedOut:
    """Return the entry that says how an accepted suggestion was carried out."""
    found = _known(state, suggestion)
    if found.answered is None or found.answered.answer != "accepted":
        raise Refused("not_accepted", f"Suggestion {suggestion} has not been accepted, so nothing is carried out.")
    if found.carried_out is not None:
        raise Refused("carried_out", f"Suggestion {suggestion} was carried out already: {found.carried_out.how}")
    if moment.by is None or moment.by.role not in KEEPERS:
        raise Refused("role", "A lead or a safety officer says that it was carried out.")
    said = " ".join(how.split())
    _complain_of_length(said, "How it was carried out")
    return SuggestionCarriedOut(seq=moment.seq, at=moment.at, by=moment.by, suggestion=suggestion, how=said)


def _known(state: Suggestions, suggestion: int) -> Suggestion:
    found = state.all.get(suggestion)
    if found is None:
        raise Invalid(f"There is no suggestion {suggestion}. Choose one of those listed.")
    return found


def _complain_of_length(text: str, what: str) -> None:
    if not SHORTEST <= len(text) <= LONGEST:
        raise Invalid(f"{what}: {len(text)} characters were given; write {SHORTEST} to {LONGEST}.")
