"""What must stand before planned work may begin: items, what is said of each, and who has agreed to the whole.

Rules kept here:
- an item is open until it is answered or a safety officer has said why it is not needed, and again when the answer no
  longer fits the plan (`app.domain.readiness_fit`);
- a signature covers the plan and its items as they stood at one entry; whatever is entered later leaves it void;
- agreed means: one lead and one safety officer, two people, both over the plan as it stands now.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from enum import StrEnum
from types import MappingProxyType
from typing import Literal, assert_never

from app.domain.event_base import Who
from app.domain.procedure import Role
from app.domain.site_entry import SiteEntry
from app.domain.text import Kept


class Item(StrEnum):
    """What has to be ready; each plan has those that its housing's service asks for."""

    WINDOW = "window"
    PERMIT = "permit"
    PPE = "ppe"
    SPACE = "confined-space"
    DECON = "decontamination"
    LIMITS = "limits"
    LIFT = "lift"
    WASTE = "waste"
    PEOPLE = "people"

    @property
    def words(self) -> str:
        """The item as it is called on pages."""
        return _WORDS[self]


_WORDS = {
    Item.WINDOW: "Hours without the system", Item.PERMIT: "Permit", Item.PPE: "PPE and respirator",
    Item.SPACE: "Confined space", Item.DECON: "Decontamination", Item.LIMITS: "Limits and stay time",
    Item.LIFT: "Lift plan", Item.WASTE: "Way of the waste", Item.PEOPLE: "Medical and induction",
}  # fmt: skip


class ItemAnswered(SiteEntry):
    """An item was answered.  fields: as typed, by name; shown: what was computed from them, in sentences."""

    type: Literal["item_answered"] = "item_answered"
    plan: str
    item: Item
    fields: dict[str, str]
    shown: tuple[str, ...] = ()


class ItemNotNeeded(SiteEntry):
    """A safety officer has said why an item is not needed for this work."""

    type: Literal["item_not_needed"] = "item_not_needed"
    plan: str
    item: Item
    reason: str


class ItemOpenedAgain(SiteEntry):
    """What was said of an item does not hold any more."""

    type: Literal["item_opened_again"] = "item_opened_again"
    plan: str
    item: Item
    reason: str


class ItemOwed(SiteEntry):
    """A lead named who owes the answer to an item, and by which day."""

    type: Literal["item_owed"] = "item_owed"
    plan: str
    item: Item
    person: str
    until: date


class ReadinessAgreed(SiteEntry):
    """Somebody signed that the work is ready.  entry: the place of the newest entry that they signed over."""

    type: Literal["readiness_agreed"] = "readiness_agreed"
    plan: str
    entry: int
    meaning: str
    local_time: str
    proof: str


ItemEvent = ItemAnswered | ItemNotNeeded | ItemOpenedAgain | ItemOwed
ReadinessEvent = ItemEvent | ReadinessAgreed


class Standing(StrEnum):
    """How an item stands."""

    OPEN = "open"
    ANSWERED = "answered"
    NOT_NEEDED = "not needed"


class Prepared(Kept):
    """How the planned work stood when a job was opened from it.  told: in words.

    reason: why the lead opened the job all the same, where it was not agreed or not within its hours.  named: what its
    answers give for questions of the job, by the question's id.  off_hours: how far from the planned hours, in words.
    """

    plan: str
    agreed: bool
    told: str
    reason: str | None = None
    named: dict[str, str] | None = None
    off_hours: str | None = None


@dataclass(frozen=True, slots=True)
class ItemState:
    """One item as it stands.  reason: why it is not needed, or open again; by, at: who entered that last, and when.

    person, until: who owes the answer and by which day, where a lead has named them.
    """

    standing: Standing = Standing.OPEN
    fields: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    shown: tuple[str, ...] = ()
    reason: str = ""
    by: Who | None = None
    at: str = ""
    person: str = ""
    until: date | None = None


OPEN = ItemState()


@dataclass(frozen=True, slots=True)
class Change:
    """What left signatures void.  item: what it was about, or none: the plan itself; by, at: by whom and when."""

    seq: int
    item: Item | None
    by: Who | None
    at: str


@dataclass(frozen=True, slots=True)
class Readiness:
    """The readiness of one plan.

    newest: place of the newest entry about it, which a signature must cover.  changes: all since the first signature.
    """

    newest: int = 0
    changes: tuple[Change, ...] = ()
    items: Mapping[Item, ItemState] = field(default_factory=lambda: MappingProxyType({}))
    signatures: tuple[ReadinessAgreed, ...] = ()

    def of(self, item: Item) -> ItemState:
        """Return how an item stands."""
        return self.items.get(item, OPEN)

    @property
    def holding(self) -> tuple[ReadinessAgreed, ...]:
        """The signatures over the plan as it stands now."""
        return tuple(signed for signed in self.signatures if signed.entry == self.newest)

    @property
    def void(self) -> tuple[ReadinessAgreed, ...]:
        """The signatures that a later entry has left void."""
        return tuple(signed for signed in self.signatures if signed.entry != self.newest)

    def since(self, signed: ReadinessAgreed) -> tuple[Change, ...]:
        """The changes after a signature, up to the next signature over something newer."""
        newer = min((other.entry for other in self.signatures if other.entry > signed.entry), default=self.newest)
        return tuple(change for change in self.changes if signed.entry < change.seq <= newer)

    def signed_by(self, role: Role) -> ReadinessAgreed | None:
        """Return the signature of this role that holds, if there is one."""
        return next((signed for signed in self.holding if signed.by and signed.by.role is role), None)

    @property
    def signed(self) -> bool:
        """Whether a lead and a safety officer, two people, have signed over the plan as it stands now."""
        lead, officer = self.signed_by(Role.LEAD), self.signed_by(Role.SAFETY_OFFICER)
        if lead is None or officer is None or lead.by is None or officer.by is None:
            return False
        return lead.by.id != officer.by.id


def touched(readiness: Readiness, event: SiteEntry, item: Item | None = None) -> Readiness:
    """Return the readiness after something was entered about the plan: no signature made before holds any more."""
    made = (Change(event.seq, item, event.by, event.at),) if readiness.signatures else ()
    return replace(readiness, newest=event.seq, changes=(*readiness.changes, *made))


def evolve_readiness(readiness: Readiness, event: ReadinessEvent) -> Readiness:
    """Return the readiness after one more entry."""
    if isinstance(event, ReadinessAgreed):
        return replace(readiness, signatures=(*readiness.signatures, event))
    known = readiness.of(event.item)
    match event:
        case ItemAnswered():
            after = _said(known, event, Standing.ANSWERED)
            after = replace(after, fields=MappingProxyType(dict(event.fields)), shown=event.shown)
        case ItemNotNeeded():
            after = replace(_said(known, event, Standing.NOT_NEEDED), reason=event.reason)
        case ItemOpenedAgain():
            after = replace(_said(known, event, Standing.OPEN), reason=event.reason, fields=known.fields)
        case ItemOwed():
            after = replace(known, person=event.person, until=event.until)
        case _:
            assert_never(event)
    items = MappingProxyType({**readiness.items, event.item: after})
    return replace(touched(readiness, event, event.item), items=items)


def _said(known: ItemState, event: ItemEvent, standing: Standing) -> ItemState:
    return ItemState(standing, by=event.by, at=event.at, person=known.person, until=known.until)
