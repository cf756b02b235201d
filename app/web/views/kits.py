"""The pages of pick lists and kits: rows of plain text, made from the lists that paper and tables show, too."""

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from app.domain.picking import COUNTED, KIT_RULE, PickList, dealt_elsewhere, picked, serves
from app.domain.store import Kind, Store, life_of, why_not
from app.domain.storing import not_moved, used_by
from app.records.pick_sheet import OrderRow, PickPart, material, order_rows, pick_parts
from app.services.kits import Work, dealt
from app.web.entered import Refilled

MOST_OTHERS = 12
"""Other lots that a kit's page offers beside those proposed; more would not fit a form (our figure)."""


@dataclass(frozen=True, slots=True)
class Lists:
    """Pick and order list for some works.  faults: why there is no take-off for a work."""

    parts: tuple[PickPart, ...]
    orders: tuple[OrderRow, ...]
    faults: tuple[str, ...]


def lists_of(works: Collection[Work], store: Store, today: date) -> Lists:
    """Deal the store room out to these works together."""
    found = picked([work.wanted for work in works if work.wanted is not None], store, today=today)
    return Lists(
        parts=pick_parts(found, [(work.key, work.name, work.told) for work in works if work.wanted], store, today),
        orders=order_rows(found, {work.key: work.name for work in works}, today),
        faults=tuple(f"{work.name}, {work.told}: {work.fault}" for work in works if work.wanted is None),
    )


@dataclass(frozen=True, slots=True)
class PickingPage:
    """The choice of works, what is short, and what to take.  query: the choice as part of an address."""

    choices: tuple[tuple[str, str, str, bool], ...]
    lists: Lists
    query: str
    rule: str
    today: date


def picking_page(works: Sequence[Work], chosen: Collection[Work], store: Store, today: date, query: str) -> PickingPage:
    """Return the page."""
    keys = {work.key for work in chosen}
    return PickingPage(
        choices=tuple((work.key, work.name, work.told, work.key in keys) for work in works),
        lists=lists_of(chosen, store, today),
        query=query,
        rule=KIT_RULE,
        today=today,
    )


@dataclass(frozen=True, slots=True)
class NeedRow:
    """One need of a work: how many, how many stand aside for it, how many are short even with the store room."""

    what: str
    needed: int
    spare: int
    put_aside: int
    short: int


@dataclass(frozen=True, slots=True)
class OfferRow:
    """One lot that may be staged.  count: as typed before a refusal, else as proposed.

    elsewhere: to which other work it is dealt, in words.
    """

    lot: str
    what: str
    left: int
    place: str
    count: str
    elsewhere: str


@dataclass(frozen=True, slots=True)
class KitRow:
    """One lot of a kit.  bad: why it may not be used on the day, if it may not; back: as typed before a refusal."""

    lot: str
    what: str
    staged: int
    bad: str
    back: str


@dataclass(frozen=True, slots=True)
class KitPage:
    """The kit of one work.

    used: kind, by the steps, by the store room.  unmoved: what was used without a kit, in words.  settled: what was
    said of it, in words.  over: why nothing is proposed to be staged, if so.  took: what was staged just now although
    it was dealt to other work, in words.
    """

    key: str
    name: str
    told: str
    fault: str
    is_job: bool
    waits: bool
    needs: tuple[NeedRow, ...]
    offers: tuple[OfferRow, ...]
    kit: tuple[KitRow, ...]
    is_open: bool
    finished: bool
    used: tuple[tuple[str, int, int], ...]
    settled: str
    may_stage: bool
    unmoved: str
    over: str
    took: str
    rule: str
    form: Refilled
    settling: Refilled


def kit_page(
    work: Work, beside: Collection[Work], store: Store, today: date, *, used: Mapping[Kind, int], may_stage: bool,
    finished: bool, took: Collection[tuple[str, str]], form: Refilled, settling: Refilled,
) -> KitPage:  # fmt: skip
    """Return the page.

    beside: all work that waits, to which the store room is dealt out together.  store: as it may be shown now.
    used: by the steps that were done, from the model.  finished: it is a job, and no step of it is due any more.
    took: lots that were staged just now although they were dealt to other work: lot, and which.
    """
    found, day = dealt(beside, work, store, today), max(work.on, today)
    names = {item.key: item.name for item in beside}
    gone = used_by(store, work.key)
    held = {store.lots[lot].lot.kind for lot in store.kits.get(work.key, {})}
    settled = store.settled.get(work.key)
    told = "" if settled is None else f"Settled on {settled.at[:10]}"
    told += f": {settled.explained}" if settled is not None and settled.explained else ""
    unmoved = not_moved(store, work.key, used) if finished else {}
    over = "Every step stands, so nothing is missing." if finished and not unmoved else ""
    over = "The kit has been settled. What is staged now opens it again, and it is settled anew." if told else over
    return KitPage(
        key=work.key,
        name=work.name,
        told=work.told,
        fault=work.fault,
        is_job=work.is_job,
        waits=work.waits,
        needs=tuple(
            NeedRow(
                material(item.need.kind, item.need.what), item.need.whole, item.need.spare, item.put_aside, item.short
            )
            for item in found.shares
            if item.job == work.key
        ),
        offers=_offers(work, found, names, store, day, form, proposes=not over, unmoved=unmoved) if may_stage else (),
        kit=tuple(
            KitRow(
                item.lot.id, _named(store, item.lot.id), count,
                why_not(item, on=day, life_years=life_of(item.lot, work.lives)).removesuffix(" Take another."),
                settling[f"back.{item.lot.id}"],
            )
            for item, count in store.kit(work.key)
        ),
        is_open=store.is_open(work.key),
        finished=finished,
        used=tuple((kind, used.get(kind, 0), gone[kind]) for kind in COUNTED if kind in held),
        settled=told,
        may_stage=may_stage,
        unmoved=", ".join(f"{count} of {kind}" for kind, count in unmoved.items()),
        over=over,
        took=_took(work, store, names, took),
        rule=KIT_RULE,
        form=form,
        settling=settling,
    )  # fmt: skip


def _offers(
    work: Work, found: PickList, names: Mapping[str, str], store: Store, day: date, form: Refilled, *, proposes: bool,
    unmoved: Mapping[Kind, int],
) -> tuple[OfferRow, ...]:  # fmt: skip
    """What the pick list deals to the work, then other lots that would serve it, those dealt to other work last.

    unmoved: what was used without a kit; lots of these kinds are offered, a count only where there is one such lot.
    """
    proposed: dict[str, int] = {}
    elsewhere = dealt_elsewhere(found, work.key)
    for pick in (pick for pick in found.picks if proposes and pick.job == work.key):
        proposed[pick.lot] = proposed.get(pick.lot, 0) + pick.count
    needs = work.wanted.needs if work.wanted else ()
    others = [
        item.lot.id
        for item in store.at_hand()
        if item.lot.id not in proposed
        and item.left
        and (item.lot.kind in unmoved or any(serves(item, need) for need in needs))
        and not why_not(item, on=day, life_years=life_of(item.lot, work.lives))
    ]
    others.sort(key=lambda lot: store.lots[lot].left <= sum(elsewhere.get(lot, {}).values()))
    for kind, count in unmoved.items():
        if len(only := [lot for lot in others if store.lots[lot].lot.kind is kind]) == 1:
            proposed[only[0]] = min(count, store.lots[only[0]].left)
    others = [lot for lot in others if lot not in proposed]
    typed = any(name.startswith("lot.") for name in form.fields)
    return tuple(
        OfferRow(
            lot, _named(store, lot), store.lots[lot].left, store.lots[lot].lot.place,
            form[f"lot.{lot}"] if typed else str(proposed.get(lot, "")),
            ", ".join(f"{count} dealt to {names[key]}" for key, count in elsewhere.get(lot, {}).items()),
        )
        for lot in (*proposed, *others[:MOST_OTHERS])
    )  # fmt: skip


def _took(work: Work, store: Store, names: Mapping[str, str], took: Collection[tuple[str, str]]) -> str:
    """Say what was staged although the pick list deals it to other work; only of lots that are in the kit."""
    kit = {item.lot.id for item, _ in store.kit(work.key)}
    of: dict[str, list[str]] = defaultdict(list)
    for lot, key in took:
        if lot in kit and key in names:
            of[lot].append(names[key])
    told = ", ".join(f"{lot} ({', '.join(who)})" for lot, who in of.items())
    return told and f"Dealt to other work until now: {told}. The list of that work has changed; take it anew."


def _named(store: Store, lot: str) -> str:
    item = store.lots[lot].lot
    return f"filter {item.serial}, {item.what}" if item.serial else material(item.kind, item.what)
