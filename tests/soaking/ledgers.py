"""The ledgers of a site as its database file holds them, read beside the server by connections that cannot write."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

from app.domain.events import event_from_bytes
from app.domain.job import JobState, fold
from app.domain.site import SITE_LEDGER
from app.storage.durable import DATABASE
from tests.soaking.history import Entry


class OutOfReachError(Exception):
    """The file is not there or cannot be read just now."""


@dataclass
class Ledgers:
    """What stands in a data folder; the state of a job is folded on from where it was read last."""

    data: Path
    read: dict[str, tuple[list[bytes], JobState]] = field(default_factory=dict)

    @contextmanager
    def _opened(self) -> Iterator[sqlite3.Connection]:
        try:
            with closing(sqlite3.connect(f"file:{self.data / DATABASE}?mode=ro", uri=True, timeout=5)) as connection:
                yield connection
        except sqlite3.Error as error:
            raise OutOfReachError(str(error)) from error

    def state(self, job: str) -> JobState:
        """Return the committed state of a job."""
        rows = self.payloads(job)
        before, state = self.read.get(job, ([], JobState()))
        if rows[: len(before)] != before:
            before, state = [], JobState()
        state = fold([event_from_bytes(row) for row in rows[len(before) :]], start=state)
        self.read[job] = rows, state
        return state

    def payloads(self, ledger: str) -> list[bytes]:
        """Return the entries of a ledger."""
        with self._opened() as connection:
            rows = connection.execute("SELECT payload FROM entry WHERE ledger = ? ORDER BY seq", (ledger,))
            return [bytes(row[0]) for row in rows]

    def jobs(self) -> list[str]:
        """Return the ledgers of all jobs."""
        with self._opened() as connection:
            rows = connection.execute("SELECT DISTINCT ledger FROM entry WHERE ledger <> ?", (SITE_LEDGER,))
            return sorted(str(row[0]) for row in rows)

    def job_of(self, token: str) -> str:
        """Return the job that a request led to; empty if it led to none."""
        with self._opened() as connection:
            found = connection.execute("SELECT ledger FROM request WHERE token = ?", (token,)).fetchone()
            return str(found[0]) if found else ""

    def entries(self) -> list[Entry]:
        """Return every entry of every job; the first of each stands for the request that opened the job."""
        with self._opened() as connection:
            rows = connection.execute("SELECT ledger, token FROM request WHERE seq = 0").fetchall()
        opened_by = {str(ledger): str(token) for ledger, token in rows}
        return [
            replace(entry, token=entry.token or opened_by.get(job, "")) if entry.seq == 0 else entry
            for job in self.jobs()
            for entry in (Entry.of(event_from_bytes(row)) for row in self.payloads(job))
        ]

    def tokens(self) -> set[str]:
        """Return the requests that entries stand for."""
        return {entry.token for entry in self.entries()}
