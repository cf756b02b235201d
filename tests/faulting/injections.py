"""Parts 1 and 2: a life is killed, or its disk refuses, at one chosen call; then the folder is opened again."""

import re
import shutil
from dataclasses import dataclass, replace
from itertools import product
from pathlib import Path
from random import Random

from app.storage import faults
from app.storage.faults import StorageFault
from tests.faulting.bench import Bench, Reopened, reopen, some, two_at_once
from tests.faulting.lives import INJECTED, Outcome, counted, injection, on_database
from tests.faulting.stops import stop_everywhere
from tests.faulting.told import Told
from tests.faulting.work import MARKS

KILLED = "signal=SIGKILL"
ERRORS = ("EIO", "ENOSPC")
APART = {"pwrite64": 40, "fdatasync": 10}
"""So many calls of a name lie between two failures of a sweep; others are few, and fail in a life each."""
LONGEST_SENTENCE = 400


@dataclass(frozen=True)
class Point:
    """One call of a life.  number: from 1, among the calls of that name by one thread.  early: from the start on.

    what: "signal=SIGKILL" or "error=EIO".  lasting: every later call of that name fails, too.  apart: after the first
    one, each call that lies so many further fails, too; 0 for one alone.
    """

    call: str
    number: int
    early: bool
    what: str
    lasting: bool = False
    apart: int = 0

    @property
    def when(self) -> str:
        """The calls in strace's words."""
        return f"{self.number}+{self.apart}" if self.apart else f"{self.number}{'+' if self.lasting else ''}"

    @property
    def kills(self) -> bool:
        """Tell whether the life ends there."""
        return self.what.startswith("signal=")

    def __str__(self) -> str:
        since = "the start" if self.early else "the first mark"
        later = " and all later ones" if self.lasting else f" and each {self.apart} later" if self.apart else ""
        return f"{self.what} at {self.call} {self.number}{later} from {since}"


@dataclass(frozen=True)
class Tried:
    """A point, what its life told, whether the injection took place, and the folder afterwards."""

    point: Point
    outcome: Outcome
    hits: int
    after: Reopened
    wrong: tuple[str, ...] = ()

    @property
    def hit(self) -> bool:
        """Whether it took place at all."""
        return self.hits > 0


def points(bench: Bench, what: str) -> list[Point]:
    """Return every call of an undisturbed life to the database and its log, once from the start and once from work."""
    found = []
    for early in (True, False):
        folder, log = bench.work.copy_to(bench.place / f"count-{early}"), bench.place / f"count-{early}.log"
        options = [*on_database(folder), "-s", "0", "-e", f"trace={','.join(INJECTED)}"]
        outcome = bench.nursery.life(folder, bench.work.file, log=log, options=options, early=early)
        if not outcome.closed or outcome.unforeseen or len(outcome.acknowledged) != MARKS:
            raise RuntimeError(f"An undisturbed life did not go well: {outcome.unforeseen} {outcome.refused[:1]}")
        calls = _before_work(log) if early else counted(log)
        found += [
            Point(call, number, early, what) for call, most in sorted(calls.items()) for number in range(1, most + 1)
        ]
        shutil.rmtree(folder)
    return found


def _before_work(log: Path) -> dict[str, int]:
    """Count the calls of the first thread: it opens the folder, and the writer's thread does all after that."""
    lines = log.read_text("utf-8").splitlines(keepends=True)
    first = lines[0].partition(" ")[0]
    log.write_text("".join(line for line in lines if line.startswith(f"{first} ")), "utf-8")
    return counted(log)


def kill_everywhere(bench: Bench) -> Told:
    """Part 1: kill a life at each of the points; nothing acknowledged is lost and nothing stands twice."""
    base = points(bench, KILLED)
    chosen = _drawn(base, bench.scale.kills, bench.chance("kill"))
    told = Told("kill")
    stops = stop_everywhere(bench) if bench.scale.stopped else None
    tried = _try(bench, chosen, told)
    ends = [one for one in tried if not one.hit]
    unasked = [one.after.unasked for one in tried if one.after.unasked > 0]
    told.cases = f"{len(tried)} lives of {len(base)} points"
    if stops is not None:
        told.cases = f"a life stopped {stops.count} times, {told.cases}"
        told.wrong += stops.wrong
    told.worst = _slowest(tried)
    told.facts = [
        f"{len(tried) - len(ends)} killed there, {len(ends)} ended before",
        f"{len(unasked)} left marks that nobody had acknowledged (at most {max(unasked, default=0)} in one folder)",
        *(stops.facts if stops is not None else ()),
    ]
    return told


def refuse_everywhere(bench: Bench) -> Told:
    """Part 2: let calls fail, once or from then on; what is acknowledged stands, and the rest is refused in words."""
    base = points(bench, "")
    told = Told("error")
    chosen = []
    for error in ERRORS if bench.scale.swept else ():
        chosen += [replace(point, what=f"error={error}") for point in swept(base)]
    for error, lasting in product(ERRORS, (True,) if bench.scale.swept else (False, True)):
        for point in _drawn(base, bench.scale.errors, bench.chance("error", error, lasting)):
            chosen.append(replace(point, what=f"error={error}", lasting=lasting))
    bench.chance("order").shuffle(chosen)
    tried = _try(bench, chosen, told)
    refused = [one for one in tried if one.outcome.refused or one.outcome.unopened]
    kept = sum(bool({token for token, _, _ in one.outcome.refused} & one.after.standing - set(one.outcome.acknowledged))
               for one in tried)  # fmt: skip
    told.cases = f"{len(tried)} lives with failing calls"
    told.worst = _slowest(tried)
    failures = sum(one.hits for one in tried if not one.point.lasting)
    told.facts = [
        f"in {sum(one.hit for one in tried)} a call failed, in {len(refused)} a mark was refused",
        f"{failures} failures beside those from then on",
        f"in {kept} a mark that was refused to the end stands all the same (sent again, it stands once)",
    ]
    if said := bench.nursery.said.read_text("utf-8").strip():
        told.wrong.append(f"The lives wrote to their standard error: {said[:300]!r}")
    return told


def swept(base: list[Point]) -> list[Point]:
    """Return points at which every call of an undisturbed life is made to fail, many in one life, so far apart."""
    found = []
    for point in base:
        apart = 0 if point.early else APART.get(point.call, 0)
        if not apart or point.number <= apart:
            found.append(replace(point, apart=apart))
    return found


def _drawn(base: list[Point], count: int | None, chance: Random) -> list[Point]:
    """Draw so many writes, and half as many of the rarer calls; all for None."""
    writes = some([point for point in base if point.call == "pwrite64"], count, chance)
    others = [point for point in base if point.call != "pwrite64"]
    return [*some(others, None if count is None else count // 2, chance), *writes]


def _slowest(tried: list[Tried]) -> str:
    slow = max(tried, key=lambda one: one.after.seconds)
    return f"slowest new start with check and next mark {slow.after.seconds:.2f} s, after {slow.point}"


def _try(bench: Bench, chosen: list[Point], told: Told) -> list[Tried]:
    """Live once for each point, two lives at a time, until enough is wrong."""

    def enough(tried: Tried) -> bool:
        if tried.wrong:
            told.wrong.append(f"{tried.point}: {tried.wrong[0]}")
        return len(told.wrong) >= bench.scale.enough

    tried = list(two_at_once(enumerate(chosen), lambda item: live_to(bench, *item), until=enough))
    if not any(one.hit for one in tried):
        told.wrong.append("No injection took place: this part proves nothing.")
    return tried


def live_to(bench: Bench, number: int, point: Point) -> Tried:
    """Live one life to a point and beyond, open its folder again, and judge both."""
    part = "kill" if point.kills else "error"
    folder, log = bench.work.copy_to(bench.place / f"{part}-{number}"), bench.place / f"{part}-{number}.log"
    options = injection(folder, point.call, point.what, point.when)
    outcome = bench.nursery.life(folder, bench.work.file, log=log, options=options, early=point.early)
    text = log.read_text("utf-8") if log.exists() else ""
    after = reopen(bench.work, folder, outcome)
    tried = Tried(point, outcome, text.count("INJECTED") or text.count("killed by SIGKILL"), after)
    tried = replace(tried, wrong=(*after.wrong, *(_wrong_when_killed if point.kills else _wrong_when_refused)(tried)))
    if tried.wrong:
        bench.keep_folder(folder, f"{part}-{number}")
    shutil.rmtree(folder)
    log.unlink(missing_ok=True)
    return tried


def _wrong_when_killed(tried: Tried) -> list[str]:
    outcome = tried.outcome
    wrong = [*outcome.unforeseen]
    if outcome.refused or outcome.unopened:
        wrong.append(f"A mark was refused before the kill: {(outcome.refused or outcome.unopened)[0]}")
    if not tried.hit and len(outcome.acknowledged) != MARKS:
        wrong.append(f"Not killed, and {len(outcome.acknowledged)} of {MARKS} marks acknowledged.")
    return wrong


def _wrong_when_refused(tried: Tried) -> list[str]:
    outcome = tried.outcome
    wrong = [*outcome.unforeseen]
    for kind, sentence in [(kind, text) for _, kind, text in outcome.refused] + outcome.unopened:
        wrong += sentence_faults(kind, sentence)
    if tried.point.lasting:
        if outcome.refused and outcome.after_refusal:
            wrong.append(f"{outcome.after_refusal} marks acknowledged while every {tried.point.call} fails.")
    elif not (outcome.closed and len(outcome.acknowledged) == MARKS):
        wrong.append(f"After one failed call only {len(outcome.acknowledged)} of {MARKS} marks were ever acknowledged.")
    return wrong


def sentence_faults(kind: str, sentence: str) -> list[str]:
    """Return what keeps a refusal from being one sentence of the store, for people."""
    known = getattr(faults, kind, None)
    wrong = []
    if not (isinstance(known, type) and issubclass(known, StorageFault)) or kind == "StorageConflict":
        wrong.append(f"The disk's refusal was told as {kind}: {sentence[:200]}")
    one = re.fullmatch(r"[A-Z][^\n]*[^.!?]\.", sentence) is not None and len(sentence) <= LONGEST_SENTENCE
    if not one or "Traceback" in sentence or "\\n" in sentence or "sqlalche.me" in sentence:
        wrong.append(f"The refusal is no plain sentence: {sentence[:200]!r}")
    return wrong
