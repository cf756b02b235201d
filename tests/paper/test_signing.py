"""The signature on the record, and what an examination finds when somebody tampered with it."""

from datetime import datetime
from io import BytesIO
from pathlib import Path

import pikepdf
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pyhanko.pdf_utils.generic import StreamObject
from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter

from app.paper.faults import PaperFault
from app.paper.signing import PdfFindings, inspect_pdf, sign_pdf
from tests.paper.authority import TestSite, new_site
from tests.paper.conftest import signed_by
from tests.paper.samples import MADE_AT, Sample
from tests.paper.tools import run


def _ranges(signed: bytes) -> tuple[int, int]:
    """Return where the signature's own digits begin and end."""
    start = signed.rindex(b"/Contents <") + len(b"/Contents ")
    return start, signed.index(b">", start) + 1


def _painted(pdf: bytes) -> bytes:
    """Return the file with a black box over its first page, added as an update."""
    writer = IncrementalPdfFileWriter(BytesIO(pdf))
    box = writer.add_object(StreamObject(stream_data=b"q 0 0 0 rg 100 300 300 300 re f Q"))
    writer.add_stream_to_page(0, box)  # type: ignore[no-untyped-call]
    out = BytesIO()
    writer.write(out)  # type: ignore[no-untyped-call]
    return out.getvalue()


# --- a good one -----------------------------------------------------------------------------------


def test_a_signed_record_is_found_whole(signed: bytes, sample: Sample, site: TestSite) -> None:
    """Signed, whole, intact, under the authority, with the record's own bytes: no fault."""
    found = inspect_pdf(signed, authority_pem=site.authority_pem)

    assert found == PdfFindings(
        record_json=sample.record_json,
        signed=True,
        covers_whole_file=True,
        intact=True,
        certificate_pem=site.certificate_pem,
        faults=(),
    )


def test_without_an_authority_the_signer_is_reported_and_left_open(signed: bytes, site: TestSite) -> None:
    """Who signed is told from the file; whether to believe it is the caller's business."""
    found = inspect_pdf(signed, authority_pem=None)

    assert found.certificate_pem == site.certificate_pem
    assert found.faults == ()


def test_signing_only_appends(signed: bytes, pdf: bytes) -> None:
    """The printed bytes stay as they are, and a newline parts them from what follows."""
    assert signed.startswith(pdf + b"\n")
    assert pdf.endswith(b"%%EOF")


def test_the_signature_is_pades_invisible_and_forbids_changes(signed: bytes, tmp_path: Path) -> None:
    """The subfilter is PAdES, the field has no size, no change is allowed, and the time is the one given."""
    path = tmp_path / "signed.pdf"
    path.write_bytes(signed)

    with pikepdf.open(path) as opened:
        (field,) = list(opened.Root.AcroForm.Fields)
        value = field.V
        told = (str(value.SubFilter), [int(edge) for edge in field.Rect], str(value.M))
        allowed = int(value.Reference[0].TransformParams.P)

    assert told == ("/ETSI.CAdES.detached", [0, 0, 0, 0], "D:20260304093000Z")
    assert allowed == 1


def test_pdfsig_calls_it_valid_trusted_and_total(signed: bytes, site: TestSite, tmp_path: Path) -> None:
    """An ordinary PDF reader's own check, given the authority, has nothing to complain about."""
    (tmp_path / "ca.crt").write_text(site.authority_pem)
    (tmp_path / "record.pdf").write_bytes(signed)
    (tmp_path / "nss").mkdir()
    run("certutil", "-N", "-d", "sql:nss", "--empty-password", folder=tmp_path)
    run("certutil", "-A", "-d", "sql:nss", "-n", "CA", "-t", "C,C,C", "-i", "ca.crt", folder=tmp_path)

    said = run("pdfsig", "-nssdir", f"sql:{tmp_path / 'nss'}", "record.pdf", folder=tmp_path)

    assert "Signature is Valid." in said
    assert "Certificate is Trusted." in said
    assert "Total document signed" in said


# --- tampered with --------------------------------------------------------------------------------


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_any_changed_byte_that_was_signed_is_found(signed: bytes, site: TestSite, data: st.DataObject) -> None:
    """Whatever byte of the signed ranges changes, the record is no longer called whole and intact."""
    begin, end = _ranges(signed)
    place = data.draw(st.integers(0, len(signed) - (end - begin) - 1))
    place = place if place < begin else place + (end - begin)
    flipped = bytearray(signed)
    flipped[place] ^= data.draw(st.integers(1, 255))

    found = inspect_pdf(bytes(flipped), authority_pem=site.authority_pem)

    assert found.faults != ()
    assert not found.intact


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_any_byte_hidden_beside_the_signature_is_found(signed: bytes, site: TestSite, data: st.DataObject) -> None:
    """The unused room after the signature holds zeros and nothing else."""
    _, end = _ranges(signed)
    place = end - 2 - data.draw(st.integers(0, 4000))
    changed = signed[:place] + b"7" + signed[place + 1 :]

    found = inspect_pdf(changed, authority_pem=site.authority_pem)

    assert signed[place : place + 1] == b"0"
    assert not found.covers_whole_file
    assert found.faults != ()


def test_a_signature_written_otherwise_is_found(signed: bytes, site: TestSite) -> None:
    """The space left out holds the signature's digits exactly as written, so that nothing can be told apart by form."""
    begin, end = _ranges(signed)
    changed = signed[:begin] + signed[begin:end].lower() + signed[end:]

    found = inspect_pdf(changed, authority_pem=site.authority_pem)

    assert found.intact
    assert not found.covers_whole_file


def test_a_signature_that_was_made_up_is_found(signed: bytes, site: TestSite) -> None:
    """The digest fits, but the number under it is not what the key would have made."""
    begin, end = _ranges(signed)
    digits = signed[begin + 1 : end - 1]
    content = bytes.fromhex(digits.decode())
    last = len(content.rstrip(b"\x00")) - 1  # the end of the ECDSA signature, or of the number in it
    forged = content[:last] + bytes([content[last] ^ 1 or 2]) + content[last + 1 :]
    changed = signed[: begin + 1] + forged.hex().upper().encode() + signed[end - 1 :]

    found = inspect_pdf(changed, authority_pem=site.authority_pem)

    assert found.covers_whole_file
    assert not found.intact


def test_a_certificate_that_is_not_for_documents_is_found(pdf: bytes) -> None:
    """A certificate of the right authority that may not commit to content signs no record."""
    site = new_site(for_documents=False)

    found = inspect_pdf(signed_by(site, pdf), authority_pem=site.authority_pem)

    assert found.intact
    assert len(found.faults) == 1


def test_a_page_painted_over_after_signing_is_found(signed: bytes, sample: Sample, site: TestSite) -> None:
    """The signed part still fits, so only the rule about the whole file tells."""
    found = inspect_pdf(_painted(signed), authority_pem=site.authority_pem)

    assert found.intact
    assert not found.covers_whole_file
    assert found.faults == (
        "The signature does not cover the whole file: something was added after signing. Do not rely on it.",
    )


def test_bytes_after_the_end_are_found(signed: bytes, site: TestSite) -> None:
    """Even one newline after the end was not there when it was signed."""
    found = inspect_pdf(signed + b"\n", authority_pem=site.authority_pem)

    assert not found.covers_whole_file
    assert found.faults != ()


def test_a_second_signature_is_found(signed: bytes, site: TestSite, monkeypatch: pytest.MonkeyPatch) -> None:
    """Painted over and signed again by somebody else: the last signature covers all, and is not the site's only one."""
    from pyhanko.keys import load_certs_from_pemder_data, load_private_key_from_pemder_data
    from pyhanko.sign.signers import PdfSignatureMetadata, PdfSigner, SimpleSigner
    from pyhanko.sign.signers import sign_pdf as sign_again
    from pyhanko_certvalidator.registry import SimpleCertificateStore

    other = new_site("Stranger")
    monkeypatch.setattr(PdfSigner, "_enforce_certification_constraints", lambda *_: None)  # a forger asks no leave
    (certificate,) = load_certs_from_pemder_data(other.certificate_pem.encode())
    signer = SimpleSigner(
        certificate,
        load_private_key_from_pemder_data(other.key_pem, None),
        SimpleCertificateStore(),  # type: ignore[no-untyped-call]
    )
    writer = IncrementalPdfFileWriter(BytesIO(_painted(signed)))
    twice = sign_again(writer, PdfSignatureMetadata(field_name="Second"), signer, existing_fields_only=False)

    found = inspect_pdf(twice.getvalue(), authority_pem=site.authority_pem)

    assert found.covers_whole_file
    assert any("2 signatures" in told for told in found.faults)
    assert any("authority" in told for told in found.faults)


def test_a_record_signed_by_a_stranger_is_found(pdf: bytes, site: TestSite) -> None:
    """Everything fits but the key: a stranger's signature is not the site's."""
    forged = signed_by(new_site(), pdf)

    found = inspect_pdf(forged, authority_pem=site.authority_pem)

    assert (found.signed, found.intact, found.covers_whole_file) == (True, True, True)
    assert found.faults == (
        "The signer's certificate is not the given authority's, or was not valid at the time of signing.",
    )


def test_a_signature_from_before_the_certificate_is_found(pdf: bytes, site: TestSite) -> None:
    """A time at which the certificate was not yet valid is a fault, although all bytes fit."""
    early = sign_pdf(
        pdf,
        key_pem=site.key_pem,
        certificate_pem=site.certificate_pem,
        authority_pem=site.authority_pem,
        at=datetime.fromisoformat("2025-06-01T00:00:00+00:00"),
    )

    found = inspect_pdf(early, authority_pem=site.authority_pem)

    assert found.intact
    assert any("not valid at the time" in told for told in found.faults)


def test_a_missing_signature_is_found(pdf: bytes, sample: Sample, site: TestSite) -> None:
    """An unsigned print is told as such, with the record it carries."""
    found = inspect_pdf(pdf, authority_pem=site.authority_pem)

    assert (found.signed, found.record_json) == (False, sample.record_json)
    assert any("no signature" in told for told in found.faults)


@pytest.mark.parametrize("data", [b"", b"%PDF-1.7\n", b"not a pdf" * 100, b"%PDF-1.7\n" + b"\x00" * 5000])
def test_a_file_that_is_no_pdf_is_found(data: bytes) -> None:
    """Rubbish gives a finding and no exception."""
    found = inspect_pdf(data, authority_pem=None)

    assert found.record_json is None
    assert any("cannot be read" in told for told in found.faults)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_a_file_cut_short_is_found(signed: bytes, data: st.DataObject) -> None:
    """Whatever tail is lost, the record is not called whole."""
    kept = data.draw(st.integers(0, len(signed) - 1))

    found = inspect_pdf(signed[:kept], authority_pem=None)

    assert found.faults != ()
    assert not (found.intact and found.covers_whole_file)


# --- attachments ----------------------------------------------------------------------------------


def _rewritten(pdf: bytes, change: "Change") -> bytes:
    with pikepdf.open(BytesIO(pdf)) as opened:
        change(opened)
        out = BytesIO()
        opened.save(out)
    return out.getvalue()


class Change:
    """A change to a PDF's attachments."""

    def __call__(self, opened: pikepdf.Pdf) -> None:
        """Change the opened PDF."""


class Without(Change):
    """Take the record out."""

    def __call__(self, opened: pikepdf.Pdf) -> None:
        """Change the opened PDF."""
        del opened.Root["/AF"]
        del opened.Root["/Names"]


class Twice(Change):
    """Put a second record beside the first."""

    def __call__(self, opened: pikepdf.Pdf) -> None:
        """Change the opened PDF."""
        spec = pikepdf.AttachedFileSpec(opened, b"{}", filename="record.json", mime_type="application/json")
        opened.attachments["record-2"] = spec


class Listed(Twice):
    """Put a second record beside the first in the list only."""

    def __call__(self, opened: pikepdf.Pdf) -> None:
        """Change the opened PDF."""
        before = opened.Root["/AF"][0]
        super().__call__(opened)
        opened.Root["/AF"] = pikepdf.Array([before])


class Pinned(Change):
    """Pin a second record to the first page."""

    def __call__(self, opened: pikepdf.Pdf) -> None:
        """Change the opened PDF."""
        spec = pikepdf.AttachedFileSpec(opened, b"{}", filename="record.json")
        note = pikepdf.Dictionary(
            Type=pikepdf.Name.Annot, Subtype=pikepdf.Name.FileAttachment, Rect=[0, 0, 9, 9], FS=spec.obj
        )
        opened.pages[0].obj["/Annots"] = pikepdf.Array([opened.make_indirect(note)])


class Associated(Change):
    """Associate a second record without listing it."""

    def __call__(self, opened: pikepdf.Pdf) -> None:
        """Change the opened PDF."""
        spec = pikepdf.AttachedFileSpec(opened, b"{}", filename="record.json")
        opened.Root["/AF"].append(spec.obj)


class Renamed(Change):
    """Give the record another name."""

    def __call__(self, opened: pikepdf.Pdf) -> None:
        """Change the opened PDF."""
        spec = opened.Root["/AF"][0]
        spec["/F"] = spec["/UF"] = pikepdf.String("other.json")


class Unmarked(Change):
    """Take the mark that makes the record the source."""

    def __call__(self, opened: pikepdf.Pdf) -> None:
        """Change the opened PDF."""
        opened.Root["/AF"][0]["/AFRelationship"] = pikepdf.Name.Data


class Untyped(Change):
    """Take the mark that makes the record JSON."""

    def __call__(self, opened: pikepdf.Pdf) -> None:
        """Change the opened PDF."""
        opened.Root["/AF"][0]["/EF"]["/F"]["/Subtype"] = pikepdf.Name("/text/plain")


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (Without(), "carries no record.json"),
        (Renamed(), "carries no record.json"),
        (Twice(), "more than its one record.json"),
        (Listed(), "more than its one record.json"),
        (Pinned(), "more than its one record.json"),
        (Associated(), "more than its one record.json"),
    ],
    ids=lambda value: type(value).__name__ if isinstance(value, Change) else None,
)
def test_a_record_missing_or_there_twice_is_found(pdf: bytes, site: TestSite, change: Change, told: str) -> None:
    """Signed or not, a PDF without exactly one record yields none and says why."""
    signed = signed_by(site, _rewritten(pdf, change))

    found = inspect_pdf(signed, authority_pem=site.authority_pem)

    assert found.record_json is None
    assert (found.signed, found.intact, found.covers_whole_file) == (True, True, True)
    assert len(found.faults) == 1
    assert told in found.faults[0]


@pytest.mark.parametrize(("change", "told"), [(Unmarked(), "not marked as the source"), (Untyped(), "marked as JSON")])
def test_a_record_that_is_not_marked_as_such_is_found(
    pdf: bytes, site: TestSite, sample: Sample, change: Change, told: str
) -> None:
    """Relationship and media type belong to what makes the attachment the record."""
    signed = signed_by(site, _rewritten(pdf, change))

    found = inspect_pdf(signed, authority_pem=site.authority_pem)

    assert found.record_json == sample.record_json
    assert [told in fault for fault in found.faults] == [True]


# --- what cannot be signed ------------------------------------------------------------------------


def test_keys_that_do_not_belong_together_are_refused(pdf: bytes, site: TestSite) -> None:
    """Another site's key, certificate or authority never makes a signature."""
    other = new_site("Other works")
    mixed = [
        (other.key_pem, site.certificate_pem, site.authority_pem, "not the certificate's"),
        (site.key_pem, site.certificate_pem, other.authority_pem, "not issued by this authority"),
        (b"no key", site.certificate_pem, site.authority_pem, "not readable PEM"),
        (site.key_pem, "no certificate", site.authority_pem, "not readable PEM"),
    ]

    for key, certificate, authority, told in mixed:
        with pytest.raises(PaperFault, match=told):
            sign_pdf(pdf, key_pem=key, certificate_pem=certificate, authority_pem=authority, at=MADE_AT)


def test_a_key_of_another_kind_is_refused(pdf: bytes, site: TestSite) -> None:
    """Only P-256 is verified by ordinary readers, so only P-256 signs."""
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat

    key = ec.generate_private_key(ec.SECP384R1()).private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())

    with pytest.raises(PaperFault, match="P-256"):
        sign_pdf(pdf, key_pem=key, certificate_pem=site.certificate_pem, authority_pem=site.authority_pem, at=MADE_AT)


def test_what_is_no_pdf_or_has_no_time_is_refused(pdf: bytes, site: TestSite) -> None:
    """A file that cannot be read and a time without offset each end in one sentence."""
    with pytest.raises(PaperFault, match="cannot be signed"):
        signed_by(site, b"not a pdf")
    with pytest.raises(PaperFault, match="no offset"):
        sign_pdf(
            pdf,
            key_pem=site.key_pem,
            certificate_pem=site.certificate_pem,
            authority_pem=site.authority_pem,
            at=datetime.fromisoformat("2026-03-04T09:30:00"),
        )


def test_an_unreadable_authority_is_the_callers_fault(signed: bytes) -> None:
    """The caller is told that what it gave is no certificate; the file is not blamed."""
    with pytest.raises(PaperFault, match="not readable PEM"):
        inspect_pdf(signed, authority_pem="no certificate")
