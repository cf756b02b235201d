"""The readiness of one plan in words: what is open, who owes it by when, what was answered, who agreed.

One piece for the page, the sheet to print and the job opened from the plan.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from app.domain.housing import Service
from app.domain.picking import Line
from app.domain.planned import Planned
from app.domain.procedure import Role
from app.domain.readiness import Change, Item, ItemState, ReadinessAgreed, Standing
from app.domain.readiness_fit import no_longer_fits
from app.domain.readiness_items import applies, fields_of, is_ready, owed_by, settled, still_open
from app.domain.readying import agreed_words
from app.domain.site import SiteState
from app.domain.surveyed_plans import CONCERNS, kind_of
from app.ledger.heads import Head
from app.records.cautions import CAUTIONS
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
    """The whole.  told: how it stands, in a sentence or two; void: earlier signatures, each with what changed."""

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
    """Return the readiness of a plan in words; gaps: what crew and housing lack today."""
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


def survey_words(state: SiteState, plan: Planned) -> tuple[str, ...]:
    """Say what surveys found otherwise of what waiting work depends on, while nobody has decided it."""
    found = state.housed.open_at(plan.housing) if plan.waits else ()
    return tuple(
        f"The survey of {local_text(item.at, state.zone)[:10]} found “{item.found}” for {item.label}; "
        f"{_USED_BY.get(kind_of(item.point), 'the take-off')} still "
        f"{f'uses “{item.register_has}”' if item.register_has else 'knows none'}."
        for item in found
        if kind_of(item.point) in CONCERNS
    )


_USED_BY = dict.fromkeys(("isolation", "upstream", "downstream", "fan"), "the isolation")


def kit_words(lines: Sequence[Line]) -> str:
    """Say how many materials of a kit are short, and by when the first of them is to be ordered."""
    short = [line for line in lines if line.short > 0]
    if not short:
        return "nothing is short"
    days = [line.order_by for line in short if line.order_by is not None]
    order = f"order by {min(days)}" if days else "no lead time is known that would give a day to order"
    return f"{len(short)} {'material' if len(short) == 1 else 'materials'} short, {order}"


def signature_words(signed: ReadinessAgreed) -> str:
    """Say who signed, in which role, when and what."""
    who = f"{signed.by.name}, {signed.by.role.words}" if signed.by else "nobody"
    return f"{who}, {signed.local_time}: “{signed.meaning}” ({signed.proof})"


def sheet_of(
    state: SiteState, plan: Planned, words: ReadinessWords, facts: list[list[str]], head: Head, *, made_at: str
) -> dict[str, Any]:
    """Return what the sheet to print shows.

    facts: pairs about the plan itself.  head: over the site's ledger.  Keys: title, ready, told, void, gaps, facts,
    items (words, standing, open, answers, shown, reason, said, owed, late), signed, cautions, head.
    """
    return {
        "title": f"{plan.plan}, housing {plan.housing}",
        "ready": words.ready,
        "told": words.told,
        "void": list(words.void),
        "gaps": list(words.gaps),
        "facts": [*facts, ["Printed", local_text(made_at, state.zone)]],
        "items": [
            {
                "words": line.words, "standing": line.standing, "open": line.is_open, "shown": list(line.shown),
                "answers": [list(pair) for pair in line.answers], "reason": line.reason, "said": line.said,
                "owed": line.owed, "late": line.late,
            }
            for line in words.lines
        ],
        "signed": list(words.signed),
        "cautions": list(CAUTIONS),
        "head": {"size": head.size, "root": head.root.hex(), "at": local_text(state.last_at, state.zone)},
    }  # fmt: skip


def _told(plan: Planned, service: Service, left: tuple[Item, ...], to_sign: tuple[Role, ...], *, ready: bool) -> str:
    if plan.dropped:
        return "Dropped, and so not ready."
    if ready:
        return f"Ready: agreed by {agreed_words(plan)}."
    if left:
        return f"Not ready: {len(left)} of {len(applies(service))} items are open."
    missing = " and ".join(f"the {role.words}" for role in to_sign)
    void = " What was signed before is void: see the earlier signatures." if plan.readiness.void else ""
    return f"Not ready: nothing is open, and {missing} {'has' if len(to_sign) == 1 else 'have'} yet to agree.{void}"


def _void(plan: Planned, zone: str) -> tuple[str, ...]:
    return tuple(
        f"since {'; '.join(_changed(change, zone) for change in plan.readiness.since(signed))}: "
        f"signed by {signed.by.name}, {signed.by.role.words}, {signed.local_time[:16]}."
        for signed in plan.readiness.void
        if signed.by is not None
    )


def _changed(change: Change, zone: str) -> str:
    what = change.item.words if change.item else "the plan itself"
    by = f" by {change.by.name}" if change.by else ""
    return f"{what} changed{by}, {local_text(change.at, zone)[:16]}"


def _line(state: SiteState, plan: Planned, service: Service, item: Item, today: date) -> ItemLine:
    known = plan.readiness.of(item)
    person, role, until = owed_by(plan, item)
    is_open, misfit = not settled(plan, item), no_longer_fits(plan, item)
    who = state.watch.name(person) if person else f"the {role.words}"
    said = ""
    if known.by is not None:
        said = f"{known.by.name}, {known.by.role.words}, {local_text(known.at, state.zone)[:16]}"
    return ItemLine(
        item=item,
        words=item.words,
        standing=str(Standing.OPEN if is_open else known.standing),
        is_open=is_open,
        answers=_answers(item, service, known) if known.standing is Standing.ANSWERED and not misfit else (),
        shown=() if misfit else known.shown,
        reason=misfit.rstrip(".") or known.reason,
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
