"""Locks: rows of the step that is due, own locks, removal in somebody's absence, trials, repeated readings, notices."""

from asyncio import wrap_future

from fastapi import APIRouter, Depends, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from app.calc.errors import Invalid
from app.domain.job import JobState
from app.domain.locks import (
    LockPoint,
    LocksCommand,
    PutOwnLockOn,
    RemoveOthersLock,
    StrokeDamper,
    StrokePart,
    TakeOwnLockOff,
    UnlockPoint,
)
from app.domain.refused import Refused
from app.domain.site import LockNoticeRead, SiteState
from app.domain.watching import TakeReading
from app.records.moments import local_text
from app.web.awaiting import around_for
from app.web.context import session_of, site_of
from app.web.forms import Posted, posted
from app.web.render import html
from app.web.routes.work import do, known, on_panel, show
from app.web.signing import beside, signer
from app.web.views.locks import ROW, board_view, watch_view
from app.web.views.step import Refill, new_token
from app.web.views.work import head_line, work_view

MOST_ATTEMPTS = 3
"""Attempts that the form has room for; the rules take more."""

router = APIRouter(prefix="/jobs/{job}")
panel = APIRouter(prefix="/jobs/{job}", dependencies=[Depends(on_panel)])
notices = APIRouter(prefix="/notices")


@panel.post("/rows")
async def row(request: Request, job: str) -> Response:
    """Record that a lock went onto a point, or came off it."""
    form = await posted(request)
    request.state.refill = Refill(ROW, dict(form.fields))
    match form.need("act"):
        case "on":
            command: LocksCommand = LockPoint(
                form.need("step"), form.need("point"), form.need("seen"), form.need("lock"), form.need("tag_number")
            )
        case "off":
            command = UnlockPoint(form.need("step"), form.need("point"))
        case other:
            raise Invalid(f"{other!r} is nothing that a row can hold. Send on or off.")
    return await show(request, job, await do(request, job, command, form))


@router.get("/rows/{point}")
async def choose_row(request: Request, job: str, point: str) -> Response:
    """Show the form of another row of the step that is due."""
    state = await known(site_of(request), job)
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
    try:
        return await show(request, job, await do(request, job, command, form))
    except (Refused, Invalid) as no:  # begun on the page of all locks, so the sentence goes back there
        return await _board(request, job, str(no), _status(no), form)


@router.get("/reading")
async def reading_page(request: Request, job: str) -> Response:
    """Show the repeated reading: what is due and when, and the form for it."""
    return await _reading(request, job, await known(site_of(request), job))


async def _reading(
    request: Request, job: str, state: JobState, told: str = "", typed: str = "", status: int = 200
) -> Response:
    return html(
        request, "reading.html", status, head=head_line(job, state, session_of(request)), watch=watch_view(state),
        told=told, typed=typed, token=new_token(),
    )  # fmt: skip


@router.post("/reading")
async def reading(request: Request, job: str) -> Response:
    """Take the repeated reading."""
    form = await posted(request)
    try:
        await do(request, job, TakeReading(form.need("reading")), form)
    except (Refused, Invalid) as no:
        state = await known(site_of(request), job)
        return await _reading(request, job, state, str(no), form.get("reading"), _status(no))
    return RedirectResponse(f"/jobs/{job}/now", status_code=303)


@router.get("/locks")
async def board(request: Request, job: str) -> Response:
    """Show everybody's locks."""
    return await _board(request, job)


async def _board(request: Request, job: str, told: str = "", status: int = 200, form: Posted | None = None) -> Response:
    site = site_of(request)
    state = await known(site, job)
    people = await run_in_threadpool(site.people.everyone)
    events = await run_in_threadpool(site.jobs.events, job)
    typed = {name: text for name, text in (form.fields if form else {}).items() if "secret" not in name}
    return html(
        request, "locks.html", status, head=head_line(job, state, session_of(request)), told=told, typed=typed,
        board=board_view(state, session_of(request), people, events), attempts=range(1, MOST_ATTEMPTS + 1),
    )  # fmt: skip


def _status(no: Refused | Invalid) -> int:
    if isinstance(no, Invalid):
        return 422
    return 403 if no.code in {"secret", "waiting", "locked", "role"} else 409


@router.post("/own-locks")
async def own_lock(request: Request, job: str) -> Response:
    """Put one's own lock on or take it off."""
    form = await posted(request)
    on = form.need("act") == "on"
    lock = form.need("lock")
    try:
        await do(request, job, PutOwnLockOn(lock) if on else TakeOwnLockOff(lock), form)
    except (Refused, Invalid) as no:
        return await _board(request, job, str(no), _status(no), form)
    return RedirectResponse(f"/jobs/{job}/locks", status_code=303)


@router.post("/removals")
async def removal(request: Request, job: str) -> Response:
    """Remove a lock in its owner's absence: the lead's secret and the safety officer's."""
    form = await posted(request)
    attempts = tuple(
        (form.get(f"attempt-{number}-at"), form.get(f"attempt-{number}-how")) for number in range(1, MOST_ATTEMPTS + 1)
    )
    try:
        by = await signer(request, form, session_of(request).who.id)
        officer = await beside(request, form.need("officer"), form.need("officer_secret"))
        command = RemoveOthersLock(form.need("lock"), officer, form.need("off_site"), attempts, form.need("telling"))
        await do(request, job, command, form, by=by)
    except (Refused, Invalid) as no:
        return await _board(request, job, str(no), _status(no), form)
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
