"""Verify a record as it lies on a disk: a JSON file, a PDF, or an exported folder."""

import re
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from app.calc.errors import Invalid
from app.ledger.canonical import canonical, read_canonical
from app.records.verify import Verdict, verify_record

PhotoReader = Callable[[str], bytes]

_HEAD = re.compile(r"[0-9]+:[0-9a-f]{64}")


def examine_path(path: Path, *, certificate: str | None, known: Sequence[str]) -> tuple[Verdict, tuple[str, ...]]:
    """Return the verdict on a record and what is wrong with the files around it."""
    if odd := next((head for head in known if not _HEAD.fullmatch(head)), None):
        raise Invalid(f"The head {odd!r} is not SIZE:ROOT. Give the number of entries, a colon and 64 hex digits.")
    if path.is_dir():
        return _folder(path, certificate, known)
    if not path.is_file():
        raise Invalid(f"There is no file or folder {path}. Give a record.json, a record.pdf or an exported folder.")
    data = path.read_bytes()
    if data[:2] == b"PK":
        raise Invalid(f"{path} is an archive. Unpack it and give the folder.")
    if data[:5] == b"%PDF-":
        return _pdf(data, certificate, known)
    signature = path.with_name("record.sig")
    found = signature.read_bytes() if signature.is_file() else None
    photos = path.parent / "photos"
    reader = _photo_reader(photos) if photos.is_dir() else None
    return verify_record(data, signature=found, photo=reader, expected_certificate=certificate, known_heads=known), ()


def _photo_reader(folder: Path) -> PhotoReader:
    def read(name: str) -> bytes:
        path = folder / name
        if not path.is_file():
            raise Invalid(f"Photo {name[:12]} is missing from the folder.")
        return path.read_bytes()

    return read


def _pdf(data: bytes, certificate: str | None, known: Sequence[str]) -> tuple[Verdict, tuple[str, ...]]:
    from app.paper.signing import inspect_pdf

    found = inspect_pdf(data, authority_pem=None)
    if found.record_json is None:
        return Verdict(()), found.faults or ("The PDF carries no record.json.",)
    verdict = verify_record(
        found.record_json, signature=None, photo=None, expected_certificate=certificate, known_heads=known
    )
    if verdict.checks[0].faults:
        return verdict, found.faults
    record: dict[str, Any] = dict(read_canonical(found.record_json))  # type: ignore[arg-type]  # found an object above
    found = inspect_pdf(data, authority_pem=str(record["authority"]))
    extra = list(found.faults)
    if found.certificate_pem and str(record["certificate"]).split() != found.certificate_pem.split():
        extra.append("The PDF is signed with another certificate than the record inside it carries.")
    return verdict, tuple(extra)


def _folder(path: Path, certificate: str | None, known: Sequence[str]) -> tuple[Verdict, tuple[str, ...]]:
    record = path / "record.json"
    if not record.is_file():
        raise Invalid(f"{path} holds no record.json. Give the folder of an export.")
    data, signature = record.read_bytes(), path / "record.sig"
    verdict = verify_record(
        data,
        signature=signature.read_bytes() if signature.is_file() else None,
        photo=_photo_reader(path / "photos"),
        expected_certificate=certificate,
        known_heads=known,
    )
    extra = [] if signature.is_file() else ["The folder lacks record.sig, the signature over record.json."]
    if verdict.checks[0].faults:
        return verdict, tuple(extra)
    extra += _beside(path, data)
    return verdict, tuple(extra)


def _beside(path: Path, data: bytes) -> list[str]:
    """What else an export holds must say the same as the record."""
    record: dict[str, Any] = dict(read_canonical(data))  # type: ignore[arg-type]  # verify_record found it an object
    faults = []
    lines = b"".join(canonical(entry) + b"\n" for entry in record["entries"])
    heads = record["heads"]
    expected = {"entries.jsonl": lines, "site.crt": str(record["certificate"]).encode(),
                "authority.crt": str(record["authority"]).encode(),
                "head.sig": bytes.fromhex(heads[-1]["signature"]) if heads else b""}  # fmt: skip
    for name, content in expected.items():
        file = path / name
        if file.is_file() and file.read_bytes() != content:
            faults.append(f"{name} does not agree with record.json.")
    pdf = path / "record.pdf"
    if pdf.is_file():
        from app.paper.signing import inspect_pdf

        found = inspect_pdf(pdf.read_bytes(), authority_pem=str(record["authority"]))
        faults += [f"record.pdf: {told}" for told in found.faults]
        if found.record_json is not None and found.record_json != data:
            faults.append("record.pdf carries another record.json than the folder.")
    return faults
