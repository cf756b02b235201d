"""The sheet of a housing: due reasons, readings, notes and story as on the screens, and what it was made from."""

from datetime import date

from app.domain.housing import Bank
from app.domain.site import SITE_LEDGER
from app.ledger.canonical import canonical
from app.ledger.heads import Head
from app.records.due import housing_due
from app.records.housing_sheet import bank_part, drawing_of, drawings_of, plot_title, sheet_of, trend_of
from app.records.housing_story import story
from app.records.plot import trend_svg
from tests.records.told import Told, age, days_after, design, leak, resistance, step

TODAY = date(2026, 3, 2)
MADE_AT = "2026-03-02T10:00:00.000Z"


def told() -> Told:
    """A housing with six readings, of which one is struck, a job with a failed leak test, and a rehearsal."""
    made = design(Told(), change_drop_pa="760", rated_flow_m3_h="1700", leak_interval_months=12)
    for day, drop in enumerate((560, 591, 617, 652, 680, 711)):
        entry = made.read(days_after("2025-06-01", 40 * day), str(drop), "1700")
    made.strike(entry, "hose was off")
    job = made.job([step("test"), step("read"), step("label", position=1)], at="2025-05-20T08:00:00.000Z")
    job.outside("test", "2025-05-20T09:00:00.000Z", leak("0.9", within=False))
    job.done("test", "2025-05-20T10:00:00.000Z", leak("0.01", within=True))
    job.done("read", "2025-05-20T11:00:00.000Z", resistance("550", "551"))
    job.done("label", "2025-05-20T12:00:00.000Z", age("2030-01-01"))
    made.job([step("test")], at="2025-12-01T08:00:00.000Z", rehearsal=True)
    return made


def heads(made: Told) -> dict[str, Head]:
    """A head for the site's ledger and for each job, told apart by their roots."""
    ledgers = [SITE_LEDGER, *(line.job for line, _ in made.jobs)]
    return {
        name: Head(name, 10 + place, bytes([place]) * 32, MADE_AT, "key", b"") for place, name in enumerate(ledgers)
    }


def test_it_tells_what_is_due_with_reason_source_and_day() -> None:
    """Every reason of the due list stands on it, those with a day first, those without with what is missing."""
    made = told()
    due = housing_due(made.known)

    sheet = sheet_of(made.known, heads(made), today=TODAY, made_at=MADE_AT)

    assert [item["sentence"] for item in sheet["due"]] == [item.sentence for item in due.dated]
    assert [item["source"] for item in sheet["due"]] == [item.source for item in due.dated]
    assert sheet["due"][0]["when"].startswith(str(due.on))
    assert len(due.dated) == 3


def test_a_reason_without_a_day_says_what_is_missing() -> None:
    """Where nothing is on record yet, every reason stands among those without a day."""
    made = Told()
    due = housing_due(made.known)

    sheet = sheet_of(made.known, heads(made), today=TODAY, made_at=MADE_AT)

    assert sheet["due"] == []
    assert [item["sentence"] for item in sheet["undated"]] == [item.sentence for item in due.undated]
    assert len(due.undated) == 3


def test_an_overdue_reason_is_marked() -> None:
    """A day that has passed is marked overdue, by the day handed in."""
    made = told()
    late = sheet_of(made.known, heads(made), today=date(2040, 1, 1), made_at=MADE_AT)
    early = sheet_of(made.known, heads(made), today=date(2025, 12, 1), made_at=MADE_AT)

    assert {item["overdue"] for item in late["due"]} == {True}
    assert {item["overdue"] for item in early["due"]} == {False}


def test_each_bank_has_its_readings_and_the_notes_of_its_forecast() -> None:
    """One row for every point of the series, with day, drop and flow; notes as the trend gives them."""
    made = told()
    trend = trend_of(made.known, Bank.HEPA)

    (bank,) = sheet_of(made.known, heads(made), today=TODAY, made_at=MADE_AT)["banks"]

    assert [row["on"] for row in bank["rows"]] == [str(point.on) for point in trend.series.points]
    assert [row["read"] for row in bank["rows"]] == ["550", "560", "591", "617", "652", "680"]
    assert bank["notes"] == list(trend.notes)
    assert ["Plan the change by", str(trend.plan_on)] in bank["facts"]
    assert trend.plan_on is not None


def test_everything_that_happened_is_on_it_and_no_rehearsal() -> None:
    """The story is that of the screen: the failed test and the struck reading are in it, a rehearsal is not."""
    made = told()

    sheet = sheet_of(made.known, heads(made), today=TODAY, made_at=MADE_AT)

    assert [item["text"] for item in sheet["story"]] == [item.text for item in story(made.known)]
    assert {"outside", "struck"} <= {item["verdict"] for item in sheet["story"]}
    assert [row[0] for row in sheet["made_from"]] == ["2026-0001"]


def test_it_names_the_heads_that_it_was_made_from() -> None:
    """The site's head in full, and the head of each job with its size and the start of its root."""
    made = told()

    sheet = sheet_of(made.known, heads(made), today=TODAY, made_at=MADE_AT)

    assert sheet["head"] == {"size": 10, "root": "00" * 32, "at": "2026-03-02 10:00:00 +00:00"}
    assert sheet["made_from"] == [["2026-0001", "work done", "11 entries, root 0101 0101 0101 0101 0101"]]
    assert canonical(sheet)


def test_the_drawing_is_that_of_the_screen_and_absent_without_readings() -> None:
    """The bytes are those of the plot; a bank without a reading has no drawing and names none."""
    made = told()

    drawings = drawings_of(made.known)

    drawn = trend_svg(trend_of(made.known, Bank.HEPA), title=plot_title(made.known, Bank.HEPA))
    assert drawings == {"trend-hepa.svg": drawn}
    assert drawing_of(made.known, Bank.HEPA) == drawn
    assert bank_part(made.known, Bank.HEPA).file == "trend-hepa.svg"
    assert drawings_of(Told().known) == {}
    assert bank_part(Told().known, Bank.HEPA).file == ""
