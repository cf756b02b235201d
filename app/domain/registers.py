"""Deciding over the site's registers: whether an instrument, reading, striking or qualification may be entered.

From typed text to one site event, against the committed state of the site; bad text is refused with one sentence.
A reading is kept as typed.  An entry that changes nothing is refused, so that a form sent twice writes once.
Dates farther away than DATE_YEARS are taken for slips of the hand (this program's bound, no source).
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from pydantic import ValidationError

from app.calc.bounds import above, within
from app.calc.errors import Invalid
from app.calc.exact import exact
from app.calc.life import add_years
from app.domain.event_base import Who
from app.domain.housing import Bank, Housing
from app.domain.instruments import Instrument, InstrumentKind
from app.domain.judging import number_text
from app.domain.site import (
    NO_READINGS,
    DropReading,
    InstrumentKept,
    InstrumentPutAside,
    QualificationNoted,
    ReadingStruck,
    ReadingTaken,
    SiteState,
)
from app.domain.text import sentence_from

DATE_YEARS = 10
MOST_DROP_PA = 10_000.0
"""Filters and housings give way long before (this program's bound, no source)."""
LONGEST_REASON = 200
_DAY = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_ID = re.compile(r"[^\s/\\<>\"'][^/\\<>\"']{0,39}")
_NUMBERS = {
    "floor_fraction": "Smallest share resolved", "full_scale": "Full scale", "u_pct": "Uncertainty",
    "efficiency": "Efficiency",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class SiteMoment:
    """Where an entry will stand, when it is made (UTC text), the day by the site's calendar, and who makes it."""

    seq: int
    at: str
    today: date
    by: Who | None


def instrument_kept(state: SiteState, moment: SiteMoment, typed: Mapping[str, str]) -> InstrumentKept:
    """Return the entry for an instrument or its new calibration; `typed` holds the fields of Instrument as text.

    Raises Invalid for text that cannot be read, a calibration in the future, another kind under a known id, and for
    an entry that repeats the register.
    """
    given = {name: " ".join(text.split()) for name, text in typed.items() if text.strip()}
    name = given.get("id", "")
    if not _ID.fullmatch(name):
        raise Invalid(f"Instrument {name!r}: give an id of 1 to 40 characters without quotes, slashes, < or >.")
    if given.get("kind", "") not in tuple(InstrumentKind):
        raise Invalid(f"{given.get('kind', '')!r} is not a kind of instrument. Choose one of those shown.")
    if not 2 <= len(given.get("description", "")) <= 120:
        raise Invalid(f"Instrument {name}: the description needs 2 to 120 characters. Say what it is.")
    made = _past_day(given.get("calibrated_on", ""), "Calibrated on", moment.today)
    due = day_from(given.get("due", ""), "Calibration due", moment.today)
    if due < made:
        raise Invalid(f"Instrument {name}: the calibration is due on {due}, before it was made on {made}. Mend a date.")
    for field, label in _NUMBERS.items():
        if field in given:
            given[field] = number_text(given[field], label)
    kept = _instrument(given, name)
    before = state.instruments.get(name)
    if before is not None and before.kind is not kept.kind:
        raise Invalid(f"{name} is a {before.kind} in the register. Give the {kept.kind} an id of its own.")
    if before == kept:
        raise Invalid(f"{name} stands in the register just so. Nothing was entered again.")
    return InstrumentKept(seq=moment.seq, at=moment.at, by=moment.by, instrument=kept)


def _instrument(given: Mapping[str, str], name: str) -> Instrument:
    try:
        return Instrument.model_validate(dict(given))
    except ValidationError as fault:
        raise sentence_from(fault, what=f"Instrument {name}") from None


def instrument_put_aside(state: SiteState, moment: SiteMoment, *, instrument: str, reason: str) -> InstrumentPutAside:
    """Return the entry that takes an instrument out of use; Invalid if it is not in the register or no reason given."""
    if instrument not in state.instruments:
        raise Invalid(f"There is no instrument {instrument!r} in the register. Choose one of those listed.")
    why = reason_from(reason, f"Why {instrument} is put aside")
    return InstrumentPutAside(seq=moment.seq, at=moment.at, by=moment.by, instrument=instrument, reason=why)


def reading_taken(state: SiteState, moment: SiteMoment, housing: Housing, typed: Mapping[str, str]) -> ReadingTaken:
    """Return the entry for a pressure drop read at a housing between jobs.

    typed: bank, on (ISO date), drop_pa above 0 and at most 10 000 Pa; flow_m3_h, temp_c, instrument, note if known.
    Raises Invalid or OutOfRange with one sentence, also for an instrument that was out of calibration on that day.
    """
    bank = bank_of(housing, typed.get("bank", ""))
    on = _past_day(typed.get("on", ""), "Read on", moment.today)
    drop = _number(typed, "drop_pa", "Pressure drop")
    if drop is None:
        raise Invalid("Pressure drop: nothing was given. Enter what the manometer shows, in Pa.")
    above(float(exact(drop, name="Pressure drop")), 0.0, MOST_DROP_PA, name="Pressure drop", unit="Pa")
    flow, temp = _number(typed, "flow_m3_h", "Air flow"), _number(typed, "temp_c", "Air temperature")
    if flow is not None:
        above(float(exact(flow, name="Air flow")), 0.0, 1e6, name="Air flow", unit="m³/h")
    if temp is not None:
        within(float(exact(temp, name="Air temperature")), -40.0, 100.0, name="Air temperature", unit="°C")
    note = " ".join(typed.get("note", "").split())
    if len(note) > LONGEST_REASON:
        raise Invalid(
            f"The note has {len(note)} characters; {LONGEST_REASON} is the most this program takes. Shorten it."
        )
    reading = DropReading(
        housing=housing.tag, bank=bank, on=on, drop_pa=drop, flow_m3_h=flow, temp_c=temp,
        instrument=_manometer(state, typed.get("instrument", "").strip(), on), note=note,
    )  # fmt: skip
    for taken in state.readings_at.get(housing.tag, NO_READINGS).values():
        if taken.reading == reading:
            raise Invalid(f"This reading stands in the register as entry {taken.seq}. Nothing was entered again.")
    return ReadingTaken(seq=moment.seq, at=moment.at, by=moment.by, reading=reading)


def _manometer(state: SiteState, name: str, on: date) -> str | None:
    """Return the id of the manometer if it may vouch for a reading of this day; None if none was named."""
    if not name:
        return None
    found = state.instruments.get(name)
    if found is None:
        raise Invalid(f"There is no instrument {name!r} in the register. Choose one of those listed, or none.")
    if found.kind is not InstrumentKind.MANOMETER:
        raise Invalid(f"{name} is a {found.kind}; a pressure drop is read with a manometer. Choose one.")
    complain_of_calibration(found, on, otherwise="leave the instrument out and say so in the note")
    return name


def complain_of_calibration(found: Instrument, on: date, *, otherwise: str) -> None:
    """Raise Invalid unless the calibration covers a reading of this day; otherwise: what to do if it was made later."""
    if found.due < on:
        raise Invalid(
            f"The calibration of {found.id} was due on {found.due}, before the reading of {on}: "
            "read again with an instrument in calibration."
        )
    if found.calibrated_on > on:
        raise Invalid(
            f"{found.id} was calibrated on {found.calibrated_on}, after the reading of {on}, and the register does not "
            f"tell how it stood before: {otherwise}."
        )


def reading_struck(state: SiteState, moment: SiteMoment, *, housing: str, entry: str, reason: str) -> ReadingStruck:
    """Return the entry that strikes a reading of this housing; Invalid if it is not there or was struck before."""
    place = int(entry) if entry.isascii() and entry.isdigit() and len(entry) < 10 else -1
    if place in state.struck:
        raise Invalid(f"The reading of entry {place} has been struck before. Nothing was entered again.")
    taken = state.readings.get(place)
    if taken is None or taken.reading.housing != housing:
        raise Invalid(f"Entry {entry[:20]!r} holds no reading of {housing}. Choose one of those listed.")
    return ReadingStruck(
        seq=moment.seq, at=moment.at, by=moment.by, entry=place, reason=reason_from(reason, "Why it is struck")
    )


def qualification_noted(
    state: SiteState, moment: SiteMoment, *, people: Mapping[str, str], person: str, what: str, until: str
) -> QualificationNoted:
    """Return the entry that a person is qualified until a day; `people` gives the names by id of those who work here.

    A day in the past ends a qualification.  Raises Invalid for an unknown person, bad text and a mere repetition.
    """
    if person not in people:
        raise Invalid(f"There is nobody {person!r} here. Choose one of the names shown.")
    held = " ".join(what.split())
    if not 2 <= len(held) <= 80:
        raise Invalid(f"The qualification has {len(held)} characters. Give 2 to 80, such as respirator fit test.")
    for other, known in state.qualifications:
        held = known if other == person and known.casefold() == held.casefold() else held
    last = day_from(until, "Good until", moment.today)
    if state.qualifications.get((person, held)) == last:
        raise Invalid(f"{people[person]}: {held} until {last} stands in the register. Nothing was entered again.")
    return QualificationNoted(seq=moment.seq, at=moment.at, by=moment.by, person=person, what=held, until=last)


# --- text ---------------------------------------------------------------------------------------


def bank_of(housing: Housing, text: str) -> Bank:
    """Return the bank of this name; Invalid if the housing has none such."""
    if text not in housing.banks:
        known = ", ".join(housing.banks)
        raise Invalid(f"Housing {housing.tag} has no bank {text[:20]!r}; it has {known}. Choose one of those.")
    return Bank(text)


def day_from(text: str, label: str, today: date, *, years: int = DATE_YEARS) -> date:
    """Read YYYY-MM-DD; Invalid for anything else and for a day more than so many years from today."""
    typed = text.strip()
    if not typed:
        raise Invalid(f"{label}: no date was given. Enter it as year-month-day, such as {today}.")
    try:
        found = date.fromisoformat(typed) if _DAY.fullmatch(typed) else None
    except ValueError:
        found = None
    if found is None:
        raise Invalid(f"{label}: {typed[:20]!r} is not a date. Enter it as year-month-day, such as {today}.")
    early, late = sorted((found, today))
    if add_years(early, years) < late:
        raise Invalid(f"{label}: {found} is more than {years} years from today, {today}. Check the year.")
    return found


def reason_from(text: str, label: str) -> str:
    """Return a reason in one line of 3 to 200 characters; Invalid else."""
    told = " ".join(text.split())
    if not 3 <= len(told) <= LONGEST_REASON:
        raise Invalid(f"{label}: {len(told)} characters were given. Say it in 3 to {LONGEST_REASON}.")
    return told


def _past_day(text: str, label: str, today: date) -> date:
    found = day_from(text, label, today)
    if found > today:
        raise Invalid(f"{label}: {found} lies in the future; today is {today}. Enter the day on which it was done.")
    return found


def _number(typed: Mapping[str, str], name: str, label: str) -> str | None:
    text = typed.get(name, "").strip()
    return number_text(text, label) if text else None
