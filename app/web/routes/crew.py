"""The crew of a job: brief and acknowledgement, team pauses, the log, questions after the work, lessons of the site."""

from asyncio import wrap_future
from dataclasses import replace

from fastapi import APIRouter, Depends, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from app.calc.errors import Invalid
from app.domain.commands import WriteNote
from app.domain.crew import Acknowledge, ConfirmPause, LeaveCrew
from app.domain.event_base import Who
from app.domain.job_lines import JobLine, JobLines
from app.domain.lessons import AnswerDeviation
from app.services.ports import Person
from app.web.context import Site, asked_by, session_of, site_of
from app.web.entered import NOTHING, Refilled, tried
from app.web.forms import Posted, passed_by, posted
from app.web.render import html
from app.web.routes.work import do, known, on_panel, show
from app.web.signing import beside, signer
from app.web.views.crew import SPOKEN_ALOUD, SPOKEN_SECRET
from app.web.views.step import Refill
from app.web.views.work import Notice

MOST_JOBS, MOST_READ = 500, 10
"""How many jobs one page of what was taught looks at, and how many of them it reads: reading one takes its time."""
"""The lessons of so many jobs stand on one page; older ones are a tap away (this program's figure)."""
router = APIRouter(prefix="/jobs/{job}")
panel = APIRouter(prefix="/jobs/{job}", dependencies=[Depends(on_panel)])
site = APIRouter()
# What these pages are made from is loaded with the first of them, and not with the first page of the site.


async def _everyone(request: Request) -> tuple[Person, ...]:
    return await run_in_threadpool(site_of(request).people.everyone)


# --- the brief ----------------------------------------------------------------------------------


@router.get("/brief")
async def brief(request: Request, job: str) -> Response:
    """Show the brief of a job on one page, and the form to acknowledge it."""
    return await _brief(request, job, NOTHING)


async def _brief(request: Request, job: str, form: Refilled, leaving: Refilled = NOTHING) -> Response:
    state, people = await known(request, job), await _everyone(request)
    from app.web.views.crew_pages import brief_page

    page = brief_page(job, state, session_of(request), people, form=form, leaving=leaving)
    return html(request, "brief.html", max(form.status, leaving.status), page=page)


@router.post("/brief")
async def acknowledge(request: Request, job: str) -> Response:
    """Acknowledge the brief in own words, with the own secret; the next of the crew may do so on the same page."""
    form = await posted(request)
    await known(request, job)

    async def doing() -> None:
        by = await signer(request, form, form.need("person"))
        await do(request, job, Acknowledge(form.need("part"), form.need("words")), form, by=by)

    refilled = await tried(doing, form)
    if refilled.told:
        return await _brief(request, job, refilled)
    state = await known(request, job)
    to = f"/jobs/{job}/brief" if state.crew.waiting else f"/jobs/{job}/now"
    return RedirectResponse(to, status_code=303)


@router.post("/crew/left")
async def left(request: Request, job: str) -> Response:
    """Take somebody off the crew, with the reason."""
    form = await posted(request)
    await known(request, job)

    async def doing() -> None:
        await do(request, job, LeaveCrew(form.need("person"), form.need("reason")), form)

    refilled = await tried(doing, form)
    if refilled.told:
        return await _brief(request, job, NOTHING, refilled)
    return RedirectResponse(f"/jobs/{job}/brief", status_code=303)


# --- team pauses --------------------------------------------------------------------------------


@panel.post("/pause")
async def pause(request: Request, job: str) -> Response:
    """Keep who has spoken at the pause: first those with their own secret, then those who were heard."""
    form = await posted(request)
    step, token = form.need("step"), form.need("token")
    spoken = {name: text for name, text in form.fields.items() if name.startswith(SPOKEN_SECRET) and text}
    ticked = tuple(name.removeprefix(SPOKEN_ALOUD) for name in form.fields if name.startswith(SPOKEN_ALOUD))
    request.state.refill = Refill(step, {SPOKEN_ALOUD + name: "on" for name in ticked})
    aloud = tuple(name for name in ticked if SPOKEN_SECRET + name not in spoken)
    if not spoken and not aloud:
        raise Invalid("Nobody was named. Tick who said it aloud, or let them enter their own secret.")
    await known(request, job)
    for name, secret in spoken.items():
        person = name.removeprefix(SPOKEN_SECRET)
        by = await beside(request, person, secret)
        request.state.both = True  # the row names the person, and the secret is typed beside it
        await _spoke(request, job, ConfirmPause(step), f"{token}.{person}", form, by)
    if aloud:
        await _spoke(request, job, ConfirmPause(step, aloud), token, form, session_of(request).who)
    state = await known(request, job)
    missing = ", ".join(who.name for who in state.unspoken(step))
    over = state.due is None or state.due.id != step
    told = "Everybody has spoken." if over else f"Still to speak: {missing}."
    return await show(request, job, state, Notice("good", told))


async def _spoke(request: Request, job: str, command: ConfirmPause, token: str, form: Posted, by: Who) -> None:
    asked = replace(asked_by(request, token=token, device_at=form.get("device_at")), by=by)
    recorded = await wrap_future(site_of(request).jobs.record(job, command, asked))
    if recorded.refused is not None:
        raise recorded.refused


# --- the log ------------------------------------------------------------------------------------


@router.get("/log")
async def log(request: Request, job: str) -> Response:
    """Show every note of a job in its place in time, and the form to write one."""
    return await _log(request, job, NOTHING)


async def _log(request: Request, job: str, form: Refilled) -> Response:
    state = await known(request, job)
    events = await run_in_threadpool(site_of(request).jobs.events, job)
    from app.web.views.crew_pages import log_page

    page = log_page(job, state, events, session_of(request), form=form)
    return html(request, "log.html", form.status, page=page)


@router.post("/log")
async def write(request: Request, job: str) -> Response:
    """Write a note, perhaps one that goes on from another."""
    form = await posted(request)
    follows = form.get("follows")
    if follows and not (follows.isascii() and follows.isdigit() and len(follows) < 10):
        raise Invalid(f"{follows[:20]!r} is not the number of an entry. Choose one of the notes shown, or none.")
    command = WriteNote(form.need("text"), form.get("step") or None, int(follows) if follows else None)
    refilled = await tried(lambda: do(request, job, command, form), form)
    return await _log(request, job, refilled) if refilled.told else RedirectResponse(f"/jobs/{job}/log", 303)


# --- questions after the work -------------------------------------------------------------------


@router.get("/questions")
async def questions(request: Request, job: str) -> Response:
    """Show every deviation with its questions, and the answers given."""
    return await _questions(request, job, NOTHING)


async def _questions(request: Request, job: str, form: Refilled) -> Response:
    state = await known(request, job)
    from app.web.views.crew_pages import questions_page

    page = questions_page(job, state, session_of(request), form=form)
    return html(request, "questions.html", form.status, page=page)


@router.post("/questions")
async def answer(request: Request, job: str) -> Response:
    """Answer about one deviation."""
    form = await posted(request)
    entry = form.need("entry")
    if not (entry.isascii() and entry.isdigit() and len(entry) < 10):
        raise Invalid(f"{entry[:20]!r} is not the number of an entry. Choose one of the deviations listed.")
    command = AnswerDeviation(int(entry), form.need("differed"), form.get("why"), form.get("change"))
    refilled = await tried(lambda: do(request, job, command, form), form)
    if refilled.told:
        return await _questions(request, job, refilled)
    state = await known(request, job)
    return RedirectResponse(f"/jobs/{job}/{'questions' if state.unanswered else 'now'}", status_code=303)


@site.get("/lessons")
async def lessons(request: Request) -> Response:
    """Show what the jobs of the site taught, by procedure, for whoever owns it."""
    from app.web.views.crew_pages import lessons_page

    site, skip = site_of(request), passed_by(request)
    state = await run_in_threadpool(site.jobs.site)
    lines, past = await run_in_threadpool(_that_taught, site, state.jobs, skip)
    jobs = await run_in_threadpool(site.jobs.with_states, lines)
    return html(
        request, "lessons.html", page=lessons_page(jobs, state.suggestions.taught, past=past, of=len(state.jobs))
    )


def _that_taught(site: Site, jobs: JobLines, skip: int) -> tuple[list[JobLine], int]:
    """Return some jobs that have answered, newest first, and how many jobs were looked at; only these are read."""
    looked = jobs.newest(MOST_JOBS, skip=skip)
    found: list[JobLine] = []
    for place, line in enumerate(looked):
        if len(found) == MOST_READ:
            return found, skip + place
        found += [line] if site.jobs.told(line).lessons else []
    return found, skip + len(looked)
