"""The test certificate of a bank, to read and to take away."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from app.domain.job import JobState
from app.domain.registers import bank_of
from app.ledger.heads import Head
from app.records.moments import utc_text
from app.services.jobs import no_such_job
from app.web.context import session_of, site_of
from app.web.handing import as_headed, download, note_export, refuse_unseen
from app.web.render import html

if TYPE_CHECKING:
    from app.records.certificate import Certificate

# What these pages are made from is loaded with the first of them, and not with the first page of the site.
router = APIRouter(prefix="/jobs/{job}/certificate")


@dataclass(frozen=True, slots=True)
class _Made:
    """A certificate with the state and the head that it was made from, and when."""

    certificate: "Certificate"
    state: JobState
    head: Head
    at: str


def _made(request: Request, job: str, name: str) -> _Made:
    """Make a certificate of a job as it stands; the entries are those up to the head that is named on it."""
    head, state, events = as_headed(request, job)
    at = utc_text(site_of(request).clock())
    if state.opened is None:
        raise no_such_job(job)
    refuse_unseen(state, session_of(request).who)
    bank = bank_of(state.opened.housing, name)
    from app.records.certificate import certificate_of

    made = certificate_of(state, events, bank, root=head.root.hex(), made_at=at)
    return _Made(made, state, head, at)


@router.get("/{bank}.pdf")
async def certificate_pdf(request: Request, job: str, bank: str) -> Response:
    """Give the certificate as a signed PDF with its data inside."""
    data = await run_in_threadpool(_printed, request, job, bank)
    return download(data, "application/pdf", f"{job}-{bank}-certificate.pdf")


def _printed(request: Request, job: str, bank: str) -> bytes:
    made = _made(request, job, bank)
    from app.records.certificate import value_of

    printed = site_of(request).print_certificate(value_of(made.certificate), made.at)
    note_export(request, job, made.head)
    return printed


@router.get("/{bank}")
async def certificate(request: Request, job: str, bank: str) -> Response:
    """Show the certificate."""
    made = await run_in_threadpool(_made, request, job, bank)
    from app.web.views.certificate import certificate_page

    page = certificate_page(job, made.state, made.certificate, session_of(request))
    return html(request, "certificate.html", page=page)
