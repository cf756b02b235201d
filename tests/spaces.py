"""Network namespaces by hand: `python -m tests.spaces [--marks N] [--loss PERCENT] [--kills N]`, as root on Linux.

First the served sample site in a space whose only route leads to a trap: a whole job, export and backup, and nothing
leaves but answers; a program with a seeded look-up must be caught.  Then two tablets behind lines that lose packets
send N marks each while the server is killed and started again: none lost, none twice, each tablet's order kept.
"""

import argparse
import sys
import tempfile
from pathlib import Path
from time import monotonic

from tests.faulting.told import Notice
from tests.spacing.runs import lossy_crossing, watched_job
from tests.spacing.spaces import spaces, why_not


def main() -> int:
    """Run both; return 0 only if all is well."""
    given = argparse.ArgumentParser(prog="python -m tests.spaces", description=(__doc__ or "").split("\n", 1)[0])
    given.add_argument("--marks", type=int, default=300)
    given.add_argument("--loss", type=int, default=20)
    given.add_argument("--kills", type=int, default=3)
    asked = given.parse_args()
    if why := why_not():
        print(f"skipped: {why}")
        return 0
    with tempfile.TemporaryDirectory() as place:
        begun = monotonic()
        with spaces() as made:
            sound = watched_job(made, Path(place) / "demo")
        with spaces() as made:
            seeded = watched_job(made, Path(place) / "seeded", program="tests.spacing.looks_out", whole=False)
        print(f"trap: {sound.answers} packets of answers, {sound.others} others; {monotonic() - begun:.0f} s")
        print(Notice("a program that looks out", f"{seeded.others} packets" if seeded.others else "").line)
        begun = monotonic()
        folder = Path(place) / "lossy"
        folder.mkdir()
        with spaces() as made:
            crossed = lossy_crossing(made, folder, marks=asked.marks, percent=asked.loss, kills=asked.kills)
        print(f"loss {asked.loss} %: {crossed.sent} marks, {crossed.kills} kills, {len(crossed.wrong)} wrong;"
              f" {monotonic() - begun:.0f} s")  # fmt: skip
        print("\n".join(f"  WRONG {told}" for told in crossed.wrong[:10]))
    good = sound.others == 0 and sound.answers > 0 and seeded.others > 0 and not crossed.wrong
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
