"""How fast it is, beside what it is compared with, in one run on one machine.  `python -m tests.bench [--short]`.

Every comparison is taken in rounds, one after the other, and the middle round is printed with the lowest and the
highest: the spread is the noise.  Speed is measured here and never asserted in a test; `goal` says what was aimed
at and whether this run met it.  Loopback only; every load is bounded in count and in time.

Options: --short (one small round), --rounds N, --seconds S (longest single load), --only PART,PART
with the parts marks, screens, export, verify, visit, start; and lists, which is run only when it is named, for it
makes a site of --jobs N (100,000) jobs with ten entries each: some minutes, some GB of disk.  --keep FOLDER keeps its
sites there as they were made, and uses those that it finds there.
"""

import argparse
import platform
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from statistics import median

from tests.benching import measures
from tests.benching.load import Told
from tests.benching.servers import OURS, Server, serving
from tests.benching.site import HOUSING, Site, prepare

TABLETS = {1: 150, 10: 75, 50: 75}
"""How many tablets, and how many marks each sends in a round."""
PARTS = ("marks", "screens", "export", "verify", "visit", "start")
LISTS = "lists"
ASKED = 300
"""How often each page of the part `lists` is asked, on each site."""


@dataclass(frozen=True)
class Options:
    """What to measure and how long."""

    rounds: int
    seconds: float
    parts: tuple[str, ...]
    tablets: dict[int, int]
    starts: int
    jobs: int
    keep: Path | None


def main() -> int:
    """Measure and print; nothing is asserted but that every answer was the right one."""
    options = _options()
    print(f"{platform.machine()}, {platform.system()}, Python {platform.python_version()}, "
          f"SQLite {sqlite3.sqlite_version}, {options.rounds} rounds: middle (lowest to highest)\n")  # fmt: skip
    with tempfile.TemporaryDirectory() as held:
        folder = Path(held)
        if LISTS in options.parts:
            _lists(folder / LISTS, options)
        if not set(PARTS) & set(options.parts):
            return 0
        site = prepare(folder / "site", _jobs_needed(options))
        if "marks" in options.parts:
            _marks(site, folder, options)
        with serving(OURS, site.folder) as server:
            if "screens" in options.parts:
                _screens(server, site, options)
            if "visit" in options.parts:
                _visit(server)
        for part, told in (("export", measures.export), ("verify", measures.verify)):
            if part in options.parts:
                _say(part.capitalize(), told(site.folder, site.finished, options.rounds))
        if "start" in options.parts:
            _start(site.folder, folder, options)
    return 0


def _options() -> Options:
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=(__doc__ or "").split("\n", 1)[0])
    parser.add_argument("--short", action="store_true", help="one small round of everything")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--seconds", type=float, default=20.0, help="longest time of one load")
    parser.add_argument("--only", default=",".join(PARTS), help="parts, parted by commas")
    parser.add_argument("--jobs", type=int, default=100_000, help="of the large site of the part lists, 100 or more")
    parser.add_argument("--keep", type=Path, default=None, help="where the sites of the part lists are kept")
    given = parser.parse_args()
    parts = tuple(given.only.split(","))
    if unknown := set(parts) - {*PARTS, LISTS}:
        parser.error(f"there is no part {min(unknown)!r}; the parts are {', '.join((*PARTS, LISTS))}")
    if given.jobs < 100:
        parser.error(f"a large site of {given.jobs} jobs is none; give 100 or more")
    if given.short:
        return Options(1, min(given.seconds, 5.0), parts, {1: 25, 10: 25}, 3, given.jobs, given.keep)
    return Options(given.rounds, given.seconds, parts, TABLETS, 5 + 2 * (given.rounds > 1), given.jobs, given.keep)


def _jobs_needed(options: Options) -> int:
    if "marks" not in options.parts:
        return 1
    a_round = sum(tablets * -(-each // 75) for tablets, each in options.tablets.items())
    return options.rounds * 2 * a_round + 10


def _say(title: str, rows: Sequence[str]) -> None:
    print(title)
    for row in rows:
        print(f"  {row}")
    print(flush=True)


def spread(values: Sequence[float], digits: int = 1) -> str:
    """Say the middle of several rounds with the lowest and the highest."""
    return f"{median(values):,.{digits}f} ({min(values):,.{digits}f} to {max(values):,.{digits}f})"


def percentile(told: Told, part: float) -> float:
    """Return the milliseconds within which this part of the marks was answered."""
    ordered = sorted(told.ms)
    return ordered[min(len(ordered) - 1, int(len(ordered) * part))]


# --- marks ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Load:
    """One kind of load: on which server, in which form."""

    name: str
    kind: str
    form: str


LOADS = (
    Load("Changeout Ledger, htmx, next step back", OURS, "htmx"),
    Load("Changeout Ledger, plain form, 303 back", OURS, "plain"),
    Load("naive post, in a thread", "naive", "other"),
    Load("naive post, blocking the loop", "blocking", "other"),
    Load("empty route", "empty", "other"),
)


def _marks(site: Site, folder: Path, options: Options) -> None:
    """Measure every load with so many tablets, in turns, on servers that all stay up."""
    raw: list[float] = []
    told: dict[tuple[int, Load], list[tuple[Told, float]]] = {}
    with ExitStack() as stack:
        servers: dict[str, Server] = {}
        for kind in dict.fromkeys(load.kind for load in LOADS):
            place = site.folder if kind == OURS else folder / kind
            place.mkdir(exist_ok=True)
            servers[kind] = stack.enter_context(serving(kind, place, "/signin" if kind == OURS else "/docs"))
        print(f"Resident memory of the server after its start: {servers[OURS].resident_mb:.0f} MB")
        _warm(site, servers, options)
        for _ in range(options.rounds):
            raw.append(measures.raw_commits(folder))
            for tablets, each in options.tablets.items():
                for load in LOADS:
                    marks = site.marks(tablets, each) if load.kind == OURS else measures.stand_ins(tablets, each)
                    told.setdefault((tablets, load), []).append(_one(servers[load.kind], load, marks, options))
        print(f"Resident memory with {len(site.jobs)} jobs of {HOUSING} in hand: {servers[OURS].resident_mb:.0f} MB")
    print(f"Raw sqlite3, one row a commit, WAL and FULL, no HTTP: {spread(raw, 0)} a second\n")
    for tablets in options.tablets:
        _say(f"Durable marks through HTTP, tablets at once: {tablets}", _table(tablets, told))


def _warm(site: Site, servers: dict[str, Server], options: Options) -> None:
    """Let every server answer a few marks first: libraries load at the first signature."""
    for load in LOADS:
        if load.form != "plain":
            _one(servers[load.kind], load, site.marks(5, 5) if load.kind == OURS else measures.stand_ins(5, 5), options)


def _one(server: Server, load: Load, marks: measures.Work, options: Options) -> tuple[Told, float]:
    before = server.cpu_s
    told = server.load(load.form, marks, options.seconds)
    return told, (server.cpu_s - before) / told.marks * 1000


def _table(tablets: int, told: dict[tuple[int, Load], list[tuple[Told, float]]]) -> list[str]:
    def rate(load: Load) -> list[float]:
        return [one.marks / one.seconds for one, _ in told[tablets, load]]

    def slowest(load: Load) -> list[float]:
        return [percentile(one, 0.99) for one, _ in told[tablets, load]]

    rows = [f"{'':<40}{'marks a second':>24}  {'p50':>7}{'p95':>8}{'p99':>8} ms   CPU ms a mark"]
    for load in LOADS:
        runs = [one for one, _ in told[tablets, load]]
        at = [median([percentile(one, part) for one in runs]) for part in (0.5, 0.95, 0.99)]
        cpu = median([used for _, used in told[tablets, load]])
        rows.append(f"{load.name:<40}{spread(rate(load), 0):>24}  {at[0]:>7.2f}{at[1]:>8.2f}{at[2]:>8.2f}{cpu:>12.2f}")
    ours, naive, blocking = LOADS[0], LOADS[2], LOADS[3]
    for other in (naive, blocking):
        faster = [mine / theirs for mine, theirs in zip(rate(ours), rate(other), strict=True)]
        later = [mine / theirs for mine, theirs in zip(slowest(ours), slowest(other), strict=True)]
        goal = ""
        if tablets == 10 and other is naive:
            goal = _goal(median(faster) >= 0.5 and median(later) <= 2, "at least 0.5 and at most 2")
        rows.append(f"htmx to {other.name}: throughput × {spread(faster, 2)}, p99 × {spread(later, 2)}{goal}")
    return rows


def _goal(met: bool, told: str) -> str:
    return f"   goal {told}: {'met' if met else 'NOT met'}"


# --- lists of a large site ---------------------------------------------------------------------------


def _lists(folder: Path, options: Options) -> None:
    """Ask the pages of every day on a small and on a large site, in turns."""
    from tests.benching.lists import lists

    for row in lists(folder, options.jobs, ASKED if options.rounds > 1 else ASKED // 5, options.keep):
        print(f"  {row}", flush=True)
    print()


# --- pages, first visit, start ---------------------------------------------------------------------


def _timed(work: Callable[[], object], count: int) -> list[float]:
    times = []
    for _ in range(count):
        begun = time.perf_counter()
        work()
        times.append((time.perf_counter() - begun) * 1000)
    return times


def _screens(server: Server, site: Site, options: Options) -> None:
    """The step screen through HTTP, whole and as the piece that htmx swaps, and its rendering alone."""
    cookie = f"changeout_session={next(iter(site.cookies.values()))}"
    path, count = f"/jobs/{site.jobs[-1]}/now", 100 * options.rounds
    whole = _timed(lambda: server.get(path, Cookie=cookie), count)
    piece = _timed(lambda: server.get(path, Cookie=cookie, **{"HX-Request": "true"}), count)
    sizes = len(server.get(path, Cookie=cookie)[2]), len(server.get(path, Cookie=cookie, **{"HX-Request": "true"})[2])
    rows = [
        f"{name:<28}{median(times):>6.2f} ms, p95 {sorted(times)[int(count * 0.95)]:.2f} ms, {size:,} bytes"
        for name, times, size in (("whole page", whole, sizes[0]), ("piece for htmx", piece, sizes[1]))
    ]
    _say("Step screen, a new connection each time", [*rows, *measures.rendering(options.rounds * 200)])


def _visit(server: Server) -> None:
    """Everything that a tablet fetches at its first visit, as sent."""
    parts = measures.first_visit(server)
    total = sum(size for _, size in parts)
    rows = [f"{size:>8,}  {name}" for name, size in parts]
    goal = _goal(total <= 150_000, "at most 150,000")
    _say("First visit, bytes as sent", [*rows, f"{total:>8,}  in {len(parts)} requests{goal}"])


def _start(ours: Path, folder: Path, options: Options) -> None:
    """From starting the process to the first whole page, over a folder that is there already."""
    bare = folder / "bare"
    bare.mkdir()
    times: dict[str, list[float]] = {OURS: [], "bare": []}
    for number in range(options.starts + 1):
        for kind, place in ((OURS, ours), ("bare", bare)):
            with serving(kind, place) as server:
                if number:  # the first pair only fills the disk's cache
                    times[kind].append(server.first_page_s)
    ratios = [mine / theirs for mine, theirs in zip(times[OURS], times["bare"], strict=True)]
    rows = [f"{name:<28}{spread(times[kind], 3)} s" for name, kind in (("Changeout Ledger", OURS), ("bare", "bare"))]
    goal = _goal(median(ratios) <= 1.5, "at most 1.5")
    _say("Start to first page; bare: FastAPI, SQLModel, one table", [*rows, f"ratio × {spread(ratios, 2)}{goal}"])


if __name__ == "__main__":
    sys.exit(main())
