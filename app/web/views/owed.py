"""What of the readiness of planned work is owed, for the first page: by who reads it, and late by anybody.

A plan of which nothing is open owes signatures: it stands there for those who have yet to give theirs.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date

from app.domain.event_base import Who
from app.domain.housing import Housing
from app.domain.planned import Planned
from app.domain.procedure import Role
from app.domain.readiness import Item
from app.domain.readiness_items import owed_by, still_open
from app.domain.readying import AGREEING
from app.domain.site import SiteState
from app.records.due import days_words

MOST_OWED = 4
"""So many lines of each kind stand on the first page, the earliest days; the others are counted (our figure)."""


@dataclass(frozen=True, slots=True)
class OwedRow:
    """One item that is owed.  who: by whom, where that is not the reader."""

    plan: str
    item: Item
    housing: str
    words: str
    when: str
    late: bool
    who: str = ""


@dataclass(frozen=True, slots=True)
class Owed:
    """What is owed, the earliest days first; more: how many lines are not shown.

    to_agree: plans with their housings that this person has yet to sign.
    """

    to_agree: tuple[tuple[str, str], ...]
    rows: tuple[OwedRow, ...]
    more: int


def owed(state: SiteState, housing_of: Callable[[str], Housing | None], who: Who, today: date) -> Owed:
    """Return what this person owes, by name or by role where nobody is named, then what others owe and is late."""
    found = sorted(_owed(state, housing_of), key=lambda row: (row[2], row[0].plan, list(Item).index(row[1])))
    mine = [_row(row, "", today) for row in found if _is_mine(row, who)]
    late = [
        _row(row, _name(state, row), today) for row in found if row[2] < today and not _is_mine(row, who)
    ]  # fmt: skip
    rows = (*mine[:MOST_OWED], *late[:MOST_OWED])
    agree = [(plan.plan, plan.housing) for plan in _to_agree(state, housing_of, who)]
    shown = tuple(agree[:MOST_OWED])
    return Owed(shown, rows, len(mine) + len(late) + len(agree) - len(rows) - len(shown))


def _to_agree(state: SiteState, housing_of: Callable[[str], Housing | None], who: Who) -> list[Planned]:
    """Return the plans with nothing open that wait for this person's signature, the earliest work first."""
    if who.role not in AGREEING:
        return []
    found = []
    for plan in state.planned.waiting:
        if (who.role is Role.LEAD and who.id != plan.intent.lead) or plan.readiness.signed_by(who.role):
            continue
        housing = housing_of(plan.housing)
        if housing is not None and not still_open(plan, housing.service):
            found.append(plan)
    return sorted(found, key=lambda plan: (plan.begins, plan.plan))


_Open = tuple[Planned, Item, date]


def _owed(state: SiteState, housing_of: Callable[[str], Housing | None]) -> Iterator[_Open]:
    for plan in state.planned.waiting:
        housing = housing_of(plan.housing)
        for item in still_open(plan, housing.service) if housing is not None else ():
            yield plan, item, owed_by(plan, item)[2]


def _is_mine(row: _Open, who: Who) -> bool:
    person, role, _ = owed_by(row[0], row[1])
    return person == who.id if person else role is who.role


def _name(state: SiteState, row: _Open) -> str:
    person, role, _ = owed_by(row[0], row[1])
    return state.watch.name(person) if person else f"the {role.words}"


def _row(row: _Open, who: str, today: date) -> OwedRow:
    plan, item, until = row
    return OwedRow(
        plan.plan, item, plan.housing, item.words, f"by {until}, {days_words(until, today)}", until < today, who
    )
