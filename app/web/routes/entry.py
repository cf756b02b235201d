"""Sign in and out, stop without either, own secret, colour scheme, legend, about."""

from urllib.parse import quote, unquote

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import PlainTextResponse, RedirectResponse, Response

from app.domain.commands import StopWork
from app.domain.event_base import UNSIGNED
from app.domain.procedure import Role
from app.domain.refused import Refused
from app.domain.signing import BINDING
from app.services.jobs import Asked
from app.services.tablets import tablet_of
from app.web.awaiting import done
from app.web.context import COOKIE, DEVICE_COOKIE, SCHEME_COOKIE, TABLET_COOKIE, session_of, site_of
from app.web.forms import posted
from app.web.guard import state_of_site
from app.web.paths import inside
from app.web.render import html
from app.web.routes.leaving import sheet_now
from app.web.views.alerts import secret_changes
from app.web.views.in_hand import jobs_in_hand
from app.web.views.work import pictures

router = APIRouter()
YEAR_S = 365 * 24 * 3600
UNNAMED = "unnamed tablet"


@router.get("/ready")
async def ready(request: Request) -> Response:
    """Say that the server answers, and on which line of entries it is."""
    return PlainTextResponse("ready", headers={"Changeout-Line": site_of(request).line})


@router.get("/signin")
async def signin_page(request: Request) -> Response:
    """Pick a name and enter the secret; or stop work that goes on, without either."""
    site = site_of(request)
    people = await run_in_threadpool(site.people.everyone)
    tablet = unquote(request.cookies.get(TABLET_COOKIE, ""))
    _, may_stop = await _tablet(request)
    jobs = await run_in_threadpool(site.jobs.in_hand) if may_stop else ()
    then = inside(request.query_params.get("then", ""))
    return html(request, "signin.html", people=people, tablet=tablet, jobs=jobs_in_hand(jobs), then=then)


@router.post("/stop/{job}")
async def stop_unsigned(request: Request, job: str) -> Response:
    """Stop a job from a tablet at which nobody is signed in: who cannot sign in must not be kept from it."""
    site, form = site_of(request), await posted(request)
    enrolled, may_stop = await _tablet(request)
    if not may_stop:
        raise Refused("waiting", "This tablet is not enrolled, so it cannot stop work. Stop it by voice, now.")
    tablet = enrolled or unquote(request.cookies.get(TABLET_COOKIE, ""))[:40] or UNNAMED
    asked = Asked(UNSIGNED, tablet, device_at=form.get("device_at") or None, token=form.need("token"))
    await done(site.jobs.record(job, StopWork(), asked))
    return RedirectResponse("/signin", status_code=303)


async def _tablet(request: Request) -> tuple[str | None, bool]:
    """Return the name of the enrolled tablet that asks, if it is one, and whether this site lets it sign people in.

    Once tablets are enrolled, only these do, and only from them work is stopped and read without signing in.
    """
    state = await state_of_site(site_of(request))
    enrolled = tablet_of(state, request.cookies.get(DEVICE_COOKIE))
    return enrolled, enrolled is not None or not state.tablets


@router.get("/read")
async def read_list(request: Request) -> Response:
    """List the work in hand for whoever cannot sign in or uncover a screen now: reading waits for no secret."""
    site = site_of(request)
    await _may_read(request)
    return html(request, "read.html", jobs=jobs_in_hand(await run_in_threadpool(site.jobs.in_hand)), sheet=None)


@router.get("/read/{job}")
async def read(request: Request, job: str) -> Response:
    """Show where a job in hand stands, to read and to print: what the hand-over sheet has, and nothing to enter."""
    await _may_read(request)
    _, state, sheet = await run_in_threadpool(sheet_now, request, job)
    rows = jobs_in_hand(await run_in_threadpool(site_of(request).jobs.in_hand))
    row = next((item for item in rows if item.job == job), None)
    if row is None:
        raise Refused("not_in_hand", "The record of this job has been accepted. Whoever signs in reads it.")
    return html(request, "read.html", jobs=(row,), sheet=sheet, pictures=pictures(state, ()))


async def _may_read(request: Request) -> None:
    _, may = await _tablet(request)
    if not may:
        raise Refused("waiting", "This tablet is not enrolled, so nothing is read at it without signing in. Sign in.")


@router.post("/signin")
async def signin(request: Request) -> Response:
    """Sign a person in on this tablet; whoever was signed in before is signed out."""
    site, form = site_of(request), await posted(request)
    enrolled, may_sign_in = await _tablet(request)
    tablet = enrolled or form.get("tablet").strip()[:40] or UNNAMED
    who = await run_in_threadpool(site.people.prove, form.need("person"), form.need("secret"), tablet=tablet)
    if not may_sign_in and who.role is not Role.ADMINISTRATOR:
        raise Refused("waiting", "This tablet is not enrolled. Open /enrol on it with a one-time code from a lead.")
    await run_in_threadpool(site.people.use_code, who, tablet=tablet)
    await run_in_threadpool(site.sessions.end, request.cookies.get(COOKIE))
    token = await run_in_threadpool(site.sessions.begin, who, tablet)
    answer = RedirectResponse(inside(form.get("then")), status_code=303)
    secure = site.settings.secure_cookie
    answer.set_cookie(COOKIE, token, httponly=True, samesite="strict", secure=secure)
    answer.set_cookie(TABLET_COOKIE, quote(tablet), httponly=True, samesite="strict", secure=secure, max_age=YEAR_S)
    return answer


@router.post("/signout")
async def signout(request: Request) -> Response:
    """Sign out and show the names again: switching users is two actions."""
    await run_in_threadpool(site_of(request).sessions.end, request.cookies.get(COOKIE))
    answer = RedirectResponse("/signin", status_code=303)
    answer.delete_cookie(COOKIE)
    return answer


@router.get("/secret")
async def secret_page(request: Request) -> Response:
    """Choose a secret of one's own."""
    session = session_of(request)
    state = await run_in_threadpool(site_of(request).jobs.site)
    changes = secret_changes(state, session.who.id)
    return html(request, "secret.html", must=session.must_change, changes=changes, binding=BINDING)


@router.post("/secret")
async def choose_secret(request: Request) -> Response:
    """Replace one's secret, shown once more unless a one-time code let one in; every session of the person ends.

    A new one begins.
    """
    site, session, form = site_of(request), session_of(request), await posted(request)
    words = (site.settings.site, session.who.id)
    await run_in_threadpool(
        site.people.choose_secret,
        session.who.id,
        "" if session.must_change else form.need("old"),
        form.need("new"),
        tablet=session.tablet,
        words=words,
        accepted=form.get("binds") == "yes",
    )
    await run_in_threadpool(site.sessions.end_all_of, session.who.id)
    token = await run_in_threadpool(site.sessions.begin, session.who, session.tablet)
    answer = RedirectResponse("/", status_code=303)
    answer.set_cookie(COOKIE, token, httponly=True, samesite="strict", secure=site.settings.secure_cookie)
    return answer


@router.post("/scheme")
async def scheme(request: Request) -> Response:
    """Switch between bright and dim by hand."""
    form = await posted(request)
    answer = RedirectResponse(inside(form.get("then")), status_code=303)
    answer.set_cookie(SCHEME_COOKIE, "dim" if form.get("scheme") == "dim" else "bright", samesite="strict")
    return answer


@router.get("/legend")
async def legend(request: Request) -> Response:
    """Signal words, marks and cautions."""
    return html(request, "legend.html")


@router.get("/about")
async def about(request: Request) -> Response:
    """What runs here: versions, durability, key, files that cannot be used."""
    site = site_of(request)
    return html(request, "about.html", notices=site.notices, faults=site.library.faults(), settings=site.settings)
