"""A real site in a folder: people, sessions, one job amid its work, and a photo that an entry names.

`python -m tests.storage.small_site FOLDER` makes one on each engine; so was each file in `tests/storage/frozen` made,
by the program of its day.
"""

import sys
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from itertools import count
from pathlib import Path

from app.domain.commands import Begin, Finish
from app.services.rehearsal import made_up_answers
from tests.engines.server import PostgresServer, binaries, name_in, running
from tests.storage.pictures import png
from tests.web.desk import Desk

JOB = "job-2026-0001"
PHOTO = png(4, 3)


def minutes(after: int = 0) -> Callable[[], datetime]:
    """Return a clock that starts so many minutes after a fixed moment and moves one millisecond at each look."""
    ticks = count()
    return lambda: datetime(2026, 3, 2, 7, 15, tzinfo=UTC) + timedelta(minutes=after, milliseconds=next(ticks))


def make_site(folder: Path, database: str | None = None) -> None:
    """Make the site and close it; a technician is signed in at tablet 3. database: an address, or None for SQLite."""
    desk = Desk.at(folder, minutes(), database=database)
    try:
        job = desk.open_job()
        due = desk.work_until(job, "Tape the raw edge").due
        assert due is not None
        kept = desk.running.site.photos.keep(PHOTO)
        hands = desk.named("technician")
        desk.do(job, Begin(due.id), hands)
        desk.do(job, Finish(due.id, made_up_answers(due) | {"photo": kept.sha256}), hands)
        desk.running.site.sessions.begin(hands, "tablet 3")
    finally:
        desk.running.close()


def dumped(server: PostgresServer, address: str, *options: str) -> str:
    """Return a database as its server's own tool writes it out, without what differs from run to run.

    The rows of a table are sorted: where they lie in its file depends on when the server tidies up.
    """
    kept: list[str] = []
    rows: list[str] | None = None
    for line in server.run("pg_dump", "--no-owner", *options, name_in(address)).split("\n"):
        if rows is not None:
            if line == "\\.":
                kept += [*sorted(rows), line]
                rows = None
            else:
                rows.append(line)
        elif line and not line.startswith(("--", "\\restrict", "\\unrestrict")):
            kept.append(line)
            rows = [] if line.startswith("COPY ") else None
    return "\n".join(kept)


if __name__ == "__main__":
    make_site(Path(sys.argv[1]))
    found = binaries()
    if found is not None:
        with running(programs=found) as one:
            database = one.fresh()
            make_site(Path(sys.argv[1], "with-postgresql"), database)
            Path(sys.argv[1], "postgresql.sql").write_text(dumped(one, database) + "\n", "utf-8")
