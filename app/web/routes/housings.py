"""The first page, a housing, and planning a job for it."""

from collections.abc import Mapping
from concurrent.futures import Future
from typing import TYPE_CHECKING
from urllib.parse import quote

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from app.calc.errors import Invalid
from app.domain.commands import Open
from app.domain.issuing import texts_waiting
from app.domain.off_register import complain_if_off
from app.domain.procedure import Role
from app.domain.refused import Refused
from app.domain.scheduling import waiting_plan
from app.domain.site import SiteState, issued_digests
from app.records.moments import site_day, utc_text
from app.services.planning import Plan, find_housing, find_procedure, first_entry, lessons_of, plan, with_depths
from app.services.ports import Session
from app.web.awaiting import done
from app.web.context import Site, asked_by, session_of, site_of
from app.web.entered import NOTHING, Refilled, entered, tried
from app.web.forms import Posted, passed_by, posted
from app.web.render import html
from app.web.roles import KEEPERS
from app.web.views.alerts import alert_rows, secret_told
from app.web.views.crew import standing_words
from app.web.views.in_hand import REASONS, jobs_in_hand
from app.web.views.job_list import jobs_page
from app.web.views.pages import LONGEST_SEARCH, SHOWN_AT_ONCE, Front, JobRow, ended_row, front_page, job_row, plan_page

if TYPE_CHECKING:
    from app.web.views.housing import HousingPage
    from app.web.views.owed import Owed

MOST_TRIES = 8
"""More leads than would open jobs at one moment (our figure)."""
router = APIRouter()


@router.get("/")
async def front(request: Request) -> Response:
    """Housings and their jobs: what is due, what is in hand, what waits for whom."""
    site, session = site_of(request), session_of(request)
    if session.who.role is Role.ADMINISTRATOR:
        return RedirectResponse("/people", status_code=303)
    page = await run_in_threadpool(_front, site, session, request.query_params)
    state = await run_in_threadpool(site.jobs.site)
    return html(
        request,
        "front.html",
        page=page,
        alerts=alert_rows(state, session),
        secret=secret_told(state, session),
        keeper=session.who.role in KEEPERS,
        owed=await run_in_threadpool(_owed, site, state, session),
        suggested=state.suggestions.waiting_for(session.who.id) if session.who.role in KEEPERS else 0,
        to_inspect=len(state.store.to_inspect),
        texts=await run_in_threadpool(lambda: texts_waiting(state, site.library.procedures(), session.who)),
        differences=len(state.housed.differences) if session.who.role is Role.LEAD else 0,
    )


def _owed(site: Site, state: SiteState, session: Session) -> "Owed | None":
    """What of planned work is owed; it is not loaded where no work is planned."""
    if not state.planned.waiting:
        return None
    from app.web.views.owed import owed

    return owed(state, site.library.housing, session.who, site_day(utc_text(site.clock()), state.zone))


def _front(site: Site, session: Session, asked: Mapping[str, str]) -> Front:
    words, page = " ".join(asked.get("q", "").split())[:LONGEST_SEARCH], asked.get("page", "")
    return front_page(
        site.jobs.in_hand(), site.jobs.site(), site.library.holding(words), site.library.faults(), session, words=words,
        page=int(page) if page.isascii() and page.isdigit() and len(page) < 7 else 1,
        all_of_them=len(site.library.housings()),
    )  # fmt: skip


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
    """One housing: its nameplate, filters in place, what differs, its jobs."""
    return await _housing(request, tag)


async def _housing(
    request: Request, tag: str, form: Refilled = NOTHING, leaving: Refilled = NOTHING, taking: Refilled = NOTHING,
    pictured: Refilled = NOTHING,
) -> Response:  # fmt: skip
    page = await run_in_threadpool(_housing_page, request, tag, form, leaving)
    status = max(form.status, leaving.status, taking.status, pictured.status)
    return html(request, "housing.html", status, page=page, taking=taking, pictured=pictured)


def _housing_page(request: Request, tag: str, form: Refilled, leaving: Refilled) -> "HousingPage":
    from app.web.views.housing import housing_page

    site, role = site_of(request), session_of(request).who.role
    found, state = find_housing(site.library, tag), site.jobs.site()
    rows = _job_rows(site, state, tag, role)
    today = site_day(utc_text(site.clock()), state.zone)
    digest = site.housing_register.digest(tag)
    return housing_page(found, digest, state, rows, role, today, form=form, leaving=leaving)


def _job_rows(site: Site, state: SiteState, tag: str, role: Role) -> tuple[JobRow, ...]:
    """The jobs on a housing: those in hand with what is due, then those that ended by their line."""
    lines = state.jobs.of_housing(tag)
    working = site.jobs.with_states(line for line in lines if state.jobs.is_in_hand(line.job))
    ended = (ended_row(line, state.zone) for line in lines if not state.jobs.is_in_hand(line.job))
    return (*(job_row(line, job, role) for line, job in working), *ended)


@router.post("/housings/{tag}/filters")
async def place_filter(request: Request, tag: str) -> Response:
    """Enter that a filter is in a position."""
    site, form, who = site_of(request), await posted(request), session_of(request).who
    form.need("serial")
    refused = await entered(lambda: site.housing_register.place_filter(tag, _one_spot(form.fields), by=who), form)
    return await _housing(request, tag, form=refused) if refused.told else _back(tag)


@router.post("/housings/{tag}/taken-out")
async def take_filter_out(request: Request, tag: str) -> Response:
    """Enter that a filter has left its position."""
    site, form, who = site_of(request), await posted(request), session_of(request).who
    refused = await entered(lambda: site.housing_register.take_filter_out(tag, _one_spot(form.fields), by=who), form)
    return await _housing(request, tag, leaving=refused) if refused.told else _back(tag)


@router.post("/housings/{tag}/photos")
async def put_photo_on(request: Request, tag: str) -> Response:
    """Put a photo of a housing on the register, with what it shows."""
    site, form, who = site_of(request), await posted(request, faults_later=True), session_of(request).who
    photo, shows = form.get("photo") or form.get("photo_kept"), form.get("shows")

    def making() -> "Future[SiteState]":
        if photo:
            site.photos.need(photo)
        return site.housing_register.photograph(tag, photo, shows, by=who)

    refused = await entered(making, form)
    return await _housing(request, tag, pictured=refused) if refused.told else _back(tag)


@router.post("/housings/{tag}/photos/down")
async def take_photo_down(request: Request, tag: str) -> Response:
    """Take a photo down from the register, with the reason."""
    site, form, who = site_of(request), await posted(request), session_of(request).who
    entry, reason = form.need("entry"), form.get("reason")
    refused = await entered(lambda: site.housing_register.take_photo_down(tag, entry, reason, by=who), form)
    return await _housing(request, tag, pictured=refused) if refused.told else _back(tag)


@router.post("/housings/{tag}/off")
async def take_off(request: Request, tag: str) -> Response:
    """Take a housing off the register, with the reason."""
    site, form, who = site_of(request), await posted(request), session_of(request).who
    refused = await entered(lambda: site.housing_register.take_off(tag, form.need("reason"), by=who), form)
    return await _housing(request, tag, taking=refused) if refused.told else _back(tag)


@router.post("/housings/{tag}/back")
async def put_back(request: Request, tag: str) -> Response:
    """Put a housing back on the register, with the reason."""
    site, form, who = site_of(request), await posted(request), session_of(request).who
    refused = await entered(lambda: site.housing_register.put_back(tag, form.need("reason"), by=who), form)
    return await _housing(request, tag, taking=refused) if refused.told else _back(tag)


def _one_spot(fields: Mapping[str, str]) -> dict[str, str]:
    """Return port and position of a choice among those that are filled, such as `P1/2`."""
    port, _, position = fields.get("spot", "").rpartition("/")
    return {**fields, "port": port, "position": position}


def _back(tag: str) -> Response:
    return RedirectResponse(f"/housings/{quote(tag, safe='')}", status_code=303)


@router.get("/plan/{tag}")
async def plan_form(request: Request, tag: str) -> Response:
    """Plan a job: take-off, steps, and the model's verdict, before anything is opened."""
    return await _planned(request, tag, dict(request.query_params), NOTHING)


async def _planned(request: Request, tag: str, asked: dict[str, str], refilled: Refilled) -> Response:
    from app.domain.readiness_items import is_ready
    from app.domain.readying import agreed_words, off_hours, unready_words

    site, now = site_of(request), utc_text(site_of(request).clock())
    made = await run_in_threadpool(_plan, site, tag, asked)
    people = await run_in_threadpool(site.people.everyone)
    register = await run_in_threadpool(site.jobs.site)
    on, needs = site_day(now, register.zone), made.procedure.needs
    crew = tuple(
        (p.id, p.name, p.role.words, standing_words(p.who, register.qualifications, needs, on))
        for p in people
        if p.role in (Role.TECHNICIAN, Role.SAFETY_OFFICER)
    )
    names = tuple((procedure.id, procedure.title) for procedure, _ in site.library.procedures())
    in_hand = await run_in_threadpool(_in_hand, site, tag)
    planned = waiting_plan(register, asked["plan"]) if asked.get("plan") and not refilled.told else None
    if planned is not None and planned.housing != tag:
        raise Invalid(f"{planned.plan} is for {planned.housing}, not for {tag}. Open it from its own page.")
    known = register.planned.get(asked.get("plan", ""))
    ready = known is not None and is_ready(known, made.housing.service)
    told = "" if known is None else agreed_words(known) if ready else unready_words(known, made.housing.service)
    waiting = tuple(item for item in register.planned.waiting if item.housing == tag)
    from app.web.views.housing import difference_rows

    differences = difference_rows(register.housed.open_at(tag), register.zone)
    page = plan_page(
        made, register, names, crew, planned=asked.get("plan", ""), named=planned.intent.crew if planned else ()
    )
    return html(
        request, "plan.html", refilled.status, page=page, in_hand=in_hand, refilled=refilled, waiting=waiting,
        ready=ready, ready_told=told, differences=differences,
        off_hours=off_hours(known, now, register.zone) if known is not None else "",
    )  # fmt: skip


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
    from app.domain.readying import prepared

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
    if unprintable := site.unprintable(form.get("unready")):
        raise Invalid(unprintable)
    chosen = tuple(person.who for person in people if f"crew.{person.id}" in form.fields)
    state = await run_in_threadpool(site.jobs.site)
    lessons = await run_in_threadpool(_lessons, site, tag)
    at = utc_text(site.clock())
    draft = first_entry(
        made, site=state, by=session_of(request).who, at=at, crew=chosen, rehearsal=False,
        lessons=lessons,
        prepared=(
            prepared(state, form.get("plan"), made.housing, form.get("unready"), at=at) if form.get("plan") else None
        ),
    )  # fmt: skip
    await done(site.jobs.record(draft.ledger, Open(draft), asked_by(request, token=form.need("token"))))
    return draft.ledger


def _lessons(site: Site, tag: str) -> tuple[str, ...]:
    return lessons_of((line, site.jobs.told(line)) for line in site.jobs.site().jobs.of_housing(tag))


def _plan(site: Site, tag: str, asked: dict[str, str]) -> Plan:
    found = find_housing(site.library, tag)
    complain_if_off(site.jobs.site(), tag)
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
