"""Leaving work and coming back: suspend, return, look, hand over, and the sheet to hand over."""

from fastapi import APIRouter, Depends, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from app.calc.errors import Invalid
from app.domain.event_base import Who
from app.domain.job import JobState, Stage
from app.domain.leaving import AnswerLooks, ReadNext, ReturnToWork, SignHandover, Suspend, TakeOver
from app.ledger.heads import Head
from app.records.moments import utc_text
from app.records.veil import veiled
from app.web.context import Site, session_of, site_of
from app.web.entered import NOTHING, Refilled, tried
from app.web.forms import posted
from app.web.handing import as_headed, download, note_export
from app.web.render import html
from app.web.routes.work import do, known, on_panel, show
from app.web.signing import signer
from app.web.views.leaving import handover_form, suspend_form
from app.web.views.step import Refill
from app.web.views.work import head_line, pictures

router = APIRouter(prefix="/jobs/{job}")
panel = APIRouter(prefix="/jobs/{job}", dependencies=[Depends(on_panel)])


@router.get("/suspend")
async def suspend_page(request: Request, job: str) -> Response:
    """Ask what is seen before the work is left."""
    return _suspend_page(request, job, await known(request, job), NOTHING)


def _suspend_page(request: Request, job: str, state: JobState, refilled: Refilled) -> Response:
    session = session_of(request)
    form = suspend_form(state, session, refilled.answers)
    return html(
        request, "suspend.html", refilled.status, head=head_line(job, state, session), form=form, refilled=refilled
    )


@router.post("/suspend")
async def suspend(request: Request, job: str) -> Response:
    """Leave the work as it was seen; a refusal comes back with what was typed."""
    form = await posted(request)

    async def doing() -> JobState:
        if (await known(request, job)).permit_until is not None and not form.get("permit"):
            raise Invalid("This job has a permit on record. Choose what becomes of it while the work is left.")
        command = Suspend(
            form.need("reason"), dict(form.answers), form.need("told"), form.need("next_thing"), form.get("permit"),
            form.get("permit_to"),
        )  # fmt: skip
        return await do(request, job, command, form)

    refilled = await tried(doing, form)
    if refilled.told:
        return _suspend_page(request, job, await known(request, job), refilled)
    return RedirectResponse(f"/jobs/{job}/now", status_code=303)


@panel.post("/resume")
async def resume(request: Request, job: str) -> Response:
    """Come back to suspended work."""
    form = await posted(request)
    return await show(request, job, await do(request, job, ReturnToWork(), form))


@panel.post("/next-read")
async def next_read(request: Request, job: str) -> Response:
    """Say that the line about what to do next was read."""
    form = await posted(request)
    return await show(request, job, await do(request, job, ReadNext(), form))


@panel.post("/looks")
async def looks(request: Request, job: str) -> Response:
    """Say what was seen at everything that is looked at together."""
    form = await posted(request)
    request.state.refill = Refill("looks", form.answers)
    return await show(request, job, await do(request, job, AnswerLooks(dict(form.answers)), form))


@router.get("/handover")
async def handover_page(request: Request, job: str) -> Response:
    """Show who may be relieved and which documents are seen first."""
    return await _handover_page(request, job, NOTHING)


async def _handover_page(request: Request, job: str, refilled: Refilled) -> Response:
    site, session = site_of(request), session_of(request)
    state = await known(request, job)
    people = await run_in_threadpool(site.people.everyone)
    return html(
        request, "handover.html", refilled.status, head=head_line(job, state, session), refilled=refilled,
        form=handover_form(state, people, session), pictures=pictures(state, ()),
    )  # fmt: skip


@router.post("/handover")
async def take_over(request: Request, job: str) -> Response:
    """Begin to take the job over: documents seen, then the walk-down."""
    form = await posted(request)

    async def doing() -> JobState:
        documents = tuple(name.removeprefix("document.") for name in form.fields if name.startswith("document."))
        outgoing = await person_named(site_of(request), form.need("outgoing"))
        return await do(request, job, TakeOver(outgoing, documents), form)

    refilled = await tried(doing, form)
    if refilled.told:
        return await _handover_page(request, job, refilled)
    return RedirectResponse(f"/jobs/{job}/now", status_code=303)


async def person_named(site: Site, person_id: str) -> Who:
    """Return a person of the site; raise Invalid for any other."""
    found = await run_in_threadpool(site.people.find, person_id)
    if found is None:
        raise Invalid("There is no such person. Choose one from the list.")
    return found.who


@panel.post("/handover-signature")
async def sign_handover(request: Request, job: str) -> Response:
    """Sign the hand-over, first the one who leaves, then the one who comes."""
    form = await posted(request)
    state = await known(request, job)
    under_way = state.leaving.handover if state.stage is Stage.HANDING_OVER else None
    due = under_way.signer[1] if under_way else session_of(request).who  # where none is due, the rules say so
    by = await signer(request, form, due.id)
    return await show(request, job, await do(request, job, SignHandover(), form, by=by))


@router.get("/sheet")
async def sheet(request: Request, job: str) -> Response:
    """Show the sheet to hand over, to print from the browser."""
    _, state, value = await run_in_threadpool(sheet_now, request, job)
    head = head_line(job, state, session_of(request))
    return html(
        request, "handover_sheet.html", head=head, sheet=value, pictures=pictures(state, ()), page={"head": head}
    )


@router.get("/sheet.pdf")
async def sheet_pdf(request: Request, job: str) -> Response:
    """Give the sheet to hand over as a PDF of one page."""
    data = await run_in_threadpool(_printed, request, job)
    return download(data, "application/pdf", f"{job}-hand-over.pdf")


def sheet_now(request: Request, job: str) -> tuple[Head, JobState, dict[str, object]]:
    """Return the newest head of a job, its state and its sheet, without what is to be verified unseen."""
    from app.records.handover_sheet import sheet_of

    head, state, _ = as_headed(request, job)
    made_at = utc_text(site_of(request).clock())
    return head, state, sheet_of(veiled(state, on_paper=True), root=head.root.hex(), made_at=made_at)


def _printed(request: Request, job: str) -> bytes:
    from app.records.handover_sheet import drawings_of

    head, state, value = sheet_now(request, job)
    printed = site_of(request).print_handover(value, drawings_of(state), utc_text(site_of(request).clock()))
    note_export(request, job, head, veiled=True)
    return printed
