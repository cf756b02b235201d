"""The pages of the store room: rows of plain text, made from the store room as it stands."""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import date

from app.domain.housing import Housing
from app.domain.site import SiteState
from app.domain.store import (
    LABEL,
    OF_A_FILTER,
    Kind,
    LotCorrected,
    LotInspected,
    Standing,
    Store,
    life_of,
    plain_what,
    why_not,
)
from app.domain.storing import TOOLS, age_of, receipt_items
from app.records.moments import local_text
from app.services.store_room import is_over
from app.web.entered import Refilled

MOST_GONE = 100
"""Lots used up or gone that the page lists, those that went last (our figure); each keeps its own page."""


@dataclass(frozen=True, slots=True)
class LotRow:
    """One lot of the list.  stands: the verdict in words; bad: why it may not be used, if it may not."""

    id: str
    what: str
    count: str
    stands: str
    bad: str
    age: str
    place: str


@dataclass(frozen=True, slots=True)
class StockPage:
    """The store room by kinds; what is used up or gone is folded away.

    left_over: kits that stand staged although their work is gone: key, and which it is, in words.
    """

    kinds: tuple[tuple[str, tuple[LotRow, ...]], ...]
    gone: tuple[LotRow, ...]
    gone_count: int
    to_inspect: int
    left_over: tuple[tuple[str, str], ...]
    choices: tuple[str, ...]
    suggestions: tuple[str, ...]
    lead_times: tuple[tuple[str, str], ...]
    may_set: bool
    today: date
    form: Refilled
    setting: Refilled


def stock_page(
    state: SiteState, store: Store, suggestions: tuple[str, ...], today: date, *, lives: Mapping[str, int],
    may_set: bool, form: Refilled, setting: Refilled,
) -> StockPage:  # fmt: skip
    """Return the page; within a kind what runs out first comes first.

    store: as it may be shown now.  suggestions: types and sizes known here.  lives: years by filter type.
    """
    here = store.at_hand()
    staged = sorted({key for item in here for key in item.staged})
    by_kind = ((kind, [item for item in here if item.lot.kind is kind]) for kind in Kind)
    return StockPage(
        kinds=tuple(
            (kind, tuple(_row(item, today, state, lives) for item in items)) for kind, items in by_kind if items
        ),
        gone=tuple(
            _row(store.lots[name], today, state, lives) for name in store.gone.newest(MOST_GONE)
        ),
        gone_count=len(store.gone),
        to_inspect=len(store.to_inspect),
        left_over=tuple((key, _work(state, key)) for key in staged if is_over(state, key)),
        choices=tuple(Kind),
        suggestions=suggestions,
        lead_times=tuple((kind, _days(store, kind)) for kind in Kind),
        may_set=may_set,
        today=today,
        form=form,
        setting=setting,
    )  # fmt: skip


def known_kinds(housings: tuple[Housing, ...]) -> tuple[str, ...]:
    """Return the types and sizes that housings need, and the tools."""
    ports = [port for housing in housings for port in housing.ports]
    sizes = {size for port in ports if (size := port.bag or port.ring)}
    return tuple(sorted({port.filter for port in ports} | sizes | set(TOOLS)))


def _days(store: Store, kind: Kind) -> str:
    days = store.lead_days.get(kind)
    return "not known" if days is None else f"{days} day{'' if days == 1 else 's'}"


def _work(state: SiteState, key: str) -> str:
    line = state.jobs.get(key)
    return f"{key}, which was dropped" if line is None else f"Job {line.number}, which is over"


def _row(item: Standing, today: date, state: SiteState, lives: Mapping[str, int]) -> LotRow:
    lot = item.lot
    return LotRow(
        id=lot.id,
        what=f"{lot.what}, serial number {lot.serial}" if lot.serial else lot.what,
        count=count_words(item, state),
        stands=item.verdict,
        bad=unfit(item, today, lives),
        age=age_of(item, today),
        place=lot.place,
    )


def unfit(item: Standing, today: date, lives: Mapping[str, int]) -> str:
    """Say why a lot may not be used, without the advice to take another; nothing if it may."""
    return why_not(item, on=today, life_years=life_of(item.lot, lives)).removesuffix(" Take another.")


def count_words(item: Standing, state: SiteState) -> str:
    """Say how many are left, and what is staged or used for which job."""
    told = [f"{item.left} left"]
    told += [f"{count} staged for {job_words(job, state)}" for job, count in item.staged.items()]
    told += [f"{count} used in {job_words(job, state)}" for job, count in item.used.items()]
    return ", ".join(told)


def job_words(job: str, state: SiteState) -> str:
    """Name a job by its number and housing; a planned work by its own number."""
    line = state.jobs.get(job)
    return f"job {line.number} on {line.housing}" if line else job


@dataclass(frozen=True, slots=True)
class LookedAt:
    """One inspection as it was entered."""

    at: str
    by: str
    verdict: str
    reason: str
    odd: tuple[str, ...]
    photo: str


@dataclass(frozen=True, slots=True)
class LotPage:
    """One lot: what it is, how it stands, its inspections, and the form of the next one.

    bad: why it may not be used; else use: for whom there is any of it, there: whether there is any.
    label: what its label says, as it was entered or as typed before a refusal, for the form that corrects it.
    """

    id: str
    title: str
    facts: tuple[tuple[str, str], ...]
    bad: str
    use: str
    there: bool
    inspections: tuple[LookedAt, ...]
    parts: tuple[tuple[str, tuple[tuple[str, str, tuple[str, str]], ...]], ...]
    red_label: bool
    corrections: tuple[tuple[str, str, str], ...]
    label: Mapping[str, str]
    known: tuple[str, ...]
    today: date
    form: Refilled
    counting: Refilled
    correcting: Refilled


def lot_page(
    state: SiteState, item: Standing, known: tuple[str, ...], today: date, *, lives: Mapping[str, int],
    form: Refilled, counting: Refilled, correcting: Refilled,
) -> LotPage:  # fmt: skip
    """Return the page of one lot.  known: types and sizes known here."""
    lot = item.lot
    names = [name for name in LABEL if name not in OF_A_FILTER or lot.serial]
    facts = [("What it is", lot.kind if plain_what(lot.what) == plain_what(lot.kind) else f"{lot.kind}: {lot.what}")]
    if lot.kind is Kind.FILTER and plain_what(lot.what) not in {plain_what(text) for text in known}:
        facts += [("For", "no housing on the register takes this type; see that it is written as there")]
    facts += [("Serial number", lot.serial)] if lot.serial else []
    facts += [("How many", count_words(item, state)), ("Received", f"{lot.received_on}, {lot.count} of it")]
    facts += [("By its label", age)] if (age := age_of(item, today)) else []
    facts += [("Maker's test report", lot.test_report)] if lot.test_report else []
    facts += [("Maker's lot", lot.maker_lot)] if lot.maker_lot else []
    facts += [("Kept at", lot.place)] if lot.place else []
    facts += [("Verdict", item.verdict + (f": {item.reason}" if item.reason else ""))]
    items = receipt_items(lot.kind)
    return LotPage(
        id=lot.id,
        title=f"Filter {lot.serial}" if lot.serial else f"Lot {lot.id}",
        facts=tuple(facts),
        bad=unfit(item, today, lives),
        use=_use(item),
        there=bool(item.left or item.staged),
        inspections=tuple(_looked_at(event, state) for event in reversed(item.inspected)),
        parts=tuple(
            (part, tuple((name, i.label, (i.good, i.bad)) for name, i in items.items() if i.part == part))
            for part in _in_order(i.part for i in items.values())
        ),
        red_label=item.verdict == "rejected",
        corrections=tuple(_correction(event, state) for event in reversed(item.corrected)),
        label={name: correcting[name] if correcting.told else str(getattr(lot, name) or "") for name in names},
        known=known,
        today=today,
        form=form,
        counting=counting,
        correcting=correcting,
    )


def _correction(event: LotCorrected, state: SiteState) -> tuple[str, str, str]:
    by = event.by.name if event.by else "the server"
    return local_text(event.at, state.zone)[:16], by, f"{event.told}: {event.reason}"


def _use(item: Standing) -> str:
    """Say of a lot that is fit for whom there is any of it."""
    if item.left:
        return "May be used."
    if item.staged:
        return "Nothing of it is left but what is staged; that may be used by the work it is staged for."
    return "Nothing of it is left here."


def _in_order(names: Iterable[str]) -> Collection[str]:
    return dict.fromkeys(names)


def _looked_at(event: LotInspected, state: SiteState) -> LookedAt:
    return LookedAt(
        at=local_text(event.at, state.zone)[:16],
        by=event.by.name if event.by else "the server",
        verdict=event.verdict,
        reason=event.reason,
        odd=tuple(f"{finding.item}: {finding.seen}" for finding in event.findings if not finding.as_asked),
        photo=event.photo or "",
    )
