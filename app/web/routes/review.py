"""Review by the safety officer, and the record to take away."""

import io
import zipfile

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from app.calc.errors import Invalid
from app.domain.commands import Accept, OpenException, ReturnRecord
from app.domain.job import fold
from app.domain.signing import ACCEPT
from app.records.moments import utc_text
from app.records.veil import veiled, veiled_events
from app.services.export import Material, export_files, record_json
from app.services.jobs import findings_of
from app.web.awaiting import done
from app.web.context import asked_by, session_of, site_of
from app.web.forms import posted
from app.web.handing import as_headed, download, newest_head, note_export, refuse_unseen
from app.web.render import html
from app.web.signing import signer
from app.web.views.pages import record_page, review_page

router = APIRouter(prefix="/jobs/{job}")
photos = APIRouter()
ZIP_TIME = (1980, 1, 1, 0, 0, 0)


@router.get("/review")
async def review(request: Request, job: str) -> Response:
    """Show every step with who, when, values, corrections, refusals, stops; each exception to be opened."""
    site = site_of(request)
    head, state, events = await run_in_threadpool(as_headed, request, job)
    page = review_page(
        job,
        veiled(state),
        veiled_events(state, events),
        session_of(request),
        root=head.root.hex(),
        now=utc_text(site.clock()),
        meaning=ACCEPT,
        findings=findings_of(await run_in_threadpool(site.jobs.site), job, state),
    )
    return html(request, "review.html", page=page)


@router.post("/exceptions")
async def open_exception(request: Request, job: str) -> Response:
    """Open one exception; the opening is part of the record."""
    form = await posted(request)
    entry = form.need("entry")
    if not (entry.isascii() and entry.isdigit() and len(entry) < 10):
        raise Invalid(f"{entry!r} is not the number of an entry. Choose one of the exceptions listed.")
    of_site = form.get("of") == "site"
    command = OpenException(int(entry), of_site=of_site)
    await done(site_of(request).jobs.record(job, command, asked_by(request, token=form.need("token"))))
    place = "site" if of_site else "entry"
    return RedirectResponse(f"/jobs/{job}/review#{place}-{int(entry)}", status_code=303)


@router.post("/accept")
async def accept(request: Request, job: str) -> Response:
    """Accept the record, signed."""
    site, form = site_of(request), await posted(request)
    by = await signer(request, form, session_of(request).who.id)
    await done(site.jobs.record(job, Accept(), asked_by(request, token=form.need("token"), by=by)))
    return RedirectResponse(f"/jobs/{job}/record", status_code=303)


@router.post("/return")
async def send_back(request: Request, job: str) -> Response:
    """Return the record with a reason."""
    site, form = site_of(request), await posted(request)
    await done(site.jobs.record(job, ReturnRecord(form.need("reason")), asked_by(request, token=form.need("token"))))
    return RedirectResponse(f"/jobs/{job}/review", status_code=303)


@router.get("/record")
async def record(request: Request, job: str) -> Response:
    """Show the head to write down, and the files to take away."""
    head, state, events = await run_in_threadpool(as_headed, request, job)
    from app.records.signatures import signatures_of

    signatures = signatures_of(state, events, state.opened.zone if state.opened else "UTC")
    return html(request, "record.html", page=record_page(job, state, head, session_of(request), signatures))


@router.get("/record.json")
async def json_record(request: Request, job: str) -> Response:
    """Give the record as canonical JSON."""
    data = await run_in_threadpool(_json, request, job)
    return download(data, "application/json", f"{job}-record.json")


@router.get("/record.pdf")
async def record_pdf(request: Request, job: str) -> Response:
    """Give the record as a signed PDF with the JSON inside."""
    files = await run_in_threadpool(_files, request, job)
    return download(files["record.pdf"], "application/pdf", f"{job}-record.pdf")


@router.get("/record.zip")
async def record_zip(request: Request, job: str) -> Response:
    """Give everything of the record in one archive."""
    files = await run_in_threadpool(_files, request, job)
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in files.items():
            archive.writestr(zipfile.ZipInfo(name, ZIP_TIME), data)
    return download(held.getvalue(), "application/zip", f"{job}-record.zip")


def _json(request: Request, job: str) -> bytes:
    return record_json(_material(request, job))


def _files(request: Request, job: str) -> dict[str, bytes]:
    site = site_of(request)
    return export_files(_material(request, job), site.signer, site.make_pdf)


def _material(request: Request, job: str) -> Material:
    """Return what the record is made from, after the export with its very head has been noted."""
    newest_head(request, job)  # complains of a job that is none
    material = site_of(request).material(job)
    refuse_unseen(fold(material.events), session_of(request).who)
    note_export(request, job, material.heads[-1])
    return material


@photos.get("/photos/{sha256}")
async def photo(request: Request, sha256: str) -> Response:
    """Give a photo's original bytes; only pictures are ever stored."""
    data = await run_in_threadpool(site_of(request).photos.read, sha256)
    kinds = {b"\xff\xd8": "image/jpeg", b"\x89P": "image/png", b"RI": "image/webp"}
    return Response(data, media_type=kinds.get(data[:2], "application/octet-stream"))
