"""Deciding over the store room: what may be entered, staged and settled; bad text is refused with one sentence."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import get_args

from pydantic import ValidationError

from app.calc.errors import Invalid
from app.domain.housed import Housed
from app.domain.procedure import Role
from app.domain.refused import Refused
from app.domain.registers import SiteMoment, day_from, reason_from
from app.domain.store import (
    BARRED,
    LABEL,
    LONGEST_LEAD_DAYS,
    MOST_COUNT,
    Finding,
    Kind,
    KitLine,
    KitSettled,
    KitStaged,
    Label,
    LeadTimeChosen,
    Lot,
    LotCorrected,
    LotCounted,
    LotInspected,
    LotReceived,
    Standing,
    Store,
    Verdict,
    life_of,
    why_not,
)
from app.domain.text import sentence_from

LABEL_YEARS = 30
"""How far a date on a maker's label may be from today (this program's bound)."""
TOOLS = (
    "banding tool", "bag cutter", "filter shelf", "ratchet and socket", "torque wrench", "inspection lamp",
    "sample fittings",
)  # fmt: skip
"""What a lot of tools may be (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Item:
    """One thing to look at.  part: when it matters; good, bad: what may be seen."""

    part: str
    label: str
    good: str
    bad: str


RECEIVING, STORING, INSTALLING = "Receipt", "Storage", "Installation"
_COMMON = {
    "carton": Item(RECEIVING, "Packing", "whole and dry", "crushed, torn or wet"),
    "order": Item(RECEIVING, "Against the order", "as ordered", "not as ordered"),
}
_STORED = {"place": Item(STORING, "Place", "dry, clean, away from heat", "damp, dirty or hot")}
_INSPECTED: dict[Kind, dict[str, Item]] = {
    Kind.FILTER: {
        "carton": Item(RECEIVING, "Carton", "whole, came upright", "crushed, wet or lying"),
        "order": _COMMON["order"],
        "label": Item(
            RECEIVING, "Maker's label", "serial number, flow, penetration, resistance, date", "something is not on it"
        ),
        "arrow": Item(RECEIVING, "Air flow arrow", "on the case", "missing"),
        "size": Item(RECEIVING, "Size and case", "as ordered, square", "another size, or out of square"),
        "media": Item(
            RECEIVING, "Media", "no tear, loose separator or gap in the glue", "torn, loose separator or gap"
        ),
        "seal": Item(
            RECEIVING, "Gasket or gel", "gasket whole with joints shut, or gel full and clean",
            "cut, open joint, short or dirty",
        ),
        "report": Item(RECEIVING, "Maker's test report", "there, same serial number", "missing, or another number"),
        **_STORED,
        "kept": Item(
            STORING, "How it lies", "in its carton, pleats upright, nothing heavy on it",
            "out of its carton, pleats lying, or loaded",
        ),
        "fits": Item(
            INSTALLING, "For its housing", "sealing face, arrow and kind of seal as the drawing asks",
            "another face, way or kind of seal",
        ),
    },
    Kind.BAG: {
        **_COMMON,
        "ring": Item(RECEIVING, "Ring size", "as on the housing's ring", "another size"),
        "whole": Item(RECEIVING, "Bag and cord", "no pinhole or tear, cord in its hem", "pinhole, tear or loose cord"),
        **_STORED,
        "kept": Item(STORING, "How it lies", "flat, in the dark, no sharps by it", "creased, in light, or by sharps"),
    },
}  # fmt: skip


NOWHERE = Housed()
"""No filter is in place anywhere."""


def receipt_items(kind: Kind) -> Mapping[str, Item]:
    """Return what is looked at for a kind, by id.

    Receiving inspection, damage and conformity with the order are named by DOE-STD-3025-99 (read in a secondary text);
    the list of items is common practice, no source.
    """
    return _INSPECTED.get(kind, {**_COMMON, **_STORED})


def lot_received(
    store: Store, moment: SiteMoment, typed: Mapping[str, str], *, housed: Housed = NOWHERE
) -> LotReceived:  # fmt: skip
    """Return the entry for a lot that came in; `typed` holds the fields of Lot as text, without the day.

    housed: which filters are in place.  Raises Invalid for text that cannot be read, a number or serial that is taken
    or in place, or a filter whose day is to come.
    """
    given = {name: " ".join(text.split()) for name, text in typed.items() if text.strip()}
    name = given.get("id", "").upper()
    if not name:
        raise Invalid("The lot has no number. Give it one of the site's own, such as F-0012.")
    if given.get("kind", "") not in tuple(Kind):
        raise Invalid(f"{given.get('kind', '')!r} is no kind of material. Choose one of those shown.")
    count = count_from(given.get("count", "1"), f"Lot {name}")
    lot = _lot_from({"count": count, "received_on": moment.today.isoformat()}, given | {"id": name}, moment)
    if name in store.lots:
        raise Invalid(f"Lot {name} was entered before, as {store.lots[name].lot.what}. Give this one another number.")
    _complain_of_serial(store, lot, housed)
    return LotReceived(seq=moment.seq, at=moment.at, by=moment.by, lot=lot)


def lot_corrected(
    store: Store, moment: SiteMoment, *, lot: str, typed: Mapping[str, str], reason: str, housed: Housed = NOWHERE
) -> LotCorrected:  # fmt: skip
    """Return the entry that corrects what was entered of a lot's label; typed: fields of Label, empty ones stay.

    Raises Invalid for what a lot that comes in would be refused for, and where nothing changes; Refused for what went
    into a job, but for the place of what is left of it.
    """
    standing = _known(store, lot)
    was = standing.lot
    given = {name: " ".join(text.split()) for name, text in typed.items() if name in LABEL and text.strip()}
    now = _lot_from(was.model_dump(), given, moment)
    changed = {name: getattr(now, name) for name in LABEL if getattr(now, name) != getattr(was, name)}
    if not changed:
        raise Invalid(f"That is what stands of lot {lot}. Nothing was entered.")
    if standing.used and (changed.keys() != {"place"} or not (standing.left or standing.staged)):
        raise Refused("used", f"The {was.named} went into a job, whose record holds its label. It stays as it is.")
    _complain_of_serial(store, now, housed if "serial" in changed else NOWHERE)
    before = {name: getattr(was, name) for name in changed}
    return LotCorrected(
        seq=moment.seq, at=moment.at, by=moment.by, lot=lot, was=Label(**before), now=Label(**changed),
        reason=reason_from(reason, f"Why lot {lot} is corrected"),
    )  # fmt: skip


def _lot_from(held: Mapping[str, object], typed: Mapping[str, str], moment: SiteMoment) -> Lot:
    """Return a lot from what is held of it and, before that, what was typed; Invalid with one sentence else."""
    fields = {**held, **typed}
    if fields["kind"] == Kind.TOOL and fields.get("what", "") not in TOOLS:
        raise Invalid(f"{fields.get('what', '')!r} is no tool of the list. Choose one of: {', '.join(TOOLS)}.")
    days = {
        field: day_from(typed[field], label, moment.today, years=LABEL_YEARS)
        for field, label in (("made", "Made on"), ("use_by", "To be used by"), ("tested_on", "Tested on"))
        if field in typed
    }
    try:
        return Lot.model_validate({**fields, **days})
    except ValidationError as fault:
        raise sentence_from(fault, what=f"Lot {fields['id']}") from None


def _complain_of_serial(store: Store, lot: Lot, housed: Housed) -> None:
    """A serial number stands in one lot, and what is in place at a housing is not in the store room."""
    other = store.of_serial(lot.serial) if lot.serial else None
    if other is not None and other.lot.id != lot.id:
        raise Invalid(f"The filter {lot.serial} was entered before as lot {other.lot.id}. Look at its label again.")
    if lot.serial and (where := housed.where(lot.serial)) is not None:
        tag, (port, position) = where
        raise Invalid(
            f"The filter {lot.serial} is in place at {tag}, {port} position {position}, by the register. Read its "
            "label again, or have it taken out there first."
        )


def count_from(text: str, what: str) -> int:
    """Return a whole number from 0 to MOST_COUNT; raise Invalid with one sentence otherwise."""
    plain = text.strip()
    if not (plain.isascii() and plain.isdigit()) or len(plain) > 7 or int(plain) > MOST_COUNT:
        told = f"{what}: {plain[:20]!r} is no count. Give a whole number from 0 to {MOST_COUNT} (this program's bound)."
        raise Invalid(told)
    return int(plain)


def lot_inspected(
    store: Store, moment: SiteMoment, *, lot: str, seen: Mapping[str, str], verdict: str, reason: str,
    photo: str = "", lives: Mapping[str, int] | None = None,
) -> LotInspected:  # fmt: skip
    """Return the entry for an inspection: every item answered, accepted only if all are as asked and its day is good.

    seen: item to the answer that was chosen.  verdict: accepted, held back or rejected; a reason for the last two.
    lives: of filters in years, by type, where it is not the default.  What was held back or rejected is accepted by a
    lead or safety officer only.
    """
    standing = _known(store, lot)
    findings = tuple(_finding(name, item, seen) for name, item in receipt_items(standing.lot.kind).items())
    if verdict not in get_args(Verdict):
        raise Invalid("Say whether the lot is accepted, held back or rejected.")
    if verdict == "accepted":
        if odd := next((item for item in findings if not item.as_asked), None):
            raise Invalid(f"Lot {lot}: {odd.item} is “{odd.seen}”, so it is not accepted. Hold it back or reject it.")
        if told := why_not(_as_if_accepted(standing), on=moment.today, life_years=life_of(standing.lot, lives)):
            raise Invalid(told.replace("Take another.", "Hold it back or reject it."))
        _complain_of_role(standing, moment)
    told = reason_from(reason, f"Why lot {lot} is {verdict}") if verdict != "accepted" or reason.strip() else ""
    return LotInspected(
        seq=moment.seq, at=moment.at, by=moment.by, lot=lot, findings=findings, verdict=verdict,
        reason=told, photo=photo or None,
    )  # fmt: skip


def _as_if_accepted(standing: Standing) -> Standing:
    return Standing(standing.lot, standing.left, "accepted")


def _complain_of_role(standing: Standing, moment: SiteMoment) -> None:
    """What somebody held back or rejected is not accepted by whoever comes next."""
    if standing.verdict in BARRED and (moment.by is None or moment.by.role not in (Role.LEAD, Role.SAFETY_OFFICER)):
        raise Refused(
            "role",
            f"The {standing.lot.named} was {standing.verdict}: {standing.reason}. A lead or safety officer accepts it.",
        )


def _finding(name: str, item: Item, seen: Mapping[str, str]) -> Finding:
    answer = seen.get(name, "").strip()
    if answer not in {item.good, item.bad}:
        raise Invalid(f"{item.label}: nothing of what may be seen was chosen. Look, and choose one of the answers.")
    return Finding(item=item.label, seen=answer, as_asked=answer == item.good)


def lot_counted(store: Store, moment: SiteMoment, *, lot: str, now: str, reason: str) -> LotCounted:
    """Return the entry for a count in the store room that differs from what stands, with the reason."""
    standing = _known(store, lot)
    count = count_from(now, f"Lot {lot}")
    if count == standing.left:
        raise Invalid(f"Lot {lot} stands at {count} already. Nothing was entered.")
    if standing.lot.kind is Kind.FILTER and count > 1 - sum(standing.staged.values()) - sum(standing.used.values()):
        where = "staged or used" if standing.staged or standing.used else "one"
        raise Invalid(f"The filter {standing.lot.serial} is {where}, so {count} cannot lie in the store room.")
    why = reason_from(reason, f"Why lot {lot} is {count}")
    return LotCounted(seq=moment.seq, at=moment.at, by=moment.by, lot=lot, was=standing.left, now=count, reason=why)


def lead_time_chosen(store: Store, moment: SiteMoment, *, kind: str, days: str, reason: str) -> LeadTimeChosen:
    """Return the entry for how many days a kind takes from ordering to receipt inspection; no number: not known."""
    if kind not in tuple(Kind):
        raise Invalid(f"{kind!r} is no kind of material. Choose one of those shown.")
    text, known = days.strip(), store.lead_days.get(Kind(kind))
    if text and not (text.isascii() and text.isdigit() and len(text) < 6 and int(text) <= LONGEST_LEAD_DAYS):
        raise Invalid(
            f"{text[:20]!r} is no lead time. Give whole days from 0 to {LONGEST_LEAD_DAYS} (this program's bound), or "
            "nothing if it is not known."
        )
    now = int(text) if text else None
    if now == known:
        told = "not known" if now is None else f"{now} days"
        raise Invalid(f"The lead time of {kind} is {told} already. Nothing was entered.")
    why = reason_from(reason, "Why the lead time is that")
    return LeadTimeChosen(
        seq=moment.seq, at=moment.at, by=moment.by, kind=Kind(kind), was=known, now=now, reason=why
    )  # fmt: skip


def kit_staged(
    store: Store, moment: SiteMoment, *, job: str, lines: Mapping[str, str], lives: Mapping[str, int] | None = None,
    on: date | None = None,
) -> KitStaged:  # fmt: skip
    """Return the entry that puts lots aside for a job; lots with an empty count are left out.

    lives: of filters in years, by type, as the job's needs have them, where not the default.  on: the day of the work,
    if it is to come.  Raises Invalid for more than is left, and for what may not be used then.
    """
    day = max(on or moment.today, moment.today)
    counted = [KitLine(lot=lot, count=count_from(text, f"Lot {lot}")) for lot, text in lines.items() if text.strip()]
    kept = tuple(line for line in counted if line.count)
    if not kept:
        raise Invalid("No count was given. Enter how many of a lot are put aside.")
    for line in kept:
        standing = _known(store, line.lot)
        if told := why_not(standing, on=day, life_years=life_of(standing.lot, lives)):
            raise Invalid(told)
        if line.count > standing.left:
            raise Invalid(f"Of lot {line.lot} {standing.left} are left and {line.count} were asked. Take fewer.")
    return KitStaged(seq=moment.seq, at=moment.at, by=moment.by, job=job, lines=kept)


def kit_settled(
    store: Store, moment: SiteMoment, *, job: str, back: Mapping[str, str], used: Mapping[Kind, int], explained: str,
    finished: bool = True, lives: Mapping[str, int] | None = None, on: date | None = None,
) -> KitSettled:  # fmt: skip
    """Return the entry that accounts for a job's kit: staged, less what came back, is what the steps used.

    back: by lot, each of the kit's and no other; a filter that the job has read since may stand there with none.
    used: by kind, from the effects of the steps that were done; kinds of which the kit held nothing are left out, for
    they came from elsewhere.  finished: no step of the job is due any more.  lives: as for staging.  on: the day of the
    newest work of the job; today where there is none.  Raises Invalid where the sum differs, the job goes on, or what
    may no longer be used is not back, and nobody says why, and where more comes back than was staged; Refused for
    another kit.
    """
    if job not in store.kits:
        raise Invalid(f"Nothing was staged for {job}, so there is nothing to settle.")
    if job in store.settled:
        raise Invalid(f"The kit of {job} has been settled already.")
    _complain_of_another_kit(store, job, back)
    lines, gone, unfit = [], used_by(store, job), list[str]()
    for standing, staged in store.kit(job):
        lot = standing.lot
        count = count_from(back.get(lot.id, "").strip() or "0", f"Lot {lot.id} came back")
        if count > staged:
            raise Invalid(f"Of lot {lot.id} {staged} were staged and {count} are said to have come back. Count again.")
        lines.append(KitLine(lot=lot.id, count=count))
        gone[lot.kind] += staged - count
        if count < staged and (told := why_not(standing, on=on or moment.today, life_years=life_of(lot, lives))):
            unfit.append(f"{told.removesuffix(' Take another.').rstrip('.')}, and {staged - count} did not come back")
    held = {store.lots[name].lot.kind for name in store.kits[job] if name in store.lots}
    counted = {kind: count for kind, count in used.items() if kind in held}
    odd = differences(gone, counted)
    if not explained.strip():
        if odd:
            raise Invalid(f"{'; '.join(odd)}. Count again, or say why.")
        if unfit:
            raise Invalid(f"{'; '.join(unfit)}. Count again, or say where it went and whether it was used.")
        if not finished:
            raise Invalid("The job is not finished and may use more of its kit. Wait for its end, or say why not.")
    return KitSettled(
        seq=moment.seq, at=moment.at, by=moment.by, job=job, back=tuple(lines),
        used={str(kind): count for kind, count in counted.items() if count},
        explained=reason_from(explained, "Why the counts differ") if odd or unfit or not finished else "",
        unfit=tuple(unfit) or None,
    )  # fmt: skip


def _complain_of_another_kit(store: Store, job: str, back: Mapping[str, str]) -> None:
    """What nobody was asked about is not used up, and what is in the kit no more does not come back."""
    kit = {standing.lot.id for standing, _ in store.kit(job)}
    went = {standing.lot.id for standing in store.of_job(job) if standing.used.get(job)}
    stray = {lot for lot, text in back.items() if lot not in kit and (lot not in went or text.strip() not in {"", "0"})}
    if stray or kit - back.keys():
        raise Refused("changed", "The kit has changed since this page was shown. Count again.")


def used_by(store: Store, job: str) -> Counter[Kind]:
    """Return what a job has used of the store room so far, by kind: filters that were read, kits that were settled."""
    gone = Counter[Kind]()
    for standing in store.of_job(job):
        gone[standing.lot.kind] += standing.used.get(job, 0)
    return gone


def not_moved(store: Store, job: str, used: Mapping[Kind, int]) -> Mapping[Kind, int]:
    """Return what the steps of a job without a kit used of the kinds that the store room has, and moved nothing of.

    used: by kind, from the effects of the steps that were done.  Filters are moved where their numbers are read.
    """
    if job in store.kits:
        return {}
    held = {store.lots[name].lot.kind for name in store.here} - {Kind.FILTER}
    return {kind: count for kind, count in used.items() if kind in held and count}


def used_of_kit(store: Store, job: str, used: Mapping[Kind, int]) -> Mapping[Kind, int]:
    """Return what is gone of a job's settled kit, by the kinds that it held.

    used: by the steps in the end.  A kind of which they used more or less once the kit had been settled is left out.
    """
    if (settled := store.settled.get(job)) is None:
        return {}
    held, gone = {store.lots[name].lot.kind for name in store.kits[job] if name in store.lots}, used_by(store, job)
    return {kind: gone[kind] for kind in held if settled.used.get(str(kind), 0) == used.get(kind, 0)}


def differences(gone: Mapping[Kind, int], used: Mapping[Kind, int]) -> Sequence[str]:
    """Say for each kind that the model counts, and for tools, where what is gone is not what the steps used."""
    counted = {**used, Kind.TOOL: 0}
    return [
        f"{gone.get(kind, 0)} of {kind} {'is' if gone.get(kind, 0) == 1 else 'are'} gone and the steps used {count}"
        for kind, count in counted.items()
        if gone.get(kind, 0) != count
    ]


def _known(store: Store, lot: str) -> Standing:
    if lot not in store.lots:
        raise Invalid(f"There is no lot {lot[:24]!r} in the store room. Choose one of those listed.")
    return store.lots[lot]


def age_of(standing: Standing, on: date) -> str:
    """Say when a lot was made and until when it may be used, by its label."""
    lot = standing.lot
    told = [f"made {lot.made}"] if lot.made else ["date of making not known"] if lot.kind is Kind.FILTER else []
    told += [f"use by {lot.use_by}{', run out' if lot.use_by < on else ''}"] if lot.use_by else []
    return ", ".join(told)
