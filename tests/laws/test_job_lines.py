"""The list of jobs against a plain list that walks over everything: the same answers, at no cost by size."""

import gc
from dataclasses import dataclass, field, replace

from hypothesis import given
from hypothesis import strategies as st

from app.domain.job_lines import JobLine, JobLines

CLOSED_AT = "2026-02-03T00:00:00.000Z"
TAGS = ("EF-01", "EF-02", "EF-03")
ACTS = st.lists(st.tuples(st.sampled_from(["open", "close", "take up"]), st.integers(0, 11), st.integers(2026, 2027)))


@dataclass
class Plain:
    """The same list as anybody would write it down."""

    lines: list[JobLine] = field(default_factory=list)
    in_hand: set[str] = field(default_factory=set)

    def newest_first(self) -> list[JobLine]:
        """Every line, the newest before the others."""
        return self.lines[::-1]


def line_of(place: int, year: int) -> JobLine:
    """Return the line of a job that is opened at this place."""
    number = f"{year}-{place:04d}"
    return JobLine(f"job-{number}", number, TAGS[place % 3], "change_out", f"{year}-01-02T00:00:00.000Z", entry=place)


@given(ACTS)
def test_every_question_is_answered_as_by_a_walk_over_all(acts: list[tuple[str, int, int]]) -> None:
    """After any entries: order, numbers, housings, years and what is in hand are those of the plain list."""
    plain, kept = Plain(), JobLines()
    for act, which, year in acts:
        if act == "open":
            line = line_of(len(plain.lines), year)
            plain.lines.append(line)
            plain.in_hand.add(line.job)
            kept = kept.opened(line)
            continue
        job = plain.lines[which].job if which < len(plain.lines) else "job-unknown"
        if act == "take up":
            kept = kept.taken_up(job)
            plain.in_hand |= {job} & {line.job for line in plain.lines}
            continue
        kept = kept.closed(job, size=7, at=CLOSED_AT)
        plain.in_hand -= {job}
        plain.lines = [
            replace(line, closed=True, closed_at_size=7, closed_at=CLOSED_AT) if line.job == job else line
            for line in plain.lines
        ]

    assert list(kept) == plain.lines
    assert len(kept) == len(plain.lines)
    assert list(kept.in_hand()) == [line for line in plain.newest_first() if line.job in plain.in_hand]
    assert kept.only_in_hand() == (kept.in_hand()[0] if len(plain.in_hand) == 1 else None)
    for tag in TAGS:
        assert list(kept.of_housing(tag)) == [line for line in plain.newest_first() if line.housing == tag]
    for year in (2026, 2027):
        assert kept.opened_in(year) == sum(line.number.startswith(f"{year}-") for line in plain.lines)
    for skip in range(4):
        assert list(kept.newest(3, skip=skip)) == plain.newest_first()[skip : skip + 3]
    for line in plain.lines:
        assert kept.get(line.job) == kept.numbered(line.number) == line
        assert kept.is_in_hand(line.job) == (line.job in plain.in_hand)
    assert kept.get("job-unknown") is kept.numbered("2026-9999") is None


def test_an_earlier_state_is_not_touched_by_later_entries() -> None:
    """Whoever holds the list as it was, holds it as it was."""
    one = JobLines().opened(line_of(0, 2026))
    two = one.opened(line_of(1, 2026)).closed("job-2026-0000", size=3, at=CLOSED_AT)

    assert (len(one), len(two)) == (1, 2)
    assert one.is_in_hand("job-2026-0000")
    assert not two.is_in_hand("job-2026-0000")


def test_an_entry_shares_what_it_does_not_change() -> None:
    """With 20,000 jobs one more makes a few dozen objects, not a copy of the list."""
    kept = JobLines()
    for place in range(20_000):
        kept = kept.opened(line_of(place, 2026)).closed(f"job-2026-{place:04d}", size=1, at=CLOSED_AT)
    gc.collect()
    gc.disable()
    try:
        before = gc.get_count()[0]
        more = kept.opened(line_of(20_000, 2026))
        made = gc.get_count()[0] - before
    finally:
        gc.enable()

    assert len(more) == 20_001
    assert made < 100
