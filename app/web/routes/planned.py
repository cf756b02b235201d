"""Planned work: the list, one plan, and what a lead says of it."""

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from app.domain.procedure import Role
from app.domain.scheduling import plan_named
from app.records.moments import site_day, utc_text
from app.web.context import session_of, site_of
from app.web.entered import NOTHING, Refilled, entered
from app.web.forms import Posted, posted
from app.web.render import html

FIELDS = frozenset({"housing", "procedure", "begins", "ends", "lead", "why", "reason"})
# What these pages are made from is loaded with the first of them, and not with the first page of the site.
router = APIRouter()


@router.get("/planned")
async def planned(request: Request) -> Response:
    """Show what is planned, and to a lead the form to plan."""
    return await _list(request, NOTHING)


async def _list(request: Request, form: Refilled) -> Response:
    from app.web.views.planned import choices_for, planned_list

    site, who = site_of(request), session_of(request).who
    state = await run_in_threadpool(site.jobs.site)
    people = await run_in_threadpool(site.plans.people)
    titles = await run_in_threadpool(site.plans.procedures)
    today = site_day(utc_text(site.clock()), state.zone)
    shown = {"housing": request.query_params.get("housing", ""), "procedure": "change-out"}
    shown |= {"lead": who.id} if who.role is Role.LEAD else {}
    choices = choices_for(tuple(site.library.housings()), titles, people, form, shown)
    page = planned_list(state, choices, titles, today, may_plan=who.role is Role.LEAD, form=form)
    return html(request, "planned.html", form.status, page=page)


@router.post("/planned")
async def plan(request: Request) -> Response:
    """Plan work for a housing."""
    site, form, who = site_of(request), await posted(request), session_of(request).who
    refused = await entered(lambda: site.plans.plan(_typed(form), _crew(form), by=who), form)
    return await _list(request, refused) if refused.told else RedirectResponse("/planned", 303)


@router.get("/planned/{plan}")
async def one(request: Request, plan: str) -> Response:
    """Show one plan."""
    return await _one(request, plan)


async def _one(request: Request, plan: str, form: Refilled = NOTHING, dropping: Refilled = NOTHING) -> Response:
    from app.web.views.planned import choices_for, planned_page

    site, who = site_of(request), session_of(request).who
    state = await run_in_threadpool(site.jobs.site)
    item = plan_named(state, plan)
    people = await run_in_threadpool(site.plans.people)
    titles = await run_in_threadpool(site.plans.procedures)
    today = site_day(utc_text(site.clock()), state.zone)
    housings = tuple(site.library.housings())
    housing = next((found for found in housings if found.tag == item.housing), None)
    shown = {name: str(text) for name, text in item.intent.model_dump().items() if name in FIELDS}
    choices = choices_for(housings, titles, people, form, shown, item.intent.crew)
    page = planned_page(
        state, item, housing, choices, titles, today, may_plan=who.role is Role.LEAD, form=form, dropping=dropping
    )
    return html(request, "planned_one.html", max(form.status, dropping.status), page=page)


@router.post("/planned/{plan}/changed")
async def change(request: Request, plan: str) -> Response:
    """Change a plan, with the reason."""
    site, form, who = site_of(request), await posted(request), session_of(request).who
    refused = await entered(lambda: site.plans.change(plan, _typed(form), _crew(form), by=who), form)
    return await _one(request, plan, form=refused) if refused.told else RedirectResponse(f"/planned/{plan}", 303)


@router.post("/planned/{plan}/dropped")
async def drop(request: Request, plan: str) -> Response:
    """Drop a plan, with the reason."""
    site, form, who = site_of(request), await posted(request), session_of(request).who
    refused = await entered(lambda: site.plans.drop(plan, form.need("reason"), by=who), form)
    return await _one(request, plan, dropping=refused) if refused.told else RedirectResponse(f"/planned/{plan}", 303)


def _typed(form: Posted) -> dict[str, str]:
    for name in ("procedure", "begins", "ends", "lead", "why"):
        form.need(name)
    return {name: text for name, text in form.fields.items() if name in FIELDS}


def _crew(form: Posted) -> tuple[str, ...]:
    return tuple(name.removeprefix("crew.") for name in form.fields if name.startswith("crew."))
