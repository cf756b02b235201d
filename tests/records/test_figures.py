"""Figures of a year: counted by hand for jobs that went in known ways; nobody is named in any of them."""

from collections import Counter
from dataclasses import replace
from datetime import date

import pytest

from app.domain.job import Stamp
from app.domain.job_lines import JobLine
from app.domain.store import KitLine, KitSettled, KitStaged, Store, evolve_store
from app.domain.told import told_of
from app.records.figures import JobFigures, Row, beside, figures_of, figures_table, filters_told, yearly
from tests.builders import OFFICER, opened
from tests.domain.test_store import BAG, received


def job(number: int, housing: str, on: date, **more: object) -> JobFigures:
    """Return what one job gives."""
    made: dict[str, object] = {
        "job": f"job-{number}", "number": str(number), "housing": housing, "kind": "change_out",
        "procedure": "change-out revision 3", "on": on, **more,
    }  # fmt: skip
    return JobFigures(**made)  # type: ignore[arg-type]


HEPA, CARBON = "HEPA bank", "carbon bank"
FIRST, SECOND = date(2026, 2, 1), date(2026, 11, 28)
JOBS = (
    job(
        1, "EF-03", FIRST, tests=((HEPA, True),), stops={"text": 1}, minutes={"Open": 10.0, "Test": 30.0},
        used={"new bags": (2, 2), "tie straps": (8, 8)}, new=((HEPA, FIRST),),
    ),
    job(
        2, "EF-03", date(2026, 12, 1), tests=((HEPA, False),), stops={"text": 1, "alarm": 3}, minutes={"Open": 20.0},
        used={"new bags": (2, 3)}, new=((HEPA, SECOND),),
    ),
    job(3, "EF-07", date(2026, 5, 1), tests=((HEPA, True), (CARBON, True)), minutes={"Open": 60.0}),
)  # fmt: skip
BEFORE = (job(0, "EF-03", date(2025, 1, 1), new=(("HEPA bank", date(2025, 1, 2)),), stops={"text": 9}),)


def rows(figure: str, jobs: tuple[JobFigures, ...] = JOBS, earlier: tuple[JobFigures, ...] = ()) -> tuple[Row, ...]:
    """Return the rows of one figure."""
    return next(item.rows for item in yearly(jobs, earlier) if item.id == figure)


def test_shares_stand_with_their_counts() -> None:
    """Two of three is not written as a rate."""
    assert [(row.what, row.told) for row in rows("tests")] == [("HEPA bank", "2 of 3"), ("carbon bank", "1 of 1")]


def test_stops_are_added_up_by_cause_the_most_common_first() -> None:
    """Three alarms, two texts; years before do not count."""
    assert [(row.what, row.told, row.of) for row in rows("stops", earlier=BEFORE)] == [
        ("alarm", "3", 3),
        ("text", "2", 3),
    ]


def test_time_is_the_median_over_the_jobs_that_have_the_section() -> None:
    """10, 20 and 60 minutes have the median 20."""
    assert [(row.what, row.told) for row in rows("time")] == [("Open", "20 min, 3 jobs"), ("Test", "30 min, 1 job")]


def test_consumption_stands_against_the_take_off() -> None:
    """What was counted at opening and what the steps used, over all jobs."""
    assert [(row.what, row.told) for row in rows("used")] == [
        ("new bags", "5 used, 4 counted; by the steps"), ("tie straps", "8 used, 8 counted; by the steps")
    ]  # fmt: skip


def test_consumption_says_whether_kits_or_steps_told_it() -> None:
    """A settled kit tells what really went; where only some jobs have one, the row says how many."""
    kits = frozenset({"new bags"})
    one = (replace(JOBS[0], by_kit=kits), JOBS[1])
    both = (replace(JOBS[0], by_kit=kits), replace(JOBS[1], by_kit=kits))

    assert rows("used", one)[0].told == "5 used, 4 counted; by settled kits in 1 of 2 jobs, by the steps in the others"
    assert rows("used", both)[0].told == "5 used, 4 counted; by settled kits"


@pytest.mark.parametrize(
    ("by_steps", "told"), [(3, (3, 5)), (2, (3, 3))], ids=["settled at the end", "the steps used more since"]
)
def test_what_a_settled_kit_says_was_used_stands_against_the_take_off(by_steps: int, told: tuple[int, int]) -> None:
    """EF-03 takes 3 bags; of 6 staged 1 came back, and the rest is told by the steps.  An early kit tells nothing."""
    bench = opened()
    accepted = replace(bench.run_to(), accepted=Stamp(9, "2026-03-03T10:00:00.000Z", OFFICER))
    line = JobLine(bench.ledger, "2026-0001", "EF-03", "change_out", "2026-03-02T07:00:00.000Z")
    head = {"at": "2026-03-03T11:00:00.000Z", "by": OFFICER, "job": bench.ledger}
    store = received(Store(), "L1", **BAG)
    store = evolve_store(store, KitStaged(seq=1, lines=(KitLine(lot="L1", count=6),), **head))
    back = KitSettled(seq=2, back=(KitLine(lot="L1", count=1),), used={"bag": by_steps}, explained="two tore", **head)

    drawn = figures_of(line, accepted, bench.events, "UTC", evolve_store(store, back))

    assert drawn is not None
    assert (drawn.used["new bags"], drawn.used["tie straps"]) == (told, (6, 6))
    assert drawn.by_kit == (frozenset({"new bags"}) if by_steps == 3 else frozenset())


@pytest.mark.parametrize(("earlier", "days"), [((), ["300 days"]), (BEFORE, ["300 days"])])
def test_a_life_is_from_one_change_out_to_the_next(earlier: tuple[JobFigures, ...], days: list[str]) -> None:
    """1 February to 28 November 2026 are 300 days; the newest life of a housing is shown."""
    assert (SECOND - FIRST).days == 300
    assert [row.told for row in rows("life", earlier=earlier)] == days


def test_a_life_that_began_in_an_earlier_year_counts_where_it_ended() -> None:
    """2 January 2025 to 1 February 2026 are 395 days."""
    assert [row.told for row in rows("life", JOBS[:1], BEFORE)] == ["395 days"]
    assert rows("life", JOBS[:1]) == ()


def test_a_year_without_jobs_has_figures_without_rows() -> None:
    """Nothing is divided by nothing."""
    assert Counter(len(figure.rows) for figure in yearly(())) == {0: 5}


def test_an_earlier_job_gives_the_same_new_filters_by_what_it_told_as_by_its_marks() -> None:
    """Bank and day of each; what it told stands in the entry that closed it."""
    bench = opened()
    state = bench.run_to()
    accepted = replace(state, accepted=Stamp(9, "2026-03-03T10:00:00.000Z", OFFICER))
    line = JobLine("job-2026-0001", "2026-0001", "EF-03", "change_out", "2026-03-02T07:00:00.000Z",
                   closed_at="2026-03-03T10:00:00.000Z")  # fmt: skip
    drawn = figures_of(line, accepted, bench.events, "UTC", Store())
    assert drawn is not None
    told = filters_told(line, told_of(accepted), "UTC")

    assert drawn.new
    assert sorted(told.new) == sorted(drawn.new)
    assert (told.housing, told.on) == (drawn.housing, drawn.on)


YEARS = {
    2025: yearly((job(9, "EF-09", date(2025, 3, 1), tests=((CARBON, False),), stops={"fire": 2}),)), 2026: yearly(JOBS),
}  # fmt: skip


def test_the_years_of_a_figure_stand_beside_each_other() -> None:
    """A line for each thing, the newest year's order first; nothing where a year has none of it."""
    found = {
        item.title: [(what, [cell and cell.told for cell in cells]) for what, cells in item.lines]
        for item in beside(YEARS)
    }

    assert found["Leak tests met at the first attempt"] == [
        ("HEPA bank", [None, "2 of 3"]), ("carbon bank", ["0 of 1", "1 of 1"]),
    ]  # fmt: skip
    assert found["Stops by cause"] == [("alarm", [None, "3"]), ("text", [None, "2"]), ("fire", ["2", None])]
    assert beside({}) == ()


def test_columns_are_shares_of_tests_and_else_measured_against_the_most() -> None:
    """Met tests of all tests of their year; stops and minutes of the most in any year; what was used line by line."""
    more = {2027: yearly((job(4, "EF-03", date(2027, 2, 1), stops={"alarm": 6}, minutes={"Open": 30.0},
                              used={"new bags": (2, 10), "tie straps": (4, 4)}),))}  # fmt: skip
    found = {
        item.title: (
            item.whole,
            {what: [cell and round(cell.column, 3) for cell in cells] for what, cells in item.lines},
        )
        for item in beside(YEARS | more)
    }

    assert found["Leak tests met at the first attempt"] == (
        "A whole column is all of the year's tests.", {"HEPA bank": [None, 0.667, None], "carbon bank": [0, 1, None]},
    )  # fmt: skip
    assert found["Stops by cause"] == (
        "A whole column is 6 stops, the most there is here.",
        {"alarm": [None, 0.5, 1], "text": [None, 0.333, None], "fire": [0.333, None, None]},
    )
    assert found["Time by section"][1] == {"Open": [None, 0.667, 1], "Test": [None, 1, None]}
    assert found["Used against the take-off"] == (
        "A whole column is the most of its own line.", {"new bags": [None, 0.5, 1], "tie straps": [None, 1, 0.5]},
    )  # fmt: skip


def test_columns_of_nothing_are_empty() -> None:
    """Work that took no time at all divides nothing by nothing; one stop is no stops."""
    idle = {2026: yearly((job(5, "EF-03", FIRST, minutes={"Open": 0.0}, used={"new bags": (2, 0)}),))}

    one = {2026: yearly((job(6, "EF-03", FIRST, stops={"alarm": 1}),))}
    columns = [cell.column for item in beside(idle) for _, cells in item.lines for cell in cells if cell]

    assert columns == [0.0, 0.0]
    assert "A whole column is 1 stop, the most there is here." in [item.whole for item in beside(one)]


def test_the_table_of_years_has_numbers_or_words_in_a_column_and_all_that_the_page_has() -> None:
    """Value, count and unit apart, so that a spreadsheet can add them up."""
    head, *lines = figures_table(YEARS)
    by_name = [dict(zip(head, line, strict=True)) for line in lines]

    assert len(lines) == sum(len(figure.rows) for figures in YEARS.values() for figure in figures)
    for name in head:
        kinds = {type(line[name]) for line in by_name if line[name] != ""}
        assert kinds == ({int} if name in ("Year", "Value", "Of") else {str}), name
    (used,) = [line for line in by_name if line["What"] == "new bags"]
    assert [used[name] for name in ("Year", "Value", "Unit", "Of", "Of what", "Told by")] == [
        2026, 5, "pieces used", 4, "pieces counted", "by the steps",
    ]  # fmt: skip
    (fire,) = [line for line in by_name if line["What"] == "fire"]
    assert (fire["Value"], fire["Of"], fire["Of what"]) == (2, "", "")
