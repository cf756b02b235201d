"""The first page, a housing, and planning a job for it."""

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from app.calc.errors import Invalid
from app.domain.commands import Open
from app.domain.procedure import Role
from app.domain.refused import Refused
from app.domain.site import issued_digests
from app.records.moments import site_day, utc_text
from app.services.planning import Plan, find_housing, find_procedure, first_entry, lessons_of, plan, with_depths
from app.web.awaiting import done
from app.web.context import Site, asked_by, session_of, site_of
from app.web.entered import NOTHING, Refilled, tried
from app.web.forms import Posted, passed_by, posted
from app.web.render import html
from app.web.roles import KEEPERS
from app.web.views.alerts import alert_rows, secret_told
from app.web.views.crew import standing_words
from app.web.views.in_hand import REASONS, jobs_in_hand
from app.web.views.job_list import jobs_page
from app.web.views.pages import SHOWN_AT_ONCE, ended_row, front_page, job_row, plan_page

MOST_TRIES = 8
"""More leads than would open jobs at one moment (our figure)."""
router = APIRouter()


@router.get("/")
async def front(request: Request) -> Response:
    """Housings and their jobs: what is due, what is in hand, what waits for whom."""
    site, session = site_of(request), session_of(request)
    if session.who.role is Role.ADMINISTRATOR:
        return RedirectResponse("/people", status_code=303)
    jobs = await run_in_threadpool(site.jobs.in_hand)
    state = await run_in_threadpool(site.jobs.site)
    page = front_page(jobs, state, site.library.housings(), site.library.faults(), session)
    return html(
        request,
        "front.html",
        page=page,
        alerts=alert_rows(state, session),
        secret=secret_told(state, session),
        keeper=session.who.role in KEEPERS,
    )


@router.get("/in-hand")
async def in_hand(request: Request) -> Response:
    """Jobs that have not ended, for everybody: which work goes on, and a way to stop it."""
    jobs = await run_in_threadpool(site_of(request).jobs.in_hand)
    return html(request, "in_hand.html", jobs=jobs_in_hand(jobs), reasons=REASONS)


@router.get("/jobs")
async def find_job(request: Request) -> Response:
    """Find a job by its number or its housing, or look through all of them, newest first."""
    text = " ".join(request.query_params.get("find", "").split())[:60]
    state = await run_in_threadpool(site_of(request).jobs.site)
    page = jobs_page(state, text, skip=passed_by(request), count=SHOWN_AT_ONCE)
    return html(request, "jobs.html", page=page)


@router.get("/housings/{tag}")
async def housing(request: Request, tag: str) -> Response:
    """One housing: its data and its jobs."""
    site, session = site_of(request), session_of(request)
    found = find_housing(site.library, tag)
    state = await run_in_threadpool(site.jobs.site)
    lines = state.jobs.of_housing(tag)
    jobs = await run_in_threadpool(site.jobs.with_states, [line for line in lines if state.jobs.is_in_hand(line.job)])
    rows = [job_row(line, job, session.who.role) for line, job in jobs]
    rows += [ended_row(line, state.zone) for line in lines if not state.jobs.is_in_hand(line.job)]
    return html(request, "housing.html", housing=found, jobs=rows, may_plan=session.who.role is Role.LEAD)


@router.get("/plan/{tag}")
async def plan_form(request: Request, tag: str) -> Response:
    """Plan a job: take-off, steps, and the model's verdict, before anything is opened."""
    return await _planned(request, tag, dict(request.query_params), NOTHING)


async def _planned(request: Request, tag: str, asked: dict[str, str], refilled: Refilled) -> Response:
    site = site_of(request)
    made = await run_in_threadpool(_plan, site, tag, asked)
    people = await run_in_threadpool(site.people.everyone)
    register = await run_in_threadpool(site.jobs.site)
    on, needs = site_day(utc_text(site.clock()), register.zone), made.procedure.needs
    crew = tuple(
        (p.id, p.name, p.role.words, standing_words(p.who, register.qualifications, needs, on))
        for p in people
        if p.role in (Role.TECHNICIAN, Role.SAFETY_OFFICER)
    )
    names = tuple((procedure.id, procedure.title) for procedure, _ in site.library.procedures())
    in_hand = await run_in_threadpool(_in_hand, site, tag)
    page = plan_page(made, names, crew)
    return html(request, "plan.html", refilled.status, page=page, in_hand=in_hand, refilled=refilled)


def _in_hand(site: Site, tag: str) -> tuple[str, ...]:
    """The numbers of the jobs on this housing whose record has not been accepted."""
    jobs = site.jobs.site().jobs
    return tuple(line.number for line in jobs.of_housing(tag) if jobs.is_in_hand(line.job))


@router.post("/plan/{tag}")
async def open_job(request: Request, tag: str) -> Response:
    """Open the planned job; the model has the last word."""
    form = await posted(request)
    opened: list[str] = []

    async def doing() -> None:
        opened.append(await _opened(request, tag, form))

    refilled = await tried(doing, form)
    if refilled.told:
        return await _planned(request, tag, dict(form.fields), refilled)
    return RedirectResponse(f"/jobs/{opened[0]}/now", status_code=303)


async def _opened(request: Request, tag: str, form: Posted) -> str:
    """Open a job under the next number; where another took that number meanwhile, look at the site anew."""
    tries = 1
    while True:
        try:
            return await _opened_as_next(request, tag, form)
        except Refused as no:
            if no.code != "already_open" or tries == MOST_TRIES:
                raise
            tries += 1


async def _opened_as_next(request: Request, tag: str, form: Posted) -> str:
    site = site_of(request)
    made = await run_in_threadpool(_plan, site, tag, dict(form.fields))
    people = await run_in_threadpool(site.people.everyone)
    if (others := await run_in_threadpool(_in_hand, site, tag)) and form.get("beside") != "on":
        raise Invalid(
            f"Job {others[0]} on {tag} is not finished. Finish it first, or tick on the planning page that you have "
            "looked at it and open this one beside it all the same."
        )
    if strangers := {name.removeprefix("crew.") for name in form.fields if name.startswith("crew.")} - {
        person.id for person in people
    }:
        raise Invalid(f"There is nobody {min(strangers)!r} to be in the crew. Choose from those shown.")
    chosen = tuple(person.who for person in people if f"crew.{person.id}" in form.fields)
    state = await run_in_threadpool(site.jobs.site)
    lessons = lessons_of(await run_in_threadpool(site.jobs.of_housing, tag), tag)
    draft = first_entry(
        made, site=state, by=session_of(request).who, at=utc_text(site.clock()), crew=chosen, rehearsal=False,
        lessons=lessons,
    )  # fmt: skip
    await done(site.jobs.record(draft.ledger, Open(draft), asked_by(request, token=form.need("token"))))
    return draft.ledger


def _plan(site: Site, tag: str, asked: dict[str, str]) -> Plan:
    found = find_housing(site.library, tag)
    procedure, digest = find_procedure(
        site.library, asked.get("procedure") or "change-out", issued_digests(site.jobs.site())
    )
    depths = {port.id: asked[f"depth.{port.id}"] for port in found.ports if asked.get(f"depth.{port.id}")}
    for port, depth in depths.items():
        if not (depth.isascii() and depth.isdigit() and 1 <= int(depth) <= found.port(port).filters):
            raise Invalid(
                f"Port {port} is to be replaced down to position {depth!r}; give 1 to {found.port(port).filters}."
            )
    return plan(with_depths(found, {port: int(depth) for port, depth in depths.items()}), procedure, digest)
