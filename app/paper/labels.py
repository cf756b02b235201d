"""Labels on paper: their codes drawn, their texts in printed form."""

import re
from collections.abc import Mapping
from datetime import datetime
from io import BytesIO
from pathlib import Path
from typing import Any

from app.paper.faults import PaperFault
from app.paper.pdf import fault, typeset
from app.paper.sheets import printed_values

QUIET = 4
"""Modules of quiet zone around a code (ISO/IEC 18004)."""
_NO_ROOM = re.compile(r"NO ROOM (\d+):([\d,]*)")
"""How `label.typ` says which label its paper does not hold, and which of the others hold all of them."""


def labels_pdf(*, sheet: Mapping[str, Any], fonts: Path, made_at: datetime) -> bytes:
    """Print a sheet of labels; see `app.records.labels.label_sheet`.  made_at: aware.

    Raises PaperFault, also where a label has more text than its paper holds.
    """
    files = {item["file"]: _code(item["address"]) for item in sheet["labels"]}
    kept = {"address": [item["address"] for item in sheet["labels"]]}
    shown = printed_values(dict(sheet))
    for item, address in zip(shown["labels"], kept["address"], strict=True):
        item["address"] = address
    try:
        return typeset("label.typ", shown, files, fonts=fonts, made_at=made_at)
    except RuntimeError as error:
        if told := _NO_ROOM.search(str(error)):
            raise _no_room(sheet, int(told[1]), told[2]) from None
        raise fault(error, what="sheet of labels", instead="print fewer") from error


def _no_room(sheet: Mapping[str, Any], label: int, others: str) -> PaperFault:
    """Say which label is too long for its paper, and what to do."""
    papers = [item["words"] for item in sheet["papers"]]
    told = (
        f"The text of the label {sheet['labels'][label]['code']!r} does not fit on the paper {papers[0]} at "
        f"{sheet['smallest']:g} pt, the smallest that we print (our figure)."
    )
    if not others:
        return PaperFault(f"{told} No paper here holds it: shorten what was entered, or write the label by hand.")
    held = "; or ".join(papers[int(place)] for place in others.split(","))
    return PaperFault(f"{told} Choose one that holds it: {held}.")


def _code(address: str) -> bytes:
    """Draw a code that still reads with 15 % of it damaged (level M of ISO/IEC 18004)."""
    import segno

    drawn = BytesIO()
    segno.make(address, error="m", micro=False).save(drawn, kind="svg", border=QUIET, light="white", xmldecl=False)
    return drawn.getvalue()
