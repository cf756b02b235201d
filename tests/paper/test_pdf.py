"""The printed record: what it is, what stands on it, and that it is always the same."""

import json
import re
import subprocess
import sys
from datetime import datetime
from hashlib import sha256
from pathlib import Path
from threading import BoundedSemaphore
from typing import Any

import pikepdf
import pytest

from app.domain.commands import Finish
from app.ledger.heads import short_root
from app.paper import pdf as typesetting
from app.paper.faults import PaperFault
from app.paper.pdf import RECORD_NAME, make_pdf
from tests.paper.conftest import printed
from tests.paper.samples import (
    ARABIC,
    CREW,
    FONTS,
    GREEK,
    HOSTILE,
    MADE_AT,
    PHOTO,
    ROOT,
    Sample,
    Teller,
    eventful,
    seed_housing,
    unfinished,
)
from tests.paper.tools import closed_up, pages, run, unspaced

MM = 72 / 25.4


@pytest.fixture
def opened(pdf: bytes, tmp_path: Path) -> pikepdf.Pdf:
    """Return the printed record, opened."""
    path = tmp_path / "record.pdf"
    path.write_bytes(pdf)
    return pikepdf.open(path)


# --- what kind of file it is ----------------------------------------------------------------------


def test_it_declares_pdfa_3a_and_pdfua_1(opened: pikepdf.Pdf) -> None:
    """The metadata claim PDF/A part 3, conformance A, and PDF/UA part 1."""
    with opened.open_metadata() as metadata:
        claims = [metadata.get(name) for name in ("pdfaid:part", "pdfaid:conformance", "pdfuaid:part", "dc:title")]

    assert claims == ["3", "A", "1", "Record of job 2026-014, housing EF-03"]


def test_it_is_tagged_has_a_language_and_an_output_intent(opened: pikepdf.Pdf) -> None:
    """Readers get structure, language and title; colours get their meaning."""
    root = opened.Root

    assert bool(root.MarkInfo.Marked)
    assert str(root.Lang).startswith("en")
    assert bool(root.ViewerPreferences.DisplayDocTitle)
    assert len(root.OutputIntents) == 1
    assert "/StructTreeRoot" in root


def test_every_picture_has_words(opened: pikepdf.Pdf, sample: Sample) -> None:
    """Each port drawing and each photo stands in the structure with a text in its place."""
    words = [str(item["/Alt"]) for item in opened.objects if isinstance(item, pikepdf.Dictionary) and "/Alt" in item]

    assert len(words) >= len(sample.report()["pictures"]) + len(sample.photos)
    assert any("filter clamp set" in word for word in words)


def test_the_record_is_attached_as_its_source_byte_for_byte(opened: pikepdf.Pdf, sample: Sample) -> None:
    """There is one associated file: the record, marked as the source, as JSON, with equal bytes."""
    (spec,) = list(opened.Root.AF)

    content = bytes(spec.EF.F.read_bytes())

    assert list(opened.attachments) == [RECORD_NAME]
    assert (str(spec.AFRelationship), str(spec.EF.F.Subtype)) == ("/Source", "/application/json")
    assert content == sample.record_json


def test_nothing_in_it_can_act(opened: pikepdf.Pdf) -> None:
    """No object holds a script, an action, a launch or a page that opens by itself."""
    acting = {"/JS", "/JavaScript", "/OpenAction", "/AA", "/Launch", "/XFA"}

    found = [
        (key, value)
        for item in opened.objects
        if isinstance(item, pikepdf.Dictionary | pikepdf.Stream)
        for key, value in item.items()
        if key in acting or (key == "/S" and str(value) in {"/JavaScript", "/Launch", "/URI", "/SubmitForm"})
    ]

    assert found == []


def test_poppler_finds_every_font_embedded(pdf: bytes, tmp_path: Path) -> None:
    """An independent reader sees only embedded fonts with a way back to text, and ours among them."""
    path = tmp_path / "record.pdf"
    path.write_bytes(pdf)

    rows = [line.split() for line in run("pdffonts", path).splitlines()[2:]]

    assert {tuple(row[-5:-2]) for row in rows} == {("yes", "yes", "yes")}
    assert any("DejaVuSans" in row[0] for row in rows)


def test_poppler_takes_the_same_record_out(pdf: bytes, sample: Sample, tmp_path: Path) -> None:
    """An independent reader saves the attachment with equal bytes."""
    path, inside = tmp_path / "record.pdf", tmp_path / "inside.json"
    path.write_bytes(pdf)

    run("pdfdetach", "-save", "1", "-o", inside, path)

    assert inside.read_bytes() == sample.record_json


def test_qpdf_finds_it_sound(signed: bytes, tmp_path: Path) -> None:
    """An independent checker finds no fault in the signed file."""
    path = tmp_path / "record.pdf"
    path.write_bytes(signed)

    said = run("qpdf", "--check", path)

    assert "No syntax or stream encoding errors found" in said


def test_its_dates_are_the_time_handed_in(opened: pikepdf.Pdf) -> None:
    """Creation is the instant of the print as given, to the second, and no clock of the machine."""
    assert str(opened.docinfo["/CreationDate"]).startswith(f"D:{MADE_AT:%Y%m%d%H%M%S}")


# --- what stands on it ----------------------------------------------------------------------------


def test_every_page_tells_job_head_and_number(pdf: bytes, sample: Sample, tmp_path: Path) -> None:
    """Size and root of the ledger, short and in full, stand on every sheet, with the sheet's number."""
    found = pages(pdf, tmp_path)

    wanted = [f"{len(sample.events)} {short_root(bytes.fromhex(sample.root))}", sample.root, "job 2026-014"]

    assert len(found) > 5
    for number, page in enumerate(found, start=1):
        assert [word for word in wanted if word not in page] == []
        assert f"{number} of {len(found)}" in page


def test_a_rehearsal_says_so_on_every_page(rehearsal: bytes, pdf: bytes, tmp_path: Path) -> None:
    """No sheet of a rehearsal can pass for a record, and no sheet of a record says rehearsal."""
    practised, real = pages(rehearsal, tmp_path), pages(pdf, tmp_path)

    assert all("REHEARSAL" in page for page in practised)
    assert "no work was done" in practised[0]
    assert not any("REHEARSAL" in page for page in real)


def test_a_rehearsal_is_marked_in_very_large_letters(rehearsal: bytes, tmp_path: Path) -> None:
    """The letters across each sheet are taller than 25 mm, which no other text comes near."""
    path = tmp_path / "rehearsal.pdf"
    path.write_bytes(rehearsal)

    with pikepdf.open(path) as opened:
        sizes = [_largest_letters(page) for page in opened.pages]

    assert min(sizes) > 25 * MM


def _largest_letters(page: pikepdf.Page) -> float:
    steps = pikepdf.parse_content_stream(page)
    return max(float(step.operands[1]) for step in steps if str(step.operator) == "Tf")


def test_a_correction_is_readable_as_text(pdf: bytes, sample: Sample, tmp_path: Path) -> None:
    """Old value, new value, who, when and why stand together; the first value is not lost."""
    text = " ".join(pages(pdf, tmp_path))
    correction = next(mark.corrections[0] for mark in sample.state.marks.values() if mark.corrections)

    told = f"Corrected: was 9.2 N·m, now 9.4 N·m — {correction.stamp.by.name}"

    assert told in text
    assert closed_up(correction.reason) in text[text.index(told) :][:300]
    assert sample.report()["sections"] != []


def test_a_corrected_value_is_struck_through(opened: pikepdf.Pdf) -> None:
    """The file's structure marks one stretch of text as struck through, for eyes and for readers without eyes."""
    kinds = [
        str(style.get("/TextDecorationType"))
        for item in opened.objects
        if isinstance(item, pikepdf.Dictionary) and item.get("/Type") == pikepdf.Name.StructElem
        for style in list(item.get("/A", []))
        if isinstance(style, pikepdf.Dictionary)
    ]

    assert kinds.count("/LineThrough") == 1


def test_an_attempt_outside_its_limit_stays_on_paper(pdf: bytes, tmp_path: Path) -> None:
    """The refused reading, its limit and the verdict in words are printed under its step."""
    text = " ".join(pages(pdf, tmp_path))

    assert "Attempt outside its limit, not accepted:" in text
    assert "Gathered length: 420 mm limit 150 to 300 mm ✗ OUTSIDE" in text
    assert "Gathered length: 225 mm limit 150 to 300 mm ✓ within" in text


def test_every_signature_shows_all_its_parts(pdf: bytes, sample: Sample, tmp_path: Path) -> None:
    """Name, id, role, meaning, local time with offset, UTC, what it covers and whether it stands: all on paper."""
    text = unspaced(" ".join(pages(pdf, tmp_path)))
    signatures = sample.report()["signatures"]

    lost = [value for item in signatures for value in item.values() if unspaced(value) not in text]

    assert len(signatures) == 8
    assert lost == []


def test_names_of_every_script_are_printed(pdf: bytes, tmp_path: Path) -> None:
    """Polish, Greek, Cyrillic, Vietnamese, Chinese and Arabic names come back as text."""
    text = unspaced(" ".join(pages(pdf, tmp_path)))

    lost = [who.name for who in CREW if unspaced(who.name) not in text and who is not ARABIC]

    assert lost == []
    assert all(part in text for part in ARABIC.name.split())


def test_text_like_code_is_printed_letter_for_letter(pdf: bytes, tmp_path: Path) -> None:
    """A note that looks like script, markup or a template is shown and does nothing."""
    text = unspaced(" ".join(pages(pdf, tmp_path)))

    assert unspaced(HOSTILE) in text


def test_the_whole_trail_and_every_exception_is_printed(pdf: bytes, sample: Sample, tmp_path: Path) -> None:
    """Each entry's sentence, each exception and each fact of the report stands on paper, in words."""
    text = unspaced(" ".join(pages(pdf, tmp_path)))
    report = sample.report()
    wanted = [item["sentence"] for item in (*report["trail"], *report["exceptions"])]
    wanted += [value for pair in report["facts"] for value in pair] + report["cautions"]

    lost = [told for told in wanted if unspaced(told) not in text and ARABIC.name not in told]

    assert lost == []


def test_a_step_that_is_not_done_says_so_in_words(tmp_path: Path) -> None:
    """An unfinished job prints NOT DONE beside each step that is open."""
    sample = unfinished()

    text = " ".join(pages(printed(sample), tmp_path))

    assert text.count("○ NOT DONE") == sum(1 for step in sample.state.steps if not sample.state.mark(step.id).stands)


def test_photos_carry_their_digest_and_absent_ones_are_named(sample: Sample, tmp_path: Path) -> None:
    """A photo that is not at hand does not vanish: its digest stands on paper with a sentence."""
    digest = sha256(PHOTO).hexdigest()

    with_photo = " ".join(pages(printed(sample), tmp_path))
    without = " ".join(pages(printed(sample, {}), tmp_path))

    assert digest in with_photo
    assert "Not shown in this copy" not in with_photo
    assert digest in without
    assert "Not shown in this copy" in without


def test_a_picture_that_cannot_be_read_does_not_stop_the_record(sample: Sample, tmp_path: Path) -> None:
    """A damaged photo is named by its digest, and everything else is printed."""
    (digest,) = sample.photos

    text = " ".join(pages(printed(sample, {digest: PHOTO[:200] + b"\x00" * 50}), tmp_path))

    assert "This picture cannot be drawn here" in text
    assert digest in text
    assert "Full trail" in text


def test_a_photo_that_no_answer_names_is_printed_too(sample: Sample, tmp_path: Path) -> None:
    """What is kept with the record but was replaced by a correction is still shown."""
    extra = PHOTO + b"\x00"
    digest = sha256(extra).hexdigest()

    text = " ".join(pages(printed(sample, {**sample.photos, digest: extra}), tmp_path))

    assert "no answer that stands names it" in text
    assert digest in text


LINES = "\n".join(f"z{number}." for number in range(90))
TITLE_BLOCK_TOP = (297 - 9 - 31) * MM
BORDER_RIGHT = (210 - 9) * MM


@pytest.mark.parametrize("note", ["W" * 490, LINES, "長" * 490], ids=["no spaces", "many lines", "no Latin"])
def test_no_text_runs_off_the_sheet(note: str, tmp_path: Path) -> None:
    """A word without spaces and a note of many lines stay inside the border, complete, at the step and in the trail."""
    teller = Teller(seed_housing())
    teller.open()
    _finish_with_note(teller, note)
    path = tmp_path / "long.pdf"
    path.write_bytes(printed(teller.done()))

    words = _words(run("pdftotext", "-bbox", path, "-"))
    text = unspaced(" ".join(pages(path.read_bytes(), tmp_path)))
    noted = [word for word in words if word[0][:2] in {"WW", "長長"} or word[0].startswith("z")]

    assert max(right for _, right, _ in words) <= BORDER_RIGHT
    assert max(bottom for _, _, bottom in noted) <= TITLE_BLOCK_TOP
    assert [line for line in note.split("\n") if text.count(line) < 2] == []


def _finish_with_note(teller: Teller, note: str) -> None:
    step = teller.state.due
    assert step is not None
    teller.say(Finish(step.id, {item.ask.id: teller.answer(item) for item in step.asks}, note), GREEK)


def _words(html: str) -> list[tuple[str, float, float]]:
    """Return each word with its right and lower edge, in points from the upper left corner of its page."""
    found = re.findall(r'xMax="([-\d.]+)" yMax="([-\d.]+)">([^<]+)</word>', html)
    return [(word, float(right), float(bottom)) for right, bottom, word in found]


# --- always the same ------------------------------------------------------------------------------


def test_the_same_record_gives_the_same_bytes_in_another_process(pdf: bytes, tmp_path: Path) -> None:
    """Neither the process, nor its hash seed, nor its temporary folder shows in the file."""
    program = (
        "import sys; from tests.paper.conftest import printed; from tests.paper.samples import eventful;"
        "sys.stdout.buffer.write(printed(eventful()))"
    )

    done = subprocess.run(
        [sys.executable, "-c", program],
        cwd=ROOT,
        env={"TMPDIR": str(tmp_path), "PYTHONHASHSEED": "7", "PATH": "/usr/bin", "TZ": "Asia/Tokyo"},
        capture_output=True,
        check=True,
        timeout=60,
    )

    assert done.stdout == pdf
    assert list(tmp_path.iterdir()) == []


def test_another_record_gives_other_bytes(pdf: bytes) -> None:
    """The comparison above is not between constants: another note changes the file."""
    other = printed(eventful(note="another note"))

    assert other != pdf


def test_the_typesetter_keeps_nothing_in_this_process(pdf: bytes) -> None:
    """It holds what it made of its last ten documents in memory, so it is never loaded where tablets are answered."""
    assert pdf.startswith(b"%PDF")
    assert "typst" not in sys.modules


def test_what_the_typesetter_cannot_read_is_another_fault_than_one_that_lingers_or_dies(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """What it says is handed on; a document that takes too long, or whose process ends, blames no photo."""
    with pytest.raises(RuntimeError, match="unknown variable"):
        typesetting._typeset(b"#nothing-like-this()", {}, None, MADE_AT)
    monkeypatch.setattr(typesetting, "LONGEST_S", 0.001)
    with pytest.raises(PaperFault, match=r"longer than 0\.001 s to make \(this program's bound\)"):
        typesetting._typeset(b"#lorem(10)", {}, None, MADE_AT)
    monkeypatch.setattr(typesetting, "LONGEST_S", 60)
    (tmp_path / "dies.py").write_text("import sys; sys.exit(3)")
    monkeypatch.setattr(typesetting, "SETTER", tmp_path / "dies.py")
    with pytest.raises(PaperFault, match="ended with status 3"):
        typesetting._readable("a.png", {"a.png": b"x"})


def test_papers_beyond_the_bound_are_refused_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """They hold a thread each while they wait, and whoever stops work needs one."""
    monkeypatch.setattr(typesetting, "_WAITING", BoundedSemaphore(1))
    with typesetting._WAITING, pytest.raises(PaperFault, match="papers are being made already"):
        typesetting._typeset(b"#lorem(10)", {}, None, MADE_AT)

    assert typesetting._typeset(b'#set document(title: "a")\n#set text(lang: "en")\nx', {}, None, MADE_AT)


def test_a_job_without_entries_is_refused() -> None:
    """There is no record of nothing."""
    with pytest.raises(PaperFault, match="no entries"):
        make_pdf(
            report={"title": "Empty job", "sections": []}, record_json=b"{}", fonts=FONTS, photos={}, made_at=MADE_AT
        )


def test_a_root_that_is_none_is_refused(sample: Sample) -> None:
    """A head that nobody could compare is not printed."""
    report: dict[str, Any] = sample.report()
    report["head"]["root"] = "abc"

    with pytest.raises(PaperFault, match="64 hex digits"):
        make_pdf(report=report, record_json=b"{}", fonts=FONTS, photos={}, made_at=MADE_AT)


def test_a_time_without_offset_is_refused(sample: Sample) -> None:
    """The time of a print is an instant."""
    naive = datetime.fromisoformat("2026-03-04T09:30:00")

    with pytest.raises(PaperFault, match="no offset"):
        make_pdf(report=sample.report(), record_json=b"{}", fonts=FONTS, photos={}, made_at=naive)


def test_unprintable_text_ends_in_one_sentence(sample: Sample) -> None:
    """Text that slipped past the entry check is told in words, not in a traceback of the typesetter."""
    report = sample.report()
    report["facts"] = [["Site", "\N{THUMBS UP SIGN}"]]

    with pytest.raises(PaperFault, match="cannot be printed") as caught:
        make_pdf(report=report, record_json=b"{}", fonts=FONTS, photos={}, made_at=MADE_AT)

    assert "\n" not in str(caught.value)


def test_importing_paper_loads_nothing_heavy() -> None:
    """The program starts without typesetter, signature library and font reader; plain text is judged without them."""
    program = (
        "import json, sys; from pathlib import Path;"
        "import app.paper.fonts, app.paper.pdf, app.paper.sheets, app.paper.signing, app.paper.inspection;"
        "assert app.paper.fonts.unprintable('plain text', Path('nowhere')) is None;"
        "print(json.dumps(sorted({name.split('.')[0] for name in sys.modules})))"
    )

    said = subprocess.run([sys.executable, "-c", program], cwd=ROOT, capture_output=True, check=True, timeout=60).stdout

    loaded = set(json.loads(said))
    assert "app" in loaded
    assert loaded & {"typst", "pyhanko", "pyhanko_certvalidator", "fontTools", "cryptography", "asn1crypto"} == set()
