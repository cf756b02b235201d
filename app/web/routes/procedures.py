"""Procedures: which texts have been issued here, the approval of a new one, and its rehearsal and issue by a lead."""

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from app.domain.event_base import Who
from app.services.planning import find_housing, find_procedure
from app.web.context import Site, session_of, site_of
from app.web.entered import NOTHING, Refilled, tried
from app.web.forms import posted
from app.web.render import html
from app.web.signing import signer
from app.web.views.step import new_token

router = APIRouter()


@router.get("/procedures")
async def procedures(request: Request) -> Response:
    """List every procedure of the site with its revision, digest and whether it has been issued."""
    return await _procedures(request, NOTHING)


async def _procedures(request: Request, refilled: Refilled) -> Response:
    from app.web.views.procedures import procedures_page

    site = site_of(request)
    state = await run_in_threadpool(site.jobs.site)
    page = procedures_page(site.library, state, session_of(request), new_token())
    return html(request, "procedures.html", refilled.status, page=page, refilled=refilled)


@router.get("/procedures/{sha256}")
async def procedure_text(request: Request, sha256: str) -> Response:
    """Show a text as its file has it: whoever approves it signs over these words and no others."""
    text = await run_in_threadpool(site_of(request).library.procedure_text, sha256)
    return html(request, "procedure_text.html", heading="Text of a procedure", sha256=sha256, text=text)


@router.post("/procedures/approve")
async def approve_procedure(request: Request) -> Response:
    """Sign that exactly this text is approved, by the approver's own secret."""
    form = await posted(request)

    async def doing() -> None:
        by = await signer(request, form, session_of(request).who.id)
        named, seen, both = form.need("procedure"), form.need("seen"), request.state.both
        await run_in_threadpool(_approve, site_of(request), named, seen, both, by)

    refilled = await tried(doing, form)
    return await _procedures(request, refilled) if refilled.told else RedirectResponse("/procedures", status_code=303)


@router.post("/procedures/issue")
async def issue_procedure(request: Request) -> Response:
    """Rehearse a procedure over a housing of the site and issue it, signed in by the lead's own secret."""
    form = await posted(request)

    async def doing() -> None:
        by = await signer(request, form, session_of(request).who.id)
        await run_in_threadpool(_issue, site_of(request), form.need("procedure"), form.get("housing"), by)

    refilled = await tried(doing, form)
    return await _procedures(request, refilled) if refilled.told else RedirectResponse("/procedures", status_code=303)


def _approve(site: Site, procedure_id: str, seen: str, both: bool, by: Who) -> None:
    from app.services.issuing import approve

    shown = [item for item in site.library.procedures() if (item[0].id, item[1]) == (procedure_id, seen)]
    procedure, digest = shown[0] if shown else find_procedure(site.library, procedure_id)
    approve(site.jobs, procedure, digest, seen=seen, both=both, by=by).result()


def _issue(site: Site, procedure_id: str, tag: str, by: Who) -> None:
    from app.services.issuing import housing_for, issue

    procedure, digest = find_procedure(site.library, procedure_id)
    housing = find_housing(site.library, tag) if tag else housing_for(site.library.housings())
    issue(site.jobs, procedure, digest, housing, by=by)
