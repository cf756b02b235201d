"""Faults put into the program on purpose: a harness that does not notice them proves nothing by its silence.

Each is made in a copy of `app`, never in the tree itself.  A part has noticed one when something is wrong with the copy
at a point, or in a recording, where nothing is wrong with the program as it is.
"""

import shutil
from dataclasses import dataclass, replace
from pathlib import Path

from tests.faulting.bench import Bench, Scale, some, two_at_once
from tests.faulting.injections import KILLED, Point, live_to, points
from tests.faulting.lives import nursery
from tests.faulting.power import Share, look_through, record
from tests.faulting.stops import stop_everywhere
from tests.faulting.told import Notice

ROOT = Path(__file__).resolve().parents[2]
WRITER, BATCH, ENGINE = "app/storage/writer.py", "app/storage/batch.py", "app/storage/engine_sqlite.py"
TRIED_POINTS = 24
TRIED_STATES = 250
_FLUSHED = (
    "        for table, rows in ((ENTRY, waiting.entries), (HEAD, waiting.heads), (REQUEST, waiting.request_rows)):\n"
    "            if rows:\n"
    "                self._connection.execute(insert(table), rows)\n"
)
_TOLD_EARLY = (
    "            batch.flush()\n"
    "            for outcome in outcomes:\n"
    "                outcome.tell()\n"
    "        self._cache.advance(batch.tips)\n"
    "        return []\n"
)
_HEADS_FIRST = _FLUSHED.replace(
    "(ENTRY, waiting.entries), (HEAD, waiting.heads)", "(HEAD, waiting.heads), (ENTRY, waiting.entries)"
)
_AFTER_HEADS = (
    "            if rows and table is HEAD:\n"
    '                self._connection.exec_driver_sql("COMMIT")\n'
    '                self._connection.exec_driver_sql("BEGIN IMMEDIATE")\n'
)


@dataclass(frozen=True)
class Seeded:
    """One fault.  edits: file, what stands there, what is to stand there.  by: the parts that must notice it."""

    name: str
    by: tuple[str, ...]
    edits: tuple[tuple[str, str, str], ...]


SEEDED = (
    Seeded("acknowledged before COMMIT", ("power", "kill"), ((
        WRITER,
        "            batch.flush()\n        self._cache.advance(batch.tips)\n        return outcomes\n",
        _TOLD_EARLY,
    ),)),
    Seeded("synchronous=NORMAL", ("power",), ((
        ENGINE, '"synchronous": ("FULL", 2)', '"synchronous": ("NORMAL", 1)',
    ),)),
    Seeded("a failed COMMIT is swallowed and acknowledged", ("error",), ((
        WRITER, "        with connection.begin():\n            outcomes",
        "        with suppress(DBAPIError), connection.begin():\n            outcomes",
    ),)),
    Seeded("a head is written in a transaction before that of its entries", ("kill", "power"), ((
        BATCH, _FLUSHED,
        _HEADS_FIRST + _AFTER_HEADS,
    ),)),
    Seeded("a batch in two transactions, its requests in the second", ("kill", "power"), ((
        BATCH, _FLUSHED,
        _FLUSHED + _AFTER_HEADS,
    ),)),
    Seeded("the memory runs ahead of a COMMIT that fails", ("error",), (
        (WRITER, "            batch.flush()\n        self._cache.advance(batch.tips)\n",
         "            batch.flush()\n            self._cache.advance(batch.tips)\n"),
        (WRITER, "            self._cache.doubt()\n", ""),
    )),
    Seeded("the journal lies in memory", ("kill", "power"), ((
        ENGINE, '"journal_mode": ("WAL", "wal")', '"journal_mode": ("MEMORY", "memory")',
    ),)),
)  # fmt: skip


def seeded_text(text: str, old: str, new: str, name: str) -> str:
    """Return a file's text with the fault.  Raises SystemExit where the list no longer fits the program."""
    if text.count(old) != 1:
        raise SystemExit(f"The place for {name!r} stands {text.count(old)} times in its file. Correct the list.")
    return text.replace(old, new)


def changed_files(root: Path, fault: Seeded) -> dict[str, str]:
    """Return the files of a fault, changed, by path; each is still Python."""
    texts: dict[str, str] = {}
    for file, old, new in fault.edits:
        text = texts.get(file) or (root / file).read_text("utf-8")
        texts[file] = seeded_text(text, old, new, fault.name)
        compile(texts[file], file, "exec", dont_inherit=True)  # `ast` is not made for two threads at once in 3.11
    return texts


def tree_with(root: Path, fault: Seeded, place: Path) -> Path:
    """Make a tree that is the root's, but for `app`, which is a copy with the fault."""
    place.mkdir()
    for beside in root.iterdir():
        if beside.name != "app" and not beside.name.startswith("."):
            (place / beside.name).symlink_to(beside)
    shutil.copytree(root / "app", place / "app")  # with what is compiled: of the changed files it is made anew
    for file, text in changed_files(root, fault).items():
        (place / file).write_text(text, "utf-8")
    return place


def notices(part: str, sound: Bench) -> list[Notice]:
    """Let one part have its try at the faults that it must notice, two of them at a time."""
    chosen = [fault for fault in SEEDED if part in (fault.by if sound.scale.all_parts else fault.by[:1])]
    found = two_at_once(chosen, lambda fault: _noticed(part, fault, sound), until=lambda _: False)
    by_name = {notice.fault: notice for notice in found}
    at_stops = [_noticed("stops", SEEDED[0], sound)] if part == "kill" and sound.scale.stopped else []
    return [*(by_name[fault.name] for fault in chosen), *at_stops]


def _noticed(part: str, fault: Seeded, sound: Bench) -> Notice:
    place = sound.place / f"seeded-{part}-{SEEDED.index(fault)}"
    for inner in ("sick", "sound"):
        (place / inner).mkdir(parents=True)
    scale = Scale(kills=None, errors=None, states=TRIED_STATES, faulted=1, enough=1)
    with nursery(tree_with(ROOT, fault, place / "tree"), place / "nursery") as sick:
        bench = replace(sound, nursery=sick, place=place / "sick", scale=scale, keep=None)
        control = replace(sound, place=place / "sound", scale=scale, keep=None)
        where = ", at a stop" if part == "stops" else ""
        return Notice(f"{fault.name}{where}", _BY_PART[part](bench, control))


def _by_kill(bench: Bench, control: Bench) -> str:
    chosen = some(points(bench, KILLED), TRIED_POINTS, bench.chance("seeded kill"))
    bench.chance("seeded order").shuffle(chosen)
    return _first(bench, control, chosen)


def _by_stops(bench: Bench, _: Bench) -> str:
    """The sound program has been stopped everywhere just before."""
    return next(iter(stop_everywhere(bench).wrong), "")


def _by_error(bench: Bench, control: Bench) -> str:
    base = [point for point in points(bench, "error=EIO") if not point.early]
    flushes = [point for point in base if point.call != "pwrite64"]
    chosen = [*some(flushes, TRIED_POINTS // 2, bench.chance("seeded flush")),
              *some(base, TRIED_POINTS // 2, bench.chance("seeded error"))]  # fmt: skip
    return _first(bench, control, chosen)


def _first(bench: Bench, control: Bench, chosen: list[Point]) -> str:
    for number, point in enumerate(chosen):
        tried = live_to(bench, number, point)
        if tried.wrong and not live_to(control, number, point).wrong:
            return f"{point}: {tried.wrong[0]}"
    return ""


def _by_power(bench: Bench, control: Bench) -> str:
    wrong = _seen(bench)
    return "" if wrong and _seen(control) else wrong


def _seen(bench: Bench) -> str:
    recording = record(bench, "undisturbed", "")
    seen = look_through(Share(recording, bench.work, bench.seed, 0, bench.scale.states, 1, None))
    return seen.wrong[0] if seen.wrong else ""


_BY_PART = {"kill": _by_kill, "stops": _by_stops, "error": _by_error, "power": _by_power}
