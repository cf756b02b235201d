"""Instruments, qualifications, and what is due over the whole site."""

from typing import TYPE_CHECKING

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from app.domain.procedure import Role
from app.records.moments import site_day, utc_text
from app.web.context import Site, session_of, site_of
from app.web.entered import NOTHING, Refilled, entered
from app.web.forms import passed_by, posted
from app.web.render import html
from app.web.roles import KEEPERS
from app.web.views.pages import LONGEST_SEARCH, SHOWN_AT_ONCE

if TYPE_CHECKING:
    from app.web.views.registers import DuePage

# What these pages are made from is loaded with the first of them, and not with the first page of the site.
router = APIRouter()


@router.get("/instruments")
async def instruments(request: Request) -> Response:
    """Show the register of instruments."""
    return await _instruments(request)


async def _instruments(
    request: Request,
    form: Refilled = NOTHING,
    striking: Refilled = NOTHING,
) -> Response:
    site = site_of(request)
    state = await run_in_threadpool(site.jobs.site)
    today = site_day(utc_text(site.clock()), state.zone)
    may_keep = session_of(request).who.role in KEEPERS
    from app.web.views.registers import instrument_page

    page = instrument_page(state, today, may_keep=may_keep, form=form, striking=striking)
    return html(request, "instruments.html", max(form.status, striking.status), page=page)


@router.post("/instruments")
async def keep_instrument(request: Request) -> Response:
    """Enter an instrument, or its new calibration."""
    site, form, who = site_of(request), await posted(request), session_of(request).who
    typed = {name: text for name, text in form.fields.items() if name in INSTRUMENT_FIELDS}
    refused = await entered(lambda: site.registers.keep_instrument(typed, by=who), form)
    return await _instruments(request, form=refused) if refused.told else RedirectResponse("/instruments", 303)


INSTRUMENT_FIELDS = frozenset({
    "id", "kind", "description", "calibrated_on", "due", "certificate", "floor_fraction", "full_scale", "u_pct",
    "efficiency",
})  # fmt: skip


@router.post("/instruments/aside")
async def put_aside(request: Request) -> Response:
    """Take an instrument out of use."""
    site, form, who = site_of(request), await posted(request), session_of(request).who
    refused = await entered(
        lambda: site.registers.put_aside(form.need("instrument"), form.need("reason"), by=who), form
    )
    return await _instruments(request, striking=refused) if refused.told else RedirectResponse("/instruments", 303)


@router.get("/qualifications")
async def qualifications(request: Request) -> Response:
    """Show who is qualified for what."""
    return await _qualifications(request, NOTHING)


async def _qualifications(request: Request, form: Refilled) -> Response:
    site = site_of(request)
    state, names = await run_in_threadpool(site.jobs.site), await run_in_threadpool(site.registers.names)
    today = site_day(utc_text(site.clock()), state.zone)
    may_note = session_of(request).who.role in KEEPERS
    from app.web.views.registers import qualification_page

    page = qualification_page(state, names, today, may_note=may_note, form=form)
    return html(request, "qualifications.html", form.status, page=page)


@router.post("/qualifications")
async def note_qualification(request: Request) -> Response:
    """Enter until when a person is qualified."""
    site, form, who = site_of(request), await posted(request), session_of(request).who
    refused = await entered(
        lambda: site.registers.note_qualification(form.need("person"), form.need("what"), form.need("until"), by=who),
        form,
    )
    return await _qualifications(request, refused) if refused.told else RedirectResponse("/qualifications", 303)


@router.get("/due")
async def due(request: Request) -> Response:
    """Show what is due over housings, a page at a time with the earliest day first, and over instruments and people."""
    words = " ".join(request.query_params.get("q", "").split())[:LONGEST_SEARCH]
    may_plan = session_of(request).who.role is Role.LEAD
    page = await run_in_threadpool(_due, site_of(request), words, passed_by(request), may_plan=may_plan)
    return html(request, "due.html", page=page)


def _due(site: Site, words: str, skip: int, *, may_plan: bool) -> "DuePage":
    from app.web.views.registers import due_page

    part, state = site.due.part(words, skip=skip, count=SHOWN_AT_ONCE), site.jobs.site()
    today = site_day(utc_text(site.clock()), state.zone)
    return due_page(
        part, words, state, site.registers.names(), today, many=len(site.library.housings()), may_plan=may_plan
    )
