"""Tablets that lose the server: panels to take along, marks that come later, and accounts that differ."""

import json
from asyncio import wrap_future
from concurrent.futures import Future
from dataclasses import replace
from functools import partial
from typing import Annotated

from fastapi import APIRouter, Depends, Request
from pydantic import Field, ValidationError
from starlette.concurrency import run_in_threadpool
from starlette.responses import JSONResponse, Response

from app.calc.errors import Invalid
from app.domain.commands import Begin, Command, DecideContest, Finish, Knowledge, Late, StopWork
from app.domain.judging import LONGEST_ANSWER
from app.domain.refused import Refused
from app.domain.text import Kept, sentence_from
from app.services.jobs import Asked, Recorded
from app.web.awaiting import around_for, state_of
from app.web.context import Site, session_of, site_of, worker_chosen
from app.web.forms import posted
from app.web.render import piece
from app.web.routes.work import do, known, on_panel, show
from app.web.views.ahead import ahead, way_to_rest
from app.web.views.contests import CONTESTS
from app.web.views.step import Around, Refill
from app.web.views.work import Notice, work_view

MOST_MARKS = 100
LONGEST_BODY = 400_000

router = APIRouter(prefix="/jobs/{job}")
panel = APIRouter(prefix="/jobs/{job}", dependencies=[Depends(on_panel)])
photos = APIRouter(prefix="/photos/{sha256}")


class KeptMark(Kept):
    """One mark as a tablet kept it.  n: the tablet's own count.  seen: the size of the job as the tablet knew it.

    line, acknowledged, before, before_token: as in `app.domain.commands.Knowledge`.
    """

    n: int = Field(ge=1)
    act: str = Field(pattern="^(begin|finish|stop)$")
    step: str = Field(default="", max_length=200)
    answers: dict[Annotated[str, Field(max_length=60)], Annotated[str, Field(max_length=LONGEST_ANSWER)]] = Field(
        default_factory=dict, max_length=60
    )
    note: str = Field(default="", max_length=LONGEST_ANSWER)
    worker: str = Field(default="", max_length=80)
    hazards: str | None = Field(default=None, max_length=64)
    token: str = Field(min_length=16, max_length=64)
    device_at: str = Field(max_length=40)
    seen: int = Field(ge=0, le=10**9)
    line: str = Field(default="", max_length=60)
    acknowledged: bool = False
    before: int = Field(default=0, ge=0)
    before_token: str = Field(default="", max_length=64)


class Sent(Kept):
    """What a tablet sends: its clock now, who made the marks, and the marks in the order in which they were made."""

    sent_at: str = Field(max_length=40)
    person: str
    marks: tuple[KeptMark, ...] = Field(max_length=MOST_MARKS)


@router.get("/ahead")
async def look_ahead(request: Request, job: str) -> Response:
    """Give the panels that this tablet may need while the server is out of reach."""
    site, session = site_of(request), session_of(request)
    state = await known(request, job)
    panels = []
    for item in ahead(state, session.who):
        around = await around_for(site, item.state, worker_chosen(request, job)) if not item.waits else Around()
        work = replace(  # the panel is one to come; the tablet knows no more entries than there are
            work_view(job, item.state, session, around), size=state.size, unsettled=state.unsettled_at
        )
        at_rest, to_rest = await run_in_threadpool(way_to_rest, item.state)
        panels.append({
            "at_rest": at_rest, "to_rest": to_rest, "step": item.step, "act": item.act, "checks": item.checks,
            "waits": item.waits,
            "html": "" if item.waits else piece(request, "_work.html", work=work),
        })  # fmt: skip
    told = {
        "job": job, "size": state.size, "unsettled": state.unsettled_at, "person": session.who.id, "line": site.line,
        "counted": state.counted.get(session.tablet, 0),
    }  # fmt: skip
    return JSONResponse({**told, "panels": panels})


@router.post("/kept")
async def take_kept(request: Request, job: str) -> Response:
    """Take marks that a tablet kept, in their order; each is answered for after it is durable."""
    site, session = site_of(request), session_of(request)
    sent = await _sent(request)
    if sent.person != session.who.id:
        raise Refused("waiting", "These marks were made by somebody else. They wait on the tablet for their sign-in.")
    if (await state_of(site, job)).opened is None:
        return JSONResponse({"results": [_lost(mark, site) for mark in sent.marks], "line": site.line})
    asked = [
        Asked(session.who, session.tablet, mark.device_at, mark.token, sent_at=sent.sent_at, number=mark.n)
        for mark in sent.marks
    ]
    waiting = [(mark, _handed_in(site, job, mark, by)) for mark, by in zip(sent.marks, asked, strict=True)]
    results: list[dict[str, object]] = []
    for mark, future in waiting:
        try:
            refused = (await wrap_future(future)).refused
        except (Refused, Invalid) as no:
            results.append({"n": mark.n, "taken": False, "told": str(no)})
        else:
            results.append({"n": mark.n, "taken": refused is None, "told": str(refused or "")})
    state = await state_of(site, job)
    return JSONResponse({"results": results, "stage": str(state.stage), "size": state.size, "line": site.line})


def _lost(mark: KeptMark, site: Site) -> dict[str, object]:
    """Answer for a mark on a job that this site does not have."""
    why = " It went on from a backup made before the job was opened." if site.line else ""
    told = f"This site has no such job.{why} The mark stays on the tablet; show it to a lead."
    return {"n": mark.n, "taken": False, "told": told}


async def _sent(request: Request) -> Sent:
    body = await request.body()
    if len(body) > LONGEST_BODY:
        raise Invalid(
            f"The tablet sent {len(body)} bytes of marks; {LONGEST_BODY} is the most this program takes at once."
        )
    try:
        return Sent.model_validate(json.loads(body))
    except ValidationError as fault:
        raise sentence_from(fault, what="The kept marks") from None
    except (ValueError, RecursionError):
        raise Invalid("The tablet sent marks that cannot be read. They stay on the tablet.") from None


def _handed_in(site: Site, job: str, mark: KeptMark, asked: Asked) -> "Future[Recorded]":
    """Hand a mark to the writer; what cannot be handed in has failed already."""
    try:
        return site.jobs.record(job, _command(mark), asked)
    except (Refused, Invalid) as no:
        failed: Future[Recorded] = Future()
        failed.set_exception(no)
        return failed


def _command(mark: KeptMark) -> Command:
    match mark.act:
        case "stop":
            return StopWork(kept=True, seen=mark.seen, knowledge=_knowledge(mark))
        case "begin":
            done: Begin | Finish = Begin(mark.step, worker=mark.worker, answers=mark.answers, hazards=mark.hazards)
        case _:
            done = Finish(mark.step, mark.answers, mark.note, worker=mark.worker, hazards=mark.hazards)
    return Late(done, mark.seen, _knowledge(mark))


def _knowledge(mark: KeptMark) -> Knowledge:
    return Knowledge(mark.line, mark.acknowledged, mark.before, mark.before_token)


@photos.get("/held")
async def photo_held(request: Request, sha256: str) -> Response:
    """Say how much of a photo is here, so that a tablet goes on there."""
    held, whole = await run_in_threadpool(site_of(request).parts.held, sha256)
    return JSONResponse({"held": held, "whole": whole})


@photos.post("/part")
async def photo_part(request: Request, sha256: str) -> Response:
    """Take the next part of a photo; the answer says what is held, whether this part was wanted or not."""
    site, asked = site_of(request), request.query_params
    try:
        at, of = int(asked.get("at", "")), int(asked.get("of", ""))
    except ValueError:
        raise Invalid("A part of a photo says where it begins and how long the whole is: at=N and of=N.") from None
    part = await request.body()
    held, whole = await run_in_threadpool(partial(site.parts.add, sha256, part, at=at, of=of, now=site.clock()))
    return JSONResponse({"held": held, "whole": whole})


@panel.post("/contests")
async def settle(request: Request, job: str) -> Response:
    """Settle accounts that differ, by a lead."""
    form = await posted(request)
    request.state.refill = Refill(CONTESTS, form.fields)
    named = [name.removeprefix("entry.") for name in form.fields if name.startswith("entry.")]
    entries = tuple(int(name) for name in named if name.isascii() and name.isdigit() and len(name) < 10)
    holds = form.need("holds")
    if holds not in {"yes", "no"}:
        raise Invalid("Say whether what stands holds, or the steps are done again.")
    state = await do(request, job, DecideContest(entries, holds == "yes", form.need("reason")), form)
    return await show(request, job, state, Notice("good", "The accounts are settled and both stay in the record."))
