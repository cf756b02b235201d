"""The pages of planned work: the list with the form to plan, and one plan."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime

from app.domain.event_base import Who
from app.domain.housing import Housing, Service
from app.domain.planned import Planned
from app.domain.procedure import Role
from app.domain.readiness_items import is_ready, still_open
from app.domain.site import SiteState
from app.records.due import days_words
from app.records.moments import local_text
from app.records.readiness import survey_words
from app.web.entered import Refilled
from app.web.views.housing import off_words
from app.web.views.pages import MOST_CHOSEN

MOST_PAST = 100
"""Plans opened or dropped that the page lists, the newest first (our figure); each keeps its own page."""


@dataclass(frozen=True, slots=True)
class PlanRow:
    """One plan in the list. how: what became of it, or how far off it is; ready: whether it is, while it waits."""

    plan: str
    housing: str
    what: str
    when: str
    people: str
    why: str
    how: str
    overdue: bool
    ready: str = ""


@dataclass(frozen=True, slots=True)
class Choices:
    """What the forms of a plan offer; crew: id, name and role, and whether they are ticked.

    housings: none where there are too many to choose from a list; their tag is typed then.
    """

    housings: tuple[tuple[str, str], ...]
    procedures: tuple[tuple[str, str], ...]
    leads: tuple[tuple[str, str], ...]
    crew: tuple[tuple[str, str, bool], ...]
    fields: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class PlannedList:
    """All plans: what waits by its day, then what was opened or dropped, the newest first.

    past: at most MOST_PAST of them, past_count: how many there are.
    calendars: the housings whose calendar files are offered: all where there are few, else those with work that waits.
    people: whoever was named in any, id and name, for their calendar files.
    """

    waiting: tuple[PlanRow, ...]
    past: tuple[PlanRow, ...]
    past_count: int
    calendars: tuple[str, ...]
    choices: Choices
    people: tuple[tuple[str, str], ...]
    may_plan: bool
    form: Refilled


@dataclass(frozen=True, slots=True)
class PlannedPage:
    """One plan.

    off: that its housing is off the register, while it waits.  doubts: what surveys found otherwise.  beside: other
    plans in the same hours.  staged: a kit stands staged for it, which is put back before it is dropped.
    """

    row: PlanRow
    location: str
    facts: tuple[tuple[str, str], ...]
    off: str
    doubts: tuple[str, ...]
    beside: tuple[str, ...]
    waits: bool
    job: str
    dropped: str
    staged: bool
    open_at: str
    choices: Choices
    may_plan: bool
    form: Refilled
    dropping: Refilled


def planned_list(
    state: SiteState, housing_of: Callable[[str], Housing | None], choices: Choices, titles: Mapping[str, str],
    today: date, *, may_plan: bool, form: Refilled,
) -> PlannedList:  # fmt: skip
    """Return the list of all plans.  housing_of: a housing by its tag."""
    plans = state.planned
    waiting = sorted(plans.waiting, key=lambda item: (item.begins, item.plan))
    tags = {item.housing for item in waiting}
    found = {tag: housing for tag in sorted(tags) if (housing := housing_of(tag)) is not None}
    services = {tag: housing.service for tag, housing in found.items()}
    return PlannedList(
        waiting=tuple(
            replace(plan_row(state, item, titles, today), ready=_ready(state, item, services.get(item.housing)))
            for item in waiting
        ),
        past=tuple(plan_row(state, plans[name], titles, today) for name in plans.past.newest(MOST_PAST)),
        past_count=len(plans.past),
        calendars=tuple(tag for tag, _ in choices.housings) or tuple(found),
        choices=choices,
        people=tuple((person, state.watch.name(person)) for person in plans.people),
        may_plan=may_plan,
        form=form,
    )


def planned_page(
    state: SiteState, item: Planned, housing: Housing | None, choices: Choices, titles: Mapping[str, str], today: date,
    *, may_plan: bool, form: Refilled, dropping: Refilled,
) -> PlannedPage:  # fmt: skip
    """Return the page of one plan; housing: None if the site has it no more."""
    return PlannedPage(
        row=plan_row(state, item, titles, today),
        location=housing.location if housing else "no housing of this tag is known here any more",
        facts=tuple(facts_of(state, item, titles)),
        off=off_words(state, item.housing) if item.waits else "",
        doubts=survey_words(state, item),
        beside=tuple(_beside(state, item)),
        waits=item.waits,
        job=line.job if (line := state.jobs.numbered(item.job)) else "",
        dropped=f"{item.dropped} ({item.dropped_by}, {local_text(item.last_at, state.zone)[:16]})"
        if item.dropped
        else "",
        staged=state.store.is_open(item.plan),
        open_at=f"/plan/{item.housing}?plan={item.plan}&procedure={item.procedure}",
        choices=choices,
        may_plan=may_plan,
        form=form,
        dropping=dropping,
    )


def facts_of(state: SiteState, item: Planned, titles: Mapping[str, str]) -> list[tuple[str, str]]:
    """Return what is planned, and how that changed, in pairs."""
    name = state.watch.name
    facts = [
        ("Procedure", titles.get(item.procedure, item.procedure)),
        ("Begins, ends", window_words(item)),
        ("Lead", name(item.intent.lead)),
        ("Crew", ", ".join(name(person) for person in item.intent.crew) or "nobody named yet"),
        ("Why", item.intent.why),
    ]
    return facts + [
        (f"Changed {local_text(change.at, state.zone)[:16]}", f"{change.by.name if change.by else ''}: {change.reason}")
        for change in item.changes
    ]


def choices_for(
    housings: tuple[Housing, ...], titles: Mapping[str, str], people: Mapping[str, Who], form: Refilled,
    shown: Mapping[str, str], named: tuple[str, ...] = (),
) -> Choices:  # fmt: skip
    """Return what a form offers: what was typed before a refusal, else `shown`, with the crew `named` ticked."""
    ticked = [name for name in form.fields if name.startswith("crew.")] if form.told else [f"crew.{i}" for i in named]
    fields = ("housing", "procedure", "begins", "ends", "lead", "why", "reason")
    ordered, many = sorted(people.values(), key=lambda who: who.name), len(housings) > MOST_CHOSEN
    return Choices(
        housings=() if many else tuple((item.tag, f"{item.tag}, {item.location}") for item in housings),
        procedures=tuple(titles.items()),
        leads=tuple((who.id, who.name) for who in ordered if who.role is Role.LEAD),
        crew=tuple((who.id, f"{who.name}, {who.role.words}", f"crew.{who.id}" in ticked) for who in ordered),
        fields={name: form[name] if form.told else shown.get(name, "") for name in fields},
    )


def plan_row(state: SiteState, item: Planned, titles: Mapping[str, str], today: date) -> PlanRow:
    """Return a plan as it stands in a list."""
    name, begins = state.watch.name, date.fromisoformat(item.begins[:10])
    if item.dropped:
        how = f"dropped: {item.dropped}"
    elif item.job:
        how = f"job {item.job}"
    else:
        how = "not begun, its hours are past" if _past(item, today) else f"begins {days_words(begins, today)}"
    return PlanRow(
        plan=item.plan,
        housing=item.housing,
        what=titles.get(item.procedure, item.procedure),
        when=window_words(item),
        people=", ".join(name(person) for person in item.intent.people),
        why=item.intent.why,
        how=how,
        overdue=item.waits and begins < today,
    )


def window_words(item: Planned) -> str:
    """Say from when to when, the day once where it is one."""
    return item.intent.hours


def _ready(state: SiteState, item: Planned, service: Service | None) -> str:
    if item.housing in state.housed.off:
        return "its housing is off the register"
    if service is None:
        return "its housing is not known here any more"
    if is_ready(item, service):
        return "ready, agreed"
    left = len(still_open(item, service))
    return f"not ready, {left} open" if left else "not ready, to be signed"


def _past(item: Planned, today: date) -> bool:
    return date.fromisoformat(item.ends[:10]) < today


def _beside(state: SiteState, item: Planned) -> list[str]:
    """Say which other plans that wait fall into the same hours and share the housing or somebody."""
    found = []
    begins, ends = datetime.fromisoformat(item.begins), datetime.fromisoformat(item.ends)
    for other in state.planned.waiting if item.waits else ():
        if other.plan == item.plan:
            continue
        if datetime.fromisoformat(other.begins) >= ends or datetime.fromisoformat(other.ends) <= begins:
            continue
        shared = [state.watch.name(person) for person in other.intent.people if person in item.intent.people]
        if other.housing == item.housing:
            shared.insert(0, other.housing)
        if shared:
            found.append(f"{', '.join(shared)} in {other.plan} as well, {window_words(other)}.")
    return found
