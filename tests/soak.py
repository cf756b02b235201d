"""A site soaked by hand: `python -m tests.soak [--minutes M] [--seed N]`; 3 minutes, and 30 before a release.

The program is served from a temporary folder on loopback.  Eight tablets of four crews work jobs from opening to
acceptance, over three shifts, while every few seconds something befalls them.  At the end every answer that a tablet
had is held against the ledgers.  `--replays N`: two tablets send N kept marks over lines that lose a fifth of the
requests and double a fifth, the server killed every 200 marks, for M minutes at most.  `--hostile`: marks beside 200
slow connections for M minutes, then what is larger than every limit.  Ends with status 1 if anything is wrong; what
befalls when follows from the seed, the rest from the machine's own haste.
"""

import argparse
import sys
import tempfile
from pathlib import Path
from time import monotonic

from tests.soaking.hostile import hostile
from tests.soaking.replays import replay
from tests.soaking.run import Soaked, soak


def main() -> int:
    """Soak, and return 0 only if all is well."""
    given = argparse.ArgumentParser(prog="python -m tests.soak", description=(__doc__ or "").split("\n", 1)[0])
    given.add_argument("--minutes", type=float, default=3)
    given.add_argument("--seed", type=int, default=1)
    given.add_argument("--replays", type=int, default=0, metavar="N", help="replay so many kept marks instead")
    given.add_argument("--hostile", action="store_true", help="slow connections and sizes beyond every limit instead")
    given.add_argument("--keep", type=Path, help="a new folder for the history, the records and the server's log")
    asked = given.parse_args()
    begun = monotonic()
    if asked.keep:
        asked.keep.mkdir(parents=True)
    with tempfile.TemporaryDirectory() as folder:
        came = _run(asked, asked.keep or Path(folder))
    print("\n".join(came.told))
    print("".join(f"  WRONG {told}\n" for told in came.wrong[:20]), end="")
    print(f"seed {asked.seed}: {len(came.wrong)} wrong; {monotonic() - begun:.0f} s")
    return 1 if came.wrong else 0


def _run(asked: argparse.Namespace, place: Path) -> Soaked:
    seconds = 60 * asked.minutes
    if asked.replays:
        return replay(place, marks=asked.replays, seconds=seconds, seed=asked.seed)
    if asked.hostile:
        return hostile(place, seconds=seconds)
    return soak(place, seconds=seconds, seed=asked.seed)


if __name__ == "__main__":
    sys.exit(main())
