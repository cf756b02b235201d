"""The pick list and the order list: on screen, on paper and as tables made from the same rows.

Rules kept here:
- every row says what is needed, what is there and what is missing; nothing that is short is left out;
- the paper names the head of the site's ledger that it was made from, and is not signed.
"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date
from typing import Any

from app.domain.picking import KIT_RULE, Line, Pick, PickList, Share
from app.domain.store import Kind, Store
from app.domain.storing import age_of
from app.ledger.heads import Head
from app.records.cautions import CAUTIONS
from app.records.moments import local_text


@dataclass(frozen=True, slots=True)
class PickRow:
    """One lot to take, or what stands aside or is missing of a need.  lot: empty where it is no single lot.

    needed: in words, whole and spare as numbers.
    """

    what: str
    needed: str
    lot: str
    count: int
    place: str
    label: str
    missing: bool = False
    whole: int = 0
    spare: int = 0


@dataclass(frozen=True, slots=True)
class PickPart:
    """What one work takes.  aside: what is put aside for it, in words."""

    key: str
    name: str
    told: str
    rows: tuple[PickRow, ...]
    aside: tuple[str, ...]
    short: int


@dataclass(frozen=True, slots=True)
class OrderRow:
    """One kind that is short.  by: the order day in words; day, late: that day alone and how many days it is past."""

    what: str
    needed: int
    there: int
    short: int
    first: str
    on: str
    by: str
    overdue: bool
    day: str = ""
    late: int = 0


def material(kind: Kind, what: str) -> str:
    """Name a material: its kind, unless its description says it already, and its type or size where it matters."""
    said = kind is Kind.TOOL or f" {kind} " in f" {' '.join(what.replace(',', ' ').casefold().split())} "
    return what if said else f"{kind} {what}".rstrip()


def pick_parts(
    found: PickList, named: Sequence[tuple[str, str, str]], store: Store, today: date
) -> tuple[PickPart, ...]:
    """Return a part for each work, in the order given; named: key, name, and what it is, in words."""
    return tuple(
        _part(key, name, told, [item for item in found.shares if item.job == key], found.picks, store, today)
        for key, name, told in named
    )


def _part(
    key: str, name: str, told: str, shares: Sequence[Share], picks: Sequence[Pick], store: Store, today: date
) -> PickPart:
    rows: list[PickRow] = []
    for share in shares:
        what, needed = material(share.need.kind, share.need.what), _needed(share)
        whole, spare = share.need.whole, share.need.spare if share.need.count else 0
        for pick in (pick for pick in picks if pick.job == key and pick.need == share.need):
            item = store.lots[pick.lot]
            label = (
                f"serial number {item.lot.serial}" if item.lot.serial else item.lot.what if not share.need.what else ""
            )
            told_label = ", ".join(part for part in (label, age_of(item, today)) if part)
            rows.append(
                PickRow(what, needed, pick.lot, pick.count, item.lot.place, told_label, whole=whole, spare=spare)
            )
        if share.short:
            rows.append(PickRow(what, needed, "", share.short, "", "", missing=True, whole=whole, spare=spare))
    aside = tuple(
        f"{share.put_aside} of {material(share.need.kind, share.need.what)}" for share in shares if share.put_aside
    )
    return PickPart(key, name, told, tuple(rows), aside, sum(1 for share in shares if share.short))


def _needed(share: Share) -> str:
    spare = share.need.spare
    return f"{share.need.whole}, {spare} of them spare" if spare and share.need.count else str(share.need.whole)


def order_rows(found: PickList, names: Mapping[str, str], today: date) -> tuple[OrderRow, ...]:
    """Return what is short, what is to be ordered first before the rest; what has no order day comes last."""
    short = [line for line in found.lines if line.short]
    ordered = sorted(short, key=lambda line: (line.order_by is None, line.order_by or date.max, line.on or date.max))
    return tuple(
        OrderRow(
            what=material(line.kind, line.what), needed=line.needed, there=line.there, short=line.short,
            first=names.get(line.first, line.first), on=str(line.on or ""), by=_by(line, today), overdue=line.overdue,
            day=str(line.order_by or ""), late=max((today - line.order_by).days, 0) if line.order_by else 0,
        )
        for line in ordered
    )  # fmt: skip


def _by(line: Line, today: date) -> str:
    if line.order_by is None:
        return "lead time not known"
    late = (today - line.order_by).days
    return f"{line.order_by}, {late} day{'' if late == 1 else 's'} ago" if late > 0 else str(line.order_by)


PICK_HEAD = (
    "Picked", "For", "Work", "Material", "Needed", "Of them spare", "Lot", "Count", "Kept at", "By its label", "State",
)  # fmt: skip
ORDER_HEAD = (
    "Ordered", "Material", "Needed", "There", "Short", "First for", "Needed on", "Order by", "Days late", "Lead time",
    "State",
)  # fmt: skip
"""A column holds numbers, days or words and never two of them, so that a spreadsheet can add and sort it."""


def pick_table(parts: Sequence[PickPart]) -> list[Sequence[str | int]]:
    """Return the pick list as rows of a table, with an empty cell to tick."""
    return [
        PICK_HEAD,
        *(
            ("", part.name, part.told, row.what, row.whole, row.spare, row.lot, row.count, row.place, row.label,
             "SHORT" if row.missing else "take")
            for part in parts
            for row in part.rows
        ),
    ]  # fmt: skip


def order_table(rows: Sequence[OrderRow]) -> list[Sequence[str | int]]:
    """Return the order list as rows of a table, with an empty cell to tick."""
    return [
        ORDER_HEAD,
        *(
            ("", row.what, row.needed, row.there, row.short, row.first, row.on, row.day, row.late,
             "known" if row.day else "not known", "LATE" if row.overdue else "")
            for row in rows
        ),
    ]  # fmt: skip


HONEST = (
    "Made from the site's store room as it stood at the entry named below; not signed, and no proof of anything.",
    "Look at each lot before it is taken: what is damaged, out of date or without its label stays here.",
    KIT_RULE,
)


def sheet_value(
    parts: Sequence[PickPart], orders: Sequence[OrderRow], faults: Sequence[str], head: Head, *, zone: str, made_at: str
) -> dict[str, Any]:
    """Return what the printed lists show, as JSON values."""
    return {
        "title": "Pick list and order list",
        "made": local_text(made_at, zone),
        "parts": [asdict(part) for part in parts],
        "orders": [asdict(row) for row in orders],
        "faults": list(faults),
        "honest": list(HONEST),
        "cautions": list(CAUTIONS),
        "head": {"size": head.size, "root": head.root.hex(), "at": local_text(head.at, zone)},
    }
