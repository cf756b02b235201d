"""Planned work and its readiness: the list, one plan, one item, what is said of each and who agrees."""

import asyncio
from collections.abc import Mapping

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from app.calc.errors import Invalid
from app.domain.event_base import Who
from app.domain.housing import Housing
from app.domain.planned import Planned
from app.domain.procedure import Procedure, Role
from app.domain.scheduling import plan_named
from app.domain.site import SITE_LEDGER, SiteState
from app.records.moments import local_text, site_day, utc_text
from app.web.context import Site, session_of, site_of
from app.web.entered import NOTHING, Refilled, entered, tried
from app.web.forms import Posted, posted
from app.web.handing import download
from app.web.render import html
from app.web.signing import signer

FIELDS = frozenset({"housing", "procedure", "begins", "ends", "lead", "why", "reason"})
MOST_WHY = 200
CALENDAR = "text/calendar; charset=utf-8; method=PUBLISH"
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
    asked = request.query_params
    shown = {"housing": asked.get("housing", ""), "procedure": "change-out", "why": asked.get("why", "")[:MOST_WHY]}
    shown |= {"lead": who.id} if who.role is Role.LEAD else {}
    choices = choices_for(site.library.housings(), titles, people, form, shown)
    page = await run_in_threadpool(
        lambda: planned_list(
            state, site.library.housing, choices, titles, today, may_plan=who.role is Role.LEAD, form=form
        )
    )
    return html(request, "planned.html", form.status, page=page)


@router.post("/planned")
async def plan(request: Request) -> Response:
    """Plan work for a housing."""
    site, form, who = site_of(request), await posted(request), session_of(request).who
    refused = await entered(lambda: site.plans.plan(_typed(form), _crew(form), by=who), form)
    return await _list(request, refused) if refused.told else RedirectResponse("/planned", 303)


@router.get("/planned/calendar/{person}.ics")
async def calendar_of_person(request: Request, person: str) -> Response:
    """Give the planned work of a person as a calendar file."""
    return download(await run_in_threadpool(_calendar, site_of(request), person, ""), CALENDAR, f"{person}.ics")


@router.get("/planned/calendar/housing/{tag}.ics")
async def calendar_of_housing(request: Request, tag: str) -> Response:
    """Give the planned work of a housing as a calendar file."""
    return download(await run_in_threadpool(_calendar, site_of(request), "", tag), CALENDAR, f"{tag}.ics")


def _calendar(site: Site, person: str, tag: str) -> bytes:
    from app.records.calendar import by_tag, calendar, of_housing, of_person

    state, titles = site.jobs.site(), site.plans.procedures()
    housings = site.library.made_of(by_tag)
    if (person and person not in state.watch.accounts) or (tag and tag not in housings):
        raise Invalid(f"There is nobody and no housing {(person or tag)[:40]!r} here. Choose one of those shown.")
    name = state.watch.name(person) if person else tag
    plans = of_person(state, person) if person else of_housing(state, tag)
    return calendar(
        state, plans, housings, titles, name=f"{name}, {state.name}", key_id=site.signer.key_id, person=person
    )


@router.get("/planned/{plan}")
async def one(request: Request, plan: str) -> Response:
    """Show one plan."""
    return await _one(request, plan)


async def _one(
    request: Request, plan: str, form: Refilled = NOTHING, dropping: Refilled = NOTHING, agreeing: Refilled = NOTHING
) -> Response:
    from app.domain.signing import READY
    from app.records.readiness import readiness_words
    from app.web.views.planned import choices_for, planned_page

    site, who = site_of(request), session_of(request).who
    state = await run_in_threadpool(site.jobs.site)
    item = plan_named(state, plan)
    people = await run_in_threadpool(site.plans.people)
    titles = await run_in_threadpool(site.plans.procedures)
    today = site_day(utc_text(site.clock()), state.zone)
    housing = await run_in_threadpool(site.library.housing, item.housing)
    shown = {name: str(text) for name, text in item.intent.model_dump().items() if name in FIELDS}
    choices = choices_for((), titles, people, form, shown, item.intent.crew)
    page = planned_page(
        state, item, housing, choices, titles, today, may_plan=who.role is Role.LEAD, form=form, dropping=dropping
    )
    ready, kit = None, ""
    due: tuple[str, ...] = ()
    if housing is not None:
        due = await run_in_threadpool(_due, site, item, housing) if item.waits else ()
        kit = await run_in_threadpool(_kit, site, state, item) if item.waits else ""
        text = await run_in_threadpool(site.plans.procedure, plan)
        gaps = _gaps(state, item, people, housing, text) if item.waits else ()
        ready = readiness_words(state, item, housing.service, today, gaps)
    return html(
        request, "planned_one.html", max(form.status, dropping.status, agreeing.status), page=page, ready=ready,
        may_sign=ready is not None and who.role in ready.to_sign, meaning=READY, agreeing=agreeing, kit_told=kit,
        due=due, local_now=local_text(utc_text(site.clock()), state.zone),
    )  # fmt: skip


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


@router.get("/planned/{plan}/sheet.pdf")
async def sheet(request: Request, plan: str) -> Response:
    """Give the readiness of a plan as a sheet to print."""
    return download(await run_in_threadpool(_sheet, site_of(request), plan), "application/pdf", f"{plan}.pdf")


def _due(site: Site, item: Planned, housing: Housing) -> tuple[str, ...]:
    """Say what is due at a plan's housing and is not covered by it."""
    from app.domain.steps import expand
    from app.records.due_planned import not_covered, settled_by
    from app.services.planning import find_procedure

    found = site.due.of(housing)
    try:
        steps = expand(find_procedure(site.library, item.procedure)[0], housing)
    except Invalid:  # the kit's line says what is wrong with the procedure
        return ()
    return () if found is None else not_covered(found, item, settled_by(steps))


def _kit(site: Site, state: SiteState, item: Planned) -> str:
    """Say what a plan's kit is short of, the store room taken for it alone."""
    from app.domain.picking import picked
    from app.records.readiness import kit_words
    from app.records.veil import veiled_store
    from app.services.kits import work_of

    today = site_day(utc_text(site.clock()), state.zone)
    work = work_of(item.plan, state, (), site.library, today)
    if work.wanted is None:
        return f"not known. {work.fault}"
    return kit_words(picked([work.wanted], veiled_store(state, site.jobs.state), today=today).lines)


def _gaps(
    state: SiteState, plan: Planned, people: Mapping[str, Who], housing: Housing | None, text: Procedure | None
) -> tuple[str, ...]:
    """Say what crew and housing lack for planned work, as far as registers and settings know."""
    from app.domain.readying import lacks
    from app.records.wording import limit_gaps

    limits = limit_gaps(housing, state, text) if housing is not None else ()
    return (*lacks(state, plan, people, text.needs if text else ()), *limits)


def _sheet(site: Site, plan: str) -> bytes:
    from app.records.readiness import readiness_words, sheet_of, survey_words
    from app.web.views.planned import facts_of

    state, made_at = site.jobs.site(), utc_text(site.clock())
    item, service = plan_named(state, plan), site.plans.service(plan)
    housing, text = site.library.housing(item.housing), site.plans.procedure(plan)
    gaps = _gaps(state, item, site.plans.people(), housing, text) if item.waits else ()
    words = readiness_words(state, item, service, site_day(made_at, state.zone), gaps)
    facts = [list(pair) for pair in facts_of(state, item, site.plans.procedures())]
    facts += [["Survey", f"{told} It is decided on the register."] for told in survey_words(state, item)]
    facts += [["Kit", _kit(site, state, item)]] if item.waits else []
    head = site.jobs.head_at(SITE_LEDGER, state.size)
    return site.print_readiness(sheet_of(state, item, words, facts, head, made_at=made_at), made_at)


@router.get("/planned/{plan}/{item}")
async def item_page(request: Request, plan: str, item: str) -> Response:
    """Show one item of a plan's readiness, with what it asks."""
    return await _item(request, plan, item)


async def _item(request: Request, plan: str, item: str, **refused: Refilled) -> Response:
    from app.domain.readying import item_named
    from app.web.views.readiness import item_view

    site, who = site_of(request), session_of(request).who
    state = await run_in_threadpool(site.jobs.site)
    service = await run_in_threadpool(site.plans.service, plan)
    people = await run_in_threadpool(site.plans.people)
    needs = await run_in_threadpool(site.plans.needs, plan)
    today = site_day(utc_text(site.clock()), state.zone)
    known = plan_named(state, plan)
    page = item_view(state, known, item_named(item, service), service, people, needs, today, who, refused)
    return html(request, "planned_item.html", max((item.status for item in refused.values()), default=200), page=page)


@router.post("/planned/{plan}/{item}/answered")
async def answer(request: Request, plan: str, item: str) -> Response:
    """Answer an item."""
    site, form, who = site_of(request), await posted(request), session_of(request).who
    refused = await entered(lambda: site.plans.answer(plan, item, dict(form.answers), by=who), form)
    return await _said(request, plan, item, answering=refused)


@router.post("/planned/{plan}/{item}/not-needed")
async def not_needed(request: Request, plan: str, item: str) -> Response:
    """Say why an item is not needed."""
    site, form, who = site_of(request), await posted(request), session_of(request).who
    refused = await entered(lambda: site.plans.not_needed(plan, item, form.need("reason"), by=who), form)
    return await _said(request, plan, item, leaving=refused)


@router.post("/planned/{plan}/{item}/open")
async def open_again(request: Request, plan: str, item: str) -> Response:
    """Open an item again."""
    site, form, who = site_of(request), await posted(request), session_of(request).who
    refused = await entered(lambda: site.plans.open_again(plan, item, form.need("reason"), by=who), form)
    return await _said(request, plan, item, opening=refused)


@router.post("/planned/{plan}/{item}/owed")
async def owe(request: Request, plan: str, item: str) -> Response:
    """Name who owes an item and by which day."""
    site, form, who = site_of(request), await posted(request), session_of(request).who
    refused = await entered(lambda: site.plans.owe(plan, item, form.need("person"), form.need("until"), by=who), form)
    return await _said(request, plan, item, owing=refused)


async def _said(request: Request, plan: str, item: str, **refused: Refilled) -> Response:
    if any(form.told for form in refused.values()):
        return await _item(request, plan, item, **refused)
    return RedirectResponse(f"/planned/{plan}#{item}", 303)


@router.post("/planned/{plan}/agreed")
async def agree(request: Request, plan: str) -> Response:
    """Sign that the work is ready."""
    site, form = site_of(request), await posted(request)

    async def doing() -> None:
        by = await signer(request, form, session_of(request).who.id)
        both = request.state.both
        await asyncio.wrap_future(
            await run_in_threadpool(lambda: site.plans.agree(plan, form.need("seen"), both=both, by=by))
        )

    refused = await tried(doing, form)
    return await _one(request, plan, agreeing=refused) if refused.told else RedirectResponse(f"/planned/{plan}", 303)
