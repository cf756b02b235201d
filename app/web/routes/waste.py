"""Packages from the step that makes them to the certificate: of one job, and of the whole site."""

from asyncio import wrap_future
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import Future
from typing import TYPE_CHECKING
from urllib.parse import quote

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from app.calc.errors import Invalid
from app.domain.packages import WastePackage
from app.domain.site import SITE_LEDGER, SiteState
from app.domain.waste import FACTS
from app.records.moments import utc_text
from app.web.context import Site, session_of, site_of
from app.web.entered import NOTHING, Refilled, entered, tried
from app.web.forms import LIST_FIELDS, Posted, posted
from app.web.handing import download
from app.web.render import html
from app.web.signing import signer

if TYPE_CHECKING:
    from app.web.views.waste import ContainerPage

# What these pages are made from is loaded with the first of them, and not with the first page of the site.
router = APIRouter(prefix="/jobs/{job}/packages")
desk = APIRouter(prefix="/waste")
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
    site, form = site_of(request), await posted(request, most=LIST_FIELDS)
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


@router.post("/weights")
async def weigh(request: Request, job: str) -> Response:
    """Enter the weights of several packages at once."""
    from app.web.views.waste import weights_in

    who = session_of(request).who

    def make(site: Site, form: Posted) -> Write:
        def write() -> "Future[SiteState]":
            weights = weights_in(form.fields)
            _of_job(site, job, tuple(weights))
            return site.waste.weigh(weights, form.get("scale"), by=who)

        return write

    return await _enter(request, job, "weights", make)


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


# --- the whole site -----------------------------------------------------------------------------------


@desk.get("")
async def waste(request: Request) -> Response:
    """Show all packages that are not gone, the containers, and what was handed over."""
    return await _waste(request, {})


async def _waste(request: Request, refused: Mapping[str, Refilled]) -> Response:
    from app.web.views.waste import waste_page

    site = site_of(request)
    page = await run_in_threadpool(
        lambda: waste_page(*site.waste.here(), session_of(request), now=utc_text(site.clock()), refused=refused)
    )
    status = max((form.status for form in refused.values()), default=200)
    return html(request, "waste.html", status, page=page)


async def _shown(request: Request, name: str, refused: Refilled) -> Response:
    return await _waste(request, {name: refused}) if refused.told else RedirectResponse("/waste", status_code=303)


@desk.post("/containers")
async def keep_container(request: Request) -> Response:
    """Enter a container, or what changed of it."""
    site, form, who = site_of(request), await posted(request), session_of(request).who
    return await _shown(
        request, "container", await entered(lambda: site.waste.keep_container(form.fields, by=who), form)
    )


@desk.post("/handovers")
async def hand_over(request: Request) -> Response:
    """Hand containers and packages over, signed by whoever gives them."""
    from app.web.views.waste import BOX, picked

    site, form = site_of(request), await posted(request, most=LIST_FIELDS)

    async def doing() -> None:
        by = await signer(request, form, session_of(request).who.id)
        boxes = picked(form.fields, BOX)
        await wrap_future(site.waste.hand_over(picked(form.fields), boxes, form.fields, by=by, both=request.state.both))

    return await _shown(request, "handover", await tried(doing, form))


@desk.post("/certificates")
async def certify(request: Request) -> Response:
    """Enter that the certificate of a hand-over has come."""
    site, form, who = site_of(request), await posted(request), session_of(request).who
    refused = await entered(
        lambda: site.waste.certify(form.need("handover"), form.need("certificate"), form.need("dated"), by=who), form
    )
    return await _shown(request, "certificate", refused)


@desk.post("/returns")
async def take_back(request: Request) -> Response:
    """Enter that packages came back."""
    from app.web.views.waste import picked

    site, form, who = site_of(request), await posted(request, most=LIST_FIELDS), session_of(request).who
    refused = await entered(
        lambda: site.waste.take_back(form.need("handover"), picked(form.fields), form.fields, by=who), form
    )
    return await _shown(request, "returned", refused)


@desk.get("/{container}")
async def container(request: Request, container: str) -> Response:
    """Show a container with what is in it."""
    return await _container(request, container, NOTHING)


async def _container(request: Request, name: str, refused: Refilled) -> Response:
    page = await run_in_threadpool(_container_page, site_of(request), name, refused)
    return html(request, "container.html", refused.status, page=page)


def _container_page(site: Site, name: str, refused: Refilled) -> "ContainerPage":
    from app.web.views.waste import container_page

    state, here = site.waste.here()
    kept, inside = site.waste.contents(name)
    return container_page(kept, state, inside, here, refused)


@desk.post("/{container}")
async def put_in(request: Request, container: str) -> Response:
    """Put packages into a container."""
    from app.web.views.waste import picked

    site, form, who = site_of(request), await posted(request, most=LIST_FIELDS), session_of(request).who
    refused = await entered(lambda: site.waste.place(picked(form.fields), {"container": container}, by=who), form)
    here = f"/waste/{quote(container, safe='')}"
    return await _container(request, container, refused) if refused.told else RedirectResponse(here, status_code=303)


@desk.get("/{container}/list.pdf")
async def container_list(request: Request, container: str) -> Response:
    """Give the list of a container to print."""
    printed = await run_in_threadpool(_container_list, site_of(request), container)
    return download(printed, "application/pdf", f"container-{container}.pdf")


def _container_list(site: Site, name: str) -> bytes:
    from app.records.waste_sheet import container_sheet

    kept, inside = site.waste.contents(name)
    state, made_at = site.jobs.site(), utc_text(site.clock())
    head = site.jobs.head_at(SITE_LEDGER, state.size)
    return site.print_waste(container_sheet(state, kept, inside, _serials(site, inside), head, made_at), made_at)


@desk.get("/handovers/{handover}")
async def handover(request: Request, handover: str) -> Response:
    """Show a hand-over with the labels of what went."""
    from app.web.views.waste import handover_page

    sheet = await run_in_threadpool(_handover_sheet, site_of(request), handover)
    return html(request, "waste_handover.html", page=handover_page(handover, sheet))


@desk.get("/handovers/{handover}/sheet.pdf")
async def handover_pdf(request: Request, handover: str) -> Response:
    """Give the sheet of a hand-over to print."""
    site = site_of(request)
    sheet = await run_in_threadpool(_handover_sheet, site, handover)
    printed = await run_in_threadpool(site.print_waste, sheet, utc_text(site.clock()))
    return download(printed, "application/pdf", f"waste-{handover}.pdf")


def _handover_sheet(site: Site, name: str) -> dict[str, object]:
    from app.records.waste_sheet import handover_sheet

    state, made_at = site.jobs.site(), utc_text(site.clock())
    found = state.waste.handovers.get(name)
    if found is None:
        raise Invalid(f"There is no hand-over {name[:40]!r}. Go back to Waste and choose one.")
    known = site.waste.named(found.event.packages)
    packages = tuple(known[item] for item in found.event.packages)
    head = site.jobs.head_at(SITE_LEDGER, state.size)
    return handover_sheet(state, found, packages, _serials(site, packages), head, made_at)


def _serials(site: Site, packages: Iterable[WastePackage]) -> dict[str, Mapping[tuple[str, int], tuple[str, str]]]:
    return {job: site.waste.serials(job) for job in {item.job for item in packages}}
