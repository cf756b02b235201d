"""As-found surveys: a housing looked over on a tablet and signed, and what a lead answers to what differs."""

import asyncio
from typing import TYPE_CHECKING
from urllib.parse import quote

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from app.domain.event_base import proof_of
from app.domain.procedure import Role
from app.records.moments import site_day, utc_text
from app.services.planning import find_housing
from app.web.context import session_of, site_of
from app.web.entered import NOTHING, Refilled, entered, tried
from app.web.forms import Posted, posted
from app.web.render import html
from app.web.signing import signer

if TYPE_CHECKING:
    from app.web.views.survey import SurveyPage

# What these pages are made from is loaded with the first of them, and not with the first page of the site.
router = APIRouter()
SURVEY_FIELDS = 700
"""Above what the survey of a housing with all its ports and points has."""


@router.get("/housings/{tag}/survey")
async def survey(request: Request, tag: str) -> Response:
    """Show the points to look at, each with what the register has."""
    return await _survey(request, tag, NOTHING)


async def _survey(request: Request, tag: str, form: Refilled) -> Response:
    page = await run_in_threadpool(_page, request, tag, form)
    return html(request, "survey.html", form.status, page=page)


def _page(request: Request, tag: str, form: Refilled) -> "SurveyPage":
    from app.domain.signing import SURVEYED
    from app.web.views.survey import survey_page

    site = site_of(request)
    state, now = site.jobs.site(), utc_text(site.clock())
    today = site_day(now, state.zone)
    return survey_page(find_housing(site.library, tag), state, form, meaning=SURVEYED, now=now, today=today)


@router.post("/housings/{tag}/survey")
async def take_survey(request: Request, tag: str) -> Response:
    """Enter a survey, signed by who is signed in."""
    site, form = site_of(request), await posted(request, most=SURVEY_FIELDS, faults_later=True)

    async def doing() -> None:
        photos = await run_in_threadpool(_photos, request, form)
        by = await signer(request, form, session_of(request).who.id)
        proof = proof_of(request.state.both)
        future = await run_in_threadpool(site.housing_register.survey, tag, form.fields, photos, proof=proof, by=by)
        await asyncio.wrap_future(future)

    refused = await tried(doing, form)
    if refused.told:
        return await _survey(request, tag, refused)
    return RedirectResponse(f"/housings/{quote(tag, safe='')}", status_code=303)


def _photos(request: Request, form: Posted) -> list[str]:
    """Return the photos of a survey by name: those sent now, and those that a refused form had brought already."""
    from app.domain.surveying import MOST_PHOTOS

    names = [form.get(f"photo.{place}") or form.get(f"photo-kept.{place}") for place in range(1, MOST_PHOTOS + 1)]
    for name in names:
        if name:
            site_of(request).photos.need(name)
    return list(dict.fromkeys(name for name in names if name))


@router.get("/surveys")
async def surveys(request: Request) -> Response:
    """List what differs from the register and waits for an answer, and the surveys taken."""
    return await _surveys(request, NOTHING)


async def _surveys(request: Request, form: Refilled) -> Response:
    from app.web.views.survey import surveys_page

    state = await run_in_threadpool(site_of(request).jobs.site)
    page = surveys_page(state, may_answer=session_of(request).who.role is Role.LEAD, form=form)
    return html(request, "surveys.html", form.status, page=page)


@router.post("/surveys")
async def answer(request: Request) -> Response:
    """Answer a difference: the register was changed, or it is right."""
    site, form, who = site_of(request), await posted(request), session_of(request).who
    form.need("entry")
    refused = await entered(lambda: site.housing_register.answer(form.fields, by=who), form)
    return await _surveys(request, refused) if refused.told else RedirectResponse("/surveys", status_code=303)
