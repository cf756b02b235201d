"""What is due, where, when and by whose rule: housings, instruments, qualifications.

Rules kept here:
- each reason stands by itself; the earliest day counts, and a reason without a day says why it has none;
- a trend gives a day to plan with only as far as the forecast's rules allow, and then the early side of its band;
- the day named is the last good day, but an age has run out on its day;
- today is handed in; overdue comes first, what has no day comes last.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

from app.calc.bounds import plain
from app.calc.errors import ChangeoutError
from app.calc.life import Due, add_months, earliest
from app.calc.sources import source
from app.domain.housing import Bank
from app.domain.site import SiteState
from app.domain.steps import BANK_WORDS
from app.records.bank_trend import BankTrend, bank_trend
from app.records.drops import Known, changed_at, design_of, drop_series
from app.records.housing_story import filter_ages, leak_tests
from app.records.moments import site_day

SITE_VALUE = "site value"
SOON_DAYS = 30
"""A day this near is pointed out (this program's figure, no source)."""


Settling = tuple[Literal["new filter", "leak test"], Bank]
"""What settles a reason: new filters in a bank, or a leak test of it."""


@dataclass(frozen=True, slots=True)
class Item:
    """One reason: its day if it has one, a sentence, and where the rule comes from.

    settled_by: what a step must do at the bank to settle it; spot: at which port and position, where one is meant.
    """

    sentence: str
    source: str
    due: Due | None = None
    ran_out: bool = False
    settled_by: Settling | None = None
    spot: tuple[str, int] | None = None

    @property
    def on(self) -> date | None:
        """The day, if there is one."""
        return self.due.on if self.due else None

    def overdue(self, today: date) -> bool:
        """Whether the day has passed; an age has run out on its very day."""
        return self.on is not None and (self.on < today or (self.ran_out and self.on == today))


@dataclass(frozen=True, slots=True)
class HousingDue:
    """What is due at one housing, the earliest first; `undated` holds the reasons that have no day."""

    tag: str
    location: str
    dated: tuple[Item, ...]
    undated: tuple[Item, ...]
    told: str

    @property
    def on(self) -> date | None:
        """The earliest day, if any is known."""
        return self.dated[0].on if self.dated else None


@dataclass(frozen=True, slots=True)
class Standing:
    """Something that holds until a day: a calibration or a qualification."""

    what: str
    of: str
    until: date

    def overdue(self, today: date) -> bool:
        """Whether its last good day has passed."""
        return self.until < today


def days_words(on: date, today: date) -> str:
    """Say how far a day is from today."""
    left = (on - today).days
    if left == 0:
        return "today"
    count = f"{abs(left)} day{'' if abs(left) == 1 else 's'}"
    return f"overdue by {count}" if left < 0 else f"in {count}"


def housing_due(known: Known) -> HousingDue:
    """Return every reason to act at one housing."""
    items = [item for bank in known.housing.banks for item in _bank_items(known, bank)]
    items += _permits(known)
    dated = sorted((item for item in items if item.due), key=lambda item: item.on or date.max)
    return HousingDue(
        tag=known.housing.tag,
        location=known.housing.location,
        dated=tuple(dated),
        undated=tuple(item for item in items if not item.due),
        told=_told([item.due for item in dated if item.due]),
    )


def _told(dues: Sequence[Due]) -> str:
    """The earliest reason in a word, or that none is known and what would help."""
    try:
        return earliest(dues).reason
    except ChangeoutError as none:
        return str(none)


def all_due(housings: Sequence[Known]) -> tuple[HousingDue, ...]:
    """Return what is due over all housings: by day, what is overdue thereby first, no known day last."""
    found = [housing_due(known) for known in housings]
    return tuple(sorted(found, key=due_order))


def due_order(due: HousingDue) -> tuple[bool, date, str]:
    """Return by what housings are put in order: by day, no known day last."""
    return due.on is None, due.on or date.max, due.tag


def calibrations(state: SiteState) -> tuple[Standing, ...]:
    """Return the instruments in use by the day their calibration is due."""
    found = [Standing(str(item.kind), item.id, item.due) for item in state.instruments.values()]
    return tuple(sorted(found, key=lambda item: (item.until, item.of)))


def qualifications(state: SiteState, names: Mapping[str, str]) -> tuple[Standing, ...]:
    """Return the qualifications of those who work here (`names` by id) by the day they run out."""
    held = state.qualifications.items()
    found = [Standing(what, names[person], until) for (person, what), until in held if person in names]
    return tuple(sorted(found, key=lambda item: (item.until, item.of, item.what)))


def _bank_items(known: Known, bank: Bank) -> Iterator[Item]:
    yield _by_trend(bank_trend(drop_series(known, bank), design_of(known.housing, bank)), bank)
    yield from _by_age(known, bank)
    yield from _by_leak_test(known, bank)


def _permits(known: Known) -> Iterator[Item]:
    """The permit of each job in hand: after its day no hold point is released."""
    for line, state in known.real_jobs:
        if (until := state.permit_until) is not None and state.accepted is None and state.due is not None:
            told = f"The permit of job {line.number} is good until {until}; after that nothing is released."
            yield Item(told, SITE_VALUE, Due(f"permit of job {line.number}", until, "site"))


def _by_trend(trend: BankTrend, bank: Bank) -> Item:
    words, shown = BANK_WORDS[bank], source("least-squares").shown
    by: Settling = ("new filter", bank)
    if trend.plan_on is None or trend.limit_pa is None:
        told = trend.notes[-1] if trend.forecast is None else _why_no_day(trend)
        return Item(f"Pressure drop of the {words}: {told}", source("forecast-rules").shown)
    limit = f"{plain(trend.limit_pa)} Pa (site value)"
    if trend.forecast is not None and not trend.forecast.within_limit:
        told = f"The pressure drop of the {words} reached {limit} on {trend.plan_on}."
        return Item(told, SITE_VALUE, Due(f"pressure drop of the {words}", trend.plan_on, "site"), settled_by=by)
    late = f" and {trend.late}" if trend.late else " and a day farther off than a century"
    told = f"The pressure drop of the {words} may reach {limit} between {trend.plan_on}{late} (95 % prediction band)."
    return Item(told, shown, Due(f"pressure drop of the {words}", trend.plan_on, "least-squares"), settled_by=by)


def _why_no_day(trend: BankTrend) -> str:
    """The forecast's own words on why there is no day: few data, no trend, or beyond its horizon."""
    starts = ("Rate only", "Few data", "No trend", "The resistance falls", "The window lies beyond")
    told = " ".join(note for note in trend.notes if note.startswith(starts)) or trend.notes[-1]
    return f"{told} Day 0 is {trend.series.used[0].on}." if " day " in told else told


def _by_age(known: Known, bank: Bank) -> Iterator[Item]:
    words, ages = BANK_WORDS[bank], filter_ages(known, bank)
    if not ages:
        yield Item(
            f"Age of the filters of the {words}: no date of manufacture is on record.", source("age-study").shown
        )
        return
    first = min(ages, key=lambda age: age.on)
    rule, shown = ("site", SITE_VALUE) if first.from_site else ("age-study", source("age-study").shown)
    told = f"The age of the filter at {first.port} position {first.position} of the {words} runs out on {first.on}."
    yield Item(
        told, shown, Due(f"age of a filter of the {words}", first.on, rule), ran_out=True,
        settled_by=("new filter", bank), spot=(first.port, first.position),
    )  # fmt: skip


def _by_leak_test(known: Known, bank: Bank) -> Iterator[Item]:
    words, months = BANK_WORDS[bank], design_of(known.housing, bank).leak_interval_months
    by: Settling = ("leak test", bank)
    tests, shown = leak_tests(known, bank), SITE_VALUE
    if tests and tests[-1].passed is False:
        last = tests[-1]
        told = f"The last leak test of the {words}, {last.on}, failed (job {last.number})."
        yield Item(
            told, f"limit: {last.basis}", Due(f"failed leak test of the {words}", last.on, "site"), settled_by=by
        )
        return
    if months is None:
        return
    passed = [test for test in tests if test.passed]
    if passed:
        on = add_months(passed[-1].on, months)
        told = f"Leak test of the {words}: {months} months after the last one passed, {passed[-1].on}, is {on}."
        yield Item(told, shown, Due(f"leak test of the {words}", on, "site"), settled_by=by)
        return
    changed = changed_at(known, bank)
    if changed is None:
        yield Item(f"Leak test of the {words}, every {months} months: no passed test is on record.", shown)
        return
    day = site_day(changed[0], known.site.zone)
    told = f"Leak test of the {words}: filters were changed on {day} and no test has passed since."
    yield Item(told, shown, Due(f"leak test of the {words}", day, "site"), settled_by=by)
