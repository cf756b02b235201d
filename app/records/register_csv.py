"""The housing register as a table: one row for each position of each port, and back.

Rules kept here:
- column names are exact, each is there once, and no other;
- every fault is told by row and column: what was given, what is wrong, what to do;
- a table that is read back right after it was written changes nothing;
- a row without a position describes its port and says nothing of filters; with a position and without a serial number
  it says that no filter is known there.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from unicodedata import category

from app.calc.errors import Invalid
from app.domain.filling import EMPTY, past_day, serial_from
from app.domain.housed import Housed
from app.domain.housed_events import Filter
from app.domain.housing import Housing
from app.domain.housing_cells import (
    HOUSING_COLUMNS,
    PORT_COLUMNS,
    Column,
    Kind,
    housing_cells,
    housing_from,
    port_cells,
)
from app.domain.store import Store
from app.records.csv_text import BadTable, Row, rows_of, runs, separator_of, table_text, unguarded
from app.records.register_check import MOST_HOUSINGS, Checked, Fault, Filling, Gathered, Known, compared

POSITION_COLUMNS = (
    Column("position", "Position", "1 is nearest the door; nothing: the row is about the port alone", Kind.WHOLE),
    Column("serial", "Serial number", "of the filter in that position; nothing: none is known there", most=60),
    Column("made", "Maker's date", "year-month-day", most=10),
    Column("test_report", "Test report", "its number", most=80),
    Column("installed", "Installed on", "year-month-day", most=10),
)
COLUMNS = (*HOUSING_COLUMNS, *PORT_COLUMNS, *POSITION_COLUMNS)
NAMES = tuple(column.name for column in COLUMNS)
OF_FILTER = ("serial", "made", "test_report", "installed")
LARGEST_BYTES = 12_000_000
"""Above any table of so many rows (our figure)."""
_LOST = range(0xDC80, 0xDD00)


def register_csv(housings: Iterable[Housing], register: Housed) -> str:
    """Return the register as a table."""
    return table_text([NAMES, *(row for housing in housings for row in _rows(housing, register))])


def _rows(housing: Housing, register: Housed) -> Iterator[tuple[str, ...]]:
    own = housing_cells(housing)
    for port, cells in zip(housing.ports, port_cells(housing), strict=True):
        for position in range(1, port.filters + 1):
            now = register.at(housing.tag, port.id, position)
            of_filter = _filter_cells(now.filter if now else None)
            whole = {**own, **cells, "position": str(position), **of_filter}
            yield tuple(whole[name] for name in NAMES)


def _filter_cells(found: Filter | None) -> dict[str, str]:
    if found is None:
        return dict.fromkeys(OF_FILTER, "")
    return {
        "serial": found.serial, "made": str(found.made or ""), "test_report": found.report or "",
        "installed": str(found.installed or ""),
    }  # fmt: skip


# --- in -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Line:
    """A row with its cells by the names of the columns."""

    number: int
    cells: dict[str, str]

    def at(self, column: str) -> str:
        return f"Row {self.number}, column {column}"


def checked_csv(
    data: bytes, known: Known, tags: Iterable[str], register: Housed, *, today: date,
    unprintable: Callable[[str], str | None], store: Store = EMPTY,
) -> Checked:  # fmt: skip
    """Return what a table would do to the register.  store: a filter in it is in place nowhere."""
    found = Gathered()
    lines = _lines(data, found, unprintable)
    if lines:
        _gather(lines, found, known, today)
    return compared(found, known, tags, register, store)


def _lines(data: bytes, found: Gathered, unprintable: Callable[[str], str | None]) -> list[_Line]:
    """Return the rows below the header; where there is no table, the one fault."""
    if len(data) > LARGEST_BYTES:
        return _refused(
            found,
            Fault("The file", f"it has {len(data)} bytes; {LARGEST_BYTES} is the most this program takes. Part it."),
        )
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return _refused(found, Fault("The file", "it is UTF-16. Save it as CSV in UTF-8."))
    text = data.removeprefix(b"\xef\xbb\xbf").decode("utf-8", "surrogateescape")
    if not text.strip():
        return _refused(found, Fault("The file", "it is empty. Send a table with the columns named below."))
    rows: list[Row] = []
    try:
        for row in rows_of(text, separator_of(text)):
            if any(cell.strip() for cell in row.cells):
                rows.append(row)
            if len(rows) > MOST_HOUSINGS + 1:
                told = f"there are more than {MOST_HOUSINGS} rows. Part the file, housings whole."
                return _refused(found, Fault(f"Row {row.number}, column tag", told))
    except BadTable as bad:
        header = [cell.strip() for cell in rows[0].cells] if rows else []
        column = header[bad.cell] if bad.cell < len(header) else f"{bad.cell + 1}"
        return _refused(found, Fault(f"Row {bad.row}, column {column}", bad.sentence))
    if not rows:
        return _refused(found, Fault("The file", "it is empty. Send a table with the columns named below."))
    header = [cell.strip() for cell in rows[0].cells]
    if faults := list(_header_faults(header)):
        found.faults += faults
        return []
    if len(rows) == 1:
        return _refused(
            found, Fault("Row 2, column tag", "there is no row below the header. Send one for each position.")
        )
    lines = [line for row in rows[1:] if (line := _named(row, header, found)) is not None]
    _complain_of_signs(lines, found, unprintable)
    return lines


def _refused(found: Gathered, fault: Fault) -> list[_Line]:
    found.faults.append(fault)
    return []


def _header_faults(header: Sequence[str]) -> Iterator[Fault]:
    for place, name in enumerate(header, start=1):
        where = f"Row 1, column {name or place}"
        if name not in NAMES:
            near = next((known for known in NAMES if known == name.casefold().replace(" ", "_")), "")
            told = f"Write {near}." if near else "Take it away, or give it a name from the list below."
            yield Fault(where, f"“{name[:40]}” is no column of the register. {told}")
        elif name in header[: place - 1]:
            yield Fault(where, f"“{name}” is there twice. Keep one.")
    for name in NAMES:
        if name not in header:
            yield Fault(f"Row 1, column {name}", "this column is missing. Add it; its cells may be empty.")


def _named(row: Row, header: Sequence[str], found: Gathered) -> _Line | None:
    """Return a row by its columns, guards taken off; None where its cells cannot be told apart."""
    if len(row.cells) != len(header):
        last = header[min(len(row.cells), len(header)) - 1]
        found.faults.append(
            Fault(
                f"Row {row.number}, column {last}",
                f"the row has {len(row.cells)} cells and the header {len(header)}. Quote cells that hold the sign that "
                "parts them, and give every column a cell.",
            )
        )
        return None
    cells = {}
    for name, cell in zip(header, row.cells, strict=True):
        if runs(cell) and cell.strip():
            sign = {"\t": "a tab", "\r": "a line break", "\n": "a line break"}.get(cell[0], f"“{cell[0]}”")
            found.faults.append(
                Fault(
                    f"Row {row.number}, column {name}",
                    f"“{' '.join(cell.split())[:40]}” begins with {sign}, which a spreadsheet would run as a formula. "
                    "Put an apostrophe before it, or take the sign away.",
                )
            )
        cells[name] = unguarded(cell).strip()
    return _Line(row.number, cells)


def _complain_of_signs(lines: Sequence[_Line], found: Gathered, unprintable: Callable[[str], str | None]) -> None:
    """Tell of signs that no record could print; each text is looked at once, and plain ones not at all."""
    judged: dict[str, str] = {}
    for line in lines:
        for name, cell in [*line.cells.items()]:
            if cell.isascii() and cell.isprintable():
                continue
            if cell not in judged:
                judged[cell] = _signs_told(cell, unprintable)
            if judged[cell]:
                found.faults.append(Fault(line.at(name), judged[cell]))
                line.cells[name] = cell.encode("utf-8", "replace").decode()


def _signs_told(cell: str, unprintable: Callable[[str], str | None]) -> str:
    for sign in cell:
        if sign not in "\n\r\t" and category(sign) in ("Cc", "Cs"):
            return _sign_words(sign)
    return unprintable(cell.replace("\t", " ").replace("\r", " ")) or ""


def _sign_words(sign: str) -> str:
    if sign == "\x00":
        return "a NUL stands in the cell, which no text has. Type the cell anew."
    if ord(sign) in _LOST:
        return f"the byte {ord(sign) - 0xDC00:02X} is not UTF-8. Save the file as UTF-8."
    return f"the sign U+{ord(sign):04X} stands in the cell, which no record could print. Type the cell anew."


def _gather(lines: Sequence[_Line], found: Gathered, known: Known, today: date) -> None:
    """Read housing by housing; rows of one housing stand together."""
    groups: list[list[_Line]] = []
    ended: dict[str, int] = {}
    for line in lines:
        tag = line.cells["tag"]
        if groups and groups[-1][0].cells["tag"] == tag:
            groups[-1].append(line)
        elif tag in ended:
            found.faults.append(
                Fault(
                    line.at("tag"),
                    f"“{tag[:40]}” comes again after other housings; its rows ended with row {ended[tag]}. Keep the "
                    "rows of a housing together.",
                )
            )
            continue
        else:
            groups.append([line])
        ended[tag] = line.number
    for group in groups:
        _gather_one(group, found, known, today)


def _gather_one(group: Sequence[_Line], found: Gathered, known: Known, today: date) -> None:
    first, before = group[0], len(found.faults)
    found.faults += _mixed(group, HOUSING_COLUMNS, first.cells["tag"])
    ports: list[list[_Line]] = []
    for line in group:
        if ports and ports[-1][0].cells["port"] == line.cells["port"]:
            ports[-1].append(line)
        else:
            ports.append([line])
    for port in ports:
        found.faults += _mixed(port, PORT_COLUMNS, f"port {port[0].cells['port']}")
    tag = first.cells["tag"]
    housing, faults = housing_from(known(tag), first.cells, [port[0].cells for port in ports])
    for fault in faults:
        line = first if fault.port is None else ports[fault.port][0]
        found.faults.append(Fault(line.at(fault.column), fault.sentence))
    fillings = []
    for port in ports:
        fillings += _positions(port, found, today)
    if housing is not None and len(found.faults) == before:
        found.housings.append((first.at("tag"), housing))
        found.said[housing.tag] = fillings


def _mixed(lines: Sequence[_Line], columns: Sequence[Column], what: str) -> Iterator[Fault]:
    """Yield each cell that is not as in the first row of the same housing or port."""
    first = lines[0]
    for line in lines[1:]:
        for column in columns:
            if line.cells[column.name] != first.cells[column.name]:
                yield Fault(
                    line.at(column.name),
                    f"“{line.cells[column.name][:40]}” is given, and row {first.number} of {what[:50]} has "
                    f"“{first.cells[column.name][:40]}”. Give the same in both.",
                )


def _positions(lines: Sequence[_Line], found: Gathered, today: date) -> list[Filling]:
    """Return what each position of a port is to hold."""
    count, fillings, seen, before = lines[0].cells["filters"], [], dict[int, int](), len(found.faults)
    most = int(count) if count.isascii() and count.isdigit() and len(count) < 3 else 0
    if len(lines) == 1 and not lines[0].cells["position"]:
        for name in OF_FILTER:
            if lines[0].cells[name]:
                told = f"“{lines[0].cells[name][:40]}” is given without a position. Say which position it is in."
                found.faults.append(Fault(lines[0].at(name), told))
        return []
    for line in lines:
        text = line.cells["position"]
        place = int(text) if text.isascii() and text.isdigit() and len(text) < 3 else 0
        if not 1 <= place <= most:
            if most:
                told = f"“{text[:20]}” is no position of this port; it has 1 to {most}. Correct it."
                found.faults.append(Fault(line.at("position"), told))
            continue
        if place in seen:
            told = f"position {place} of this port stands in row {seen[place]} already. Keep one row for each."
            found.faults.append(Fault(line.at("position"), told))
            continue
        seen[place] = line.number
        fillings.append(
            Filling(line.cells["tag"], line.cells["port"], place, _filter(line, found, today), where=line.at("serial"))
        )
    left = [str(place) for place in range(1, most + 1) if place not in seen]
    if left and len(found.faults) == before:
        told = f"this port has {most} filters and no row for position {', '.join(left)}. Add it, or correct filters."
        found.faults.append(Fault(lines[-1].at("position"), told))
    return fillings


def _filter(line: _Line, found: Gathered, today: date) -> Filter | None:
    cells, before = line.cells, len(found.faults)
    if not cells["serial"]:
        for name in OF_FILTER[1:]:
            if cells[name]:
                told = f"“{cells[name][:40]}” is given without a serial number. Give the number, or clear this."
                found.faults.append(Fault(line.at(name), told))
        return None
    days: dict[str, date | None] = {}
    for name in ("made", "installed"):
        try:
            days[name] = past_day(cells[name], "", today)
        except Invalid as fault:
            found.faults.append(Fault(line.at(name), str(fault).removeprefix(": ")))
    try:
        serial = serial_from(cells["serial"])
    except Invalid as fault:
        found.faults.append(Fault(line.at("serial"), str(fault).removeprefix("Serial number: ")))
    if len(cells["test_report"]) > 80:
        told = f"{len(cells['test_report'])} characters were given; 80 is the most this program takes. Give its number."
        found.faults.append(Fault(line.at("test_report"), told))
    made, installed = days.get("made"), days.get("installed")
    if made is not None and installed is not None and installed < made:
        told = f"{installed} lies before {made}, the day on which it was made. Correct one of them."
        found.faults.append(Fault(line.at("installed"), told))
    if len(found.faults) > before:
        return None
    report = " ".join(cells["test_report"].split())
    return Filter(serial=serial, made=made, report=report or None, installed=installed)
