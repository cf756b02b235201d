"""What somebody who distrusts a printed record can find out about the file, with no network and no belief in it.

Rules kept here:
- The file is hostile until proven otherwise: whatever it does, the answer is findings, not an exception.
- One algorithm only, ECDSA on P-256 with SHA-256, as the site signs; and one signature, as the site sets.
- The signed ranges must leave out the signature's own digits and nothing else, so that neither an update painted over
  a sheet nor a byte hidden beside the signature goes unseen. No judgement is made on which changes are harmless.
- The authority comes from the caller, never from the file. The time in the file is only a claim; it is good enough to
  ask whether the certificate was valid then.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO
from typing import TYPE_CHECKING

from app.paper.attached import attached_record
from app.paper.faults import PaperFault

if TYPE_CHECKING:
    from cryptography.x509 import Certificate
    from pyhanko.sign.validation.pdf_embedded import EmbeddedPdfSignature


@dataclass(frozen=True, slots=True)
class PdfFindings:
    """What a PDF says about itself when nothing in it is believed.

    record_json: the attached record, None unless there is exactly one. signed: whether it holds a signature.
    covers_whole_file: whether the last signature covers every byte but its own. intact: whether the bytes it covers are
    unchanged and the signature is mathematically right. certificate_pem: the signer's, as found in the file.
    faults: one sentence each; none means a signed, whole, unchanged record, under the authority if one was given.
    """

    record_json: bytes | None
    signed: bool
    covers_whole_file: bool
    intact: bool
    certificate_pem: str | None
    faults: tuple[str, ...]


def inspect_pdf(pdf: bytes, *, authority_pem: str | None) -> PdfFindings:
    """Examine a printed record: its attachment, its signature, and what may have been added after that.

    authority_pem: the authority whose certificates count; None leaves open who signed.
    Never raises for a bad file. Raises PaperFault when the authority itself is unreadable.
    """
    from pyhanko.pdf_utils.reader import PdfFileReader
    from pyhanko.sign.validation.pdf_embedded import collect_embedded_signatures

    authority = None if authority_pem is None else _authority(authority_pem)
    try:
        reader = PdfFileReader(BytesIO(pdf))
        record, faults = attached_record(reader)
        signatures = collect_embedded_signatures(reader)
    except Exception:  # noqa: BLE001  a hostile file can raise almost anything, and all of it means "unreadable"
        return _unsigned(None, "The file cannot be read as a PDF: it is damaged or was altered. Get the record again.")
    if not signatures:
        return _unsigned(record, *faults, "The PDF holds no signature: anyone may have made it. Get the signed record.")
    return _examined(pdf, record, faults, signatures, authority)


def _unsigned(record: bytes | None, *faults: str) -> PdfFindings:
    return PdfFindings(record, signed=False, covers_whole_file=False, intact=False, certificate_pem=None, faults=faults)


def _examined(
    pdf: bytes,
    record: bytes | None,
    faults: tuple[str, ...],
    signatures: "Sequence[EmbeddedPdfSignature]",
    authority: "Certificate | None",
) -> PdfFindings:
    last, found = signatures[-1], list(faults)
    certificate, whole, intact = _certificate(last), _covers(pdf, last), _fits(last)
    if len(signatures) > 1:
        found.append(f"The PDF holds {len(signatures)} signatures; a record holds one. Ask who added the others.")
    if not whole:
        found.append(
            "The signature does not cover the whole file: something was added after signing. Do not rely on it."
        )
    if not intact:
        found.append("The signature does not fit the file: signed bytes were changed. Do not rely on it.")
    if authority is not None and not _issued(certificate, authority, last):
        found.append("The signer's certificate is not the given authority's, or was not valid at the time of signing.")
    return PdfFindings(
        record,
        signed=True,
        covers_whole_file=whole,
        intact=intact,
        certificate_pem=_pem(certificate),
        faults=tuple(found),
    )


def _covers(pdf: bytes, signature: "EmbeddedPdfSignature") -> bool:
    """Tell whether the signed ranges leave out the signature's own digits and not one byte more."""
    from asn1crypto.parser import peek

    try:
        content = signature.pkcs7_content
        own = b"<" + content.hex().upper().encode() + b">"
        begin, stop, start, length = (int(number) for number in signature.byte_range)
        unused = content[peek(content) :]  # type: ignore[no-untyped-call]  # the library has no types
    except Exception:  # noqa: BLE001  as above: what breaks the check is not covered
        return False
    return begin == 0 and start + length == len(pdf) and pdf[stop:start] == own and not any(unused)


def _fits(signature: "EmbeddedPdfSignature") -> bool:
    """Tell whether the bytes in the signed ranges are the ones that were signed, by the key of the certificate."""
    from pyhanko.sign.validation.generic_cms import validate_sig_integrity

    try:
        info = signature.signer_info
        if info["digest_algorithm"]["algorithm"].native != "sha256":
            return False
        if info["signature_algorithm"]["algorithm"].native != "sha256_ecdsa":
            return False
        intact, valid = validate_sig_integrity(info, signature.signer_cert, "data", signature.compute_digest())
    except Exception:  # noqa: BLE001  as above: whatever breaks the check breaks the signature
        return False
    return bool(intact and valid)


def _certificate(signature: "EmbeddedPdfSignature") -> "Certificate | None":
    from cryptography.x509 import load_der_x509_certificate

    try:
        return load_der_x509_certificate(signature.signer_cert.dump())  # type: ignore[no-untyped-call]  # as above
    except Exception:  # noqa: BLE001  as above: an unreadable certificate is none
        return None


def _pem(certificate: "Certificate | None") -> str | None:
    from cryptography.hazmat.primitives.serialization import Encoding

    return None if certificate is None else certificate.public_bytes(Encoding.PEM).decode("ascii")


def _issued(certificate: "Certificate | None", authority: "Certificate", signature: "EmbeddedPdfSignature") -> bool:
    """Tell whether this authority issued the certificate, for signatures, valid at the time that the file claims."""
    from cryptography.x509 import KeyUsage

    try:
        claimed = signature.self_reported_timestamp
        if certificate is None or claimed is None:
            return False
        certificate.verify_directly_issued_by(authority)
        usage = certificate.extensions.get_extension_for_class(KeyUsage).value
        valid_then = certificate.not_valid_before_utc <= claimed <= certificate.not_valid_after_utc
    except Exception:  # noqa: BLE001  as above: whatever breaks the check is no proof
        return False
    return usage.content_commitment and valid_then


def _authority(pem: str) -> "Certificate":
    from cryptography.x509 import load_pem_x509_certificate

    try:
        return load_pem_x509_certificate(pem.encode())
    except ValueError as error:
        raise PaperFault(
            "The authority's certificate is not readable PEM: give the file that the site gave."
        ) from error
