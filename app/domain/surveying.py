"""Deciding over as-found surveys: what is looked at, what may be entered, and what answers a difference.

The label data of a housing are looked at point by point against the register as it stands: as on the register,
something else, or not to be seen.  What differs changes nothing by itself: a lead answers each.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import get_args

from app.calc.errors import Invalid
from app.domain.filling import NOT_KNOWN, elsewhere, filter_from, in_store_room, past_day, serial_from
from app.domain.housed import Difference, Housed, serial_key, serial_label, serial_point
from app.domain.housed_events import (
    DifferenceAnswered,
    FiltersPlaced,
    Measured,
    Outcome,
    Placed,
    Seen,
    SurveyTaken,
)
from app.domain.housing import Housing
from app.domain.judging import number_text
from app.domain.registers import SiteMoment, reason_from
from app.domain.site import SiteState

AS_ON_REGISTER, DIFFERS, UNSEEN = "as on the register", "differs", "cannot be seen"
MOST_MEASURED, MOST_PHOTOS, LONGEST = 8, 4, 200
SHOWN, TAG, DATED = "shown.", "tag", "dated."


@dataclass(frozen=True, slots=True)
class Point:
    """One thing to look at.  id: also of its form field.  register_has: empty where the register knows nothing."""

    id: str
    label: str
    register_has: str


def points_of(housing: Housing, register: Housed) -> tuple[Point, ...]:
    """Return what is looked at, in the order of a walk: the housing, its points of isolation, each port."""
    return tuple(_points(housing, register))


def _points(housing: Housing, register: Housed) -> Iterator[Point]:
    yield Point(TAG, "Tag on the label", housing.tag)
    yield Point("location", "Place", housing.location)
    yield Point("service", "Service, as the warning on it says", housing.service.replace("_", " "))
    yield Point("upstream", "Upstream damper", housing.upstream_damper)
    yield Point("downstream", "Downstream damper", housing.downstream_damper)
    yield Point("fan", "Fan", housing.fan)
    for point in housing.points:
        if point.tag not in (housing.upstream_damper, housing.downstream_damper, housing.fan):
            yield Point(f"isolation.{point.id}", f"Isolation point {point.id}: {point.kind.words}", point.tag)
    for gauge in housing.gauges or ():
        yield Point(f"gauge.{gauge.tag}", f"Gauge for {gauge.reads}", gauge.tag)
    for test in housing.test_ports or ():
        yield Point(f"test.{test.tag}", f"Test port: {test.at}", test.tag)
    for port in housing.ports:
        yield Point(f"filters.{port.id}", f"{port.id}: number of filters in series", str(port.filters))
        yield Point(f"type.{port.id}", f"{port.id}: filter type", port.filter)
        yield Point(f"ring.{port.id}", f"{port.id}: ring size", port.ring or "")
        yield Point(f"bag.{port.id}", f"{port.id}: bag size", port.bag or "")
        yield Point(f"clamp.{port.id}", f"{port.id}: clamp type", port.clamp_type or "")
        yield Point(f"seal.{port.id}", f"{port.id}: seal", str(housing.seal))
        for position in range(1, port.filters + 1):
            now = register.at(housing.tag, port.id, position)
            serial = now.filter.serial if now is not None and now.filter is not None else ""
            yield Point(serial_point(port.id, position), serial_label(port.id, position), serial)
            if now is not None and now.filter is not None:
                label = f"Maker's date of the filter at {port.id}, position {position}"
                yield Point(f"{DATED}{port.id}.{position}", label, str(now.filter.made or ""))


def survey_taken(
    state: SiteState, moment: SiteMoment, housing: Housing, typed: Mapping[str, str], *, photos: Sequence[str],
    meaning: str, local_time: str, proof: str,
) -> tuple[SurveyTaken | FiltersPlaced, ...]:  # fmt: skip
    """Return the entries of a survey: the survey, and the filters whose serial numbers the register did not know.

    typed: for each point `shown.<id>` (what the register had when it was looked at), `p.<id>` (one of the three
    answers) and `f.<id>` (what was found), `made.<id>` for a filter that the register does not know; `what.N`,
    `value.N`, `unit.N` of what was measured; `note`.
    Raises Invalid with one sentence where the register has something else than was shown, for a point without answer,
    a difference without words, and bad text.
    """
    points = points_of(housing, state.housed)
    _complain_of_others(points, typed)
    seen: list[Seen] = []
    placed: list[Placed] = []
    for point in points:
        found = " ".join(typed.get(f"f.{point.id}", "").split())
        if found and point.id.startswith(DATED):
            found = str(past_day(found, point.label, moment.today))
        if not point.register_has:
            if point.id.startswith("serial."):
                placed += [_placed(state, moment, housing, point, found, typed)] if found else []
            elif found:
                seen.append(_seen(point, DIFFERS, found))
            continue
        seen.append(_seen(point, typed.get(f"p.{point.id}", ""), found))
    note = _short(typed.get("note", ""), "Note")
    survey = SurveyTaken(
        seq=moment.seq, at=moment.at, by=moment.by, housing=housing.tag, seen=tuple(seen),
        measured=tuple(_measured(typed)) or None, photos=tuple(photos) or None, note=note or None,
        meaning=meaning, local_time=local_time, proof=proof,
    )  # fmt: skip
    if not placed:
        return (survey,)
    serials = [serial_key(place.filter.serial) for place in placed if place.filter]
    if len(set(serials)) != len(serials):
        raise Invalid("One serial number was read at two positions, and no filter is in two places. Read them again.")
    filled = FiltersPlaced(
        seq=moment.seq + 1, at=moment.at, by=moment.by, how="survey", places=tuple(placed), why="Read in a survey"
    )
    return survey, filled


def as_shown(point: Point, typed: Mapping[str, str]) -> bool:
    """Whether a survey was looked at with what the register has now; spaces do not count, for no page shows them."""
    shown = typed.get(f"{SHOWN}{point.id}")
    return shown is not None and shown.split() == point.register_has.split()


def _complain_of_others(points: Sequence[Point], typed: Mapping[str, str]) -> None:
    """Nobody signs for what was not shown to them."""
    for point in points:
        if not as_shown(point, typed):
            raise Invalid(f"{point.label}: the register changed meanwhile. Look at it again.")
    known = {f"{SHOWN}{point.id}" for point in points}
    if gone := next((name for name in typed if name.startswith(SHOWN) and name not in known), None):
        raise Invalid(f"The register changed meanwhile and asks for {gone[len(SHOWN) :][:60]} no more. Look again.")


def _seen(point: Point, answer: str, found: str) -> Seen:
    match answer:
        case "as on the register":
            if found:
                raise Invalid(
                    f"{point.label}: “{found[:60]}” was written and “{AS_ON_REGISTER}” chosen. Choose “{DIFFERS}”, or "
                    "clear what was written."
                )
            return Seen(point=point.id, label=point.label, register_has=point.register_has)
        case "cannot be seen":
            return Seen(point=point.id, label=point.label, register_has=point.register_has, unseen=True)
        case "differs":
            told = _short(found, point.label)
            if not told:
                raise Invalid(
                    f"{point.label}: “{DIFFERS}” was chosen, and “What is there instead” is empty. Type there what you "
                    "see, then sign again."
                )
            if told == point.register_has:
                raise Invalid(f"{point.label}: “{told}” is what the register has. Choose “{AS_ON_REGISTER}”.")
            if point.id.startswith("serial."):
                serial_from(told)
            return Seen(point=point.id, label=point.label, register_has=point.register_has, found=told)
        case _:
            raise Invalid(f"{point.label}: nothing was chosen. Choose one of the three answers.")


def _placed(
    state: SiteState, moment: SiteMoment, housing: Housing, point: Point, found: str, typed: Mapping[str, str]
) -> Placed:
    port, _, place = point.id.removeprefix("serial.").rpartition(".")
    read = filter_from({"serial": found, "made": typed.get(f"made.{point.id}", "")}, moment.today)
    if told := elsewhere(state.housed, read.serial, housing.tag, (port, int(place))):
        raise Invalid(
            f"{point.label}: {read.serial} is in place at {told} by the register, and no filter is in two places. Read "
            "the label again; if it reads so, leave the field empty and say it in the note."
        )
    if lot := in_store_room(state.store, read.serial):
        raise Invalid(
            f"{point.label}: {read.serial} is in the store room as {lot}, and no filter is in two places. Read "
            "the label again; if it reads so, leave the field empty and say it in the note."
        )
    return Placed(housing=housing.tag, port=port, position=int(place), since=moment.at, filter=read)


def _measured(typed: Mapping[str, str]) -> Iterator[Measured]:
    for place in range(1, MOST_MEASURED + 1):
        what = _short(typed.get(f"what.{place}", ""), f"Measured, line {place}")
        value = _short(typed.get(f"value.{place}", ""), f"Measured, line {place}")
        unit = " ".join(typed.get(f"unit.{place}", "").split())
        if not (what or value or unit):
            continue
        if not (what and value):
            raise Invalid(f"Measured, line {place}: give what was measured and what was found, or clear the line.")
        if len(unit) > 20:
            raise Invalid(
                f"Measured, line {place}: the unit has {len(unit)} characters; 20 is the most this program takes."
            )
        yield Measured(what=what, value=number_text(value, what) if unit else value, unit=unit or None)


def _short(text: str, label: str) -> str:
    told = " ".join(text.split())
    if len(told) > LONGEST:
        raise Invalid(
            f"{label}: {len(told)} characters were given; {LONGEST} is the most this program takes. Shorten it."
        )
    return told


def difference_answered(
    state: SiteState, moment: SiteMoment, housing: Housing | None, *, entry: str, point: str, outcome: str, reason: str
) -> DifferenceAnswered:
    """Return the entry that answers a difference.

    housing: as its file is now, None if there is none any more.  "register changed" is refused while the register
    still has what it had, so that nobody closes a difference that is still there; but for the tag, which no page
    changes: there the reason says what was done.
    """
    number = int(entry) if entry.isascii() and entry.isdigit() and len(entry) < 10 else -1
    found = state.housed.differences.get((number, point))
    if found is None:
        raise Invalid("This difference is not open any more, or never was. Reload the page and look again.")
    if outcome not in get_args(Outcome):
        raise Invalid("Choose whether the register was changed or is right.")
    if outcome == "register changed" and point == TAG and not reason.strip():
        raise Invalid(
            f"{found.label}: no page changes a tag, so the register cannot show it. Say as the reason what was done, "
            "such as under which tag the housing was entered."
        )
    if outcome == "register changed" and housing is not None and _stands(found, housing, state.housed):
        raise Invalid(
            f"{found.label}: the register still has “{found.register_has}”. Change it on the page of {found.housing} "
            "first, then answer."
        )
    return DifferenceAnswered(
        seq=moment.seq, at=moment.at, by=moment.by, entry=number, point=point,
        outcome="register changed" if outcome == "register changed" else "register right",
        reason=reason_from(reason, "Reason"),
    )  # fmt: skip


def _stands(found: Difference, housing: Housing, register: Housed) -> bool:
    """Whether the register is seen to have what it had; a tag is changed outside of it, by a housing of another tag."""
    if found.point == TAG:
        return False
    now = next((point.register_has for point in points_of(housing, register) if point.id == found.point), None)
    had = "" if found.register_has == NOT_KNOWN else found.register_has
    return now == had
