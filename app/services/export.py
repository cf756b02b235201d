"""Export: the record of a job as files, complete, signed, and checked again before it is handed out."""

from collections.abc import Callable
from dataclasses import dataclass

from app.calc.errors import Invalid
from app.domain.events import Event
from app.domain.job import JobState, fold
from app.ledger.heads import Head, Signer
from app.records.assemble import photos_named, record_bytes, record_value


@dataclass(frozen=True, slots=True)
class Material:
    """Everything that a record is made from."""

    events: tuple[Event, ...]
    heads: tuple[Head, ...]
    photos: dict[str, bytes]
    certificate_pem: str
    authority_pem: str
    made_at: str
    program: str


PdfMaker = Callable[[dict[str, object], bytes, dict[str, bytes], str], bytes]
"""Prints and signs a record: report, record.json, photos by SHA-256, made at."""
CertificatePrinter = Callable[[dict[str, object], str], bytes]
"""Prints and signs a bank's certificate: its values, made at."""
HousingPrinter = Callable[[dict[str, object], dict[str, bytes], str], bytes]
"""Prints the sheet of a housing, unsigned: its values, drawings by name, made at."""

LabelPrinter = Callable[[dict[str, object], str], bytes]
"""Prints a sheet of labels: its values, made at."""
BlankPrinter = Callable[[dict[str, object], str], bytes]
"""Prints a sheet without drawings, unsigned, such as a controlled blank: its values, made at."""
ListPrinter = Callable[[dict[str, object], str], bytes]
"""Prints pick and order list, unsigned: their values, made at."""


def record_json(material: Material) -> bytes:
    """Return the canonical bytes of the record."""
    return _record(fold(material.events), material)


def _record(state: JobState, material: Material) -> bytes:
    value = record_value(
        state,
        material.events,
        material.heads,
        certificate_pem=material.certificate_pem,
        authority_pem=material.authority_pem,
        photo_sizes={name: len(data) for name, data in material.photos.items()},
        made_at=material.made_at,
        program=material.program,
    )
    return record_bytes(value)


def export_files(material: Material, signer: Signer, make_pdf: PdfMaker) -> dict[str, bytes]:
    """Return every file of an export by its name inside the folder.

    record.json, record.sig (detached, DER ECDSA P-256 over record.json), site.crt, authority.crt, head.json and
    head.sig (the newest head as signed), entries.jsonl (each entry's bytes on a line of its own, for checking by
    hand), record.pdf, photos by SHA-256.
    """
    from app.records.report import report_of

    if not material.events or not material.heads:
        raise Invalid("There is no such job, or nothing in it yet. Choose a job from the list.")
    state = fold(material.events)
    data, head = _record(state, material), material.heads[-1]
    report = report_of(state, material.events, root=head.root.hex(), made_at=material.made_at)
    files = {
        "record.json": data,
        "record.sig": signer.sign(data),
        "site.crt": material.certificate_pem.encode(),
        "authority.crt": material.authority_pem.encode(),
        "head.json": head.message,
        "head.sig": head.signature,
        "entries.jsonl": b"".join(_line(event) for event in material.events),
        "record.pdf": make_pdf(report, data, material.photos, material.made_at),
    }
    return files | {f"photos/{name}": material.photos[name] for name in photos_named(material.events)}


def _line(event: Event) -> bytes:
    from app.domain.events import payload_of
    from app.ledger.canonical import canonical

    return canonical(payload_of(event)) + b"\n"
