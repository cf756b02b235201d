"""Who has access, which alerts stand, what was set: folded from the site's ledger, so that nothing is kept twice."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import assert_never

from app.domain.event_base import Who
from app.domain.housing import SiteLimit
from app.domain.job import Notable
from app.domain.procedure import Role
from app.domain.watch_events import (
    AccessReviewed,
    AlertSeen,
    ClockStepped,
    CodeUsed,
    LimitChosen,
    PersonAdded,
    PersonLeft,
    RoleGiven,
    SecretChosen,
    SecretReset,
    SecretWrong,
    SettingChosen,
    WaitLifted,
    WatchEvent,
    Way,
)

FREE_TRIES = 5
ALERT_COUNTS = frozenset({FREE_TRIES, 10, 20, 50, 100})
"""Wrong secrets in a row that raise an alert (this program's figures)."""
KEEPING = frozenset({Role.LEAD, Role.SAFETY_OFFICER})
"""Who is alerted."""


@dataclass(frozen=True, slots=True)
class SecretChange:
    """When a secret was chosen, by which way, at which tablet, and who had given the code, if one was used."""

    at: str
    way: Way | None
    tablet: str
    code_from: str = ""


@dataclass(frozen=True, slots=True)
class Account:
    """A person as the ledger knows them. code_until: until when a one-time code is good, None with an own secret.

    code_used: it has opened its session.  identity: how it was checked who they are, last.  accepted: what they
    accepted before they first signed.
    """

    id: str
    name: str
    role: Role
    left: bool = False
    code_until: str | None = None
    code_from: str = ""
    changes: tuple[SecretChange, ...] = ()
    identity: str = ""
    accepted: str = ""
    code_used: bool = False

    @property
    def unfit(self) -> str:
        """Say what is missing before this person may sign; nothing if they may (21 CFR 11.10(j), 11.100(b))."""
        if not self.identity:
            return f"Nobody has entered how it was checked who {self.name} is. An administrator does, with a new code."
        if not self.accepted:
            return f"{self.name} has not accepted yet that a signature binds. Accept it under Own secret, then sign."
        return ""


@dataclass(frozen=True, slots=True)
class Alert:
    """Something a lead and a safety officer must each see. seq: the entry that raised it. seen: by whom, and when."""

    seq: int
    at: str
    sentence: str
    seen: tuple[tuple[Who, str], ...] = ()

    def waits_for(self, role: Role) -> bool:
        """Whether nobody of this role has seen it."""
        return role in KEEPING and all(who.role is not role for who, _ in self.seen)


@dataclass(frozen=True, slots=True)
class Watch:
    """What is watched, at one moment.  limits: of readings at housings that have none of their own, by name."""

    accounts: Mapping[str, Account] = field(default_factory=lambda: MappingProxyType({}))
    wrongs: tuple[SecretWrong, ...] = ()
    clock_steps: tuple[ClockStepped, ...] = ()
    alerts: Mapping[int, Alert] = field(default_factory=lambda: MappingProxyType({}))
    settings: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    limits: Mapping[str, SiteLimit] = field(default_factory=lambda: MappingProxyType({}))
    reviewed: AccessReviewed | None = None

    def name(self, person: str) -> str:
        """Return a person's name, or the id of one who is not known."""
        account = self.accounts.get(person)
        return account.name if account else person


def evolve_watch(watch: Watch, event: WatchEvent) -> Watch:
    """Return what is watched after one more entry."""
    watch = _alerted(watch, event)
    match event:
        case PersonAdded():
            giver = event.by.name if event.by else "the server's first start"
            made = Account(
                event.person, event.name, event.role, code_until=event.good_until, code_from=giver,
                identity=event.identity or "", accepted=event.accepted or "",
            )  # fmt: skip
            return replace(watch, accounts=MappingProxyType({**watch.accounts, event.person: made}))
        case SecretReset():
            giver = event.by.name if event.by else ""
            told = {"identity": event.identity} if event.identity else {}
            return _account(watch, event.person, code_until=event.good_until, code_from=giver, code_used=False, **told)
        case CodeUsed():
            return _account(watch, event.person, code_used=True)
        case SecretChosen():
            return _chosen(watch, event)
        case PersonLeft():
            return _account(watch, event.person, left=True)
        case RoleGiven():
            return _account(watch, event.person, role=event.now)
        case SecretWrong():
            return replace(watch, wrongs=(*watch.wrongs, event))
        case ClockStepped():
            return replace(watch, clock_steps=(*watch.clock_steps, event))
        case AlertSeen():
            return _seen(watch, event)
        case AccessReviewed():
            return replace(watch, reviewed=event)
        case SettingChosen():
            return replace(watch, settings=MappingProxyType({**watch.settings, event.setting: event.now}))
        case LimitChosen():
            return replace(watch, limits=MappingProxyType({**watch.limits, event.limit: event.now}))
        case WaitLifted():
            return watch
        case _:
            assert_never(event)


def _account(watch: Watch, person: str, **changes: object) -> Watch:
    known = watch.accounts.get(person)
    if known is None:
        return watch
    changed = replace(known, **changes)  # type: ignore[arg-type]
    return replace(watch, accounts=MappingProxyType({**watch.accounts, person: changed}))


def _chosen(watch: Watch, event: SecretChosen) -> Watch:
    known = watch.accounts.get(event.person)
    giver = known.code_from if known and event.way == "one-time code" else ""
    change = SecretChange(event.at, event.way, event.tablet or "", giver)
    earlier = known.changes if known else ()
    accepted = event.accepted or (known.accepted if known else "")
    return _account(
        watch, event.person, changes=(*earlier, change), code_until=None, code_from="", code_used=False,
        accepted=accepted,
    )  # fmt: skip


def _alerted(watch: Watch, event: WatchEvent) -> Watch:
    told = alert_sentence(watch, event)
    if told is None:
        return watch
    return replace(watch, alerts=MappingProxyType({**watch.alerts, event.seq: Alert(event.seq, event.at, told)}))


def alert_sentence(watch: Watch, event: WatchEvent) -> str | None:
    """Return what is told to lead and safety officer at once, or None."""
    match event:
        case SecretWrong() if event.count in ALERT_COUNTS:
            return (
                f"{event.count} wrong secrets in a row for {watch.name(event.person)}, the last at {event.tablet}. "
                "Ask them whether it was they."
            )
        case ClockStepped():
            return f"{step_words(event)} Find out who moved it, and why."
        case _:
            return None


def step_words(event: ClockStepped) -> str:
    """Say a clock step in one sentence."""
    way = "forward" if event.step_ms > 0 else "back"
    return f"The server's clock was set {way} by {abs(event.step_ms) / 1000:.1f} s {event.when}."


def _seen(watch: Watch, event: AlertSeen) -> Watch:
    alert = watch.alerts.get(event.entry)
    if alert is None or event.by is None:
        return watch
    changed = replace(alert, seen=(*alert.seen, (event.by, event.at)))
    return replace(watch, alerts=MappingProxyType({**watch.alerts, event.entry: changed}))


def findings_since(watch: Watch, since: int) -> tuple[Notable, ...]:
    """Return what a job's reviewer must open of the site's ledger: wrong secrets and clock steps after entry `since`.

    A run of wrong secrets for one person is one finding, named by its last entry: another one must be opened anew.
    """
    found = [
        Notable(run.seq, "wrong secret", f"{run.count} in a row for {watch.name(run.person)}, last at {run.tablet}.")
        for run in _runs(item for item in watch.wrongs if item.seq > since)
    ]
    found += [Notable(item.seq, "clock step", step_words(item)) for item in watch.clock_steps if item.seq > since]
    return tuple(sorted(found, key=lambda item: item.seq))


def _runs(wrongs: Iterable[SecretWrong]) -> list[SecretWrong]:
    last: dict[str, SecretWrong] = {}
    ended: list[SecretWrong] = []
    for item in wrongs:
        before = last.get(item.person)
        if before is not None and item.count <= before.count:
            ended.append(before)
        last[item.person] = item
    return [*ended, *last.values()]
