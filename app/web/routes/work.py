"""The work on a job: the step that is due, marks, holds, stop, re-opening, corrections."""

from fastapi import APIRouter, Depends, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from app.calc.errors import Invalid
from app.domain.commands import (
    Begin,
    Command,
    Correct,
    ExplainStop,
    Finish,
    Release,
    Reopen,
    StopWork,
    Submit,
    TakeWayOut,
    Withdraw,
)
from app.domain.event_base import Who
from app.domain.job import JobState, Mark
from app.domain.takeoff import take_off
from app.domain.watching import NoticeMissed, missed_by
from app.records.moments import utc_text
from app.records.veil import veiled, veiled_events
from app.services.jobs import Asked, no_such_job
from app.web.awaiting import around_for, done, state_of
from app.web.context import WORKER_COOKIE, asked_by, session_of, site_of, worker_chosen
from app.web.forms import LIST_FIELDS, Posted, posted
from app.web.paths import IN_HAND
from app.web.render import html, wants_part, wants_sentence
from app.web.roles import WORKERS
from app.web.routes.cover import locked_address
from app.web.signing import beside, signer
from app.web.views.pages import overview, read_ahead, reopen_page
from app.web.views.step import SIGNER, WAY_OUT, Refill, new_token, result_words
from app.web.views.work import SUBMITTED, Notice, work_view


async def on_panel(request: Request) -> None:
    """Mark requests that come from the work panel, so that refusals are shown on it."""
    request.state.on_panel = True


WORKER_S = 16 * 3600
"""For how long a tablet goes on recording for the same person: no longer than a long shift (this program's figure)."""
router = APIRouter(prefix="/jobs/{job}")
panel = APIRouter(prefix="/jobs/{job}", dependencies=[Depends(on_panel)])


async def known(request: Request, job: str) -> JobState:
    """Return a job that was opened as whoever asks may see it; raise Invalid for any other."""
    state = await state_of(site_of(request), job)
    if state.opened is None:
        raise no_such_job(job)
    return veiled(state, session_of(request).who.id)


async def show(
    request: Request, job: str, state: JobState, notice: Notice | None = None, refill: Refill | None = None
) -> Response:
    """Answer a mark: the changed piece for htmx, else a redirect to the page itself."""
    if session_of(request).who.role not in WORKERS:
        return RedirectResponse(IN_HAND, status_code=303)
    if not wants_part(request) and request.method == "POST":
        return RedirectResponse(f"/jobs/{job}/now", status_code=303)
    around = await around_for(site_of(request), state, worker_chosen(request, job))
    seen = veiled(state, session_of(request).who.id)
    work = work_view(job, seen, session_of(request), around, notice=notice, refill=refill)
    return html(request, "_work.html" if wants_part(request) else "work.html", work=work)


async def do(request: Request, job: str, command: Command, form: Posted, by: Who | None = None) -> JobState:
    """Carry out a command under the form's request token and return the state after the commit."""
    asked = asked_by(request, token=form.need("token"), device_at=form.get("device_at"), by=by)
    return (await done(site_of(request).jobs.record(job, command, asked))).state


async def _second(request: Request, form: Posted) -> Who | None:
    """Return the second person, proven by the secret that they entered; None where nobody was named."""
    person = form.get("second")
    if not person:
        return None
    return await beside(request, person, form.need("second_secret"))


@router.get("/now")
async def now(request: Request, job: str) -> Response:
    """Show the step that is due; a repeated reading that was missed is noted when somebody looks."""
    site, session = site_of(request), session_of(request)
    state = await known(request, job)
    if missed_by(state.watch, utc_text(site.clock())):
        asked = Asked(session.who, session.tablet)
        state = (await done(site.jobs.record(job, NoticeMissed(), asked))).state
    return await show(request, job, state)


@router.get("")
async def whole(request: Request, job: str) -> Response:
    """Show the job as a whole."""
    state, events = await run_in_threadpool(site_of(request).jobs.read, job)
    if state.opened is None:
        raise no_such_job(job)
    session = session_of(request)
    seen, told = veiled(state, session.who.id), veiled_events(state, events, session.who.id)
    page = overview(job, seen, told, session, _remaining(seen))
    return html(request, "overview.html", page=page)


def _remaining(state: JobState) -> dict[str, int]:
    """What the steps still to come will use up."""
    if state.opened is None or state.model is None:
        return {}
    left = [step for step in state.walked if step.id not in state.applied]
    return take_off(left, state.opened.housing, state.model).total


@router.get("/steps/{number}")
async def step(request: Request, job: str, number: int) -> Response:
    """Read any step without moving the place."""
    state = await known(request, job)
    _complain_if_no_step(state, number)
    return html(request, "read_ahead.html", page=read_ahead(job, state, number, session_of(request)))


@router.get("/steps/{number}/change")
async def change(request: Request, job: str, number: int) -> Response:
    """Correct an answer or take a mark back."""
    state = await known(request, job)
    _complain_if_no_step(state, number)
    people = await run_in_threadpool(site_of(request).people.everyone)
    page = read_ahead(job, state, number, session_of(request), people)
    return html(request, "change.html", page=page, token=new_token(), other_token=new_token())


def _complain_if_no_step(state: JobState, number: int) -> None:
    if not 1 <= number <= len(state.steps):
        raise Invalid(f"This job has steps 1 to {len(state.steps)}, not {number}.")


@panel.post("/marks")
async def mark(request: Request, job: str) -> Response:
    """Begin or finish the step that is due."""
    form = await posted(request, faults_later=True)
    typed = Refill(form.get("step"), form.answers, form.get("note"), form.get("second"), form.get("reconciled"))
    request.state.refill = typed
    form.complain()
    step_id, act, hazards = form.need("step"), form.need("act"), form.fields.get("hazards")
    match act:
        case "begin":
            second = await _second(request, form)
            command: Command = Begin(step_id, second, form.get("worker"), dict(form.answers), hazards)
        case "finish":
            second, why = await _second(request, form), form.get("reconciled") or None
            command = Finish(step_id, dict(form.answers), form.get("note"), second, why, form.get("worker"), hazards)
        case _:
            raise Invalid(f"{act!r} is not a mark. Send begin or finish.")
    before = (await known(request, job)).mark(step_id)
    state = await do(request, job, command, form)
    again = typed if len(state.mark(step_id).differences) > len(before.differences) else None
    answer = await show(request, job, state, _told_of(state, step_id, before) if act == "finish" else None, again)
    if "worker" in form.fields:
        secure = site_of(request).settings.secure_cookie
        value = f"{job}:{form.get('worker')}"
        answer.set_cookie(WORKER_COOKIE, value, httponly=True, samesite="strict", secure=secure, max_age=WORKER_S)
    return answer


def _told_of(state: JobState, step_id: str, before: Mark) -> Notice | None:
    """Say what came of the readings: an attempt outside its limit, or the result of a computation."""
    step, mark = state.step(step_id), state.mark(step_id)
    if len(mark.attempts) > len(before.attempts):
        result = mark.attempts[-1][1].result
        told = f" {result_words(step, result)}" if step and result else ""
        return Notice("outside", f"Outside its limit. It is kept as an attempt and the job is stopped.{told}")
    if len(mark.differences) > len(before.differences):
        return Notice("outside", "The two entries differ. Both are kept. Say why, then read and enter it anew.")
    if step and mark.evidence.result and mark.done != before.done:
        return Notice("good", result_words(step, mark.evidence.result, elsewhere=True))
    return None


@panel.post("/way-out")
async def way_out(request: Request, job: str) -> Response:
    """Put in the steps kept ready for a failed test, by a lead."""
    form = await posted(request)
    request.state.refill = Refill(WAY_OUT, form.fields)
    state = await do(request, job, TakeWayOut(form.need("way_out"), form.need("reason")), form)
    return await show(request, job, state, Notice("good", "The steps are put in; the test is due again after them."))


@panel.post("/release")
async def release(request: Request, job: str) -> Response:
    """Release a hold point with the secret of the role it names."""
    form = await posted(request)
    request.state.refill = Refill(form.get("step"), {SIGNER: form.get(SIGNER)})
    by = await signer(request, form, form.need(SIGNER))
    return await show(request, job, await do(request, job, Release(form.need("step")), form, by=by))


@panel.post("/stop")
async def stop(request: Request, job: str) -> Response:
    """Stop the job: one tap, by anyone, the reason afterwards; also from a covered screen, which stays covered."""
    form = await posted(request)
    state = await do(request, job, StopWork(), form)
    if wants_sentence(request):
        return Response(status_code=204)
    if session_of(request).locked:
        return RedirectResponse(locked_address(f"/jobs/{job}/now", stopped=True), status_code=303)
    return await show(request, job, state)


@panel.post("/stop-reason")
async def stop_reason(request: Request, job: str) -> Response:
    """Give the reason of a stop."""
    form = await posted(request)
    request.state.refill = Refill("stop", {"reason": form.get("reason"), "text": form.get("text")})
    state = await do(request, job, ExplainStop(form.need("reason"), form.get("text")), form)
    return await show(request, job, state)


@router.get("/reopen")
async def reopen_form(request: Request, job: str) -> Response:
    """Show where an interrupted job stands and what to look at before it goes on."""
    state = await known(request, job)
    return html(request, "reopen.html", page=reopen_page(job, state, session_of(request), _remaining(state)))


@router.post("/reopen")
async def reopen(request: Request, job: str) -> Response:
    """Re-open a job, signed by the lead with a written answer."""
    form = await posted(request, most=LIST_FIELDS)
    by = await signer(request, form, session_of(request).who.id)
    again = tuple(name.removeprefix("again.") for name in form.fields if name.startswith("again."))
    await do(request, job, Reopen(form.need("answer"), again, form.get("extra")), form, by=by)
    return RedirectResponse(f"/jobs/{job}/now", status_code=303)


@router.post("/corrections")
async def correct(request: Request, job: str) -> Response:
    """Correct one answer with a reason; the first one stays readable."""
    form = await posted(request)
    step, ask, now, why = (form.need(name) for name in ("step", "ask", "now", "reason"))
    command = Correct(step, ask, now, why, form.get("again"), await _second(request, form))
    await do(request, job, command, form)
    return RedirectResponse(f"/jobs/{job}/now", status_code=303)


@router.post("/withdrawals")
async def withdraw(request: Request, job: str) -> Response:
    """Take a mark back with a reason."""
    form = await posted(request)
    await do(request, job, Withdraw(form.need("step"), form.need("reason")), form)
    return RedirectResponse(f"/jobs/{job}/now", status_code=303)


@panel.post("/submit")
async def submit(request: Request, job: str) -> Response:
    """Hand the finished job to review, signed by the lead."""
    form = await posted(request)
    back = form.get("permit_back")
    request.state.refill = Refill(SUBMITTED, {"permit_back": back})
    if (await known(request, job)).permit_until is not None and not back.strip():
        raise Invalid("This job has a permit on record. Enter to whom it was handed back, and how.")
    by = await signer(request, form, session_of(request).who.id)
    return await show(request, job, await do(request, job, Submit(back), form, by=by))
