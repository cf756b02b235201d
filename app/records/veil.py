"""What is not shown before it is verified: the answers that a verification to come states anew or veils.

The veil hides nothing from the record; it lies over pages from an answer until its verification stands, for everybody
but those who entered it and therefore do not verify it.  What lay outside its limit stopped the job and is shown to
all.  Paper and files lie in anybody's hand, so on them nobody's own answers are shown either.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

from app.domain.event_base import Evidence
from app.domain.events import (
    AnswerCorrected,
    EntriesDiffered,
    Event,
    JobStopped,
    MarkContested,
    RecheckAnswered,
    StepDone,
    StepOutside,
)
from app.domain.fitting import SERIAL
from app.domain.job import JobState, Mark, Stage
from app.domain.locks import DamperStroked, Hung, PointLocked, PointUnlocked
from app.domain.procedure import StepKind
from app.domain.site import SiteState
from app.domain.steps import Step
from app.domain.store import Store, put_back

UNSEEN = "not shown before it is verified"
_TELLING = frozenset({"corrected", "two entries differ"})
"""Exceptions whose sentence holds what was entered."""
_LOCK_LOOK = "lock-"
"""Before the id of a look at the number of a lock."""


@dataclass(frozen=True, slots=True)
class Unseen:
    """What is not shown.  steps: all answers of these.  asks: single answers (step, question).  locks: these rows."""

    steps: frozenset[str] = frozenset()
    asks: frozenset[tuple[str, str]] = frozenset()
    locks: frozenset[str] = frozenset()

    def __bool__(self) -> bool:
        return bool(self.steps or self.asks or self.locks)

    def at(self, step: str, known: Iterable[str]) -> frozenset[str]:
        """Return which of these questions of a step are not to be shown."""
        return frozenset(ask for ask in known if step in self.steps or (step, ask) in self.asks)


def unseen(state: JobState, viewer: str = "", *, on_paper: bool = False) -> Unseen:
    """Return what a verification that does not stand is to find out without having seen it.

    viewer: who looks; what they entered themselves is theirs to see.  A stop does not lift the veil, or whoever
    verifies would only have to press it; once they have made an entry of their own that did not agree, a lead compares
    the two while the job is stopped, and so it is with two accounts that differ; on paper neither is shown.
    """
    if state.accepted is not None:
        return Unseen()
    steps: set[str] = set()
    asks: set[tuple[str, str]] = set()
    settling = frozenset() if on_paper else frozenset(event.step for event in state.contests)
    for step in state.steps[state.place :]:
        compared = not on_paper and _compared(state, step, viewer)
        if step.kind is StepKind.VERIFY and not state.mark(step.id).stands and not compared:
            steps |= set(step.veils or ())
            asks |= {(item.same_as.step, item.same_as.ask) for item in step.asks if item.same_as is not None}
    table = any((found := state.step(name)) is not None and found.table == "locks_on" for name in steps)
    return Unseen(
        frozenset(name for name in steps - settling if _hidden(state.mark(name), viewer)),
        frozenset(pair for pair in asks if pair[0] not in settling and _hidden(state.mark(pair[0]), viewer)),
        frozenset(row.lock for row in state.locks.points if table and viewer not in row.recorders),
    )


def _compared(state: JobState, step: Step, viewer: str) -> bool:
    """Whether a verifier's entry, which did not agree, is being compared now by others with what it verifies.

    Whoever made it may have to verify again, and is not shown.
    """
    tried = state.mark(step.id).attempts
    own = any(viewer in stamp.recorders for stamp, _ in tried)
    return state.stage is Stage.STOPPED and state.due is step and bool(tried) and not own


def _hidden(mark: Mark, viewer: str) -> bool:
    return mark.done is not None and not any(viewer in stamp.recorders for stamp in mark.stamps)


def veiled(state: JobState, viewer: str = "", *, on_paper: bool = False) -> JobState:
    """Return the state as pages may show it to somebody now, or as it may be printed."""
    hidden = unseen(state, viewer, on_paper=on_paper)
    if not hidden:
        return state
    marks = dict(state.marks)
    places = hidden.steps | {step for step, _ in hidden.asks}
    for step in places:
        marks[step] = _veiled_mark(step, marks[step], hidden)
    if hidden.locks:
        marks = {name: replace(mark, evidence=_untold(mark.evidence, hidden)) for name, mark in marks.items()}
    hung = tuple(_veiled_row(row) if row.point and row.lock in hidden.locks else row for row in state.locks.hung)
    notables = tuple(
        replace(item, sentence=UNSEEN) if item.kind in _TELLING and item.step in places else item
        for item in state.notables
    )
    return replace(state, marks=marks, locks=replace(state.locks, hung=hung), notables=notables)


def _veiled_mark(step: str, mark: Mark, hidden: Unseen) -> Mark:
    def hides(ask: str) -> bool:
        return bool(hidden.at(step, (ask,)))

    return replace(
        mark,
        evidence=_without(step, mark.evidence, hidden),
        earlier=(),
        differences=tuple(
            replace(item, first=UNSEEN, again=UNSEEN) if hides(item.ask) else item for item in mark.differences
        ),
        corrections=tuple(
            replace(item, was=UNSEEN, now=UNSEEN, reason=UNSEEN) if hides(item.ask) else item
            for item in mark.corrections
        ),
    )


def _untold(evidence: Evidence, hidden: Unseen) -> Evidence:
    """Take from a note what it tells of locks that are not shown: what was said at a pause names each of them."""
    told = any(f"lock {lock}" in evidence.note for lock in hidden.locks)
    return evidence.model_copy(update={"note": UNSEEN}) if told else evidence


def _veiled_row(row: Hung) -> Hung:
    return replace(row, lock=UNSEEN, tag_number=UNSEEN, seen=UNSEEN)


def _veiled_contest(event: MarkContested, hidden: Unseen) -> MarkContested:
    asks = hidden.at(event.step, event.answers)
    told = {name: UNSEEN if name in asks else text for name, text in event.answers.items()}
    return event.model_copy(update={"answers": told, "note": UNSEEN}) if asks else event


def veiled_events(
    state: JobState, events: Iterable[Event], viewer: str = "", *, on_paper: bool = False
) -> tuple[Event, ...]:
    """Return the entries as pages may tell somebody of them now, or as they may be printed."""
    hidden = unseen(state, viewer, on_paper=on_paper)
    told = tuple(_veiled(event, hidden) for event in events) if hidden else tuple(events)
    return tuple(_found_unseen(state, event) for event in told) if on_paper else told


def _found_unseen(state: JobState, event: Event) -> Event:
    """Take from an entry what was found at a verification that does not stand: whoever reads it may verify next."""
    step = state.step(getattr(event, "step", None) or "")
    if step is None or step.kind is not StepKind.VERIFY or state.mark(step.id).stands:
        return event
    match event:
        case StepOutside():
            return event.model_copy(update={"evidence": Evidence()})
        case JobStopped() if event.text:
            return event.model_copy(update={"text": UNSEEN})
        case EntriesDiffered():
            return event.model_copy(update={"first": UNSEEN, "again": UNSEEN})
        case AnswerCorrected():
            return event.model_copy(update={"was": UNSEEN, "now": UNSEEN, "reason": UNSEEN})
        case _:
            return event


def _veiled(event: Event, hidden: Unseen) -> Event:
    match event:
        case StepDone():
            changed: dict[str, object] = {"evidence": _untold(_without(event.step, event.evidence, hidden), hidden)}
            if event.reconciled and hidden.at(event.step, event.evidence.answers):
                changed["reconciled"] = UNSEEN
            return event.model_copy(update=changed)
        case AnswerCorrected():
            changed = {"evidence": _without(event.step, event.evidence, hidden)}
            if hidden.at(event.step, (event.ask,)):
                changed |= {"was": UNSEEN, "now": UNSEEN, "reason": UNSEEN}
            return event.model_copy(update=changed)
        case EntriesDiffered() if hidden.at(event.step, (event.ask,)):
            return event.model_copy(update={"first": UNSEEN, "again": UNSEEN})
        case MarkContested():
            return _veiled_contest(event, hidden)
        case PointLocked() | DamperStroked() if event.lock in hidden.locks:
            return event.model_copy(update={"lock": UNSEEN, "tag_number": UNSEEN, "seen": UNSEEN})
        case PointUnlocked() if event.lock in hidden.locks:
            return event.model_copy(update={"lock": UNSEEN})
        case RecheckAnswered(as_expected=True) if hidden.locks and event.recheck.startswith(_LOCK_LOOK):
            return event.model_copy(update={"seen": UNSEEN})
        case _:
            return event


def veiled_store(site: SiteState, state_of: Callable[[str], JobState]) -> Store:
    """Return the store room as pages may show it now: a filter whose reading is verified unseen lies where it lay."""
    store = site.store
    for job in (line.job for line in site.jobs.in_hand() if line.job in store.went):
        state = state_of(job)
        serials = (state.mark(step).evidence.answers.get(ask) for step, ask in unseen(state).asks if ask == SERIAL)
        found = (store.of_serial(answer.text) for answer in serials if answer is not None)
        for standing in found:
            store = put_back(store, standing.lot.id, job) if standing is not None else store
    return store


def _without(step: str, evidence: Evidence, hidden: Unseen) -> Evidence:
    asks = hidden.at(step, evidence.answers)
    if not asks:
        return evidence
    result = evidence.result
    entered = {evidence.answers[ask].text for ask in asks}
    return evidence.model_copy(update={
        "answers": {
            name: answer.model_copy(update={"text": UNSEEN, "unit": None}) if name in asks else answer
            for name, answer in evidence.answers.items()
        },
        "judged": tuple(item for item in evidence.judged if item.ask not in asks),
        "instruments": tuple(item for item in evidence.instruments or () if item.id not in entered) or None,
        "result": None if result is not None and entered & set(result.inputs.values()) else result,
        "note": UNSEEN if evidence.note else "",
    })  # fmt: skip
