"""The covered screen: locked after a while without a touch, unlocked by the secret of the same person.

A locked session can stop the job, send what its tablet kept, be unlocked or be switched; all else is refused.
"""

from urllib.parse import urlencode

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from app.domain.refused import Refused
from app.web.context import COOKIE, session_of, site_of
from app.web.forms import posted
from app.web.paths import inside
from app.web.render import html

router = APIRouter()
NOTHING_TO_SAY = 204


@router.get("/locked")
async def locked(request: Request) -> Response:
    """Ask for the secret; no name, no job."""
    then = inside(request.query_params.get("then", ""))
    if not session_of(request).locked:
        return RedirectResponse(then, status_code=303)
    stopped = request.query_params.get("stopped") == "yes"
    return html(request, "locked.html", then=then, stopped=stopped, told="", job=job_in(then))


@router.post("/lock")
async def lock(request: Request) -> Response:
    """Lock this session now; a tablet asks for it when it covers its screen."""
    site_of(request).sessions.lock(request.cookies.get(COOKIE))
    return Response(status_code=NOTHING_TO_SAY)


@router.post("/here")
async def here() -> Response:
    """Hear that somebody is at the tablet, typing; the guard has noted it."""
    return Response(status_code=NOTHING_TO_SAY)


@router.post("/unlock")
async def unlock(request: Request) -> Response:
    """Unlock by the secret of the same person; the next signature takes id and secret again."""
    site, session, form = site_of(request), session_of(request), await posted(request)
    if form.get("person") not in ("", session.who.id):
        raise Refused("switched", "Somebody else has signed in at this tablet meanwhile. Open the first page.")
    await run_in_threadpool(site.people.prove, session.who.id, form.need("secret"), tablet=session.tablet)
    site.sessions.unlock(request.cookies.get(COOKIE))
    if form.get("quietly") == "yes":
        return Response(status_code=NOTHING_TO_SAY)
    return RedirectResponse(inside(form.get("then")), status_code=303)


def job_in(path: str) -> str:
    """Return the ledger of the job that a path of this site lies in, if it lies in one, so that it can be stopped."""
    parts = path.split("?", maxsplit=1)[0].split("/")
    return parts[2] if len(parts) > 2 and parts[1] == "jobs" else ""


def locked_address(then: str, *, stopped: bool = False) -> str:
    """Return the address of the covered screen."""
    return "/locked?" + urlencode({"then": then, **({"stopped": "yes"} if stopped else {})})
