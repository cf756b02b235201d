"""Text is judged when it is entered, exactly as it will be printed."""

import unicodedata
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.paper.faults import PaperFault
from app.paper.fonts import unprintable
from app.paper.pdf import make_pdf
from tests.paper.samples import CREW, FONTS, HOSTILE, MADE_AT, Sample

SCRIPTS = ("ĄŻźłé ΆΩ ЩЯё ấữợ", "中文字符", "ไทย", "한국어", "हिन्दी", "שלום", "نام\u200cها", "½ × ° µ ✓ ✗ ≤ ±")


@pytest.mark.parametrize("text", [*(who.name for who in CREW), *SCRIPTS, HOSTILE, "two\nlines", "two\r\nlines", ""])
def test_names_and_signs_of_many_scripts_can_be_printed(text: str) -> None:
    """People's names, signs of the trade and code-like text are no reason to refuse."""
    told = unprintable(text, FONTS)

    assert told is None


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("nice \N{THUMBS UP SIGN} work", "U+1F44D (thumbs up sign)"),
        ("a\tb", "U+0009 (a control character)"),
        ("a\x00b", "U+0000 (a control character)"),
        ("a\rb", "U+000D (a control character)"),
        ("a\ue000b", "U+E000 (a private character)"),
        ("a\u0378b", "U+0378 (not assigned to any letter)"),
        ("evil \u202egnp.exe", "U+202E (right-to-left override)"),
        ("\ufeffstart", "U+FEFF (zero width no-break space)"),
        ("a\u2028b", "U+2028 (line separator)"),
        ("\U0001d538\u1ab0", "U+1AB0 (combining doubled circumflex accent)"),
        ("é \N{THUMBS UP SIGN}\t", "U+0009"),
    ],
)
def test_the_first_character_that_cannot_be_printed_is_named(text: str, named: str) -> None:
    """The refusal is one sentence with the code point, the name and what to do."""
    told = unprintable(text, FONTS)

    assert told is not None
    assert named in told
    assert told.endswith("leave it out, or write it in other letters.")


def test_letters_and_marks_are_judged_together_as_composed() -> None:
    """A decomposed letter is judged as the one it composes to."""
    decomposed = unicodedata.normalize("NFD", "Nguyễn Thị Phượng")

    told = unprintable(decomposed, FONTS)

    assert len(decomposed) > len("Nguyễn Thị Phượng")
    assert told is None


def test_missing_fonts_are_a_fault_and_not_a_verdict(tmp_path: Path) -> None:
    """Without the font files the answer is an error that says so."""
    with pytest.raises(PaperFault, match=r"DejaVuSans\.ttf cannot be read"):
        unprintable("é", tmp_path)


ANY_TEXT = st.text(
    st.one_of(
        st.characters(codec="utf-8"),
        st.characters(min_codepoint=0x300, max_codepoint=0x36F),
        st.characters(min_codepoint=0x590, max_codepoint=0x1FFF),
        st.sampled_from("aé\n\u200d\u0301\U0001d538中"),
    ),
    max_size=40,
)


@settings(max_examples=60, deadline=None)
@given(text=ANY_TEXT)
def test_whatever_is_accepted_is_printed(unfinished_sample: Sample, text: str) -> None:
    """No text that was accepted at entry can stop the record, plain or bold."""
    accepted = "".join(character for character in text if unprintable(character, FONTS) is None)
    accepted = accepted if unprintable(accepted, FONTS) is None else ""
    report = unfinished_sample.report()
    report["facts"] = [[accepted, accepted]]
    report["sections"] = [{**report["sections"][0], "title": accepted}]
    report["rehearsal"] = accepted

    made = make_pdf(report=report, record_json=b"{}", fonts=FONTS, photos={}, made_at=MADE_AT)

    assert made.startswith(b"%PDF-")


@pytest.fixture(scope="module")
def unfinished_sample() -> Sample:
    """Return a job that was only begun."""
    from tests.paper.samples import unfinished

    return unfinished()
