"""Packages from the step that makes them to the certificate: of one job, and of the whole site."""

from collections.abc import Callable, Mapping
from concurrent.futures import Future

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from app.calc.errors import Invalid
from app.domain.site import SiteState
from app.domain.waste import FACTS
from app.web.context import Site, session_of, site_of
from app.web.entered import Refilled, entered
from app.web.forms import Posted, posted
from app.web.render import html

# What these pages are made from is loaded with the first of them, and not with the first page of the site.
router = APIRouter(prefix="/jobs/{job}/packages")
Write = Callable[[], "Future[SiteState]"]


@router.get("")
async def packages(request: Request, job: str) -> Response:
    """Show the packages of a job: what each is, where, what is open of it."""
    return await _packages(request, job, {})


async def _packages(request: Request, job: str, refused: Mapping[str, Refilled]) -> Response:
    from app.web.views.waste import packages_page

    site, of = site_of(request), request.query_params.get("of", "")
    page = await run_in_threadpool(
        lambda: packages_page(
            job, *site.waste.of_job(job), site.waste.serials(job), session_of(request), of=of, refused=refused
        )
    )
    status = max((form.status for form in refused.values()), default=200)
    return html(request, "packages.html", status, page=page)


async def _enter(request: Request, job: str, name: str, make: Callable[[Site, Posted], Write]) -> Response:
    """Carry out one form of the page; a refusal comes back onto it with what was typed."""
    site, form = site_of(request), await posted(request)
    refused = await entered(make(site, form), form)
    return (
        await _packages(request, job, {name: refused})
        if refused.told
        else RedirectResponse(f"/jobs/{job}/packages", status_code=303)
    )


def _of_job(site: Site, job: str, names: tuple[str, ...]) -> tuple[str, ...]:
    """Return the packages named; raise Invalid for one that is another job's."""
    _, _, there = site.waste.of_job(job)
    known = {item.name for item in there}
    for name in names:
        if name not in known:
            raise Invalid(f"Package {name[:40]!r} is none of this job's. Choose one of those listed.")
    return names


def _one_of(site: Site, job: str, name: str) -> str:
    return _of_job(site, job, (name,))[0]


@router.post("/facts")
async def tell(request: Request, job: str) -> Response:
    """Enter weight, readings and what stands on the label."""
    from app.web.views.waste import picked

    who = session_of(request).who

    def make(site: Site, form: Posted) -> Write:
        typed = {name: text for name, text in form.fields.items() if name in FACTS}
        return lambda: site.waste.tell(_of_job(site, job, picked(form.fields)), typed, by=who)

    return await _enter(request, job, "facts", make)


@router.post("/closure")
async def check_closure(request: Request, job: str) -> Response:
    """Enter how the closure of a package was found."""
    who = session_of(request).who

    def make(site: Site, form: Posted) -> Write:
        def write() -> "Future[SiteState]":
            name, whole = form.need("package"), form.need("whole")
            if whole not in ("yes", "no"):
                raise Invalid("Say whether the closure is whole. Choose one of the two.")
            return site.waste.check_closure(
                _one_of(site, job, name), seen=form.need("seen"), whole=whole == "yes", by=who
            )

        return write

    return await _enter(request, job, "closure", make)


@router.post("/placed")
async def place(request: Request, job: str) -> Response:
    """Put packages into a container, or at a place that somebody answers for."""
    from app.web.views.waste import picked

    who = session_of(request).who

    def make(site: Site, form: Posted) -> Write:
        return lambda: site.waste.place(_of_job(site, job, picked(form.fields)), form.fields, by=who)

    return await _enter(request, job, "placed", make)


@router.post("/added")
async def add(request: Request, job: str) -> Response:
    """Enter a package that no cut made."""
    who = session_of(request).who
    return await _enter(request, job, "added", lambda site, form: lambda: site.waste.add(job, form.fields, by=who))


@router.post("/missing")
async def missing(request: Request, job: str) -> Response:
    """Enter that a package is lost or was never made."""
    who = session_of(request).who

    def make(site: Site, form: Posted) -> Write:
        return lambda: site.waste.missing(_one_of(site, job, form.need("package")), form.fields, by=who)

    return await _enter(request, job, "missing", make)


@router.post("/excused")
async def excuse(request: Request, job: str) -> Response:
    """Let the job go to review although something of a package is open."""
    who = session_of(request).who

    def make(site: Site, form: Posted) -> Write:
        return lambda: site.waste.excuse(_one_of(site, job, form.need("package")), form.need("reason"), by=who)

    return await _enter(request, job, "excused", make)
