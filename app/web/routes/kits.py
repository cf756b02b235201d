"""From take-off to pick list: for one job or for a planned outage of many, on screen, on paper, as tables; kits."""

from datetime import date
from typing import TYPE_CHECKING
from urllib.parse import urlencode

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from app.calc.errors import Invalid
from app.domain.site import SITE_LEDGER, SiteState
from app.records.moments import site_day, utc_text
from app.records.veil import veiled_store
from app.web.context import Site, session_of, site_of
from app.web.entered import NOTHING, Refilled, entered
from app.web.forms import LIST_FIELDS, Posted, posted
from app.web.handing import download
from app.web.render import html

if TYPE_CHECKING:
    from app.services.kits import Work
    from app.web.views.kits import KitPage, Lists, PickingPage

# What these pages are made from is loaded with the first of them, and not with the first page of the site.
router = APIRouter()
CSV = "text/csv; charset=utf-8"
LOT, BACK, TOOK = "lot.", "back.", "took"


@router.get("/picking")
async def picking(request: Request) -> Response:
    """Show what to take and what to order, for the works chosen, or for all that wait."""
    return html(request, "picking.html", page=await run_in_threadpool(_picking, request))


def _picking(request: Request) -> "PickingPage":
    from app.services.kits import chosen_of
    from app.web.views.kits import picking_page

    site, keys = site_of(request), request.query_params.getlist("of")
    state = site.jobs.site()
    today = site_day(utc_text(site.clock()), state.zone)
    found = _waiting(site, state, today)
    chosen = chosen_of(found, keys)
    query = "&".join(f"of={work.key}" for work in chosen) if keys else ""
    return picking_page(found, chosen, veiled_store(state, site.jobs.state), today, f"?{query}" if query else "")


def _waiting(site: Site, state: SiteState, today: date) -> "tuple[Work, ...]":
    from app.services.kits import works

    jobs = [(line, site.jobs.state(line.job)) for line in state.jobs.in_hand()]
    return works(state, jobs, site.library, today)


def _lists(request: Request) -> "Lists":
    return _picking(request).lists


@router.get("/picking/lists.pdf")
async def lists_pdf(request: Request) -> Response:
    """Give both lists as sheets to print."""
    return download(await run_in_threadpool(_printed, request), "application/pdf", "pick-list.pdf")


def _printed(request: Request) -> bytes:
    from app.records.pick_sheet import sheet_value

    site, lists, made_at = site_of(request), _lists(request), utc_text(site_of(request).clock())
    state = site.jobs.site()
    head = site.jobs.head_at(SITE_LEDGER, state.size)
    value = sheet_value(lists.parts, lists.orders, lists.faults, head, zone=state.zone, made_at=made_at)
    return site.print_lists(value, made_at)


@router.get("/picking/pick-list.csv")
async def pick_csv(request: Request) -> Response:
    """Give the pick list as a table."""
    from app.records.pick_sheet import pick_table
    from app.records.table import csv_of

    lists = await run_in_threadpool(_lists, request)
    return download(csv_of(pick_table(lists.parts)), CSV, "pick-list.csv")


@router.get("/picking/order-list.csv")
async def order_csv(request: Request) -> Response:
    """Give the order list as a table."""
    from app.records.pick_sheet import order_table
    from app.records.table import csv_of

    lists = await run_in_threadpool(_lists, request)
    return download(csv_of(order_table(lists.orders)), CSV, "order-list.csv")


@router.get("/kits/{work}")
async def kit(request: Request, work: str) -> Response:
    """Show what one work needs, what is staged for it, and what is to be said when it is over."""
    return await _kit(request, work)


async def _kit(request: Request, work: str, form: Refilled = NOTHING, settling: Refilled = NOTHING) -> Response:
    page = await run_in_threadpool(_kit_page, request, work, form, settling)
    doubts = await run_in_threadpool(_doubts, site_of(request), work)
    return html(request, "kit.html", max(form.status, settling.status), page=page, doubts=doubts)


def _doubts(site: Site, work: str) -> tuple[str, ...]:
    from app.records.readiness import survey_words

    state = site.jobs.site()
    plan = state.planned.get(work)
    return survey_words(state, plan) if plan is not None else ()


def _kit_page(request: Request, key: str, form: Refilled, settling: Refilled) -> "KitPage":
    from app.domain.picking import used_of
    from app.services.store_room import is_over
    from app.web.views.kits import kit_page

    site = site_of(request)
    state = site.jobs.site()
    today = site_day(utc_text(site.clock()), state.zone)
    job = site.jobs.state(key) if state.jobs.get(key) is not None else None
    took = [(lot, other) for lot, _, other in (text.partition(":") for text in request.query_params.getlist(TOOK))]
    return kit_page(
        _work(site, state, key, today), _waiting(site, state, today), veiled_store(state, site.jobs.state), today,
        used=used_of(job) if job else {}, may_stage=not is_over(state, key),
        finished=job is not None and job.due is None, took=took, form=form, settling=settling,
    )  # fmt: skip


def _work(site: Site, state: SiteState, key: str, today: date) -> "Work":
    from app.services.kits import work_of

    line = state.jobs.get(key)
    return work_of(key, state, [(line, site.jobs.state(key))] if line is not None else [], site.library, today)


@router.post("/kits/{work}/staged")
async def stage(request: Request, work: str) -> Response:
    """Put lots aside for a work; the page says which of them were dealt to other work."""
    site, form, who = site_of(request), await posted(request, most=LIST_FIELDS), session_of(request).who
    before = await run_in_threadpool(site.jobs.site)
    refused = await entered(lambda: site.store_room.stage(work, _lines(form), by=who), form)
    if refused.told:
        return await _kit(request, work, form=refused)
    took = urlencode(await run_in_threadpool(_took, site, before, work, _lines(form)))
    return RedirectResponse(f"/kits/{work}{'?' if took else ''}{took}", 303)


def _took(site: Site, before: SiteState, key: str, lines: dict[str, str]) -> list[tuple[str, str]]:
    """Return, as part of an address, what was dealt to other work before it was staged."""
    from app.domain.picking import taken_from_others
    from app.domain.storing import count_from
    from app.services.kits import dealt

    today, store = site_day(utc_text(site.clock()), before.zone), veiled_store(before, site.jobs.state)
    found = dealt(_waiting(site, before, today), _work(site, before, key, today), store, today)
    counts = {lot: count_from(text, lot) for lot, text in lines.items() if text.strip() and lot in store.lots}
    return [(TOOK, f"{lot}:{other}") for lot, other in taken_from_others(found, store, key, counts)]


def _lines(form: Posted) -> dict[str, str]:
    """Return the counts typed, by lot, with another lot's; Invalid where that says too little or too much."""
    lines = {name.removeprefix(LOT): text for name, text in form.fields.items() if name.startswith(LOT)}
    other, count = form.get("other").strip().upper(), form.get("other_count").strip()
    if count and not other:
        raise Invalid(f"{count[:20]!r} was given as the count of another lot, and no lot. Give its number too.")
    if not other:
        return lines
    if not count:
        raise Invalid(f"Lot {other[:24]} was given as another lot, without how many of it. Give the count too.")
    if lines.get(other, "").strip():
        raise Invalid(f"Lot {other} has a count in the list and another below it. Give one of the two.")
    return lines | {other: count}


@router.post("/kits/{work}/settled")
async def settle(request: Request, work: str) -> Response:
    """Account for a kit."""
    site, form, who = site_of(request), await posted(request, most=LIST_FIELDS), session_of(request).who
    back = {name.removeprefix(BACK): text for name, text in form.fields.items() if name.startswith(BACK)}
    refused = await entered(lambda: site.store_room.settle(work, back, form.need("explained"), by=who), form)
    return await _kit(request, work, settling=refused) if refused.told else RedirectResponse(f"/kits/{work}", 303)
