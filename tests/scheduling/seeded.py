"""Faults seeded into the tablets or the server, of which the schedules must notice every one."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace

from app.domain.commands import Knowledge, Moment
from app.domain.deciding import late
from app.domain.deciding.remembered import Remembered, remembered
from app.domain.job import JobState
from tests.scheduling.play import MAKE
from tests.scheduling.tablets import KeptMark, Line, Tablet


class DropsOnConflict(Tablet):
    """Takes a 409 for an answer about its marks."""

    def send(self, batch: list[KeptMark]) -> bool:
        """Count a batch as taken that was refused as a whole."""
        before, way = self.way, self.way()
        self.way = lambda: way
        try:
            if way is Line.CONFLICT:
                for mark in batch:
                    self.put(replace(mark, state="taken", under=self.server.line))
                return True
            return super().send(batch)
        finally:
            self.way = before


class CountsAgain(Tablet):
    """Counts from what waits instead of from what was ever counted."""

    def next_number(self) -> int:
        """Return a number that may have been used."""
        return 1 + max((mark.n for mark in self.waiting), default=0)


class TwoSenders(Tablet):
    """Two tabs share the queue between them and send at once."""

    def batches(self) -> list[list[KeptMark]]:
        """The second tab's half arrives before the first's."""
        found = super().batches()
        return [*found[1::2], *found[::2]]


class ForgetsTheSecondCopy(Tablet):
    """Does not put back what another line had acknowledged."""

    def put_back(self) -> None:
        """Do nothing."""


class NewTokenEachTime(Tablet):
    """Makes a new token for each sending, so that a lost answer makes a second mark."""

    def send(self, batch: list[KeptMark]) -> bool:
        """Send under other tokens."""
        fresh = [replace(mark, token=f"{mark.token} {self.sends}") for mark in batch]
        for old, new in zip(batch, fresh, strict=True):
            self.marks = [new if mark.token == old.token else mark for mark in self.marks]
        return super().send(fresh)


class StopsAtPoison(Tablet):
    """Leaves a mark that cannot be read at the head of the queue."""

    def put(self, mark: KeptMark) -> None:
        """Set nothing aside."""
        if mark.state != "aside":
            super().put(mark)

    def send(self, batch: list[KeptMark]) -> bool:
        """Stop where one was refused."""
        return super().send(batch) and not any(mark.poison for mark in batch)


class SaysNothingOfRecovery(Tablet):
    """Gives marks back as if they had never been acknowledged."""

    def put_back(self) -> None:
        """Put them back without a word."""
        super().put_back()
        self.marks = [
            replace(mark, acknowledged=False, prefix=()) if mark.acknowledged else mark for mark in self.marks
        ]


@contextmanager
def _believed() -> Iterator[None]:
    """The server believes whatever size a tablet names."""

    def believe(state: JobState, seen: int, told: Knowledge, moment: Moment) -> Remembered:
        known = sound(state, seen, told, moment)
        return replace(known, seen=seen, doubt="")

    sound = remembered
    late.remembered = believe  # type: ignore[attr-defined]
    try:
        yield
    finally:
        late.remembered = sound  # type: ignore[attr-defined]


@contextmanager
def _sound() -> Iterator[None]:
    yield


@dataclass(frozen=True)
class Fault:
    """A fault by name: a tablet that has it, or a server."""

    name: str
    make: MAKE = Tablet
    believed: bool = False

    @contextmanager
    def seeded(self) -> Iterator[MAKE]:
        """Put it in while this lasts, and give what makes tablets."""
        with _believed() if self.believed else _sound():
            yield self.make


SEEDED = (
    Fault("a 409 drops marks", DropsOnConflict),
    Fault("numbers used again", CountsAgain),
    Fault("two senders at once", TwoSenders),
    Fault("the size that a tablet names is believed", believed=True),
    Fault("acknowledged marks are not put back", ForgetsTheSecondCopy),
    Fault("a new token at each sending", NewTokenEachTime),
    Fault("a poison mark blocks the queue", StopsAtPoison),
    Fault("recovered marks do not say so", SaysNothingOfRecovery),
)
