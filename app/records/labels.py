"""Labels to stick on: what each reads, and where it stands on a sheet of office label paper.

Rules kept here:
- every label is legible without a scanner: the code only repeats, as an address of the site, what is printed beside it;
- a label never says that something is safe or done; it says what a thing is;
- its text is never cut off: what does not fit in legible letters is not printed on that paper;
- the geometry of label paper is common practice, no source: one sheet is printed on plain paper first.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import quote, urlsplit

from app.calc.errors import Invalid
from app.domain.housing import Housing
from app.domain.labels import AT
from app.domain.packages import WastePackage
from app.domain.store import Lot

MOST_LABELS = 400
"""At once (this program's bound)."""
LONGEST_ADDRESS = 100
"""Of the server; a longer one makes codes too fine for office printers (this program's bound)."""
HEAD_PT, SMALLEST_PT, TEXT_PT = 20.0, 7.0, 7.5
LEGIBLE_PT = 6.0
"""The smallest text on a label (our figure)."""
USUAL_MM, LARGEST_SCALE = 37.0, 1.6
"""The height of a label at which these sizes hold; a higher label is set larger, up to a point."""
BOLD_WIDTH = 0.75
"""Of a bold letter against its size, on the wide side, for this program's own face."""
PAD_MM = 2.0
MM_IN_PT = 25.4 / 72


@dataclass(frozen=True, slots=True)
class LabelPaper:
    """A sheet of label paper, all in mm: the page, one label, where the first stands, from one to the next."""

    id: str
    words: str
    page: tuple[float, float]
    grid: tuple[int, int]
    label: tuple[float, float]
    first: tuple[float, float]
    pitch: tuple[float, float]

    @property
    def count(self) -> int:
        """How many labels a sheet has."""
        return self.grid[0] * self.grid[1]


A4, LETTER = (210.0, 297.0), (215.9, 279.4)
PAPERS = (
    LabelPaper("a4-2x7", "A4, 2 by 7, each 99.1 × 38.1 mm", A4, (2, 7), (99.1, 38.1), (4.65, 15.15), (101.6, 38.1)),
    LabelPaper("a4-2x4", "A4, 2 by 4, each 99.1 × 67.7 mm", A4, (2, 4), (99.1, 67.7), (4.65, 13.1), (101.6, 67.7)),
    LabelPaper("a4-2x2", "A4, 2 by 2, each 99.1 × 139 mm", A4, (2, 2), (99.1, 139), (4.65, 9.5), (101.6, 139)),
    LabelPaper("a4-3x8", "A4, 3 by 8, each 70 × 37 mm", A4, (3, 8), (70, 37), (0, 0.5), (70, 37)),
    LabelPaper(
        "us-2x3", "US Letter, 2 by 3, 4 × 3 1/3 in", LETTER, (2, 3), (101.6, 84.67), (3.97, 12.7), (106.36, 84.67)
    ),
    LabelPaper("us-2x5", "US Letter, 2 by 5, 4 × 2 in", LETTER, (2, 5), (101.6, 50.8), (3.97, 12.7), (106.36, 50.8)),
    LabelPaper(
        "us-2x7", "US Letter, 2 by 7, 4 × 1 1/3 in", LETTER, (2, 7), (101.6, 33.87), (3.97, 21.17), (106.36, 33.87)
    ),
)


@dataclass(frozen=True, slots=True)
class Label:
    """One label.  kind: what it stands on.  code: what it reads, which its address ends with.  lines: under it."""

    kind: str
    head: str
    code: str
    lines: tuple[str, ...]

    def address(self, site: str) -> str:
        """Return the address that the code holds."""
        return f"{site}{AT}{self.kind}/{'/'.join(quote(part, safe='') for part in self.code.split('/'))}"


def housing_labels(housing: Housing, *, points: bool) -> tuple[Label, ...]:
    """Return the label of a housing and, if asked for, one for each of its points of isolation."""
    service = housing.service.replace("_", " ")
    own = Label("housing", housing.tag, housing.tag, (housing.location, f"containment housing, {service} service"))
    if not points:
        return (own,)
    return (
        own,
        *(
            Label(
                "point", point.tag, point.tag, (f"{point.kind.words} of {housing.tag}", f"isolated when {point.safe}")
            )
            for point in housing.points
        ),
    )


def blank_label(number: str, tag: str, serial: str, place: int) -> Label:
    """Return the label of a controlled blank, to mark its folder with."""
    return Label("blank", serial, f"job-{number}/{place}", (f"controlled blank of job {number}", f"housing {tag}"))


def filter_label(lot: Lot) -> Label:
    """Return the label of a filter in the store room.  Whether it may be used stands on its page, not on the label."""
    made = f"made on {lot.made}" if lot.made else "making date NOT ENTERED"
    return Label(
        "filter", lot.serial or lot.id, lot.id, (lot.what, f"lot {lot.id}, {made}", f"received {lot.received_on}")
    )


def package_label(package: WastePackage, fields: Sequence[tuple[str, str]]) -> Label:
    """Return the label of a package: every field of it, with what is not known said.

    fields: as in `app.records.package_label.printed_lines`.
    """
    lines = tuple(f"{name}: {text}" for name, text in fields if name != "Package")
    return Label("package", package.name, f"job-{package.number}/{package.name.rpartition('/')[2]}", lines)


def site_address(text: str) -> str:
    """Return the address of the server as it stands in codes; Invalid for text that is none."""
    plain = text.strip().rstrip("/")
    if not _is_of_a_server(plain):
        raise Invalid(
            f"{text!r} is not the address of a server. Give it as tablets reach it, such as https://10.0.0.5."
        )
    if len(plain) > LONGEST_ADDRESS or not plain.isascii():
        raise Invalid(f"The address has {len(plain)} characters; give one of at most {LONGEST_ADDRESS} plain ones.")
    return plain


def _is_of_a_server(text: str) -> bool:
    try:
        parts = urlsplit(text)
        named = parts.scheme in ("http", "https") and bool(parts.hostname) and parts.port != 0
    except ValueError:
        return False
    return named and not (parts.path or parts.query or parts.fragment or parts.username)


def paper_of(name: str) -> LabelPaper:
    """Return the paper with this id; Invalid for any other."""
    found = next((paper for paper in PAPERS if paper.id == name), None)
    if found is None:
        raise Invalid(f"{name!r} is not one of the kinds of label paper. Choose one of those shown.")
    return found


def label_sheet(labels: Sequence[Label], paper: LabelPaper, *, site: str, first: int) -> dict[str, object]:
    """Return what the printer sets.  first: the place, from 1, of the first label that is still on the first sheet.

    Raises Invalid for no label, too many, or a place that the sheet has not.
    """
    if not labels:
        raise Invalid("There is nothing to print: choose what the labels are for.")
    if len(labels) > MOST_LABELS:
        raise Invalid(
            f"{len(labels)} labels at once are too many; {MOST_LABELS} is the most this program takes. Choose fewer."
        )
    if not 1 <= first <= paper.count:
        raise Invalid(f"Label {first} is not on this paper; give the first free one, from 1 to {paper.count}.")
    across, code = paper.grid[0], _side(paper)
    placed = [divmod(first - 1 + number, paper.count) for number in range(len(labels))]
    shown = [
        {
            "sheet": sheet,
            "x": round(paper.first[0] + on % across * paper.pitch[0], 2),
            "y": round(paper.first[1] + on // across * paper.pitch[1], 2),
            "head": label.head,
            "lines": list(label.lines),
            "code": f"{label.kind} {label.code}",
            "address": label.address(site),
            "file": f"code-{number}.svg",
        }
        for number, (label, (sheet, on)) in enumerate(zip(labels, placed, strict=True))
    ]
    others = (other for other in PAPERS if other.id != paper.id)
    return {
        "page": list(paper.page), "label": list(paper.label), "side": round(code, 2), "pad": PAD_MM,
        "sheets": max(sheet for sheet, _ in placed), "labels": shown, "smallest": LEGIBLE_PT,
        "smallest_head": SMALLEST_PT, "papers": [_room_on(item, labels) for item in (paper, *others)],
    }  # fmt: skip


def _side(paper: LabelPaper) -> float:
    """Return the side of the code on this paper."""
    return min(paper.label[1] - 2 * PAD_MM, 0.42 * paper.label[0])


def _room_on(paper: LabelPaper, labels: Sequence[Label]) -> dict[str, object]:
    """Return the room beside the code on this paper, and how large text and heads are to be there if they fit."""
    beside = paper.label[0] - _side(paper) - 3 * PAD_MM
    scale = max(1.0, min(paper.label[1] / USUAL_MM, LARGEST_SCALE))
    return {
        "words": paper.words, "room": round(beside, 2), "high": round(paper.label[1] - 2 * PAD_MM, 2),
        "text": round(TEXT_PT * scale, 1), "heads": [head_size(label.head, beside, scale) for label in labels],
    }  # fmt: skip


def head_size(text: str, room_mm: float, scale: float = 1.0) -> float:
    """Return the size in pt at which a bold head of this length fits its line, as large as a label wants it."""
    fits = room_mm / (MM_IN_PT * BOLD_WIDTH * max(len(text), 1))
    return round(max(min(HEAD_PT * scale, fits), SMALLEST_PT), 1)
