"""Labels on paper: their codes drawn, their texts in printed form."""

from collections.abc import Mapping
from datetime import datetime
from io import BytesIO
from pathlib import Path
from typing import Any

from app.paper.pdf import fault, typeset
from app.paper.sheets import printed_values

QUIET = 4
"""Modules of quiet zone around a code (ISO/IEC 18004)."""


def labels_pdf(*, sheet: Mapping[str, Any], fonts: Path, made_at: datetime) -> bytes:
    """Print a sheet of labels; see `app.records.labels.label_sheet`.  made_at: aware.  Raises PaperFault."""
    files = {item["file"]: _code(item["address"]) for item in sheet["labels"]}
    kept = {"address": [item["address"] for item in sheet["labels"]]}
    shown = printed_values(dict(sheet))
    for item, address in zip(shown["labels"], kept["address"], strict=True):
        item["address"] = address
    try:
        return typeset("label.typ", shown, files, fonts=fonts, made_at=made_at)
    except RuntimeError as error:
        raise fault(error, what="sheet of labels", instead="print fewer") from error


def _code(address: str) -> bytes:
    """Draw a code that still reads with 15 % of it damaged (level M of ISO/IEC 18004)."""
    import segno

    drawn = BytesIO()
    segno.make(address, error="m", micro=False).save(drawn, kind="svg", border=QUIET, light="white", xmldecl=False)
    return drawn.getvalue()
