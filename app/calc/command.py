"""`changeout calc`: carry out a calculation from the command line.

Rules kept here: exit 0 when all is well, 1 when a limit is not met, 2 when the request cannot be carried out; then
one plain sentence goes to `err`, nothing to `out`, and never a traceback. Text and JSON tell the same numbers.
"""

import json
from collections.abc import Callable
from typing import Final

from app.calc.errors import ChangeoutError, Invalid
from app.calc.registry import CalcResult, describe, names, run

Write = Callable[[str], None]

USAGE: Final = "Usage: changeout calc --list | NAME key=value … [--json]"


def run_command(argv: list[str], out: Write, err: Write) -> int:
    """Carry out what follows the word `calc`; write lines without their ends; return the exit status."""
    try:
        return _command(argv, out)
    except ChangeoutError as error:
        err(str(error))
        return 2


def _command(argv: list[str], out: Write) -> int:
    options = {word for word in argv if word.startswith("-")}
    words = [word for word in argv if not word.startswith("-")]
    unknown = sorted(options - {"--list", "--json", "--help"})
    if unknown:
        raise Invalid(f"Option '{unknown[0][:40]}' is not known: use --list or --json.")
    if "--help" in options:
        out(USAGE)
        return 0
    if "--list" in options:
        return _list(words, out, as_json="--json" in options)
    if not words:
        raise Invalid("No calculation was named: give a name and key=value pairs, or --list to see them.")
    found = run(words[0], _pairs(words[1:]))
    _write(found, out, as_json="--json" in options)
    return 1 if found.passed is False else 0


def _pairs(words: list[str]) -> dict[str, str]:
    pairs: dict[str, str] = {}
    for word in words:
        key, equals, value = word.partition("=")
        if not equals or not key:
            raise Invalid(f"'{word[:40]}' is not a key=value pair: write such as upstream=25.")
        if key in pairs:
            raise Invalid(f"{key} was given twice: give each key once.")
        pairs[key] = value
    return pairs


def _list(words: list[str], out: Write, *, as_json: bool) -> int:
    told = [describe(name) for name in (words or names())]
    if as_json:
        out(json.dumps([{slot: getattr(one, slot) for slot in one.__slots__} for one in told], ensure_ascii=False))
        return 0
    for one in told:
        out(f"{one.name}: {one.summary}")
        for label, entries in (("needs", one.keys), ("may have", one.optional), ("gives", one.result_keys)):
            if entries:
                out(f"  {label}: {', '.join(entries)}")
        out(f"  source: {one.source}")
    return 0


def _write(found: CalcResult, out: Write, *, as_json: bool) -> None:
    if as_json:
        told = {"result": found.result, "inputs": found.inputs, "method": found.method, "source": found.source}
        remarks = {"notes": found.notes} if found.notes else {}
        out(json.dumps(told | remarks, ensure_ascii=False, allow_nan=False))
        return
    for key, value in found.result.items():
        out(f"{key} = {_text(value)}")
    if found.passed is not None:
        out(f"limit: {'met' if found.passed else 'NOT MET'}")
    for note in found.notes:
        out(f"note: {note}")
    out(f"method: {found.method}")
    out(f"source: {found.source}")


def _text(value: object) -> str:
    match value:
        case None:
            return "none"
        case bool():
            return "yes" if value else "no"
        case float():
            return f"{value:.10g}"
        case tuple():
            return ", ".join(_text(entry) for entry in value)
        case _:
            return str(value)
