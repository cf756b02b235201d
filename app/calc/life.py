"""When a filter is due: age, triggers, and the earliest of several reasons.

Rules kept here:
- age counts from the day of manufacture, storage included, never from installation;
- a filter of unknown age is blocked, not assumed young;
- resistance is no stand-in for strength, mass or dose: each trigger stands by itself;
- today's date is always handed in.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from app.calc.bounds import above, plain, within
from app.calc.errors import Invalid, OutOfRange
from app.calc.sources import source

FILTER_LIFE_YEARS = 10
"""Source age-study: the limit that the study used."""
CARBON_SAMPLE_HOURS = 720
CARBON_SAMPLE_MONTHS = 24
"""Source carbon-sample: whichever comes first."""

_EARLIEST = date(1950, 1, 1)


@dataclass(frozen=True, slots=True)
class Due:
    """One reason to act, the day it falls due, and the source of the rule."""

    reason: str
    on: date
    source_id: str


def add_years(day: date, years: int) -> date:
    """The same day some years on; 29 February becomes 28 February in a common year."""
    year = day.year + within(float(years), 0.0, 100.0, name="Years")
    try:
        return day.replace(year=int(year))
    except ValueError:
        return day.replace(year=int(year), day=28)


def add_months(day: date, months: int) -> date:
    """The same day some months on, or that month's last day where it is shorter."""
    within(float(months), 0.0, 1200.0, name="Months")
    years, month = divmod(day.month - 1 + months, 12)
    first_of_next = date(day.year + years + (month + 1) // 12, (month + 1) % 12 + 1, 1)
    last = date.fromordinal(first_of_next.toordinal() - 1)
    return min(last, date.fromordinal(last.replace(day=1).toordinal() + day.day - 1))


def expiry(*, manufactured: date | None, on: date, life_years: int = FILTER_LIFE_YEARS) -> Due:
    """The day a filter's age runs out: manufacture + 10 calendar years or the site's own (source age-study).

    Raises OutOfRange for an unknown date, one after `on`, or one before 1950.
    """
    if manufactured is None:
        raise OutOfRange(
            "The date of manufacture is not known, so the age of the filter is not known: "
            "do not install it before the maker's date is found.",
        )
    if not _EARLIEST <= manufactured <= on:
        raise OutOfRange(
            f"Date of manufacture {manufactured.isoformat()} must lie between {_EARLIEST.isoformat()} and "
            f"{on.isoformat()}: check the label.",
        )
    return Due(f"age of {life_years} years from manufacture", add_years(manufactured, life_years), "age-study")


def is_expired(*, manufactured: date | None, on: date, life_years: int = FILTER_LIFE_YEARS) -> bool:
    """Whether the age has run out: on the day of expiry and after it."""
    return expiry(manufactured=manufactured, on=on, life_years=life_years).on <= on


def check_calibration(*, instrument: str, due: date | None, on: date) -> None:
    """Raise OutOfRange where an instrument's calibration is unknown or was due before `on`; the due day is good."""
    if due is None:
        raise OutOfRange(f"Instrument {instrument} has no calibration date: use one whose calibration is known.")
    if due < on:
        raise OutOfRange(
            f"The calibration of instrument {instrument} was due on {due.isoformat()} and today is {on.isoformat()}: "
            "use an instrument in calibration, or have it calibrated and test again.",
        )


def carbon_sample_due(*, last: date, hours_per_day: float) -> Due:
    """Next carbon sample: after 720 h of operation or 24 months, whichever is first (source carbon-sample)."""
    within(hours_per_day, 0.0, 24.0, name="Hours of operation a day", unit="h")
    by_months = add_months(last, CARBON_SAMPLE_MONTHS)
    if hours_per_day * (by_months - last).days < CARBON_SAMPLE_HOURS:
        return Due(f"carbon sample after {CARBON_SAMPLE_MONTHS} months", by_months, "carbon-sample")
    by_hours = date.fromordinal(last.toordinal() + int(CARBON_SAMPLE_HOURS / hours_per_day))
    return Due(f"carbon sample after {CARBON_SAMPLE_HOURS} h of operation", by_hours, "carbon-sample")


def earliest(dues: Sequence[Due]) -> Due:
    """The reason that comes first; of two on one day, the one named first. Raises Invalid for none."""
    if not dues:
        raise Invalid("No due date is known for this housing: enter an age, a test interval or readings.")
    return min(dues, key=lambda due: due.on)


@dataclass(frozen=True, slots=True)
class Condition:
    """What is known of an installed filter; set-points and mass limits are site values, Pa and kg."""

    dp_pa: float
    dp_setpoint_pa: float
    dp_clean_pa: float | None = None
    loaded_kg: float | None = None
    mass_limit_kg: float | None = None
    wetted: bool = False
    shocked: bool = False
    failed_after_reseat: bool = False


@dataclass(frozen=True, slots=True)
class Trigger:
    """A reason to change a filter now; `binding` is False for mere advice, such as a rule of thumb."""

    text: str
    source_id: str
    binding: bool = True

    @property
    def shown(self) -> str:
        """The reason with its source."""
        return f"{self.text} ({source(self.source_id).shown})"


def triggers(condition: Condition) -> tuple[Trigger, ...]:
    """Every trigger that the condition meets; a value equal to its limit has met it."""
    above(condition.dp_setpoint_pa, 0.0, 50_000.0, name="Resistance set-point", unit="Pa")
    within(condition.dp_pa, 0.0, 50_000.0, name="Resistance", unit="Pa")
    found = (_by_resistance(condition), _by_rule_of_thumb(condition), _by_mass(condition), *_by_event(condition))
    return tuple(trigger for trigger in found if trigger is not None)


def _by_resistance(condition: Condition) -> Trigger | None:
    if condition.dp_pa < condition.dp_setpoint_pa:
        return None
    text = f"resistance {plain(condition.dp_pa)} Pa has reached the set-point {plain(condition.dp_setpoint_pa)} Pa"
    return Trigger(text, "site")


def _by_rule_of_thumb(condition: Condition) -> Trigger | None:
    if condition.dp_clean_pa is None:
        return None
    clean = above(condition.dp_clean_pa, 0.0, 50_000.0, name="Clean resistance", unit="Pa")
    if condition.dp_pa < 2.0 * clean:
        return None
    return Trigger("resistance is twice the clean resistance, an old rule of thumb", "twice-clean", binding=False)


def _by_mass(condition: Condition) -> Trigger | None:
    if condition.loaded_kg is None or condition.mass_limit_kg is None:
        return None
    if condition.loaded_kg < condition.mass_limit_kg:
        return None
    return Trigger("the mass or activity limit is reached, which resistance does not show", "mass-limit")


def _by_event(condition: Condition) -> tuple[Trigger | None, ...]:
    return (
        Trigger("the filter was wetted, which weakens the media", "wetting") if condition.wetted else None,
        Trigger("heat, chemical or impact: replace it or justify keeping it", "shock") if condition.shocked else None,
        Trigger("the leak test fails after re-seating; no patching or caulking", "rg-1.52")
        if condition.failed_after_reseat
        else None,
    )
