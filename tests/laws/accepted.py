"""What no accepted record may hold, read from its entries as an outsider reads them: JSON and nothing else.

No state of the program is asked: what stands is told again from the entries' own words, in a loop for each law.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from app.domain.events import Event, payload_of
from app.domain.steps import Step

Entry = Mapping[str, Any]
OPENS = {"take_door_off"}
VERIFIES = {"verify_isolation"}


def left_behind(events: Sequence[Event], steps: Iterable[Step]) -> list[str]:
    """Return what a record that ends with these entries leaves behind.  steps: of the job, put in ones among them."""
    entries = [payload_of(event) for event in events]
    known = [step.model_dump(mode="json") for step in steps]
    return [
        *holds_not_released(entries, known),
        *isolation_not_verified(entries, known),
        *locks_left_on(entries),
        *stops_without_a_reason(entries),
    ]


def taken_back(entry: Entry) -> set[str]:
    """Return the steps whose mark this entry takes back or asks for anew."""
    named = {entry["step"]} if entry["type"] == "step_withdrawn" else set()
    return named | set(entry.get("due_again") or ()) | set(entry.get("again") or ()) | set(entry.get("taken_up") or ())


def left_out(entry: Entry) -> set[str]:
    """Return the steps that a branch or a contingency leads past; no word of a person sets a hold aside."""
    match entry["type"]:
        case "branch_left":
            return set(entry.get("steps") or ())
        case "contingency_entered":
            return set(entry.get("left") or ())
        case _:
            return set()


def _acting(steps: Iterable[Entry], acts: set[str]) -> set[str]:
    return {step["id"] for step in steps if any(effect["act"] in acts for effect in step.get("effects") or ())}


def holds_not_released(entries: Iterable[Entry], steps: Iterable[Entry]) -> Iterator[str]:
    """Yield each hold point that nobody has released since it was last asked for."""
    open_holds = {step["id"] for step in steps if step["kind"] == "hold"}
    holds = frozenset(open_holds)
    for entry in entries:
        if entry["type"] in {"hold_released", "hold_released_by_radio"}:
            open_holds.discard(entry["step"])
        open_holds -= left_out(entry)
        open_holds |= holds & taken_back(entry)
    yield from (f"the hold {hold} is not released" for hold in sorted(open_holds))


def isolation_not_verified(entries: Iterable[Entry], steps: Sequence[Entry]) -> Iterator[str]:
    """Yield each opening without an isolation that stands verified, and each verification missing at the end."""
    verifying, opening = _acting(steps, VERIFIES), _acting(steps, OPENS)
    missing, verified, leaks = set(verifying), False, set()
    for entry in entries:
        kind, step = entry["type"], entry.get("step")
        if kind == "job_opened":
            leaks = {item["id"] for item in entry.get("contingencies") or () if item["occurs"] == "leak_by"}
        if kind in {"step_begun", "step_done", "step_outside"} and step in opening and not verified:
            yield f"entry {entry['seq']} opens at {step} without a verified isolation"
        if kind == "step_done" and step in verifying:
            missing.discard(step)
            verified = True
        missing -= left_out(entry)
        again = verifying & taken_back(entry)
        missing |= again
        moved = kind == "damper_stroked" and entry["part"] == "off"
        unlocked = kind == "point_unlocked" or (kind == "others_lock_removed" and entry.get("point"))
        leaking = kind == "contingency_entered" and entry["contingency"] in leaks
        if again or moved or unlocked or leaking:
            verified = False
        if moved:
            missing |= verifying
    yield from (f"the isolation is not verified at {step}" for step in sorted(missing))


def locks_left_on(entries: Iterable[Entry]) -> Iterator[str]:
    """Yield each lock that is still on: of a point of isolation, or somebody's own."""
    on: dict[str, str] = {}
    own: dict[str, str] = {}
    for entry in entries:
        point = str(entry.get("point") or "")
        match entry["type"], entry.get("part"):
            case ("point_locked", _) | ("damper_stroked", "on"):
                on[point] = entry["lock"]
            case ("point_unlocked", _) | ("damper_stroked", "off"):
                on.pop(point, None)
            case ("others_lock_removed", _) if point:
                on.pop(point, None)
            case ("own_lock_on", _):
                own[entry["lock"]] = entry["by"]["name"]
            case ("own_lock_off" | "others_lock_removed", _):
                own.pop(entry["lock"], None)
    yield from (f"lock {lock} is still on {point}" for point, lock in sorted(on.items()))
    yield from (f"{name}'s own lock {lock} is still on" for lock, name in sorted(own.items()))


def stops_without_a_reason(entries: Iterable[Entry]) -> Iterator[str]:
    """Yield each stop for which nobody has given a reason: with it, or while it stood."""
    bare: set[int] = set()
    standing: set[int] = set()
    for entry in entries:
        match entry["type"]:
            case "job_stopped":
                standing.add(entry["seq"])
                if not entry.get("reason"):
                    bare.add(entry["seq"])
            case "stop_explained" if entry["reason"]:
                bare -= standing
            case "job_reopened" | "contingency_entered":
                standing.clear()
    yield from (f"nobody explained the stop of entry {seq}" for seq in sorted(bare))
