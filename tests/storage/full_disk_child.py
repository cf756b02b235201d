"""A store with its real room kept back on a disk that is really full; run with the folder on that disk.

Prints, as JSON: marks acknowledged, stops acknowledged, and what refused the mark and the stop that found no room.
"""

import json
import sys
from pathlib import Path

from app.storage.ballast import BALLAST_NAME, Ballast
from app.storage.engine import open_engine
from app.storage.faults import DiskFull
from app.storage.tables import create_schema
from app.storage.writer import Store
from tests.ledger.signing import new_signer
from tests.storage.builders import append, done, tick_clock

NOTE = "x" * 30_000
MOST = 2_000


def until_refused(store: Store, *, urgent: bool) -> tuple[int, str]:
    """Write until the disk says no; return how many entries were acknowledged, and the refusal."""
    for number in range(MOST):
        try:
            done(store.submit(append("job-1", note=NOTE), urgent=urgent))
        except DiskFull as no:
            return number, str(no)
    raise AssertionError("the disk never filled")


def main(folder: Path) -> None:
    """Fill the disk with marks, then with stops."""
    engine = open_engine(folder / "changeout.sqlite")
    create_schema(engine)
    ballast = Ballast(folder / BALLAST_NAME)
    assert ballast.lay()
    store = Store(engine, new_signer(), tick_clock(), ballast=ballast)
    marks, mark_refused = until_refused(store, urgent=False)
    stops, stop_refused = until_refused(store, urgent=True)
    told = {"marks": marks, "mark": mark_refused, "stops": stops, "stop": stop_refused}
    told["stored"] = len(store.read_payloads("job-1"))
    store.close()
    engine.dispose()
    print(json.dumps(told))


if __name__ == "__main__":
    main(Path(sys.argv[1]))
