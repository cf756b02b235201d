"""Registers: what may be entered into them, decided on the committed state, one sentence for every refusal."""

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.calc.errors import ChangeoutError, Invalid, OutOfRange
from app.domain.registers import (
    SiteMoment,
    day_from,
    instrument_kept,
    instrument_put_aside,
    qualification_noted,
    reading_struck,
    reading_taken,
)
from app.domain.site import SiteState, evolve_site
from tests.builders import HANDS, LEAD, housing

TODAY = date(2026, 3, 2)
MANOMETER = {
    "id": "MM-1", "kind": "manometer", "description": "digital micromanometer", "calibrated_on": "2025-06-01",
    "due": "2026-06-01",
}  # fmt: skip
READING = {"bank": "hepa", "on": "2026-03-01", "drop_pa": "612", "flow_m3_h": "1690", "temp_c": "20"}
PEOPLE = {"noor": "Noor Haddad", "tome": "Tomé Silva"}


def moment(state: SiteState) -> SiteMoment:
    """Return the next place in the ledger, on the told day."""
    return SiteMoment(seq=state.size, at="2026-03-02T08:00:00.000Z", today=TODAY, by=LEAD)


def with_instrument(**changes: str) -> SiteState:
    """Return a site whose register holds one instrument."""
    state = SiteState()
    return evolve_site(state, instrument_kept(state, moment(state), MANOMETER | changes))


def with_reading(**changes: str) -> SiteState:
    """Return a site that holds one reading, at place 1."""
    state = with_instrument()
    return evolve_site(state, reading_taken(state, moment(state), housing(), READING | changes))


def refusal(error: type[ChangeoutError], state: SiteState, **changes: str) -> str:
    """Return the sentence with which a reading is refused."""
    with pytest.raises(error) as told:
        reading_taken(state, moment(state), housing(), READING | changes)
    return str(told.value)


# --- instruments --------------------------------------------------------------------------------


def test_an_instrument_is_kept_as_typed_and_renewed_under_its_id() -> None:
    """The newest entry of an id counts, and numbers keep their digits."""
    state = with_instrument(u_pct="1.0")

    renewed = instrument_kept(state, moment(state), MANOMETER | {"calibrated_on": "2026-03-01", "due": "2027-03-01"})
    later = evolve_site(state, renewed)

    assert state.instruments["MM-1"].u_pct == "1.0"
    assert later.instruments["MM-1"].due == date(2027, 3, 1)
    assert len(later.instruments) == 1


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"id": ""}, "give an id of 1 to 40 characters"),
        ({"id": "a/b"}, "give an id of 1 to 40 characters"),
        ({"kind": "ruler"}, "'ruler' is not a kind of instrument"),
        ({"description": "x"}, "needs 2 to 120 characters"),
        ({"calibrated_on": "2026-03-03"}, "lies in the future"),
        ({"calibrated_on": "2025-02-30"}, "is not a date"),
        ({"due": "next year"}, "is not a date"),
        ({"due": ""}, "no date was given"),
        ({"due": "2025-05-01"}, "before it was made"),
        ({"due": "2206-06-01"}, "Check the year"),
        ({"u_pct": "120"}, "give a number above 0 and below 100"),
        ({"floor_fraction": "small"}, "cannot be read as a number"),
    ],
)
def test_a_bad_instrument_is_refused_with_one_sentence(changes: dict[str, str], words: str) -> None:
    """Bad ids, kinds, dates and numbers are refused, each by name."""
    with pytest.raises(Invalid, match=words) as told:
        instrument_kept(SiteState(), moment(SiteState()), MANOMETER | changes)

    assert "\n" not in str(told.value)


def test_an_id_keeps_its_kind_and_an_entry_its_news() -> None:
    """Another kind under a known id is refused, and so is an entry that changes nothing."""
    state = with_instrument()

    with pytest.raises(Invalid, match="is a manometer in the register"):
        instrument_kept(state, moment(state), MANOMETER | {"kind": "thermometer"})
    with pytest.raises(Invalid, match="stands in the register just so"):
        instrument_kept(state, moment(state), MANOMETER)


def test_an_instrument_put_aside_leaves_the_register_and_keeps_its_reason() -> None:
    """What is put aside cannot be put aside again; entered anew it is back."""
    state = with_instrument()
    aside = evolve_site(state, instrument_put_aside(state, moment(state), instrument="MM-1", reason="dropped"))
    back = evolve_site(aside, instrument_kept(aside, moment(aside), MANOMETER))

    assert "MM-1" not in aside.instruments
    assert aside.put_aside["MM-1"].reason == "dropped"
    assert (list(back.instruments), list(back.put_aside)) == (["MM-1"], [])
    with pytest.raises(Invalid, match="There is no instrument 'MM-1'"):
        instrument_put_aside(aside, moment(aside), instrument="MM-1", reason="dropped")
    with pytest.raises(Invalid, match="Say it in 3 to 200"):
        instrument_put_aside(state, moment(state), instrument="MM-1", reason=" ")


# --- readings -----------------------------------------------------------------------------------


def test_a_reading_is_kept_as_typed() -> None:
    """Digits stay as typed, a decimal comma becomes a point, the manometer is named."""
    state = with_reading(drop_pa="612,50", instrument="MM-1", note="  a  note ")

    kept = state.readings[1].reading

    assert (kept.drop_pa, kept.flow_m3_h, kept.instrument, kept.note) == ("612.50", "1690", "MM-1", "a note")
    assert kept.on == date(2026, 3, 1)


@pytest.mark.parametrize(
    ("error", "changes", "words"),
    [
        (Invalid, {"bank": "carbon"}, "has no bank 'carbon'; it has hepa"),
        (Invalid, {"on": "2026-03-03"}, "lies in the future"),
        (Invalid, {"on": "1999-03-03"}, "Check the year"),
        (Invalid, {"on": "03/01/2026"}, "is not a date"),
        (Invalid, {"drop_pa": ""}, "nothing was given"),
        (Invalid, {"drop_pa": "six"}, "cannot be read as a number"),
        (Invalid, {"drop_pa": "1,000"}, "may mean thousands or a decimal comma"),
        (OutOfRange, {"drop_pa": "0"}, "must be more than 0"),
        (OutOfRange, {"drop_pa": "-12"}, "must be more than 0"),
        (OutOfRange, {"drop_pa": "20000"}, "at most 10000 Pa"),
        (OutOfRange, {"flow_m3_h": "0"}, "must be more than 0"),
        (OutOfRange, {"temp_c": "700"}, "outside -40 to 100 °C"),
        (Invalid, {"instrument": "MM-9"}, "There is no instrument 'MM-9'"),
        (Invalid, {"note": "x" * 201}, "201 characters"),
    ],
)
def test_a_bad_reading_is_refused_with_one_sentence(
    error: type[ChangeoutError], changes: dict[str, str], words: str
) -> None:
    """A bank that is not there, a day to come, and numbers that are none or absurd are refused."""
    told = refusal(error, with_instrument(), **changes)

    assert words in told
    assert "\n" not in told


def test_an_instrument_vouches_for_the_days_of_its_calibration_only() -> None:
    """The due day is good, the day after is not, nor one before the calibration, nor another kind of instrument."""
    short = with_instrument(due="2026-02-20")
    other = evolve_site(short, instrument_kept(short, moment(short), MANOMETER | {"id": "T-1", "kind": "thermometer"}))

    good = reading_taken(other, moment(other), housing(), READING | {"on": "2026-02-20", "instrument": "MM-1"})

    assert good.reading.instrument == "MM-1"
    assert "was due on 2026-02-20" in refusal(Invalid, other, on="2026-02-21", instrument="MM-1")
    assert "after the reading of 2025-05-31" in refusal(Invalid, other, on="2025-05-31", instrument="MM-1")
    assert "T-1 is a thermometer" in refusal(Invalid, other, instrument="T-1")


def test_the_same_reading_twice_is_one_reading() -> None:
    """A form sent twice writes once; another value of the same day is another reading."""
    state = with_reading()

    assert "as entry 1" in refusal(Invalid, state)
    assert reading_taken(state, moment(state), housing(), READING | {"drop_pa": "613"}).seq == 2


def test_only_what_is_there_can_be_struck_and_once() -> None:
    """Striking takes a reading of this housing out and keeps it with its reason; nothing else can be struck."""
    state = with_reading()
    struck = evolve_site(state, reading_struck(state, moment(state), housing="EF-03", entry="1", reason="hose off"))

    assert dict(struck.readings) == {}
    assert struck.struck[1][1].reason == "hose off"
    for entry, words in (("1", "has been struck before"), ("0", "holds no reading"), ("x", "holds no reading")):
        with pytest.raises(Invalid, match=words):
            reading_struck(struck, moment(struck), housing="EF-03", entry=entry, reason="hose off")
    with pytest.raises(Invalid, match="holds no reading of EF-07"):
        reading_struck(state, moment(state), housing="EF-07", entry="1", reason="hose off")


# --- qualifications and days --------------------------------------------------------------------


def test_a_qualification_is_renewed_under_its_name_and_ended_by_a_day_that_has_passed() -> None:
    """The newest day counts whatever the case of the letters; a repetition and an unknown person are refused."""
    state = SiteState()
    for until in ("2026-12-01", "2026-01-01"):
        noted = qualification_noted(
            state, moment(state), people=PEOPLE, person="noor", what=f"{'F' if until < '2026-06' else 'f'}it test",
            until=until,
        )  # fmt: skip
        state = evolve_site(state, noted)

    assert dict(state.qualifications) == {("noor", "fit test"): date(2026, 1, 1)}
    with pytest.raises(Invalid, match="stands in the register"):
        qualification_noted(state, moment(state), people=PEOPLE, person="noor", what="fit test", until="2026-01-01")
    with pytest.raises(Invalid, match="There is nobody 'hands'"):
        qualification_noted(state, moment(state), people=PEOPLE, person=HANDS.id, what="fit test", until="2026-12-01")


@given(st.dates(date(2000, 1, 1), date(2060, 1, 1)), st.integers(-3652, 3652))
def test_every_day_within_ten_years_is_read_back(today: date, away: int) -> None:
    """A day at most 3 652 days off (ten years hold 3 652 or 3 653) is read as written; one twice as far is refused."""
    on = today + timedelta(days=away)

    assert day_from(f" {on} ", "Day", today) == on
    with pytest.raises(Invalid, match="Check the year"):
        day_from(str(today + timedelta(days=3700 if away >= 0 else -3700)), "Day", today)


@given(st.text(max_size=12))
def test_no_text_is_taken_for_a_day_that_it_does_not_write_out(text: str) -> None:
    """Whatever is not year-month-day in ASCII digits is refused with a sentence, and never with another error."""
    try:
        read = day_from(text, "Day", TODAY)
    except Invalid as told:
        assert str(told).startswith("Day: ")
    else:
        assert str(read) == text.strip()
