"""What is due over all housings, the earliest day first; a housing is judged anew when something bears on it.

Rules kept here:
- the order is that of `app.records.due` over all housings, whoever asks and however many there are;
- what was found of a housing is kept in words until something bears on it, so that a page judges none anew;
- between two questions the site's entries since the last one are read, and only the housings that they bear on are
  judged anew, with those on which a job in hand has gone on meanwhile;
- what is off the register is due nothing;
- a job that ended is known by what it told when it was closed; one closed before that was kept is read once.
"""

from bisect import bisect_left, insort
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from threading import Lock
from typing import TYPE_CHECKING

from app.domain.housed_events import FiltersPlaced, HousingPutBack, HousingTakenOff
from app.domain.housing import Housing
from app.domain.job import JobState
from app.domain.job_lines import JobLine
from app.domain.site import JobClosed, JobRegistered, JobTakenUp, ReadingStruck, ReadingTaken, SiteEvent, SiteState
from app.domain.told import JobTold, told_of
from app.records.veil import veiled
from app.services.collector import MANY, spare_what_stays
from app.services.jobs import Jobs
from app.services.ports import Library

if TYPE_CHECKING:
    from app.records.drops import Known
    from app.records.due import HousingDue

# What judges a housing is loaded with the first question, and not with the first page of the site.
_Key = tuple[bool, date, str]


@dataclass(frozen=True, slots=True)
class DuePart:
    """Some of the housings in their order.  first: the place of the first one, from 1; count: how many there are."""

    housings: "tuple[HousingDue, ...]"
    first: int
    count: int


class DueBook:
    """What is due at the housings of one site.  Any thread may ask."""

    def __init__(self, jobs: Jobs, library: Library) -> None:
        self._jobs = jobs
        self._library = library
        self._lock = Lock()
        self._size = 0
        self._judged: dict[str, tuple[Housing, HousingDue]] = {}
        self._order: list[_Key] = []
        self._all: Sequence[Housing] = ()
        self._working: dict[str, tuple[int, ...]] = {}
        self._told: dict[str, tuple[int, JobTold]] = {}

    def part(self, words: str, *, skip: int, count: int) -> DuePart:
        """Return so many housings that hold these words, the earliest day first, after passing some by."""
        from app.records.due import due_order

        state = self._jobs.site()
        with self._lock:
            try:
                self._look(state)
            except BaseException:
                self._forget()  # half a look would leave housings out in silence
                raise
            found = self._library.holding(words)
            if words.split():
                keys = sorted(due_order(self._judged[item.tag][1]) for item in found if item.tag in self._judged)
            else:
                keys = self._order
            shown = [self._judged[tag][1] for _, _, tag in keys[skip : skip + count]]
        return DuePart(tuple(shown), skip + 1, len(keys))

    def of(self, housing: Housing) -> "HousingDue | None":
        """Return what is due at one housing; None where it is off the register."""
        from app.records.due import housing_due

        state = self._jobs.site()
        if housing.tag in state.housed.off:
            return None
        with self._lock:
            return housing_due(self._known(housing, state))

    def _look(self, state: SiteState) -> None:
        """Judge anew what has changed since the last look."""
        from app.records.due import due_order, housing_due

        working: dict[str, tuple[int, ...]] = {}
        for line, job in self._jobs.in_hand():
            working[line.housing] = (*working.get(line.housing, ()), line.entry, job.size)
        moved = {tag for tag, sizes in working.items() if self._working.get(tag) != sizes}
        changed = self._changed(state) | moved
        self._working, self._size = working, state.size
        housings = self._library.housings()
        if housings is not self._all:
            there = {item.tag: item for item in housings}
            changed |= {tag for tag, item in there.items() if self._of(tag) is not item}
            for tag in set(self._judged) - set(there):
                self._drop(tag)
            self._all = housings
            if len(changed) * 8 > len(there):
                self._judge_all(housings, state)
                return
        for tag in changed:
            self._drop(tag)
            if (housing := self._library.housing(tag)) is not None and tag not in state.housed.off:
                self._judged[tag] = housing, housing_due(self._known(housing, state))
                insort(self._order, due_order(self._judged[tag][1]))

    def _forget(self) -> None:
        self._size, self._judged, self._order, self._all, self._working = 0, {}, [], (), {}

    def _judge_all(self, housings: Iterable[Housing], state: SiteState) -> None:
        from app.records.due import due_order, housing_due

        there = (item for item in housings if item.tag not in state.housed.off)
        self._judged = {item.tag: (item, housing_due(self._known(item, state))) for item in there}
        self._order = sorted(due_order(found) for _, found in self._judged.values())
        if len(self._judged) >= MANY:
            spare_what_stays()

    def _of(self, tag: str) -> Housing | None:
        known = self._judged.get(tag)
        return None if known is None else known[0]

    def _drop(self, tag: str) -> None:
        from app.records.due import due_order

        if (known := self._judged.pop(tag, None)) is not None:
            del self._order[bisect_left(self._order, due_order(known[1]))]

    def _known(self, housing: Housing, state: SiteState) -> "Known":
        from app.records.drops import Known

        lines = state.jobs.of_housing(housing.tag)
        in_hand = self._jobs.with_states(line for line in lines if state.jobs.is_in_hand(line.job))
        in_hand = tuple((line, veiled(job, on_paper=True)) for line, job in in_hand)
        working = tuple((line, self._drawn(line.job, job.size, job)) for line, job in in_hand)
        ended = tuple((line, self._told_of(line)) for line in lines if not state.jobs.is_in_hand(line.job))
        return Known(housing, in_hand, state, (*working, *ended))

    def _told_of(self, line: JobLine) -> JobTold:
        """As `Jobs.told`; what has to be drawn from the job itself is drawn once."""
        return self._drawn(line.job, line.closed_at_size) if line.told is None else line.told

    def _drawn(self, job: str, size: int, state: JobState | None = None) -> JobTold:
        """Return what a job tells by its state at this size, drawn once."""
        known = self._told.get(job)
        if known is None or known[0] != size:
            known = size, told_of(self._jobs.state(job) if state is None else state)
            self._told[job] = known
        return known[1]

    def _changed(self, state: SiteState) -> set[str]:
        if state.size == self._size or not self._all:
            return set()
        fresh = self._jobs.site_events(since=self._size)[: state.size - self._size]
        return {tag for event in fresh for tag in bears_on(event, state)}


def bears_on(event: SiteEvent, state: SiteState) -> Iterator[str]:
    """Yield the housings at which an entry may change what is due."""
    match event:
        case JobRegistered():
            yield event.housing
        case JobClosed() | JobTakenUp():
            if (line := state.jobs.get(event.job)) is not None:
                yield line.housing
        case ReadingTaken():
            yield event.reading.housing
        case ReadingStruck():
            if event.entry in state.struck:
                yield state.struck[event.entry][0].reading.housing
        case HousingTakenOff() | HousingPutBack():
            yield event.housing
        case FiltersPlaced():
            yield from (place.housing for place in event.places)
        case _:
            pass
