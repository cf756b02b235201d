"""What planned work settles of what is due, and what it leaves or comes too late for."""

from dataclasses import replace
from datetime import date, timedelta

import pytest

from app.calc.life import Due
from app.domain.housing import Bank
from app.domain.planned import Planned
from app.domain.steps import expand
from app.records.due import HousingDue, Item, Settling, housing_due
from app.records.due_planned import Settles, not_covered, settled_by
from tests.builders import housing, procedure
from tests.domain.test_planned import SITE, planning
from tests.records.told import Told, age, design, leak, step

PLAN = planning(SITE).planned["PL-0001"]
BEGINS, ENDS = date(2026, 3, 9), date(2026, 3, 9)
FILTER: Settling = ("new filter", Bank.HEPA)


def due(
    on: date, by: Settling | None = FILTER, *, ran_out: bool = False, spot: tuple[str, int] | None = None
) -> HousingDue:
    """Return one reason of a day."""
    item = Item("It is due.", "site value", Due("it", on, "site"), ran_out=ran_out, settled_by=by, spot=spot)
    return HousingDue("EF-03", "roof", (item,), (), "it")


def told(found: HousingDue, settles: Settles, plan: Planned = PLAN) -> str:
    """Return the one thing said, or nothing."""
    return " ".join(not_covered(found, plan, settles))


def test_a_change_out_settles_filters_and_leak_tests_of_every_bank_that_it_changes() -> None:
    """By its steps as laid over the housing, and by nothing else; a shallower change leaves the deeper position."""
    for tag in ("EF-03", "EF-07", "EF-11"):
        made = housing(tag)
        found = settled_by(expand(procedure(), made))
        assert {bank for what, bank in found.what if what == "new filter"} == set(made.banks)
        assert ("leak test", Bank.HEPA) in found.what
        assert found.spots == {(port.id, place) for port in made.ports for place in range(1, port.replaced + 1)}
    whole = housing("EF-03")
    shallow = whole.model_copy(update={"ports": tuple(port.model_copy(update={"deepest": 1}) for port in whole.ports)})
    assert ("P1", 2) not in settled_by(expand(procedure(), shallow)).spots
    assert settled_by(()) == Settles()


@pytest.mark.parametrize(
    ("days", "settled", "ran_out", "said"),
    [
        (0, True, False, ""), (-1, True, False, "It is due. That is before this work begins, 2026-03-09."),
        (0, True, True, "It is due. That is before this work begins, 2026-03-09."), (1, True, True, ""),
        (-1, False, False, "It is due. No step of this work settles it."),
        (30, False, False, "It is due. No step of this work settles it."), (31, False, False, ""),
    ],
)  # fmt: skip
def test_what_is_not_settled_or_not_in_time_is_told(days: int, settled: bool, ran_out: bool, said: str) -> None:
    """A last good day on which the work begins is in time; an age that runs out on that day is not."""
    settles = Settles(frozenset({FILTER})) if settled else Settles(frozenset({("leak test", Bank.HEPA)}))
    assert told(due(BEGINS + timedelta(days=days), ran_out=ran_out), settles) == said


def test_a_filter_that_is_left_in_is_not_covered_and_a_permit_is_not_told_of() -> None:
    """The position counts where one is meant; a job's own permit is that job's."""
    settles = Settles(frozenset({FILTER}), frozenset({("P1", 1)}))
    assert told(due(BEGINS, spot=("P1", 1)), settles) == ""
    assert told(due(BEGINS, spot=("P1", 2)), settles) == "It is due. No step of this work settles it."
    assert told(due(BEGINS, None), settles) == ""
    later = replace(PLAN, intent=PLAN.intent.model_copy(update={"ends": "2026-03-12T15:00"}))
    assert told(due(ENDS + timedelta(days=33), spot=("P1", 2)), settles, later) != ""


def test_each_reason_with_a_day_says_what_would_settle_it() -> None:
    """Ages by their position, leak tests and drops by their bank."""
    story = design(Told(), leak_interval_months=12, change_drop_pa="400")
    story.read("2026-01-05", "420")
    story.read("2026-01-06", "430")
    job = story.job([step("old", position=2), step("test")], at="2026-01-02T08:00:00.000Z")
    job.done("old", "2026-01-02T09:00:00.000Z", age("2026-02-01")).done(
        "test", "2026-01-02T10:00:00.000Z", leak("0.01", within=True)
    )

    found = housing_due(story.known).dated

    assert {(item.settled_by, item.spot) for item in found} == {
        (FILTER, None), (FILTER, ("P1", 2)), (("leak test", Bank.HEPA), None),
    }  # fmt: skip
