"""After the jobs: suggestions from what they taught, and figures over a year."""

from typing import TYPE_CHECKING

from fastapi import APIRouter, Request
from starlette.background import BackgroundTask
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from app.calc.errors import Invalid
from app.records.moments import site_day, utc_text
from app.web.context import Site, session_of, site_of
from app.web.entered import NOTHING, Refilled, entered
from app.web.forms import Posted, passed_by, posted
from app.web.handing import download
from app.web.render import html

if TYPE_CHECKING:
    from app.web.views.after import FiguresPage

# What these pages are made from is loaded with the first of them, and not with the first page of the site.
router = APIRouter()
READ_BEHIND = 300
"""Records that are read behind one page of figures (our figure): some ten seconds of one core."""


AT_ONCE = 50
"""Records that are read for the page of one year while somebody waits (our figure); more are read behind it."""


@router.get("/suggestions")
async def suggestions(request: Request) -> Response:
    """Show the changes that were suggested and what became of them."""
    return await _suggestions(request, NOTHING)


async def _suggestions(request: Request, form: Refilled) -> Response:
    from app.web.views.after import suggestions_page

    state = await run_in_threadpool(site_of(request).jobs.site)
    page = suggestions_page(state, session_of(request), form, skip=passed_by(request))
    return html(request, "suggestions.html", form.status, page=page)


@router.post("/suggestions")
async def suggest(request: Request) -> Response:
    """Enter a suggestion, from the deviation of a job or without one."""
    site, form, who = site_of(request), await posted(request), session_of(request).who
    job = form.get("job")
    refused = await entered(
        lambda: site.registers.suggest(
            form.need("about"), form.need("what"), form.need("text"), by=who, job=job,
            entry=_number(form, "entry") if job else -1,
        ),
        form,
    )  # fmt: skip
    return await _suggestions(request, refused) if refused.told else RedirectResponse("/suggestions", 303)


@router.post("/suggestions/answer")
async def answer(request: Request) -> Response:
    """Accept or decline a suggestion."""
    site, form, who = site_of(request), await posted(request), session_of(request).who
    refused = await entered(
        lambda: site.registers.answer_suggestion(
            _number(form, "suggestion"), form.need("answer"), form.need("reason"), by=who
        ),
        form,
    )
    return await _suggestions(request, refused) if refused.told else RedirectResponse("/suggestions", 303)


@router.post("/suggestions/done")
async def carried_out(request: Request) -> Response:
    """Say how an accepted suggestion was carried out."""
    site, form, who = site_of(request), await posted(request), session_of(request).who
    refused = await entered(
        lambda: site.registers.carry_out(_number(form, "suggestion"), form.need("how"), by=who), form
    )
    return await _suggestions(request, refused) if refused.told else RedirectResponse("/suggestions", 303)


def _number(form: Posted, name: str) -> int:
    text = form.need(name)
    if not (text.isascii() and text.isdigit() and len(text) < 10):
        raise Invalid(f"{text[:20]!r} is not the number of an entry. Choose one of those shown.")
    return int(text)


@router.get("/figures")
async def figures(request: Request) -> Response:
    """Show the figures of a year as tables with bars."""
    site = site_of(request)
    page = await run_in_threadpool(_figures, site, request.query_params.get("year", ""))
    answer = html(request, "figures.html", page=page)
    if page.waiting:
        answer.background = BackgroundTask(site.figures.read, (page.year,), READ_BEHIND)
    return answer


def _figures(site: Site, asked: str) -> "FiguresPage":
    from app.web.views.after import figures_page

    years, this = site.figures.years(), site_day(utc_text(site.clock()), site.jobs.site().zone).year
    year = int(asked) if asked.isascii() and asked.isdigit() and len(asked) == 4 else next(iter(years), this)
    unread, of = site.figures.unread(year)
    if unread > AT_ONCE:
        return figures_page(year, years, (), waiting=(of - unread, of))
    found, jobs, left_out = site.figures.of_year(year)
    return figures_page(year, years, found, jobs=jobs, left_out=left_out)


@router.get("/figures/years")
async def years_beside(request: Request) -> Response:
    """Show the same figures of several years beside each other; years not read yet are read once this has gone out."""
    from app.web.views.after import MOST_BESIDE, beside_page

    figures = site_of(request).figures
    found = await run_in_threadpool(figures.at_hand, MOST_BESIDE)
    answer = html(request, "figures_years.html", page=beside_page(found))
    if found.waiting:
        answer.background = BackgroundTask(figures.read, tuple(found.waiting), READ_BEHIND)
    return answer


@router.get("/figures/years.csv")
async def years_csv(request: Request) -> Response:
    """Give the same as a table, once all of it is read."""
    from app.records.figures import figures_table
    from app.records.table import csv_of
    from app.web.views.after import MOST_BESIDE

    found = await run_in_threadpool(site_of(request).figures.at_hand, MOST_BESIDE)
    for year, (read, of) in found.waiting.items():
        raise Invalid(
            f"{read} of {of} records of {year} have been read so far. Load “Years beside each other” until all are."
        )
    table = figures_table({year: figures for year, (figures, _, _) in found.found.items()})
    return download(csv_of(table), "text/csv; charset=utf-8", "figures.csv")
