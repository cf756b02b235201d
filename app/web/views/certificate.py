"""The page of a test certificate: the same values as on paper, under the head line of the job."""

from dataclasses import dataclass

from app.domain.job import JobState
from app.ledger.heads import short_root
from app.records.certificate import Certificate
from app.services.ports import Session
from app.web.views.work import HeadLine, head_line


@dataclass(frozen=True, slots=True)
class CertificatePage:
    """A certificate on the screen. short: the start of the root as it is written down."""

    head: HeadLine
    made: Certificate
    short: str


def certificate_page(job: str, state: JobState, made: Certificate, session: Session) -> CertificatePage:
    """Return the page of a certificate as this person sees it."""
    return CertificatePage(head_line(job, state, session), made, short_root(bytes.fromhex(made.root)))
