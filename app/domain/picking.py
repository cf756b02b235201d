"""From the take-off of planned jobs to a pick list: what each needs, what is there for it, what to order by when.

Rules kept here:
- the needs are those of the take-off, which sums what the effects use; nothing is counted a second time here;
- a job in hand needs what its steps to come use, and nothing once every step stands; what serves a whole job (tools, a
  roll of tape) is on site once a step that was done has used it;
- a lot serves a job only if it may still be used on that job's day, or today if that is past; what runs out first is
  taken first;
- what stands staged for a job, or has gone into it, counts for it before anything else, less what its steps have used;
- tools come back, so the same ones serve jobs on other days;
- a shortage belongs to the first job that would go without, and its order day is that job's day less the lead time.
"""

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from app.calc.life import FILTER_LIFE_YEARS
from app.domain.containment.effects import Use
from app.domain.containment.state import HousingState
from app.domain.housing import Bank, Housing, Seal
from app.domain.job import JobState, start_of
from app.domain.steps import Step, total_uses
from app.domain.store import Kind, Standing, Store, plain_what, soonest_first, why_not
from app.domain.takeoff import SPARES_RULE, TakeOff, take_off
from app.domain.zones import local_day

CREW = 3
"""Two at the port and one who watches, where nobody has been named (common practice, no source)."""
LAID_OUT = "tools"
"""With this begins the last part of the id of the step that looks at the tools at the housing."""
FITTINGS = "sample fittings"
COUNTED = (Kind.FILTER, Kind.BAG, Kind.TIE_STRAP, Kind.METAL_BAND, Kind.WASTE_PACKAGING)
"""What the model counts of a job's material."""
KIT_RULE = (
    f"Spares: {SPARES_RULE}, and one set of protective equipment more than people, of whom {CREW} are assumed "
    "where nobody is named (common practice, no source). "
    "One each of tools, grease and aerosol, and fittings for each bank that is tested (common practice, no source); "
    "tools come back and serve work on another day."
)


@dataclass(frozen=True, slots=True)
class Need:
    """So many of one kind (and type, where it matters), of which `spare` are spares by the stated rule.

    life_years: how old a filter may be.
    """

    kind: Kind
    what: str
    count: int
    spare: int = 0
    life_years: int = FILTER_LIFE_YEARS

    @property
    def whole(self) -> int:
        """What is to be put aside."""
        return self.count + self.spare


@dataclass(frozen=True, slots=True)
class Wanted:
    """The needs of one job on its day.  job: its ledger, or the number of the planned work.

    spent: what steps that were done have used.  on_site: tools at the housing, which serve no other job that day.
    """

    job: str
    on: date
    needs: tuple[Need, ...]
    spent: tuple[Need, ...] = ()
    on_site: tuple[Need, ...] = ()


@dataclass(frozen=True, slots=True)
class Pick:
    """So many of one lot for one need of one job, taken from the store room."""

    job: str
    need: Need
    lot: str
    count: int


@dataclass(frozen=True, slots=True)
class Share:
    """One need of one job: how many are there for it, those put aside included."""

    job: str
    need: Need
    put_aside: int
    there: int

    @property
    def short(self) -> int:
        """How many are missing."""
        return self.need.whole - self.there


@dataclass(frozen=True, slots=True)
class Line:
    """One kind over all jobs: needed, there, short; `first`, `on` and `order_by` where something is missing.

    order_by: the latest day to order; None where no lead time is known.  overdue: that day has passed.
    """

    kind: Kind
    what: str
    needed: int
    there: int
    first: str = ""
    on: date | None = None
    order_by: date | None = None
    overdue: bool = False

    @property
    def short(self) -> int:
        """How many are missing."""
        return self.needed - self.there


@dataclass(frozen=True, slots=True)
class PickList:
    """What is taken for whom, how each need stands, and how each kind stands over all."""

    picks: tuple[Pick, ...]
    shares: tuple[Share, ...]
    lines: tuple[Line, ...]


def needs_of_job(
    steps: Sequence[Step], housing: Housing, start: HousingState, *, crew: int = 0
) -> tuple[Need, ...]:  # fmt: skip
    """Return what a job with these steps needs from its start on, with spares on top.  crew: how many; 0: not known."""
    tested = {step.bank for step in steps if step.computes == "leak_test" and step.bank is not None}
    ports = {step.port for step in steps if step.port is not None}
    return needs_of(take_off(steps, housing, start), housing, tested=tested, ports=ports, crew=crew or CREW)


def wanted_of_job(job: str, state: JobState, on: date) -> Wanted:
    """Return what the steps to come of a job in hand still use; nothing once every step stands."""
    opened, model = state.opened, state.model
    if opened is None or model is None or state.due is None:
        return Wanted(job, on, ())
    done = [step for step in state.walked if step.id in state.applied]
    to_come = [_to_come(step, state) for step in state.walked if not state.mark(step.id).stands]
    crew = len(opened.crew)
    spent = needs_of_job(done, opened.housing, start_of(opened), crew=crew)
    needs = needs_of_job(to_come, opened.housing, model, crew=crew)
    begun = any(effect.port for step in done for effect in step.effects)
    laid_out = begun or any(
        step.id.rpartition("/")[2].startswith(LAID_OUT) for step in state.steps if state.mark(step.id).stands
    )
    there: set[Kind] = {need.kind for need in spent if need.kind in {Kind.TAPE_ROLL, Kind.GREASE} and need.count}
    there |= {Kind.PPE} if begun else set()
    there |= {Kind.TOOL} if laid_out else set()
    on_site = {need for need in needs if need.kind in there and need.what != FITTINGS}
    return Wanted(
        job, on, tuple(need for need in needs if need not in on_site),
        spent=tuple(need for need in spent if need.kind in COUNTED and need.count),
        on_site=tuple(need for need in needs if need in on_site and need.kind is Kind.TOOL),
    )  # fmt: skip


def _to_come(step: Step, state: JobState) -> Step:
    """A step that is due again changes nothing anew, and what occurred before one is in the model already."""
    if step.id in state.applied:
        return step.model_copy(update={"effects": (), "occurs": None})
    return step if step.occurs is None else step.model_copy(update={"occurs": None})


def needs_of(
    takeoff: TakeOff, housing: Housing, *, tested: Collection[Bank], ports: Collection[str], crew: int
) -> tuple[Need, ...]:  # fmt: skip
    """Return what work needs by its take-off, the banks that are tested in place, and the people at work.

    ports: those that have work; for each of them a bag is spare, and where there is none nobody works at an open port.
    """
    bags: Counter[str] = Counter()
    spare_bags: Counter[str] = Counter()
    for port in housing.ports:
        bags[port.bag or port.ring or ""] += takeoff.per_port[port.id][Use.NEW_BAGS]
        spare_bags[port.bag or port.ring or ""] += port.id in ports
    total, spares = takeoff.total, takeoff.spares
    tools = {
        "filter shelf": int(bool(ports)), "ratchet and socket": int(bool(ports) and housing.seal is Seal.GASKET),
        "torque wrench": int(bool(ports) and housing.seal is Seal.GASKET),
        "inspection lamp": int(bool(ports) and housing.seal is Seal.GEL),
        "banding tool": int(bool(total[Use.CUTS])), "bag cutter": int(bool(total[Use.CUTS])),
        FITTINGS: len(tested),
    }  # fmt: skip
    found = [
        *(Need(Kind.FILTER, what, count, life_years=_life(housing, what))
          for what, count in sorted(takeoff.filters.items())),
        *(Need(Kind.BAG, size, count, spare_bags[size]) for size, count in sorted(bags.items())),
        Need(Kind.TIE_STRAP, "", total[Use.TIE_STRAPS], spares["tie_straps"]),
        Need(Kind.METAL_BAND, "", total[Use.METAL_BANDS], spares["metal_bands"]),
        Need(Kind.TAPE_ROLL, "", int(bool(total[Use.EDGES_TO_TAPE])), spares["tape_rolls"] if ports else 0),
        Need(Kind.GREASE, "", int(takeoff.grease)),
        Need(Kind.AEROSOL, "", int(Bank.HEPA in tested)),
        Need(Kind.WASTE_PACKAGING, "", total[Use.SPENT_PACKAGES] + total[Use.FILTERLESS_PACKAGES]),
        *([Need(Kind.PPE, "", crew, 1)] if ports else []),
        *(Need(Kind.TOOL, what, count) for what, count in tools.items()),
    ]  # fmt: skip
    return tuple(need for need in found if need.whole)


def _life(housing: Housing, filter_type: str) -> int:
    """The shortest life that a bank of the housing gives a type of filter."""
    banks = {port.bank for port in housing.ports if plain_what(port.filter) == plain_what(filter_type)}
    return min((bank_life(housing, bank) for bank in banks), default=FILTER_LIFE_YEARS)


def lives_at(housing: Housing) -> dict[str, int]:
    """Return how old filters may get at a housing, in years, by type."""
    return {port.filter: _life(housing, port.filter) for port in housing.ports}


def bank_life(housing: Housing, bank: Bank) -> int:
    """Return how old a filter of a bank may get, in years: the site's own figure, or the default."""
    design = housing.design.get(bank)
    return (design.life_years if design else None) or FILTER_LIFE_YEARS


def used_of(state: JobState) -> Mapping[Kind, int]:
    """Return what the steps of a job that were done have used, by kind, from their effects."""
    if state.opened is None:
        return {}
    total = total_uses(tuple(step for step in state.walked if step.id in state.applied), start_of(state.opened))
    return {
        Kind.FILTER: total[Use.FILTERS],
        Kind.BAG: total[Use.NEW_BAGS],
        Kind.TIE_STRAP: total[Use.TIE_STRAPS],
        Kind.METAL_BAND: total[Use.METAL_BANDS],
        Kind.WASTE_PACKAGING: total[Use.SPENT_PACKAGES] + total[Use.FILTERLESS_PACKAGES],
    }


def last_used_on(state: JobState) -> date | None:
    """Return the newest day, at the site, on which a step of a job used or changed something; None where none has."""
    zone = state.opened.zone if state.opened else "UTC"
    marks = (state.mark(name).done for name in state.applied)
    return max((local_day(done.when, zone) for done in marks if done), default=None)


def picked(wanted: Iterable[Wanted], store: Store, *, today: date) -> PickList:
    """Deal the store room out to jobs, the earliest first, and say what is short."""
    at_hand = store.at_hand()
    left = {item.lot.id: item.left for item in at_hand}
    of_kind = {kind: [item for item in at_hand if item.lot.kind is kind] for kind in Kind}
    tools: dict[date, dict[str, int]] = defaultdict(lambda: dict(left))
    picks: list[Pick] = []
    shares: list[Share] = []
    days: dict[str, date] = {}
    for job in sorted(wanted, key=lambda item: (item.on, item.job)):
        day = max(job.on, today)
        own = sorted(store.of_job(job.job), key=soonest_first)
        aside = {item.lot.id: _aside(item, job, day) for item in own}
        for need in job.spent:
            _dealt(own, aside, need, need.count)
        for need in job.on_site:
            own_tools = sum(_dealt(own, aside, need, need.whole).values())
            _dealt(of_kind[need.kind], tools[job.on], need, need.whole - own_tools)
        for need in job.needs:
            got = _dealt(own, aside, need, need.whole)
            there = tools[job.on] if need.kind is Kind.TOOL else left
            taken = _dealt(of_kind[need.kind], there, need, need.whole - sum(got.values()), fit_on=day)
            picks += [Pick(job.job, need, lot, count) for lot, count in taken.items()]
            shares.append(Share(job.job, need, sum(got.values()), sum(got.values()) + sum(taken.values())))
        days[job.job] = job.on
    rows: dict[tuple[Kind, str], list[Share]] = defaultdict(list)
    for share in shares:
        rows[share.need.kind, share.need.what].append(share)
    lines = tuple(_line(kind, what, row, days, today, store.lead_days) for (kind, what), row in rows.items())
    return PickList(tuple(picks), tuple(shares), lines)


def dealt_elsewhere(found: PickList, job: str) -> dict[str, dict[str, int]]:
    """Return how many of each lot are dealt to which other jobs."""
    elsewhere: dict[str, dict[str, int]] = defaultdict(dict)
    for pick in found.picks:
        if pick.job != job:
            elsewhere[pick.lot][pick.job] = elsewhere[pick.lot].get(pick.job, 0) + pick.count
    return elsewhere


def taken_from_others(found: PickList, store: Store, job: str, lines: Mapping[str, int]) -> tuple[tuple[str, str], ...]:
    """Return the lots that a job would take from what is dealt to others: lot, and which other job."""
    elsewhere = dealt_elsewhere(found, job)
    return tuple(
        (lot, other)
        for lot, count in lines.items()
        if count > store.lots[lot].left - sum(elsewhere.get(lot, {}).values())
        for other in elsewhere.get(lot, {})
    )


def _aside(item: Standing, job: Wanted, day: date) -> int:
    """How many of a lot count for a job already: what has gone into it, and what is staged and fit on its day."""
    staged = item.staged.get(job.job, 0)
    years = min((need.life_years for need in job.needs if serves(item, need)), default=FILTER_LIFE_YEARS)
    fit = staged and not why_not(item, on=day, life_years=years)
    return item.used.get(job.job, 0) + (staged if fit else 0)


def serves(item: Standing, need: Need) -> bool:
    """Whether a lot is of the kind and type that is needed; its state is another question."""
    return item.lot.kind is need.kind and (not need.what or plain_what(item.lot.what) == plain_what(need.what))


def _dealt(
    lots: Sequence[Standing], left: dict[str, int], need: Need, count: int, *, fit_on: date | None = None
) -> dict[str, int]:  # fmt: skip
    """Take up to so many from lots that serve a need, what runs out first before the rest; by lot.

    fit_on: the day on which they must be fit.
    """
    found = {}
    for item in lots:
        if count <= 0:
            break
        take = min(count, left[item.lot.id])
        if take <= 0 or not serves(item, need):
            continue
        if fit_on and why_not(item, on=fit_on, life_years=need.life_years):
            continue
        left[item.lot.id] -= take
        count -= take
        found[item.lot.id] = take
    return found


def _line(
    kind: Kind, what: str, shares: Sequence[Share], days: Mapping[str, date], today: date,
    lead_days: Mapping[Kind, int],
) -> Line:  # fmt: skip
    first = next((share for share in shares if share.short), None)
    if kind is Kind.TOOL:
        shares = max(
            _by_day(shares, days), key=lambda some: (sum(s.short for s in some), sum(s.need.whole for s in some))
        )
    needed, there = sum(share.need.whole for share in shares), sum(share.there for share in shares)
    if first is None:
        return Line(kind, what, needed, there)
    on, lead = days[first.job], lead_days.get(kind)
    by = None if lead is None else on - timedelta(days=lead)
    return Line(kind, what, needed, there, first.job, on, by, by is not None and by < today)


def _by_day(shares: Sequence[Share], days: Mapping[str, date]) -> Iterable[Sequence[Share]]:
    found: dict[date, list[Share]] = defaultdict(list)
    for share in shares:
        found[days[share.job]].append(share)
    return found.values()
