"""What decides over the serial number of a new filter, what it moves in the store room, what a reviewer hears of it."""

from collections.abc import Iterator
from datetime import datetime

from app.calc.life import FILTER_LIFE_YEARS
from app.domain.commands import Moment
from app.domain.event_base import Judged
from app.domain.events import AnswerCorrected, Event, StepDone
from app.domain.fitting import SERIAL, Fitness, reads_filter
from app.domain.job import JobState, Mark, Notable
from app.domain.picking import used_of
from app.domain.steps import Step
from app.domain.store import FilterTaken, Kind, Standing, Store, plain_serial
from app.domain.storing import used_by


def fitness_of(state: JobState, step: Step, moment: Moment, *, corrected: bool = False) -> Fitness | None:
    """Return what tells whether the filter that a step reads may go in; None where no filter is read.

    A rehearsal moves no filter, so it is asked nothing.  corrected: the judgement of the serial number that stands is
    not made anew, for since then the filter has gone in.
    """
    if state.opened is None or state.opened.rehearsal or not reads_filter(step):
        return None
    life = step.design.life_years if step.design else None
    return Fitness(
        store=moment.store,
        job=moment.ledger,
        filter_type=state.opened.housing.port(step.port).filter if step.port else "",
        life_years=life or FILTER_LIFE_YEARS,
        elsewhere={
            plain_serial(serial): f"{other.port}, position {other.position},"
            for other, serial in filters_read(state)
            if (other.port, other.position) != (step.port, step.position)
        },
        before=_before(state.mark(step.id)) if corrected else None,
        refuses=not moment.kept,
    )


def filters_read(state: JobState) -> Iterator[tuple[Step, str]]:
    """Yield each step that holds the serial number of a new filter, with that number; one due again holds it still."""
    for step in state.steps:
        if reads_filter(step) and (answer := state.mark(step.id).evidence.answers.get(SERIAL)):
            yield step, answer.text


def _before(mark: Mark) -> tuple[str, Judged | None] | None:
    answer = mark.evidence.answers.get(SERIAL)
    judged = next((item for item in mark.evidence.judged if item.ask == SERIAL), None)
    return (plain_serial(answer.text), judged) if answer else None


def filter_moved(state: JobState, event: Event, store: Store, seq: int) -> FilterTaken | None:
    """Return what an entry of a job moves in the store room, as the entry of the site at `seq`; None for nothing.

    state: the job before the entry.
    """
    if not isinstance(event, StepDone | AnswerCorrected) or state.opened is None or state.opened.rehearsal:
        return None
    step, answer = state.step(event.step), event.evidence.answers.get(SERIAL)
    if step is None or answer is None or not reads_filter(step):
        return None
    was = state.mark(step.id).evidence.answers.get(SERIAL)
    if was is not None and plain_serial(was.text) == plain_serial(answer.text):
        return None
    taken, before = store.of_serial(answer.text), store.of_serial(was.text) if was else None
    lot = taken.lot.id if taken and taken.there_for(event.ledger) else ""
    instead = before.lot.id if before and before.used.get(event.ledger) else ""
    if not lot and not instead:
        return None
    return FilterTaken(
        seq=seq, at=event.at, by=event.by, job=event.ledger, step=event.step, entry=event.seq, lot=lot, instead=instead
    )


def store_findings(store: Store, job: str, state: JobState) -> Iterator[Notable]:
    """Yield what a job's reviewer must open of the store room: a kit not accounted for, filters inspected too late."""
    if store.is_open(job):
        told = "The kit that was staged for this job has not been settled: nobody has said what of it came back."
        yield Notable(store.staged_at[job], "kit not settled", told)
    elif (settled := store.settled.get(job)) and settled.explained:
        held = {store.lots[lot].lot.kind for lot in store.kits[job] if lot in store.lots}
        gone, used = used_by(store, job), {kind: count for kind, count in used_of(state).items() if kind in held}
        odd = "; ".join(
            f"{kind}: {gone[kind]} used, {count} accounted for by the steps"
            for kind, count in {**used, Kind.TOOL: 0}.items()
            if gone[kind] != count
        )
        told = f"{odd or 'Settled early, and nothing differs now'}. Said of it: {settled.explained}"
        yield Notable(settled.seq, "kit differs", told)
    numbers = {step.id: place for place, step in enumerate(state.steps, start=1)}
    for step, serial in filters_read(state):
        if found := store.of_serial(serial):
            yield from _inspected_after(found, state.mark(step.id), numbers[step.id])


def _inspected_after(found: Standing, mark: Mark, number: int) -> Iterator[Notable]:
    """Yield inspections after the filter was read at the housing: it went in before somebody had looked."""
    done = mark.done
    if done is None:
        return
    read = datetime.fromisoformat(done.paper.happened if done.paper else done.at)
    for event in found.inspected:
        if datetime.fromisoformat(event.at) > read:
            reason = f": {event.reason}" if event.reason else ""
            named = f"Filter {found.lot.serial}, read at step {number},"
            told = f"{named} was inspected after that: {event.verdict}{reason}."
            yield Notable(event.seq, "filter inspected late", told)
