"""Who has access, as a lead looks it through."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from app.domain.site import SiteState
from app.records.moments import local_text
from app.services.ports import Person


@dataclass(frozen=True, slots=True)
class AccessRow:
    """One person. held: qualification, last good day, whether it has run out. wrong: wrong secrets in a row."""

    id: str
    name: str
    role: str
    last_sign_in: str
    secret: str
    held: tuple[tuple[str, date, bool], ...]
    wrong: int


@dataclass(frozen=True, slots=True)
class AccessPage:
    """Everybody who may sign in, and when that was reviewed last."""

    rows: tuple[AccessRow, ...]
    reviewed: str


def access_page(state: SiteState, people: Sequence[Person], last: Mapping[str, str], today: date) -> AccessPage:
    """Return the page. last: last sign-in in UTC text by id; today: by the site's calendar."""
    review = state.watch.reviewed
    told = "Access has not been reviewed yet."
    if review is not None and review.by is not None:
        told = (
            f"Reviewed by {review.by.name}, {review.by.role.words}, {review.local_time}, {len(review.people)} people."
        )
    return AccessPage(tuple(_row(state, person, last.get(person.id, ""), today) for person in people), told)


def _row(state: SiteState, person: Person, last: str, today: date) -> AccessRow:
    account = state.watch.accounts.get(person.id)
    changes = account.changes if account else ()
    secret = f"own, chosen {local_text(changes[-1].at, state.zone)}" if changes else "own"
    if person.must_change:
        until = account.code_until if account else None
        secret = f"one-time code, good until {local_text(until, state.zone)}" if until else "one-time code"
    held = sorted((what, until) for (who, what), until in state.qualifications.items() if who == person.id)
    return AccessRow(
        id=person.id,
        name=person.name,
        role=person.role.words,
        last_sign_in=local_text(last, state.zone) or "never",
        secret=secret,
        held=tuple((what, until, until < today) for what, until in held),
        wrong=person.failed,
    )
