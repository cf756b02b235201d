"""The story of a housing a part at a time: the parts are the whole, and a job is read only for what is shown of it."""

from dataclasses import replace
from datetime import date, timedelta

from hypothesis import given
from hypothesis import strategies as st

from app.domain.job import JobState, Stamp
from app.domain.job_lines import JobLine, JobLines
from app.records.drops import Known
from app.records.housing_story import Happening, story, story_part
from tests.builders import LEAD
from tests.records.told import Told, resistance, step

FIRST = date(2026, 1, 1)
JOBS = st.lists(st.tuples(st.integers(0, 60), st.lists(st.integers(0, 40), max_size=6), st.booleans()), max_size=7)
READ = st.lists(st.integers(0, 90), max_size=8)


def day(number: int) -> str:
    """Return an instant on a day."""
    return f"{FIRST + timedelta(days=number)}T10:00:00.000Z"


def told_site(jobs: list[tuple[int, list[int], bool]], read: list[int]) -> Known:
    """Return a housing with these jobs: day of opening, days later of each mark, and whether it was accepted then."""
    told, lines = Told(), JobLines()
    for number in read:
        told.read(str(FIRST + timedelta(days=number)), "600")
    for opened, marks, accepted in sorted(jobs):
        job = told.job([step(f"read {place}") for place in range(len(marks))], at=day(opened))
        for place, later in enumerate(sorted(marks)):
            job.done(f"read {place}", day(opened + later), resistance("300", "301"))
        line, state = told.jobs[-1]
        lines = lines.opened(line)
        if accepted:
            at = day(opened + max(marks, default=0))
            lines = lines.closed(line.job, size=state.size, at=at)
            told.jobs[-1] = line, replace(state, accepted=Stamp(seq=state.size, at=at, by=LEAD))
    told.jobs = [(found, state) for line, state in told.jobs if (found := lines.get(line.job)) is not None]
    return replace(told.known, site=replace(told.known.site, jobs=lines))


def in_parts(known: Known, count: int) -> tuple[list[Happening], list[list[str]]]:
    """Return all parts one after the other, and which jobs each of them asked for."""
    states = {line.job: state for line, state in known.jobs}
    found, asked, until = list[Happening](), list[list[str]](), ""
    while not asked or until:
        asked.append([])

        def state_of(line: JobLine) -> JobState:
            asked[-1].append(line.job)
            return states[line.job]

        part = story_part(replace(known, jobs=()), state_of, until=until, count=count)
        assert len(asked) < 100, "the parts come to no end"
        found += part.items
        until = part.older
    return found, asked


@given(JOBS, READ, st.integers(1, 9))
def test_the_parts_one_after_the_other_are_the_whole_story(
    jobs: list[tuple[int, list[int], bool]], read: list[int], count: int
) -> None:
    """Nothing is left out, told twice or out of order, whatever overlaps and whatever falls on one moment."""
    known = told_site(jobs, read)

    found, _ = in_parts(known, count)

    assert sorted(map(repr, found)) == sorted(map(repr, story(known)))
    assert [item.moment for item in found] == [item.moment for item in story(known)]


def test_a_part_asks_for_no_job_but_those_that_it_shows() -> None:
    """Of ten jobs in turn the first part reads the newest two, whose things fill it, and no later part reads all."""
    known = told_site([(number * 6, [1, 2, 3], True) for number in range(10)], [])

    _, asked = in_parts(known, 8)

    assert asked[0] == ["job-2026-0010", "job-2026-0009"]
    assert max(map(len, asked)) <= 3


def test_what_is_no_place_in_the_story_begins_with_the_newest() -> None:
    """An address that somebody typed is no reason to fail."""
    known = told_site([(1, [1], True)], [3])

    for until in ("x", "2026-01-03/", "/x", "2026/²", "2026/" + "9" * 40):
        part = story_part(known, lambda line: dict(known.jobs)[line], until=until, count=5)
        assert part.items == story(known)
