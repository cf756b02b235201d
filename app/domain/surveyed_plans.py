"""What a survey says to planned work: a difference in what the work depends on leaves answers behind.

Rules kept here:
- an item that was answered when a survey found something else is open until it is answered again, or until a lead has
  said that the register is right: then the answer fits as before;
- what the kit and the take-off are made from stays the register's: nothing changes there until a lead changes it.
"""

from dataclasses import replace

from app.domain.housed_events import DifferenceAnswered, HousedEvent, SurveyTaken
from app.domain.planned import LeftBehind, Planned, Plans
from app.domain.readiness import Item, Standing

CONCERNS = {
    "filters": (Item.WINDOW, Item.LIFT, Item.WASTE), "type": (Item.LIFT, Item.WASTE), "bag": (Item.WASTE,),
    "ring": (Item.WASTE,), "clamp": (), "seal": (), "isolation": (Item.WINDOW, Item.PERMIT),
    "upstream": (Item.WINDOW, Item.PERMIT), "downstream": (Item.WINDOW, Item.PERMIT),
    "fan": (Item.WINDOW, Item.PERMIT),
}  # fmt: skip
"""The points of a survey on which steps, take-off or kit of work depend, with the items of readiness that a difference
there opens again (this program's choice)."""


def kind_of(point: str) -> str:
    """Return what a point of a survey is about, without the port or point of isolation that it names."""
    return point.partition(".")[0]


def surveyed_plans(plans: Plans, event: HousedEvent) -> Plans:
    """Return the plans after an entry of the register: answers that a survey leaves behind, or that fit again."""
    match event:
        case SurveyTaken():
            for plan in plans.waiting if any(_counts(item.point, item.found) for item in event.seen) else ():
                if plan.housing == event.housing:
                    plans = _with(plans, plan, _left(plan, event), event.at)
        case DifferenceAnswered(outcome="register right"):
            for plan in plans.waiting:
                left = tuple(item for item in plan.left if (item.entry, item.point) != (event.entry, event.point))
                plans = _with(plans, plan, left, event.at)
        case _:
            pass
    return plans


def _counts(point: str, found: str | None) -> bool:
    return found is not None and kind_of(point) in CONCERNS


def _left(plan: Planned, survey: SurveyTaken) -> tuple[LeftBehind, ...]:
    found = [
        LeftBehind(
            item, survey.seq, seen.point,
            f"The survey of {survey.local_time[:10]} found “{seen.found}” for {seen.label}, where the register had "
            f"{f'“{seen.register_has}”' if seen.register_has else 'nothing'}.",
        )
        for seen in survey.seen if _counts(seen.point, seen.found)
        for item in CONCERNS[kind_of(seen.point)]
        if plan.readiness.of(item).standing is Standing.ANSWERED
    ]  # fmt: skip
    return (*plan.left, *found)


def _with(plans: Plans, plan: Planned, left: tuple[LeftBehind, ...], at: str) -> Plans:
    if left == plan.left:
        return plans
    return plans.set(replace(plan, left=left, last_at=at, entries=plan.entries + 1))
