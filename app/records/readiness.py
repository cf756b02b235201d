"""The readiness of one plan in words: what is open, who owes it by when, what was answered, who agreed.

One piece for the page, the sheet to print and the job opened from the plan.
"""

from dataclasses import dataclass
from datetime import date

from app.domain.housing import Service
from app.domain.planned import Planned
from app.domain.procedure import Role
from app.domain.readiness import Item, ItemState, ReadinessAgreed, Standing
from app.domain.readiness_items import applies, fields_of, is_ready, owed_by, still_open
from app.domain.site import SiteState
from app.records.moments import local_text


@dataclass(frozen=True, slots=True)
class ItemLine:
    """One item.  answers: label and text; owed: by whom and by when, while it is open; late: that day is past."""

    item: Item
    words: str
    standing: str
    is_open: bool
    answers: tuple[tuple[str, str], ...]
    shown: tuple[str, ...]
    reason: str
    said: str
    owed: str
    late: bool
    person: str
    until: str


@dataclass(frozen=True, slots=True)
class ReadinessWords:
    """The whole.  told: how it stands, in a sentence or two; void: earlier signatures and what made them void."""

    ready: bool
    told: str
    lines: tuple[ItemLine, ...]
    signed: tuple[str, ...]
    void: tuple[str, ...]
    gaps: tuple[str, ...]
    seen: int
    to_sign: tuple[Role, ...]


def readiness_words(
    state: SiteState, plan: Planned, service: Service, today: date, gaps: tuple[str, ...] = ()
) -> ReadinessWords:
    """Return the readiness of a plan in words; gaps: what the crew lacks by the register today."""
    left, readiness = still_open(plan, service), plan.readiness
    to_sign = tuple(role for role in (Role.LEAD, Role.SAFETY_OFFICER) if readiness.signed_by(role) is None)
    ready = is_ready(plan, service)
    return ReadinessWords(
        ready=ready,
        told=_told(plan, service, left, to_sign, ready=ready),
        lines=tuple(_line(state, plan, service, item, today) for item in applies(service)),
        signed=tuple(signature_words(signed) for signed in readiness.holding),
        void=_void(plan, state.zone),
        gaps=gaps,
        seen=readiness.newest,
        to_sign=to_sign if plan.waits and not left else (),
    )


def signature_words(signed: ReadinessAgreed) -> str:
    """Say who signed, in which role, when and what."""
    who = f"{signed.by.name}, {signed.by.role.words}" if signed.by else "nobody"
    return f"{who}, {signed.local_time}: “{signed.meaning}” ({signed.proof})"


def agreed_words(plan: Planned) -> str:
    """Say by whom and when the readiness was agreed."""
    return " and ".join(
        f"{signed.by.name}, {signed.by.role.words}, {signed.local_time}"
        for signed in plan.readiness.holding
        if signed.by is not None
    )


def _told(plan: Planned, service: Service, left: tuple[Item, ...], to_sign: tuple[Role, ...], *, ready: bool) -> str:
    if plan.dropped:
        return "Dropped, and so not ready."
    if ready:
        return f"Ready: agreed by {agreed_words(plan)}."
    if left:
        return f"Not ready: {len(left)} of {len(applies(service))} items are open."
    missing = " and ".join(f"the {role.words}" for role in to_sign)
    return f"Not ready: nothing is open, and {missing} {'has' if len(to_sign) == 1 else 'have'} yet to agree."


def _void(plan: Planned, zone: str) -> tuple[str, ...]:
    readiness = plan.readiness
    if not readiness.void:
        return ()
    what = readiness.item.words if readiness.item else "the plan itself"
    by = f" by {readiness.by.name}" if readiness.by else ""
    since = f"since {what} changed{by}, {local_text(readiness.at, zone)[:16]}"
    return tuple(
        f"{since}: signed by {signed.by.name}, {signed.by.role.words}, {signed.local_time[:16]}."
        for signed in readiness.void[-2:]
        if signed.by is not None
    )


def _line(state: SiteState, plan: Planned, service: Service, item: Item, today: date) -> ItemLine:
    known = plan.readiness.of(item)
    person, role, until = owed_by(plan, item)
    is_open = known.standing is Standing.OPEN
    who = state.watch.name(person) if person else f"the {role.words}"
    said = ""
    if known.by is not None:
        said = f"{known.by.name}, {known.by.role.words}, {local_text(known.at, state.zone)[:16]}"
    return ItemLine(
        item=item,
        words=item.words,
        standing=str(known.standing),
        is_open=is_open,
        answers=_answers(item, service, known) if known.standing is Standing.ANSWERED else (),
        shown=known.shown,
        reason=known.reason,
        said=said,
        owed=f"{who}, by {until}" if is_open else "",
        late=is_open and plan.waits and until < today,
        person=person,
        until=str(known.until or ""),
    )


def _answers(item: Item, service: Service, known: ItemState) -> tuple[tuple[str, str], ...]:
    found = []
    for asked in fields_of(item, service):
        text = known.fields.get(asked.name, "")
        if text:
            found.append((asked.label, dict(asked.options).get(text, text)))
    return tuple(found)
