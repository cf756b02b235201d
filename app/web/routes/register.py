"""The housing register: taken as files, sent as files, and one nameplate entered or changed."""

from urllib.parse import quote

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from app.calc.errors import Invalid
from app.domain.housing import Housing
from app.domain.procedure import Role
from app.services.planning import find_housing
from app.web.context import session_of, site_of
from app.web.entered import NOTHING, Refilled, tried
from app.web.forms import MOST_DIGITS, Posted, posted, sent_file
from app.web.handing import download
from app.web.render import html

# What these pages are made from is loaded with the first of them, and not with the first page of the site.
router = APIRouter()
PLATE_FIELDS = 120
"""Above what the form of a nameplate with all its ports has."""


@router.get("/register")
async def register(request: Request) -> Response:
    """Show what is on the register, and the ways in and out."""
    return await _register(request, NOTHING)


async def _register(request: Request, form: Refilled) -> Response:
    from app.web.views.register import register_page

    site, who = site_of(request), session_of(request).who
    housings = await run_in_threadpool(site.library.housings)
    state = await run_in_threadpool(site.jobs.site)
    page = register_page(len(housings), state, may_enter=who.role is Role.LEAD, form=form)
    return html(request, "register.html", form.status, page=page)


@router.get("/register.csv")
async def table(request: Request) -> Response:
    """Give the register as a table, with the mark that spreadsheets know UTF-8 by."""
    text = await run_in_threadpool(site_of(request).housing_register.table)
    return download(f"\ufeff{text}".encode(), "text/csv; charset=utf-8", "housing-register.csv")


@router.get("/register.zip")
async def archive(request: Request) -> Response:
    """Give the nameplates as TOML files in an archive."""
    data = await run_in_threadpool(site_of(request).housing_register.archive)
    return download(data, "application/zip", "housing-register.zip")


@router.post("/register/check")
async def check(request: Request) -> Response:
    """Say what a file would do, and write nothing."""
    from app.web.views.register import check_page

    try:
        data, fields = await sent_file(request, "file")
        kind = fields.get("kind", "")
        digest, seen, checked = await run_in_threadpool(site_of(request).housing_register.check, data, kind)
    except Invalid as fault:
        return await _register(request, Refilled(str(fault)))
    page = check_page(checked, kind, digest, seen, NOTHING)
    return html(request, "register_check.html", 422 if checked.faults else 200, page=page)


@router.post("/register/enter")
async def enter(request: Request) -> Response:
    """Enter the file that was checked, whole."""
    from app.web.views.register import check_page

    site, form, who = site_of(request), await posted(request), session_of(request).who
    digest, kind, size = form.need("digest"), form.need("kind"), form.need("seen")
    seen = int(size) if size.isascii() and size.isdigit() and len(size) < MOST_DIGITS else 0

    async def doing() -> None:
        await run_in_threadpool(site.housing_register.enter, digest, kind, form.get("why"), seen=seen, by=who)

    refused = await tried(doing, form)
    if not refused.told:
        return RedirectResponse("/register", status_code=303)
    try:
        seen, checked = await run_in_threadpool(site.housing_register.check_again, digest, kind)
    except Invalid:
        return await _register(request, refused)
    page = check_page(checked, kind, digest if checked.good else "", seen, refused)
    return html(request, "register_check.html", refused.status, page=page)


@router.get("/register/new")
async def new_plate(request: Request) -> Response:
    """Show the form of a new nameplate."""
    return await _plate(request, None, NOTHING)


@router.post("/register/new")
async def enter_plate(request: Request) -> Response:
    """Enter a new nameplate."""
    return await _entered(request, None, await posted(request, most=PLATE_FIELDS))


@router.get("/housings/{tag}/change")
async def change_form(request: Request, tag: str) -> Response:
    """Show the form of a nameplate as it is."""
    return await _plate(request, tag, NOTHING)


@router.post("/housings/{tag}/change")
async def change_plate(request: Request, tag: str) -> Response:
    """Change a nameplate."""
    return await _entered(request, tag, await posted(request, most=PLATE_FIELDS))


async def _plate(request: Request, tag: str | None, form: Refilled) -> Response:
    from app.web.views.register import plate_page

    shown, found = await run_in_threadpool(_as_it_is, request, tag) if tag is not None else ("", None)
    return html(request, "nameplate.html", form.status, page=plate_page(found, shown, form))


def _as_it_is(request: Request, tag: str) -> tuple[str, Housing]:
    """Return a housing after the digest of its text: what changes between the two is refused when it is sent."""
    site = site_of(request)
    return site.housing_register.digest(tag) or "", find_housing(site.library, tag)


async def _entered(request: Request, tag: str | None, form: Posted) -> Response:
    from app.web.views.register import typed_plate

    site, who = site_of(request), session_of(request).who
    cells, ports = typed_plate(form.fields)
    shown = form.need("shown") if tag is not None else ""
    entered: list[str] = []

    async def doing() -> None:
        made = await run_in_threadpool(
            site.housing_register.change, tag, cells, ports, form.get("why"), shown=shown, by=who
        )
        entered.append(made)

    refused = await tried(doing, form)
    if refused.told:
        return await _plate(request, tag, refused)
    return RedirectResponse(f"/housings/{quote(entered[0], safe='')}", status_code=303)
