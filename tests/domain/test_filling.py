"""Filters in place: what the desk may enter, and what an accepted job takes over."""

import re
from dataclasses import replace
from datetime import date

import pytest

from app.calc.errors import Invalid
from app.domain.filling import filter_placed, filter_taken_out, moved_by, placed_by_job
from app.domain.housed import Housed, evolve_housed
from app.domain.housed_events import Filter, FiltersPlaced, Placed
from app.domain.registers import SiteMoment
from app.domain.site import SiteState, evolve_site
from app.domain.store import FilterTaken, Store, evolve_store
from app.domain.storing import lot_corrected, lot_counted, lot_received
from tests.builders import LEAD, START, Bench, housing, opened

AT = "2026-03-02T07:00:00.000Z"
LATER = "2026-03-09T07:00:00.000Z"
MOMENT = SiteMoment(seq=0, at=AT, today=START.date(), by=LEAD)


def placed(*where: tuple[str, str, int, str], since: str = AT, job: str | None = None) -> Housed:
    """Return a register with these filters in place."""
    places = tuple(
        Placed(housing=tag, port=port, position=position, since=since, filter=Filter(serial=serial))
        for tag, port, position, serial in where
    )
    event = FiltersPlaced(seq=0, at=since, by=LEAD, how="desk", places=places, why="as seen", job=job)
    return evolve_housed(Housed(), event)


def entered(register: Housed, **typed: str) -> FiltersPlaced:
    """Enter a filter at position 1 of EF-03."""
    return placing(SiteState(housed=register), **typed)


def placing(state: SiteState, **typed: str) -> FiltersPlaced:
    """Enter it over a whole site."""
    whole = {"serial": "N-1", "made": "2025-05-01", "installed": "2026-03-01", "report": "TR 7"} | typed
    return filter_placed(
        state, MOMENT, housing(), port="P1", position=typed.get("position", "1"), typed=whole,
        why="read at the door",
    )  # fmt: skip


def test_a_filter_is_entered_with_its_dates_and_report() -> None:
    """All that was typed stands in the entry, and who made it."""
    event = entered(Housed())

    assert event.places == (
        Placed(
            housing="EF-03", port="P1", position=1, since=AT,
            filter=Filter(serial="N-1", made=date(2025, 5, 1), report="TR 7", installed=date(2026, 3, 1)),
        ),
    )  # fmt: skip
    assert (event.how, event.why, event.by) == ("desk", "read at the door", LEAD)


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        ({"serial": "  "}, "Serial number: nothing was given"),
        ({"serial": "x" * 61}, "61 characters were given; 60 is the most"),
        ({"made": "soon"}, "Maker's date: 'soon' is not a date"),
        ({"made": "2026-03-03"}, "does not lie between 1950-01-01 and today, 2026-03-02"),
        ({"made": "1949-12-31"}, "does not lie between 1950-01-01"),
        ({"installed": "2025-04-30"}, "lies before 2025-05-01, the day on which N-1 was made"),
        ({"report": "x" * 81}, "81 characters were given; 80 is the most"),
        ({"position": "3"}, "Port P1 has no position '3'; give 1 to 2"),
        ({"position": "one"}, "has no position 'one'"),
    ],
)
def test_bad_text_is_refused_with_a_sentence(typed: dict[str, str], told: str) -> None:
    """Each names what was given and what to do."""
    with pytest.raises(Invalid, match=re.escape(told)):
        entered(Housed(), **typed)


def test_a_serial_number_elsewhere_is_refused_however_it_is_written() -> None:
    """The sentence names the place; a repetition is refused too, and another serial at the place is not."""
    there = placed(("EF-07", "P1", 1, "n 1"))
    with pytest.raises(Invalid, match="Filter N-1 is in place at EF-07, P1 position 1, and no filter is in two places"):
        entered(placed(("EF-07", "P1", 1, "n-1")))
    assert entered(there).places[0].filter is not None  # a space is no hyphen

    state = evolve_site(SiteState(), entered(Housed()))
    with pytest.raises(Invalid, match="stands at P1 position 1 just so"):
        entered(state.housed)
    assert entered(state.housed, serial="N-2").places[0].filter == Filter(
        serial="N-2", made=date(2025, 5, 1), report="TR 7", installed=date(2026, 3, 1)
    )


def test_a_filter_is_in_place_or_in_the_store_room_and_never_in_both() -> None:
    """Neither is received what the register has in place, nor placed what is left in the store room."""
    lot = {"id": "F-1", "kind": "filter", "what": "24x24x11.5 gasket", "made": "2025-05-01"}
    in_place = placed(("EF-07", "P1", 1, "N 1"))
    with pytest.raises(Invalid, match="The filter n 1 is in place at EF-07, P1 position 1, by the register"):
        lot_received(Store(), MOMENT, lot | {"serial": "n 1"}, housed=in_place)
    other = evolve_store(Store(), lot_received(Store(), MOMENT, lot | {"serial": "N-2"}, housed=in_place))
    with pytest.raises(Invalid, match="is in place at EF-07"):
        lot_corrected(other, MOMENT, lot="F-1", typed={"serial": "N 1"}, reason="read again", housed=in_place)
    moved = lot_corrected(other, MOMENT, lot="F-1", typed={"place": "rack 2"}, reason="moved", housed=in_place)
    assert moved.now.place == "rack 2"

    state = SiteState(store=other)
    with pytest.raises(Invalid, match="Filter N-2 is in the store room as lot F-1, and no filter is in two places"):
        placing(state, serial="N-2")
    assert placing(state).places[0].filter is not None
    emptied = evolve_store(other, lot_counted(other, MOMENT, lot="F-1", now="0", reason="it went to EF-03"))
    assert placing(SiteState(store=emptied), serial="N-2").places[0].filter is not None


def test_only_what_is_there_is_taken_out() -> None:
    """The position is empty after it; a second time is refused."""
    state = SiteState(housed=placed(("EF-03", "P1", 2, "N-2")))
    event = filter_taken_out(state, MOMENT, "EF-03", port="P1", position="2", why="drawn for a test")
    after = evolve_site(state, event)

    now = after.housed.at("EF-03", "P1", 2)
    assert now is not None
    assert now.filter is None
    assert after.housed.where("N-2") is None
    with pytest.raises(Invalid, match="has no filter at P1 position 2 of EF-03"):
        filter_taken_out(after, MOMENT, "EF-03", port="P1", position="2", why="again")


@pytest.fixture(scope="module")
def done() -> Bench:
    """A job on EF-03 with all its steps done: two filters out, two in."""
    bench = opened()
    while bench.state.due is not None:
        due = bench.state.due
        if due.computes == "filter_age":
            bench.answer({"serial": f"NEW {due.position}", "made": f"2025-0{due.position}-01"})
        else:
            for command, by in bench.due_commands():
                bench.do(command, by)
    return bench


def taken_over(register: Housed, bench: Bench, store: Store | None = None) -> FiltersPlaced | None:
    """Return what the register takes over from a job that is accepted now."""
    return placed_by_job(
        register, bench.state, seq=9, at=LATER, by=LEAD, zone="UTC", store=store if store is not None else Store()
    )


def test_the_makers_test_report_goes_with_the_filter_into_its_place(done: Bench) -> None:
    """Number, day and efficiency, as held at receipt; of a filter that came without one nothing is told."""
    lot = {"id": "F-1", "kind": "filter", "what": "24x24x11.5 gasket", "made": "2025-05-01", "serial": "new 1",
           "report": "TR 7", "tested_on": "2025-05-20", "efficiency": "99.97 %"}  # fmt: skip
    store = evolve_store(Store(), lot_received(Store(), MOMENT, lot))
    went = FilterTaken(seq=1, at=AT, job=done.ledger, step="in-1/serial", entry=1, lot="F-1")
    event = taken_over(Housed(), done, evolve_store(store, went))
    assert event is not None

    reports = {place.filter.serial: place.filter.report for place in event.places if place.filter}
    assert reports == {"NEW 1": "TR 7 of 2025-05-20, 99.97 %", "NEW 2": None}
    (told,) = (item.told for item in evolve_housed(Housed(), placed_at_the_desk(reports["NEW 1"])).past["EF-03"])
    assert told == ("P1 position 1: NEW 1, test report TR 7 of 2025-05-20, 99.97 %",)


def placed_at_the_desk(report: str | None) -> FiltersPlaced:
    """Return an entry of the desk with a filter that has this report."""
    found = Filter(serial="NEW 1", report=report)
    places = (Placed(housing="EF-03", port="P1", position=1, since=AT, filter=found),)
    return FiltersPlaced(seq=1, at=AT, how="desk", places=places, why="read")


def test_what_lies_in_the_store_room_meanwhile_is_flagged_and_not_in_place(done: Bench) -> None:
    """Received while the job went on: the record stands, the position has no known filter, a lead answers."""
    lot = {"id": "F-1", "kind": "filter", "what": "24x24x11.5 gasket", "made": "2025-05-01", "serial": "new 1"}
    store = evolve_store(Store(), lot_received(Store(), MOMENT, lot))
    event = taken_over(Housed(), done, store)
    assert event is not None

    assert [place.filter.serial for place in event.places if place.filter] == ["NEW 2"]
    assert [doubt.sentence for doubt in event.doubts or ()] == [
        "The accepted job has NEW 1 at P1 position 1, and the store room has it as lot F-1"
    ]
    gone = evolve_store(store, lot_counted(store, MOMENT, lot="F-1", now="0", reason="it went to EF-03"))
    assert taken_over(Housed(), done, gone) == taken_over(Housed(), done)


def test_what_a_job_slid_in_is_in_place_and_what_was_there_is_not(done: Bench) -> None:
    """Serial numbers, makers' dates and the day come from the steps; nothing is left to take over a second time."""
    before = placed(("EF-03", "P1", 1, "OLD 1"), ("EF-03", "P1", 2, "OLD 2"), since="2020-01-01T00:00:00.000Z")
    event = taken_over(before, done)
    assert event is not None
    after = evolve_housed(before, event)

    for position in (1, 2):
        now = after.at("EF-03", "P1", position)
        assert now is not None
        assert now.filter == Filter(serial=f"NEW {position}", made=date(2025, position, 1), installed=date(2026, 3, 2))
        assert now.job == done.ledger
    assert after.where("OLD 1") is None
    assert event.doubts is None
    assert taken_over(after, done) is None


def test_a_rehearsal_moves_nothing(done: Bench) -> None:
    """Its filters are made up."""
    assert done.state.opened is not None
    rehearsed = done.state.opened.model_copy(update={"rehearsal": True})
    bench = Bench(state=replace(done.state, opened=rehearsed))

    assert taken_over(Housed(), bench) is None


def test_a_number_that_stands_elsewhere_is_flagged_and_not_taken_over(done: Bench) -> None:
    """The other housing keeps it, the position is not known, and a lead finds the difference."""
    before = placed(("EF-07", "P1", 1, "new 2"), since="2020-01-01T00:00:00.000Z")
    event = taken_over(before, done)
    assert event is not None
    assert event.doubts is not None
    after = evolve_housed(before, event)

    assert after.where("NEW 2") == ("EF-07", ("P1", 1))
    assert after.where("NEW 1") == ("EF-03", ("P1", 1))
    (open_one,) = after.open_at("EF-03")
    assert "the register has it at EF-07, P1 position 1" in open_one.sentence
    again = taken_over(after, done)
    assert again is None or again.doubts is None


def test_one_number_read_for_two_positions_is_flagged(done: Bench) -> None:
    """The first position has it, the second is not known."""
    bench = opened()
    while bench.state.due is not None:
        if bench.state.due.computes == "filter_age":
            bench.answer({"serial": "SAME"})
        else:
            for command, by in bench.due_commands():
                bench.do(command, by)
    event = taken_over(Housed(), bench)
    assert event is not None
    after = evolve_housed(Housed(), event)

    assert [item.sentence for item in after.open_at("EF-03")] == [
        "The accepted job has SAME at P1 position 1, and this job read the same number for another position"
    ]
    assert len(after.serials) == 1


def test_what_was_entered_after_the_work_stands_and_the_difference_is_flagged(done: Bench) -> None:
    """A record that is accepted late does not undo what happened meanwhile."""
    before = placed(("EF-03", "P1", 1, "NEWER"), since=LATER)
    event = taken_over(before, done)
    assert event is not None
    after = evolve_housed(before, event)

    assert after.where("NEWER") == ("EF-03", ("P1", 1))
    assert after.where("NEW 2") == ("EF-03", ("P1", 2))
    assert "an entry made later than the job" in after.open_at("EF-03")[0].sentence


def test_a_filter_that_was_drawn_and_not_put_back_has_left() -> None:
    """Half of the work done: the spent filter of position 1 is out, position 2 as before."""
    bench = opened()
    bench.run_to("draw")
    for _ in range(3):
        if any(move.filter is None for move in moved_by(bench.state)):
            break
        bench.run_to(steps=1)
    before = placed(("EF-03", "P1", 1, "OLD 1"), ("EF-03", "P1", 2, "OLD 2"), since="2020-01-01T00:00:00.000Z")
    event = taken_over(before, bench)
    assert event is not None
    after = evolve_housed(before, event)

    assert after.where("OLD 1") is None
    assert after.where("OLD 2") == ("EF-03", ("P1", 2))
