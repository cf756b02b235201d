"""The one recipe: format, lint, types, import contracts, guard deletion, tests, wheel.  `python -m tests`.

The same for people and for CI.  Options: `--quick` leaves out the slow parts (guards, browser, wheel).
"""

import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

ROOT = Path(__file__).resolve().parents[1]
QUICK = "--quick" in sys.argv[1:]
PYTHON = sys.executable

Step = tuple[str, list[str], bool]
TESTS = [PYTHON, "-m", "pytest", "-q"]
STEPS: list[list[Step]] = [
    [("format", [PYTHON, "-m", "ruff", "format", "--check", "."], False)],
    [("lint", [PYTHON, "-m", "ruff", "check", "."], False)],
    [("import contracts", [PYTHON, "-c", "from importlinter.cli import lint_imports_command as c; c()"], False)],
    [  # What stands together shares two cores: what works on one of them with what works on another, or waits.
        ("types", [PYTHON, "-m", "mypy"], False),
        ("wheel in another place", [PYTHON, "-m", "tests.wheel"], True),
    ],
    [("faults to survive", [PYTHON, "-m", "tests.faults", "A"], True)],
    [
        ("browser tests", [*TESTS, "-m", "browser"], True),
        ("guards deleted one at a time", [PYTHON, "-m", "tests.guards", "--minutes", "3"], True),
        ("tests", [*TESTS, "-n", "2", "--dist", "loadfile", "--no-loadscope-reorder", "-m", "not browser"], False),
    ],
]
AGAIN = frozenset({"browser tests"})
"""Of which what failed is run once more: a browser on a busy machine now and then misses its time.  It is told."""
MEMORY_DISK = Path("/dev/shm")
ROOM_BYTES = 6 * 1024**3
"""Far more than the tests had there when looked at (65 MB); a step that fails keeps its folders until the end."""
MOST_AGAIN = 3
"""More than so many failures are no haste of a machine: they have failed."""


def main() -> int:
    """Run every step and return 0 only if all are good; the tests come last, so that their count closes the output."""
    with folders_in_memory(MEMORY_DISK):
        return _run_all()


@contextmanager
def folders_in_memory(disk: Path) -> Iterator[None]:
    """Let the steps make their folders in memory, where the system has a disk there with room.

    Some thousand sites are begun and thrown away, and each waits for its flushes.  What a flush is worth is tried by
    the faults, which record the calls and lay out what a loss of power would leave.
    """
    if not disk.is_dir() or shutil.disk_usage(disk).free < ROOM_BYTES or not os.access(disk, os.W_OK):
        yield
        return
    before, was = os.environ.get("TMPDIR"), tempfile.tempdir
    with TemporaryDirectory(dir=disk, prefix="changeout-") as folder:
        os.environ["TMPDIR"], tempfile.tempdir = folder, None
        try:
            yield
        finally:
            tempfile.tempdir = was
            os.environ.pop("TMPDIR")
            os.environ |= {} if before is None else {"TMPDIR": before}


def _run_all() -> int:
    failed: list[str] = []
    for group in STEPS:
        asked = [step for step in group if not (step[2] and QUICK)]
        with ThreadPoolExecutor(max(len(asked), 1)) as pool:
            for (name, *_), (good, told) in zip(
                asked, pool.map(partial(run, alone=len(asked) == 1), asked), strict=True
            ):
                print(told, end="", flush=True)
                failed += [] if good else [name]
    if failed:
        print(f"FAILED: {', '.join(failed)}", file=sys.stderr)
    return 1 if failed else 0


def run(step: Step, *, alone: bool) -> tuple[bool, str]:
    """Run one step and say whether it was good, and what is still to be printed: beside others its whole output."""
    name, command, _ = step
    begun, told = time.monotonic(), ""
    with TemporaryDirectory() as cache:
        if name in AGAIN:
            command = [*command, "-o", f"cache_dir={cache}"]
        ended, said = _done(name, command, alone=alone)
        told += said
        if name in AGAIN and ended == pytest.ExitCode.TESTS_FAILED and 0 < _failed(Path(cache)) <= MOST_AGAIN:
            once_more = [*command, "--last-failed", "--last-failed-no-failures", "none", "--maxfail", "1"]
            ended, said = _done(f"{name}, those that failed once more", once_more, alone=alone)
            told += said
    good = ended == 0
    return good, f"{told}--- {name}: {'good' if good else 'FAILED'}, {time.monotonic() - begun:.0f} s\n"


def _failed(cache: Path) -> int:
    kept = cache / "v" / "cache" / "lastfailed"
    return len(json.loads(kept.read_text("utf-8"))) if kept.exists() else 0


def _done(name: str, command: list[str], *, alone: bool) -> tuple[int, str]:
    if alone:
        print(f"--- {name}", flush=True)
        return subprocess.run(command, cwd=ROOT, check=False).returncode, ""
    done = subprocess.run(command, cwd=ROOT, check=False, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    return done.returncode, f"--- {name}\n{done.stdout}"


if __name__ == "__main__":
    sys.exit(main())
