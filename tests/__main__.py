"""The one recipe: format, lint, types, import contracts, guard deletion, tests, wheel.  `python -m tests`.

The same for people and for CI.  Options: `--quick` leaves out the slow parts (guards, browser, wheel).
"""

import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
QUICK = "--quick" in sys.argv[1:]
PYTHON = sys.executable

Step = tuple[str, list[str], bool]
STEPS: list[list[Step]] = [
    [("format", [PYTHON, "-m", "ruff", "format", "--check", "."], False)],
    [("lint", [PYTHON, "-m", "ruff", "check", "."], False)],
    [("types", [PYTHON, "-m", "mypy"], False)],
    [("import contracts", [PYTHON, "-c", "from importlinter.cli import lint_imports_command as c; c()"], False)],
    [  # Together: the faults wait for disks and children half of their time.
        ("guards deleted one at a time", [PYTHON, "-m", "tests.guards"], True),
        ("faults to survive", [PYTHON, "-m", "tests.faults", "A"], True),
    ],
    [("wheel in another place", [PYTHON, "-m", "tests.wheel"], True)],
    # One browser at a time: two of them starve each other on two cores.
    [("browser tests", [PYTHON, "-m", "pytest", "-q", "-m", "browser"], True)],
    [("tests", [PYTHON, "-m", "pytest", "-n", "2", "--dist", "loadfile", "-q", "-m", "not browser"], False)],
]


def main() -> int:
    """Run every step and return 0 only if all are good; the tests come last, so that their count closes the output."""
    failed: list[str] = []
    for group in STEPS:
        asked = [step for step in group if not (step[2] and QUICK)]
        with ThreadPoolExecutor(max(len(asked), 1)) as pool:
            failed += [name for name, good in pool.map(partial(run, alone=len(asked) == 1), asked) if not good]
    if failed:
        print(f"FAILED: {', '.join(failed)}", file=sys.stderr)
    return 1 if failed else 0


def run(step: Step, *, alone: bool) -> tuple[str, bool]:
    """Run one step and say whether it was good; beside others its output comes whole, once it has ended."""
    name, command, _ = step
    begun = time.monotonic()
    if alone:
        print(f"--- {name}", flush=True)
    heard = None if alone else subprocess.PIPE
    done = subprocess.run(
        command, cwd=ROOT, check=False, stdout=heard, stderr=None if alone else subprocess.STDOUT, text=True
    )
    if not alone:
        print(f"--- {name}\n{done.stdout}", end="", flush=True)
    good = done.returncode == 0
    print(f"--- {name}: {'good' if good else 'FAILED'}, {time.monotonic() - begun:.0f} s", flush=True)
    return name, good


if __name__ == "__main__":
    sys.exit(main())
