"""Tables for spreadsheets: comma-separated, and no cell that a spreadsheet would take for a formula."""

import csv
import io
from collections.abc import Iterable, Sequence

_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")


def csv_of(rows: Iterable[Sequence[str | int]]) -> bytes:
    """Return rows as CSV in UTF-8 with its mark, so that spreadsheets read every letter; the first row is the head.

    A text that begins like a formula gets an apostrophe before it; counts stay numbers.
    """
    held = io.StringIO()
    csv.writer(held, lineterminator="\r\n").writerows([_safe(cell) for cell in row] for row in rows)
    return b"\xef\xbb\xbf" + held.getvalue().encode()


def _safe(cell: str | int) -> str | int:
    if isinstance(cell, int):
        return cell
    return f"'{cell}" if cell.startswith(_FORMULA) or cell.lstrip().startswith(_FORMULA) else cell
