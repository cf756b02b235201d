"""People: added, given one-time codes, ended.  Administrators do this and never touch a job's content."""

from functools import partial

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from app.calc.errors import Invalid
from app.domain.procedure import Role
from app.web.context import session_of, site_of
from app.web.entered import NOTHING, Refilled, tried
from app.web.forms import posted
from app.web.render import html
from app.web.routes.watch import access_shown

router = APIRouter()


@router.get("/people")
async def people(request: Request) -> Response:
    """List everybody who may sign in."""
    return await _page(request)


async def _page(request: Request, code: str = "", of: str = "", refilled: Refilled = NOTHING) -> Response:
    everyone = await run_in_threadpool(site_of(request).people.everyone)
    return html(
        request, "people.html", refilled.status, people=everyone, roles=tuple(Role), code=code, of=of, refilled=refilled
    )


@router.post("/people")
async def add(request: Request) -> Response:
    """Add a person and show the one-time code, this once."""
    site, form = site_of(request), await posted(request)
    added: list[tuple[str, str]] = []

    async def doing() -> None:
        role, name = form.need("role"), form.need("name")
        if role not in tuple(Role):
            raise Invalid(f"{role!r} is not a role. Choose one of those shown.")
        identity = form.need("identity")
        for text in (name, identity):
            if told := site.unprintable(text):
                raise Invalid(told)
        by = session_of(request).who
        person, code = await run_in_threadpool(partial(site.people.add, name, Role(role), by=by, identity=identity))
        added.append((code, person.name))

    refilled = await tried(doing, form)
    return await _page(request, refilled=refilled) if refilled.told else await _page(request, *added[0])


@router.post("/people/role")
async def give_role(request: Request) -> Response:
    """Give a person another role from here on; all their sessions end, so that none goes on in the old one."""
    site, form = site_of(request), await posted(request)

    async def doing() -> None:
        person, reason = form.need("person"), form.need("reason")
        if told := site.unprintable(reason):
            raise Invalid(told)
        by = session_of(request).who
        await run_in_threadpool(partial(site.people.give_role, person, form.need("role"), reason, by=by))
        await run_in_threadpool(site.sessions.end_all_of, person)

    refilled = await tried(doing, form)
    return await _page(request, refilled=refilled) if refilled.told else RedirectResponse("/people", status_code=303)


@router.post("/people/{person}/wait")
async def lift_wait(request: Request, person: str) -> Response:
    """End the wait that wrong secrets brought a person, by a lead."""
    site, form = site_of(request), await posted(request)

    async def doing() -> None:
        reason = form.need("reason")
        if told := site.unprintable(reason):
            raise Invalid(told)
        await run_in_threadpool(partial(site.people.lift_wait, person, reason, by=session_of(request).who))

    refilled = await tried(doing, form)
    return await access_shown(request, refilled) if refilled.told else RedirectResponse("/access", status_code=303)


@router.post("/people/{person}/reset")
async def reset(request: Request, person: str) -> Response:
    """Give a person a new one-time code; all their sessions end."""
    site, form = site_of(request), await posted(request)
    given: list[str] = []

    async def doing() -> None:
        identity = form.need("identity")
        if told := site.unprintable(identity):
            raise Invalid(told)
        by = session_of(request).who
        given.append(await run_in_threadpool(partial(site.people.reset, person, by=by, identity=identity)))
        await run_in_threadpool(site.sessions.end_all_of, person)

    refilled = await tried(doing, form)
    if refilled.told:
        return await _page(request, refilled=refilled)
    found = await run_in_threadpool(site.people.find, person)
    return await _page(request, given[0], found.name if found else person)


@router.post("/people/{person}/leave")
async def leave(request: Request, person: str) -> Response:
    """End a person's access within this request."""
    site = site_of(request)
    await run_in_threadpool(site.people.leave, person, by=session_of(request).who)
    await run_in_threadpool(site.sessions.end_all_of, person)
    return RedirectResponse("/people", status_code=303)
