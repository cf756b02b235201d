"""The step that is due, against its definition, over histories with withdrawals, corrections and re-openings."""

from contextlib import suppress

from hypothesis import given, settings
from hypothesis import strategies as st

from app.calc.errors import ChangeoutError
from app.domain.commands import Command, ExplainStop, Reopen, StopWork, Withdraw
from app.domain.event_base import Who
from app.domain.job import JobState, evolve, fold
from tests.builders import HANDS, LEAD, OTHER_LEAD, Bench, opened

ACTS = st.lists(st.tuples(st.sampled_from(["work", "work", "withdraw", "reopen"]), st.integers(0, 20)), max_size=6)


def by_definition(state: JobState) -> str | None:
    """The first step that does not stand, looked for from the start."""
    return next((step.id for step in state.steps if not state.mark(step.id).stands), None)


def act(bench: Bench, name: str, number: int) -> None:
    """Work on, take a mark back, or stop and re-open with one step to be done again."""
    asked: list[tuple[Command, Who]] = []
    step = bench.state.steps[number].id
    match name:
        case "work":
            bench.run_to(steps=number)
        case "withdraw":
            asked = [(Withdraw(step, "a slip"), LEAD)]
        case _:
            asked = [
                (StopWork(), HANDS),
                (ExplainStop("unexpected", ""), HANDS),
                (Reopen("looked at", (step,)), OTHER_LEAD),
                (Reopen("looked at"), OTHER_LEAD),
            ]
    for command, by in asked:
        with suppress(ChangeoutError):
            bench.do(command, by)


@settings(max_examples=25)
@given(acts=ACTS)
def test_the_due_step_is_the_first_that_does_not_stand(acts: list[tuple[str, int]]) -> None:
    """After any event, due and doubtful are what their definitions give over the whole job."""
    bench = opened("EF-07")
    for name, number in acts:
        act(bench, name, number)

    state = JobState()
    for event in bench.events:
        state = evolve(state, event)

        assert (state.due.id if state.due else None) == by_definition(state)
        assert state.doubtful == tuple(sorted(name for name in state.applied if not state.mark(name).stands))


def test_marks_before_the_opening_still_find_the_due_step() -> None:
    """History is never refused: with its opening put last, the due step is still the first that does not stand."""
    bench = opened("EF-07")
    bench.run_to(steps=4)
    first, *others = bench.events

    state = fold([*others, first])

    assert state.due is not None
    assert state.due.id == by_definition(state) == bench.state.steps[4].id
