"""Work planned for a housing: what, when, by whom and why; one entry of the site's ledger for each word said of it.

A plan has a number of its own for ever.  It waits until it is dropped or a job is opened from it; after that it is
the memory of what was meant and changes no more: what becomes of the job only counts as an entry about it.  Times are
those of the site's clock, whole minutes.
An entry costs the same however many plans there are: the maps share what has not changed.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Literal, assert_never

from immutables import Map

from app.domain.in_order import InOrder
from app.domain.readiness import (
    Item,
    ItemAnswered,
    ItemNotNeeded,
    ItemOpenedAgain,
    ItemOwed,
    Readiness,
    ReadinessAgreed,
    ReadinessEvent,
    evolve_readiness,
    touched,
)
from app.domain.site_entry import SiteEntry
from app.domain.text import Kept


class Intent(Kept):
    """What is planned.  begins, ends: `2026-03-02T07:30` by the site's clock.  lead, crew: ids of people."""

    housing: str
    procedure: str
    begins: str
    ends: str
    lead: str
    crew: tuple[str, ...] = ()
    why: str

    @property
    def people(self) -> tuple[str, ...]:
        """Return who takes part, the lead first."""
        return (self.lead, *(person for person in self.crew if person != self.lead))

    @property
    def hours(self) -> str:
        """Say from when to when, the day once where it is one."""
        begins, ends = self.begins.replace("T", " "), self.ends.replace("T", " ")
        return f"{begins} to {ends[11:] if begins[:10] == ends[:10] else ends}"


class WorkPlanned(SiteEntry, Intent):
    """Work was planned under a number: `PL-0001`."""

    type: Literal["work_planned"] = "work_planned"
    plan: str


class PlanChanged(SiteEntry, Intent):
    """A plan changed: every value as it is now, and the reason of the change; the housing stays."""

    type: Literal["plan_changed"] = "plan_changed"
    plan: str
    reason: str


class PlanDropped(SiteEntry):
    """The planned work will not be done."""

    type: Literal["plan_dropped"] = "plan_dropped"
    plan: str
    reason: str


NOT_READY = Readiness()
PlanEvent = WorkPlanned | PlanChanged | PlanDropped | ReadinessEvent


@dataclass(frozen=True, slots=True)
class LeftBehind:
    """An answer that a survey has left behind: the item, the difference by entry and point, and why in a sentence."""

    item: Item
    entry: int
    point: str
    sentence: str


@dataclass(frozen=True, slots=True)
class Planned:
    """One plan as it stands.

    first_at, last_at: when it was planned, and when anything was last entered about it (UTC text).
    entry: place of the entry that planned it.  entries: how many entries are about it.
    once: everybody who was ever named to take part, so that they can be told when they no longer are.
    answered_for: what was planned when an item of its readiness was answered last.  left: answers that a survey has
    left behind (`app.domain.surveyed_plans`).
    dropped: why it was dropped, or nothing; dropped_by: the name of whoever did it.
    job: the number of the job opened from it, or nothing.
    """

    plan: str
    intent: Intent
    entry: int
    first_at: str
    last_at: str
    entries: int = 1
    once: frozenset[str] = frozenset()
    changes: tuple[PlanChanged, ...] = ()
    dropped: str = ""
    dropped_by: str = ""
    job: str = ""
    readiness: Readiness = NOT_READY
    answered_for: Mapping[Item, Intent] = field(default_factory=lambda: MappingProxyType({}))
    left: tuple[LeftBehind, ...] = ()

    @property
    def housing(self) -> str:
        """The tag of the housing."""
        return self.intent.housing

    @property
    def procedure(self) -> str:
        """The id of the procedure."""
        return self.intent.procedure

    @property
    def begins(self) -> str:
        """When it begins, by the site's clock, to the minute."""
        return self.intent.begins

    @property
    def ends(self) -> str:
        """When it ends, by the site's clock, to the minute."""
        return self.intent.ends

    @property
    def waits(self) -> bool:
        """Whether the work is still to be done: neither dropped nor opened as a job."""
        return not self.dropped and not self.job


@dataclass(frozen=True, slots=True)
class Plans(Mapping[str, Planned]):
    """Every plan by its number.  past: those that wait no more, in the order of what was entered of them last."""

    _all: Map[str, Planned] = field(default_factory=Map)
    _waiting: Map[str, None] = field(default_factory=Map)
    _people: Map[str, None] = field(default_factory=Map)
    past: InOrder = field(default_factory=InOrder)

    @property
    def waiting(self) -> tuple[Planned, ...]:
        """The plans that wait, by their numbers."""
        return tuple(self._all[name] for name in sorted(self._waiting))

    @property
    def people(self) -> tuple[str, ...]:
        """The ids of all who were ever named in a plan."""
        return tuple(sorted(self._people))

    def set(self, item: Planned) -> "Plans":
        """Return the plans with one as it stands now."""
        name, waiting = item.plan, self._waiting
        if item.waits:
            waiting = waiting.set(name, None)
        elif name in waiting:
            waiting = waiting.delete(name)
        people = self._people.update({person: None for person in item.once if person not in self._people})
        past = self.past.without(name) if item.waits else self.past.put(name)
        return Plans(self._all.set(name, item), waiting, people, past)

    def __getitem__(self, name: str) -> Planned:
        """Return the plan with this number."""
        return self._all[name]

    def __iter__(self) -> Iterator[str]:
        """Yield every number."""
        return iter(self._all)

    def __len__(self) -> int:
        """Return how many plans there are."""
        return len(self._all)


NO_PLANS = Plans()


def evolve_plans(plans: Plans, event: PlanEvent) -> Plans:
    """Return the plans after one more entry; one about an unknown plan changes nothing."""
    if isinstance(event, WorkPlanned):
        intent = _intent_of(event)
        made = Planned(
            event.plan, intent, entry=event.seq, first_at=event.at, last_at=event.at,
            once=frozenset(intent.people), readiness=touched(NOT_READY, event),
        )  # fmt: skip
        return plans.set(made)
    known = plans.get(event.plan)
    if known is None:
        return plans
    after = replace(known, last_at=event.at, entries=known.entries + 1)
    match event:
        case PlanChanged():
            after = replace(
                after, intent=_intent_of(event), once=known.once | set(event.people), changes=(*known.changes, event),
                readiness=touched(known.readiness, event),
            )  # fmt: skip
        case PlanDropped():
            by = event.by.name if event.by else ""
            after = replace(after, dropped=event.reason, dropped_by=by, readiness=touched(known.readiness, event))
        case ItemAnswered() | ItemNotNeeded() | ItemOpenedAgain() | ItemOwed() | ReadinessAgreed():
            after = replace(after, readiness=evolve_readiness(known.readiness, event))
            if isinstance(event, ItemAnswered):
                answered_for = MappingProxyType({**known.answered_for, event.item: known.intent})
                left = tuple(item for item in known.left if item.item is not event.item)
                after = replace(after, answered_for=answered_for, left=left)
        case _:
            assert_never(event)
    return plans.set(after)


def opened_from(plans: Plans, plan: str, *, job: str, at: str) -> Plans:
    """Return the plans after a job was opened from one of them; `job` is its number."""
    known = plans.get(plan)
    if known is None:
        return plans
    after = replace(known, job=job, last_at=at, entries=known.entries + 1)
    return plans.set(after)


def job_turned(plans: Plans, plan: str, *, at: str) -> Plans:
    """Return the plans after the job opened from one of them was closed or taken up anew: an entry about it, too."""
    known = plans.get(plan)
    return plans if known is None else plans.set(replace(known, last_at=at, entries=known.entries + 1))


def _intent_of(event: WorkPlanned | PlanChanged) -> Intent:
    return Intent(**{name: getattr(event, name) for name in Intent.model_fields})
