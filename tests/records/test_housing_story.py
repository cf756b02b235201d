"""The story of a housing: everything in the order of time, failures and struck readings in sight."""

from dataclasses import replace
from datetime import date

import pytest

from app.calc.errors import Invalid
from app.domain.event_base import Answer, Evidence
from app.domain.housed_events import (
    DifferenceAnswered,
    Doubt,
    Filter,
    FiltersPlaced,
    HousingEntered,
    HousingPhotographed,
    HousingPhotoTakenDown,
    HousingPutBack,
    HousingTakenOff,
    Measured,
    Placed,
    Plate,
    Seen,
    SurveyTaken,
)
from app.domain.housing import Bank
from app.domain.job import Stamp
from app.domain.site import JobRegistered, SiteEvent
from app.domain.store import Kind, Lot, LotReceived
from app.domain.waste import CertificateReceived, WasteHandedOver, WasteReturned
from app.records.drops import Known
from app.records.housing_sheet import bank_part, drawing_of
from app.records.housing_story import filter_ages, story
from tests.builders import LEAD
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


def test_a_filter_that_went_in_is_named_with_its_test_report_once_the_record_is_accepted() -> None:
    """Before that its number is being verified unseen; one whose report is not held is named alone."""
    told = Told()
    lot = Lot(id="F1", kind=Kind.FILTER, what="x", count=1, received_on=date(2026, 1, 2), serial="sn 1", report="TR 7")
    told.events.append(LotReceived(seq=0, at="2026-01-02T08:00:00.000Z", lot=lot))
    job = told.job([step("one", position=1), step("two", position=2)])
    for name, serial in (("one", "SN1"), ("two", "SN2")):
        read = age("2030-01-01").model_copy(update={"answers": {"serial": Answer(text=serial)}})
        job.done(name, "2026-01-10T09:00:00.000Z", read)
    before = [item.text for item in story(told.known)]
    line, state = told.jobs[0]
    accepted = Stamp(seq=9, at="2026-01-11T09:00:00.000Z", by=LEAD)
    told.jobs[0] = line, replace(state, accepted=accepted)
    after = [item.text for item in story(told.known)]

    assert not any("SN1" in text for text in before)
    assert "2030-01-01. Filter SN2. Job 2026-0001, step 2, Noor Haddad." in after
    assert "2030-01-01. Filter SN1, test report TR 7. Job 2026-0001, step 1, Noor Haddad." in after


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


def _on(told: Told, day: int, event: type[SiteEvent], **fields: object) -> int:
    """Let something be entered at the site on a day of March, by a lead; return its place."""
    seq = len(told.events)
    told.events.append(event(seq=seq, at=f"2026-03-{day:02d}T09:00:00.000Z", by=LEAD, **fields))
    return seq


def test_the_story_holds_what_was_entered_of_the_housing_itself() -> None:
    """Nameplate, filters at the desk, survey with what differed, its answer, photos, off and back: in sentences."""
    told = Told()
    tag, other = told.housing.tag, "EF-09"
    place = Placed(housing=tag, port="P1", position=1, since="2026-03-02T09:00:00.000Z", filter=Filter(serial="S-1"))
    plates = (Plate(tag=tag, sha256="0" * 64), Plate(tag=other, sha256="1" * 64))
    _on(told, 1, HousingEntered, plates=plates, how="import", why="from the table")
    _on(told, 2, FiltersPlaced, how="desk", places=(place, place.model_copy(update={"housing": other})), why="seen")
    _on(told, 3, FiltersPlaced, how="job", places=(place,), why="job", job="job-1")
    seen = (
        Seen(point="location", label="Place", register_has="Roof"),
        Seen(point="bag.P1", label="P1: bag size", register_has="650", found="700"),
        Seen(point="ring.P1", label="P1: ring size", register_has="", found="620"),
        Seen(point="fan", label="Fan", register_has="F-1", unseen=True),
    )  # fmt: skip
    signed = {"meaning": "looked", "local_time": "2026-03-04 09:00", "proof": "secret"}
    survey = _on(
        told, 4, SurveyTaken, housing=tag, seen=seen, measured=(Measured(what="Door", value="12", unit="kg"),),
        photos=("a" * 64,), note="lamp out", **signed,
    )  # fmt: skip
    _on(
        told,
        5,
        DifferenceAnswered,
        entry=survey,
        point="bag.P1",
        outcome="register right",
        reason="wrong bag lay there",
    )
    changed = Plate(tag=tag, sha256="2" * 64, was="0" * 64, changed=("ports", "test_ports"))
    _on(told, 6, HousingEntered, plates=(changed,), how="desk", why="drawing 7")
    photo = _on(told, 7, HousingPhotographed, housing=tag, photo="b" * 64, shows="the door")
    _on(told, 8, HousingPhotoTakenDown, housing=tag, entry=photo, reason="blurred")
    _on(told, 9, HousingTakenOff, housing=tag, reason="duct is cut")
    _on(told, 10, HousingPutBack, housing=tag, reason="duct is back")
    doubt = Doubt(housing=tag, port="P1", position=1, read="S-2", stood="S-1", sentence="S-2 stands at EF-09")
    _on(told, 11, FiltersPlaced, how="job", places=(), why="Record of job 2026-0001", job="job-1", doubts=(doubt,))

    assert [f"{item.shown[8:10]} {item.what}. {item.text}" for item in reversed(story(told.known))] == [
        "01 Nameplate entered. Entered in the register, by Ines Varga: from the table.",
        "02 Filters entered in the register. P1 position 1: S-1, by Ines Varga: seen.",
        (
            "04 Surveyed. 1 of 4 points were as on the register, 1 could not be seen. Differed: P1: bag size: the "
            "register had “650”, found “700”; P1: ring size: the register had nothing, found “620”. Door: 12 kg. "
            "Note: lamp out. 1 photo. Signed by Ines Varga."
        ),
        (
            "05 Difference answered. P1: bag size, register “650”, found “700”: the register is right, by Ines Varga: "
            "wrong bag lay there."
        ),
        "06 Nameplate changed. Changed: ports, test ports, by Ines Varga: drawing 7.",
        "07 Photo put on the register. It shows “the door”, by Ines Varga.",
        "08 Photo taken down. It showed “the door”, by Ines Varga: blurred.",
        "09 Taken off the register. By Ines Varga: duct is cut.",
        "10 Put back on the register. By Ines Varga: duct is back.",
        "11 Filters not taken over into the register. S-2 stands at EF-09, by Ines Varga: Record of job 2026-0001.",
    ]


def test_the_story_holds_the_packages_that_left_with_their_certificate() -> None:
    """By job and hand-over; those of another housing in the same hand-over are not named, what came back is."""
    told = Told()
    for number, tag in (("2026-0001", told.housing.tag), ("2026-0002", "EF-09"), ("2026-0003", told.housing.tag)):
        _on(told, 1, JobRegistered, job=f"job-{number}", number=number, housing=tag, kind="change_out", root="00")
    signed = {"meaning": "gave", "local_time": "2026-03-02 09:00", "proof": "secret", "organisation": "Waste store"}
    _on(told, 2, WasteHandedOver, handover="H-0001", packages=("2026-0001/1", "2026-0002/1", "2026-0001/2"),
        receiver="Ada", **signed)  # fmt: skip
    _on(
        told, 3, WasteReturned, handover="H-0001", packages=("2026-0001/2",), reason="torn", place="bay", answers="Ines"
    )
    _on(told, 4, WasteHandedOver, handover="H-0002", packages=("2026-0003/1",), receiver="Bo", **signed)
    _on(told, 5, CertificateReceived, handover="H-0001", certificate="C-7", dated=date(2026, 3, 5))

    assert [f"{item.shown[8:10]} {item.what}. {item.text} {item.job}" for item in story(told.known)][:2] == [
        (
            "04 Waste left. Package 2026-0003/1 to Bo, Waste store, by hand-over H-0002. No certificate has come yet. "
            "job-2026-0003"
        ),
        (
            "02 Waste left. Packages 2026-0001/1, 2026-0001/2 to Ada, Waste store, by hand-over H-0001. Came back: "
            "2026-0001/2. Certificate C-7 of 2026-03-05. job-2026-0001"
        ),
    ]
    assert len(story(told.known)) == 2


def test_the_filters_before_are_told_and_drawn_without_a_forecast() -> None:
    """A bank shows the filters of so many changes ago, as far back as they were changed."""
    told = Told()
    for day, drop in (("2026-01-05", "300"), ("2026-02-05", "330"), ("2026-03-05", "360")):
        told.read(day, drop)
    told.job([step("slide", position=1, slides=True)]).done("slide", "2026-03-10T09:00:00.000Z")
    told.read("2026-03-12", "290")

    now, before = bank_part(told.known, Bank.HEPA), bank_part(told.known, Bank.HEPA, 1)

    assert (now.earlier, now.before, [row.read for row in now.rows]) == (1, 0, ["290"])
    assert (before.before, before.since) == (1, "filters from before the record to 2026-03-10")
    assert [row.read for row in before.rows] == ["300", "330", "360"]
    assert ("Rate", "+30.5 Pa in 30 days") in before.facts
    assert not [name for name, _ in before.facts if name.startswith(("Plan", "Band"))]
    assert drawing_of(told.known, Bank.HEPA, 1) != drawing_of(told.known, Bank.HEPA)
    with pytest.raises(Invalid, match=r"were changed once by the record\. Go back no farther"):
        bank_part(told.known, Bank.HEPA, 2)
