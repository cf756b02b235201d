"""Deciding over nameplates and imports: what was planned on the register as it was is entered on the register as it is.

The texts lie outside the ledger; what is decided here is that nobody entered the same housings meanwhile, and that no
filter comes to be in two places.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from app.calc.errors import Invalid
from app.domain.filling import elsewhere, in_store_room
from app.domain.housed_events import Filter, FiltersPlaced, HousingEntered, Placed, Plate
from app.domain.registers import SiteMoment, reason_from
from app.domain.site import SiteEvent, SiteState


@dataclass(frozen=True, slots=True)
class Entering:
    """What is to be entered together.  seen: the size of the site's ledger on which it was planned.

    source: SHA-256 of the file it comes from.  holding: what each position is to hold.
    """

    plates: tuple[Plate, ...]
    holding: tuple[tuple[str, str, int, Filter | None], ...]
    how: Literal["desk", "import"]
    seen: int
    source: str | None = None


def entries_for(state: SiteState, moment: SiteMoment, entering: Entering, *, why: str) -> tuple[SiteEvent, ...]:
    """Return the entries, all of which are written or none.  Invalid where the register moved on meanwhile."""
    reason = reason_from(why, "Why it is entered")
    if not entering.plates and not entering.holding:
        raise Invalid("This changes nothing in the register. Nothing was entered.")
    _complain_of_others(state, entering)
    changing = {(tag, (port, position)) for tag, port, position, _ in entering.holding}
    for tag, port, position, found in entering.holding:
        if found is not None and (lot := in_store_room(state.store, found.serial)):
            raise Invalid(
                f"Filter {found.serial} is in the store room as {lot}, and no filter is in two places. Look again."
            )
        if found is None or state.housed.where(found.serial) in changing:
            continue
        if told := elsewhere(state.housed, found.serial, tag, (port, position)):
            raise Invalid(f"Filter {found.serial} is in place at {told}, and no filter is in two places. Look again.")
    events: list[SiteEvent] = []
    if entering.plates:
        events.append(
            HousingEntered(
                seq=moment.seq,
                at=moment.at,
                by=moment.by,
                plates=entering.plates,
                how=entering.how,
                why=reason,
                source=entering.source,
            )
        )
    if entering.holding:
        places = tuple(
            Placed(housing=tag, port=port, position=position, since=moment.at, filter=found)
            for tag, port, position, found in entering.holding
        )
        events.append(
            FiltersPlaced(
                seq=moment.seq + len(events),
                at=moment.at,
                by=moment.by,
                how=entering.how,
                places=places,
                why=reason,
                source=entering.source,
            )
        )
    return tuple(events)


def _complain_of_others(state: SiteState, entering: Entering) -> None:
    for tag in _tags(entering.plates, entering.holding):
        plate = state.housed.plates.get(tag)
        entered = [plate.entry] if plate else []
        entered += [now.entry for now in state.housed.spots(tag).values()]
        if max(entered, default=-1) >= entering.seen:
            raise Invalid(
                f"{tag} was changed by somebody meanwhile. Nothing was entered: look at it again, then enter."
            )


def _tags(plates: Iterable[Plate], holding: Sequence[tuple[str, str, int, Filter | None]]) -> Iterable[str]:
    return dict.fromkeys([*(plate.tag for plate in plates), *(tag for tag, *_ in holding)])
