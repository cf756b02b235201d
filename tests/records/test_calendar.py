"""Calendar files: read by a library that is not ours, and looked at line by line against the grammar."""

import re
from datetime import UTC, datetime
from typing import Any

import icalendar
from hypothesis import given
from hypothesis import strategies as st

from app.domain.planned import PlanDropped
from app.domain.readiness import Item
from app.domain.site import JobClosed, JobTakenUp, SiteState, evolve_site
from app.domain.watch_events import PersonAdded
from app.records.calendar import calendar, escaped, folded, of_housing, of_person
from tests.builders import LEAD, PEOPLE, housing
from tests.domain.test_planned import SITE, changing, planning, registered
from tests.domain.test_readiness import agreed, answering

TITLES = {"change-out": "Change-out through bags"}
HOUSINGS = {tag: housing(tag) for tag in ("EF-03", "EF-07")}
LINE = re.compile(rb"[A-Z-]+(;[A-Z-]+=[^\x00-\x1f\x7f]*)?:[^\x00-\x08\x0a-\x1f\x7f]*")
WORDS = st.text(st.characters(exclude_categories=["Cs"]), max_size=200)


def known(state: SiteState) -> SiteState:
    """Return the site with the names of its people."""
    for who in PEOPLE:
        added = PersonAdded(seq=state.size, at="2026-03-01T08:00:00.000Z", person=who.id, name=who.name, role=who.role)
        state = evolve_site(state, added)
    return state


def file_of(state: SiteState, person: str = "", tag: str = "EF-03") -> bytes:
    """Return the file of a person, or of a housing."""
    plans = of_person(state, person) if person else of_housing(state, tag)
    return calendar(state, plans, HOUSINGS, TITLES, name="Noor, Sample; Works", key_id="00ff" * 4, person=person)


def read(data: bytes) -> Any:
    """Return the one calendar that the other reader finds, without a complaint."""
    (found,) = icalendar.Calendar.from_ical(data, multiple=True)
    assert found.errors == []
    return found


def events(data: bytes) -> list[Any]:
    """Return the events that the other reader finds."""
    return list(read(data).walk("VEVENT"))


def lines(data: bytes) -> list[bytes]:
    """Return the unfolded lines, having looked at each as it stands."""
    assert data.endswith(b"\r\n")
    assert b"\n" not in data.replace(b"\r\n", b"")
    assert b"\r" not in data.replace(b"\r\n", b"")
    for line in data[:-2].split(b"\r\n"):
        assert len(line) <= 75
        line.decode("utf-8")
    return data.replace(b"\r\n ", b"")[:-2].split(b"\r\n")


def test_another_reader_finds_the_work_in_utc_across_the_change_of_clocks() -> None:
    """07:30 in Berlin is 06:30 UTC in winter and 05:30 in summer; names, place and state are as planned."""
    state = known(SITE)
    state = planning(state)
    state = planning(state, begins="2026-04-09T07:30", ends="2026-04-09T15:00", why="commas, semicolons; \\ and “more”")
    winter, summer = events(file_of(state))

    assert winter.decoded("dtstart") == datetime(2026, 3, 9, 6, 30, tzinfo=UTC)
    assert winter.decoded("dtend") == datetime(2026, 3, 9, 14, 0, tzinfo=UTC)
    assert summer.decoded("dtstart") == datetime(2026, 4, 9, 5, 30, tzinfo=UTC)
    assert winter["summary"] == "EF-03: Change-out through bags (PL-0001)"
    assert winter["location"] == f"EF-03, {housing().location}"
    assert "Lead: Ines Varga\nCrew: Noor Haddad" in winter["description"]
    assert summer["description"].startswith("commas, semicolons; \\ and “more”\n")
    assert winter["status"] == "TENTATIVE"
    assert winter.decoded("dtstamp") == datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
    assert winter["uid"] != summer["uid"]


def test_the_head_says_whose_file_it_is_and_how_it_is_meant() -> None:
    """A product of our own, published; the same ledger gives the same octets."""
    state = planning(known(SITE))
    found = read(file_of(state))

    assert (found["version"], found["method"], found["prodid"]) == (
        "2.0", "PUBLISH", "-//Changeout Ledger//Planned work//EN",
    )  # fmt: skip
    assert b"X-WR-CALNAME:Noor\\, Sample\\; Works" in lines(file_of(state))
    assert file_of(state) == file_of(state)
    assert lines(file_of(state))[0] == b"BEGIN:VCALENDAR"
    assert events(file_of(known(SITE))) == []


def test_a_change_keeps_the_uid_and_raises_the_sequence() -> None:
    """By every entry about the plan, answers and signatures among them."""
    state = planning(known(SITE))
    moved = evolve_site(state, changing(state, ends="2026-03-09T16:00"))
    before, after = events(file_of(state))[0], events(file_of(moved))[0]
    ready = events(file_of(agreed()))[0]

    assert before["uid"] == after["uid"]
    assert (before["sequence"], after["sequence"]) == (0, 1)
    assert after.decoded("dtend") == datetime(2026, 3, 9, 15, 0, tzinfo=UTC)
    assert (ready["sequence"], ready["status"]) == (10, "CONFIRMED")
    assert "Agreed to be ready" in ready["description"]


def test_what_is_dropped_is_cancelled_and_what_is_opened_or_agreed_stands_firm() -> None:
    """A change after the agreement makes it tentative again."""
    state = agreed()
    changed = answering(state, Item.WASTE, typed={"container": "box"})
    opened = evolve_site(changed, registered(changed, "PL-0001"))
    dropped = evolve_site(
        state, PlanDropped(seq=state.size, at="2026-03-03T08:00:00.000Z", by=LEAD, plan="PL-0001", reason="line on")
    )
    told = [events(file_of(item))[0]["status"] for item in (changed, opened, dropped)]

    assert told == ["TENTATIVE", "CONFIRMED", "CANCELLED"]
    assert "Dropped: line on" in events(file_of(dropped))[0]["description"]
    assert "Opened as job 2026-0001" in events(file_of(opened))[0]["description"]
    assert "yet to be signed" in events(file_of(changed))[0]["description"]


def closing(state: SiteState, at: str) -> SiteState:
    """Return the site after the record of its job was accepted."""
    return evolve_site(state, JobClosed(seq=state.size, at=at, by=LEAD, job="job-2026-0001", size=9, root="ab" * 32))


def test_a_closed_job_stands_where_it_was_done_and_no_longer_as_coming_work() -> None:
    """Same UID, SEQUENCE up at each turn; taken up anew it is in hand on its planned days again."""
    planned = planning(known(SITE), "hands")
    opened = evolve_site(planned, registered(planned, "PL-0001"))
    closed = closing(opened, "2026-03-10T10:00:00.000Z")
    anew = evolve_site(
        closed,
        JobTakenUp(seq=closed.size, at="2026-03-11T08:00:00.000Z", by=LEAD, job="job-2026-0001", size=11,
                   root="ab" * 32),
    )  # fmt: skip
    again = closing(anew, "2026-03-12T09:00:00.000Z")
    found = [events(file_of(state, "hands"))[0] for state in (planned, opened, closed, anew, again)]
    before, in_hand, over, taken_up, over_again = found

    assert len({item["uid"] for item in found}) == 1
    assert [item["sequence"] for item in found] == [0, 1, 2, 3, 4]
    assert [str(item["summary"]).partition("EF-03")[0] for item in found] == [
        "", "Job 2026-0001 in hand, ", "Job 2026-0001 closed, ", "Job 2026-0001 in hand, ", "Job 2026-0001 closed, ",
    ]  # fmt: skip
    assert [item["transp"] for item in found] == ["OPAQUE", "OPAQUE", "TRANSPARENT", "OPAQUE", "TRANSPARENT"]
    assert [item["status"] for item in found] == ["TENTATIVE", *["CONFIRMED"] * 4]
    for item in (before, in_hand, taken_up):
        assert item.decoded("dtstart") == datetime(2026, 3, 9, 6, 30, tzinfo=UTC)
        assert item.decoded("dtend") == datetime(2026, 3, 9, 14, 0, tzinfo=UTC)
    assert over.decoded("dtstart") == datetime(2026, 3, 9, 6, 30, tzinfo=UTC)
    assert over.decoded("dtend") == over.decoded("last-modified") == datetime(2026, 3, 10, 10, 0, tzinfo=UTC)
    assert over_again.decoded("dtend") == datetime(2026, 3, 12, 9, 0, tzinfo=UTC)
    assert "Opened as job 2026-0001 on 2026-03-09 07:30:00 +01:00; its record was accepted on" in over["description"]
    assert "Planned from 2026-03-09 07:30 to 2026-03-09 15:00." in over["description"]


def test_a_clock_that_was_put_back_gives_no_event_that_ends_before_it_begins() -> None:
    """Such an event has no end (RFC 5545, 3.6.1: DTEND is later than DTSTART)."""
    state = planning(known(SITE))
    state = closing(evolve_site(state, registered(state, "PL-0001")), "2026-03-09T06:00:00.000Z")
    (found,) = events(file_of(state))

    assert "dtend" not in found
    assert found.decoded("dtstart") == datetime(2026, 3, 9, 6, 30, tzinfo=UTC)


def test_whoever_is_taken_from_a_crew_finds_it_cancelled_and_nobody_else_does() -> None:
    """Each person's file holds their work only."""
    state = planning(known(SITE))
    state = evolve_site(state, changing(state, "eyes"))
    state = planning(state, "hands", housing="EF-07", lead="other-lead")

    assert [(item["status"], str(item["summary"])[:5]) for item in events(file_of(state, "hands"))] == [
        ("CANCELLED", "EF-03"), ("TENTATIVE", "EF-07"),
    ]  # fmt: skip
    assert [item["status"] for item in events(file_of(state, "eyes"))] == ["TENTATIVE"]
    assert [item["status"] for item in events(file_of(state, "lead"))] == ["TENTATIVE"]
    assert events(file_of(state, "officer")) == []
    assert len(events(file_of(state, tag="EF-07"))) == 1


def test_each_line_is_in_the_grammar_and_each_event_has_what_it_must() -> None:
    """Name, colon, value; in an event one of each property, the required ones among them (RFC 5545, 3.6.1)."""
    state = planning(known(SITE), why="Unicode ÄÖÜ – 汉字 " * 5)
    found = lines(file_of(state))

    assert all(LINE.fullmatch(line) for line in found)
    names = [line.split(b":")[0] for line in found[found.index(b"BEGIN:VEVENT") : found.index(b"END:VEVENT")]]
    assert len(names) == len(set(names))
    assert {b"UID", b"DTSTAMP", b"DTSTART", b"DTEND", b"SEQUENCE", b"STATUS"} <= set(names)
    for name in (b"DTSTAMP", b"DTSTART", b"DTEND", b"CREATED", b"LAST-MODIFIED"):
        (line,) = (line for line in found if line.startswith(name + b":"))
        assert re.fullmatch(rb"[A-Z-]+:\d{8}T\d{6}Z", line)


@given(text=WORDS)
def test_any_text_comes_back_through_folding_and_escaping(text: str) -> None:
    """No fold splits a character, no octet leaves a line; what can be said in the format comes back as it was."""
    written = folded(f"DESCRIPTION:{escaped(text)}")
    around = [b"BEGIN:VCALENDAR\r\nBEGIN:VEVENT\r\n", written, b"END:VEVENT\r\nEND:VCALENDAR\r\n"]
    (line,) = lines(written)
    said = "\n".join("".join(c for c in row if c >= " " and c != "\x7f") for row in text.splitlines())

    assert line.startswith(b"DESCRIPTION:")
    assert str(events(b"".join(around))[0]["description"]) == said
