"""The page of one item of a plan's readiness: how it stands, what it asks, who may say what."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from app.domain.event_base import Who
from app.domain.housing import Service
from app.domain.planned import Planned
from app.domain.procedure import Role
from app.domain.readiness import Item
from app.domain.readiness_items import DAYS_AHEAD, OFFICERS_OWN, Field, fields_of
from app.domain.readying import AGREEING, lacks
from app.domain.site import SiteState
from app.records.readiness import ItemLine, readiness_words
from app.web.entered import NOTHING, Refilled

WHY = {
    Item.WINDOW: "Whoever works in the rooms behind this housing must know and agree before the air stands still.",
    Item.PERMIT: "The site's own permit, good on the day. A job's hold points are not released after its last day.",
    Item.PPE: "Chosen for this service. A respirator's factor is never given without the rule set it comes from.",
    Item.SPACE: (
        "A confined space is large enough to enter bodily and work in, has limited or restricted ways in or out, and "
        "is not designed for continuous occupancy, all three; with a hazard of those below it needs an entry permit "
        "(29 CFR 1910.146(b), read only in a secondary text that reports it). Entry begins as soon as any part of the "
        "body passes the opening. A housing worked from outside through the gloves of a bag is usually not entered, a "
        "walk-in plenum is (common practice, no source). The answer is the safety officer's."
    ),
    Item.DECON: (
        "Evidence that what was in the air is dead or gone before the housing is opened: method, contact time or the "
        "validation it rests on, day, and who. All of it is the site's own; this program knows no cycle."
    ),
    Item.LIMITS: "What stops the work, and for how long one person may stay. Limits are the site's own.",
    Item.LIFT: (
        "A used element in its bag weighs more than the new one on its label. With all the figures given, the limit is "
        "computed; it counts for two hands, standing, an upright load and nothing carried."
    ),
    Item.WASTE: "The day is not over before the packages have left. Know who takes them before the first is made.",
    Item.PEOPLE: "The register says what each person named holds on the last day of the work.",
}  # fmt: skip
"""What each item is for, as it stands above its form."""


@dataclass(frozen=True, slots=True)
class FieldView:
    """A field with what stands in it."""

    field: Field
    value: str


@dataclass(frozen=True, slots=True)
class ItemView:
    """One item.  refused: the forms that were refused, by their name, which stay open for another try."""

    plan: str
    title: str
    line: ItemLine
    why: str
    fields: tuple[FieldView, ...]
    live: tuple[str, ...]
    people: tuple[tuple[str, str], ...]
    person: str
    until: str
    days_ahead: int
    latest: str
    told: str
    refused: frozenset[str]
    may_answer: bool
    may_leave: bool
    may_owe: bool
    may_open: bool
    reason: str
    reopening: str


def item_view(
    state: SiteState, plan: Planned, item: Item, service: Service, people: Mapping[str, Who], needs: tuple[str, ...],
    today: date, who: Who, refused: Mapping[str, Refilled],
) -> ItemView:  # fmt: skip
    """Return the page of an item for somebody; refused: forms that were refused, by their name."""
    line = next(row for row in readiness_words(state, plan, service, today).lines if row.item is item)
    answering, owing = refused.get("answering", NOTHING), refused.get("owing", NOTHING)
    held = answering.answers if answering.told else plan.readiness.of(item).fields
    officer = who.role is Role.SAFETY_OFFICER
    answers = officer if item in OFFICERS_OWN else who.role in AGREEING or who.id == line.person
    named = sorted(people.values(), key=lambda one: one.name)
    return ItemView(
        plan=plan.plan,
        title=f"{item.words} for {plan.plan} on {plan.housing}",
        line=line,
        why=WHY[item],
        fields=tuple(FieldView(asked, held.get(asked.name, "")) for asked in fields_of(item, service)),
        live=lacks(state, plan, people, needs) if item is Item.PEOPLE else (),
        people=tuple(
            (one.id, f"{one.name}, {one.role.words}")
            for one in named
            if item not in OFFICERS_OWN or one.role is Role.SAFETY_OFFICER
        ),
        person=owing["person"] or line.person,
        until=owing["until"] or line.until,
        days_ahead=DAYS_AHEAD[item],
        latest=plan.begins[:10],
        told=next((form.told for form in refused.values() if form.told), ""),
        refused=frozenset(name for name, form in refused.items() if form.told),
        may_answer=plan.waits and answers,
        may_leave=plan.waits and officer,
        may_owe=plan.waits and who.role is Role.LEAD,
        may_open=plan.waits and who.role in AGREEING and not line.is_open,
        reason=refused.get("leaving", NOTHING)["reason"],
        reopening=refused.get("opening", NOTHING)["reason"],
    )
