"""What a job did to a bank besides testing it: filters read and slid in, positions left alone, steps put in."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from app.domain.containment.effects import Act
from app.domain.events import Event, JobOpened, WayOutTaken
from app.domain.housing import Bank
from app.domain.job import JobState
from app.records.attempts import Attempt, attempts_of
from app.records.moments import local_text


@dataclass(frozen=True, slots=True)
class FilterRead:
    """The filter of one position: what its label said, each time it was read, and whether it was slid in."""

    port: str
    position: int
    kind: str
    fitted: str
    attempts: tuple[Attempt, ...]


@dataclass(frozen=True, slots=True)
class PutIn:
    """Steps that a lead put in after a failed test. count: how many; standing: how many of them stand as done."""

    entry: int
    title: str
    reason: str
    who: str
    at: str
    count: int
    standing: int


def filters(state: JobState, events: Sequence[Event], opened: JobOpened, bank: Bank) -> Iterator[FilterRead]:
    """Yield the filter of every position of a bank whose label the job reads, in the order of the steps."""
    for step in state.steps:
        if step.computes == "filter_age" and step.bank is bank and step.port is not None and step.position is not None:
            yield FilterRead(
                port=step.port,
                position=step.position,
                kind=opened.housing.port(step.port).filter,
                fitted=_fitted(state, step.port, step.position),
                attempts=attempts_of(step, state, events),
            )


def _fitted(state: JobState, port: str, position: int) -> str:
    """Say whether the filter was slid into its position, and by which entry."""
    for step in state.steps:
        if any((item.act, item.port, item.position) == (Act.SLIDE_IN, port, position) for item in step.effects):
            mark = state.mark(step.id)
            if mark.stands and mark.done is not None:
                return f"slid in, entry {mark.done.seq}"
            return "mark of its sliding in taken back" if mark.done else "not slid in"
    return "not slid in by this job"


def left_in(state: JobState, opened: JobOpened, bank: Bank) -> Iterator[str]:
    """Name the positions of the bank whose filters this job does not read."""
    read = {(step.port, step.position) for step in state.steps if step.computes == "filter_age"}
    for port in opened.housing.ports:
        places = [str(place) for place in range(1, port.filters + 1) if (port.id, place) not in read]
        if port.bank is bank and places:
            yield f"{port.id}, position {', '.join(places)}: not changed in this job, so no label was read."


def put_in(state: JobState, events: Sequence[Event], bank: Bank) -> Iterator[PutIn]:
    """Yield each time that a lead put steps in because a test of this bank, or of the whole housing, had failed."""
    ways = {way.id: way for way in (state.opened and state.opened.ways_out) or ()}
    turns: dict[str, int] = {}
    for event in events:
        if not isinstance(event, WayOutTaken):
            continue
        turn = turns[event.way_out] = turns.get(event.way_out, 0) + 1
        at = state.step(ways[event.way_out].at)
        if at is None or at.bank not in (bank, None):
            continue
        steps = [step.id for step in state.steps if step.id.startswith(f"{event.way_out}-{turn}/")]
        yield PutIn(
            entry=event.seq,
            title=ways[event.way_out].title,
            reason=event.reason,
            who=f"{event.by.name} ({event.by.role.words})",
            at=local_text(event.at, state.opened.zone if state.opened else "UTC"),
            count=len(steps),
            standing=sum(1 for name in steps if state.mark(name).stands),
        )
