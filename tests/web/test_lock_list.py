"""The locks of a housing by year: who put which on which point, when, when it came off; a page and a table."""

import csv
import html
import io
import re

from app.domain.event_base import Who
from app.domain.locks import PutOwnLockOn, TakeOwnLockOff
from app.records.locks import LOCK_COLUMNS, on_in
from tests.web.desk import Clock, Desk


def table(desk: Desk, who: Who, tag: str, year: int) -> list[list[str]]:
    """Return the rows of the table of a year, without its head."""
    answer = desk.get(who, f"/housings/{tag}/locks.csv?year={year}")
    assert answer.headers["content-type"].startswith("text/csv")
    head, *rows = csv.reader(io.StringIO(answer.content.decode("utf-8-sig")))
    assert tuple(head) == LOCK_COLUMNS
    return rows


def test_the_locks_of_a_year_stand_on_a_page_and_in_a_table(desk: Desk, clock: Clock) -> None:
    """Points and own locks, those still on in every year since, none of another housing, and none before or to come."""
    hands, eyes = desk.named("technician"), desk.named("technician", 1)
    job, other = desk.open_job(), desk.open_job("EF-07")
    desk.do(job, PutOwnLockOn("C-7"), eyes)
    desk.work_until(job, "Pause with the crew before the")
    desk.do(other, PutOwnLockOn("C-8"), hands)
    clock.now = clock.now.replace(year=2027)
    desk.clients.clear()
    desk.do(job, TakeOwnLockOff("C-7"), eyes)

    then, now = table(desk, hands, "EF-03", 2026), table(desk, hands, "EF-03", 2027)
    page = html.unescape(re.sub(r"<[^>]*>", " ", desk.get(hands, "/housings/EF-03/locks?year=2026").text))

    own = [row for row in then if row[1] == "own lock"]
    assert [(row[0], row[3], row[5], row[6][:10], row[7], row[8][:10]) for row in own] == [
        ("2026-0001", "C-7", eyes.name, "2026-03-02", eyes.name, "2027-03-02")
    ]
    points = [row for row in then if row[1] != "own lock"]
    assert [row[1] for row in points] == ["D-301", "D-302", "F-31"]
    assert {row[8] for row in points} == {"still on"}
    assert all(row[4] and row[5] == hands.name and row[6].startswith("2026-03-02") for row in points)
    assert now == then
    assert "C-8" not in str(then)
    assert [table(desk, hands, "EF-03", year) for year in (2025, 2028)] == [[], []]
    for words in ("Locks of EF-03, 2026", "D-301", "own lock", eyes.name, "2027"):
        assert words in page, words
    assert "No lock was on EF-03 in 2025" in desk.get(hands, "/housings/EF-03/locks?year=2025").text
    assert desk.get(hands, "/housings/EF-99/locks").status_code == 422


def test_a_lock_that_came_off_is_in_no_later_year() -> None:
    """From the year in which it went on to the one in which it came off, both included."""
    row = ("2026-0001", "own lock", "", "C-7", "", "E", "2025-12-31 23:59:59 +00:00", "E", "2026-01-01 00:00:00 +00:00")

    assert [year for year in range(2020, 2030) if on_in(row, year)] == [2025, 2026]
    assert [year for year in range(2020, 2030) if on_in((*row[:8], "still on"), year)] == [2025, 2026, 2027, 2028, 2029]


def test_no_cell_of_the_table_runs_and_nothing_unseen_is_told(desk: Desk) -> None:
    """A number that begins like a formula is guarded; lock numbers to be verified unseen are not in the table yet."""
    hands, job = desk.named("technician"), desk.open_job()
    desk.do(job, PutOwnLockOn("=1+1"), hands)
    state = desk.work_until(job, "Verify that fan")
    number = state.locks.points[0].lock

    before = table(desk, hands, "EF-03", 2026)
    desk.work_until(job, "Pause with the crew before the")
    after = table(desk, hands, "EF-03", 2026)

    assert "'=1+1" in [row[3] for row in before]
    assert all(not cell.startswith(("=", "+", "@")) for row in before for cell in row)
    assert number not in [row[3] for row in before]
    assert number in [row[3] for row in after]
