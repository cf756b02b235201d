"""The site's trail in pages: together they are the whole trail, each entry once, and none reads the whole ledger."""

from collections.abc import Sequence
from itertools import cycle, islice

from hypothesis import given
from hypothesis import strategies as st

from app.domain.site import InstrumentPutAside, JobRegistered, SiteEvent
from app.domain.watch import Watch
from app.records.site_trail import AT_ONCE, MOST_LINES, MOST_LOOKED_AT, site_trail, trail_page
from tests.builders import LEAD

AT = "2026-03-02T08:00:00.000Z"


def ledger(kinds: Sequence[bool]) -> list[SiteEvent]:
    """Return a ledger with a job registered where told, and an instrument put aside elsewhere."""
    return [
        JobRegistered(
            seq=n, at=AT, job=f"job-{n}", number=f"2026-{n}", housing="EF-03", kind="change-out", root="ab" * 32
        )
        if job
        else InstrumentPutAside(seq=n, at=AT, by=LEAD, instrument="P-1", reason="it was dropped")
        for n, job in enumerate(kinds)
    ]


def walked(events: list[SiteEvent], kind: str) -> tuple[list[int], list[int], int]:
    """Return the places told page after page, the length of each page, and the most that one page has read."""
    told, lengths, most, before = [], [], 0, len(events)
    while before:
        read: list[int] = []

        def some(since: int, until: int, read: list[int] = read) -> list[SiteEvent]:
            read.append(until - since)
            return events[since:until]

        lines, before = trail_page(some, "UTC", Watch(), before=before, kind=kind)
        told += [line.seq for line in lines]
        lengths.append(len(lines))
        most = max(most, sum(read))
    return told, lengths, most


@given(
    st.integers(0, 700), st.lists(st.booleans(), min_size=1, max_size=9),
    st.sampled_from(["", "jobs", "registers", "waste"]),
)  # fmt: skip
def test_the_pages_together_are_the_trail(size: int, kinds: list[bool], kind: str) -> None:
    """Whatever kinds of entries follow each other, over and over, and whichever is asked for."""
    events = ledger(list(islice(cycle(kinds), size)))
    whole = [line.seq for line in site_trail(events, "UTC", Watch()) if kind in ("", line.kind)]

    told, lengths, _ = walked(events, kind)

    assert told == whole[::-1]
    assert all(length == MOST_LINES for length in lengths[:-1])


def test_a_page_reads_no_more_than_it_must() -> None:
    """In a long ledger: a full page a few hundred entries, one of a rare kind at most its bound."""
    events = ledger([n == 0 for n in range(2 * MOST_LOOKED_AT + 17)])

    _, lengths, everything = walked(events, "")
    rare, found, most = walked(events, "jobs")

    assert max(lengths) == MOST_LINES
    assert everything <= AT_ONCE
    assert (rare, found) == ([0], [0, 0, 1])
    assert most == MOST_LOOKED_AT
