"""A housing's history: its trends, the readings between jobs, and everything that happened."""

from dataclasses import replace
from typing import TYPE_CHECKING

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from app.domain.job import JobState
from app.domain.job_lines import JobLine
from app.domain.procedure import Role
from app.domain.registers import bank_of
from app.domain.site import SITE_LEDGER
from app.domain.told import told_of
from app.records.moments import site_day, utc_text
from app.records.veil import veiled
from app.services.planning import find_housing
from app.web.context import Site, session_of, site_of
from app.web.entered import NOTHING, Refilled, entered
from app.web.forms import count_in, posted
from app.web.handing import download
from app.web.render import html

if TYPE_CHECKING:
    from app.records.drops import Known
    from app.web.views.locks import LockListPage
    from app.web.views.registers import HistoryPage

# What these pages are made from is loaded with the first of them, and not with the first page of the site.
router = APIRouter(prefix="/housings/{tag}")
TOLD_AT_ONCE = 8
"""So much of what happened at a housing is on one page (our figure)."""
READING_FIELDS = frozenset({"bank", "on", "drop_pa", "flow_m3_h", "temp_c", "instrument", "note"})


def known_of(site: Site, tag: str) -> "Known":
    """Return what the site knows of a housing without reading a job that ended; Invalid if there is none with this tag.

    What a verification is to find unseen is left out for everybody: it is shown and drawn, and printed.
    """
    from app.records.drops import Known

    state, housing = site.jobs.site(), find_housing(site.library, tag)
    lines = state.jobs.of_housing(tag)
    working = {line.job: _seen(site, line) for line in lines if state.jobs.is_in_hand(line.job)}
    told = ((line, told_of(working[line.job]) if line.job in working else site.jobs.told(line)) for line in lines)
    return Known(housing, tuple((line, working[line.job]) for line in lines if line.job in working), state, tuple(told))


def _with_all_jobs(site: Site, tag: str) -> "Known":
    """Return the same with the state of every job, for what tells of all of them."""
    known = known_of(site, tag)
    known = replace(known, jobs=tuple((line, _seen(site, line)) for line in known.lines), told=None)
    return replace(known, told=tuple((line, told_of(state)) for line, state in known.real_jobs))


def _seen(site: Site, line: JobLine) -> JobState:
    return veiled(site.jobs.state(line.job), on_paper=True)


@router.get("/history")
async def history(request: Request, tag: str) -> Response:
    """Show the trends, the readings and the story of a housing."""
    return await _history(request, tag)


async def _history(
    request: Request,
    tag: str,
    form: Refilled = NOTHING,
    striking: Refilled = NOTHING,
) -> Response:
    page = await run_in_threadpool(_page, request, tag, form, striking)
    return html(request, "history.html", max(form.status, striking.status), page=page)


def _page(request: Request, tag: str, form: Refilled, striking: Refilled) -> "HistoryPage":
    from app.records.housing_story import story_part
    from app.web.views.registers import history_page

    site = site_of(request)
    known = known_of(site, tag)
    until = request.query_params.get("until", "")
    part = story_part(known, lambda line: _seen(site, line), until=until, count=TOLD_AT_ONCE)
    today = site_day(utc_text(site.clock()), known.site.zone)
    may_strike = session_of(request).who.role is Role.LEAD
    ago = _ago(request)
    earlier = {bank_of(known.housing, request.query_params.get("bank", "")): ago} if ago else {}
    return history_page(
        known, part, today, earlier, newest=not until, may_strike=may_strike, form=form, striking=striking
    )


def _ago(request: Request) -> int:
    """Return of how many changes ago the filters are that are asked for; 0 for those in place and for no count."""
    return count_in(request, "before")


@router.get("/{bank}/trend.svg")
async def trend(request: Request, tag: str, bank: str) -> Response:
    """Give the drawing of a bank's trend."""
    drawn = await run_in_threadpool(_drawing, site_of(request), tag, bank, _ago(request))
    return Response(drawn, media_type="image/svg+xml")


def _drawing(site: Site, tag: str, name: str, before: int) -> bytes:
    from app.records.housing_sheet import drawing_of

    known = known_of(site, tag)
    return drawing_of(known, bank_of(known.housing, name), before)


@router.get("/history.pdf")
async def history_sheet(request: Request, tag: str) -> Response:
    """Give the history as a sheet to print."""
    printed = await run_in_threadpool(_sheet, site_of(request), tag)
    return download(printed, "application/pdf", f"{tag}-history.pdf")


def _sheet(site: Site, tag: str) -> bytes:
    from app.records.housing_sheet import drawings_of, sheet_of

    known, made_at = _with_all_jobs(site, tag), utc_text(site.clock())
    sizes = {SITE_LEDGER: known.site.size} | {line.job: state.size for line, state in known.real_jobs}
    heads = {ledger: site.jobs.head_at(ledger, size) for ledger, size in sizes.items()}
    sheet = sheet_of(known, heads, today=site_day(made_at, known.site.zone), made_at=made_at)
    return site.print_housing(sheet, drawings_of(known), made_at)


@router.get("/locks")
async def locks(request: Request, tag: str) -> Response:
    """List who put which lock on which point of a housing in a year, when, and when it came off."""
    return html(request, "locks_list.html", page=await run_in_threadpool(_locks, request, tag))


@router.get("/locks.csv")
async def locks_csv(request: Request, tag: str) -> Response:
    """Give the same as a table."""
    from app.records.locks import LOCK_COLUMNS
    from app.records.table import csv_of

    page = await run_in_threadpool(_locks, request, tag)
    return download(csv_of((LOCK_COLUMNS, *page.rows)), "text/csv; charset=utf-8", f"{tag}-locks-{page.year}.csv")


def _locks(request: Request, tag: str) -> "LockListPage":
    from app.web.views.locks import lock_list_page

    site = site_of(request)
    housing, today = find_housing(site.library, tag), site_day(utc_text(site.clock()), site.jobs.site().zone)
    jobs = ((line, veiled(state, on_paper=True)) for line, state in reversed(site.jobs.of_housing(tag)))
    real = [(line.number, state) for line, state in jobs if state.opened and not state.opened.rehearsal]
    return lock_list_page(housing.tag, count_in(request, "year") or today.year, today.year, real)


@router.post("/readings")
async def take_reading(request: Request, tag: str) -> Response:
    """Enter a pressure drop that was read."""
    site, form, who = site_of(request), await posted(request), session_of(request).who
    typed = {name: text for name, text in form.fields.items() if name in READING_FIELDS}
    refused = await entered(lambda: site.registers.take_reading(tag, typed, by=who), form)
    return await _history(request, tag, form=refused) if refused.told else _back(tag)


@router.post("/struck")
async def strike_reading(request: Request, tag: str) -> Response:
    """Strike a reading, with the reason."""
    site, form, who = site_of(request), await posted(request), session_of(request).who
    refused = await entered(
        lambda: site.registers.strike_reading(tag, form.need("entry"), form.need("reason"), by=who), form
    )
    return await _history(request, tag, striking=refused) if refused.told else _back(tag)


def _back(tag: str) -> Response:
    return RedirectResponse(f"/housings/{tag}/history", status_code=303)
