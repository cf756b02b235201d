"""Templates: strict about undefined names, autoescaped, cached; a page is rendered from one frozen dataclass."""

from functools import lru_cache
from hashlib import sha256
from typing import Any

import jinja2
from starlette.requests import Request
from starlette.responses import HTMLResponse

from app.domain.job_lines import JobLine
from app.domain.site_settings import IDLE_LOCK, value_of
from app.paths import STATIC, TEMPLATES
from app.services.jobs import Jobs
from app.services.ports import Session
from app.web.context import SCHEME_COOKIE, site_of
from app.web.views.step import new_token


@lru_cache(maxsize=1)
def environment() -> jinja2.Environment:
    """Return the one template environment."""
    made = jinja2.Environment(
        loader=jinja2.FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )
    made.globals["static"] = static_url
    made.globals["stop_token"] = new_token
    return made


@lru_cache(maxsize=64)
def static_url(name: str) -> str:
    """Return a static file's address with its content's hash, so that it may be kept for ever."""
    return f"/static/{sha256((STATIC / name).read_bytes()).hexdigest()[:12]}/{name}"


def html(request: Request, template: str, status: int = 200, **context: Any) -> HTMLResponse:
    """Answer with a rendered template."""
    body = piece(request, template, may_be_stopped=_job_meant(request), **context)
    return HTMLResponse(body, status_code=status, headers={"Vary": "HX-Request, Cookie"})


def _job_meant(request: Request) -> JobLine | None:
    """Return the job that STOP in the head of a page means, unless it is known to be stopped.

    The only one in hand; where there are several, the only one on whose crew this person is.
    """
    session: Session | None = getattr(request.state, "session", None)
    if session is None:
        return None
    jobs = site_of(request).jobs
    lines = jobs.site_last_seen().jobs
    line = lines.only_in_hand()
    if line is None:
        return _only_one_of(jobs, lines.in_hand(), session.who.id)
    state = jobs.at_hand(line.job)
    return None if state is not None and state.stop is not None else line


def _only_one_of(jobs: Jobs, lines: tuple[JobLine, ...], person: str) -> JobLine | None:
    """Return the only job, not stopped yet, on whose crew somebody is; None where one of them is not in memory."""
    states = [(line, jobs.at_hand(line.job)) for line in lines]
    known = [(line, state.crew, state.stop) for line, state in states if state is not None]
    theirs = [
        line for line, crew, stop in known
        if stop is None and any(who.id == person for who in (*crew.present, *crew.waiting))
    ]  # fmt: skip
    return theirs[0] if len(known) == len(states) and len(theirs) == 1 else None


def piece(request: Request, template: str, **context: Any) -> str:
    """Render a template with what every page has: site name, who is signed in, line of entries, colour scheme."""
    session: Session | None = getattr(request.state, "session", None)
    covers = session is not None and not session.locked
    return (
        environment()
        .get_template(template)
        .render(
            site=site_of(request).settings.site,
            session=session,
            line=site_of(request).line,
            cover_min=value_of(site_of(request).jobs.site_last_seen(), IDLE_LOCK) if covers else 0,
            scheme="dim" if request.cookies.get(SCHEME_COOKIE) == "dim" else "bright",
            **context,
        )
    )


def wants_part(request: Request) -> bool:
    """Whether htmx asks for the piece of the page that changes."""
    return request.headers.get("hx-request") == "true"


def wants_sentence(request: Request) -> bool:
    """Whether a script asks that shows the sentence of a refusal and nothing else: at the cover, and for STOP."""
    return request.headers.get("x-changeout") == "sentence"
