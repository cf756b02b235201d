"""Printed labels: every code read back by an independent decoder (zxing-cpp), every text read back from the page."""

import io
from datetime import UTC, datetime
from pathlib import Path

import pytest
import zxingcpp
from PIL import Image

from app.paper.labels import labels_pdf
from app.paths import FONTS
from app.records.labels import PAPERS, Label, LabelPaper, housing_labels, label_sheet
from tests.builders import housing
from tests.paper.tools import pages, run

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
