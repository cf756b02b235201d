"""Tables as text by RFC 4180, read strictly and written so that a spreadsheet runs nothing of them.

Rules kept here:
- comma or semicolon, whichever the header uses; quotes only around a whole cell, doubled within it;
- a row is counted as a spreadsheet counts it: the header is row 1, and a line break within quotes begins none;
- a cell that begins like a formula is written with an apostrophe before it, which reading takes away again.
"""

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

FORMULA_STARTS = frozenset("=+-@\t\r\n\uff1d\uff0b\uff0d\uff20")
"""What spreadsheets take for the beginning of a formula, or strip to find one."""
GUARD = "'"
_QUOTED = re.compile(r'"((?:[^"]|"")*)"')
_PLAIN = re.compile(r'[^",;\r\n]*')
_ENDS = re.compile(r"\r\n|\n|\r")


@dataclass(frozen=True, slots=True)
class Row:
    """A row by its number, with the cells as they stand, guards and all."""

    number: int
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class BadTable(Exception):  # noqa: N818  (a fault of a file, told and not raised to a page)
    """Where the text stops being a table: row, cell counted from 0, and why."""

    row: int
    cell: int
    sentence: str


def separator_of(text: str) -> str:
    """Return the sign that parts the cells of the header; raise BadTable where it is both or neither."""
    header = _ENDS.split(text, maxsplit=1)[0]
    commas, semicolons = header.count(","), header.count(";")
    if commas and semicolons:
        raise BadTable(1, 0, "the header has commas and semicolons. Part all columns by the same sign.")
    if not commas and not semicolons:
        raise BadTable(1, 0, "the header has no comma and no semicolon. Part the columns by one of them.")
    return "," if commas else ";"


def rows_of(text: str, separator: str) -> Iterator[Row]:
    """Yield the rows; raise BadTable at the first place that no table has.  A line break at the end begins no row."""
    place, number, cells = 0, 1, list[str]()
    other = ";" if separator == "," else ","
    while place < len(text):
        if text[place] == '"':
            hit = _QUOTED.match(text, place)
            if hit is None:
                raise BadTable(number, len(cells), "a quote is opened and never closed. Close it, or double it.")
            cells.append(hit[1].replace('""', '"'))
            place = hit.end()
            if place < len(text) and text[place] not in (separator, "\r", "\n"):
                raise BadTable(
                    number, len(cells) - 1, "something follows the closing quote. Double quotes within a cell."
                )
        else:
            cell = ""
            while True:
                hit = _PLAIN.match(text, place)
                cell, place = cell + (hit[0] if hit else ""), hit.end() if hit else place
                if place >= len(text) or text[place] != other:
                    break
                cell, place = cell + other, place + 1
            if place < len(text) and text[place] == '"':
                raise BadTable(
                    number, len(cells), "a quote stands within an unquoted cell. Quote the cell and double it."
                )
            cells.append(cell)
        if place < len(text) and text[place] == separator:
            place += 1
            if place == len(text):
                cells.append("")
            continue
        yield Row(number, tuple(cells))
        end = _ENDS.match(text, place)
        place = end.end() if end else place
        number, cells = number + 1, []
    if cells:
        yield Row(number, tuple(cells))


def table_text(rows: Iterable[Sequence[str]]) -> str:
    """Write rows with commas and CR LF, every cell guarded, and quoted where it has to be."""
    return "".join(",".join(_written(cell) for cell in row) + "\r\n" for row in rows)


def _written(cell: str) -> str:
    guarded = f"{GUARD}{cell}" if _would_run(cell) else cell
    return '"' + guarded.replace('"', '""') + '"' if re.search(r'[",;\r\n]', guarded) else guarded


def _would_run(cell: str) -> bool:
    """Whether a cell begins like a formula, or like a guarded one."""
    return cell[:1] in FORMULA_STARTS if cell[:1] != GUARD else cell[1:2] in FORMULA_STARTS or cell[1:2] == GUARD


def unguarded(cell: str) -> str:
    """Return what a cell says: without the apostrophe that keeps it from running."""
    return cell[1:] if cell[:1] == GUARD and _would_run(cell) else cell


def runs(cell: str) -> bool:
    """Whether a spreadsheet would take a cell, as it stands in a file, for a formula."""
    return bool(cell) and cell[0] in FORMULA_STARTS
