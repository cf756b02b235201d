"""Part 3: record lives, and look through states that a power loss could have left of them."""

import shutil
import tempfile
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from random import Random
from time import monotonic

from tests.faulting.bench import Bench, reopen
from tests.faulting.examine import examine, judge
from tests.faulting.injections import points
from tests.faulting.lives import Outcome, recording
from tests.faulting.log import Acknowledged, Event, read_log
from tests.faulting.states import Disk, read_folder
from tests.faulting.told import AT_ONCE, Told
from tests.faulting.work import DATABASE, Work

OPENED_BY_THE_PROGRAM = 100
"""Each state so many apart is opened by the program itself, which then takes the next mark; SQLite opens them all."""
FILES = (DATABASE, f"{DATABASE}-wal", f"{DATABASE}-journal")
PLAIN = 3
"""So many shares of the states are of the undisturbed life; each other recording has one."""
FAULTS = (("fdatasync", 2), ("fdatasync", 1), ("pwrite64", 1), ("fdatasync", 4))
"""A call and how many of them fail.  Two: the flush of a commit, and the one that closing the connection asks for."""
MOST_DRAWS = 20
"""A fault at the first commit that lasts into the next opening lets a life take nothing; another one is drawn then."""
MEMORY_DISK = Path("/dev/shm")


class NothingTakenError(RuntimeError):
    """A life that was recorded acknowledged no mark, so that its states would prove nothing."""


@dataclass(frozen=True)
class Recording:
    """Lives on record, one after the other in one folder.  base: the folder as the first one found it."""

    name: str
    base: Path
    folder: Path
    logs: tuple[Path, ...]

    def events(self) -> list[Event]:
        """Read the logs."""
        events: list[Event] = []
        for log in self.logs:
            with log.open(encoding="ascii") as lines:
                events += read_log(lines, self.folder)
        return events


@dataclass(frozen=True)
class Share:
    """Some states of one recording: numbers first to last."""

    recording: Recording
    work: Work
    seed: int
    first: int
    last: int
    enough: int
    keep: Path | None


@dataclass(frozen=True)
class Seen:
    """What was found in a share.  unasked: the most marks that stood in one state and were not acknowledged."""

    states: int
    wrong: tuple[str, ...]
    with_unasked: int
    unasked: int
    opened: int


def lose_power(bench: Bench) -> Told:
    """Part 3: so many states after a power loss; each opens, is whole, and holds every acknowledged mark once."""
    told = Told("power")
    recordings = list(_recordings(bench))
    shares = list(_shares(bench, recordings))
    begun = monotonic()
    seen: list[Seen] = []
    with ProcessPoolExecutor(AT_ONCE, mp_context=get_context("spawn")) as pool:
        for found in pool.map(look_through, shares):
            seen.append(found)
            told.wrong += found.wrong
    seconds = monotonic() - begun
    states = sum(found.states for found in seen)
    with_unasked, most = sum(found.with_unasked for found in seen), max((found.unasked for found in seen), default=0)
    told.cases = f"{states} states of {len(recordings)} recordings"
    told.worst = f"{most} marks in one state that nobody had acknowledged"
    told.facts = [
        f"{states / seconds:.0f} states a second",
        f"{sum(found.opened for found in seen)} of them also opened by the program, which took the next mark",
        f"{with_unasked} held marks that nobody had acknowledged",
    ]
    told.wrong = told.wrong[: bench.scale.enough]
    return told


def _recordings(bench: Bench) -> Iterator[Recording]:
    """Record an undisturbed life, one begun after a kill, some in which a call fails, one begun after such a life."""
    yield record(bench, "undisturbed", "")
    chance = bench.chance("recordings")
    base = [point for point in points(bench, "") if not point.early]
    writes = [point.number for point in base if point.call == "pwrite64"]
    flushes = [point.number for point in base if point.call == "fdatasync"]
    kill = chance.choice(writes[len(writes) // 3 :])
    yield record(bench, "begun after a kill", f"pwrite64:signal=SIGKILL:when={kill}", "")
    first = chance.choice(flushes)
    yield record(bench, f"begun after fdatasync fails from {first} on", f"fdatasync:error=EIO:when={first}+", "")
    for number in range(bench.scale.faulted):
        call, times = FAULTS[number % len(FAULTS)]
        for _ in range(MOST_DRAWS):
            first = chance.choice(flushes if call == "fdatasync" else writes)
            window = f"{first}..{first + times - 1}"
            try:
                yield record(bench, f"{number}, {call} {window} fails", f"{call}:error=EIO:when={window}")
                break
            except NothingTakenError:
                continue
        else:
            raise RuntimeError(f"No life with {times} failing calls of {call} took a mark in {MOST_DRAWS} draws.")


def record(bench: Bench, name: str, *failing: str) -> Recording:
    """Record whole lives in one folder, one for each text of what strace is to make fail in it, or nothing."""
    place = bench.place / f"recording {name}"
    place.mkdir()
    folder, logs = bench.work.copy_to(place / "data"), []
    for number, what in enumerate(failing):
        logs.append(place / f"log-{number}")
        options = [*recording(), *(["-e", f"inject={what}"] if what else [])]
        outcome = bench.nursery.life(folder, bench.work.file, log=logs[-1], options=options, early=True)
    if not outcome.acknowledged:
        raise NothingTakenError(f"The last life to be recorded ({name}) acknowledged nothing: {outcome}")
    return Recording(name, bench.work.folder, folder, tuple(logs))


def _shares(bench: Bench, recordings: list[Recording]) -> Iterator[Share]:
    """Deal the states out to the recordings, and cut them so that two processes have something to do."""
    parts = [PLAIN, *[1] * (len(recordings) - 1)]
    for recording_, part in zip(recordings, parts, strict=True):
        count = -(-bench.scale.states * part // sum(parts))
        cut = -(-count // (AT_ONCE if count > 200 else 1))
        for first in range(0, count, cut):
            last = min(first + cut, count)
            yield Share(recording_, bench.work, bench.seed, first, last, bench.scale.enough, bench.keep)


def look_through(share: Share) -> Seen:
    """Make every state of a share, in the order of their moments, and look through each."""
    events = share.recording.events()
    if not any(isinstance(event, Acknowledged) for event in events):
        raise RuntimeError("The log shows no acknowledgement: its states would prove nothing.")
    moments = sorted(_moment(share, number, len(events)) for number in range(share.first, share.last))
    disk = Disk(read_folder(share.recording.base, FILES))
    at, wrong, unasked, opened = 0, list[str](), list[int](), 0
    room = MEMORY_DISK if MEMORY_DISK.is_dir() else None
    with tempfile.TemporaryDirectory(prefix="power-", dir=room) as held:
        folder = share.work.copy_to(Path(held) / "data", start=share.recording.base)
        for moment, number in moments:
            while at < moment:
                disk.move(events[at], str(share.recording.folder))
                at += 1
            _lay(folder, disk.after_power_loss(_chance(share, number)))
            acknowledged = set(disk.acknowledged)
            found = examine(folder / DATABASE, share.work.certificate_pem)
            faults = judge(found, acknowledged)
            unasked.append(sum(bool(found.standing[mark.token]) for mark in share.work.marks) - len(acknowledged))
            if number % OPENED_BY_THE_PROGRAM == 0 and not faults:
                opened += 1
                faults += reopen(share.work, folder, Outcome(list(acknowledged))).wrong
            if faults:
                wrong.append(f"state {number} of the life {share.recording.name}, after {moment} events: {faults[0]}")
                if share.keep is not None:
                    _lay(folder, disk.after_power_loss(_chance(share, number)))
                    shutil.copytree(folder, share.keep / f"power-{share.recording.name}-{number}", dirs_exist_ok=True)
                if len(wrong) >= share.enough:
                    break
    return Seen(len(unasked), tuple(wrong), sum(more > 0 for more in unasked), max(unasked, default=0), opened)


def _chance(share: Share, number: int) -> Random:
    return Random(f"{share.seed}:{share.recording.name}:{number}")


def _moment(share: Share, number: int, events: int) -> tuple[int, int]:
    return Random(f"{share.seed}:{share.recording.name}:{number}:moment").randint(0, events), number


def _lay(folder: Path, held: dict[str, bytes]) -> None:
    for name in (*FILES, f"{DATABASE}-shm"):
        (folder / name).unlink(missing_ok=True)
    for name, content in held.items():
        if name in FILES:
            (folder / name).write_bytes(content)
