"""Answers that get lost after the commit, a server that is killed, and the same marks sent again by wrong clocks.

A real store on a real folder takes the marks of two tablets.  At moments drawn by chance no answer comes back and the
server is killed: its folder is copied as it lies, with nothing of the program's memory, and opened again, as a start
after SIGKILL finds it (the writer has nothing in hand between two answers; kills amid its work are the part `kill`).
The tablets do not know what became of their marks.  They send them again, then all they ever made, then both send what
the other one holds, while their clocks are wrong by up to ten years and step.  Every mark that was acknowledged stands
once, every other one at most once, and what the database holds is whole.
"""

import shutil
import sqlite3
import tempfile
from collections.abc import Collection, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field, replace
from datetime import timedelta
from pathlib import Path
from random import Random
from typing import ClassVar

from sqlalchemy import select

from app.bootstrap import Running, ship_sample_housings, start
from app.domain.commands import Command, Open
from app.records.moments import utc_text
from app.services.jobs import Asked
from app.services.planning import find_housing, find_procedure, first_entry, plan
from app.settings import Settings
from app.storage.durable import DATABASE
from app.storage.tables import REQUEST
from tests.builders import EYES, HANDS, LEAD, START, Bench, keep_made_up_instruments, let_texts_in
from tests.faulting.examine import examine, judge
from tests.faulting.told import AT_ONCE, Notice, Told, ranges, shared_out
from tests.scheduling.laws import broken_laws
from tests.scheduling.memory import MemoryStore
from tests.scheduling.play import MAKE, Played
from tests.scheduling.seeded import NewTokenEachTime
from tests.scheduling.server import Server
from tests.scheduling.tablets import Line, Tablet

TEN_YEARS_S = 10 * 366 * 86_400
LINES = {Line.GOOD: 3, Line.ANSWER_LOST: 4, Line.KILLED_AMID: 2, Line.NEVER_ARRIVES: 1}
ACTS = {"mark": 8, "mark otherwise": 1, "send": 4, "kill": 1, "stop": 0.3, "step the clock": 2}
ACTS_EACH = 8, 16
MOST_TRIES = 60
"""Cases that a seeded fault is given to be noticed in."""
MEMORY_DISK = Path("/dev/shm")


@dataclass
class StoredServer(Server):
    """A server over the real store in a folder of its own, which can be killed."""

    place: Path = Path()
    lives: int = 1
    unknown: bool = False
    """Whether an answer got lost since the last kill."""

    def __post_init__(self) -> None:
        self._begin()

    @property
    def folder(self) -> Path:
        """Where this life of the server keeps everything."""
        return self.place / f"life-{self.lives}"

    def _begin(self) -> None:
        self.running: Running = start(Settings(data=self.folder), self._clock)
        self.jobs = self.running.site.jobs

    @property
    def payloads(self) -> tuple[bytes, ...]:
        """The job's entries as kept."""
        return tuple(self.running.store.read_payloads(self.job))

    @property
    def requests(self) -> Collection[str]:
        """The tokens that are used up."""
        return {row[0] for row in self.running.store.read_rows(select(REQUEST.c.token))}

    def kill(self) -> None:
        """Go on from the folder as a kill would leave it."""
        before, old = self.running, self.folder
        self.lives += 1
        self.left_behind(old, self.folder)
        before.close()
        shutil.rmtree(old)
        self._begin()

    def left_behind(self, old: Path, new: Path) -> None:
        """Copy what the kill leaves."""
        shutil.copytree(old, new)


@dataclass
class ForgetsTokens(StoredServer):
    """Remembers in memory alone which requests it has carried out."""

    def left_behind(self, old: Path, new: Path) -> None:
        """Leave no request behind."""
        super().left_behind(old, new)
        with closing(sqlite3.connect(new / DATABASE)) as connection, connection:
            for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
                connection.execute(f"DROP TRIGGER {name}")
            connection.execute("DELETE FROM request")


@dataclass
class AnswersFirst(StoredServer):
    """Answers before it has written: a kill takes the last mark along."""

    def take(self, command: Command, asked: Asked) -> str | None:
        """Keep how the folder was before."""
        shutil.rmtree(self.place / "before", ignore_errors=True)
        shutil.copytree(self.folder, self.place / "before")
        return super().take(command, asked)

    def left_behind(self, old: Path, new: Path) -> None:
        """Leave the folder as it was before the last mark."""
        before = self.place / "before"
        super().left_behind(before if before.exists() else old, new)


@dataclass
class YoungestClockWins(StoredServer):
    """Takes a mark with an earlier time than the newest for one that it has."""

    newest: str = ""

    def take(self, command: Command, asked: Asked) -> str | None:
        """Say that it is taken, and take it only if its clock is ahead of all before."""
        at = asked.device_at or ""
        if at <= self.newest:
            return None
        self.newest = at
        return super().take(command, asked)


@dataclass(frozen=True)
class Fault:
    """A fault by name: a tablet or a server that has it."""

    name: str
    make: MAKE = Tablet
    server: type[StoredServer] = StoredServer


SEEDED = (
    Fault("a new token at each sending", make=NewTokenEachTime),
    Fault("used tokens are kept in memory only", server=ForgetsTokens),
    Fault("the answer goes out before the commit", server=AnswersFirst),
    Fault("the tablet's clock says whether a mark is new", server=YoungestClockWins),
)


class Shelf:
    """One prepared site for all cases of a process: a job at the gathering of its first bag."""

    _made: ClassVar["Shelf | None"] = None

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        settings = Settings(data=folder)
        ship_sample_housings(settings)
        server = Server(MemoryStore(), "")
        running = start(settings, server._clock)
        try:
            self.pem = running.key.certificate_pem
            let_texts_in(running.site.jobs)
            keep_made_up_instruments(running.site.jobs)
            server.jobs = running.site.jobs
            library = running.site.library
            made = plan(find_housing(library, "EF-03"), *find_procedure(library, "change-out"))
            draft = first_entry(made, site=server.jobs.site(), by=LEAD, at=utc_text(START), crew=(HANDS, EYES),
                                rehearsal=False).model_copy(update={"repeated": None})  # fmt: skip
            server.job = draft.ledger
            server.do(Open(draft), LEAD)
            while (due := server.state.due) is not None and not due.id.endswith("gather"):
                for command, by in Bench(server.state).due_commands():
                    server.do(command, by)
        finally:
            running.close()
        self.job, self.made = server.job, server.made

    @contextmanager
    def server(self, make: type[StoredServer]) -> Iterator[StoredServer]:
        """Yield a server on a copy of the site."""
        with tempfile.TemporaryDirectory(dir=self.folder.parent) as place:
            shutil.copytree(self.folder, Path(place) / "life-1")
            server = make(MemoryStore(), self.job, START + timedelta(days=1), made=self.made, place=Path(place))
            try:
                yield server
            finally:
                server.running.close()

    @classmethod
    @contextmanager
    def laid(cls) -> Iterator["Shelf"]:
        """Yield a prepared site for a while."""
        room = MEMORY_DISK if MEMORY_DISK.is_dir() else None
        with tempfile.TemporaryDirectory(prefix="answers-", dir=room) as held:
            yield cls(Path(held) / "site")


@dataclass
class Case:
    """What came of one case."""

    wrong: list[str] = field(default_factory=list)
    marks: int = 0
    kills: int = 0
    unknown: int = 0
    """How many answers got lost after the commit."""


def play_case(shelf: Shelf, seed: int, number: int, fault: Fault = Fault("none")) -> Case:
    """Play one case, and say what is wrong with what it left."""
    case = Case()
    with shelf.server(fault.server) as server:
        try:
            _play(server, Random(f"answers/{seed}/{number}"), fault.make, case)
        except Exception as error:  # noqa: BLE001  (whatever a sound program never raises is wrong)
            case.wrong.append(f"it raised {error!r}")
            return case
        found = examine(server.folder / DATABASE, shelf.pem)
    case.wrong += judge(found, ())
    return case


def _play(server: StoredServer, chance: Random, make: MAKE, case: Case) -> None:
    played = Played(server, [])
    healed = False

    def way() -> Line:
        line = Line.GOOD if healed else chance.choices(list(LINES), list(LINES.values()))[0]
        if line in {Line.ANSWER_LOST, Line.KILLED_AMID}:
            server.unknown = True
            case.unknown += 1
        return line

    for place, who in enumerate((HANDS, EYES)):
        played.tablets.append(make(who, f"tablet {place}", server, way))
    for _ in range(chance.randint(*ACTS_EACH)):
        act, tablet = chance.choices(list(ACTS), list(ACTS.values()))[0], chance.choice(played.tablets)
        server.now += timedelta(seconds=chance.randint(1, 300))
        match act:
            case "mark" | "mark otherwise":
                tablet.mark(otherwise=act.endswith("otherwise"))
            case "send":
                tablet.drain()
            case "stop":
                tablet.stop()
            case "step the clock":
                tablet.clock_off = timedelta(seconds=chance.randint(-TEN_YEARS_S, TEN_YEARS_S))
            case _:
                server.unknown = True
        if server.unknown:
            server.kill()
            server.unknown = False
    healed = True
    server.kill()
    for tablet in played.tablets * 2:
        tablet.load()
        tablet.drain()
    case.wrong += broken_laws(played)
    size = server.state.size
    case.wrong += _all_again(played, chance)
    server.kill()
    case.wrong += _all_again(played, chance)
    if (now := server.state.size) != size:
        case.wrong.append(f"marks that were sent again made {now - size} entries")
    case.marks, case.kills = sum(len(tablet.marks) for tablet in played.tablets), server.lives - 1


def _all_again(played: Played, chance: Random) -> Iterator[str]:
    """Let both tablets send everything, the other one's marks as well, in its maker's name; nothing is new."""
    everything = [(tablet, mark) for tablet in played.tablets for mark in tablet.marks if mark.state == "taken"]
    for sender in played.tablets:
        chance.shuffle(everything)
        for maker, mark in everything:
            at = utc_text(sender.clock() + timedelta(seconds=chance.randint(-TEN_YEARS_S, TEN_YEARS_S)))
            asked = Asked(maker.who, sender.name, at, mark.token, sent_at=at, number=mark.n)
            if told := played.server.take(replace(mark, line=played.server.line).command, asked):
                yield f"mark {mark.n} of {maker.name}, sent again, was refused: {told}"


@dataclass(frozen=True)
class Share:
    """Some cases to play."""

    seed: int
    numbers: range


def look_at(share: Share) -> list[tuple[int, Case]]:
    """Play all cases of a share."""
    with Shelf.laid() as shelf:
        return [(number, play_case(shelf, share.seed, number)) for number in share.numbers]


def notice(place: int, seed: int = 1) -> Notice:
    """Play with a seeded fault until it is noticed, in a case that is good without it."""
    fault = SEEDED[place]
    with Shelf.laid() as shelf:
        for number in range(MOST_TRIES):
            if wrong := play_case(shelf, seed, number, fault).wrong:
                sound = play_case(shelf, seed, number).wrong
                return Notice(fault.name, "" if sound else f"case {number}: {wrong[0]}")
    return Notice(fault.name, "")


def prove(seed: int, *, cases: int) -> Told:
    """Play so many cases, and try the seeded faults."""
    shares = [Share(seed, numbers) for numbers in ranges(cases, -(-cases // AT_ONCE))]
    found = dict(one for part in shared_out(look_at, shares) for one in part)
    told = Told("answers", wrong=[f"case {number}: {wrong}" for number, case in found.items() for wrong in case.wrong])
    told.cases = f"{len(found)} cases with {sum(case.marks for case in found.values())} marks"
    lost, kills = [case.unknown for case in found.values()], [case.kills for case in found.values()]
    told.worst = f"{max(lost)} answers lost in one case, {max(kills)} kills in one"
    told.facts = [f"{sum(lost)} answers lost on the way, {sum(kills)} kills"]
    told.notices = shared_out(notice, range(len(SEEDED)))
    return told
