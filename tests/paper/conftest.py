"""Records printed and signed once for all tests of this package."""

import pytest

from app.paper.pdf import make_pdf
from app.paper.signing import sign_pdf
from tests.paper.authority import TestSite, new_site
from tests.paper.samples import FONTS, MADE_AT, Sample, eventful


def printed(sample: Sample, photos: dict[str, bytes] | None = None) -> bytes:
    """Print a sample."""
    kept = sample.photos if photos is None else photos
    return make_pdf(report=sample.report(), record_json=sample.record_json, fonts=FONTS, photos=kept, made_at=MADE_AT)


def signed_by(site: TestSite, pdf: bytes) -> bytes:
    """Sign a PDF with a site's key."""
    return sign_pdf(
        pdf,
        key_pem=site.key_pem,
        certificate_pem=site.certificate_pem,
        authority_pem=site.authority_pem,
        at=MADE_AT,
    )


@pytest.fixture(scope="session")
def sample() -> Sample:
    """Return the eventful job."""
    return eventful()


@pytest.fixture(scope="session")
def pdf(sample: Sample) -> bytes:
    """Return the eventful job, printed."""
    return printed(sample)


@pytest.fixture(scope="session")
def rehearsal() -> bytes:
    """Return a rehearsal, printed."""
    return printed(eventful(rehearsal=True))


@pytest.fixture(scope="session")
def site() -> TestSite:
    """Return a site key with its authority."""
    return new_site()


@pytest.fixture(scope="session")
def signed(site: TestSite, pdf: bytes) -> bytes:
    """Return the eventful job, printed and signed."""
    return signed_by(site, pdf)
