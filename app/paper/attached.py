"""The record inside the PDF: exactly one attachment, or a sentence that says what is wrong with it."""

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pyhanko.pdf_utils.reader import PdfFileReader

RECORD_NAME = "record.json"
MEDIA_TYPE = "/application/json"
DEEPEST = 8
"""Levels of a name tree that are followed: our own files have one (our choice)."""


def attached_record(reader: "PdfFileReader") -> tuple[bytes | None, tuple[str, ...]]:
    """Return the attached record, and a sentence for each fault; None unless there is exactly one record.

    Looks everywhere a reader could show an attachment: the name tree, the associated files, the pages' notes.
    May raise almost anything for a file that is no sound PDF.
    """
    root = reader.root
    tree = list(_leaves(_get(_get(root, "/Names"), "/EmbeddedFiles"), DEEPEST))
    named = [(_name(key, spec), spec) for key, spec in tree]
    associated = [_name(None, spec) for spec in _items(_get(root, "/AF"))]
    records = [spec for name, spec in named if name == RECORD_NAME]
    if not records:
        return None, (f"The PDF carries no {RECORD_NAME}: it is only a picture of the record. Get the record itself.",)
    if len(named) > 1 or len(associated) > 1 or _pinned(root):
        return None, (f"The PDF carries more than its one {RECORD_NAME}: no one can tell which counts. Do not use it.",)
    return _content(records[0], associated)


def _content(spec: Any, associated: list[str]) -> tuple[bytes | None, tuple[str, ...]]:
    stream = _get(_get(spec, "/EF"), "/F")
    if stream is None:
        return None, (f"The attached {RECORD_NAME} holds nothing. Get the record again.",)
    faults: list[str] = []
    if associated != [RECORD_NAME] or _get(spec, "/AFRelationship") != "/Source":
        faults.append(f"The attached {RECORD_NAME} is not marked as the source of this PDF. Get the record again.")
    if _get(stream, "/Subtype") != MEDIA_TYPE:
        faults.append(f"The attached {RECORD_NAME} is not marked as JSON. Get the record again.")
    return bytes(stream.data), tuple(faults)


def _leaves(node: Any, levels: int) -> Iterator[tuple[Any, Any]]:
    """Yield the keys and values of a name tree (ISO 32000-1, 7.9.6)."""
    if node is None:
        return
    if levels == 0:
        raise ValueError("a name tree deeper than any of ours")
    pairs = list(_items(_get(node, "/Names")))
    yield from zip(pairs[::2], pairs[1::2], strict=True)
    for kid in _items(_get(node, "/Kids")):
        yield from _leaves(kid, levels - 1)


def _pinned(root: Any) -> bool:
    """Tell whether a page carries a file of its own, as a note or as an associated file."""
    return any(
        _get(note, "/Subtype") == "/FileAttachment"
        for page in _pages(_get(root, "/Pages"), DEEPEST * 4)
        for note in _items(_get(page, "/Annots"))
    )


def _pages(node: Any, levels: int) -> Iterator[Any]:
    if levels == 0:
        raise ValueError("a page tree deeper than any of ours")
    if _get(node, "/Kids") is None:
        yield node
    for kid in _items(_get(node, "/Kids")):
        yield from _pages(kid, levels - 1)


def _name(key: Any, spec: Any) -> str:
    """Return the name of a file specification; if its own names and the tree's differ, all of them."""
    names = [str(item) for item in (key, _get(spec, "/F"), _get(spec, "/UF")) if item is not None]
    return " / ".join(dict.fromkeys(names))


def _get(holder: Any, key: str) -> Any:
    """Return a value with references followed, or None."""
    return None if holder is None else _followed(holder.get(key))


def _items(array: Any) -> list[Any]:
    """Return the values of an array with references followed; an absent array is empty."""
    return [] if array is None else [_followed(item) for item in array]


def _followed(value: Any) -> Any:
    return None if value is None else value.get_object()
