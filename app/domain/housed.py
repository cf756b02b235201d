"""The housing register at one moment, folded from the site's ledger.

Rules kept here:
- no serial number is in two places: one that arrives leaves where it was, whatever an entry says;
- a difference stays open until it is answered by name.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Literal, assert_never

from immutables import Map

from app.domain.event_base import Who
from app.domain.housed_events import (
    DifferenceAnswered,
    Filter,
    FiltersPlaced,
    HousedEvent,
    HousingEntered,
    HousingPhotographed,
    HousingPhotoTakenDown,
    HousingPutBack,
    HousingTakenOff,
    How,
    Placed,
    SurveyTaken,
)

Spot = tuple[str, int]
"""A port and a position."""


@dataclass(frozen=True, slots=True)
class PlateKnown:
    """The newest entry about a nameplate."""

    sha256: str
    entry: int
    at: str
    by: Who | None
    why: str


@dataclass(frozen=True, slots=True)
class InPlace:
    """What the register has for a position.  filter: none where the one that was there left.  since: UTC text."""

    filter: Filter | None
    since: str
    how: How
    entry: int
    at: str
    by: Who | None
    job: str = ""


@dataclass(frozen=True, slots=True)
class Difference:
    """A point in which somebody found the housing otherwise than the register has it.  place: among its entry's."""

    entry: int
    place: int
    at: str
    by: Who | None
    housing: str
    point: str
    label: str
    register_has: str
    found: str
    sentence: str = ""


Turn = Literal["plate", "filters", "doubt", "answer", "off", "back", "photo", "photo down"]


@dataclass(frozen=True, slots=True)
class Past:
    """One entry about one housing, for its history.

    told: the fields of the nameplate that changed, what came to be where, the point answered, what a photo shows.
    why: the reason given, or how a difference was answered.  first: the nameplate was entered where there was none.
    """

    entry: int
    at: str
    by: Who | None
    turn: Turn
    told: tuple[str, ...] = ()
    why: str = ""
    first: bool = False


_NO_SPOTS: Mapping[Spot, InPlace] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Housed:
    """The register.  places: by housing, then by port and position.  serials: where each one is, by `serial_key`.

    off: the housings that were taken off it, with the entry that did so.  pictures: photos by housing, oldest first.
    past: what was entered about each housing beside its surveys, oldest first.
    """

    plates: Map[str, PlateKnown] = field(default_factory=Map)
    places: Map[str, Mapping[Spot, InPlace]] = field(default_factory=Map)
    serials: Map[str, tuple[str, Spot]] = field(default_factory=Map)
    surveys: Map[str, tuple[SurveyTaken, ...]] = field(default_factory=Map)
    differences: Map[tuple[int, str], Difference] = field(default_factory=Map)
    off: Map[str, HousingTakenOff] = field(default_factory=Map)
    pictures: Map[str, tuple[HousingPhotographed, ...]] = field(default_factory=Map)
    past: Map[str, tuple[Past, ...]] = field(default_factory=Map)

    def at(self, housing: str, port: str, position: int) -> InPlace | None:
        """Return what is known of a position; None where nothing ever was."""
        return self.places.get(housing, _NO_SPOTS).get((port, position))

    def where(self, serial: str) -> tuple[str, Spot] | None:
        """Return housing, port and position of a serial number."""
        return self.serials.get(serial_key(serial))

    def spots(self, housing: str) -> Mapping[Spot, InPlace]:
        """Return what is known of each position of a housing."""
        return self.places.get(housing, _NO_SPOTS)

    def open_at(self, housing: str) -> tuple[Difference, ...]:
        """Return the differences of a housing that nobody has answered, in the order in which they were found."""
        return in_order(item for item in self.differences.values() if item.housing == housing)


def in_order(found: Iterable[Difference]) -> tuple[Difference, ...]:
    """Return differences in the order in which they were found."""
    return tuple(sorted(found, key=lambda item: (item.entry, item.place)))


def serial_key(serial: str) -> str:
    """Return what two ways of writing one serial number have in common: case and spaces do not count."""
    return "".join(serial.split()).casefold()


def serial_point(port: str, position: int) -> str:
    """Return the id of the point of a survey that asks for the serial number in a position."""
    return f"serial.{port}.{position}"


def serial_label(port: str, position: int) -> str:
    """Say which serial number is meant."""
    return f"Serial number at {port}, position {position}"


def evolve_housed(housed: Housed, event: HousedEvent) -> Housed:
    """Return the register after one more entry."""
    fresh = {tag: (*housed.past.get(tag, ()), past) for tag, past in _past_of(housed, event)}
    return replace(_evolved(housed, event), past=housed.past.update(fresh))


def _evolved(housed: Housed, event: HousedEvent) -> Housed:
    match event:
        case HousingEntered():
            fresh = {
                plate.tag: PlateKnown(plate.sha256, event.seq, event.at, event.by, event.why) for plate in event.plates
            }
            return replace(housed, plates=housed.plates.update(fresh))
        case FiltersPlaced():
            return _doubted(_filled(housed, event), event)
        case SurveyTaken():
            return _surveyed(housed, event)
        case DifferenceAnswered():
            key = event.entry, event.point
            return replace(housed, differences=housed.differences.delete(key)) if key in housed.differences else housed
        case HousingTakenOff():
            return replace(housed, off=housed.off.set(event.housing, event))
        case HousingPutBack():
            return replace(housed, off=housed.off.delete(event.housing)) if event.housing in housed.off else housed
        case HousingPhotographed():
            pictures = (*housed.pictures.get(event.housing, ()), event)
            return replace(housed, pictures=housed.pictures.set(event.housing, pictures))
        case HousingPhotoTakenDown():
            pictures = tuple(item for item in housed.pictures.get(event.housing, ()) if item.seq != event.entry)
            return replace(housed, pictures=housed.pictures.set(event.housing, pictures))
        case _:
            assert_never(event)


def _filled(housed: Housed, event: FiltersPlaced) -> Housed:
    """Empty every position named, then fill them: two filters may change places in one entry."""
    serials: dict[str, tuple[str, Spot] | None] = {}
    touched: dict[str, dict[Spot, InPlace]] = {}

    def of(housing: str) -> dict[Spot, InPlace]:
        return touched.setdefault(housing, dict(housed.spots(housing)))

    def emptied(place: Placed) -> tuple[dict[Spot, InPlace], Spot]:
        spots, spot = of(place.housing), (place.port, place.position)
        if (before := spots.get(spot)) is not None and before.filter is not None:
            serials[serial_key(before.filter.serial)] = None
            spots[spot] = replace(before, filter=None, since=place.since)
        return spots, spot

    for place in event.places:
        emptied(place)
    for place in event.places:
        spots, spot = emptied(place)
        spots[spot] = _in_place(place, event)
        if place.filter is None:
            continue
        key = serial_key(place.filter.serial)
        if (other := serials[key] if key in serials else housed.serials.get(key)) is not None:
            housing, there = other
            of(housing)[there] = replace(of(housing)[there], filter=None, since=place.since)
        serials[key] = place.housing, spot
    places = {housing: MappingProxyType(spots) for housing, spots in touched.items()}
    return replace(housed, places=housed.places.update(places), serials=_moved(housed.serials, serials))


def _moved(
    serials: Map[str, tuple[str, Spot]], moves: Mapping[str, tuple[str, Spot] | None]
) -> Map[str, tuple[str, Spot]]:
    """Return where each serial number is after these moves; None where it is nowhere any more."""
    moved = serials.mutate()
    for key, where in moves.items():
        if where is None:
            moved.pop(key, None)
        else:
            moved[key] = where
    return moved.finish()


def _in_place(place: Placed, event: FiltersPlaced) -> InPlace:
    return InPlace(place.filter, place.since, event.how, event.seq, event.at, event.by, event.job or "")


def _doubted(housed: Housed, event: FiltersPlaced) -> Housed:
    return _flagged(housed, (
        Difference(
            event.seq, place, event.at, event.by, item.housing, serial_point(item.port, item.position),
            serial_label(item.port, item.position), item.stood, item.read, item.sentence,
        )
        for place, item in enumerate(event.doubts or ())
    ))  # fmt: skip


def _surveyed(housed: Housed, event: SurveyTaken) -> Housed:
    surveys = (*housed.surveys.get(event.housing, ()), event)
    housed = replace(housed, surveys=housed.surveys.set(event.housing, surveys))
    return _flagged(housed, (
        Difference(
            event.seq, place, event.at, event.by, event.housing, item.point, item.label, item.register_has, item.found
        )
        for place, item in enumerate(event.seen) if item.found is not None
    ))  # fmt: skip


def _flagged(housed: Housed, found: Iterable[Difference]) -> Housed:
    fresh = {(item.entry, item.point): item for item in found}
    return replace(housed, differences=housed.differences.update(fresh)) if fresh else housed


def _past_of(before: Housed, event: HousedEvent) -> Iterator[tuple[str, Past]]:
    """Yield what an entry adds to the history of which housing; before: the register as it was until then."""

    def past(turn: Turn, *told: str, why: str = "", first: bool = False) -> Past:
        return Past(event.seq, event.at, event.by, turn, told, why, first)

    match event:
        case HousingEntered():
            for plate in event.plates:
                yield plate.tag, past("plate", *(plate.changed or ()), why=event.why, first=plate.was is None)
        case FiltersPlaced():
            yield from _placed_past(event)
        case SurveyTaken():
            pass  # kept whole, by housing
        case DifferenceAnswered():
            found = before.differences.get((event.entry, event.point))
            if found is not None:
                told = (found.label, found.register_has, found.found, event.outcome)
                yield found.housing, past("answer", *told, why=event.reason)
        case HousingTakenOff():
            yield event.housing, past("off", why=event.reason)
        case HousingPutBack():
            yield event.housing, past("back", why=event.reason)
        case HousingPhotographed():
            yield event.housing, past("photo", event.shows)
        case HousingPhotoTakenDown():
            shows = (item.shows for item in before.pictures.get(event.housing, ()) if item.seq == event.entry)
            yield event.housing, past("photo down", *shows, why=event.reason)
        case _:
            assert_never(event)


def _placed_past(event: FiltersPlaced) -> Iterator[tuple[str, Past]]:
    """What a job put in stands with the job; only what the register could not take over from it is told here."""
    if event.how == "job":
        for tag in dict.fromkeys(item.housing for item in event.doubts or ()):
            told = tuple(item.sentence for item in event.doubts or () if item.housing == tag)
            yield tag, Past(event.seq, event.at, event.by, "doubt", told, event.why)
        return
    by_tag: dict[str, list[str]] = {}
    for place in event.places:
        holds = place.filter.serial if place.filter else "no known filter"
        holds += f", test report {place.filter.report}" if place.filter and place.filter.report else ""
        by_tag.setdefault(place.housing, []).append(f"{place.port} position {place.position}: {holds}")
    for tag, places in by_tag.items():
        yield tag, Past(event.seq, event.at, event.by, "filters", tuple(places), event.why)
