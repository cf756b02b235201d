"""Paper for when tablets fail: blanks to print, marks that come back from them, blanks accounted for."""

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from app.calc.errors import Invalid
from app.domain.crew import ConfirmPause
from app.domain.job import JobState, Stage, fold
from app.domain.locks import LockPoint, NamePoint, PutOwnLockOn, TakeOwnLockOff, UnlockPoint
from app.domain.paper import Beside, Blank, BlankPrinted, PrintBlank, ReconcileBlank, Transcribe, TranscribeBeside
from app.domain.procedure import StepKind
from app.domain.watching import TakeReading
from app.records.moments import typed_instant, utc_text
from app.records.veil import veiled, veiled_events
from app.web.awaiting import around_for
from app.web.context import session_of, site_of
from app.web.entered import NOTHING, Refilled, tried
from app.web.forms import Posted, posted
from app.web.handing import download, note_export
from app.web.render import html
from app.web.routes.leaving import person_named
from app.web.routes.work import do, known
from app.web.signing import beside, signer
from app.web.views.leaving import zone_of
from app.web.views.paper import AS_ASKED, OWN_OFF, OWN_ON, READING, beside_page, entry_page, paper_page
from app.web.views.work import head_line

router = APIRouter(prefix="/jobs/{job}")
SPOKE = "spoke."
"""Before the id of a person whose line at a pause is signed on the page."""


@router.get("/paper")
async def paper(request: Request, job: str) -> Response:
    """Show the blanks of a job; `entered`: and that the last step came from one of them."""
    state = await known(request, job)
    return _paper(request, job, state, NOTHING, entered="entered" in request.query_params and state.due is None)


def _paper(request: Request, job: str, state: JobState, refilled: Refilled, *, entered: bool = False) -> Response:
    head = head_line(job, state, session_of(request))
    return html(
        request, "paper.html", refilled.status, head=head, page={"head": head}, paper=paper_page(state),
        refilled=refilled, entered=entered,
    )  # fmt: skip


@router.post("/blanks")
async def print_blank(request: Request, job: str) -> Response:
    """Print what is left of the job: the blank gets its serial number with this."""
    form = await posted(request)

    async def doing() -> JobState:
        return await do(request, job, PrintBlank(), form)

    refilled = await tried(doing, form)
    if refilled.told:
        return _paper(request, job, await known(request, job), refilled)
    return RedirectResponse(f"/jobs/{job}/paper", status_code=303)


@router.get("/blanks/{number}.pdf")
async def blank_pdf(request: Request, job: str, number: int) -> Response:
    """Give a blank as it was when it was printed."""
    data = await run_in_threadpool(_printed, request, job, number)
    return download(data, "application/pdf", f"{job}-B{number}.pdf")


def _printed(request: Request, job: str, number: int) -> bytes:
    from app.records.blank import blank_of

    site, events = site_of(request), site_of(request).jobs.events(job)
    printed = [event for event in events if isinstance(event, BlankPrinted)]
    if not 1 <= number <= len(printed):
        raise Invalid(f"This job has no blank {number}. Choose one from the list.")
    event = printed[number - 1]
    head = site.jobs.head_at(job, event.seq + 1)
    then = fold(events[: event.seq + 1])
    told = veiled_events(then, events[: event.seq], on_paper=True)
    value = blank_of(veiled(then, on_paper=True), told, event, root=head.root.hex())
    data = site.print_blank(value, utc_text(site.clock()))
    note_export(request, job, head, veiled=True)
    return data


@router.get("/blanks/{number}/entry")
async def entry(request: Request, job: str, number: int) -> Response:
    """Ask for what stands on paper for the step that is due; `entered`: and say that the one before is entered."""
    entered = "entered" in request.query_params
    if entered and (await known(request, job)).due is None:
        return RedirectResponse(f"/jobs/{job}/paper?entered", status_code=303)
    return await _entry(request, job, number, NOTHING, entered=entered)


async def _entry(request: Request, job: str, number: int, refilled: Refilled, *, entered: bool = False) -> Response:
    site, session = site_of(request), session_of(request)
    state = await known(request, job)
    around = await around_for(site, state)
    people = await run_in_threadpool(site.people.everyone)
    page = entry_page(
        state, number, _blank(state, number), session, around, people, now=utc_text(site.clock()),
        typed=refilled.answers, further="further" in request.query_params,
    )  # fmt: skip
    if page is None:
        raise Invalid("No step is due, so nothing is left to be entered from paper. Account for the blank.")
    head = head_line(job, state, session)
    return html(
        request, "paper_entry.html", refilled.status, head=head, page={"head": head}, entry=page, refilled=refilled,
        entered=entered, stopped=state.stage is Stage.STOPPED,
    )  # fmt: skip


def _blank(state: JobState, number: int) -> Blank:
    if not 1 <= number <= len(state.paper.blanks):
        raise Invalid(f"This job has no blank {number}. Choose one from the list.")
    return state.paper.blanks[number - 1]


@router.post("/blanks/{number}/entry")
async def transcribe(request: Request, job: str, number: int) -> Response:
    """Enter one step from paper, with a photo and a second person's secret."""
    form = await posted(request, faults_later=True)

    async def doing() -> JobState:
        return await _transcribed(request, job, number, form)

    refilled = await tried(doing, form)
    if refilled.told:
        return await _entry(request, job, number, refilled)
    return RedirectResponse(f"/jobs/{job}/blanks/{number}/entry?entered", status_code=303)


async def _transcribed(request: Request, job: str, number: int, form: Posted) -> JobState:
    site, session = site_of(request), session_of(request)
    state = await known(request, job)
    blank, step_id = _blank(state, number), form.need("step")
    step, zone = state.step(step_id), zone_of(state)
    second = await beside(request, form.need("second"), form.need("second_secret"))
    hold = step is not None and step.kind is StepKind.HOLD
    by = await signer(request, form, session.who.id) if hold else session.who
    beside_id = form.get("beside") if step is not None and step.second else ""
    began = form.get("began")
    command = Transcribe(
        step=step_id,
        serial=blank.serial,
        happened=typed_instant(form.need("day"), form.need("time"), zone),
        began=typed_instant(form.need("day"), began, zone) if began else None,
        why_late=form.need("why_late"),
        photo=photo_of(form),
        hand=by if hold else await person_named(site, form.need("hand")),
        compared_by=second,
        answers=dict(form.answers),
        note=form.get("note"),
        reconciled=form.get("reconciled") or None,
        beside=await person_named(site, beside_id) if beside_id else None,
    )
    return await do(request, job, command, form, by=by)


@router.get("/blanks/{number}/beside")
async def beside_entry(request: Request, job: str, number: int) -> Response:
    """Ask for an own lock or a repeated reading of a page; `entered`: and say that the one before is entered."""
    return await _beside_entry(request, job, number, NOTHING, entered="entered" in request.query_params)


async def _beside_entry(
    request: Request, job: str, number: int, refilled: Refilled, *, entered: bool = False
) -> Response:
    site, session = site_of(request), session_of(request)
    state = await known(request, job)
    people = await run_in_threadpool(site.people.everyone)
    page = beside_page(state, number, _blank(state, number), session, people, now=utc_text(site.clock()))
    head = head_line(job, state, session)
    return html(
        request, "paper_beside.html", refilled.status, head=head, page={"head": head}, entry=page, refilled=refilled,
        entered=entered,
    )  # fmt: skip


@router.post("/blanks/{number}/beside")
async def transcribe_beside(request: Request, job: str, number: int) -> Response:
    """Enter from paper what is no mark: a further point, a row of locks, who spoke, an own lock, a repeated reading."""
    form = await posted(request, faults_later=True)
    of_step = bool(form.get("step"))

    async def doing() -> JobState:
        return await _transcribed_beside(request, job, number, form)

    refilled = await tried(doing, form)
    if refilled.told:
        return await (_entry if of_step else _beside_entry)(request, job, number, refilled)
    where = "entry" if of_step else "beside"
    return RedirectResponse(f"/jobs/{job}/blanks/{number}/{where}?entered", status_code=303)


async def _transcribed_beside(request: Request, job: str, number: int, form: Posted) -> JobState:
    site = site_of(request)
    state = await known(request, job)
    blank, act = _blank(state, number), _act(state, form)
    second = await beside(request, form.need("second"), form.need("second_secret"))
    hand = act.aloud[0] if isinstance(act, ConfirmPause) else form.need("hand")
    command = TranscribeBeside(
        act=act,
        serial=blank.serial,
        happened=typed_instant(form.need("day"), form.need("time"), zone_of(state)),
        why_late=form.need("why_late"),
        photo=photo_of(form),
        hand=await person_named(site, hand),
        compared_by=second,
    )
    return await do(request, job, command, form)


def _act(state: JobState, form: Posted) -> Beside:
    """Return what the form says was done, as whoever wrote it on the page did it."""
    match form.need("what"):
        case "row on":
            point, seen = form.need("point"), form.need("seen")
            safe = next((item.safe for item in state.points if item.id == point), "")
            return LockPoint(
                form.need("step"), point, safe if seen == AS_ASKED else seen, form.need("lock"), form.need("tag_number")
            )
        case "point named":
            return NamePoint(form.need("step"), form.need("new_tag"), form.need("new_kind"), form.need("new_safe"))
        case "row off":
            return UnlockPoint(form.need("step"), form.need("point"))
        case "pause":
            aloud = tuple(name.removeprefix(SPOKE) for name in form.fields if name.startswith(SPOKE))
            if not aloud:
                raise Invalid("Nobody was named. Tick everybody whose line on the page is signed.")
            return ConfirmPause(form.need("step"), aloud)
        case what if what == OWN_ON:
            return PutOwnLockOn(form.need("number"))
        case what if what == OWN_OFF:
            return TakeOwnLockOff(form.need("number"))
        case what if what == READING:
            return TakeReading(form.need("number"))
        case what:
            raise Invalid(f"{what!r} stands on no page. Choose one of those shown.")


def photo_of(form: Posted) -> str:
    """Return the photo sent now, or the one that came with a form that was refused."""
    return form.get("photo") or form.get("photo_kept")


@router.post("/blanks/{number}/reconciled")
async def reconcile(request: Request, job: str, number: int) -> Response:
    """Account for a blank: returned, attached or voided."""
    form = await posted(request, faults_later=True)

    async def doing() -> JobState:
        blank = _blank(await known(request, job), number)
        command = ReconcileBlank(blank.serial, form.need("how"), photo_of(form), form.get("reason"))
        return await do(request, job, command, form)

    refilled = await tried(doing, form)
    if refilled.told:
        return _paper(request, job, await known(request, job), refilled)
    return RedirectResponse(f"/jobs/{job}/paper", status_code=303)
