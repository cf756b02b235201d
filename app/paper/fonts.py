"""Which text the shipped fonts can print, asked when text is entered and not when the record is made.

Rules kept here:
- PDF/A refuses a character without a glyph, so one such character would stop the export of a whole job.
- What is asked is what is printed: the text in Unicode's composed form (NFC), plain and bold, a base letter and its
  marks from one font, as the typesetter takes them.
- Characters that nobody can see but that change what others show (controls, overrides of direction) are refused too.
- Plain ASCII, nearly everything, is answered without loading anything.
"""

import re
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from app.paper.faults import PaperFault

PLAIN, BOLD, FALLBACK = "DejaVuSans.ttf", "DejaVuSans-Bold.ttf", "unifont.otf"
_ASCII = re.compile(r"[ -~\n]*")
_JOINERS = frozenset("\N{ZERO WIDTH NON-JOINER}\N{ZERO WIDTH JOINER}")
"""The two invisible characters that Persian and Indic spelling needs."""
_REFUSED = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})
"""General categories of Unicode: controls, formats, surrogates, private use, unassigned, line and paragraph ends."""
_NAMELESS = {"Cc": "a control character", "Co": "a private character", "Cn": "not assigned to any letter"}


@dataclass(frozen=True, slots=True)
class _Glyphs:
    """The code points that each shipped font can draw."""

    plain: frozenset[int]
    bold: frozenset[int]
    fallback: frozenset[int]

    def draw(self, cluster: str) -> bool:
        """Tell whether one font draws the whole cluster, in plain and in bold type."""
        points = {ord(character) for character in cluster}
        return points <= self.fallback or (points <= self.plain and points <= self.bold)


def unprintable(text: str, fonts: Path) -> str | None:
    """Return None if the record can print every character, else one sentence naming the first it cannot.

    text: as entered, lines parted by newline or carriage return and newline. fonts: the folder of the shipped fonts.
    Raises PaperFault when a font file is missing or unreadable.
    """
    if _ASCII.fullmatch(text):
        return None
    shown = printed_form(text)
    for character in shown:
        if character != "\n" and character not in _JOINERS and unicodedata.category(character) in _REFUSED:
            return _refusal(character)
    glyphs = _glyphs(fonts)
    for cluster in _clusters(shown):
        if cluster != "\n" and not glyphs.draw(cluster):
            return _refusal(_first_missing(cluster, glyphs))
    return None


def printed_form(text: str) -> str:
    """Return the text as it is set: composed (NFC), with plain newlines. The ledger keeps what was typed."""
    return unicodedata.normalize("NFC", text.replace("\r\n", "\n"))


def _clusters(text: str) -> Iterator[str]:
    """Yield each base character with the marks and joiners that follow it."""
    cluster = ""
    for character in text:
        if cluster and (unicodedata.category(character).startswith("M") or character in _JOINERS):
            cluster += character
            continue
        if cluster:
            yield cluster
        cluster = character
    if cluster:
        yield cluster


def _first_missing(cluster: str, glyphs: _Glyphs) -> str:
    """Return the first character that stands in no font even alone, or the last mark that does not combine."""
    return next((character for character in cluster if not glyphs.draw(character)), cluster[-1])


def _refusal(character: str) -> str:
    kind = _NAMELESS.get(unicodedata.category(character), "a character without a name")
    name = unicodedata.name(character, kind).lower()
    return (
        f"The character U+{ord(character):04X} ({name}) cannot be printed in the record: "
        "leave it out, or write it in other letters."
    )


@lru_cache(maxsize=2)
def _glyphs(fonts: Path) -> _Glyphs:
    """Read the three character maps once for each folder."""
    from fontTools.ttLib import TTFont, TTLibError

    found: list[frozenset[int]] = []
    for name in (PLAIN, BOLD, FALLBACK):
        try:
            with TTFont(fonts / name, lazy=True) as font:
                found.append(frozenset(font.getBestCmap() or {}))
        except (OSError, TTLibError) as error:
            raise PaperFault(f"The font {name} cannot be read in {fonts}: install the program again.") from error
    return _Glyphs(*found)
