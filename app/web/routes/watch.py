"""The site watched: its trail in plain sentences, who has access, its settings, alerts seen."""

import asyncio

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from app.calc.errors import Invalid
from app.domain.procedure import Role
from app.domain.site import SiteState
from app.records.moments import local_text, site_day, utc_text
from app.web.context import Site, session_of, site_of
from app.web.entered import NOTHING, Refilled, tried
from app.web.forms import count_in, posted
from app.web.render import html
from app.web.roles import KEEPERS
from app.web.signing import signer

router = APIRouter()


@router.get("/trail")
async def trail(request: Request) -> Response:
    """Show the site's ledger as sentences, newest first; `kind` shows one kind only, `before` what is older."""
    from app.records.site_trail import KINDS, trail_page

    site, kind = site_of(request), request.query_params.get("kind", "")
    if kind and kind not in KINDS:
        raise Invalid(f"{kind[:20]!r} is not a kind of entry. Choose one of those shown.")
    state = await run_in_threadpool(site.jobs.site)
    before = min(count_in(request, "before") or state.size, state.size)
    lines, older = await run_in_threadpool(
        lambda: trail_page(
            lambda since, until: site.jobs.site_events(since=since, until=until), state.zone, state.watch,
            before=before, kind=kind,
        )
    )  # fmt: skip
    return html(request, "trail.html", lines=lines, kinds=KINDS, kind=kind, size=state.size, older=older, before=before)


@router.get("/access")
async def access(request: Request) -> Response:
    """List who may sign in, in which role, since when, and what they are qualified for."""
    return await access_shown(request, NOTHING)


async def access_shown(request: Request, refilled: Refilled) -> Response:
    """Show that list, with what was typed on one of its forms before a refusal."""
    from app.domain.signing import ACCESS_REVIEW
    from app.web.views.access import access_page

    site, who = site_of(request), session_of(request).who
    state = await run_in_threadpool(site.jobs.site)
    people = await run_in_threadpool(site.people.everyone)
    last = await run_in_threadpool(site.sessions.last_sign_ins)
    now = utc_text(site.clock())
    page = access_page(state, people, last, site_day(now, state.zone))
    return html(
        request,
        "access.html",
        refilled.status,
        page=page,
        refilled=refilled,
        may_review=who.role is Role.LEAD,
        meaning=ACCESS_REVIEW,
        local_now=local_text(now, state.zone),
    )


@router.post("/access")
async def review_access(request: Request) -> Response:
    """Sign that access was looked through."""
    site, form = site_of(request), await posted(request)

    async def doing() -> None:
        by = await signer(request, form, session_of(request).who.id)
        last = await run_in_threadpool(site.sessions.last_sign_ins)
        await asyncio.wrap_future(
            site.watching.review_access(last, both=request.state.both, remark=form.get("remark"), by=by)
        )

    refilled = await tried(doing, form)
    return await access_shown(request, refilled) if refilled.told else RedirectResponse("/access", status_code=303)


@router.get("/site")
async def settings(request: Request) -> Response:
    """Show the site's settings, with what holds, both ends and where they come from."""
    return await _settings(request, NOTHING)


async def _settings(request: Request, refilled: Refilled) -> Response:
    site = site_of(request)
    state = await run_in_threadpool(site.jobs.site)
    may = session_of(request).who.role in KEEPERS
    return html(
        request, "site.html", refilled.status, rows=_rows(site), limits=_limits(state), may=may, zone=state.zone,
        refilled=refilled,
    )  # fmt: skip


def _rows(site: Site) -> list[tuple[str, str, str, int, int, int, int, str]]:
    from app.domain.site_settings import SETTINGS, value_of

    state = site.jobs.site()
    return [
        (item.name, item.label, item.unit, value_of(state, item), item.default, item.low, item.high, item.basis)
        for item in SETTINGS.values()
    ]


def _limits(state: SiteState) -> list[tuple[str, str, str, str, str, str]]:
    from app.domain.site_settings import LIMITS
    from app.domain.words import unit_words
    from app.records.wording import limit_words

    found = []
    for item in LIMITS.values():
        limit = state.watch.limits.get(item.name)
        ends = (limit.low or "", limit.high or "") if limit else ("", "")
        told = f"{limit_words(*ends, limit.op, limit.unit)} — {limit.basis}" if limit else ""
        found.append((item.name, item.reading, unit_words(item.unit), told, *ends))
    return found


@router.post("/site")
async def choose(request: Request) -> Response:
    """Choose a setting, with the reason, or a limit, with its source."""
    site, form, who = site_of(request), await posted(request), session_of(request).who

    async def doing() -> None:
        if name := form.get("limit"):
            chosen = site.watching.choose_limit(name, form.get("low"), form.get("high"), form.get("source"), by=who)
        else:
            chosen = site.watching.choose(form.need("setting"), form.need("value"), form.need("reason"), by=who)
        await asyncio.wrap_future(chosen)

    refilled = await tried(doing, form)
    return await _settings(request, refilled) if refilled.told else RedirectResponse("/site", status_code=303)


@router.post("/alerts")
async def seen(request: Request) -> Response:
    """Note by name that an alert was seen."""
    site, form = site_of(request), await posted(request)
    await asyncio.wrap_future(site.watching.seen(form.need("entry"), by=session_of(request).who))
    return RedirectResponse("/", status_code=303)
