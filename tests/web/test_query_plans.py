"""No statement of everyday work reads through a table that grows with jobs or entries, by SQLite's own query plan."""

import re
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

import pytest
from sqlalchemy import Engine, event, func, select

from app.bootstrap import start
from app.domain.commands import Accept, OpenException, Submit
from app.records.site_trail import AT_ONCE
from app.settings import Settings
from app.storage.durable import DATABASE
from app.storage.tables import ENTRY, HEAD
from tests.web.desk import TOKENS, Clock, Desk

GROWS = ("entry", "head", "request", "photo", "session", "ledger_name")
"""Tables with a row for each job, entry, request, photo or sign-in; `person` has as many as work at the site."""
PAGES = (
    "/", "/?q=service", "/in-hand", "/jobs", "/jobs?find=2026-0001", "/jobs?find=EF-07", "/register",
    "/housings/EF-07", "/housings/EF-07/history", "/due", "/due?q=EF-07", "/planned", "/stock", "/picking", "/waste",
    "/instruments", "/qualifications", "/surveys", "/figures", "/figures/years", "/procedures", "/jobs/{job}/now",
    "/jobs/{job}", "/jobs/{job}/steps/3", "/jobs/{job}/packages", "/jobs/{ended}", "/lessons", "/suggestions",
    "/housings/EF-07/history?until=2026-03-02T08:00:00.000Z/3",
)  # fmt: skip
LEADS_PAGES = ("/trail", "/trail?kind=people")


@dataclass
class Heard:
    """What was sent to the database: statement and values of the first row."""

    said: list[tuple[str, Any]] = field(default_factory=list)

    def hear(self, _c: Any, _cursor: Any, statement: str, values: Any, _context: Any, many: bool) -> None:
        """Take a statement down, as the driver gets it."""
        if re.match(r"\s*(SELECT|INSERT|UPDATE|DELETE|WITH)\b", statement, re.IGNORECASE):
            self.said.append((statement, values[0] if many else values))


@contextmanager
def listening() -> Iterator[Heard]:
    """Hear every statement of every engine, also of one that is opened meanwhile."""
    heard = Heard()
    event.listen(Engine, "before_cursor_execute", heard.hear)
    try:
        yield heard
    finally:
        event.remove(Engine, "before_cursor_execute", heard.hear)


def scans(desk: Desk, heard: Heard) -> list[str]:
    """Return what reads through a table that grows: the statement with the line of its plan."""
    path = desk.running.site.settings.data / DATABASE
    database = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    found = []
    try:
        for statement, values in dict(heard.said).items():
            for *_, line in database.execute(f"EXPLAIN QUERY PLAN {statement}", values):
                if re.match(rf"SCAN ({'|'.join(GROWS)})\b", line):
                    found.append(f"{line}: {statement}")
    finally:
        database.close()
    return found


def whole_ledger(heard: Heard) -> list[str]:
    """Return what reads the site's own ledger from end to end: entries or heads, neither from a place on nor one."""
    return [
        statement
        for statement, values in heard.said
        if re.search(r"FROM (entry|head)\b", statement) and "site" in tuple(values)
        and "LIMIT" not in statement and not _from_a_place(statement, values)
    ]  # fmt: skip


def _from_a_place(statement: str, values: Any) -> bool:
    places = [value for value in tuple(values) if isinstance(value, int)]
    bounded = "seq < " in statement and max(places) - min(places) <= AT_ONCE
    return bounded or ("seq >=" in statement and any(isinstance(value, int) and value > 0 for value in tuple(values)))


def worked(desk: Desk) -> tuple[str, str]:
    """Accept one job, open another up to its first steps; return the open and the accepted one."""
    ended, officer = desk.open_job("EF-07"), desk.named("safety officer")
    state = desk.work_until(ended, "no step has these words")
    desk.do(ended, Submit(), desk.named("lead", 1))
    for item in state.unread:
        desk.do(ended, OpenException(item.seq), officer)
    desk.do(ended, Accept(), officer)
    job = desk.open_job("EF-03")
    desk.work_until(job, "Stop fan")
    return job, ended


def everyday(desk: Desk, job: str, ended: str) -> None:
    """Ask every page, enter a reading, and make a mark."""
    hands = desk.named("technician")
    for page in PAGES:
        address = page.format(job=job, ended=ended)
        assert desk.get(hands, address).status_code == 200, address
    for address in LEADS_PAGES:
        assert desk.get(desk.named("lead"), address).status_code == 200, address
    reading = {"bank": "hepa", "on": "2026-03-01", "drop_pa": str(600 + next(TOKENS) % 300)}
    assert desk.post(hands, "/housings/EF-03/readings", **reading).status_code == 303
    due = desk.running.site.jobs.state(job).due
    assert due is not None
    desk.work_until(job, desk.running.site.jobs.state(job).steps[desk.running.site.jobs.state(job).place + 1].text)
    assert desk.running.site.jobs.state(job).due != due


def test_no_page_and_no_mark_reads_through_a_table_that_grows(desk: Desk, clock: Clock) -> None:
    """Right after a start and once all is in memory; what is in memory is not read again from the first entry."""
    job, ended = worked(desk)
    folder = desk.running.site.settings.data
    desk.running.close()

    with listening() as first:
        again = Desk(start(Settings(data=folder), clock))
        everyday(again, job, ended)
    with listening() as warm:
        everyday(again, job, ended)
    found, later = scans(again, first), scans(again, warm)
    again.running.close()

    tables = {table for said, _ in first.said for table in re.findall(r"(?:FROM|INTO) (\w+)", said)}
    assert {"entry", "head", "request", "person", "session"} <= tables
    assert (found, later) == ([], [])
    assert whole_ledger(first) != []
    assert whole_ledger(warm) == []


@pytest.mark.parametrize("column", [ENTRY.c.leaf, HEAD.c.root])
def test_a_statement_that_reads_through_a_table_is_noticed(desk: Desk, column: Any) -> None:
    """The check is able to fail: a search by what no key holds."""
    store = desk.running.store
    with listening() as heard:
        store.read_rows(select(func.count()).where(column == b"\0"))
        store.read_heads("site")

    assert len(scans(desk, heard)) == 1
    assert len(whole_ledger(heard)) == 1


def test_a_job_that_ended_is_read_for_what_is_shown_of_it_alone(desk: Desk) -> None:
    """Not for a trend, nor for what happened before it was opened; and once, not twice, for its own page."""
    _, ended = worked(desk)
    hands, housing = desk.named("technician"), "/housings/EF-07"

    def times_read(address: str) -> int:
        with listening() as heard:
            assert desk.get(hands, address).status_code == 200, address
        return sum("FROM entry" in said and ended in tuple(values) for said, values in heard.said)

    assert times_read(f"{housing}/hepa/trend.svg") == 0
    assert times_read(f"{housing}/history?until=2026-01-01T00:00:00.000Z/0") == 0
    assert times_read(f"/jobs/{ended}") == 1
    assert times_read(f"{housing}/history") == 0, "it is in memory now"
