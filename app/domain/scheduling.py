"""Deciding over planned work: whether a plan may be made, changed or dropped.

From typed text to one entry of the site's ledger, against its committed state; each refusal is one sentence.
A plan that was dropped, or from which a job was opened, changes no more.  An entry that changes nothing is refused,
so that a form sent twice writes once.
"""

import re
from collections.abc import Collection, Mapping
from datetime import date, datetime, timedelta

from app.calc.errors import Invalid
from app.domain.event_base import Who
from app.domain.events import JobOpened
from app.domain.off_register import complain_if_off
from app.domain.planned import Intent, PlanChanged, PlanDropped, Planned, WorkPlanned
from app.domain.procedure import Role
from app.domain.registers import SiteMoment, day_from, reason_from
from app.domain.site import SiteState
from app.domain.zones import instant_shown

LONGEST_WINDOW = timedelta(days=31)
MOST_CREW = 12
"""This program's bounds, no source."""
WORKING = frozenset({Role.TECHNICIAN, Role.SAFETY_OFFICER, Role.LEAD})
_MINUTE = re.compile(r"(\d{4}-\d{2}-\d{2})[T ](\d{2}:\d{2})", re.ASCII)


def work_planned(
    state: SiteState, moment: SiteMoment, *, typed: Mapping[str, str], crew: Collection[str], people: Mapping[str, Who],
    housings: Collection[str], procedures: Collection[str],
) -> WorkPlanned:  # fmt: skip
    """Return the entry that plans work.

    typed: housing, procedure, begins, ends, lead, why, as on the form.  people: who works here, by id.
    housings, procedures: tags and ids that the site has.
    """
    housing = typed.get("housing", "")
    if housing not in housings:
        raise Invalid(f"There is no housing {housing[:40]!r} on this site. Choose one of those shown.")
    complain_if_off(state, housing)
    found = _intent((moment.today, state.zone), housing, typed, crew, people, procedures)
    for other in state.planned.waiting:
        if other.intent == found:
            raise Invalid(f"{other.plan} stands just so. Nothing was planned again.")
    return WorkPlanned(
        seq=moment.seq, at=moment.at, by=moment.by, plan=f"PL-{len(state.planned) + 1:04d}", **_values(found)
    )


def plan_changed(
    state: SiteState, moment: SiteMoment, *, plan: str, typed: Mapping[str, str], crew: Collection[str],
    people: Mapping[str, Who], procedures: Collection[str],
) -> PlanChanged:  # fmt: skip
    """Return the entry that changes a plan, with the reason; everything but the housing may change."""
    known = waiting_plan(state, plan)
    found = _intent((moment.today, state.zone), known.housing, typed, crew, people, procedures, before=known.intent)
    if found == known.intent:
        raise Invalid(f"{plan} stands just so. Nothing was changed.")
    return PlanChanged(
        seq=moment.seq, at=moment.at, by=moment.by, plan=plan, **_values(found),
        reason=reason_from(typed.get("reason", ""), "Why it is changed"),
    )  # fmt: skip


def plan_dropped(state: SiteState, moment: SiteMoment, *, plan: str, reason: str) -> PlanDropped:
    """Return the entry that drops a plan.  Invalid while a kit stands staged for it: nobody would come for that."""
    waiting_plan(state, plan)
    if state.store.is_open(plan):
        raise Invalid(f"A kit stands staged for {plan}. Put it back on the page of its kit, then drop the plan.")
    return PlanDropped(
        seq=moment.seq, at=moment.at, by=moment.by, plan=plan, reason=reason_from(reason, "Why it is dropped")
    )


def plan_named(state: SiteState, plan: str) -> Planned:
    """Return the plan with this number; Invalid if there is none."""
    known = state.planned.get(plan)
    if known is None:
        raise Invalid(f"There is no planned work {plan[:20]!r}. Choose one of those listed.")
    return known


def waiting_plan(state: SiteState, plan: str) -> Planned:
    """Return a plan that may still change; Invalid for one that was dropped or opened as a job."""
    known = plan_named(state, plan)
    if known.dropped:
        raise Invalid(f"{plan} was dropped: {known.dropped}. Plan the work anew.")
    if known.job:
        raise Invalid(f"Job {known.job} was opened from {plan}, which changes no more. Go on in the job.")
    return known


def _intent(
    here: tuple[date, str], housing: str, typed: Mapping[str, str], crew: Collection[str], people: Mapping[str, Who],
    procedures: Collection[str], *, before: Intent | None = None,
) -> Intent:  # fmt: skip
    procedure = typed.get("procedure", "")
    if procedure not in procedures:
        raise Invalid(f"There is no procedure {procedure[:40]!r}. Choose one of those shown.")
    begins, ends = _minute(typed, "begins", "Begins", *here), _minute(typed, "ends", "Ends", *here)
    lasts = datetime.fromisoformat(ends) - datetime.fromisoformat(begins)
    if lasts <= timedelta():
        raise Invalid(f"It ends {_said(ends)}, not after it begins, {_said(begins)}. Mend one of the two.")
    if lasts > LONGEST_WINDOW:
        raise Invalid(
            f"From {_said(begins)} to {_said(ends)} is longer than {LONGEST_WINDOW.days} days (this program's bound). "
            "Plan it in parts."
        )
    moved = before is None or begins != before.begins
    if moved and begins[:10] < here[0].isoformat():
        raise Invalid(f"It begins {_said(begins)}, and today is {here[0]} already. Give a day to come.")
    return Intent(
        housing=housing, procedure=procedure, begins=begins, ends=ends, lead=_lead(typed.get("lead", ""), people),
        crew=_crew(crew, people), why=reason_from(typed.get("why", ""), "Why the work is planned"),
    )  # fmt: skip


def _lead(person: str, people: Mapping[str, Who]) -> str:
    who = people.get(person)
    if who is None or who.role is not Role.LEAD:
        raise Invalid(f"{_called(who, person)} is no lead here. Choose a lead of those shown.")
    return who.id


def _called(who: Who | None, person: str) -> str:
    return who.name if who else repr(person[:40])


def _crew(crew: Collection[str], people: Mapping[str, Who]) -> tuple[str, ...]:
    for person in crew:
        who = people.get(person)
        if who is None or who.role not in WORKING:
            raise Invalid(f"{_called(who, person)} does no work at housings. Choose of those shown.")
    if len(crew) > MOST_CREW:
        told = f"The crew has {len(crew)} people; {MOST_CREW} is the most (this program's bound). Plan it in parts."
        raise Invalid(told)
    return tuple(sorted(set(crew)))


def _minute(typed: Mapping[str, str], name: str, label: str, today: date, zone: str) -> str:
    """Read `2026-03-02T07:30` by the site's clock."""
    text = typed.get(name, "").strip()
    found = _MINUTE.fullmatch(text)
    if found is None:
        raise Invalid(f"{label}: {text[:20]!r} is not a day and a time. Give it such as {today}T07:30.")
    minute = f"{day_from(found[1], label, today)}T{found[2]}"
    try:
        shown = instant_shown(minute, zone)
    except (ValueError, OverflowError):
        raise Invalid(f"{label}: {found[2]} is no time of a day. Give it such as 07:30.") from None
    if shown is None:
        raise Invalid(f"{label}: the clock at the site never shows {_said(minute)}; it is put forward. Give another.")
    return minute


def _said(minute: str) -> str:
    return minute.replace("T", " ")


def _values(found: Intent) -> dict[str, object]:
    return {name: getattr(found, name) for name in Intent.model_fields}


def complain_of_plan(state: SiteState, draft: JobOpened) -> None:
    """A job opened from a plan does what was planned there, and one plan gives one job."""
    if draft.prepared is None:
        return
    known = waiting_plan(state, draft.prepared.plan)
    if (known.housing, known.procedure) != (draft.housing.tag, draft.procedure):
        raise Invalid(
            f"{known.plan} is for {known.procedure} on {known.housing}, not for {draft.procedure} on "
            f"{draft.housing.tag}. Change the plan, or open the job without it."
        )
