"""Deciding over people's access: roles, alerts seen, waits ended, the review of who has access.

Against the committed state of the site; each gives one entry or refuses with one sentence.
"""

from collections.abc import Mapping

from app.calc.errors import Invalid
from app.domain.event_base import proof_of
from app.domain.procedure import Role
from app.domain.refused import Refused
from app.domain.registers import LONGEST_REASON, SiteMoment, reason_from
from app.domain.signing import ACCESS_REVIEW
from app.domain.site import SiteState
from app.domain.watch import Account
from app.domain.watch_events import AccessReviewed, AlertSeen, Reviewed, RoleGiven, WaitLifted


def role_given(state: SiteState, moment: SiteMoment, *, person: str, role: str, reason: str) -> RoleGiven:
    """Return the entry that gives a person another role from here on; nobody gives one to themselves."""
    account = _account(state, person)
    if moment.by is not None and moment.by.id == person:
        raise Refused("own_role", "You cannot give yourself a role. Another administrator must.")
    if role not in tuple(Role):
        raise Invalid(f"{role!r} is not a role. Choose one of those shown.")
    if account.role == role:
        raise Invalid(f"{account.name} is a {account.role.words} already. Nothing was changed.")
    return RoleGiven(
        seq=moment.seq, at=moment.at, by=moment.by, person=person, was=account.role, now=Role(role),
        reason=reason_from(reason, "Why the role changes"),
    )  # fmt: skip


def wait_lifted(state: SiteState, moment: SiteMoment, *, person: str, reason: str) -> WaitLifted:
    """Return the entry by which a lead ends the wait after wrong secrets."""
    _account(state, person)
    return WaitLifted(
        seq=moment.seq, at=moment.at, by=moment.by, person=person, reason=reason_from(reason, "Why the wait ends")
    )


def alert_seen(state: SiteState, moment: SiteMoment, *, entry: str) -> AlertSeen:
    """Return the entry that somebody has seen an alert that waits for their role."""
    known = entry.isascii() and entry.isdigit() and len(entry) < 10
    alert = state.watch.alerts.get(int(entry)) if known else None
    if alert is None:
        raise Invalid(f"{entry[:20]!r} is not the entry of an alert. Choose one of those shown.")
    if moment.by is None or not alert.waits_for(moment.by.role):
        raise Invalid("That alert does not wait for your role any more. Reload the page.")
    return AlertSeen(seq=moment.seq, at=moment.at, by=moment.by, entry=alert.seq)


def access_reviewed(
    state: SiteState, moment: SiteMoment, *, last_sign_ins: Mapping[str, str], local_time: str, both: bool, remark: str
) -> AccessReviewed:
    """Return the entry that a lead has looked through who has access, with what was looked at.

    last_sign_ins: UTC text by person's id. local_time: of the moment, with its offset.
    """
    told = " ".join(remark.split())
    if len(told) > LONGEST_REASON:
        raise Invalid(
            f"The remark has {len(told)} characters; {LONGEST_REASON} is the most this program takes. Shorten it."
        )
    people = tuple(
        Reviewed(person=item.id, name=item.name, role=item.role, last_sign_in=last_sign_ins.get(item.id))
        for item in state.watch.accounts.values()
        if not item.left
    )
    return AccessReviewed(
        seq=moment.seq, at=moment.at, by=moment.by, people=people, meaning=ACCESS_REVIEW, local_time=local_time,
        proof=proof_of(both), remark=told,
    )  # fmt: skip


def _account(state: SiteState, person: str) -> Account:
    account = state.watch.accounts.get(person)
    if account is None or account.left:
        raise Invalid("There is no such person. Choose one from the list.")
    return account
