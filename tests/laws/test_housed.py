"""Laws of the housing register: one serial number is in one place, whatever entries come, and texts lose nothing."""

from itertools import count

from hypothesis import given
from hypothesis import strategies as st

from app.calc.errors import Invalid
from app.domain.filling import filter_placed, filter_taken_out
from app.domain.housed import Housed, evolve_housed, serial_key
from app.domain.housed_events import Filter, FiltersPlaced, Placed
from app.domain.housing import AccessPort, Housing, Seal, Service, read_housing
from app.domain.housing_text import changed_keys, housing_text
from app.domain.registers import SiteMoment
from app.domain.site import SiteState, evolve_site
from tests.builders import LEAD, START
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


@given(housings())
def test_a_housing_written_as_toml_is_read_as_the_same(housing: Housing) -> None:
    """Every field comes back, and the text of what came back is the same text."""
    text = housing_text(housing)

    assert read_housing(text, name="made up") == housing
    assert housing_text(read_housing(text, name="made up")) == text
    assert changed_keys(housing, housing) == ()
