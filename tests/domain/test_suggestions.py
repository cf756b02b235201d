"""Suggestions: made, answered by somebody else, carried out, each once; bad text refused with one sentence."""

from collections.abc import Callable
from datetime import date
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.calc.errors import ChangeoutError, Invalid
from app.domain.event_base import Who
from app.domain.procedure import Role
from app.domain.refused import Refused
from app.domain.registers import SiteMoment
from app.domain.suggesting import suggestion_answered, suggestion_carried_out, suggestion_made
from app.domain.suggestions import SuggestionEvent, Suggestions, evolve_suggestions
from tests.builders import HANDS, LEAD, OFFICER, OTHER_LEAD

PEOPLE = (HANDS, LEAD, OTHER_LEAD, OFFICER)
TEXT = "Ask for the torque twice."


def moment(by: Who, seq: int = 7) -> SiteMoment:
    """Return the moment at which somebody makes an entry."""
    return SiteMoment(seq=seq, at="2026-03-02T08:00:00.000Z", today=date(2026, 3, 2), by=by)


def made(by: Who = HANDS, seq: int = 7) -> Suggestions:
    """Return a state with one suggestion."""
    event = suggestion_made(Suggestions(), moment(by, seq), about="procedure", what="change-out", text=TEXT,
                            job="job-2026-0001", entry=12)  # fmt: skip
    return evolve_suggestions(Suggestions(), event)


def test_from_a_deviation_to_a_change_that_was_carried_out() -> None:
    """Each entry names the suggestion; the deviation is known to have led to it."""
    state = made()
    answered = suggestion_answered(state, moment(LEAD, 8), suggestion=7, answer="accepted", reason="seen three times")
    state = evolve_suggestions(state, answered)
    assert state.all[7].stands == "accepted, to be carried out"
    done = suggestion_carried_out(state, moment(OFFICER, 9), suggestion=7, how="change-out revision 5")
    state = evolve_suggestions(state, done)

    assert (state.all[7].stands, state.taught["job-2026-0001", 12]) == ("carried out", 7)


ANSWER = {"suggestion": 7, "answer": "accepted", "reason": TEXT}
REGISTER: dict[str, Any] = {"about": "register", "what": "EF-03", "text": TEXT}


@pytest.mark.parametrize(
    ("make", "by", "given", "kind", "told"),
    [
        (suggestion_answered, HANDS, ANSWER, Refused, "A lead or a safety"),
        (suggestion_answered, LEAD, {**ANSWER, "suggestion": 8}, Invalid, "no suggestion 8"),
        (suggestion_answered, LEAD, {**ANSWER, "answer": "maybe"}, Invalid, "accepted or declined"),
        (suggestion_answered, LEAD, {**ANSWER, "reason": " a "}, Invalid, "1 characters"),
        (suggestion_carried_out, LEAD, {"suggestion": 7, "how": TEXT}, Refused, "has not been accepted"),
        (suggestion_made, LEAD, {**REGISTER, "about": "people"}, Invalid, "nothing that can be"),
        (suggestion_made, LEAD, {**REGISTER, "what": " "}, Invalid, "which register"),
        (suggestion_made, LEAD, {**REGISTER, "text": "x" * 501}, Invalid, "501 characters"),
        (suggestion_made, LEAD, {**REGISTER, "job": "job-2026-0001", "entry": 12}, Refused, "led to suggestion 7"),
    ],
)
def test_what_is_refused_says_why(
    make: Callable[..., SuggestionEvent], by: Who, given: dict[str, Any], kind: type[ChangeoutError], told: str
) -> None:
    """One sentence each."""
    with pytest.raises(kind, match=told):
        make(made(), moment(by), **given)


def test_nobody_answers_their_own_suggestion_and_none_is_answered_twice() -> None:
    """A lead who made it is refused; after one answer or one carrying out there is no other."""
    with pytest.raises(Refused, match="made this suggestion and cannot answer it"):
        suggestion_answered(made(LEAD), moment(LEAD), suggestion=7, answer="accepted", reason=TEXT)
    state = made()
    state = evolve_suggestions(
        state, suggestion_answered(state, moment(LEAD, 8), suggestion=7, answer="accepted", reason=TEXT)
    )
    with pytest.raises(Refused, match="was accepted already"):
        suggestion_answered(state, moment(OFFICER), suggestion=7, answer="declined", reason=TEXT)
    with pytest.raises(Refused, match="says that it was carried out"):
        suggestion_carried_out(state, moment(HANDS), suggestion=7, how=TEXT)
    state = evolve_suggestions(state, suggestion_carried_out(state, moment(LEAD, 9), suggestion=7, how=TEXT))
    with pytest.raises(Refused, match="carried out already"):
        suggestion_carried_out(state, moment(OFFICER), suggestion=7, how=TEXT)


@given(
    st.lists(
        st.tuples(st.sampled_from(["make", "accepted", "declined", "done"]), st.integers(0, 5), st.sampled_from(PEOPLE))
    )
)
def test_whatever_is_tried_no_suggestion_is_answered_by_its_maker_or_twice(acts: list[tuple[str, int, Who]]) -> None:
    """Over any tries by anybody: answers by keepers who did not make it, carried out only what was accepted."""
    state, seq = Suggestions(), 0
    for act, which, by in acts:
        try:
            if act == "make":
                event: SuggestionEvent = suggestion_made(
                    state, moment(by, seq), about="kit rule", what="bags", text=TEXT
                )
            elif act == "done":
                event = suggestion_carried_out(state, moment(by, seq), suggestion=which, how=TEXT)
            else:
                event = suggestion_answered(state, moment(by, seq), suggestion=which, answer=act, reason=TEXT)
        except ChangeoutError:
            continue
        before, state, seq = state, evolve_suggestions(state, event), seq + 1
        for place, item in before.all.items():
            now = state.all[place]
            assert item.answered in (None, now.answered)
            assert item.carried_out in (None, now.carried_out)
    for item in state.all.values():
        if item.answered is not None:
            assert item.answered.by is not None
            assert item.made.by is not None
            assert item.answered.by.id != item.made.by.id
            assert item.answered.by.role in (Role.LEAD, Role.SAFETY_OFFICER)
        assert item.carried_out is None or (item.answered is not None and item.answered.answer == "accepted")


def test_what_waits_is_counted_for_everybody_but_its_maker() -> None:
    """An answer takes it off, and so it stays when it is carried out."""
    state = made(LEAD)
    other = suggestion_made(state, moment(HANDS, 9), about="kit rule", what="bags", text=TEXT, job="", entry=-1)
    state = evolve_suggestions(state, other)
    assert [state.waiting_for(who.id) for who in (LEAD, OTHER_LEAD, OFFICER)] == [1, 2, 2]

    event = suggestion_answered(state, moment(LEAD, 10), suggestion=9, answer="accepted", reason="seen three times")
    state = evolve_suggestions(state, event)
    assert [state.waiting_for(who.id) for who in (LEAD, OTHER_LEAD, OFFICER)] == [0, 1, 1]
    done = suggestion_carried_out(state, moment(LEAD, 11), suggestion=9, how="two bags more")
    assert evolve_suggestions(state, done).waiting_for(OFFICER.id) == 1
