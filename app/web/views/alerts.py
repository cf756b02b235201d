"""What a person is told on the first page about access: alerts that wait for their role, and their own secret."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from app.domain.site import SiteState
from app.domain.watch import SecretChange
from app.records.moments import local_text
from app.services.ports import Session

TOLD_FOR = timedelta(days=30)
"""For so long a secret chosen with a one-time code is told aloud on the first page (this program's figure)."""


@dataclass(frozen=True, slots=True)
class SecretTold:
    """When the own secret was chosen, and by which way. told: it stands out, since a one-time code was used."""

    sentence: str
    told: bool


def alert_rows(state: SiteState, session: Session) -> tuple[tuple[int, str, str], ...]:
    """Return entry, time and sentence of the alerts that nobody of this person's role has seen."""
    waiting = (alert for alert in state.watch.alerts.values() if alert.waits_for(session.who.role))
    return tuple((alert.seq, local_text(alert.at, state.zone), alert.sentence) for alert in waiting)


def secret_changes(state: SiteState, person: str) -> tuple[str, ...]:
    """Return every choosing of a person's secret as a sentence, newest first."""
    account = state.watch.accounts.get(person)
    return tuple(_sentence(change, state.zone) for change in reversed(account.changes)) if account else ()


def secret_told(state: SiteState, session: Session) -> SecretTold | None:
    """Return what a person is told of their own secret; None if it is as the site began."""
    account = state.watch.accounts.get(session.who.id)
    if account is None or not account.changes:
        return None
    last = account.changes[-1]
    by_code = last.way == "one-time code"
    fresh = session.created - datetime.fromisoformat(last.at) < TOLD_FOR
    more = " If that was not you, tell a safety officer." if by_code else ""
    return SecretTold(f"{_sentence(last, state.zone)}{more}", told=by_code and fresh)


def _sentence(change: SecretChange, zone: str) -> str:
    at = f" at {change.tablet}" if change.tablet else ""
    way = {
        "one-time code": f" with a one-time code from {change.code_from or 'an administrator'}",
        "own secret": " by giving the one before",
        None: "",
    }[change.way]
    return f"Your secret was chosen {local_text(change.at, zone)}{at}{way}."
