"""What must hold after a healed schedule; each law yields sentences, and a schedule is good if there is none."""

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import takewhile

from app.domain.commands import StopWork
from tests.scheduling.play import Played
from tests.scheduling.server import Entry
from tests.scheduling.tablets import KeptMark, Tablet


@dataclass
class Ended:
    """A schedule that has ended, with the job's entries read once."""

    played: Played
    entries: tuple[Entry, ...]
    by_token: dict[str, list[Entry]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.unsettling = [entry.seq for entry in self.entries if entry.unsettles]
        for entry in self.entries:
            if entry.request:
                self.by_token.setdefault(entry.request, []).append(entry)


def broken_laws(played: Played) -> list[str]:
    """Return a sentence for everything that is wrong."""
    ended = Ended(played, played.server.entries())
    found = [told for tablet in played.tablets for told in _of_a_tablet(tablet, ended)]
    found += _invented(played, ended.entries)
    return [*found, *played.server.unsound()]


def _of_a_tablet(tablet: Tablet, ended: Ended) -> Iterator[str]:
    numbers = Counter(mark.n for mark in tablet.marks)
    yield from (f"{tablet.name} used the number {n} {times} times" for n, times in numbers.items() if times > 1)
    places = []
    for mark in tablet.marks:
        found = ended.by_token.get(mark.token, [])
        yield from _of_a_mark(tablet, mark, found, ended)
        places += [entry.seq for entry in found]
    if places != sorted(places):
        yield f"the marks of {tablet.name} stand in another order than they were made: {places}"


def _of_a_mark(tablet: Tablet, mark: KeptMark, found: list[Entry], ended: Ended) -> Iterator[str]:
    name = f"mark {mark.n} of {tablet.name}"
    if mark.state == "kept":
        yield f"{name} is stuck"
    elif mark.poison:
        if mark.state != "aside" or found:
            yield f"{name} is poison and was not set aside"
    elif mark.state == "aside":
        yield f"{name} was set aside: {mark.told}"
    elif len(found) != 1 and not (not found and _stopped_already(mark, ended.played)):
        yield f"{name} was acknowledged and stands {len(found)} times"
    for entry in found:
        yield from _of_an_entry(name, mark, entry, ended)


def _of_an_entry(name: str, mark: KeptMark, entry: Entry, ended: Ended) -> Iterator[str]:
    played, kept = ended.played, entry.number is not None
    if kept and entry.number != mark.n:
        yield f"{name} stands under the number {entry.number}"
    if mark.token in played.confirmed_and_lost and not entry.recovered:
        yield f"{name} came back after a restore and is not marked so"
    if entry.recovered and mark.token not in played.lost and not _knew_what_was_lost(mark, played):
        yield f"{name} is marked recovered and never was on a line that was left"
    if kept and not isinstance(mark.act, StopWork):
        if not entry.outcome:
            yield f"{name} became {entry.kind}"
        if _unsettled_before(ended, entry) >= _shared(mark, played) and not entry.contested:
            yield f"{name} was taken in silence against a change that its maker did not know of"


def _stopped_already(mark: KeptMark, played: Played) -> bool:
    """A second stop, made straight, is answered and changes nothing; kept and sent again it is the same request."""
    return isinstance(mark.act, StopWork) and mark.token in played.server.requests


def _knew_what_was_lost(mark: KeptMark, played: Played) -> bool:
    """Whether it was made on entries, or on a line of them, that the record has no more."""
    return mark.line not in played.server.lines() or _shared(mark, played) < len(mark.prefix)


def _shared(mark: KeptMark, played: Played) -> int:
    """How many entries of the record the tablet really knew when the mark was made."""
    pairs = zip(mark.prefix, played.server.payloads, strict=False)
    return sum(1 for _ in takewhile(lambda pair: pair[0] == pair[1], pairs))


def _unsettled_before(ended: Ended, entry: Entry) -> int:
    return max((seq for seq in ended.unsettling if seq < entry.seq), default=-1)


def _invented(played: Played, entries: tuple[Entry, ...]) -> Iterator[str]:
    """Nothing stands in a tablet's name that no tablet holds; no number of a tablet stands twice."""
    known = {mark.token for tablet in played.tablets for mark in tablet.marks}
    counted = Counter[tuple[str, int]]()
    for entry in entries:
        if entry.number is not None:
            counted[entry.tablet, entry.number] += 1
            if entry.request not in known:
                yield f"entry {entry.seq} was made by no tablet"
    yield from (
        f"{tablet} stands with the number {n} {times} times" for (tablet, n), times in counted.items() if times > 1
    )
