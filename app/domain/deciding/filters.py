"""What decides over a new filter and the material that goes in with it, what it moves in the store room, what is told.

Rules kept here:
- what the site has barred, or what has run out, since it was read or put aside does not go in;
- what went in all the same (a mark that came late, a lot of which some was good) is told to the reviewer.
"""

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, datetime

from app.calc.life import FILTER_LIFE_YEARS
from app.domain.commands import Moment
from app.domain.containment.effects import Act, Use
from app.domain.containment.rules import bare_ports
from app.domain.event_base import Judged
from app.domain.events import AnswerCorrected, Event, StepDone
from app.domain.fitting import SERIAL, Fitness, reads_filter
from app.domain.housed import Spot
from app.domain.job import JobState, Mark, Notable
from app.domain.picking import used_of
from app.domain.refused import Refused
from app.domain.steps import Step, uses_by_effect
from app.domain.store import BARRED, FilterTaken, Kind, Standing, Store, plain_serial, plain_what, why_not
from app.domain.storing import not_moved, used_by
from app.domain.zones import local_day

FILTER_ACTS = frozenset({Act.LOAD_FILTER, Act.SLIDE_IN})
"""With these the filter goes into its bag and into its place."""
GOES_IN = {
    Use.NEW_BAGS: Kind.BAG, Use.TIE_STRAPS: Kind.TIE_STRAP, Use.METAL_BANDS: Kind.METAL_BAND,
    Use.CUTS: Kind.TAPE_ROLL, Use.GREASE: Kind.GREASE,
}  # fmt: skip
"""Of which kind of lot it is what an act uses; tape is asked for before the cut, for no raw edge waits for it."""


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
        housed=moment.housed,
        here=_here(state, step, moment),
    )


def _here(state: JobState, step: Step, moment: Moment) -> tuple[str, Spot] | None:
    """Return the place that a step reads a filter for, where the register may have that filter in it already.

    What stood there before the job, which draws it out, does not go in again.
    """
    if state.opened is None or step.port is None or step.position is None:
        return None
    tag, spot = state.opened.housing.tag, (step.port, step.position)
    now = moment.housed.at(tag, *spot)
    drawn = any(
        effect.act is Act.DRAW_OUT and (effect.port, effect.position) == spot
        for other in state.steps
        for effect in other.effects
    )
    return None if drawn and now is not None and now.since <= state.opened.at else (tag, spot)


def filters_read(state: JobState) -> Iterator[tuple[Step, str]]:
    """Yield each step that holds the serial number of a new filter, with that number; one due again holds it still."""
    for step in state.steps:
        if reads_filter(step) and (answer := state.mark(step.id).evidence.answers.get(SERIAL)):
            yield step, answer.text


def _before(mark: Mark) -> tuple[str, Judged | None] | None:
    answer = mark.evidence.answers.get(SERIAL)
    judged = next((item for item in mark.evidence.judged if item.ask == SERIAL), None)
    return (plain_serial(answer.text), judged) if answer else None


def complain_of_unfit(state: JobState, step: Step, moment: Moment) -> None:
    """Refuse to put in a filter, or to use material of the job's kit, that may no longer be used.

    Of material it is said only where nothing in the kit that would serve may be used: which lot somebody takes in hand
    is not entered.  Nothing is refused at a bare port, where any barrier comes first, nor what was done before now;
    the reviewer hears of it.
    """
    if moment.kept or state.opened is None or state.opened.rehearsal:
        return
    for effect in step.effects:
        if effect.act in FILTER_ACTS:
            _complain_of_filter(state, step, (effect.port, effect.position), moment)
    if state.model is None or bare_ports(state.model):
        return
    for kind, size in _needed(state, step):
        _complain_of_kit(step, kind, size, moment)


def unfit_in_kit(state: JobState, step: Step, store: Store, *, on: date) -> tuple[str, ...]:
    """Say which lots of the job's kit a step that uses of their kind must not use, and why, for whoever has them there.

    Told at a bare port, too, where nothing is refused; nothing where the kit holds no more than may be used.
    """
    if state.opened is None or state.opened.rehearsal or not store.kit(state.opened.ledger):
        return ()
    lots = {item.lot.id: item for kind, size in _needed(state, step)
            for item in _fitting(store, state.opened.ledger, kind, size)}  # fmt: skip
    return tuple(told for _, item in sorted(lots.items()) if (told := why_not(item, on=on)))


def _needed(state: JobState, step: Step) -> Iterator[tuple[Kind, str]]:
    """Yield of which kind and size a step that is still to act on the housing uses something of the kit."""
    if state.model is None or step.id in state.applied:
        return
    for effect, used in uses_by_effect((step,), state.model):
        for kind in (GOES_IN[use] for use, count in used.items() if count and use in GOES_IN):
            yield kind, _size(state, kind, effect.port)


def _fitting(store: Store, job: str, kind: Kind, size: str) -> list[Standing]:
    """Return what stands staged for a job of one kind, and of one size where that matters."""
    return [
        item for item, _ in store.kit(job)
        if item.lot.kind is kind and (not size or plain_what(item.lot.what) == plain_what(size))
    ]  # fmt: skip


def _complain_of_filter(state: JobState, step: Step, spot: tuple[str | None, int | None], moment: Moment) -> None:
    for reader, serial in filters_read(state):
        found = moment.store.of_serial(serial) if (reader.port, reader.position) == spot else None
        life = (reader.design.life_years if reader.design else None) or FILTER_LIFE_YEARS
        if found is not None and (told := why_not(found, on=moment.on, life_years=life)):
            raise Refused(
                "filter",
                f"{told} Take back the mark that read it and read the other, or have a lead look at this one again.",
                step=step.id,
                logged=True,
            )


def _size(state: JobState, kind: Kind, port: str | None) -> str:
    """Return which of its kind is needed, where that matters: a bag fits one ring."""
    if kind is not Kind.BAG or port is None or state.opened is None:
        return ""
    found = state.opened.housing.port(port)
    return found.bag or found.ring or ""


def _complain_of_kit(step: Step, kind: Kind, size: str, moment: Moment) -> None:
    faults = [why_not(item, on=moment.on) for item in _fitting(moment.store, moment.ledger, kind, size)]
    if faults and all(faults):
        named = f"{kind} {size}".strip()
        raise Refused(
            "unfit_lot",
            f"No {named} of this job's kit may be used. {faults[0].removesuffix(' Take another.')} "
            "Have a good lot put aside for this job first.",
            step=step.id,
            logged=True,
        )


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


def without_kit(store: Store, job: str, state: JobState) -> str:
    """Say that a job whose work is done had no kit, so that the store room does not know what it used; else nothing."""
    if state.opened is None or state.opened.rehearsal or state.due is not None:
        return ""
    told = ", ".join(f"{count} of {kind}" for kind, count in not_moved(store, job, used_of(state)).items())
    return told and (
        f"No kit was staged for this job, so nothing was moved in the store room: its steps used {told}. A lead says "
        "on the page of its kit which lots that came from, and settles it there."
    )


def store_findings(store: Store, job: str, state: JobState) -> Iterator[Notable]:
    """Yield what a job's reviewer must open of the store room.

    A kit not accounted for, a lot barred after it was put aside and not back, filters inspected too late.
    """
    if store.is_open(job):
        told = "The kit that was staged for this job has not been settled: nobody has said what of it came back."
        yield Notable(store.staged_at[job], "kit not settled", told)
    elif (settled := store.settled.get(job)) and settled.explained:
        held = {store.lots[lot].lot.kind for lot in store.kits[job] if lot in store.lots}
        gone, used = used_by(store, job), {kind: count for kind, count in used_of(state).items() if kind in held}
        odd = "; ".join((
            *(
                f"{kind}: {gone[kind]} used, {count} accounted for by the steps"
                for kind, count in {**used, Kind.TOOL: 0}.items()
                if gone[kind] != count
            ),
            *(settled.unfit or ()),
        ))  # fmt: skip
        told = f"{odd or 'Settled early, and nothing differs now'}. Said of it: {settled.explained}"
        yield Notable(settled.seq, "kit differs", told)
    yield from _barred_since(store, job)
    numbers = {step.id: place for place, step in enumerate(state.steps, start=1)}
    for step, serial in filters_read(state):
        if found := store.of_serial(serial):
            late = tuple(_inspected_after(found, state.mark(step.id), numbers[step.id]))
            yield from late or _run_out(found, state, step, numbers[step.id])


def _barred_since(store: Store, job: str) -> Iterator[Notable]:
    """Yield inspections that barred a lot once some of it was put aside for a job, where that is not all back."""
    for item in store.of_job(job):
        used, staged = item.used.get(job, 0), item.staged.get(job, 0)
        if not (staged or used) or (used and item.lot.kind is Kind.FILTER):
            continue  # a filter that was read is told of by its reading
        told = f"{used} of it did not come back" if used else "nobody has said yet what of it was used"
        for event in item.inspected:
            if event.verdict in BARRED and (event.seq > store.staged_at[job] or event == item.inspected[-1]):
                named = f"The {item.lot.named}" if item.lot.serial else f"The {item.lot.kind} {item.lot.named}"
                why = f"{event.verdict} after it was put aside for this job: {event.reason.rstrip('.')}"
                yield Notable(event.seq, "lot barred after staging", f"{named} was {why}; {told}.")


def _run_out(found: Standing, state: JobState, reader: Step, number: int) -> Iterator[Notable]:
    """Yield that a filter was in its time when it was read, and no more when it went in."""
    zone = state.opened.zone if state.opened else "UTC"
    life = (reader.design.life_years if reader.design else None) or FILTER_LIFE_YEARS
    fit = replace(found, verdict="accepted")
    for step in state.steps:
        there = (step.port, step.position) == (reader.port, reader.position)
        if not there or all(effect.act is not Act.SLIDE_IN for effect in step.effects):
            continue
        if found.inspected and (done := state.mark(step.id).done) is not None:
            day = local_day(done.when, zone)
            if told := why_not(fit, on=day, life_years=life).removesuffix(" Take another."):
                yield Notable(
                    found.inspected[-1].seq, "filter run out", f"Read at step {number}, put in on {day}: {told}"
                )


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
