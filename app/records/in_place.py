"""Filters in place as people read them: what sits where, since when, how old it is and until when it may stay."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date

from app.calc.sources import source
from app.domain.event_base import Who
from app.domain.housed import Housed, InPlace
from app.domain.housing import Housing
from app.domain.steps import BANK_WORDS
from app.records.due import days_words
from app.records.housing_story import age_in_place
from app.records.moments import local_text

HOW_WORDS = {"desk": "entered by", "survey": "read in a survey by", "import": "from a file, entered by",
             "job": "taken over from job"}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Jobs:
    """The jobs of a housing: their numbers by ledger, and those that were accepted and are open again."""

    numbers: Mapping[str, str]
    open_again: frozenset[str] = frozenset()

    def number(self, job: str) -> str:
        """Return the number of a job."""
        return self.numbers.get(job, job)


@dataclass(frozen=True, slots=True)
class FilterLine:
    """One position.  facts: date, report and where it is known from.  due: when its age runs out, and by whose rule."""

    port: str
    position: int
    bank: str
    serial: str
    facts: tuple[str, ...]
    age: str
    due: str
    source: str
    overdue: bool
    stray: bool = False


def filter_lines(housing: Housing, register: Housed, today: date, zone: str, jobs: Jobs) -> list[FilterLine]:
    """Return every position of a housing in the order of its ports; what no nameplate has any more comes last."""
    spots = register.spots(housing.tag)
    there = [(port.id, place) for port in housing.ports for place in range(1, port.filters + 1)]
    lines = [_line(housing, place, spots.get(place), today, zone, jobs) for place in there]
    left = [place for place, now in spots.items() if place not in there and now.filter is not None]
    return lines + [_line(housing, place, spots[place], today, zone, jobs, stray=True) for place in left]


def _line(
    housing: Housing, place: tuple[str, int], now: InPlace | None, today: date, zone: str, jobs: Jobs,
    *, stray: bool = False,
) -> FilterLine:  # fmt: skip
    port, position = place
    bank = next((BANK_WORDS[item.bank] for item in housing.ports if item.id == port), "")
    if now is None or now.filter is None:
        none = (_none(now, zone, jobs),) if now is not None else ()
        return FilterLine(port, position, bank, "", none, "", "", "", overdue=False)
    age = age_in_place(housing, place, now)
    facts = tuple(_facts(now, zone, jobs))
    if now.filter.made is None or age is None:
        told = "Maker's date not known, so its age is not known"
        return FilterLine(port, position, bank, now.filter.serial, facts, told, "", "", overdue=False, stray=stray)
    rule = "site value" if age.from_site else source("age-study").shown
    return FilterLine(
        port, position, bank, now.filter.serial, facts, age_words(now.filter.made, today),
        f"Its age runs out on {age.on}, {'today' if age.on == today else days_words(age.on, today)}", rule,
        overdue=age.on <= today, stray=stray,
    )  # fmt: skip


def _none(now: InPlace, zone: str, jobs: Jobs) -> str:
    if now.job in jobs.open_again:
        return f"job {jobs.number(now.job)}, open again, reads another than before; it comes in with its acceptance"
    return f"none since {local_text(now.since, zone)[:10]}"


def _facts(now: InPlace, zone: str, jobs: Jobs) -> Iterator[str]:
    if now.filter is None:
        return
    if now.filter.made is not None:
        yield f"made {now.filter.made}"
    if now.filter.report:
        yield f"test report {now.filter.report}"
    if now.filter.installed is not None:
        yield f"installed {now.filter.installed}"
    by = jobs.number(now.job) if now.job else _name(now.by)
    yield f"{HOW_WORDS[now.how]} {by}, {local_text(now.at, zone)[:10]}"
    if now.job in jobs.open_again:
        yield "that job is open again: this awaits its acceptance"


def _name(who: Who | None) -> str:
    return who.name if who else "the site"


def age_words(made: date, today: date) -> str:
    """Say how old a filter is, in whole months."""
    months = (today.year - made.year) * 12 + today.month - made.month - (today.day < made.day)
    years, rest = divmod(max(months, 0), 12)
    parts = [
        f"{count} {name}{'' if count == 1 else 's'}" for count, name in ((years, "year"), (rest, "month")) if count
    ]
    return f"{' '.join(parts) or 'less than a month'} old, counted from its making"
