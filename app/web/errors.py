"""From exceptions to answers: one table, so that routes contain no `try`.

A refusal by the rules is 409, unreadable text 422, wrong secret 403; the answer is the same page or piece of
page with the sentence on it and what was typed still there.
"""

import logging
from contextlib import suppress
from urllib.parse import urlencode

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect
from starlette.responses import PlainTextResponse, RedirectResponse, Response

from app.calc.errors import ChangeoutError, Invalid
from app.domain.refused import Refused
from app.records.veil import veiled
from app.web.awaiting import around_for, state_of
from app.web.context import Site, site_of, worker_chosen
from app.web.guard import BY_ITSELF, ChooseSecretFirst, ReadNoticeFirst, SignInFirst, UnlockFirst
from app.web.paths import IN_HAND
from app.web.render import html, wants_part, wants_sentence
from app.web.roles import WORKERS
from app.web.routes.cover import job_in, locked_address
from app.web.views.step import Refill, new_token
from app.web.views.work import Notice, work_view

TYPED = {
    "answer": "Your written answer",
    "extra": "Anything else to look at",
    "now": "What it should read",
    "again": "The same number once more, read anew",
    "reason": "Why",
    "text": "Your words",
}
"""What a person types on the forms that are not on the work panel."""
LOCKED = 423
NOBODY = "Nobody is signed in at this tablet any more, so NOTHING was recorded. Stop by voice, then sign in."
FORBIDDEN = {"role", "secret", "waiting", "locked", "origin"}
log = logging.getLogger("changeout")


def install(app: FastAPI) -> None:
    """Register a handler for everything that may be raised."""
    app.add_exception_handler(SignInFirst, _sign_in)
    app.add_exception_handler(ChooseSecretFirst, _choose_secret)
    app.add_exception_handler(UnlockFirst, _unlock)
    app.add_exception_handler(ReadNoticeFirst, _read_notice)
    app.add_exception_handler(ChangeoutError, _told)
    app.add_exception_handler(RequestValidationError, _unreadable)
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(ClientDisconnect, _gone)
    app.add_exception_handler(Exception, _ours)


async def _sign_in(request: Request, _: Exception) -> Response:
    """Lead to the names; whoever followed the code on a label goes on to what it stands on."""
    if wants_part(request):
        return Response(status_code=401, headers={"HX-Redirect": "/signin"})
    if wants_sentence(request):
        return PlainTextResponse(NOBODY, status_code=401)
    here = request.url.path
    of_label = request.method == "GET" and here.startswith("/at/")
    return RedirectResponse(f"/signin?{urlencode({'then': here})}" if of_label else "/signin", status_code=303)


async def _choose_secret(request: Request, _: Exception) -> Response:
    if wants_part(request):
        return Response(status_code=403, headers={"HX-Redirect": "/secret"})
    return RedirectResponse("/secret", status_code=303)


async def _unlock(request: Request, _: Exception) -> Response:
    """Lead to the covered screen; a form is refused there with a sentence, a script by the status alone."""
    job = request.path_params.get("job")
    told = "Refused: the screen was covered meanwhile. Enter your secret, then send it again."
    if wants_part(request) or (request.method, request.scope["route"].path) in BY_ITSELF:
        return PlainTextResponse(told, status_code=LOCKED)
    if request.method in ("GET", "HEAD"):
        here = request.url.path + (f"?{request.url.query}" if request.url.query else "")
        return RedirectResponse(locked_address(here), status_code=303)
    then = f"/jobs/{job}/now" if job else "/"
    return html(request, "locked.html", LOCKED, then=then, stopped=False, told=told, job=job_in(then))


async def _read_notice(request: Request, _: Exception) -> Response:
    if wants_part(request):
        return Response(status_code=403, headers={"HX-Redirect": "/notices"})
    return RedirectResponse("/notices", status_code=303)


async def _told(request: Request, error: Exception) -> Response:
    if wants_sentence(request):
        return PlainTextResponse(str(error), status_code=status_of(error))
    return await answer(request, status_of(error), str(error))


def status_of(error: Exception) -> int:
    """Return the status with which an error of ours is answered."""
    if type(error).__name__.startswith(("Storage", "DataFolder", "LedgerFaulty")):
        return 503
    if isinstance(error, Refused) and error.code in FORBIDDEN:
        return 403
    return 422 if isinstance(error, Invalid) else 409


async def answer(request: Request, status: int, sentence: str) -> Response:
    """Answer with a sentence: on the work panel if the request came from one, else on a page of its own."""
    job = request.path_params.get("job")
    session = getattr(request.state, "session", None)
    if (
        job
        and session is not None
        and request.method == "POST"
        and getattr(request.state, "on_panel", False)
        and session.who.role in WORKERS
    ):
        with suppress(Invalid):  # the site's own ledger is no job, and has no panel
            return await _on_panel(request, job, status, sentence)
    again = _again(request) if request.method == "POST" and job and session is not None else {}
    return html(request, "message.html", status, heading="Not carried out", text=sentence, back=_back(request), **again)


def _again(request: Request) -> dict[str, object]:
    """What the refused form held, to be mended and sent once more; a secret is typed anew, the token is a new one."""
    fields: dict[str, str] = dict(getattr(request.state, "fields", {}))
    machine = {name: value for name, value in fields.items() if name not in {*TYPED, "token", "secret", "person"}}
    if fields.get("again"):
        fields |= {"now": "", "again": ""}  # neither of two entries is made from the other
    typed = [(name, label, fields[name]) for name, label in TYPED.items() if name in fields]
    token = new_token()
    return {
        "action": request.url.path, "typed": typed, "machine": {**machine, "token": token}, "secret": "secret" in fields
    }  # fmt: skip


async def _on_panel(request: Request, job: str, status: int, sentence: str) -> Response:
    site: Site = site_of(request)
    state = veiled(await state_of(site, job), request.state.session.who.id)
    around = await around_for(site, state, worker_chosen(request, job))
    refill = getattr(request.state, "refill", Refill())
    work = work_view(job, state, request.state.session, around, notice=Notice("refused", sentence), refill=refill)
    return html(request, "_work.html" if wants_part(request) else "work.html", status, work=work)


def _back(request: Request) -> str:
    job = request.path_params.get("job")
    session = getattr(request.state, "session", None)
    if job and session is not None and session.who.role not in WORKERS:
        return IN_HAND
    return f"/jobs/{job}/now" if job else "/"


async def _unreadable(request: Request, _: Exception) -> Response:
    return await answer(request, 422, "The address or form holds something that cannot be read. Go back and try again.")


async def _http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    words = {
        400: "The form could not be read.",
        404: "There is no such page.",
        405: "That cannot be done here.",
        413: "The upload is too large.",
    }
    heading = "Not found" if error.status_code == 404 else "Not carried out"
    told = words.get(error.status_code, "The request could not be carried out.")
    return html(
        request, "message.html", error.status_code, heading=heading, text=f"{told} Go back and try again.", back="/"
    )


async def _gone(_request: Request, _: Exception) -> Response:
    """Answer nobody: the line broke, or was cut off, before the request was whole.  That is no fault of the program."""
    return Response(status_code=400)


async def _ours(request: Request, error: Exception) -> Response:
    log.error("fault of the program at %s %s", request.method, request.url.path, exc_info=error)
    return html(
        request, "message.html", 500, heading="A fault of the program",
        text="Nothing of this request was saved unless the record shows it. Reload the page and look before going on.",
        back=_back(request),
    )  # fmt: skip
