"""Locks: rows of the step that is due, own locks, removal in somebody's absence, trials, repeated readings, notices."""

from asyncio import wrap_future

from fastapi import APIRouter, Depends, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from app.calc.errors import Invalid
from app.domain.job import JobState
from app.domain.locks import (
    MOST_ATTEMPTS,
    LockPoint,
    LocksCommand,
    NamePoint,
    PutOwnLockOn,
    RemoveOthersLock,
    StrikePoint,
    StrokeDamper,
    StrokePart,
    TakeOwnLockOff,
    UnlockPoint,
)
from app.domain.site import LockNoticeRead, SiteState
from app.domain.watching import TakeReading
from app.records.moments import local_text
from app.web.awaiting import around_for
from app.web.context import session_of, site_of
from app.web.entered import NOTHING, Refilled, tried
from app.web.forms import posted
from app.web.render import html
from app.web.routes.work import do, known, on_panel, show
from app.web.signing import beside, signer
from app.web.views.locks import ROW, board_view, watch_view
from app.web.views.step import Refill, new_token
from app.web.views.work import head_line, work_view

"""Attempts that the form has room for; the rules take more."""

router = APIRouter(prefix="/jobs/{job}")
panel = APIRouter(prefix="/jobs/{job}", dependencies=[Depends(on_panel)])
notices = APIRouter(prefix="/notices")


@panel.post("/rows")
async def row(request: Request, job: str) -> Response:
    """Record that a lock went onto a point, or came off it; name a further point, or strike one off."""
    form = await posted(request)
    request.state.refill = Refill(ROW, dict(form.fields))
    match form.need("act"):
        case "on":
            command: LocksCommand = LockPoint(
                form.need("step"), form.need("point"), form.need("seen"), form.need("lock"), form.need("tag_number")
            )
        case "off":
            command = UnlockPoint(form.need("step"), form.need("point"))
        case "name":
            command = NamePoint(form.need("step"), form.need("new_tag"), form.need("new_kind"), form.need("new_safe"))
        case "strike":
            command = StrikePoint(form.need("step"), form.need("strike"), form.need("reason"))
        case other:
            raise Invalid(f"{other!r} is nothing that a row can hold. Send on, off, name or strike.")
    return await show(request, job, await do(request, job, command, form))


@router.get("/rows/{point}")
async def choose_row(request: Request, job: str, point: str) -> Response:
    """Show the form of another row of the step that is due."""
    state = await known(request, job)
    around = await around_for(site_of(request), state)
    work = work_view(job, state, session_of(request), around, refill=Refill(ROW, {"point": point}))
    return html(request, "work.html", work=work)


@panel.post("/trial")
async def trial(request: Request, job: str) -> Response:
    """Do the next part of moving a locked damper for a trial."""
    form = await posted(request)
    request.state.refill = Refill(ROW, dict(form.fields))
    part = form.need("part")
    if part not in tuple(StrokePart):
        raise Invalid(f"{part!r} is no part of a trial. Reload the page and choose again.")
    command = StrokeDamper(
        form.need("point"), StrokePart(part), form.get("seen"), form.get("lock"), form.get("tag_number")
    )
    if command.part is not StrokePart.CLEAR:
        return await show(request, job, await do(request, job, command, form))
    refilled = await tried(lambda: do(request, job, command, form), form)
    if refilled.told:  # begun on the page of all locks, so the sentence goes back there
        return await _board(request, job, refilled)
    return await show(request, job, await known(request, job))


@router.get("/reading")
async def reading_page(request: Request, job: str) -> Response:
    """Show the repeated reading: what is due and when, and the form for it."""
    return await _reading(request, job, NOTHING)


async def _reading(request: Request, job: str, refilled: Refilled) -> Response:
    state = await known(request, job)
    return html(
        request, "reading.html", refilled.status, head=head_line(job, state, session_of(request)),
        watch=watch_view(state), refilled=refilled, token=new_token(),
    )  # fmt: skip


@router.post("/reading")
async def reading(request: Request, job: str) -> Response:
    """Take the repeated reading."""
    form = await posted(request)
    await known(request, job)

    async def doing() -> JobState:
        return await do(request, job, TakeReading(form.need("reading")), form)

    refilled = await tried(doing, form)
    if refilled.told:
        return await _reading(request, job, refilled)
    return RedirectResponse(f"/jobs/{job}/now", status_code=303)


@router.get("/locks")
async def board(request: Request, job: str) -> Response:
    """Show everybody's locks."""
    return await _board(request, job, NOTHING)


async def _board(request: Request, job: str, refilled: Refilled) -> Response:
    site = site_of(request)
    state = await known(request, job)
    people = await run_in_threadpool(site.people.everyone)
    events = await run_in_threadpool(site.jobs.events, job)
    return html(
        request, "locks.html", refilled.status, head=head_line(job, state, session_of(request)), refilled=refilled,
        board=board_view(state, session_of(request), people, events), attempts=range(1, MOST_ATTEMPTS + 1),
    )  # fmt: skip


@router.post("/own-locks")
async def own_lock(request: Request, job: str) -> Response:
    """Put one's own lock on or take it off."""
    form = await posted(request)
    on, lock = form.need("act") == "on", form.need("lock")
    await known(request, job)
    refilled = await tried(lambda: do(request, job, PutOwnLockOn(lock) if on else TakeOwnLockOff(lock), form), form)
    if refilled.told:
        return await _board(request, job, refilled)
    return RedirectResponse(f"/jobs/{job}/locks", status_code=303)


@router.post("/removals")
async def removal(request: Request, job: str) -> Response:
    """Remove a lock in its owner's absence: the lead's secret and the safety officer's."""
    form = await posted(request)
    attempts = tuple(
        (form.get(f"attempt-{number}-at"), form.get(f"attempt-{number}-how")) for number in range(1, MOST_ATTEMPTS + 1)
    )
    await known(request, job)

    async def doing() -> None:
        by = await signer(request, form, session_of(request).who.id)
        officer = await beside(request, form.need("officer"), form.need("officer_secret"))
        command = RemoveOthersLock(form.need("lock"), officer, form.need("off_site"), attempts, form.need("telling"))
        await do(request, job, command, form, by=by)

    refilled = await tried(doing, form)
    if refilled.told:
        return await _board(request, job, refilled)
    return RedirectResponse(f"/jobs/{job}/locks", status_code=303)


@notices.get("")
async def owed(request: Request) -> Response:
    """Show what somebody must know before they go on: which of their locks was removed, by whom."""
    site = site_of(request)
    state = await run_in_threadpool(site.jobs.site)
    found = state.notices_for(session_of(request).who.id)
    told = [(item, local_text(item.at, state.zone)) for item in found]
    return html(request, "notices.html", notices=told)


@notices.post("")
async def read(request: Request) -> Response:
    """Take down that the owner has read the notice."""
    form = await posted(request)
    number, who = form.need("notice"), session_of(request).who

    def entry(state: SiteState, seq: int, at: str) -> LockNoticeRead:
        open_now = {item.seq for item in state.notices_for(who.id)}
        if not number.isascii() or not number.isdigit() or int(number) not in open_now:
            raise Invalid("There is no such notice for you. Reload the page.")
        return LockNoticeRead(seq=seq, at=at, by=who, notice=int(number))

    await wrap_future(site_of(request).jobs.write_site(entry))
    return RedirectResponse("/", status_code=303)
