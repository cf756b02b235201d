"""The store room: what was received, how it was inspected, what is left of it, what stands staged, what went where.

Rules kept here:
- a lot has one number of the site's own, given once and never again; a filter is a lot of one, with its serial number;
- nothing is used before it was inspected and accepted, nor after its day, nor if its age is not known;
- what its label says is corrected by an entry, after which it is inspected again unless only its place changed;
- a count is only ever changed by an entry that says why; what is staged for one job is not there for another;
- what was received, with what counting changed, is what is left, staged and used: nothing goes missing in the fold;
- an entry costs the same whether there are ten lots or a hundred thousand: the maps share what has not changed;
- the fold is total and never refuses history: `app.domain.storing` is where an entry is refused.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from enum import StrEnum
from types import MappingProxyType
from typing import Annotated, Literal, assert_never

from immutables import Map
from pydantic import Field, model_validator

from app.calc.errors import OutOfRange
from app.calc.life import FILTER_LIFE_YEARS, is_expired
from app.domain.in_order import InOrder
from app.domain.site_entry import SiteEntry
from app.domain.text import Kept

MOST_COUNT = 100_000
"""Nobody keeps more of one lot in a store room (this program's bound)."""
LONGEST_LEAD_DAYS = 730
"""From ordering to receipt inspection (this program's bound)."""
Count = Annotated[int, Field(ge=0, le=MOST_COUNT)]
Verdict = Literal["accepted", "held back", "rejected"]
BARRED = frozenset({"held back", "rejected"})
"""Verdicts that stand until a lead or safety officer accepts the lot."""


class Kind(StrEnum):
    """What a lot is."""

    FILTER = "filter"
    BAG = "bag"
    TIE_STRAP = "tie strap"
    METAL_BAND = "metal band"
    TAPE_ROLL = "tape roll"
    GREASE = "grease"
    AEROSOL = "aerosol"
    WASTE_PACKAGING = "waste packaging"
    PPE = "protective equipment"
    TOOL = "tool"


class Lot(Kept):
    """Things of one kind that came together.

    id: the site's own number.  what: the filter's type, the bag's ring size, which tool, or a description.  made,
    use_by: by the maker's label.  maker_lot: the maker's own marking.  place: where it is kept.
    report, tested_on, efficiency: number, day and result of a filter's test by its maker, as its report says.
    """

    id: str = Field(pattern=r"^[A-Z0-9][A-Z0-9.-]{0,23}$")
    kind: Kind
    what: str = Field(min_length=1, max_length=80)
    count: Count
    received_on: date
    serial: str = Field(default="", max_length=60)
    made: date | None = None
    use_by: date | None = None
    maker_lot: str = Field(default="", max_length=60)
    place: str = Field(default="", max_length=60)
    report: str | None = Field(default=None, max_length=40)
    tested_on: date | None = None
    efficiency: str | None = Field(default=None, max_length=24)

    @model_validator(mode="after")
    def _whole(self) -> "Lot":
        if self.count < 1:
            raise ValueError(f"lot {self.id} holds nothing")
        if (self.kind is Kind.FILTER) != bool(self.serial):
            raise ValueError("a filter, and nothing else, has a serial number of its own")
        if self.kind is Kind.FILTER and self.count != 1:
            raise ValueError(
                f"{self.count} were given, and the serial number {self.serial} stands for one filter; enter each "
                "filter by itself, as a lot of 1"
            )
        if self.made is not None and self.made > self.received_on:
            raise ValueError(f"made on {self.made}, after it was received on {self.received_on}")
        if self.kind is not Kind.FILTER and self.test_report:
            raise ValueError(f"a test report ({self.test_report}) belongs to a filter; leave it empty here")
        if self.tested_on is not None and not (self.made or self.tested_on) <= self.tested_on <= self.received_on:
            raise ValueError(
                f"tested on {self.tested_on}, which does not lie between its making and its receipt on "
                f"{self.received_on}"
            )
        return self

    @property
    def test_report(self) -> str:
        """The maker's test report in words; nothing where none is held."""
        of = [self.report or "", *([f"of {self.tested_on}"] if self.tested_on else [])]
        return ", ".join(text for text in (" ".join(of).strip(), self.efficiency or "") if text)

    @property
    def named(self) -> str:
        """The lot as it stands in a sentence."""
        return f"filter {self.serial}" if self.serial else f"lot {self.id}"


class Finding(Kept):
    """One thing looked at on receipt, and what was seen."""

    item: str
    seen: str = Field(min_length=2, max_length=200)
    as_asked: bool


class LotReceived(SiteEntry):
    """A lot came in; nobody may use it yet."""

    type: Literal["lot_received"] = "lot_received"
    lot: Lot


class LotInspected(SiteEntry):
    """A lot was looked at on receipt, or again later; the newest verdict counts.  photo: its SHA-256."""

    type: Literal["lot_inspected"] = "lot_inspected"
    lot: str
    findings: tuple[Finding, ...]
    verdict: Verdict
    reason: str = ""
    photo: str | None = None


class LotCounted(SiteEntry):
    """Somebody counted a lot in the store room, or took some of it for no job, and says why."""

    type: Literal["lot_counted"] = "lot_counted"
    lot: str
    was: int = Field(ge=0)
    now: Count
    reason: str


class Label(Kept):
    """What is read off a lot and may have been entered wrong; None: not among what was corrected."""

    what: str | None = None
    serial: str | None = None
    made: date | None = None
    use_by: date | None = None
    maker_lot: str | None = None
    place: str | None = None
    report: str | None = None
    tested_on: date | None = None
    efficiency: str | None = None

    @property
    def given(self) -> Mapping[str, str | date]:
        """What was corrected, by the names of Lot."""
        return {name: text for name in LABEL if (text := getattr(self, name)) is not None}


LABEL = {"what": "type", "serial": "serial number", "made": "made on", "use_by": "to be used by",
         "maker_lot": "maker's lot", "place": "kept at", "report": "test report", "tested_on": "tested on",
         "efficiency": "efficiency"}  # fmt: skip
"""What of a lot may be corrected, and how it is called."""
OF_A_FILTER = frozenset({"serial", "report", "tested_on", "efficiency"})
"""What of it only a filter has."""


class LotCorrected(SiteEntry):
    """What was entered of a lot's label was wrong.  now: the fields that changed; was: what stood there."""

    type: Literal["lot_corrected"] = "lot_corrected"
    lot: str
    was: Label
    now: Label
    reason: str

    @property
    def told(self) -> str:
        """Say what was corrected."""
        was = self.was.given
        return "; ".join(
            f"{LABEL[name]} {text}, was {was.get(name) or 'not given'}" for name, text in self.now.given.items()
        )


class KitLine(Kept):
    """So many of one lot."""

    lot: str
    count: Count


class KitStaged(SiteEntry):
    """Lots were put together for a job and are no longer there for another; a later entry adds to it.

    job: the job's ledger, or the number of the planned work before its job is opened.
    """

    type: Literal["kit_staged"] = "kit_staged"
    job: str
    lines: tuple[KitLine, ...]


class KitSettled(SiteEntry):
    """What of a job's kit came back; the rest was used up.

    used: what the steps that were done used, by kind, from the model.  explained: why what is missing is not that.
    unfit: of what did not come back, why it might no longer be used; None where it was all fit.
    """

    type: Literal["kit_settled"] = "kit_settled"
    job: str
    back: tuple[KitLine, ...]
    used: dict[str, int]
    explained: str = ""
    unfit: tuple[str, ...] | None = None


class FilterTaken(SiteEntry):
    """A job's step holds the serial number of a filter of the store room: it is at that job's housing now.

    entry: the place in the job's ledger.  lot: empty where the serial number is not known here.  instead: the lot
    that the step held before, and which is not at that place; it is to be inspected again.
    """

    type: Literal["filter_taken"] = "filter_taken"
    job: str
    step: str
    entry: int
    lot: str = ""
    instead: str = ""


class LeadTimeChosen(SiteEntry):
    """How long a kind of material takes from ordering to receipt inspection, in days, by the site; None: not known."""

    type: Literal["lead_time_chosen"] = "lead_time_chosen"
    kind: Kind
    was: int | None = None
    now: int | None = None
    reason: str


StoreEvent = (
    LotReceived | LotInspected | LotCounted | LotCorrected | KitStaged | KitSettled | FilterTaken | LeadTimeChosen
)

_NONE: Mapping[str, int] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Standing:
    """How a lot stands: left in the store room, staged and used by job.

    verdict: of the newest inspection, or that there was none since it came in, came back or had its label corrected.
    """

    lot: Lot
    left: int
    verdict: str = "not inspected"
    reason: str = ""
    staged: Mapping[str, int] = field(default_factory=lambda: _NONE)
    used: Mapping[str, int] = field(default_factory=lambda: _NONE)
    inspected: tuple[LotInspected, ...] = ()
    corrected: tuple[LotCorrected, ...] = ()

    def there_for(self, job: str) -> int:
        """Return how many are there for a job: in the store room, or in the job's own kit."""
        return self.left + self.staged.get(job, 0)


@dataclass(frozen=True, slots=True)
class Store:
    """The store room at one moment.

    kits: what was put together for each job, by lot.  staged_at: the newest entry that did so.  settled: the jobs
    whose kit has been accounted for.  lead_days: from ordering to receipt inspection, by kind, as the site entered it.
    here: the lots of which something is left or staged.  serials: the lot of each filter, as numbers are compared.
    went: the lots that were staged for a job or used by it.  gone: those of which nothing is left or staged.
    to_inspect: those of which something is here and that nobody inspected since they came in or came back.
    """

    lots: Map[str, Standing] = field(default_factory=Map)
    kits: Map[str, Mapping[str, int]] = field(default_factory=Map)
    staged_at: Map[str, int] = field(default_factory=Map)
    settled: Map[str, KitSettled] = field(default_factory=Map)
    lead_days: Map[Kind, int] = field(default_factory=Map)
    here: Map[str, None] = field(default_factory=Map)
    serials: Map[str, str] = field(default_factory=Map)
    went: Map[str, Map[str, None]] = field(default_factory=Map)
    gone: InOrder = field(default_factory=InOrder)
    to_inspect: Map[str, None] = field(default_factory=Map)

    def of_serial(self, serial: str) -> Standing | None:
        """Return the filter with this serial number, without regard to capitals and spaces."""
        lot = self.serials.get(plain_serial(serial))
        return None if lot is None else self.lots[lot]

    def kit(self, job: str) -> tuple[tuple[Standing, int], ...]:
        """Return what stands staged for a job."""
        return tuple((item, item.staged[job]) for item in self.of_job(job) if item.staged.get(job))

    def of_job(self, job: str) -> tuple[Standing, ...]:
        """Return the lots that were staged for a job or used by it, by their numbers."""
        return tuple(self.lots[lot] for lot in sorted(self.went.get(job, ())))

    def at_hand(self) -> tuple[Standing, ...]:
        """Return the lots of which something is left or staged, what runs out first before the rest."""
        return tuple(sorted((self.lots[lot] for lot in self.here), key=soonest_first))

    def is_open(self, job: str) -> bool:
        """Whether a kit was put together for a job and nobody has accounted for it."""
        return job in self.kits and job not in self.settled

    @property
    def holds_filters(self) -> bool:
        """Whether the site enters its filters here at all."""
        return len(self.serials) > 0


def plain_serial(text: str) -> str:
    """Return a serial number as it is compared."""
    return "".join(text.split()).casefold()


def plain_what(text: str) -> str:
    """Return a type or size as it is compared: without regard to capitals and spaces, × as the letter x."""
    return "".join(text.split()).casefold().replace("×", "x")


def evolve_store(store: Store, event: StoreEvent) -> Store:
    """Return the store room after one more entry; total over the closed union."""
    match event:
        case LotReceived():
            return _with(store, Standing(event.lot, event.lot.count))
        case LotInspected():
            if (found := store.lots.get(event.lot)) is None:
                return store
            inspected = (*found.inspected, event)
            return _with(store, replace(found, verdict=event.verdict, reason=event.reason, inspected=inspected))
        case LotCounted():
            found = store.lots.get(event.lot)
            return store if found is None else _with(store, replace(found, left=event.now))
        case LotCorrected():
            return _corrected(store, event)
        case KitStaged():
            return _staged(store, event)
        case KitSettled():
            return _settled(store, event)
        case FilterTaken():
            return _taken(_given_back(store, event), event)
        case LeadTimeChosen():
            known = store.lead_days
            if event.now is not None:
                return replace(store, lead_days=known.set(event.kind, event.now))
            return replace(store, lead_days=known.delete(event.kind)) if event.kind in known else store
        case _:
            assert_never(event)


def kit_of_job(store: Store, plan: str, job: str) -> Store:
    """Return the store room once a planned work has become a job: what stands staged for the one is the other's."""
    if plan not in store.kits:
        return store
    for standing, count in store.kit(plan):
        staged = _more(_more(standing.staged, plan, -count), job, count)
        store = _with(store, replace(standing, staged=staged), job)
    kits, when = store.kits.set(job, store.kits[plan]), store.staged_at.set(job, store.staged_at[plan])
    settled = store.settled.set(job, store.settled[plan]).delete(plan) if plan in store.settled else store.settled
    return replace(store, kits=kits.delete(plan), staged_at=when.delete(plan), settled=settled)


def _with(store: Store, standing: Standing, job: str = "") -> Store:
    """Put a lot in as it stands now; job: that it was staged for or used by."""
    name, serial = standing.lot.id, plain_serial(standing.lot.serial)
    here, gone = store.here, store.gone
    if standing.left or standing.staged:
        here, gone = here.set(name, None), gone.without(name)
    elif name in here:
        here, gone = here.delete(name), gone.put(name)
    to_inspect = store.to_inspect
    if name in here and standing.verdict == "not inspected":
        to_inspect = to_inspect.set(name, None)
    elif name in to_inspect:
        to_inspect = to_inspect.delete(name)
    went = store.went.set(job, store.went.get(job, Map()).set(name, None)) if job else store.went
    serials = store.serials.set(serial, name) if serial else store.serials
    return replace(
        store, lots=store.lots.set(name, standing), here=here, gone=gone, serials=serials, went=went,
        to_inspect=to_inspect,
    )  # fmt: skip


def _more(counts: Mapping[str, int], name: str, count: int) -> Mapping[str, int]:
    """Return counts with so many more under a name; what is none is left out."""
    changed = {**counts, name: counts.get(name, 0) + count}
    return MappingProxyType({job: some for job, some in changed.items() if some})


def _corrected(store: Store, event: LotCorrected) -> Store:
    """Put a lot in as its label reads now; one that was held back or rejected stays so."""
    found = store.lots.get(event.lot)
    if found is None:
        return store
    old, now = plain_serial(found.lot.serial), event.now.given
    changed = replace(found, lot=found.lot.model_copy(update=now), corrected=(*found.corrected, event))
    if found.verdict not in BARRED and now.keys() != {"place"}:
        changed = replace(changed, verdict="not inspected", reason="")
    if store.serials.get(old) == event.lot:
        store = replace(store, serials=store.serials.delete(old))
    return _with(store, changed)


def _staged(store: Store, event: KitStaged) -> Store:
    kit = dict(store.kits.get(event.job, _NONE))
    for line in event.lines:
        if found := store.lots.get(line.lot):
            staged = _more(found.staged, event.job, line.count)
            store = _with(store, replace(found, left=found.left - line.count, staged=staged), event.job)
            kit[line.lot] = kit.get(line.lot, 0) + line.count
    return replace(
        store,
        kits=store.kits.set(event.job, MappingProxyType(kit)),
        staged_at=store.staged_at.set(event.job, event.seq),
        settled=store.settled.delete(event.job) if event.job in store.settled else store.settled,
    )


def _settled(store: Store, event: KitSettled) -> Store:
    back = {line.lot: line.count for line in event.back}
    for standing, count in store.kit(event.job):
        came = min(back.get(standing.lot.id, 0), count)
        changed = replace(
            standing,
            left=standing.left + came,
            staged=_more(standing.staged, event.job, -count),
            used=_more(standing.used, event.job, count - came),
        )
        store = _with(store, changed)
    return replace(store, settled=store.settled.set(event.job, event))


def _taken(store: Store, event: FilterTaken) -> Store:
    found = store.lots.get(event.lot)
    if found is None or not found.there_for(event.job):
        return store
    used = _more(found.used, event.job, 1)
    if found.staged.get(event.job):
        return _with(store, replace(found, staged=_more(found.staged, event.job, -1), used=used), event.job)
    return _with(store, replace(found, left=found.left - 1, used=used), event.job)


def _given_back(store: Store, event: FilterTaken) -> Store:
    """Put a filter back that is not where the record had it; it is to be inspected again.

    One that was held back or rejected meanwhile stays so: that verdict is not undone by moving the filter.
    """
    found = store.lots.get(event.instead)
    if found is None or not found.used.get(event.job):
        return store
    if found.verdict not in BARRED:
        store = _with(store, replace(found, verdict="not inspected", reason=""))
    return put_back(store, event.instead, event.job)


def put_back(store: Store, lot: str, job: str) -> Store:
    """Return the store room with a filter that a job used in the job's kit again, else in the store room."""
    found = store.lots.get(lot)
    if found is None or not found.used.get(job):
        return store
    back = replace(found, used=_more(found.used, job, -1))
    if store.is_open(job) and lot in store.kits[job]:
        return _with(store, replace(back, staged=_more(back.staged, job, 1)))
    return _with(store, replace(back, left=back.left + 1))


def why_not(standing: Standing, *, on: date, life_years: int = FILTER_LIFE_YEARS) -> str:
    """Say why a lot may not be used on a day; nothing if it may.

    A filter's age counts from its making: at most `life_years` (default from the age study named in `app.calc.life`).
    """
    lot = standing.lot
    if standing.verdict != "accepted":
        again = " again" if standing.inspected else ""
        told = {"not inspected": f"has not been inspected{again}", "rejected": "was rejected on inspection",
                "held back": "is held back"}[standing.verdict]  # fmt: skip
        return f"The {lot.named} {told}{': ' + standing.reason.rstrip('.') if standing.reason else ''}. Take another."
    if lot.use_by is not None and lot.use_by < on:
        return f"The {lot.named} was to be used by {lot.use_by}, before {on}. Take another."
    if lot.kind is Kind.FILTER:
        try:
            if is_expired(manufactured=lot.made, on=on, life_years=life_years):
                return f"The {lot.named} was made on {lot.made}, {life_years} years or more before {on}. Take another."
        except OutOfRange as fault:
            return str(fault)
    return ""


def life_of(lot: Lot, lives: Mapping[str, int] | None) -> int:
    """Return how old a filter may get, in years; lives: the site's own, by type."""
    own = (years for what, years in (lives or {}).items() if plain_what(what) == plain_what(lot.what))
    return next(own, FILTER_LIFE_YEARS)


def soonest_first(standing: Standing) -> tuple[date, str]:
    """Sort lots by what runs out first; a filter by its making."""
    return standing.lot.use_by or standing.lot.made or date.max, standing.lot.id
