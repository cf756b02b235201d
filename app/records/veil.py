"""What is not shown while somebody verifies it unseen: the answers that the verification which is due states anew.

The veil hides nothing from the record; it lies over pages only for as long as the verification is due.  Paper stays in
the hand of whoever verifies later, so on it the veil lies over what any step to come states anew, whatever the stage.
"""

from collections.abc import Callable, Iterable
from dataclasses import replace

from app.domain.event_base import Evidence
from app.domain.events import AnswerCorrected, Event, StepDone
from app.domain.fitting import SERIAL
from app.domain.job import JobState, Stage
from app.domain.site import SiteState
from app.domain.steps import Step
from app.domain.store import Store, put_back

UNSEEN = "not shown before it is verified"


def unseen(state: JobState) -> frozenset[tuple[str, str]]:
    """Return the answers (step, question) that a verification which is due is to state without having seen them.

    A stop does not lift the veil, or whoever verifies would only have to press it; once they have made an entry of
    their own that did not agree, a lead compares the two while the job is stopped.
    """
    due = state.due
    if due is None or state.stage is Stage.ACCEPTED or (state.stage is not Stage.OPEN and state.mark(due.id).attempts):
        return frozenset()
    return _stated_anew((due,))


def _stated_anew(steps: Iterable[Step]) -> frozenset[tuple[str, str]]:
    asked = (item.same_as for step in steps for item in step.asks)
    return frozenset((same.step, same.ask) for same in asked if same is not None)


def veiled(state: JobState, *, on_paper: bool = False) -> JobState:
    """Return the state as pages may show it now, or as it may be printed."""
    hidden = _stated_anew(state.steps[state.place :]) if on_paper else unseen(state)
    marks = dict(state.marks)
    for step, ask in hidden:
        mark = state.mark(step)
        corrections = tuple(
            replace(item, was=UNSEEN, now=UNSEEN) if item.ask == ask else item for item in mark.corrections
        )
        marks[step] = replace(mark, evidence=_without(mark.evidence, {ask}), earlier=(), corrections=corrections)
    return replace(state, marks=marks) if hidden else state


def veiled_events(state: JobState, events: Iterable[Event]) -> tuple[Event, ...]:
    """Return the entries as pages may tell of them now."""
    hidden = unseen(state)
    return tuple(_veiled(event, hidden) for event in events) if hidden else tuple(events)


def _veiled(event: Event, hidden: frozenset[tuple[str, str]]) -> Event:
    if not isinstance(event, StepDone | AnswerCorrected):
        return event
    asks = {ask for step, ask in hidden if step == event.step}
    if not asks:
        return event
    changed: dict[str, object] = {"evidence": _without(event.evidence, asks)}
    if isinstance(event, AnswerCorrected) and event.ask in asks:
        changed |= {"was": UNSEEN, "now": UNSEEN}
    return event.model_copy(update=changed)


def veiled_store(site: SiteState, state_of: Callable[[str], JobState]) -> Store:
    """Return the store room as pages may show it now: a filter whose reading is verified unseen lies where it lay."""
    store = site.store
    for job in (line.job for line in site.jobs.in_hand() if line.job in store.went):
        state = state_of(job)
        hidden = (state.mark(step).evidence.answers.get(ask) for step, ask in unseen(state) if ask == SERIAL)
        found = (store.of_serial(answer.text) for answer in hidden if answer is not None)
        for standing in found:
            store = put_back(store, standing.lot.id, job) if standing is not None else store
    return store


def _without(evidence: Evidence, asks: set[str]) -> Evidence:
    answers = {
        name: answer.model_copy(update={"text": UNSEEN}) if name in asks else answer
        for name, answer in evidence.answers.items()
    }
    return evidence.model_copy(update={"answers": answers})
