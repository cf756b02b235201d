"""The story of a housing: everything in the order of time, failures and struck readings in sight."""

from app.domain.event_base import Answer, Evidence
from app.domain.housing import Bank
from app.records.drops import Known
from app.records.housing_story import filter_ages, story
from tests.records.told import Told, age, leak, resistance, step


def test_the_story_holds_jobs_tests_attempts_and_readings_newest_first() -> None:
    """A failed test stands beside the one that passed; each names its job, step and limit."""
    told = Told()
    told.read("2026-01-05", "600", "1690", note="after rain")
    job = told.job([step("test"), step("read")])
    job.outside("test", "2026-01-10T10:00:00.000Z", leak("0.9", within=False))
    job.done("test", "2026-01-10T11:00:00.000Z", leak("0.01", within=True))
    job.done("read", "2026-01-10T12:00:00.000Z", resistance("300", "301"))

    found = story(told.known)

    assert [(item.what, item.verdict) for item in found] == [
        ("Resistance at rated flow", "no limit"), ("Leak test", "within"), ("Leak test", "outside"),
        ("Change-out opened", ""), ("Pressure drop read", ""),
    ]  # fmt: skip
    assert found[2].text == "0.9 %, limit below 0.05 % (told limit). Job 2026-0001, step 1, Noor Haddad."
    assert found[3].text == "Job 2026-0001, not accepted: work done."
    assert found[4].text == "600 Pa at 1690 m³/h = 604 Pa at rated flow; read by Noor Haddad. after rain."


def test_a_struck_reading_stays_with_who_struck_it_and_why() -> None:
    """Struck is not gone."""
    told = Told()
    told.strike(told.read("2026-01-05", "600"), "hose was off", at="2026-01-06T09:00:00.000Z")

    (item,) = story(told.known)

    assert (item.verdict, item.why) == ("struck", "Struck by Ines Varga, 2026-01-06: hose was off")
    assert item.text.startswith("600 Pa")


def test_a_flow_read_without_a_computation_is_told_with_its_verdict() -> None:
    """Readings that no method took are told as typed; a mark taken back is told as such."""
    told = Told()
    flow = Evidence(answers={"flow": Answer(text="1690", unit="m3/h")})
    told.job([step("flow")]).done("flow", "2026-01-10T10:00:00.000Z", flow).taken_back(
        "flow", "2026-01-10T11:00:00.000Z"
    )

    read = next(item for item in story(told.known) if item.what == "Air flow")

    assert read.text.startswith("1690 m³/h.")
    assert read.verdict == "taken back"


def test_ages_count_for_each_port_and_position_by_the_newest_mark() -> None:
    """An older mark, one taken back, and one without a position do not count."""
    told = Told()
    job = told.job([step("one", position=1), step("two", position=2), step("loose")])
    job.done("one", "2026-01-10T09:00:00.000Z", age("2030-01-01"))
    job.done("two", "2026-01-10T09:30:00.000Z", age("2031-01-01")).taken_back("two", "2026-01-10T09:40:00.000Z")
    job.done("loose", "2026-01-10T10:00:00.000Z", age("2029-01-01"))
    told.job([step("one", position=1)], at="2026-02-01T08:00:00.000Z").done(
        "one", "2026-02-01T09:00:00.000Z", age("2032-01-01", site=True)
    )

    found = filter_ages(told.known, Bank.HEPA)
    other_way = Known(told.housing, tuple(told.jobs), told.known.site)

    assert filter_ages(other_way, Bank.HEPA) == found
    assert [(item.port, item.position, str(item.on), item.from_site) for item in found] == [
        ("P1", 1, "2032-01-01", True)
    ]
