"""The one recipe: format, lint, types, import contracts, guard deletion, tests, wheel.  `python -m tests`.

The same for people and for CI.  Options: `--quick` leaves out the slow parts (guards, browser, wheel).
"""

import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
QUICK = "--quick" in sys.argv[1:]
PYTHON = sys.executable

STEPS: list[tuple[str, list[str], bool]] = [
    ("format", [PYTHON, "-m", "ruff", "format", "--check", "."], False),
    ("lint", [PYTHON, "-m", "ruff", "check", "."], False),
    ("types", [PYTHON, "-m", "mypy"], False),
    ("import contracts", [PYTHON, "-c", "from importlinter.cli import lint_imports_command as c; c()"], False),
    ("guards deleted one at a time", [PYTHON, "-m", "tests.guards"], True),
    ("faults to survive", [PYTHON, "-m", "tests.faults", "A"], True),
    ("wheel in another place", [PYTHON, "-m", "tests.wheel"], True),
    # One browser at a time: two of them starve each other on two cores.
    ("browser tests", [PYTHON, "-m", "pytest", "-q", "-m", "browser"], True),
    ("tests", [PYTHON, "-m", "pytest", "-n", "2", "-q", "-m", "not browser"], False),
]


def main() -> int:
    """Run every step and return 0 only if all are good; the tests come last, so that their count closes the output."""
    failed: list[str] = []
    for name, command, slow in STEPS:
        if slow and QUICK:
            continue
        print(f"--- {name}", flush=True)
        begun = time.monotonic()
        done = subprocess.run(command, cwd=ROOT, check=False)
        print(
            f"--- {name}: {'good' if done.returncode == 0 else 'FAILED'}, {time.monotonic() - begun:.0f} s", flush=True
        )
        if done.returncode:
            failed.append(name)
    if failed:
        print(f"FAILED: {', '.join(failed)}", file=sys.stderr)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
