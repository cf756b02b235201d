"""Extracts on paper, on the record's sheets: certificate, housing, hand-over, blanks, readiness, pick list, waste.

Rules kept here:
- a certificate carries its own data as JSON, and is to be signed by the caller like a record;
- a drawing is set from the very bytes that the screen shows.
"""

from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from app.ledger.canonical import canonical
from app.paper.pdf import fault, typeset
from app.paper.sheets import printed_values, short_head

CERTIFICATE_NAME = "certificate.json"


def certificate_pdf(*, certificate: Mapping[str, Any], fonts: Path, made_at: datetime) -> bytes:
    """Print a certificate, its data attached as `certificate.json` in canonical form.

    certificate: see `app.records.certificate.value_of`.  fonts: the folder of the shipped fonts.  made_at: aware.
    Raises PaperFault when it cannot be printed.
    """
    head = {"size": certificate["size"], "root": certificate["root"], "at": certificate["newest"]}
    sheets = {"certificate": printed_values(certificate), "head": head | {"short": short_head(head["root"])}}
    try:
        files = {CERTIFICATE_NAME: canonical(certificate)}
        return typeset("certificate.typ", sheets, files, fonts=fonts, made_at=made_at)
    except RuntimeError as error:
        raise fault(error, what="certificate", instead="take the record as JSON") from error


def housing_pdf(*, sheet: Mapping[str, Any], drawings: Mapping[str, bytes], fonts: Path, made_at: datetime) -> bytes:
    """Print the sheet of a housing.

    sheet: see `app.records.housing_sheet.value_of`.  drawings: SVG by the name that the sheet gives each bank's.
    fonts: the folder of the shipped fonts.  made_at: aware.  Raises PaperFault when it cannot be printed.
    """
    return _extract("housing.typ", sheet, drawings, fonts, made_at, instead="read it on the screen")


def handover_pdf(*, sheet: Mapping[str, Any], drawings: Mapping[str, bytes], fonts: Path, made_at: datetime) -> bytes:
    """Print the sheet to hand a job over.

    sheet: see `app.records.handover_sheet.sheet_of`.  drawings: SVG of the ports by the names that the sheet gives.
    fonts, made_at: as above.  Raises PaperFault when it cannot be printed.
    """
    return _extract("handover.typ", sheet, drawings, fonts, made_at, instead="read it on the screen")


def waste_pdf(*, sheet: Mapping[str, Any], fonts: Path, made_at: datetime) -> bytes:
    """Print the list of a container or the sheet of a hand-over: see `app.records.waste_sheet`.

    fonts, made_at: as above.  Raises PaperFault when it cannot be printed.
    """
    return _extract("waste.typ", sheet, {}, fonts, made_at, instead="read it on the screen")


def blank_pdf(*, blank: Mapping[str, Any], fonts: Path, made_at: datetime) -> bytes:
    """Print a controlled blank: see `app.records.blank.blank_of`.  Raises PaperFault when it cannot be printed."""
    return _extract("blank.typ", blank, {}, fonts, made_at, instead="write the steps off the screen")


def readiness_pdf(*, sheet: Mapping[str, Any], fonts: Path, made_at: datetime) -> bytes:
    """Print the readiness of planned work: see `app.records.readiness.sheet_of`.  Raises PaperFault if it cannot."""
    return _extract("readiness.typ", sheet, {}, fonts, made_at, instead="read it on the screen")


def picking_pdf(*, lists: Mapping[str, Any], fonts: Path, made_at: datetime) -> bytes:
    """Print pick and order list: see `app.records.pick_sheet.sheet_value`.  Raises PaperFault if it cannot be."""
    return _extract("picking.typ", lists, {}, fonts, made_at, instead="take the lists as tables")


def _extract(
    template: str,
    values: Mapping[str, Any],
    files: Mapping[str, bytes],
    fonts: Path,
    made_at: datetime,
    *,
    instead: str,
) -> bytes:
    head = values["head"]
    sheets = printed_values(values) | {"head": {**head, "short": short_head(head["root"])}}
    try:
        return typeset(template, sheets, files, fonts=fonts, made_at=made_at)
    except RuntimeError as error:
        raise fault(error, what="sheet", instead=instead) from error
