"""The long comparison of the two engines: `python -m tests.engines --histories 10000 [--processes 2] [--seed WORD]`.

Ends with status 0 only if every answer, every byte of every ledger and every record compared are the same, and if a
side that was given another key was told as unequal.
"""

import argparse
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

from tests.engines.histories import both_sides, compare, part, same_signer
from tests.engines.server import MISSING, binaries, running
from tests.faulting.told import Notice


def main() -> int:
    """Run the histories in some processes, each with databases of its own on one server, and print what came of it."""
    parser = argparse.ArgumentParser(prog="python -m tests.engines")
    parser.add_argument("--histories", type=int, default=400)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--seed", default="engines")
    parser.add_argument("--record-every", type=int, default=10, help="of how many histories one is exported, too")
    options = parser.parse_args()
    programs = binaries()
    if programs is None:
        print(MISSING, file=sys.stderr)
        return 2
    begun = time.monotonic()
    each = -(-options.histories // options.processes)
    with running(programs=programs) as server, ProcessPoolExecutor(options.processes, get_context("spawn")) as pool:
        running_parts = [
            pool.submit(part, server.fresh(), each, f"{options.seed}-{number}", options.record_every)
            for number in range(options.processes)
        ]
        told = [one.result() for one in running_parts]
        seeded = with_another_key(server.fresh())
    for one in told:
        print(f"digest over all ledgers {one.digest}")
        print(*one.unequal, sep="\n", end="")
    print(
        f"{sum(one.histories for one in told)} histories, {sum(one.commands for one in told)} commands "
        f"({sum(one.refused for one in told)} refused, {sum(one.repeated for one in told)} repeated), "
        f"{sum(one.entries for one in told)} entries, {sum(one.accepted for one in told)} jobs accepted, "
        f"{sum(one.records for one in told)} records compared; {sum(len(one.unequal) for one in told)} unequal; "
        f"{time.monotonic() - begun:.0f} s."
    )
    print(seeded.line)
    return 1 if any(one.unequal for one in told) or not seeded.sentence else 0


def with_another_key(database: str) -> Notice:
    """Run a few histories with another key on one side, which must come out unequal."""
    with tempfile.TemporaryDirectory() as folder, both_sides(Path(folder), database) as sides:
        sides[1].close()
        sides[1].signer = same_signer(7)
        sides[1].open()
        told = compare(sides, 4, "seeded", say=lambda _: None)
    return Notice("another key on one side", f"{len(told.unequal)} unequal" if told.unequal else "")


if __name__ == "__main__":
    sys.exit(main())
