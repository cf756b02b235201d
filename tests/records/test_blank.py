"""A controlled blank holds what the work asks for: locks by point, pauses by person, readings while a door is off."""

from typing import Any

from app.domain.commands import Correct, ExplainStop, StopWork, WriteNote
from app.domain.events import STOP_REASONS
from app.domain.field_change import DeclineChange, NewWords, ProposeChange
from app.domain.locks import LockPoint
from app.domain.paper import BlankPrinted, PrintBlank
from app.records.blank import LATER, READINGS, blank_of
from app.records.veil import UNSEEN, veiled, veiled_events
from tests.builders import EYES, HANDS, LEAD, Bench, opened


def blank(bench: Bench) -> dict[str, Any]:
    """Print what is left of a job, and return the values of the blank."""
    (event,) = bench.do(PrintBlank(), HANDS)
    assert isinstance(event, BlankPrinted)
    told = veiled_events(bench.state, bench.events[:-1], on_paper=True)
    return blank_of(veiled(bench.state, on_paper=True), told, event, root="ab" * 32)


def step_of(value: dict[str, Any], words: str) -> dict[str, Any]:
    """Return the first step to come whose action holds these words."""
    found: dict[str, Any] = next(
        step for section in value["sections"] for step in section["steps"] if words in step["text"]
    )
    return found


def test_a_table_of_locks_has_a_row_for_each_point_with_what_is_on_already() -> None:
    """One point is locked when the tablets fail; the others have room for lock, tag, position, person and time."""
    bench = opened()
    bench.run_to("shut/locks")
    bench.do(LockPoint("isolate/shut/locks", "fan", "stopped, isolator off", "L-7", "T-7"), EYES)

    value = blank(bench)
    on, off = step_of(value, "Apply a lock"), step_of(value, "Remove the locks")

    assert on["rows"][:2] == [
        {"point": tag, "safe": "shut", "lock": "", "tag": "", "who": ""} for tag in ("D-301", "D-302")
    ]
    assert on["rows"][2]["point"] == "F-31"
    assert on["rows"][2]["who"].startswith(f"{EYES.name}, 2026-03-02")
    assert [row["point"] for row in off["rows"]] == ["D-301", "D-302", "F-31"]
    assert {(row["lock"], row["who"]) for row in off["rows"]} == {("", "")}
    assert "Entered later row by row" in on["where"]


def test_a_pause_prints_what_is_said_and_a_line_for_each_of_the_crew() -> None:
    """Values stand at the pause that is due; at a later one they are read at the place."""
    bench = opened()
    bench.run_to("verify/pause")

    value = blank(bench)
    due, later = step_of(value, "before EF-03 is opened"), step_of(value, "before the first cut")

    assert [heading for heading, _ in due["says"]] == ["Locks", "Permit", "Ring of P1"]
    assert all(told for _, told in due["says"])
    assert [told for _, told in later["says"]] == [""] * len(later["says"])
    names = [f"{who.name} spoke" for who in (HANDS, EYES)]
    assert due["lines"] == later["lines"] == names + ["somebody else of the crew spoke"] * LATER
    assert "Entered later with the names that stand signed here" in due["where"]


def test_the_repeated_reading_has_a_table_while_a_door_will_be_or_is_off() -> None:
    """It begins at the door; on a blank for the work after it there is none."""
    before, amid, after = opened(), opened(), opened()
    before.run_to("shut/locks")
    amid.run_to("open/bag")
    after.run_to("flow/unlock/locks")

    ahead, now, none = blank(before), blank(amid), blank(after)

    assert "Housing minus room, at least every 30 min" in step_of(ahead, "Take the door off")["repeats"]
    assert ahead["repeated"]["rows"] == READINGS
    assert ahead["repeated"]["unit"] == "Pa"
    assert ahead["repeated"]["limit"] == "Limit -50 to 0 Pa (site value)."
    assert now["repeated"] == ahead["repeated"]
    assert none["repeated"] is None


def told_beside(value: dict[str, Any]) -> str:
    """Return what happened beside the marks, a line for each."""
    return "\n".join(sentence for _, _, sentence in value["beside"])


def test_the_record_so_far_tells_what_happened_beside_the_marks() -> None:
    """Locks, an attempt with its stop and reason, a correction, a change, a note: one line each, in order."""
    bench = opened()
    bench.run_to("out-1/gather")
    due = bench.state.due
    assert due is not None
    bench.do(WriteNote("The lamp in the corridor is out."), HANDS)
    new = NewWords(text="Gather the bag at arm's length.")
    bench.do(ProposeChange(due.id, new, "the duct is in the way"), HANDS)
    bench.do(DeclineChange("2026-0001/D1", "it is not"), LEAD)
    bench.do(Correct("ready/parts/tools-gasket", "wrench", "W-12", "misread"), HANDS)
    bench.do(StopWork(), HANDS)
    bench.do(ExplainStop(next(iter(STOP_REASONS)), "The bag slips."), HANDS)
    bench.go_on()
    bench.answer({"length": "5"})

    value = blank(bench)
    told = told_beside(value)

    parts = [
        "put lock", "noted: The lamp in the corridor is out.", "the duct is in the way", "it is not",
        "to W-12: misread", "stopped the job", "The bag slips.", "outside its limit at", "Outside its limit: ",
    ]  # fmt: skip
    assert [part for part in parts if part not in told] == []
    assert [told.index(part) for part in parts] == sorted(told.index(part) for part in parts)
    assert [int(entry) for entry, _, _ in value["beside"]] == sorted(int(entry) for entry, _, _ in value["beside"])
    assert all(when.startswith("2026-03-02 ") for _, when, _ in value["beside"])


def test_what_a_verifier_found_is_not_printed_before_the_verification_stands() -> None:
    """Neither the lock numbers that are stated anew nor an entry that did not agree lie in the next verifier's hand."""
    bench = opened()
    bench.run_to("in-2/serial-again")
    due = bench.state.due
    assert due is not None
    bench.answer({"serial": "QX-77-4411-B"}, EYES)

    told = told_beside(blank(bench))

    assert "outside its limit at" in told
    assert "QX-77-4411-B" not in told
    assert UNSEEN in told
