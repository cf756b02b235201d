"""When the main line does not hold: contingencies, field changes, steps set aside, releases by radio."""

from collections.abc import Awaitable, Callable

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from app.calc.errors import Invalid
from app.domain.applicability import SetAside
from app.domain.commands import Command
from app.domain.contingency import EnterContingency
from app.domain.event_base import Who
from app.domain.field_change import ApproveChange, DeclineChange, NewWords, ProposeChange
from app.domain.housing import SiteLimit
from app.domain.judging import number_text
from app.domain.radio import ReleaseByRadio, SignRadioRelease
from app.domain.steps import Step
from app.web.context import session_of, site_of
from app.web.entered import NOTHING, Refilled, tried
from app.web.forms import Posted, posted
from app.web.render import html
from app.web.routes.work import do, known
from app.web.signing import signer

router = APIRouter(prefix="/jobs/{job}")


Act = Callable[[Posted], Awaitable[tuple[Command, Who | None]]]
"""Reads a form: the command, and who signs it where somebody does."""


async def _then_work(request: Request, job: str, read: Act, *, contingency: bool = False) -> Response:
    """Carry out what a form asks and go to the step that is due; a refusal comes back with what was typed."""
    form = await posted(request)
    await known(request, job)

    async def doing() -> None:
        command, by = await read(form)
        await do(request, job, command, form, by=by)

    refilled = await tried(doing, form)
    if refilled.told:
        return await (_contingencies if contingency else _otherwise)(request, job, refilled)
    return RedirectResponse(f"/jobs/{job}/now", status_code=303)


@router.get("/contingencies")
async def contingencies(request: Request, job: str) -> Response:
    """Show what can have gone wrong as the job stands, and where each leads."""
    return await _contingencies(request, job, NOTHING)


async def _contingencies(request: Request, job: str, refilled: Refilled) -> Response:
    from app.web.views.departures import contingencies_page

    state = await known(request, job)
    page = await run_in_threadpool(contingencies_page, job, state, session_of(request))
    return html(request, "contingencies.html", refilled.status, page=page, refilled=refilled)


@router.post("/contingencies")
async def enter(request: Request, job: str) -> Response:
    """Put in the steps kept ready for what went wrong, signed in by the lead's own secret."""

    async def read(form: Posted) -> tuple[Command, Who | None]:
        name, port, position = (*form.need("chosen").split("|"), "", "")[:3]
        if position and not (position.isascii() and position.isdigit() and len(position) < 3):
            raise Invalid(f"{position!r} is not a filter position. Choose one of those shown.")
        by = await signer(request, form, session_of(request).who.id)
        where = port or None, int(position) if position else None
        return EnterContingency(name, form.need("reason"), *where), by

    return await _then_work(request, job, read, contingency=True)


@router.get("/otherwise")
async def otherwise(request: Request, job: str) -> Response:
    """Show what can be done about a step that cannot be done as written."""
    return await _otherwise(request, job, NOTHING)


async def _otherwise(request: Request, job: str, refilled: Refilled) -> Response:
    from app.web.views.departures import otherwise_page

    site = site_of(request)
    state = await known(request, job)
    people = await run_in_threadpool(site.people.everyone)
    page = otherwise_page(job, state, session_of(request), people)
    return html(request, "otherwise.html", refilled.status, page=page, refilled=refilled)


@router.post("/changes")
async def propose(request: Request, job: str) -> Response:
    """Propose other words for the step in hand."""

    async def read(form: Posted) -> tuple[Command, Who | None]:
        step = (await known(request, job)).step(form.need("step"))
        if step is None:
            raise Invalid("There is no such step in this job. Go back to the step that is due.")
        return ProposeChange(step.id, _new_words(step, form), form.need("reason")), None

    return await _then_work(request, job, read)


def _new_words(step: Step, form: Posted) -> NewWords:
    options: dict[str, tuple[str, ...]] = {}
    limits: dict[str, SiteLimit] = {}
    for asked in step.asks:
        ask = asked.ask
        if f"options.{ask.id}" in form.fields:
            lines = (line.strip() for line in form.get(f"options.{ask.id}").splitlines())
            options[ask.id] = tuple(line for line in lines if line)
        low, high = (form.get(f"{end}.{ask.id}").strip() for end in ("low", "high"))
        was = asked.limit
        if (
            ask.kind == "reading"
            and (low or high)
            and (low, high) != ((was.low or "", was.high or "") if was else ("", ""))
        ):
            low, high = (number_text(end, ask.label) if end else "" for end in (low, high))
            limits[ask.id] = SiteLimit(
                low=low or None, high=high or None, op=was.op if was else "<=", unit=ask.unit or "",
                basis=f"field change: {form.get('reason').strip()[:200]}",
            )  # fmt: skip
    note = form.get("note").strip() if "note" in form.fields else None
    return NewWords(text=form.need("text").strip(), note=note, options=options or None, limits=limits or None)


@router.post("/changes/approve")
async def approve(request: Request, job: str) -> Response:
    """Approve a proposed change with one's own secret."""

    async def read(form: Posted) -> tuple[Command, Who | None]:
        by = await signer(request, form, session_of(request).who.id)
        return ApproveChange(form.need("number")), by

    return await _then_work(request, job, read)


@router.post("/changes/decline")
async def decline(request: Request, job: str) -> Response:
    """Decline a proposed change, or take it back."""

    async def read(form: Posted) -> tuple[Command, Who | None]:
        return DeclineChange(form.need("number"), form.need("reason")), None

    return await _then_work(request, job, read)


@router.post("/aside")
async def aside(request: Request, job: str) -> Response:
    """Say that the step in hand does not apply, and why, signed by the lead's own secret."""

    async def read(form: Posted) -> tuple[Command, Who | None]:
        by = await signer(request, form, session_of(request).who.id)
        return SetAside(form.need("step"), form.need("reason")), by

    return await _then_work(request, job, read)


@router.post("/radio")
async def radio(request: Request, job: str) -> Response:
    """Enter a release that was given by voice."""

    async def read(form: Posted) -> tuple[Command, Who | None]:
        sender = await run_in_threadpool(site_of(request).people.find, form.need("person"))
        if sender is None or not sender.active:
            raise Invalid("There is nobody of that name here. Choose one of those shown.")
        confirmed = form.get("confirmed") == "yes"
        return ReleaseByRadio(form.need("step"), sender.who, form.need("housing"), form.get("port"), confirmed), None

    return await _then_work(request, job, read)


@router.post("/radio/sign")
async def sign(request: Request, job: str) -> Response:
    """Sign, with one's own secret, a release that one has given by voice."""

    async def read(form: Posted) -> tuple[Command, Who | None]:
        entry = form.need("entry")
        if not (entry.isascii() and entry.isdigit() and len(entry) < 10):
            raise Invalid(f"{entry!r} is not the number of an entry. Choose one of those shown.")
        by = await signer(request, form, session_of(request).who.id)
        return SignRadioRelease(int(entry)), by

    return await _then_work(request, job, read)
