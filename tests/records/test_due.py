"""What is due: each reason by hand calendar, whose rule it is, and the order in which a site reads it."""

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.domain.housing import Bank
from app.domain.instruments import Instrument, InstrumentKind
from app.domain.job_lines import JobLine
from app.domain.site import InstrumentKept, QualificationNoted, SiteState, fold_site
from app.records.drops import Known
from app.records.due import (
    HousingDue,
    all_due,
    calibrations,
    days_words,
    housing_due,
    qualifications,
)
from tests.builders import LEAD, housing, opened
from tests.records.told import Told, age, days_after, design, leak, step

TODAY = date(2026, 3, 2)
RISE = (230, 243, 256, 279, 287, 309, 322, 341)


def reasons(due: HousingDue) -> list[tuple[str, str]]:
    """Return the dated reasons: day and what for."""
    return [(str(item.on), item.due.reason) for item in due.dated if item.due]


def changed(*, months: int | None = 12) -> Told:
    """Return a housing whose filters were changed in January, with a leak test to be told."""
    told = design(Told(), leak_interval_months=months)
    job = told.job([step("slide", position=1, slides=True), step("test"), step("again")])
    job.done("slide", "2026-01-31T09:00:00.000Z")
    return told


def test_a_leak_test_is_due_the_months_after_the_last_one_passed() -> None:
    """31 January and one month: the last day of February; twelve months: the same day next year."""
    for months, on in ((1, "2026-02-28"), (12, "2027-01-31")):
        told = changed(months=months)
        job = told.job([step("test")])
        job.outside("test", "2026-01-31T10:00:00.000Z", leak("0.9", within=False))
        job.done("test", "2026-01-31T12:00:00.000Z", leak("0.01", within=True))

        due = housing_due(told.known)

        assert reasons(due) == [(on, "leak test of the HEPA bank")]
        assert due.dated[0].source == "site value"
        assert "2026-01-31" in due.dated[0].sentence


def test_a_leak_test_of_filters_that_are_gone_does_not_count() -> None:
    """After a change the test is due at once, from the day of the change, until one passes."""
    told = design(Told(), leak_interval_months=12)
    job = told.job([step("test"), step("slide", position=1, slides=True)])
    job.done("test", "2026-01-10T09:00:00.000Z", leak("0.01", within=True))
    before = housing_due(told.known)
    job.done("slide", "2026-01-20T09:00:00.000Z")

    after = housing_due(told.known)

    assert reasons(before) == [("2027-01-10", "leak test of the HEPA bank")]
    assert reasons(after) == [("2026-01-20", "leak test of the HEPA bank")]
    assert after.dated[0].overdue(TODAY)


def test_a_failed_leak_test_is_due_now_and_one_without_a_limit_is_no_pass() -> None:
    """The newest judged test speaks: failed it is due on its own day, with its limit; unjudged it proves nothing."""
    told = changed()
    told.job([step("test")]).outside("test", "2026-02-10T12:00:00.000Z", leak("0.9", within=False))
    unjudged = changed()
    unjudged.job([step("test")]).done("test", "2026-02-10T12:00:00.000Z", leak("0.9", within=None))

    failed, proved = housing_due(told.known), housing_due(unjudged.known)

    assert reasons(failed) == [("2026-02-10", "failed leak test of the HEPA bank")]
    assert failed.dated[0].source == "limit: told limit"
    assert reasons(proved) == [("2026-01-31", "leak test of the HEPA bank")]


def test_a_leak_test_taken_back_counts_neither_way() -> None:
    """A mark that was taken back proves nothing."""
    told = changed()
    job = told.job([step("test")])
    job.done("test", "2026-02-10T12:00:00.000Z", leak("0.01", within=True)).taken_back(
        "test", "2026-02-11T12:00:00.000Z"
    )

    assert reasons(housing_due(told.known)) == [("2026-01-31", "leak test of the HEPA bank")]


def test_no_interval_no_leak_test() -> None:
    """A site that gives no interval is not told of one."""
    due = housing_due(changed(months=None).known)

    assert not any("leak test" in item.sentence.lower() for item in (*due.dated, *due.undated))


def test_an_age_runs_out_on_its_day_and_the_newest_mark_of_a_position_counts() -> None:
    """Of two positions the earlier day counts; a newer mark of a position takes the place of the older one."""
    told = Told()
    job = told.job([step("one", position=1), step("two", position=2)])
    job.done("one", "2026-01-10T09:00:00.000Z", age("2025-05-05"))
    job.done("two", "2026-01-10T10:00:00.000Z", age("2026-03-02", site=True))
    told.job([step("one", position=1)]).done("one", "2026-02-10T09:00:00.000Z", age("2035-05-05"))

    (item,) = housing_due(told.known).dated

    assert (str(item.on), item.source) == ("2026-03-02", "site value")
    assert "P1 position 2" in item.sentence
    assert item.overdue(TODAY)
    assert not item.overdue(date(2026, 3, 1))


def test_the_trend_gives_the_early_day_of_its_band_and_its_source() -> None:
    """The day is that of the trend itself; the sentence names the limit and the whole window."""
    told = design(Told(), change_drop_pa="420")
    for month, drop in enumerate(RISE):
        told.read(days_after("2025-08-01", 30 * month), str(drop))

    (item,) = housing_due(told.known).dated

    assert item.due is not None
    assert item.due.source_id == "least-squares"
    assert item.on is not None
    assert TODAY < item.on < date(2026, 12, 31)
    assert "420 Pa (site value)" in item.sentence
    assert str(item.on) in item.sentence


def test_a_trend_without_a_day_says_why_among_the_undated() -> None:
    """Few data, and a window too far ahead, are told in the forecast's words, with the day from which it counts."""
    few, far = design(Told(), change_drop_pa="420"), design(Told(), change_drop_pa="5000")
    for month, drop in enumerate(RISE):
        far.read(days_after("2025-08-01", 30 * month), str(drop))
        if month < 4:
            few.read(days_after("2025-08-01", 30 * month), str(drop))

    sentences = [housing_due(told.known).undated[0].sentence for told in (few, far)]

    assert "Few data: 4 readings" in sentences[0]
    assert "beyond day 420" in sentences[1]
    assert sentences[1].endswith("Day 0 is 2025-08-01.")


def test_a_housing_of_which_nothing_is_known_says_so() -> None:
    """No day at all: the sentence says what to enter, and each missing reason is named."""
    due = housing_due(Told(housing=housing("EF-11")).known)

    assert due.on is None
    assert due.told.startswith("No due date is known for this housing")
    for bank in ("prefilter bank", "HEPA bank", "carbon bank"):
        assert any(bank in item.sentence for item in due.undated)


@given(st.lists(st.one_of(st.none(), st.dates(date(2025, 1, 1), date(2027, 1, 1))), min_size=1, max_size=6))
def test_housings_stand_by_their_day_and_those_without_one_last(days: list[date | None]) -> None:
    """Overdue first by being earliest; every housing is listed once."""
    telling = []
    for number, on in enumerate(days):
        told = Told(housing=housing().model_copy(update={"tag": f"H-{number}"}))
        if on is not None:
            told.job([step("one", position=1)]).done("one", "2024-01-10T09:00:00.000Z", age(str(on)))
        telling.append(told.known)

    found = all_due(telling)

    assert sorted(due.tag for due in found) == [f"H-{number}" for number in range(len(days))]
    known = [due.on for due in found if due.on is not None]
    assert known == sorted(known)
    assert all(due.on is None for due in found[len(known) :])


@pytest.mark.parametrize(
    ("on", "words"),
    [
        ("2026-03-02", "today"),
        ("2026-03-03", "in 1 day"),
        ("2026-02-27", "overdue by 3 days"),
        ("2027-03-02", "in 365 days"),
    ],
)
def test_days_are_said_from_today(on: str, words: str) -> None:
    """2026 is a common year and its February ends on the 28th."""
    assert days_words(date.fromisoformat(on), TODAY) == words


def test_calibrations_and_qualifications_stand_by_their_last_good_day() -> None:
    """The last good day itself is not overdue; whoever has left is not listed."""
    kept = [
        Instrument(
            id=name, kind=InstrumentKind.MANOMETER, description="manometer", calibrated_on=date(2025, 1, 1), due=due
        )
        for name, due in (("B", date(2026, 3, 2)), ("A", date(2026, 3, 1)))
    ]
    state = fold_site(
        [
            *(InstrumentKept(seq=n, at="", by=LEAD, instrument=item) for n, item in enumerate(kept)),
            *(
                QualificationNoted(seq=n, at="", by=LEAD, person=person, what="fit test", until=date(2026, 3, n))
                for n, person in enumerate(("gone", "tome", "noor"), start=1)
            ),
        ],
        start=SiteState(),
    )

    found = calibrations(state)
    held = qualifications(state, {"noor": "Noor Haddad", "tome": "Tomé Silva"})

    assert [(item.of, item.overdue(TODAY)) for item in found] == [("A", True), ("B", False)]
    assert [(item.of, item.overdue(TODAY)) for item in held] == [("Tomé Silva", False), ("Noor Haddad", False)]


def test_every_bank_with_nothing_known_is_named_once_for_each_reason() -> None:
    """Trend, age and, where an interval is given, leak test: three reasons of one bank, none of them dated."""
    told = design(Told(), Bank.HEPA, leak_interval_months=6, change_drop_pa="400")

    assert len(housing_due(told.known).undated) == 3


def test_the_permit_of_a_job_in_hand_is_due_on_its_last_day() -> None:
    """It is named with its day from the moment it is entered until the work is done."""
    bench = opened()
    line = JobLine(bench.ledger, "2026-0001", "EF-03", "change_out", bench.events[0].at)
    before = housing_due(Known(housing(), ((line, bench.state),), SiteState()))
    bench.run_to("agree/agreed")
    during = housing_due(Known(housing(), ((line, bench.state),), SiteState()))
    bench.run_to()
    after = housing_due(Known(housing(), ((line, bench.state),), SiteState()))

    named = ["permit of job 2026-0001" in {reason for _, reason in reasons(due)} for due in (before, during, after)]
    assert named == [False, True, False]
