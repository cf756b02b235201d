"""A tablet by the rules of `static/js/kept`: what it keeps, what it sends, what it puts back after a restore."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from enum import StrEnum
from itertools import islice

from app.domain.commands import Begin, Command, Finish, Knowledge, Late, StopWork
from app.domain.event_base import Who
from app.domain.job import Stage
from app.records.moments import utc_text
from app.services.jobs import Asked
from app.services.rehearsal import commands_for
from app.web.views.ahead import ahead
from tests.scheduling.server import Server

BATCH = 4
"""Marks sent at once; fewer than the script's, so that short queues have several."""
UNREADABLE = "unreadable"


class Line(StrEnum):
    """What happens to one request on its way."""

    GOOD = "good"
    NEVER_ARRIVES = "never arrives"
    ANSWER_LOST = "answer lost"
    KILLED_AMID = "killed amid"
    BUSY = "503"
    CONFLICT = "409"


@dataclass(frozen=True, slots=True)
class KeptMark:
    """One mark on the tablet.  prefix: the entries that it knew, for the laws only."""

    n: int
    token: str
    act: Begin | Finish | StopWork
    seen: int
    line: str
    at: str
    prefix: tuple[bytes, ...]
    before: int = 0
    before_token: str = ""
    state: str = "kept"
    told: str = ""
    under: str = ""
    acknowledged: bool = False
    direct: bool = False
    poison: bool = False

    @property
    def command(self) -> Command:
        """What is sent."""
        knowledge = Knowledge(self.line, self.acknowledged, self.before, self.before_token)
        if isinstance(self.act, StopWork):
            return StopWork(kept=True, seen=self.seen, knowledge=knowledge)
        return Late(self.act, self.seen, knowledge)


@dataclass
class Tablet:
    """One tablet and its one user.  clock_off: how far its clock is from the server's."""

    who: Who
    name: str
    server: Server
    way: Callable[[], Line]
    clock_off: timedelta = timedelta()
    marks: list[KeptMark] = field(default_factory=list)
    counter: int = 0
    sends: int = 0
    turns: int = 0

    def __post_init__(self) -> None:
        self.load()

    def load(self) -> None:
        """Load a page: how the job stands, on which line; what an earlier line acknowledged is put back."""
        self.line = self.server.line
        self.state = self.server.state
        self.size = self.state.size
        self.prefix = self.server.payloads
        self.put_back()

    def put_back(self) -> None:
        """Put what was acknowledged on another line among the kept ones."""
        self.marks = [
            replace(mark, state="kept", acknowledged=True)
            if mark.state == "taken" and mark.under != self.line
            else mark
            for mark in self.marks
        ]

    @property
    def waiting(self) -> list[KeptMark]:
        """What is not on the server, oldest first."""
        return [mark for mark in self.marks if mark.state == "kept"]

    def clock(self) -> datetime:
        """What the tablet's clock says."""
        return self.server.now + self.clock_off

    def next_number(self) -> int:
        """Count on; a number is never used again."""
        self.counter += 1
        return self.counter

    def mark(self, *, otherwise: bool = False) -> None:
        """Mark the step that this tablet takes for due; straight to the server if it can, else kept."""
        panels = list(islice(ahead(self.state, self.who), 2))
        if not panels or panels[0].waits:
            return
        step = self.state.step(panels[0].step)
        assert step is not None
        act: Begin | Finish = Begin(step.id)
        if panels[0].act == "finish":
            act = next(command for command, _ in commands_for(self.state) if isinstance(command, Finish))
            if otherwise and "length" in act.answers:
                act = Finish(act.step, {**act.answers, "length": "222"}, "seen otherwise")
        self.keep(act)
        if self.waiting and len(panels) > 1:
            self.state = panels[1].state  # its panels lead on; it hears of no entries of the server

    def stop(self) -> None:
        """Press STOP while the job runs, as far as this tablet knows."""
        if self.state.stage is not Stage.STOPPED:
            self.keep(StopWork())

    def poison(self, kind: str) -> None:
        """Keep what no server can take: a mark for a step that there is not, or one that cannot be read."""
        self.keep(Begin("no/such/step" if kind != UNREADABLE else UNREADABLE), poison=True)

    def keep(self, act: Begin | Finish | StopWork, *, poison: bool = False) -> None:
        """Send a mark, or keep it if others wait, the line is broken or the answer got lost."""
        self.turns += 1
        token = f"{self.name}-{self.turns:028}"
        mark = KeptMark(0, token, act, self.size, self.line, utc_text(self.clock()), self.prefix, poison=poison)
        if not self.waiting and not poison and self._straight(mark):
            return
        last = self.marks[-1] if self.marks else None
        mark = replace(mark, n=self.next_number(), before=last.n if last else 0,
                       before_token=last.token if last else "")  # fmt: skip
        self.marks.append(mark)

    def _straight(self, mark: KeptMark) -> bool:
        """Post the form; True if there was an answer.  What was answered well is held here, too."""
        way = self.way()
        if self.line != self.server.line or way in {Line.NEVER_ARRIVES, Line.BUSY}:
            return False
        if way is Line.CONFLICT:
            return True
        told = self._post(mark)
        if way is not Line.GOOD:
            return False
        if told is None:
            self.marks.append(replace(mark, n=self.next_number(), state="taken", under=self.line, direct=True))
        self.load()
        return True

    def _post(self, mark: KeptMark) -> str | None:
        return self.server.take(mark.act, Asked(self.who, self.name, mark.at, mark.token))

    def drain(self) -> None:
        """Send what waits, oldest first, in batches; the first that gets no answer ends it."""
        self.sends += 1
        for batch in self.batches():
            if not self.send(batch):
                return
        self.load()

    def batches(self) -> list[list[KeptMark]]:
        """Return what waits in the batches in which it is sent."""
        waiting = self.waiting
        return [waiting[place : place + BATCH] for place in range(0, len(waiting), BATCH)]

    def send(self, batch: list[KeptMark]) -> bool:
        """Send one batch and note what the server says of each; False to stop here."""
        way = self.way()
        if way in {Line.NEVER_ARRIVES, Line.BUSY, Line.CONFLICT}:
            return False
        if self.line != self.server.line:
            self.load()  # its session ended with the restore: somebody signs in and sees a page
            return False
        unreadable = [mark for mark in batch if isinstance(mark.act, Begin) and mark.act.step == UNREADABLE]
        if unreadable and len(batch) > 1:
            return all(self.send([mark]) for mark in batch)
        if unreadable:
            self.put(replace(batch[0], state="aside", told="The server cannot read this mark."))
            return True
        upto = len(batch) if way is not Line.KILLED_AMID else len(batch) // 2
        told = [self._taken(mark) for mark in batch[:upto]]
        if way is not Line.GOOD:
            return False
        for mark, sentence in zip(batch, told, strict=True):
            state = "aside" if sentence else "taken"
            self.put(replace(mark, state=state, told=sentence or "", under=self.server.line))
        return True

    def _taken(self, mark: KeptMark) -> str | None:
        asked = Asked(self.who, self.name, mark.at, mark.token, sent_at=utc_text(self.clock()), number=mark.n)
        return self.server.take(mark.command, asked)

    def put(self, mark: KeptMark) -> None:
        """Note what became of a mark."""
        self.marks = [mark if other.token == mark.token else other for other in self.marks]
