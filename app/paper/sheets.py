"""From the report to what the sheets hold: every text in its printed form, pictures and photos as files by name.

Pure.  The typesetter gets texts as data and shows them letter for letter; nothing here is ever read as markup.
"""

import html
import json
import re
import unicodedata
from collections.abc import Iterator, Mapping
from typing import Any

from app.ledger.heads import short_root
from app.paper.faults import PaperFault
from app.paper.fonts import printed_form

LONGEST_RUN = 20
"""Letters without a space after which a line may break anyway, so that nothing runs off its column (our choice)."""
LONGEST_UNPARTED = 4000
"""Letters of a step's data, names included, that surely fit one sheet of about 70 lines (our choice)."""
BREAK = "\N{ZERO WIDTH SPACE}"
"""Where a long word may break; the sheets turn it into a place without a character, so that copied text is clean."""
_RUN = re.compile(rf"\S{{{LONGEST_RUN},}}")
_JOINED = frozenset({"Lo", "Lm", "Mn", "Mc", "Me", "Cf"})
"""Letters without case and marks: scripts whose letters join, stack, or break by rules of their own."""
_LABEL = re.compile(r'aria-label="([^"]*)"')
_KINDS = ((b"\xff\xd8\xff", "jpg"), (b"\x89PNG\r\n\x1a\n", "png"), (b"RIFF", "webp"))


def sheets_of(report: Mapping[str, Any], photos: Mapping[str, bytes]) -> tuple[dict[str, Any], dict[str, bytes]]:
    """Return what the sheets show, as JSON values, and the files it names.

    report: see `app.records.report.report_of`. photos: bytes by SHA-256 in hex.
    Raises PaperFault for a job without entries or a root that is not 32 bytes in hex.
    """
    head = report.get("head")
    if not head or not head["size"]:
        raise PaperFault("This job has no entries, so there is no record to print: open it again from the list.")
    named = _photos(report, photos)
    pictures = [_picture(number, item) for number, item in enumerate(report["pictures"], start=1)]
    sheets = {
        **{key: report[key] for key in ("title", "rehearsal", "facts", "cautions", "exceptions", "trail")},
        "signatures": report["signatures"],
        "tables": report.get("tables", []),
        "head": {**head, "short": short_head(head["root"])},
        "pictures": [shown for shown, _, _ in pictures],
        "brief": report["brief"],
        "lessons": report["lessons"],
        "departures": report.get("departures", []),
        "sections": [_section(section, named) for section in report["sections"]],
        "certificates": report["certificates"],
        "photos": list(named.values()),
    }
    files = {name: data for _, name, data in pictures}
    files |= {item["file"]: photos[digest] for digest, item in named.items() if item["file"]}
    return printed_values(sheets), files


def short_head(root: str) -> str:
    """Return the start of a root as it is written down; PaperFault unless it is 32 bytes in hex."""
    try:
        raw = bytes.fromhex(root)
    except ValueError:
        raw = b""
    if len(raw) != 32:
        raise PaperFault(f"The head's root {root!r} is not 64 hex digits: give the root of the newest head.")
    return short_root(raw)


def printed_values(value: Any) -> Any:
    """Return JSON values with every text in its printed form, long words with places to break; the keys are ours."""
    match value:
        case str():
            return _RUN.sub(_breakable, printed_form(value))
        case dict():
            return {key: item if key in _UNBROKEN else printed_values(item) for key, item in value.items()}
        case list() | tuple():
            return [printed_values(item) for item in value]
        case _:
            return value


_UNBROKEN = frozenset({"file", "root", "sha256"})
"""Texts that must stay one word: the names of files, and digests set on a line of their own."""


def _breakable(run: re.Match[str]) -> str:
    """Offer breaks in a long word: soon between plain letters, late between joined ones, never before a mark."""
    shown, since = "", 0
    for character in run.group():
        kind = unicodedata.category(character)
        joined = kind in _JOINED or unicodedata.category(shown[-1:] or "a") in _JOINED
        if since >= LONGEST_RUN // 2 and (not joined or (since >= 2 * LONGEST_RUN and kind == "Lo")):
            shown, since = shown + BREAK, 0
        shown, since = shown + character, since + 1
    return shown


def _picture(number: int, item: Mapping[str, str]) -> tuple[dict[str, str], str, bytes]:
    """The drawing's own description is what a reader who cannot see it hears."""
    described = _LABEL.search(item["svg"])
    name = f"picture-{number}.svg"
    alt = html.unescape(described.group(1)) if described else item["caption"]
    return {"caption": item["caption"], "alt": alt, "file": name}, name, printed_form(item["svg"]).encode()


# --- photos -------------------------------------------------------------------------------------


def _photos(report: Mapping[str, Any], photos: Mapping[str, bytes]) -> dict[str, dict[str, Any]]:
    """Number the photos in the order of the steps that name them, then those of paper; the rest comes last."""
    found: dict[str, dict[str, Any]] = {}
    for where, digest in _named(report):
        if digest not in found:
            found[digest] = _photo(len(found) + 1, digest, where, photos.get(digest))
    for digest in sorted(set(photos) - set(found)):
        where = "Kept with the record; no answer that stands names it"
        found[digest] = _photo(len(found) + 1, digest, where, photos[digest])
    return found


def _named(report: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    for section in report["sections"]:
        for step in section["steps"]:
            groups = [step["answers"], *(item["answers"] for item in (*step["attempts"], *step["earlier"]))]
            for answer in (answer for group in groups for answer in group):
                if answer["photo"]:
                    yield f"Step {step['number']}: {answer['label']}", answer["photo"]
    for page in report.get("papers", ()):
        yield page["where"], page["photo"]


def _photo(number: int, digest: str, where: str, data: bytes | None) -> dict[str, Any]:
    kind = next((kind for start, kind in _KINDS if data is not None and data.startswith(start)), None)
    return {
        "number": number,
        "sha256": digest,
        "where": where,
        "file": f"photo-{number}.{kind}" if kind else "",
        "missing": "" if kind else "Not shown in this copy. Its file is known by the SHA-256 below.",
    }


def without_photo(sheets: Mapping[str, Any], file: str) -> dict[str, Any]:
    """Return the sheets with one photo named but not shown, because the typesetter cannot read it."""
    missing = "This picture cannot be drawn here. Open its file, known by the SHA-256 below."
    return {
        **sheets,
        "photos": [
            {**item, "file": "", "missing": missing} if item["file"] == file else item for item in sheets["photos"]
        ],
    }


# --- steps --------------------------------------------------------------------------------------


def _section(section: Mapping[str, Any], photos: Mapping[str, Mapping[str, Any]]) -> dict[str, Any]:
    return {**section, "steps": [_step(step, photos) for step in section["steps"]]}


def _step(step: Mapping[str, Any], photos: Mapping[str, Mapping[str, Any]]) -> dict[str, Any]:
    return {
        **step,
        "long": _is_long(step),
        "state": _state(step),
        "answers": [_answer(item, photos) for item in step["answers"]],
        "attempts": [_group(item, photos) for item in step["attempts"]],
        "earlier": [_group(item, photos) for item in step["earlier"]],
        "result": [line for line in step["result"] if line],
    }


def _is_long(step: Mapping[str, Any]) -> bool:
    """Tell whether a step may outgrow a sheet; only such a step is parted over two."""
    told = json.dumps(step, ensure_ascii=False)
    return len(told) + 60 * told.count("\\n") > LONGEST_UNPARTED


def _state(step: Mapping[str, Any]) -> str:
    """Say how a step stands, in one word or two, from its marks and flags."""
    if any(flag.startswith("due again") for flag in step["flags"]):
        return "due again"
    if any(mark.startswith(("done ", "released ")) for mark in step["marks"]):
        return "released" if step["kind"] == "hold" else "done"
    if any(mark.startswith("set aside ") for mark in step["marks"]):
        return "set aside"
    return "begun only" if step["marks"] else "not done"


def _group(item: Mapping[str, Any], photos: Mapping[str, Mapping[str, Any]]) -> dict[str, Any]:
    return {**item, "answers": [_answer(answer, photos) for answer in item["answers"]]}


def _answer(answer: Mapping[str, Any], photos: Mapping[str, Mapping[str, Any]]) -> dict[str, Any]:
    number = photos[answer["photo"]]["number"] if answer["photo"] else None
    value = answer["value"] if number is None else f"photo {number}, SHA-256 {answer['photo'][:16]}…"
    return {**answer, "value": value, "verdict": _verdict(answer), "was": _corrections(answer, value)}


def _verdict(answer: Mapping[str, Any]) -> str:
    measured = bool(answer["limit"])
    match answer["verdict"]:
        case "within":
            return "✓ within" if measured else "✓ as wanted"
        case "outside":
            return "✗ OUTSIDE" if measured else "✗ NOT AS WANTED"
        case other:
            return str(other)


def _corrections(answer: Mapping[str, Any], value: str) -> list[dict[str, Any]]:
    """Give each corrected value the one that took its place: as told, else the next correction's, else the last."""
    was = list(answer.get("was", ()))
    after = [*(item["value"] for item in was[1:]), value]
    return (
        [{**item, "now": item.get("now") or follows} for item, follows in zip(was, after, strict=True)] if was else []
    )
