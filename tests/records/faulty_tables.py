"""Faulty tables of the register: what was changed in a good one, and where and how that has to be told."""

from dataclasses import dataclass

from app.records.register_csv import NAMES

GOOD = {
    "tag": "EH-1", "location": "Annex bay 1", "service": "chemical", "seal": "gel", "upstream_damper": "D-1",
    "downstream_damper": "D-2", "fan": "F-1", "port": "P1", "bank": "hepa", "filters": "2",
    "filter": "24x24x11.5 gel", "position": "1", "serial": "S-1", "made": "2024-05-01", "installed": "2025-01-15",
}  # fmt: skip
SECOND = {"position": "2", "serial": "S-2"}


def table(*changes: dict[str, str], names: tuple[str, ...] = NAMES, separator: str = ",") -> str:
    """Return a table with a row for each set of cells that differ from the good ones."""
    rows = [names, *([(GOOD | cells).get(name, "") for name in names] for cells in changes)]
    return "\r\n".join(separator.join(row) for row in rows) + "\r\n"


WHOLE = table({}, SECOND)
"""One housing with one port and two filters."""
OTHER = {"tag": "EH-2", "filters": "1", "serial": "S-9"}


@dataclass(frozen=True)
class Faulty:
    """A file, the place that is told, and words of what is told."""

    name: str
    data: bytes
    where: str
    words: str


def _cells(name: str, column: str, given: str, words: str) -> Faulty:
    """One cell of the first row is otherwise; as the second must be the same, only its own columns differ there."""
    own = {column: given} if column not in ("position", "serial", "made", "installed", "test_report") else {}
    return Faulty(name, table({column: given}, SECOND | own).encode(), f"Row 2, column {column}", words)


FAULTY = (
    Faulty("nothing at all", b"", "The file", "it is empty"),
    Faulty("separators and nothing else", b",,,\r\n,,\r\n", "The file", "it is empty"),
    Faulty("a mark and nothing else", b"\xef\xbb\xbf \r\n", "The file", "it is empty"),
    Faulty("UTF-16", WHOLE.encode("utf-16"), "The file", "it is UTF-16"),
    Faulty("no separator", b"tag\r\nEH-1\r\n", "Row 1, column 1", "no comma and no semicolon"),
    Faulty("two separators", f"tag;location,{WHOLE}".encode(), "Row 1, column 1", "has commas and semicolons"),
    Faulty("header alone", table().encode(), "Row 2, column tag", "no row below the header"),
    Faulty("unknown column", table({}, SECOND, names=(*NAMES, "colour")).encode(), "Row 1, column colour",
           "“colour” is no column of the register"),
    Faulty("column in capitals", table({}, SECOND, names=("Tag", *NAMES[1:])).encode(), "Row 1, column Tag",
           "Write tag."),
    Faulty("missing column", table({}, SECOND, names=tuple(n for n in NAMES if n != "seal")).encode(),
           "Row 1, column seal", "this column is missing"),
    Faulty("column twice", table({}, SECOND, names=(*NAMES, "seal")).encode(), "Row 1, column seal", "there twice"),
    Faulty("column without a name", table({}, SECOND, names=(*NAMES, "")).encode(), f"Row 1, column {len(NAMES) + 1}",
           "“” is no column"),
    _cells("bad service", "service", "steam", "“steam” is not one of radioactive, biological"),
    _cells("service in capitals", "service", "Chemical", "“Chemical” is not one of"),
    _cells("bad seal", "seal", "glue", "“glue” is not one of gasket, gel"),
    _cells("bad bank", "bank", "ulpa", "“ulpa” is not one of prefilter, hepa, carbon"),
    _cells("no service", "service", "", "nothing was given. Give one of radioactive"),
    _cells("no tag", "tag", "", "nothing was given. Give what the label on the housing reads"),
    _cells("no place", "location", "", "nothing was given"),
    _cells("a place too long", "location", "x" * 201, "201 characters were given; 200 is the most"),
    _cells("label with a slash", "tag", "EH/1", "“EH/1” cannot be a label"),
    _cells("label too long", "fan", "F" * 41, "cannot be a label"),
    _cells("number in words", "filters", "two", "“two” is no whole number from 1 to 6"),
    _cells("number with a point", "filters", "2.0", "“2.0” is no whole number"),
    _cells("number too large", "filters", "7", "“7” is no whole number from 1 to 6"),
    _cells("number in other digits", "filters", "²", "“²” is no whole number"),
    _cells("deeper than the port", "deepest", "3", "down to position 3, but holds 2"),
    _cells("both dampers alike", "downstream_damper", "D-1", "both dampers have the same tag"),
    _cells("a neighbour of its own", "neighbours", "EH-1", "belongs to this housing"),
    _cells("isolation point in three parts", "isolation_points", "1; D-1; damper", "has 3 parts"),
    _cells("isolation point of no kind", "isolation_points", "1; D-1; valve; shut", "“valve” is not one of damper"),
    _cells("isolation points without the fan", "isolation_points", '"1; D-1; damper; shut\n2; D-2; damper; shut"',
           "no fan is among the isolation points"),
    _cells("gauge without words", "gauges", "PI-1", "has 1 parts"),
    _cells("formula", "location", "=1+1", "begins with “=”, which a spreadsheet would run as a formula"),
    _cells("formula with a plus", "notes", "+1", "begins with “+”"),
    _cells("formula with a minus", "access", "-2+3", "begins with “-”"),
    _cells("formula with an at", "notes", "@SUM(A1)", "begins with “@”"),
    _cells("formula after a tab", "notes", "\t=1", "begins with a tab"),
    _cells("formula after a break", "notes", '"\r=1"', "begins with a line break"),
    _cells("formula in wide signs", "notes", "\uff1d1", "begins with “\uff1d”"),
    _cells("NUL", "notes", "a\x00b", "a NUL stands in the cell"),
    _cells("control sign", "notes", "a\x07b", "U+0007 stands in the cell"),
    _cells("invisible sign", "notes", "a\u202eb", "U+202E"),
    Faulty("not UTF-8", WHOLE.replace("Annex", "Anne\xe9").encode("latin-1"), "Row 2, column location",
           "the byte E9 is not UTF-8"),
    Faulty("quote never closed", table({"notes": '"no end'}, SECOND).encode(), "Row 2, column notes",
           "a quote is opened and never closed"),
    Faulty("quote within a cell", table({"location": 'bay "1"'}, SECOND).encode(), "Row 2, column location",
           "a quote stands within an unquoted cell"),
    Faulty("text after a quote", table({"location": '"bay" 1'}, SECOND).encode(), "Row 2, column location",
           "something follows the closing quote"),
    Faulty("a cell too many", table({"fan": "F-1,F-2"}, SECOND).encode(), f"Row 2, column {NAMES[-1]}",
           f"the row has {len(NAMES) + 1} cells and the header {len(NAMES)}"),
    Faulty("a cell too few", (WHOLE + "EH-2,Annex\r\n").encode(), "Row 4, column location",
           f"the row has 2 cells and the header {len(NAMES)}"),
    Faulty("mixed housing", table({}, SECOND | {"seal": "gasket"}).encode(), "Row 3, column seal",
           "“gasket” is given, and row 2 of EH-1 has “gel”"),
    Faulty("mixed port", table({}, SECOND | {"ring": "600 mm"}).encode(), "Row 3, column ring",
           "“600 mm” is given, and row 2 of port P1 has “”"),
    Faulty("housing that comes again", table({"filters": "1"}, OTHER, SECOND).encode(), "Row 4, column tag",
           "“EH-1” comes again after other housings; its rows ended with row 2"),
    Faulty("port that comes again", table({"filters": "1"}, {"port": "P2", "serial": "S-2", "filters": "1"},
           {"filters": "1", "serial": "S-3"}).encode(), "Row 4, column port", "“P1” is there twice"),
    Faulty("tag written otherwise", table({"filters": "1"}, OTHER | {"tag": "eh-1"}).encode(), "Row 3, column tag",
           "“eh-1” is EH-1 written otherwise"),
    Faulty("position beyond the port", table({}, SECOND | {"position": "3"}).encode(), "Row 3, column position",
           "“3” is no position of this port; it has 1 to 2"),
    Faulty("position twice", table({}, SECOND | {"position": "1"}).encode(), "Row 3, column position",
           "position 1 of this port stands in row 2 already"),
    Faulty("position left out", table({}).encode(), "Row 2, column position", "no row for position 2"),
    Faulty("serial without a position", table({"position": "", "made": "", "installed": ""}).encode(),
           "Row 2, column serial", "“S-1” is given without a position"),
    Faulty("date without a serial", table({"serial": ""}, SECOND).encode(), "Row 2, column made",
           "“2024-05-01” is given without a serial number"),
    _cells("date in another order", "made", "01.05.2024", "'01.05.2024' is not a date"),
    _cells("day that is none", "made", "2024-02-30", "'2024-02-30' is not a date"),
    _cells("made in the future", "made", "2031-01-01", "does not lie between 1950-01-01 and today"),
    _cells("installed before made", "installed", "2024-04-30", "lies before 2024-05-01"),
    _cells("test report too long", "test_report", "x" * 81, "81 characters were given; 80 is the most"),
    _cells("serial too long", "serial", "x" * 61, "61 characters were given; 60 is the most"),
    Faulty("serial twice", table({}, SECOND | {"serial": "s - 1".replace(" ", "")}).encode(), "Row 3, column serial",
           "stands at EH-1, P1 position 1 too, and no filter is in two places"),
)  # fmt: skip
