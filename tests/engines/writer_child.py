"""A process of several stores, each with an engine of its own, that write to one job of a database at once.

Prints one line for each request that was acknowledged: its token and the entry it led to.
"""

import sys
from collections.abc import Sequence
from pathlib import Path
from random import Random
from threading import Lock, Thread

from app.storage.engine import open_engine
from app.storage.keys import load_site_key
from app.storage.writer import Store
from tests.storage.builders import WAIT_S, tick_clock
from tests.storage.requests import ask_once

JOB = "job-2026-0001"
_PRINTING = Lock()


def tokens_of(writer: int, writers: int, each: int) -> list[str]:
    """Return the requests that a writer sends: its own, and those of its neighbour, which sends them, too."""
    mine = [f"{writer}-{number}" for number in range(each)]
    theirs = [f"{(writer + 1) % writers}-{number}" for number in range(each)]
    both = mine + theirs
    Random(writer).shuffle(both)
    return both


def write(address: str, folder: Path, tokens: Sequence[str]) -> None:
    """Send the requests one after another and tell of each when it was acknowledged."""
    engine = open_engine(folder / "none", address)
    store = Store(engine, load_site_key(folder), tick_clock())
    for token in tokens:
        seq = store.submit(ask_once(token, JOB)).result(WAIT_S * 6)
        with _PRINTING:
            print(token, seq, flush=True)
    store.close()
    engine.dispose()


def main(address: str, folder: str, first: int, stores: int, writers: int, each: int) -> None:
    """Let so many stores write at once, from the writer of this number on."""
    threads = [
        Thread(target=write, args=(address, Path(folder), tokens_of(writer, writers, each)))
        for writer in range(first, first + stores)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], *map(int, sys.argv[3:7]))
