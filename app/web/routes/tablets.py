"""Tablets: enrolled by a one-time code, listed, shut out."""

from urllib.parse import quote, unquote

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from app.web.context import DEVICE_COOKIE, TABLET_COOKIE, session_of, site_of
from app.web.forms import posted
from app.web.render import html

router = APIRouter()
YEAR_S = 365 * 24 * 3600


@router.get("/tablets")
async def tablets(request: Request) -> Response:
    """List the tablets that are let in."""
    return await _page(request)


async def _page(request: Request, code: str = "") -> Response:
    state = await run_in_threadpool(site_of(request).jobs.site)
    here = await run_in_threadpool(site_of(request).tablets.named, request.cookies.get(DEVICE_COOKIE))
    return html(request, "tablets.html", tablets=sorted(state.tablets), code=code, here=here)


@router.post("/tablets")
async def invite(request: Request) -> Response:
    """Show a one-time code, this once."""
    await posted(request)
    return await _page(request, site_of(request).tablets.invite(by=session_of(request).who))


@router.post("/tablets/revoke")
async def revoke(request: Request) -> Response:
    """Shut a tablet out, with every session on it, within this request."""
    site, form = site_of(request), await posted(request)
    name = form.need("tablet")
    revoked = site.tablets.revoke(name, form.need("reason"), by=session_of(request).who)
    await run_in_threadpool(revoked.result)
    await run_in_threadpool(site.sessions.end_all_at, name)
    return RedirectResponse("/tablets", status_code=303)


@router.get("/enrol")
async def enrol_page(request: Request) -> Response:
    """Ask this tablet for a code."""
    return html(request, "enrol.html", tablet=unquote(request.cookies.get(TABLET_COOKIE, "")))


@router.post("/enrol")
async def enrol(request: Request) -> Response:
    """Let this tablet in; from here on it carries a key of its own, which no script can read."""
    site, form = site_of(request), await posted(request)
    name = " ".join(form.need("tablet").split())
    key = await run_in_threadpool(site.tablets.enrol, form.need("code"), name)
    answer = RedirectResponse("/signin", status_code=303)
    secure = site.settings.secure_cookie
    for cookie, value in ((DEVICE_COOKIE, key), (TABLET_COOKIE, quote(name))):
        answer.set_cookie(cookie, value, httponly=True, samesite="strict", secure=secure, max_age=YEAR_S)
    return answer
