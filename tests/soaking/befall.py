"""What befalls the site: one thing every few seconds, each over within seconds, by a seeded order."""

import os
import shutil
import signal
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from random import Random
from time import monotonic, sleep

from tests.soaking.crew import Crew, Site
from tests.soaking.history import History
from tests.soaking.line import Line, Way
from tests.soaking.served import Server, command
from tests.soaking.tablet import Acks, AwayError, Tablet

KILL, FREEZE, CUT, LOST, FULL, CLOCKS, BACKUP, EXPORT, STOP, RESTORE, SHIFT = (
    "kill -9", "SIGSTOP", "line cut", "answers lost", "full disk", "clocks", "backup", "export", "stop and re-opening",
    "restore", "shift change",
)  # fmt: skip
EVERY = (KILL, FREEZE, CUT, LOST, FULL, CLOCKS, BACKUP, EXPORT, STOP, SHIFT, RESTORE)
QUIET = (CUT, LOST, CLOCKS, BACKUP, EXPORT, STOP, SHIFT)
"""What leaves the server's process as it is, so that its memory can be watched."""
FROZEN_S, CUT_S, FULL_S = 5, 4, 4
LONGEST_BACK_S = 30
YEAR = timedelta(days=365)


@dataclass
class Befallen:
    """What happened.  back: for each kind, seconds from the end of it to the first answer; windows: when it was on."""

    back: dict[str, list[float]] = field(default_factory=dict)
    windows: list[tuple[float, float]] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)
    owed: int = 0


@dataclass
class Fate:
    """What can be done to the site.  office: a tablet that no crew uses, on a line that nothing befalls.

    exported: when records were taken.
    """

    server: Server
    lines: list[Line]
    crews: list[Crew]
    site: Site
    history: History
    acks: Acks
    place: Path
    chance: Random
    office: Tablet
    exported: list[float] = field(default_factory=list)
    told: Befallen = field(default_factory=Befallen)
    backups: list[Path] = field(default_factory=list)

    def befall(self, what: str) -> None:
        """Let one thing happen, and wait until tablets have answers again."""
        does: dict[str, Callable[[], tuple[float, frozenset[str]]]] = {
            KILL: self.kill, FREEZE: self.freeze, CUT: self.cut, LOST: self.lose, FULL: self.fill, CLOCKS: self.clocks,
            BACKUP: self.backup, EXPORT: self.export, STOP: self.stop, RESTORE: self.restore, SHIFT: self.shift,
        }  # fmt: skip
        begun = monotonic()
        ended, tablets = does[what]()
        while (back := self.acks.after(ended, tablets)) is None and monotonic() < ended + LONGEST_BACK_S:
            sleep(0.02)
        if back is None:
            self.told.wrong.append(f"no answer within {LONGEST_BACK_S} s after {what}")
            back = float(LONGEST_BACK_S)
        self.told.back.setdefault(what, []).append(back)
        self.told.windows.append((begun, monotonic() + 1))
        self.server.look()

    @property
    def all(self) -> frozenset[str]:
        """The names of all tablets."""
        return frozenset(tablet.name for crew in self.crews for tablet in (crew.hand, crew.other))

    def kill(self) -> tuple[float, frozenset[str]]:
        """End the server amid its work and start it again."""
        self.server.kill()
        ended = monotonic()
        self.server.start()
        return ended, self.all

    def freeze(self) -> tuple[float, frozenset[str]]:
        """Let the server stand still."""
        os.kill(self.server.pid, signal.SIGSTOP)
        sleep(FROZEN_S)
        os.kill(self.server.pid, signal.SIGCONT)
        return monotonic(), self.all

    def cut(self, way: Way = Way.CUT) -> tuple[float, frozenset[str]]:
        """Take the line of some tablets away for a while."""
        chosen = self.chance.sample(range(len(self.lines)), len(self.lines) // 2)
        for number in chosen:
            self.lines[number].be(way)
        sleep(CUT_S)
        for number in chosen:
            self.lines[number].be(Way.GOOD)
        names = frozenset(self.crews[number // 2].hand.name for number in chosen if number % 2 == 0)
        return monotonic(), names or self.all

    def lose(self) -> tuple[float, frozenset[str]]:
        """Let requests arrive and their answers be lost."""
        return self.cut(Way.ANSWERS_LOST)

    def fill(self) -> tuple[float, frozenset[str]]:
        """Leave no room on the disk for a while."""
        filler = self.server.data.parent / "filler"
        try:
            with filler.open("wb", buffering=0) as file, suppress(OSError):
                while True:
                    file.write(b"\0" * 262_144)
            sleep(FULL_S)
        finally:
            filler.unlink(missing_ok=True)
        return monotonic(), self.all

    def clocks(self) -> tuple[float, frozenset[str]]:
        """Step the clocks of all tablets, by seconds to years."""
        for crew in self.crews:
            for tablet in (crew.hand, crew.other):
                far = self.chance.choice((timedelta(seconds=3), timedelta(hours=1), YEAR, 10 * YEAR))
                tablet.clock_off = far * self.chance.uniform(-1, 1)
        return monotonic(), self.all

    def backup(self) -> tuple[float, frozenset[str]]:
        """Copy the site while it is served."""
        copy = self.place / f"backup-{len(self.told.windows)}"
        done = command("backup", str(copy), "--data", str(self.server.data))
        if done.returncode:
            self.told.wrong.append(f"backup: {done.stderr.strip()[:300]}")
        else:
            self.backups.append(copy)
            if len(self.backups) > 2:
                shutil.rmtree(self.backups.pop(0))
        return monotonic(), self.all

    def export(self) -> tuple[float, frozenset[str]]:
        """Take the record of a job so far; it may be withheld while something is verified unseen."""
        lead, job = self.site.shifts[0].opener, self.chance.choice(self.site.ledgers.jobs() or [""])
        if job:
            with suppress(AwayError):
                status, _ = self.office.look(lead, f"/jobs/{job}/record.zip")
                self.site.count(f"exports answered {status}")
                self.exported.append(monotonic())
        return monotonic(), self.all

    def stop(self) -> tuple[float, frozenset[str]]:
        """Let somebody press STOP at every second crew; a lead re-opens."""
        for crew in self.chance.sample(self.crews, len(self.crews) // 2):
            crew.press_stop = True
        return monotonic(), self.all

    def shift(self) -> tuple[float, frozenset[str]]:
        """Let the next shift come."""
        self.site.shift += 1
        return monotonic(), self.all

    def restore(self) -> tuple[float, frozenset[str]]:
        """Lose the disk: go on from the newest backup; the tablets give back what they hold."""
        if not self.backups:
            return self.backup()
        for line in self.lines:
            line.be(Way.CUT)
        sleep(0.5)
        self.server.kill()
        done = command("restore", str(self.backups[-1]), "--data", str(self.server.data), "--replace")
        if done.returncode:
            self.told.wrong.append(f"restore: {done.stderr.strip()[:300]}")
        for aside in self.server.data.parent.glob(f"{self.server.data.name}?*"):
            shutil.rmtree(aside)
        self.told.owed += self.history.restored(self.site.ledgers.tokens())
        for line in self.lines:
            line.be(Way.GOOD)
        ended = monotonic()
        self.server.start()
        return ended, self.all
