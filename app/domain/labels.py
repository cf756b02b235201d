"""Is this the component that is meant?  What was read on a label, held against the tag that it has to read.

Rules kept here:
- the whole label or its end, of four characters or more, is enough; case and signs between characters do not count;
- what fits a look-alike nearby as well as the right one is not enough;
- a scanner gives the address that stands in a printed code: what the label reads is the end of it.
"""

from collections.abc import Sequence
from urllib.parse import unquote

TAIL = 4
"""The fewest characters of a label's end that tell it (this program's figure)."""
AT = "/at/"
"""Every printed code holds an address of the site with this in it, then the kind of the label, then what it reads."""
COMPONENTS = ("housing", "point")
"""The kinds of labels that stand on a component and are read in a step."""


def label_text(typed: str) -> str:
    """Return what a label reads: the text itself, or the last part of the address that a scanner took from its code."""
    _, at, place = typed.strip().rpartition(AT)
    kind, _, name = place.partition("/")
    return unquote(name) if at and kind in COMPONENTS and name and "/" not in name else typed


def reads_as(typed: str, tag: str) -> bool:
    """Whether the typed text is this label or the end of it."""
    text, label = label_text(typed).strip().casefold(), tag.casefold()
    if not text:
        return False
    if text == label or _plain(text) == _plain(label) != "":
        return True
    return len(text) >= TAIL and (label.endswith(text) or _plain(label).endswith(_plain(text) or "\0"))


def told_apart(typed: str, tag: str, neighbours: Sequence[str]) -> bool:
    """Whether the typed text is this label and no neighbour's."""
    if _plain(label_text(typed).casefold()) == _plain(tag.casefold()) != "":
        return True
    return reads_as(typed, tag) and not any(reads_as(typed, other) for other in neighbours)


def same_tag(one: str, other: str) -> bool:
    """Whether two numbers of locks, tags or housings are one: case and spaces do not count, every sign does."""
    return "".join(label_text(one).split()).casefold() == "".join(other.split()).casefold()


def look_alikes(tag: str, neighbours: Sequence[str]) -> tuple[str, ...]:
    """Return the neighbours that could be taken for this tag: those that begin with the same letters, else all."""
    alike = tuple(other for other in neighbours if _letters(other) == _letters(tag))
    return alike or tuple(neighbours)


def _plain(text: str) -> str:
    return "".join(char for char in text if char.isalnum())


def _letters(tag: str) -> str:
    last_word = tag.rsplit(maxsplit=1)[-1] if tag.split() else tag
    return last_word[: next((place for place, char in enumerate(last_word) if not char.isalpha()), len(last_word))]
