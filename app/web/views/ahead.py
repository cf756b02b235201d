"""The steps that a tablet may go through while the server is out of reach: their panels, made before they are due.

Nothing is decided here: each kept mark is judged when it arrives.  What only the server can judge ends the list:
hold points, team pauses, verifications by somebody else, computed results.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Literal

from app.domain.containment.rest import nearest_rest, rests
from app.domain.event_base import Evidence, Who
from app.domain.events import StepBegun, StepDone
from app.domain.job import JobState, Stage, evolve
from app.domain.procedure import Role, StepKind
from app.domain.steps import AskedFor, Step
from app.domain.words import effect_words

MOST_PANELS = 40


@dataclass(frozen=True, slots=True)
class Ahead:
    """One panel to come: the state in which it would be shown, and the answers that let the work go on."""

    state: JobState
    step: str
    act: str
    checks: dict[str, Any]
    waits: str = ""


def ahead(state: JobState, who: Who) -> Iterator[Ahead]:
    """Yield the panels from the one that is due on, as if each were marked without anything unusual."""
    for _ in range(MOST_PANELS):
        due = state.due
        if due is None or state.stage is not Stage.OPEN or state.changes.waiting_at(due.id):
            return
        act: Literal["begin", "finish"] = "begin" if due.marks == 2 and state.mark(due.id).begun is None else "finish"
        why = waits_for_server(due, who)
        yield Ahead(state, due.id, act, checks_of(due, act), why)
        if why:
            return
        event: StepBegun | StepDone
        if act == "begin":
            event = StepBegun(ledger="ahead", seq=state.size, at="", by=who, step=due.id)
        else:
            event = StepDone(
                ledger="ahead", seq=state.size, at="", by=who, step=due.id, evidence=Evidence(),
                in_hand_since="",
            )  # fmt: skip
        state = evolve(state, event)


def way_to_rest(state: JobState) -> tuple[bool, list[str]]:
    """Whether the job may be left in this state, and if not, the fewest acts from which it may; none if not known."""
    if state.model is None:
        return False, []
    return rests(state.model), [effect_words(effect) for effect in nearest_rest(state.model) or ()]


def waits_for_server(step: Step, who: Who) -> str:
    """Say why a step cannot be marked while the server is out of reach; nothing if it can."""
    match step.kind:
        case StepKind.HOLD:
            return "A hold point is released with a secret, which only the server can prove."
        case _ if step.table is not None:
            return "Each lock has its row and its own mark, which only the server can take."
        case StepKind.VERIFY:
            return "Somebody else verifies this, signed in, which only the server can prove."
        case _ if step.second is not None:
            return "Two people mark this, the second with their own secret, which only the server can prove."
        case _ if step.role is not Role.TECHNICIAN and step.role is not who.role:
            return f"This is for a {step.role.words}, signed in, which only the server can prove."
        case _ if step.says:
            return "Each of the crew speaks at a pause, and some with a secret, which only the server can prove."
        case StepKind.DECIDE:
            return "Which steps follow depends on the choice; the server leads the way."
        case _ if step.computes is not None:
            return "The result is computed and judged by the server."
        case _:
            return ""


def checks_of(step: Step, act: Literal["begin", "finish"] = "finish") -> dict[str, Any]:
    """Return within what each answer lets the work go on: absolute limits, choices that are good, labels to be read."""
    return {asked.ask.id: found for asked in step.asks_at(act) if (found := _check(asked))}


def _check(asked: AskedFor) -> dict[str, Any]:
    if asked.ask.kind == "choice" and asked.ask.good:
        return {"good": list(asked.ask.good)}
    if asked.ask.kind == "tag":
        return {"label": asked.ask.expects}
    if asked.limit is not None:
        return {"low": asked.limit.low, "high": asked.limit.high, "op": asked.limit.op}
    return {}
