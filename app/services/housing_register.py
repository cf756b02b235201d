"""The housing register: nameplates, filters in place, surveys, and files that bring them in or take them out.

Texts lie ready before the entry, the entry is written with all that belongs to it in one transaction, then the texts
are put in place.  What a person saw before is looked at again inside the writing.
"""

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from datetime import date, datetime
from hashlib import sha256
from typing import Any, Protocol

from app.calc.errors import Invalid
from app.domain.event_base import Who
from app.domain.filling import filter_placed, filter_taken_out
from app.domain.housed_events import Plate
from app.domain.housing import Housing
from app.domain.housing_cells import CellFault, housing_from
from app.domain.housing_entry import Entering, entries_for
from app.domain.housing_text import changed_keys, housing_text
from app.domain.off_register import put_back, taken_off
from app.domain.picturing import photographed, taken_down
from app.domain.refused import Refused
from app.domain.registers import SiteMoment
from app.domain.signing import SURVEYED
from app.domain.site import SiteEvent, SiteState
from app.domain.surveying import difference_answered, survey_taken
from app.records.moments import local_text, site_day, utc_text
from app.records.register_check import Changing, Checked, Gathered, compared
from app.services.jobs import Jobs
from app.services.planning import find_housing
from app.services.ports import Library
from app.services.site_book import SiteBook, moment_of


class PlateShelf(Protocol):
    """Where the texts of nameplates lie."""

    def digest(self, tag: str) -> str | None:
        """Return the SHA-256 of a housing's text as its file has it."""

    def ready(self, texts: Mapping[str, str]) -> Any:
        """Lay texts ready, flushed."""

    def finish(self, batch: Any) -> None:
        """Put them in their places, after the commit."""

    def forget(self, batch: Any) -> None:
        """Drop them."""

    def name_for(self, tag: str) -> str:
        """Return the name of a housing's file."""


class IncomingShelf(Protocol):
    """Where files wait that were checked."""

    def keep(self, data: bytes) -> str:
        """Keep a file and return its SHA-256."""

    def read(self, name: str) -> bytes:
        """Return it."""


class HousingRegister(SiteBook):
    """The housing register of one site.  Each call raises Invalid with one sentence, at once or through the future."""

    def __init__(
        self, jobs: Jobs, library: Library, plates: PlateShelf, incoming: IncomingShelf, clock: Callable[[], datetime],
        *, unprintable: Callable[[str], str | None],
    ) -> None:  # fmt: skip
        super().__init__(jobs, unprintable=unprintable)
        self._library = library
        self._plates = plates
        self._incoming = incoming
        self._clock = clock

    # --- files ----------------------------------------------------------------------------------

    def check(self, data: bytes, kind: str) -> tuple[str, int, Checked]:
        """Say what a file would do, keep its bytes, and return their digest and the site's size with it."""
        state = self._jobs.site()
        checked = self._checked(data, kind, state)
        return (self._incoming.keep(data) if checked.good else ""), state.size, checked

    def check_again(self, digest: str, kind: str) -> tuple[int, Checked]:
        """Say the same of a file by its digest, now, after the site's size; Invalid where it is not here any more."""
        state = self._jobs.site()
        return state.size, self._checked(self._incoming.read(digest), kind, state)

    def enter(self, digest: str, kind: str, why: str, *, seen: int, by: Who | None) -> Checked:
        """Enter the file of this digest, whole: checked again, and written in one transaction.

        seen: the site's size when it was said what the file would do.
        """
        state = self._jobs.site()
        checked = self._checked(self._incoming.read(digest), kind, state)
        if not checked.good:
            told = checked.faults[0].told if checked.faults else "It changes nothing any more."
            raise Invalid(f"The register has changed since the file was checked, and it cannot be entered now: {told}")
        self._write(checked, min(seen, state.size), why, by=by, source=digest)
        return checked

    def table(self) -> str:
        """Return the register as CSV."""
        from app.records.register_csv import register_csv

        return register_csv(self._library.housings(), self._jobs.site().housed)

    def archive(self) -> bytes:
        """Return the nameplates as a ZIP archive of TOML files."""
        from app.records.register_toml import register_zip

        return register_zip(self._library.housings(), self._plates.name_for)

    def _checked(self, data: bytes, kind: str, state: SiteState) -> Checked:
        from app.records.register_csv import checked_csv
        from app.records.register_toml import checked_toml

        tags = [housing.tag for housing in self._library.housings()]
        known = self._library.housing
        if kind == "csv":
            return checked_csv(
                data, known, tags, state.housed, today=self._today(state), unprintable=self._unprintable,
                store=state.store,
            )  # fmt: skip
        if kind == "toml":
            return checked_toml(data, known, tags, state.housed, unprintable=self._unprintable)
        raise Invalid("Choose whether a table (CSV) or nameplates (TOML) are sent.")

    def _today(self, state: SiteState) -> date:
        return site_day(utc_text(self._clock()), state.zone)

    # --- one nameplate --------------------------------------------------------------------------

    def change(
        self, tag: str | None, cells: Mapping[str, str], ports: Sequence[Mapping[str, str]], why: str, *,
        shown: str, by: Who | None,
    ) -> str:  # fmt: skip
        """Enter a nameplate as typed, of a new housing where no tag is given; return the tag.

        shown: digest of the housing's text from which the form was filled; empty for a new one.
        """
        for text in (*cells.values(), *(text for port in ports for text in port.values()), why):
            if told := self._unprintable(text.replace("\r", "")):
                raise Invalid(told)
        state = self._jobs.site()
        if tag is not None and shown != self._plates.digest(tag):
            raise Invalid(
                f"The nameplate of {tag} was changed by somebody meanwhile. Reload the page, look at what it has now, "
                "then make your change again."
            )
        base = find_housing(self._library, tag) if tag is not None else None
        if tag is not None:
            cells = {**cells, "tag": tag}
        after, faults = housing_from(base, cells, ports)
        if after is None:
            raise Invalid(_told(faults[0], ports, len(faults) - 1))
        if base is None and self._library.housing(after.tag) is not None:
            raise Invalid(f"{after.tag} is on the register. Change it on its own page, or give the tag of another.")
        found = Gathered(housings=[("Tag", after)])
        tags = [housing.tag for housing in self._library.housings()]
        checked = compared(found, self._library.housing, tags, state.housed)
        if checked.faults:
            raise Invalid(checked.faults[0].told)
        if not checked.changing:
            raise Invalid(f"{after.tag} is on the register just so. Nothing was entered again.")
        self._write(checked, state.size, why, by=by)
        return after.tag

    def _write(self, checked: Checked, seen: int, why: str, *, by: Who | None, source: str | None = None) -> None:
        texts = {item.after.tag: housing_text(item.after) for item in checked.changing}
        entering = Entering(
            plates=tuple(self._plate(item, texts[item.after.tag]) for item in checked.changing),
            holding=tuple((item.housing, item.port, item.position, item.filter) for item in checked.fillings),
            how="import" if source else "desk", seen=seen, source=source,
        )  # fmt: skip
        batch = self._plates.ready(texts)
        try:
            self._entered(by, (why,), lambda state, moment: entries_for(state, moment, entering, why=why)).result()
        except (Invalid, Refused):
            self._plates.forget(batch)  # for certain not entered; after any other fault it may stand after a start
            raise
        self._plates.finish(batch)

    def _plate(self, item: Changing, text: str) -> Plate:
        changed = changed_keys(item.before, item.after)
        return Plate(
            tag=item.after.tag, sha256=sha256(text.encode()).hexdigest(), was=self._plates.digest(item.after.tag),
            changed=changed or None,
        )  # fmt: skip

    def digest(self, tag: str) -> str | None:
        """Return the SHA-256 of a housing's text as its file has it."""
        return self._plates.digest(tag)

    # --- filters, surveys, differences ----------------------------------------------------------

    def place_filter(self, tag: str, typed: Mapping[str, str], *, by: Who | None) -> "Future[SiteState]":
        """Enter that a filter is in a position."""
        housing = find_housing(self._library, tag)
        return self._entered(by, typed.values(), lambda state, moment: (
            filter_placed(
                state, moment, housing, port=typed.get("port", ""), position=typed.get("position", ""), typed=typed,
                why=typed.get("why", ""),
            ),
        ))  # fmt: skip

    def take_filter_out(self, tag: str, typed: Mapping[str, str], *, by: Who | None) -> "Future[SiteState]":
        """Enter that a filter has left its position."""
        return self._entered(by, typed.values(), lambda state, moment: (
            filter_taken_out(
                state, moment, tag, port=typed.get("port", ""), position=typed.get("position", ""),
                why=typed.get("why", ""),
            ),
        ))  # fmt: skip

    def take_off(self, tag: str, reason: str, *, by: Who | None) -> "Future[SiteState]":
        """Take a housing off the register."""
        housing = find_housing(self._library, tag)
        return self._entered(by, (reason,), lambda state, moment: (taken_off(state, moment, housing, reason),))

    def put_back(self, tag: str, reason: str, *, by: Who | None) -> "Future[SiteState]":
        """Put a housing back on the register."""
        return self._entered(by, (reason,), lambda state, moment: (put_back(state, moment, tag, reason),))

    def photograph(self, tag: str, photo: str, shows: str, *, by: Who | None) -> "Future[SiteState]":
        """Put a photo that is kept already on the register."""
        housing = find_housing(self._library, tag)
        return self._entered(
            by, (shows,), lambda state, moment: (photographed(state, moment, housing, photo=photo, shows=shows),)
        )

    def take_photo_down(self, tag: str, entry: str, reason: str, *, by: Who | None) -> "Future[SiteState]":
        """Take a photo down from the register."""
        return self._entered(
            by, (reason,), lambda state, moment: (taken_down(state, moment, tag, entry=entry, reason=reason),)
        )

    def survey(
        self, tag: str, typed: Mapping[str, str], photos: Sequence[str], *, proof: str, by: Who | None
    ) -> "Future[SiteState]":
        """Enter a survey that was signed."""
        housing = find_housing(self._library, tag)
        return self._entered(by, typed.values(), lambda state, moment: survey_taken(
            state, moment, housing, typed, photos=photos, meaning=SURVEYED,
            local_time=local_text(moment.at, state.zone), proof=proof,
        ))  # fmt: skip

    def answer(self, typed: Mapping[str, str], *, by: Who | None) -> "Future[SiteState]":
        """Enter the answer to a difference."""
        entry, point = typed.get("entry", ""), typed.get("point", "")
        number = int(entry) if entry.isascii() and entry.isdigit() and len(entry) < 10 else -1
        found = self._jobs.site().housed.differences.get((number, point))
        housing: Housing | None = self._library.housing(found.housing) if found else None
        return self._entered(by, typed.values(), lambda state, moment: (
            difference_answered(
                state, moment, housing, entry=entry, point=point, outcome=typed.get("outcome", ""),
                reason=typed.get("reason", ""),
            ),
        ))  # fmt: skip

    def _entered(
        self,
        by: Who | None,
        texts: "Sequence[str] | Any",
        decide: Callable[[SiteState, SiteMoment], Sequence[SiteEvent]],
    ) -> "Future[SiteState]":
        self._refuse_unprintable(texts)
        return self._jobs.write_site_all(lambda state, seq, at: decide(state, moment_of(state, seq, at, by)))


def _told(fault: CellFault, ports: Sequence[Mapping[str, str]], more: int) -> str:
    """Say a fault of a form in one sentence, by the labels of its fields."""
    from app.domain.housing_cells import HOUSING_COLUMNS, PORT_COLUMNS

    label = next((item.label for item in (*HOUSING_COLUMNS, *PORT_COLUMNS) if item.name == fault.column), fault.column)
    where = "" if fault.port is None else f" of port {ports[fault.port].get('port') or fault.port + 1}"
    others = f" ({more} more fault{'s' if more > 1 else ''} follow)" if more else ""
    return f"{label}{where}: {fault.sentence}{others}"
