"""Labels with codes: printed here, and what a tablet sees that follows one."""

from urllib.parse import quote

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from app.calc.errors import Invalid
from app.domain.housing import Housing
from app.domain.job_lines import JobLine
from app.domain.labels import same_tag
from app.domain.site import SITE_LEDGER
from app.records.labels import (
    Label,
    blank_label,
    filter_label,
    housing_labels,
    label_sheet,
    package_label,
    paper_of,
    site_address,
)
from app.records.moments import utc_text
from app.records.package_label import printed_lines
from app.services.planning import find_housing
from app.web.context import Site, session_of, site_of
from app.web.handing import download
from app.web.render import html
from app.web.views.labels import KINDS, at_component, labels_page

router = APIRouter()


@router.get("/labels")
async def labels(request: Request) -> Response:
    """Ask what labels are to be printed for, and on what."""
    asked = request.query_params
    base = f"{request.url.scheme}://{request.url.netloc}"
    page = labels_page(asked.get("kind", ""), asked.get("of", "")[:2000], base)
    return html(request, "labels.html", page=page)


@router.get("/labels.pdf")
async def labels_sheet(request: Request) -> Response:
    """Give the labels as a PDF."""
    printed = await run_in_threadpool(_printed, request)
    return download(printed, "application/pdf", "labels.pdf")


def _printed(request: Request) -> bytes:
    site, asked = site_of(request), request.query_params
    first = asked.get("first", "1").strip()
    if not (first.isascii() and first.isdigit() and len(first) < 4):
        raise Invalid(f"{first[:20]!r} is not the place of a label. Give the first free one on the sheet, from 1 on.")
    found = labels_for(site, asked.get("kind", ""), asked.get("of", "")[:2000])
    sheet = label_sheet(
        found, paper_of(asked.get("paper", "")), site=site_address(asked.get("address", "")), first=int(first)
    )
    return site.print_labels(sheet, utc_text(site.clock()))


def labels_for(site: Site, kind: str, of: str) -> tuple[Label, ...]:
    """Return the labels of what was chosen; Invalid for what is not here."""
    if kind not in KINDS:
        raise Invalid(f"{kind[:20]!r} is nothing that labels are printed for. Choose one of those shown.")
    if kind == "blank":
        return _blanks(site, of)
    if kind == "package":
        return _packages(site, of)
    tags = [tag for part in of.split(",") if (tag := part.strip())]
    if kind == "filter":
        return _filters(site, tags)
    housings = [find_housing(site.library, tag) for tag in tags] if tags else list(site.library.housings())
    return tuple(label for housing in housings for label in housing_labels(housing, points=kind == "points"))


def _filters(site: Site, lots: list[str]) -> tuple[Label, ...]:
    store = site.jobs.site().store
    if unknown := [lot for lot in lots if lot.upper() not in store.lots]:
        raise Invalid(f"There is no lot {unknown[0][:40]!r} in the store room. Choose one of those listed there.")
    good = (item for item in store.at_hand() if item.lot.serial and item.verdict != "rejected")
    found = [store.lots[lot.upper()] for lot in lots] or list(good)
    if plain := next((item.lot.id for item in found if not item.lot.serial), ""):
        raise Invalid(f"Lot {plain} is no filter. Labels of this kind are for filters, one each.")
    return tuple(filter_label(item.lot) for item in found)


def _packages(site: Site, number: str) -> tuple[Label, ...]:
    line = _numbered(site, number)
    _, state, packages = site.waste.of_job(line.job)
    serials = site.waste.serials(line.job)
    if not packages:
        raise Invalid(f"Job {line.number} has no package yet. They get their numbers as its steps make them.")
    return tuple(
        package_label(item, printed_lines(item, state.waste, serials, state.zone, generator=state.name))
        for item in packages
    )


def _numbered(site: Site, number: str) -> JobLine:
    line = site.jobs.site().jobs.numbered(number.strip().removeprefix("job-"))
    if line is None:
        raise Invalid(f"There is no job {number.strip()[:40]!r} here. Give its number, such as 2026-0001.")
    return line


def _blanks(site: Site, number: str) -> tuple[Label, ...]:
    line = _numbered(site, number)
    blanks = site.jobs.state(line.job).paper.blanks
    if not blanks:
        raise Invalid(f"Job {line.number} has no controlled blank. Print one on its page first.")
    return tuple(blank_label(line.number, line.housing, item.serial, n) for n, item in enumerate(blanks, start=1))


@router.get("/at/housing/{tag}")
async def at_housing(request: Request, tag: str) -> Response:
    """Show what a housing's label is about, held against the jobs of whoever looks."""
    return await _at(request, tag, "housing")


@router.get("/at/point/{tag}")
async def at_point(request: Request, tag: str) -> Response:
    """Show what the label of a point of isolation is about, likewise."""
    return await _at(request, tag, "point")


async def _at(request: Request, tag: str, kind: str) -> Response:
    site = site_of(request)
    jobs = await run_in_threadpool(site.jobs.in_hand)
    housings = tuple(item for item in site.library.housings() if _has(item, tag, kind))
    page = at_component(tag, kind, housings, jobs, session_of(request).who.id)
    return html(request, "at.html", 200 if housings else 404, page=page)


def _has(housing: Housing, tag: str, kind: str) -> bool:
    own = [housing.tag] if kind == "housing" else [point.tag for point in housing.points]
    return any(same_tag(tag, item) for item in own)


@router.get("/at/filter/{lot}")
async def at_filter(lot: str) -> Response:
    """Lead from the label of a filter to what is known of it."""
    return RedirectResponse(f"/stock/{quote(lot, safe='')}", status_code=303)


@router.get("/at/package/{job}/{number}")
async def at_package(job: str, number: int) -> Response:
    """Lead from the label of a package to where it is and what is open of it."""
    return RedirectResponse(
        "/" if job == SITE_LEDGER else f"/jobs/{quote(job, safe='')}/packages#package-{number}", status_code=303
    )


@router.get("/at/blank/{job}/{number}")
async def at_blank(job: str, number: int) -> Response:
    """Lead from the label of a blank to where its marks are entered."""
    return RedirectResponse("/" if job == SITE_LEDGER else f"/jobs/{job}/blanks/{number}/entry", status_code=303)
