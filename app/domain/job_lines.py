"""The site's list of its jobs, however many: found by number, by housing, by whether they are in hand.

Rules kept here:
- every question is answered without walking over all jobs, and an entry costs the same whether there are ten or a
  hundred thousand: the maps share what has not changed (persistent maps);
- a job is in hand from its opening until its record is accepted, and again once it is taken up anew.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field

from immutables import Map

from app.domain.replacing import replace
from app.domain.told import JobTold


@dataclass(frozen=True, slots=True)
class JobLine:
    """One job as the site knows it.

    entry: the place of its registration.  closed_at_size: the size of its ledger when it was closed last, else 0.
    closed_at: when that was (UTC), else empty.  plan: the number of the plan that it was opened from, or nothing.
    unready: why it was opened before its readiness was agreed, or nothing.  told: what it tells of its housing, as the
    entry has it by which it was closed last; None where that was made before such was kept.
    """

    job: str
    number: str
    housing: str
    kind: str
    opened_at: str
    closed: bool = False
    entry: int = 0
    closed_at_size: int = 0
    closed_at: str = ""
    plan: str = ""
    unready: str = ""
    told: JobTold | None = None


@dataclass(frozen=True)  # no slots: see `replacing`
class JobLines:
    """Every job in the order of opening."""

    _lines: Map[str, JobLine] = field(default_factory=Map)
    _order: Map[int, str] = field(default_factory=Map)
    _numbers: Map[str, str] = field(default_factory=Map)
    _years: Map[str, int] = field(default_factory=Map)
    _housings: Map[str, tuple[str, ...]] = field(default_factory=Map)
    _in_hand: frozenset[str] = frozenset()

    def opened(self, line: JobLine) -> "JobLines":
        """Return the list with one more job at its end."""
        year = line.number.partition("-")[0]
        return replace(
            self,
            _lines=self._lines.set(line.job, line),
            _order=self._order.set(len(self._order), line.job),
            _numbers=self._numbers.set(line.number, line.job),
            _years=self._years.set(year, self._years.get(year, 0) + 1),
            _housings=self._housings.set(line.housing, (*self._housings.get(line.housing, ()), line.job)),
            _in_hand=self._in_hand | {line.job},
        )

    def closed(self, job: str, *, size: int, at: str, told: JobTold | None = None) -> "JobLines":
        """Return the list after a job's record was accepted at this size; a job that is not in it changes nothing."""
        if (line := self._lines.get(job)) is None:
            return self
        shut = replace(line, closed=True, closed_at_size=size, closed_at=at, told=told)
        return replace(self, _lines=self._lines.set(job, shut), _in_hand=self._in_hand - {job})

    def taken_up(self, job: str) -> "JobLines":
        """Return the list after an accepted job was re-opened; where its ledger was closed last stays known."""
        return replace(self, _in_hand=self._in_hand | {job}) if job in self._lines else self

    def get(self, job: str) -> JobLine | None:
        """Return one job's line."""
        return self._lines.get(job)

    def numbered(self, number: str) -> JobLine | None:
        """Return the line of the job with this number."""
        job = self._numbers.get(number)
        return None if job is None else self._lines[job]

    def in_hand(self) -> tuple[JobLine, ...]:
        """Return the jobs whose record has not been accepted, newest first."""
        return tuple(sorted((self._lines[job] for job in self._in_hand), key=lambda line: line.entry, reverse=True))

    def only_in_hand(self) -> JobLine | None:
        """Return the job in hand where there is exactly one."""
        return self._lines[next(iter(self._in_hand))] if len(self._in_hand) == 1 else None

    def is_in_hand(self, job: str) -> bool:
        """Whether this job's record has not been accepted."""
        return job in self._in_hand

    def of_housing(self, tag: str) -> tuple[JobLine, ...]:
        """Return the jobs of one housing, newest first."""
        return tuple(self._lines[job] for job in reversed(self._housings.get(tag, ())))

    def newest(self, count: int, *, skip: int = 0) -> tuple[JobLine, ...]:
        """Return so many of the jobs opened last, newest first, after leaving out the first `skip`."""
        last = len(self) - skip
        return tuple(self._lines[self._order[place]] for place in range(last - 1, max(last - count, 0) - 1, -1))

    def opened_in(self, year: int) -> int:
        """Return how many jobs bear this year in their number."""
        return self._years.get(str(year), 0)

    def __iter__(self) -> Iterator[JobLine]:
        """Yield every job, in the order of opening."""
        return (self._lines[self._order[place]] for place in range(len(self._order)))

    def __len__(self) -> int:
        """Return how many jobs there are."""
        return len(self._order)
