"""Surveys and entries into the register, decided on the register as it is."""

import re
from datetime import date

import pytest

from app.calc.errors import Invalid
from app.domain.housed import evolve_housed
from app.domain.housed_events import DifferenceAnswered, Filter, FiltersPlaced, HousingEntered, Plate, SurveyTaken
from app.domain.housing import Housing, Service
from app.domain.housing_entry import Entering, entries_for
from app.domain.registers import SiteMoment
from app.domain.signing import SURVEYED
from app.domain.site import SiteEvent, SiteState, fold_site
from app.domain.storing import lot_counted, lot_received
from app.domain.surveying import AS_ON_REGISTER, DIFFERS, UNSEEN, difference_answered, points_of, survey_taken
from tests.builders import HANDS, LEAD, START, housing

AT = "2026-03-02T07:00:00.000Z"


def moment(state: SiteState) -> SiteMoment:
    """Return a lead acting now."""
    return SiteMoment(seq=state.size, at=AT, today=START.date(), by=LEAD)


def surveyed(state: SiteState, **typed: str) -> tuple[SurveyTaken | FiltersPlaced, ...]:
    """Survey EF-03 with everything as on the register, but for what is given."""
    points = points_of(housing(), state.housed)
    whole = {f"p.{point.id}": AS_ON_REGISTER for point in points if point.register_has}
    whole |= {f"shown.{point.id}": point.register_has for point in points} | typed
    return survey_taken(
        state, moment(state), housing(), whole, photos=(), meaning=SURVEYED, local_time="", proof="secret"
    )


def entering(seen: int, *holding: tuple[str, str, int, Filter | None], tag: str = "") -> Entering:
    """Return something that was planned when the site's ledger had so many entries."""
    plates = (Plate(tag=tag, sha256="0" * 64),) if tag else ()
    return Entering(plates=plates, holding=holding, how="desk", seen=seen)


def entered(state: SiteState, what: Entering) -> SiteState:
    """Enter it."""
    events: tuple[SiteEvent, ...] = entries_for(state, moment(state), what, why="as seen")
    return fold_site(events, start=state)


def test_every_point_of_the_label_data_is_asked_for_once() -> None:
    """Each with what the register has, and an id of its own."""
    points = points_of(housing("EF-11"), SiteState().housed)
    ids = [point.id for point in points]

    assert len(set(ids)) == len(ids)
    assert {"tag", "location", "service", "upstream", "downstream", "fan", "filters.P3", "type.P2", "seal.P1"} <= set(
        ids
    )
    assert [point.id for point in points if not point.register_has] == [
        "ring.P1", "bag.P1", "clamp.P1", "serial.P1.1", "serial.P1.2", "ring.P2", "bag.P2", "clamp.P2", "serial.P2.1",
        "serial.P2.2", "ring.P3", "bag.P3", "clamp.P3", "serial.P3.1",
    ]  # fmt: skip


def test_what_differs_is_open_until_it_is_answered() -> None:
    """A point that cannot be seen is no difference; a serial number that was not known is in place at once."""
    state = SiteState()
    events = surveyed(
        state, **{"p.fan": DIFFERS, "f.fan": "F-33", "p.tag": UNSEEN, "f.serial.P1.2": "S 2", "made.serial.P1.2": ""}
    )
    state = fold_site(events, start=state)

    assert [(item.point, item.register_has, item.found) for item in state.housed.open_at("EF-03")] == [
        ("fan", "fan F-31", "F-33")
    ]
    assert state.housed.where("s2") == ("EF-03", ("P1", 2))
    assert [event.seq for event in events] == [0, 1]
    answer = difference_answered(
        state, moment(state), housing(), entry="0", point="fan", outcome="register right", reason="a worn label"
    )
    assert dict(fold_site([answer], start=state).housed.differences) == {}


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        ({"p.fan": ""}, "Fan: nothing was chosen"),
        ({"shown.fan": "fan F-30"}, "Fan: the register changed meanwhile. Look at it again."),
        ({"shown.serial.P1.1": "S-1"}, "Serial number at P1, position 1: the register changed meanwhile"),
        ({"shown.gauge.G-9": "G-9"}, "The register changed meanwhile and asks for gauge.G-9 no more. Look again."),
        (
            {"p.fan": DIFFERS},
            "Fan: “differs” was chosen, and “What is there instead” is empty. Type there what you see",
        ),
        ({"p.fan": DIFFERS, "f.fan": "fan F-31"}, "Fan: “fan F-31” is what the register has"),
        ({"f.fan": "F-33"}, "Fan: “F-33” was written and “as on the register” chosen"),
        ({"f.serial.P1.1": "TAKEN"}, "TAKEN is in place at EF-07, P1 position 1"),
        ({"f.serial.P1.1": "A", "f.serial.P1.2": "a"}, "One serial number was read at two positions"),
        ({"what.8": "Pressure"}, "Measured, line 8: give what was measured and what was found"),
        ({"what.1": "x", "value.1": "one", "unit.1": "Pa"}, "x 'one' cannot be read as a number"),
    ],
)
def test_what_cannot_be_meant_is_refused(typed: dict[str, str], told: str) -> None:
    """One sentence that names the point."""
    state = entered(SiteState(), entering(0, ("EF-07", "P1", 1, Filter(serial="TAKEN"))))

    with pytest.raises(Invalid, match=re.escape(told)):
        surveyed(state, **typed)


def test_a_register_that_was_not_changed_is_not_said_to_be() -> None:
    """Once the nameplate has something else the answer is taken; of a housing that is gone, too."""
    state = fold_site(surveyed(SiteState(), **{"p.fan": DIFFERS, "f.fan": "F-33"}))
    renamed = housing().model_copy(update={"fan": "F-33"})

    def answered(found: Housing | None) -> str:
        return difference_answered(
            state,
            moment(state),
            found,
            entry="0",
            point="fan",
            outcome="register changed",
            reason="entered so",
        ).outcome

    with pytest.raises(Invalid, match="Fan: the register still has “fan F-31”"):
        answered(housing())
    assert answered(renamed) == answered(None) == "register changed"


def test_differences_are_told_in_the_order_in_which_they_were_found() -> None:
    """Survey by survey, and in each from point to point of the walk; others are not touched by an answer to one."""
    found = {"p.tag": DIFFERS, "f.tag": "EF-3", "p.location": DIFFERS, "f.location": "Cellar", "p.fan": DIFFERS,
             "f.fan": "F-33", "p.downstream": DIFFERS, "f.downstream": "D-9"}  # fmt: skip
    state = fold_site(surveyed(SiteState(), **found))
    state = fold_site(surveyed(state, **{"p.upstream": DIFFERS, "f.upstream": "D-8"}), start=state)
    walked = [(0, "tag"), (0, "location"), (0, "downstream"), (0, "fan"), (1, "upstream")]

    assert [(item.entry, item.point) for item in state.housed.open_at("EF-03")] == walked
    answer = difference_answered(
        state, moment(state), housing(), entry="0", point="location", outcome="register right", reason="an old label"
    )
    after = fold_site([answer], start=state)
    assert [(item.entry, item.point) for item in after.housed.open_at("EF-03")] == [walked[0], *walked[2:]]
    assert evolve_housed(after.housed, answer) == after.housed


def test_a_tag_that_was_changed_is_answered_with_what_was_done() -> None:
    """No page changes a tag, so the register never shows it: the reason is asked for, and is taken."""
    state = fold_site(surveyed(SiteState(), **{"p.tag": DIFFERS, "f.tag": "EF-3"}))
    asked = {"entry": "0", "point": "tag", "outcome": "register changed"}

    with pytest.raises(Invalid, match=r"Tag on the label: no page changes a tag, .* Say as the reason what was done"):
        difference_answered(state, moment(state), housing(), **asked, reason=" ")
    answer = difference_answered(state, moment(state), housing(), **asked, reason="entered as EF-3")
    assert (answer.outcome, answer.reason) == ("register changed", "entered as EF-3")
    assert dict(fold_site([answer], start=state).housed.differences) == {}


def test_what_somebody_else_entered_meanwhile_is_not_undone() -> None:
    """Nameplates and positions both count; a housing that nobody touched is entered."""
    state = entered(SiteState(), entering(0, ("EF-03", "P1", 1, Filter(serial="A")), tag="EF-07"))

    for late in (entering(0, tag="EF-07"), entering(1, tag="EF-03"), entering(1, ("EF-03", "P1", 2, None))):
        with pytest.raises(Invalid, match="was changed by somebody meanwhile"):
            entered(state, late)
    assert entered(state, entering(2, tag="EF-03")).size == 3
    with pytest.raises(Invalid, match="This changes nothing"):
        entered(state, entering(2))


def test_filters_change_places_in_one_entry_and_none_is_taken_from_a_third() -> None:
    """Both are there afterwards, each where the other was."""
    a, b = Filter(serial="A"), Filter(serial="B")
    state = entered(SiteState(), entering(0, ("EF-03", "P1", 1, a), ("EF-07", "P1", 1, b)))
    swapped = entered(state, entering(state.size, ("EF-03", "P1", 1, b), ("EF-07", "P1", 1, a)))

    assert swapped.housed.where("A") == ("EF-07", ("P1", 1))
    assert swapped.housed.where("B") == ("EF-03", ("P1", 1))
    with pytest.raises(Invalid, match="Filter A is in place at EF-03, P1 position 1"):
        entered(state, entering(state.size, ("EF-11", "P1", 1, a)))


def test_what_the_store_room_holds_is_not_entered_in_place() -> None:
    """Received between the check of a file and its entry: nothing of the file is entered."""
    lot = {"id": "F-1", "kind": "filter", "what": "24x24x11.5 gasket", "made": "2025-05-01", "serial": "n 1"}
    state = SiteState()
    state = fold_site([lot_received(state.store, moment(state), lot)], start=state)
    what = entering(state.size, ("EF-03", "P1", 1, Filter(serial="N1")))

    with pytest.raises(Invalid, match="Filter N1 is in the store room as lot F-1, and no filter is in two places"):
        entered(state, what)
    gone = fold_site([lot_counted(state.store, moment(state), lot="F-1", now="0", reason="went to EF-03")], start=state)
    assert entered(gone, what).housed.where("N1") == ("EF-03", ("P1", 1))


def test_both_entries_of_an_import_carry_the_digest_of_its_file() -> None:
    """And the reason, and who."""
    state = SiteState()
    what = Entering(
        plates=(Plate(tag="EF-03", sha256="0" * 64),), holding=(("EF-03", "P1", 1, None),), how="import", seen=0,
        source="f" * 64,
    )  # fmt: skip
    events = entries_for(state, SiteMoment(seq=5, at=AT, today=START.date(), by=HANDS), what, why="as sent")

    assert [(type(event), event.seq, event.by) for event in events] == [
        (HousingEntered, 5, HANDS), (FiltersPlaced, 6, HANDS),
    ]  # fmt: skip
    assert all(isinstance(event, HousingEntered | FiltersPlaced) and event.source == "f" * 64 for event in events)


def with_filter_in_place(made: date | None) -> SiteState:
    """Return a site where the register has a filter at position 1 of EF-03."""
    return entered(SiteState(), entering(0, ("EF-03", "P1", 1, Filter(serial="S-1", made=made))))


@pytest.mark.parametrize("made", [date(2024, 5, 1), None])
def test_the_makers_date_of_the_filter_in_place_and_the_service_are_looked_at(made: date | None) -> None:
    """What differs is flagged like any other point, and stays until the register has something else."""
    state = with_filter_in_place(made)
    points = {point.id: point for point in points_of(housing(), state.housed)}
    assert points["service"].register_has == "radioactive"
    assert points["dated.P1.1"].register_has == (str(made) if made else "")
    assert "dated.P1.2" not in points, "where the register has no filter, its date is asked with its number"
    ways = {"p.dated.P1.1": DIFFERS} if made else {}
    typed = {**ways, "f.dated.P1.1": "2023-04-01", "p.service": DIFFERS, "f.service": "chemical"}
    state = fold_site(surveyed(state, **typed), start=state)

    assert [(item.point, item.register_has, item.found) for item in state.housed.open_at("EF-03")] == [
        ("service", "radioactive", "chemical"), ("dated.P1.1", str(made or ""), "2023-04-01"),
    ]  # fmt: skip
    number = str(state.housed.open_at("EF-03")[0].entry)

    def answered(state: SiteState, point: str, house: Housing) -> DifferenceAnswered:
        return difference_answered(
            state, moment(state), house, entry=number, point=point, outcome="register changed", reason="seen"
        )

    for point in ("service", "dated.P1.1"):
        with pytest.raises(Invalid, match="the register still has"):
            answered(state, point, housing())
    changed = housing().model_copy(update={"service": Service.CHEMICAL})
    dated = entered(state, entering(state.size, ("EF-03", "P1", 1, Filter(serial="S-1", made=date(2023, 4, 1)))))
    assert answered(dated, "service", changed).outcome == answered(dated, "dated.P1.1", changed).outcome
    out = entered(state, entering(state.size, ("EF-03", "P1", 1, None)))
    assert answered(out, "dated.P1.1", housing()).point == "dated.P1.1", "with the filter gone, its date is, too"


@pytest.mark.parametrize(
    ("typed", "told"),
    [({"p.dated.P1.1": DIFFERS, "f.dated.P1.1": "May"}, "Maker's date of the filter at P1, position 1: 'May' is not"),
     ({"p.dated.P1.1": DIFFERS, "f.dated.P1.1": "2027-01-01"}, "does not lie between"),
     ({"p.dated.P1.1": DIFFERS, "f.dated.P1.1": " 2024-05-01 "}, "is what the register has"),
     ({"p.dated.P1.1": ""}, "nothing was chosen"), ({"p.service": ""}, "nothing was chosen"),
     ({"shown.dated.P1.1": "2020-01-01"}, "the register changed meanwhile"),
     ({"f.serial.P1.2": "n 1"}, "n 1 is in the store room as lot F-1, and no filter is in two places")],
)  # fmt: skip
def test_a_date_that_is_none_and_a_filter_of_the_store_room_are_refused(typed: dict[str, str], told: str) -> None:
    """One sentence, nothing entered."""
    state = with_filter_in_place(date(2024, 5, 1))
    lot = {"id": "F-1", "kind": "filter", "what": "24x24x11.5 gasket", "made": "2025-05-01", "serial": "N1"}
    state = fold_site([lot_received(state.store, moment(state), lot)], start=state)
    with pytest.raises(Invalid, match=told):
        surveyed(state, **typed)
