"""Laws of the housing register: one serial number is in one place, whatever entries come, and texts lose nothing."""

from contextlib import suppress
from functools import lru_cache
from itertools import count

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.calc.errors import Invalid
from app.domain import filling
from app.domain.filling import Moved, filter_placed, filter_taken_out, placed_by_job
from app.domain.housed import Housed, evolve_housed, serial_key, serial_point
from app.domain.housed_events import Filter, FiltersPlaced, Placed
from app.domain.housing import AccessPort, Housing, Seal, Service, read_housing
from app.domain.housing_text import changed_keys, housing_text
from app.domain.job import JobState
from app.domain.registers import SiteMoment
from app.domain.site import SiteState, evolve_site
from tests.builders import LEAD, START, opened
from tests.laws.made_housings import housings

AT = "2026-03-02T07:00:00.000Z"
SERIALS = st.sampled_from(("A1", "a 1", "B2", "C3", "D4"))
SPOTS = st.tuples(st.sampled_from(("EF-1", "EF-2", "EF-3")), st.sampled_from(("P1", "P2")), st.integers(1, 2))
PLACED = st.builds(
    lambda spot, serial: Placed(
        housing=spot[0], port=spot[1], position=spot[2], since=AT, filter=serial and Filter(serial=serial)
    ),
    SPOTS,
    st.none() | SERIALS,
)


def twice(register: Housed) -> list[str]:
    """Return every serial number that stands in more than one place."""
    found = [
        serial_key(now.filter.serial) for spots in register.places.values() for now in spots.values() if now.filter
    ]
    return [serial for serial in found if found.count(serial) > 1]


def placed_index(register: Housed) -> dict[str, tuple[str, tuple[str, int]]]:
    """Return where each serial number stands, looked up position by position."""
    return {
        serial_key(now.filter.serial): (housing, spot)
        for housing, spots in register.places.items()
        for spot, now in spots.items()
        if now.filter
    }


@given(st.lists(st.lists(PLACED, min_size=1, max_size=5).map(tuple), max_size=8))
def test_the_past_of_a_housing_holds_each_entry_that_names_it_once_and_in_order(
    entries: list[tuple[Placed, ...]],
) -> None:
    """Against a walk over all entries."""
    register = Housed()
    for seq, places in enumerate(entries):
        event = FiltersPlaced(seq=seq, at=AT, by=LEAD, how="desk", places=places, why="as seen")
        register = evolve_housed(register, event)

    for tag in ("EF-1", "EF-2", "EF-3"):
        named = [seq for seq, places in enumerate(entries) if tag in {place.housing for place in places}]
        past = register.past.get(tag, ())
        assert [item.entry for item in past] == named
        assert [len(item.told) for item in past] == [
            sum(place.housing == tag for place in entries[seq]) for seq in named
        ]


@given(st.lists(st.lists(PLACED, min_size=1, max_size=5).map(tuple), max_size=8))
def test_no_serial_number_is_in_two_places_whatever_entries_say(entries: list[tuple[Placed, ...]]) -> None:
    """Also entries that no rule would let through leave each number in one place, and there it is found."""
    register = Housed()
    for seq, places in enumerate(entries):
        register = evolve_housed(
            register, FiltersPlaced(seq=seq, at=AT, by=LEAD, how="desk", places=places, why="as seen")
        )
        assert twice(register) == []
        assert placed_index(register) == dict(register.serials)
        named = [serial_key(place.filter.serial) for place in places if place.filter]
        spots = [(place.housing, place.port, place.position) for place in places]
        for place, spot in zip(places, spots, strict=True):
            if spots.count(spot) == 1 and (place.filter is None or named.count(serial_key(place.filter.serial)) == 1):
                now = register.at(*spot)
                assert now is not None
                assert now.filter == place.filter


HOUSE = {
    tag: Housing(
        tag=tag, location="roof", service=Service.GENERAL, seal=Seal.GEL, upstream_damper="U", downstream_damper="D",
        ports=tuple(AccessPort(id=port, filters=2, filter="any") for port in ("P1", "P2")),
    )
    for tag in ("EF-1", "EF-2", "EF-3")
}  # fmt: skip


@given(st.lists(st.tuples(SPOTS, st.none() | SERIALS), max_size=14))
def test_the_desk_never_moves_a_filter_that_stands_elsewhere(
    asked: list[tuple[tuple[str, str, int], str | None]],
) -> None:
    """What is accepted changes its own position and nothing else; what would empty another is refused."""
    state, seqs = SiteState(), count()
    for (tag, port, position), serial in asked:
        moment = SiteMoment(seq=next(seqs), at=AT, today=START.date(), by=LEAD)
        before = placed_index(state.housed)
        try:
            event = (
                filter_taken_out(state, moment, tag, port=port, position=str(position), why="gone")
                if serial is None
                else filter_placed(
                    state, moment, HOUSE[tag], port=port, position=str(position), typed={"serial": serial}, why="seen"
                )
            )
        except Invalid:
            continue
        state = evolve_site(state, event)
        after = placed_index(state.housed)
        here = (tag, (port, position))
        assert {key: where for key, where in before.items() if where != here} == {
            key: where for key, where in after.items() if where != here
        }
        assert twice(state.housed) == []


MOVES = st.lists(
    st.tuples(st.sampled_from(("P1", "P2")), st.integers(1, 2), st.none() | SERIALS, st.integers(0, 9)),
    min_size=1, max_size=4, unique_by=lambda move: move[:2],
)  # fmt: skip
"""What a job did last to each position: port, position, the number slid in or none, and at which hour."""
TURNS = st.lists(st.tuples(st.sampled_from(sorted(HOUSE)), MOVES | SERIALS), max_size=8)


@lru_cache
def job_on(tag: str, number: int) -> JobState:
    """Return a job on a housing, of which nothing but its first entry is asked."""
    first = opened().state.opened
    assert first is not None
    return JobState(opened=first.model_copy(update={"housing": HOUSE[tag], "ledger": f"job-{number}"}))


@given(TURNS)
def test_any_order_of_jobs_and_desk_entries_leaves_each_number_in_one_place(
    turns: list[tuple[str, list[tuple[str, int, str | None, int]] | str]],
) -> None:
    """What a job cannot bring in is flagged, accepted again it brings nothing new, and no number stands twice."""
    state = SiteState()
    for turn, (tag, done) in enumerate(turns):
        moment = SiteMoment(seq=state.size, at=f"2026-03-{turn + 2:02}T12:00:00.000Z", today=START.date(), by=LEAD)
        if isinstance(done, str):
            with suppress(Invalid):
                typed = {"serial": done}
                event = filter_placed(state, moment, HOUSE[tag], port="P1", position="1", typed=typed, why="seen")
                state = evolve_site(state, event)
            continue
        job = job_on(tag, turn)
        moves = tuple(
            Moved(
                port, position, f"2026-03-{turn + 1:02}T{hour:02}:00:00.000Z", Filter(serial=serial) if serial else None
            )
            for port, position, serial, hour in done
        )
        with pytest.MonkeyPatch.context() as patched:
            patched.setattr(filling, "moved_by", lambda *_, moves=moves: moves)
            placed = placed_by_job(state.housed, job, seq=state.size, at=moment.at, by=LEAD, zone="UTC")
            state = evolve_site(state, placed) if placed else state
            again = placed_by_job(state.housed, job, seq=state.size, at=moment.at, by=LEAD, zone="UTC")
        assert again is None
        assert twice(state.housed) == []
        flagged = {(item.point, item.found) for item in state.housed.open_at(tag)}
        for move in moves:
            now = state.housed.at(tag, move.port, move.position)
            there = now.filter.serial if now and now.filter else None
            read = move.filter.serial if move.filter else None
            assert (
                (there is None and read is None)
                or (there is not None and read is not None and serial_key(there) == serial_key(read))
                or (serial_point(move.port, move.position), read or "taken out") in flagged
            )


@given(housings())
def test_a_housing_written_as_toml_is_read_as_the_same(housing: Housing) -> None:
    """Every field comes back, and the text of what came back is the same text."""
    text = housing_text(housing)

    assert read_housing(text, name="made up") == housing
    assert housing_text(read_housing(text, name="made up")) == text
    assert changed_keys(housing, housing) == ()
