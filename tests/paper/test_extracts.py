"""The certificate of a bank and the sheet of a housing on paper: what kind of files, and what stands on them."""

from collections import Counter
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pikepdf
import pytest

from app.domain.commands import Correct
from app.domain.housing import AccessPort, Bank
from app.domain.site import SITE_LEDGER
from app.ledger.canonical import canonical
from app.ledger.heads import Head, short_root
from app.paper.extracts import CERTIFICATE_NAME, certificate_pdf, housing_pdf, readiness_pdf, waste_pdf
from app.paper.faults import PaperFault
from app.paper.signing import inspect_pdf
from app.records.certificate import banks_with_tests, certificate_of, value_of
from app.records.housing_sheet import drawings_of, sheet_of
from app.records.moments import utc_text
from app.records.waste_sheet import COLUMNS
from tests.builders import EYES, HANDS, Bench
from tests.paper.authority import TestSite
from tests.paper.conftest import printed, signed_by
from tests.paper.samples import FONTS, HOSTILE, MADE_AT, Sample, Teller, eventful, seed_housing, unfinished
from tests.paper.test_pdf import BORDER_RIGHT, LINES, MM, TITLE_BLOCK_TOP, _largest_letters, _words
from tests.paper.tools import closed_up, pages, run, unspaced
from tests.records.tested import LEAK, at_leak_test, fail, reseat
from tests.records.told import Told, days_after, design

ROOT = "6b" * 32
PATHS = frozenset({"m", "l", "c", "re"})


def a_finished_job() -> Bench:
    """A finished job: leak test failed, re-seated for a hostile reason, passed, corrected."""
    bench = at_leak_test()
    fail(bench)
    reseat(bench, HOSTILE)
    bench.run_to("end/service/release")
    bench.do(Correct(LEAK, "downstream", "0.0090", "misread by one digit", "0.0090", beside=EYES), HANDS)
    bench.run_to()
    return bench


def value(bench: Bench) -> dict[str, Any]:
    """Return the certificate of its HEPA bank."""
    made = certificate_of(bench.state, bench.events, Bank.HEPA, root=ROOT, made_at=utc_text(MADE_AT))
    return value_of(made)


def two_banks_planned() -> Sample:
    """A job that was only opened, on a housing with two banks."""
    housing = seed_housing()
    second = AccessPort(id="P2", bank=Bank.CARBON, filters=1, filter="24x24x16 carbon tray")
    teller = Teller(housing.model_copy(update={"ports": (*housing.ports, second)}))
    teller.open()
    return teller.done()


def texts(held: Any) -> Iterator[str]:
    """Yield every text in a value, whatever it is nested in."""
    match held:
        case str():
            yield held
        case dict():
            for item in held.values():
                yield from texts(item)
        case list() | tuple():
            for item in held:
                yield from texts(item)


@pytest.fixture(scope="module")
def held() -> dict[str, Any]:
    """The certificate of the finished job."""
    return value(a_finished_job())


@pytest.fixture(scope="module")
def pdf(held: dict[str, Any]) -> bytes:
    """The same, printed."""
    return certificate_pdf(certificate=held, fonts=FONTS, made_at=MADE_AT)


@pytest.fixture(scope="module")
def sheet() -> tuple[dict[str, Any], dict[str, bytes]]:
    """The sheet of a housing with readings, one with a hostile note, and its drawing."""
    made = design(Told(), change_drop_pa="760", rated_flow_m3_h="1700")
    for day, drop in enumerate((560, 591, 617, 652, 680, 711)):
        made.read(days_after("2025-06-01", 40 * day), str(drop), "1700", note=HOSTILE if day == 2 else "")
    head = Head(SITE_LEDGER, 12, bytes.fromhex(ROOT), utc_text(MADE_AT), "key", b"")
    values = sheet_of(made.known, {SITE_LEDGER: head}, today=date(2026, 3, 4), made_at=utc_text(MADE_AT))
    return values, drawings_of(made.known)


@pytest.fixture(scope="module")
def printed_sheet(sheet: tuple[dict[str, Any], dict[str, bytes]]) -> bytes:
    """The same, printed."""
    return housing_pdf(sheet=sheet[0], drawings=sheet[1], fonts=FONTS, made_at=MADE_AT)


@pytest.fixture(scope="module", params=["certificate", "housing"])
def extract(request: pytest.FixtureRequest, pdf: bytes, printed_sheet: bytes) -> bytes:
    """Either of the two."""
    return pdf if request.param == "certificate" else printed_sheet


def opened(data: bytes, folder: Path) -> pikepdf.Pdf:
    """Return a printed file, opened."""
    path = folder / "extract.pdf"
    path.write_bytes(data)
    return pikepdf.open(path)


# --- both ---------------------------------------------------------------------------------------


def test_both_are_pdfa_3a_and_pdfua_1_with_embedded_fonts(extract: bytes, tmp_path: Path) -> None:
    """The metadata claim both standards, the file is tagged, and poppler finds every font embedded."""
    made = opened(extract, tmp_path)

    with made.open_metadata() as metadata:
        claims = [metadata.get(name) for name in ("pdfaid:part", "pdfaid:conformance", "pdfuaid:part")]
    rows = [line.split() for line in run("pdffonts", tmp_path / "extract.pdf").splitlines()[2:]]

    assert claims == ["3", "A", "1"]
    assert bool(made.Root.MarkInfo.Marked)
    assert {tuple(row[-5:-2]) for row in rows} == {("yes", "yes", "yes")}


def test_qpdf_finds_both_sound(extract: bytes, tmp_path: Path) -> None:
    """An independent checker finds no fault."""
    (tmp_path / "extract.pdf").write_bytes(extract)

    assert "No syntax or stream encoding errors found" in run("qpdf", "--check", tmp_path / "extract.pdf")


def test_every_sheet_names_the_head_and_its_number(extract: bytes, tmp_path: Path) -> None:
    """The root stands on every sheet in full and short, with the sheet's number."""
    found = pages(extract, tmp_path)

    for number, page in enumerate(found, start=1):
        assert ROOT in page
        assert short_root(bytes.fromhex(ROOT)) in page
        assert f"{number} of {len(found)}" in page


def test_hostile_text_is_printed_letter_for_letter_on_both(extract: bytes, tmp_path: Path) -> None:
    """A reason or a note that looks like code is shown and does nothing."""
    assert unspaced(HOSTILE) in unspaced(" ".join(pages(extract, tmp_path)))


# --- the certificate ----------------------------------------------------------------------------


def test_everything_of_the_certificate_stands_on_paper(pdf: bytes, held: dict[str, Any], tmp_path: Path) -> None:
    """Every text of its values is printed, but codes that words stand for, and instants told in the site's zone."""
    (tmp_path / "read.pdf").write_bytes(pdf)
    text = unspaced(run("pdftotext", "-raw", tmp_path / "read.pdf", "-")).lower()  # cell by cell
    attempts = [item for one in (*held["tests"], *held["filters"]) for item in one["attempts"]]
    codes = {held["format"], held["bank"], "filter_age/1", *(item["utc"] for item in attempts)}

    lost = [told for told in texts(held) if told not in codes and unspaced(told).lower() not in text]

    assert len(list(texts(held))) > 150
    assert lost == []


def test_the_failed_and_the_overtaken_attempts_are_printed_as_such(pdf: bytes, tmp_path: Path) -> None:
    """Both stand beside those in force, and the verdict is that of what is in force."""
    text = " ".join(pages(pdf, tmp_path))

    assert text.count("✗ FAILED") == 1
    assert text.count("↺ no longer in force") == 2
    assert text.count("✓ in force") == 5
    assert "Leak test in place MET" in text
    assert "3.596 % below 0.05 %: NOT MET" in text


def test_an_unfinished_job_says_so_first(tmp_path: Path) -> None:
    """Before anything else, and in the title block of every sheet, it says that the work is unfinished."""
    bench = at_leak_test()
    printed = certificate_pdf(certificate=value(bench), fonts=FONTS, made_at=MADE_AT)

    found = pages(printed, tmp_path)

    assert found[0].index("UNFINISHED. State of the job: open") < found[0].index("Fact As recorded")
    assert all("UNFINISHED" in page for page in found)
    assert "NOT PASSED. Leak test in place, step" in found[0]


def test_a_corrected_reading_and_its_result_are_struck_through(pdf: bytes, tmp_path: Path) -> None:
    """The structure marks the old reading and the old result as struck, for eyes and for readers without eyes."""
    made = opened(pdf, tmp_path)
    kinds = [
        str(style.get("/TextDecorationType"))
        for item in made.objects
        if isinstance(item, pikepdf.Dictionary) and item.get("/Type") == pikepdf.Name.StructElem
        for style in list(item.get("/A", []))
        if isinstance(style, pikepdf.Dictionary)
    ]

    assert kinds.count("/LineThrough") == 2


@pytest.mark.parametrize("reason", ["W" * 490, LINES, "長" * 490], ids=["no spaces", "many lines", "no Latin"])
def test_long_texts_stay_inside_the_border_and_complete(reason: str, tmp_path: Path) -> None:
    """A reason without spaces or of many lines, set in the narrowest column, loses nothing and runs over nothing."""
    bench = at_leak_test()
    fail(bench)
    reseat(bench, reason)
    path = tmp_path / "long.pdf"
    path.write_bytes(certificate_pdf(certificate=value(bench), fonts=FONTS, made_at=MADE_AT))

    words = _words(run("pdftotext", "-bbox", path, "-"))
    noted = [word for word in words if word[0][:2] in {"WW", "長長"} or word[0].startswith("z")]
    text = unspaced(run("pdftotext", "-raw", path, "-"))
    parts = {part: reason.count(part) for part in (reason.split("\n") if "\n" in reason else reason[:1])}

    assert max(right for _, right, _ in words) <= BORDER_RIGHT
    assert max(bottom for _, _, bottom in noted) <= TITLE_BLOCK_TOP
    assert [part for part, count in parts.items() if text.count(part) < 3 * count] == []  # two tests, steps put in


HEAD = {"size": 9, "root": ROOT, "at": "2026-03-02 07:15:00 +00:00"}


def readiness_of(word: str) -> dict[str, Any]:
    """Return a readiness sheet in which every text that people enter is this word."""
    item = {"words": "Entry permit", "standing": "open", "open": True, "shown": [word], "answers": [[word, word]],
            "reason": word, "said": word, "owed": word, "late": True}  # fmt: skip
    return {"title": f"PL-0001, housing {word[:40]}", "ready": False, "told": word, "void": [word], "gaps": [word],
            "facts": [["Crew", word]], "items": [item] * 3, "signed": [word], "cautions": [word],
            "head": HEAD}  # fmt: skip


def waste_of(word: str) -> dict[str, Any]:
    """Return a waste sheet in which every text that people enter is this word."""
    fields = ("Contents", "Filter serial", "From", "Service and hazard", "Dose rate", "Gross weight", "Waste stream")
    return {"title": f"Container {word[:24]}: 2 packages", "kind": "CONTAINER LIST", "facts": [["Where", word]],
            "signed": [["Given by", word], ["Meaning", word]], "columns": list(COLUMNS), "rows": [[word] * 6] * 2,
            "labels": [[["Package", word], *([name, word] for name in fields)]] * 2, "cautions": [word],
            "head": HEAD}  # fmt: skip


@pytest.mark.parametrize(
    "word", ["W" * 200, "長" * 200, "W" * 60 + "-" + "m" * 139], ids=["wide", "no Latin", "hyphen"]
)
@pytest.mark.parametrize(
    ("made", "printer", "least"), [(readiness_of, readiness_pdf, 24), (waste_of, waste_pdf, 32)],
    ids=["readiness", "waste"],
)  # fmt: skip
def test_very_long_words_stay_inside_the_border_of_the_other_sheets(
    made: Callable[[str], dict[str, Any]], printer: Callable[..., bytes], least: int, word: str, tmp_path: Path
) -> None:
    """In every column and field: nothing beyond the edge, nothing lost."""
    path = tmp_path / "long.pdf"
    path.write_bytes(printer(sheet=made(word), fonts=FONTS, made_at=MADE_AT))

    words = _words(run("pdftotext", "-bbox", path, "-"))
    letters = Counter(unspaced(run("pdftotext", "-raw", path, "-")))
    assert max(right for _, right, _ in words) <= BORDER_RIGHT
    assert letters[word[0]] >= least * word.count(word[0])
    assert letters[word[-1]] >= least * word.count(word[-1])


def test_its_own_data_is_attached_and_nothing_else(pdf: bytes, held: dict[str, Any], tmp_path: Path) -> None:
    """One file, marked as the source, as JSON, with the canonical bytes of the certificate."""
    made = opened(pdf, tmp_path)

    (spec,) = list(made.Root.AF)

    assert list(made.attachments) == [CERTIFICATE_NAME]
    assert str(spec.AFRelationship) == "/Source"
    assert bytes(spec.EF.F.read_bytes()) == canonical(held)


def test_signed_it_is_whole_and_is_not_taken_for_a_record(pdf: bytes, site: TestSite) -> None:
    """The site's signature covers the file; whoever verifies it as a record is told that it carries none."""
    found = inspect_pdf(signed_by(site, pdf), authority_pem=site.authority_pem)

    assert (found.signed, found.covers_whole_file, found.intact) == (True, True, True)
    assert found.certificate_pem == site.certificate_pem
    assert found.record_json is None
    assert len(found.faults) == 1
    assert "carries no record.json" in found.faults[0]


def test_the_same_certificate_gives_the_same_bytes(pdf: bytes, held: dict[str, Any]) -> None:
    """Printed twice it is the same file; another value gives another one."""
    again = certificate_pdf(certificate=held, fonts=FONTS, made_at=MADE_AT)
    other = certificate_pdf(certificate={**held, "verdict": "other"}, fonts=FONTS, made_at=MADE_AT)

    assert again == pdf
    assert other != pdf


def test_text_that_no_font_can_print_ends_in_one_sentence(held: dict[str, Any]) -> None:
    """The certificate is refused in words, not with a traceback of the typesetter."""
    with pytest.raises(PaperFault, match="The certificate cannot be printed") as caught:
        certificate_pdf(certificate={**held, "verdict": "\N{THUMBS UP SIGN}"}, fonts=FONTS, made_at=MADE_AT)

    assert "\n" not in str(caught.value)


# --- in the record ------------------------------------------------------------------------------


@pytest.mark.parametrize("job", [eventful, unfinished, two_banks_planned])
def test_in_the_record_each_certificate_has_sheets_of_its_own(job: Callable[[], Sample], tmp_path: Path) -> None:
    """Each begins on a new sheet after the steps and the last ends before what follows; no sheet holds both."""
    sample = job()
    found = pages(printed(sample), tmp_path)
    banks = banks_with_tests(sample.state)
    firsts = [number for number, page in enumerate(found) if page.startswith("Test certificate: ")]
    after = next(number for number, page in enumerate(found) if page.startswith(("Photos", "Full trail")))

    own = " ".join(found[firsts[0] : after])
    assert len(firsts) == len(banks)
    assert sum(page.count("Test certificate: ") for page in found) == len(banks)
    assert own.count("What this certificate is not") == own.count("another aerosol") == len(banks)
    assert closed_up(sample.state.steps[-1].text) not in own
    assert "Full trail" not in own


def test_a_rehearsed_certificate_says_so_on_every_sheet(tmp_path: Path) -> None:
    """No certificate of a rehearsal can pass for one of work."""
    practised = eventful(rehearsal=True)
    held = value_of(
        certificate_of(
            practised.state, practised.events, Bank.HEPA, root=practised.root, made_at=utc_text(MADE_AT)
        )
    )  # fmt: skip

    made = certificate_pdf(certificate=held, fonts=FONTS, made_at=MADE_AT)
    found = pages(made, tmp_path)
    with opened(made, tmp_path) as file:
        letters = [_largest_letters(page) for page in file.pages]

    assert all("REHEARSAL" in page for page in found)
    assert min(letters) > 25 * MM
    assert "no work was done" in found[0]


# --- the housing's sheet ------------------------------------------------------------------------


def test_the_trend_is_drawn_in_lines_and_not_in_dots(
    printed_sheet: bytes, sheet: tuple[dict[str, Any], dict[str, bytes]], tmp_path: Path
) -> None:
    """The file holds no raster picture, and with the drawing it holds many more paths than without."""
    bare = {**sheet[0], "banks": [{**bank, "file": ""} for bank in sheet[0]["banks"]]}
    without = housing_pdf(sheet=bare, drawings={}, fonts=FONTS, made_at=MADE_AT)

    drawn, plain = _paths(opened(printed_sheet, tmp_path)), _paths(opened(without, tmp_path))
    (tmp_path / "sheet.pdf").write_bytes(printed_sheet)

    assert len(run("pdfimages", "-list", tmp_path / "sheet.pdf").splitlines()) == 2
    assert drawn > plain + 1000


def _paths(made: pikepdf.Pdf) -> int:
    """Count the operators that draw paths, on pages and in the forms that pages place."""
    forms = [
        item for item in made.objects
        if isinstance(item, pikepdf.Stream) and item.get("/Subtype") == pikepdf.Name.Form
    ]  # fmt: skip
    return sum(
        str(step.operator) in PATHS
        for held in (*(page.obj for page in made.pages), *forms)
        for step in pikepdf.parse_content_stream(held)
    )


def test_the_drawing_is_told_in_words_for_who_does_not_see_it(
    printed_sheet: bytes, sheet: tuple[dict[str, Any], dict[str, bytes]], tmp_path: Path
) -> None:
    """The description of the trend stands in the structure as the picture's text."""
    made = opened(printed_sheet, tmp_path)
    words = [str(item["/Alt"]) for item in made.objects if isinstance(item, pikepdf.Dictionary) and "/Alt" in item]

    assert words == [bank["described"] for bank in sheet[0]["banks"]]


def test_everything_of_the_sheet_stands_on_paper(
    printed_sheet: bytes, sheet: tuple[dict[str, Any], dict[str, bytes]], tmp_path: Path
) -> None:
    """Readings, notes, what is due with its reasons, and the story are printed; addresses and codes are not."""
    text = unspaced(" ".join(pages(printed_sheet, tmp_path)))
    values = sheet[0]
    wanted = [*texts(values["facts"]), *texts(values["due"]), *texts(values["undated"]), *texts(values["honest"])]
    for bank in values["banks"]:
        wanted += [bank["words"], bank["since"], *bank["notes"], *texts(bank["rows"]), *texts(bank["facts"])]
    for item in values["story"]:
        wanted += [item["shown"], item["what"], item["where"], item["text"]]

    lost = [told for told in wanted if unspaced(told) not in text]

    assert len(wanted) > 80
    assert lost == []


def test_a_drawing_that_is_missing_ends_in_one_sentence(sheet: tuple[dict[str, Any], dict[str, bytes]]) -> None:
    """A sheet that names a drawing which is not there is refused in words."""
    with pytest.raises(PaperFault, match="The sheet cannot be printed"):
        housing_pdf(sheet=sheet[0], drawings={}, fonts=FONTS, made_at=MADE_AT)
