"""Whether an answer to an item of readiness still fits the plan: hours, people and procedure may have moved since.

A survey may have found the housing otherwise (`app.domain.surveyed_plans`).  It follows from the entries alone, so that
page, calendar and signature say the same.  An answer that no longer fits is open until it is answered again; nobody has
to open it.
"""

from collections.abc import Callable, Mapping

from app.domain.planned import Intent, Planned
from app.domain.readiness import Item, Standing


def no_longer_fits(plan: Planned, item: Item) -> str:
    """Say in a sentence why an answer does not fit the plan as it stands now; nothing if it does, or there is none."""
    state, was = plan.readiness.of(item), plan.answered_for.get(item)
    if state.standing is not Standing.ANSWERED or was is None:
        return ""
    if told := " ".join(left.sentence for left in plan.left if left.item is item):
        return told
    if item not in _FITTING:
        return ""
    return _FITTING[item](state.fields, was, plan.intent)


def _hours(_: Mapping[str, str], was: Intent, now: Intent) -> str:
    return "" if was.hours == now.hours else f"It was answered for {was.hours}, and the work is now {now.hours}."


def _permit(given: Mapping[str, str], was: Intent, now: Intent) -> str:
    until = given.get("until", "")
    if until and until < now.begins[:10]:
        return f"The permit runs out on {until}, before the work begins on {now.begins[:10]}."
    if until and was.ends[:10] != now.ends[:10] and until < max(was.ends[:10], now.ends[:10]):
        return (
            f"The permit runs out on {until}; the work was to end on {was.ends[:10]} and now ends on {now.ends[:10]}."
        )
    return ""


def _decontamination(given: Mapping[str, str], was: Intent, now: Intent) -> str:
    on = given.get("on", "")
    if on > now.ends[:10]:
        return f"It is to be done on {on}, after the work ends on {now.ends[:10]}."
    if was.begins[:10] != now.begins[:10]:
        return f"It was answered for work from {was.begins[:10]}, and the work now begins on {now.begins[:10]}."
    return ""


def _people(_: Mapping[str, str], was: Intent, now: Intent) -> str:
    if was.ends[:10] != now.ends[:10]:
        return f"It was answered for work to {was.ends[:10]}, and the work now ends on {now.ends[:10]}."
    if set(now.people) - set(was.people):
        return "Since it was answered somebody else was named for the work."
    return "" if was.procedure == now.procedure else "Since it was answered another procedure was planned."


_FITTING: dict[Item, Callable[[Mapping[str, str], Intent, Intent], str]] = {
    Item.WINDOW: _hours, Item.PERMIT: _permit, Item.DECON: _decontamination, Item.WASTE: _hours, Item.PEOPLE: _people,
}  # fmt: skip
