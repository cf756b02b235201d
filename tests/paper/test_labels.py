"""Printed labels: every code read back by an independent decoder (zxing-cpp), every text read back from the page."""

import io
import re
from dataclasses import dataclass
from datetime import UTC, date, datetime
from itertools import pairwise
from pathlib import Path

import pytest
import zxingcpp
from PIL import Image

from app.domain.packages import Told, WastePackage
from app.domain.store import Kind, Lot
from app.paper.faults import PaperFault
from app.paper.labels import labels_pdf
from app.paths import FONTS
from app.records.labels import (
    PAPERS,
    Label,
    LabelPaper,
    blank_label,
    filter_label,
    housing_labels,
    label_sheet,
    package_label,
)
from tests.builders import housing
from tests.paper.tools import pages, run, unspaced

SITE = "https://changeout.works.example:8443"
AT = datetime(2026, 3, 2, tzinfo=UTC)
OFFICE_DPI = 300


@pytest.mark.parametrize("paper", PAPERS, ids=lambda paper: paper.id)
def test_each_code_reads_as_the_address_and_each_text_stands_beside_it(paper: LabelPaper, tmp_path: Path) -> None:
    """As an office printer sets it: the decoder finds one code for each label, and a person all of the words."""
    odd = Label("housing", "ABC-0123456789-ÅÖ <b>", "ABC-0123456789-ÅÖ <b>", ("a place with #, * and _ in it",))
    labels = (*(label for tag in ("EF-03", "EF-11") for label in housing_labels(housing(tag), points=True)), odd)
    pdf = labels_pdf(sheet=label_sheet(labels, paper, site=SITE, first=2), fonts=FONTS, made_at=AT)
    (tmp_path / "labels.pdf").write_bytes(pdf)

    run("pdftoppm", "-r", str(OFFICE_DPI), "-png", tmp_path / "labels.pdf", tmp_path / "page")
    read = [
        code.text
        for page in sorted(tmp_path.glob("page*.png"))
        for code in zxingcpp.read_barcodes(Image.open(io.BytesIO(page.read_bytes())).convert("L"))
    ]
    text = " ".join(pages(pdf, tmp_path))

    assert sorted(read) == sorted(label.address(SITE) for label in labels)
    assert all(line in text for label in labels for line in label.lines)
    assert all(label.head in text for label in labels)


# --- what fits ------------------------------------------------------------------------------------

WIDE = "W" * 40
LOT = Lot(id="F-0101", kind=Kind.FILTER, what="24 x 24 x 11.5 gel seal, stainless frame, upstream guard", count=1,
          received_on=date(2026, 1, 9), serial="HX-2026-0011-7734-A", made=date(2026, 1, 5))  # fmt: skip
FIELDS = {
    "Generator": "Sample Works, laboratory wing",
    "Contents": "spent filter with 2 stubs with a torn bag; an earlier stub in it is not known here",
    "Filter serial": "HX-2026-0011-7734-A, as fitted by job 2024-0031",
    "From": "EF-03, port P1, position 2",
    "Made": "2026-03-02 07:15:00 +00:00",
    "Service and hazard": "radioactive; Cs-137, Co-60 and traces of Sr-90, by the survey of last autumn",
    "Decontamination on record": "none asked; wiped down at the door, 2026-03-02 06:50:00 +00:00",
    "Dose rate": "60 mrem/h at contact, 0.8 mrem/h at 1 m (RM-4)",
    "Transport label": "YELLOW-III; the safety officer decides",
    "Smear": "120 dpm/100 cm² (SC-2)",
    "Gross weight": "NOT WEIGHED: the scale at the waste point is out of calibration until Monday",
    "Volume": "0.131 m³ (640 x 640 x 320 mm outside)",
    "Sealed by": "Noor Haddad",
    "Closure checked by": "Tomé Silva, both sides tied and banded, gap clear",
    "Waste stream": "solid, pressed, UN 2912, code 15 02 02",
    "Kept": "in container D-0012; Olga Brandt answers for it",
}


def package(fields: dict[str, str], name: str = "2026-0001/12") -> Label:
    """Return the label of a package of which this is known."""
    made = WastePackage(name=name, job="job-2026-0001", number="2026-0001", housing="EF-03", contents="",
                        sealed=Told("cut", "Noor Haddad", "2026-03-02T07:15:00.000Z"), sealed_by=frozenset(),
                        lead="Ada Lind")  # fmt: skip
    return package_label(made, tuple(fields.items()))


KINDS = {
    "housing": Label("housing", "EF-03-NORTH", "EF-03-NORTH", (
        "Roof plant room of the north wing, second bay from the stair", "containment housing, potent compound service",
    )),
    "point": Label("point", "D-301-UPSTREAM", "D-301-UPSTREAM", (
        "purge line of EF-03-NORTH", "isolated when shut, handwheel chained and its plug screwed in",
    )),
    "blank": blank_label("2026-0001", "EF-03-NORTH", "2026-0001/B1", 1),
    "filter": filter_label(LOT),
    "package": package(FIELDS),
    "package of long texts": package(FIELDS | {"Closure checked by": "Tomé Silva, " + "tied, taped and banded, " * 12}),
    "package of words without end": package(FIELDS | dict.fromkeys(("From", "Smear", "Waste stream"), "W" * 80)),
    "package of texts without end": package(dict.fromkeys(FIELDS, "long " * 100)),
    "housing in wide letters": Label("housing", WIDE, WIDE, (WIDE * 2, f"containment housing, {WIDE}")),
    "point in wide letters": Label("point", WIDE, WIDE, (f"purge line of {WIDE}", f"isolated when {WIDE}")),
    "point in wide words": Label("point", "W" * 19, "W" * 19, ("W" * 19, "W" * 18)),
    "filter in wide letters": filter_label(LOT.model_copy(update={"serial": WIDE, "what": WIDE * 2})),
}  # fmt: skip
"""Every kind of label with the longest texts that are plausible, and with longer ones."""
LOW, ALL = {"a4-2x7", "a4-3x8", "us-2x7"}, {paper.id for paper in PAPERS}
REFUSED = {
    "package": LOW | {"a4-2x4", "us-2x5"},
    "package of long texts": ALL - {"a4-2x2"},
    "package of words without end": ALL - {"a4-2x2"},
    "package of texts without end": ALL,
    "housing in wide letters": {"a4-3x8"},
    "point in wide letters": {"a4-3x8"},
    "filter in wide letters": {"a4-3x8"},
}
"""The papers on which labels of a kind do not stand in legible letters."""


@dataclass(frozen=True)
class Box:
    """A word where it is printed, in points from the upper left corner of the page."""

    text: str
    left: float
    top: float
    right: float
    bottom: float

    def within(self, other: "Box") -> bool:
        """Whether the word stands inside a box."""
        return other.left <= self.left and self.right <= other.right and self.inked_within(other)

    def inked_within(self, other: "Box") -> bool:
        """Whether the word's letters stand between the upper and the lower edge of a box."""
        return other.top <= self.top and self.bottom <= other.bottom

    def touches(self, other: "Box") -> bool:
        """Whether the letters of two words stand on one another."""
        aside = self.right <= other.left + 0.1 or other.right <= self.left + 0.1
        return not (aside or self.bottom <= other.top or other.bottom <= self.top)


def words_of(pdf: bytes, folder: Path) -> list[Box]:
    """Return the words of one page, each a little flatter than the type that it is set in, as its letters are."""
    path = folder / "words.pdf"
    path.write_bytes(pdf)
    told = run("pdftotext", "-bbox", path, "-")
    found = re.findall(r'xMin="([-\d.]+)" yMin="([-\d.]+)" xMax="([-\d.]+)" yMax="([-\d.]+)">([^<]+)</word>', told)
    boxes = []
    for left, top, right, bottom, text in found:
        high = float(bottom) - float(top)
        boxes.append(Box(text, float(left), float(top) + 0.04 * high, float(right), float(bottom) - 0.04 * high))
    return boxes


def printed(label: Label, paper: LabelPaper) -> bytes:
    """Print a label twice, above one another or beside."""
    return labels_pdf(sheet=label_sheet((label, label), paper, site=SITE, first=1), fonts=FONTS, made_at=AT)


@pytest.mark.parametrize("paper", PAPERS, ids=lambda paper: paper.id)
@pytest.mark.parametrize("kind", KINDS)
def test_every_word_stands_inside_its_label_or_the_paper_is_refused(
    kind: str, paper: LabelPaper, tmp_path: Path
) -> None:
    """Nothing is cut off, nothing stands on anything else; a refusal names the papers that hold the label."""
    label = KINDS[kind]
    if paper.id in REFUSED.get(kind, ()):
        with pytest.raises(PaperFault, match=f"does not fit on the paper {paper.words} at 6 pt") as fault:
            printed(label, paper)
        named = {other.id for other in PAPERS if other.words in str(fault.value).partition("holds it: ")[2]}
        assert f"{label.kind} {label.code}" in str(fault.value)
        assert named == {other.id for other in PAPERS} - REFUSED[kind]
        return
    pdf = printed(label, paper)
    words, point = words_of(pdf, tmp_path), 72 / 25.4
    boxes = [
        Box("", x * point, paper.first[1] * point, (x + paper.label[0]) * point,
            (paper.first[1] + paper.label[1]) * point)
        for x in (paper.first[0], paper.first[0] + paper.pitch[0])
    ]  # fmt: skip

    assert [word for word in words if not any(word.within(box) for box in boxes)] == []
    assert [(one, other) for n, one in enumerate(words) for other in words[:n] if one.touches(other)] == []
    assert min(word.bottom - word.top for word in words) >= 6 * 0.92 - 0.01
    text = unspaced(" ".join(word.text for word in words))
    for line in (label.head, *label.lines, f"{label.kind} {label.code}"):
        assert text.count(unspaced(line)) >= 2, line


def test_what_no_paper_holds_is_told_with_what_to_do() -> None:
    """One sentence, whatever paper was chosen."""
    with pytest.raises(
        PaperFault, match=r"No paper here holds it: shorten what was entered, or write the label by hand"
    ):
        printed(KINDS["package of texts without end"], PAPERS[0])


def test_a_long_text_is_set_smaller_only_where_it_has_to_be(tmp_path: Path) -> None:
    """Line by line more text on the same label: letters shrink step by step and never under the smallest."""
    paper, sizes = PAPERS[0], []
    for count in (1, 5, 9):
        words = words_of(printed(Label("point", "D-1", "D-1", ("shut",) * count), paper), tmp_path)
        sizes.append(next(word.bottom - word.top for word in words if word.text == "shut"))

    assert all(one >= other for one, other in pairwise(sizes))
    assert sizes[0] > sizes[-1]
