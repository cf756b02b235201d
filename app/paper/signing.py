"""The site's signature on a printed record.

Rules kept here:
- PAdES B-B (ETSI EN 319 142-1): ECDSA on P-256, no outside time authority, so the time is the site clock's claim.
- The signature forbids every later change, and has no appearance: the sheets themselves name who signed what.
- Nothing is ever fetched from a network.

Signing runs an event loop of its own: call it from a worker thread, never from inside a running loop.
"""

import asyncio
from datetime import datetime
from io import BytesIO
from typing import TYPE_CHECKING

from app.paper.faults import PaperFault
from app.paper.inspection import PdfFindings, inspect_pdf

if TYPE_CHECKING:
    from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
    from pyhanko.sign.signers import PdfSigner, SimpleSigner

__all__ = ["PdfFindings", "inspect_pdf", "sign_pdf"]

FIELD = "SiteSignature"
ROOM_HEX_DIGITS = 16_384
"""Room for the signature with both certificates, in hex digits: about four times what P-256 needs (our choice)."""


def sign_pdf(pdf: bytes, *, key_pem: bytes, certificate_pem: str, authority_pem: str, at: datetime) -> bytes:
    """Return the PDF with the site's signature appended.

    key_pem: the P-256 key, unencrypted. certificate_pem: its certificate. authority_pem: who issued that. at: aware,
    the site clock's time. Raises PaperFault when these do not belong together or the PDF cannot be read.
    """
    from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
    from pyhanko.pdf_utils.misc import PdfError
    from pyhanko.sign.fields import MDPPerm, SigSeedSubFilter
    from pyhanko.sign.signers import PdfSignatureMetadata, PdfSigner

    if at.tzinfo is None:
        raise PaperFault(f"The time {at} has no offset: give it with one.")
    _refuse_strangers(key_pem, certificate_pem, authority_pem)
    meta = PdfSignatureMetadata(
        field_name=FIELD,
        subfilter=SigSeedSubFilter.PADES,
        md_algorithm="sha256",
        certify=True,
        docmdp_permissions=MDPPerm.NO_CHANGES,
    )
    signer = PdfSigner(meta, _signer(key_pem, certificate_pem, authority_pem))
    try:
        # Without a newline after %%EOF the next object would begin on that line, which PDF/A forbids (rule 6.1.9).
        writer = IncrementalPdfFileWriter(BytesIO(pdf + b"\n"))
        return asyncio.run(_signed(signer, writer, at))
    except PdfError as error:
        raise PaperFault("The PDF cannot be signed, because it cannot be read: print the record again.") from error


def _refuse_strangers(key_pem: bytes, certificate_pem: str, authority_pem: str) -> None:
    """Refuse a key that is not the certificate's, or a certificate that is not the authority's."""
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ec import SECP256R1, EllipticCurvePrivateKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key
    from cryptography.x509 import load_pem_x509_certificate

    try:
        key = load_pem_private_key(key_pem, password=None)
        certificate = load_pem_x509_certificate(certificate_pem.encode())
        authority = load_pem_x509_certificate(authority_pem.encode())
    except (ValueError, TypeError) as error:
        raise PaperFault("The site key or a certificate is not readable PEM: restore them from a backup.") from error
    if not isinstance(key, EllipticCurvePrivateKey) or not isinstance(key.curve, SECP256R1):
        raise PaperFault("The site key is not an ECDSA key on P-256: restore the site's own key from a backup.")
    if key.public_key() != certificate.public_key():
        raise PaperFault("The site key is not the certificate's: restore both from one backup.")
    try:
        certificate.verify_directly_issued_by(authority)
    except (InvalidSignature, ValueError, TypeError) as error:
        raise PaperFault("The certificate was not issued by this authority: restore both from one backup.") from error


def _signer(key_pem: bytes, certificate_pem: str, authority_pem: str) -> "SimpleSigner":
    from pyhanko.keys import load_certs_from_pemder_data, load_private_key_from_pemder_data
    from pyhanko.sign.signers import SimpleSigner
    from pyhanko_certvalidator.registry import SimpleCertificateStore

    (certificate,) = load_certs_from_pemder_data(certificate_pem.encode())
    store = SimpleCertificateStore()  # type: ignore[no-untyped-call]  # the library has no types
    store.register_multiple(load_certs_from_pemder_data(authority_pem.encode()))
    return SimpleSigner(
        signing_cert=certificate,
        signing_key=load_private_key_from_pemder_data(key_pem, passphrase=None),
        cert_registry=store,
    )


async def _signed(signer: "PdfSigner", writer: "IncrementalPdfFileWriter", at: datetime) -> bytes:
    """Take the library's steps one by one, because only here can it be told the time."""
    from pyhanko.sign.signers.pdf_cms import PdfCMSSignedAttributes

    session = signer.init_signing_session(writer)
    session.system_time = at
    prepared = session.prepare_tbs_document(validation_info=None, bytes_reserved=ROOM_HEX_DIGITS)
    output = BytesIO()
    digest, _ = prepared.digest_tbs_document(output=output)
    await prepared.perform_signature(
        document_digest=digest.document_digest, pdf_cms_signed_attrs=PdfCMSSignedAttributes(signing_time=at)
    )
    return output.getvalue()
