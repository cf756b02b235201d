"""One byte form for every JSON value, and a reader that accepts nothing ambiguous.

What is hashed and signed is the canonical form of RFC 8785 (JSON Canonicalization Scheme); what is read must be
I-JSON (RFC 7493), so that no two parsers can see different things in the same bytes.

Rules kept here:
- `canonical` is the only way to make bytes for the ledger, and `read_canonical` refuses bytes in any other form.
- Duplicate names, NaN, Infinity, lone surrogates, bad UTF-8 and numbers beyond I-JSON are refused, each in one
  sentence. A whole number of 2^53 and up must travel as text: a double would round it in silence.
- No Unicode normalisation: what was typed is what is hashed.
"""

import json
import math
from collections.abc import Callable
from json.encoder import JSONEncoder
from typing import NoReturn, TypeAlias

import rfc8785

from app.calc.errors import Invalid

Json: TypeAlias = "bool | int | float | str | list[Json] | dict[str, Json] | None"

LARGEST_WHOLE_NUMBER = 2**53 - 1
"""Largest whole number that every JSON reader keeps exactly (RFC 7493, section 2.2)."""

_DIGITS_SURELY_EXACT = 15
"""A whole number of this many characters or fewer is below 2^53, with or without a sign."""


def canonical(value: object) -> bytes:
    """Return the RFC 8785 bytes of `value`: UTF-8, keys sorted by UTF-16 unit, shortest numbers, least escapes.

    value: None, bool, int, float, str, and lists, tuples and dicts with text keys of these, to any depth.
    Raises Invalid for anything else, for NaN, Infinity, lone surrogates and whole numbers of 2^53 and up.
    """
    plain = _write_plain(value)
    if plain is not None:
        return plain
    try:
        return rfc8785.dumps(value)  # type: ignore[arg-type]  # it checks every value itself and says what it refused
    except UnicodeEncodeError as error:
        raise Invalid(_LONE_SURROGATE) from error
    except rfc8785.CanonicalizationError as error:
        if isinstance(error.__cause__, UnicodeEncodeError):
            raise Invalid(_LONE_SURROGATE) from error
        raise Invalid(f"The value cannot be written as canonical JSON: {error}; send it as text instead.") from error
    except RecursionError as error:
        raise Invalid(_TOO_DEEP) from error


def parse_strict(data: bytes | str) -> Json:
    """Return the one value in `data`, read as I-JSON (RFC 7493).

    data: JSON as UTF-8 bytes without byte order mark, or as text.
    Raises Invalid, in one sentence, for anything that is not I-JSON or that two readers could take differently.
    """
    text = _text_from(data)
    try:
        value: Json = _STRICT.decode(text)
    except json.JSONDecodeError as error:
        raise Invalid(
            f"The text is not JSON: {error.msg} at line {error.lineno}, column {error.colno}; "
            "check that it is complete."
        ) from error
    except RecursionError as error:
        raise Invalid(_TOO_DEEP) from error
    _refuse_lone_surrogates(value, text)
    return value


def read_canonical(payload: bytes) -> Json:
    """Return the value whose canonical bytes are exactly `payload`.

    Raises Invalid when `payload` is not I-JSON, or is another spelling of the value than the canonical one.
    """
    value = _read_plain(payload)
    if value is not _UNSURE:
        return value  # type: ignore[return-value]  # anything but the mark came out of the JSON reader
    strict = parse_strict(payload)
    if canonical(strict) != payload:
        raise Invalid(
            "The bytes are JSON but not in canonical form (RFC 8785): write them again with sorted keys, "
            "no spaces and the shortest numbers."
        )
    return strict


def read_with_items(payload: bytes, name: str) -> tuple[Json, list[bytes]]:
    """Return the value whose canonical bytes are `payload`, and the canonical bytes of each item of its list `name`.

    No items where it has no such list.  Raises Invalid as `read_canonical` does.
    """
    plain = _read_plain(payload)
    value: Json = read_canonical(payload) if plain is _UNSURE else plain  # type: ignore[assignment]  # as there
    items = value.get(name) if isinstance(value, dict) else None
    if not isinstance(items, list):
        return value, []
    # What is within a text that the C writer alone proved needs no proof of its own.
    write = canonical if plain is _UNSURE else _written
    return value, [write(item) for item in items]


_LONE_SURROGATE = (
    "The text holds half of a surrogate pair, which is no character: remove it or type the character again."
)
_TOO_DEEP = "The value is nested too deep to be read safely: flatten it."
_UNSURE = object()


def _write_plain(value: object) -> bytes | None:
    """Return the canonical bytes if the C writer and reader alone prove them; None sends the caller the slow way.

    The C writer's text is canonical when it reads back as the same value (which tuples and keys that are no text do
    not), holds no number but short whole ones, and no character above U+FFFF by which UTF-16 order would differ.
    """
    try:
        text = _WRITER.encode(value)
        payload = text.encode("utf-8")
        back, _ = _PLAIN.raw_decode(text)
    except (ValueError, TypeError, RecursionError):
        return None  # the slow way finds the same fault and says it in a sentence
    return payload if back == value and _in_code_point_order(text) else None


def _read_plain(payload: bytes) -> object:
    """Return the value if the C reader and writer alone prove the form; `_UNSURE` sends the caller the slow way.

    A second spelling, a repeated name or an escape too many cannot come back as the same text. What could (floats,
    numbers beyond I-JSON, keys whose order UTF-16 decides) never gets this far.
    """
    try:
        text = payload.decode("utf-8")
        value, _ = _PLAIN.raw_decode(text)
        if _WRITER.encode(value) == text and _in_code_point_order(text):
            return value
    except (ValueError, RecursionError):
        pass  # the strict reader finds the same fault and says it in a sentence
    return _UNSURE


def _written(value: object) -> bytes:
    return _WRITER.encode(value).encode("utf-8")


def _in_code_point_order(text: str) -> bool:
    """Tell whether there is no character above U+FFFF, where UTF-16 order and code point order part."""
    return text.isascii() or len(text.encode("utf-16-le")) == 2 * len(text)


def _text_from(data: bytes | str) -> str:
    if isinstance(data, str):
        return data
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        raise Invalid(f"Byte {error.start + 1} is not UTF-8: save the text as UTF-8 and send it again.") from error


def _refuse_lone_surrogates(value: Json, text: str) -> None:
    if "\\u" not in text and text.isascii():
        return
    try:
        json.dumps(value, ensure_ascii=False).encode("utf-8")
    except UnicodeEncodeError as error:
        raise Invalid(_LONE_SURROGATE) from error


def _unique_names(pairs: list[tuple[str, Json]]) -> dict[str, Json]:
    found = dict(pairs)
    if len(found) != len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in names if names.count(name) > 1)
        raise Invalid(f"The name {twice!a} stands twice in one object: keep one of the two.")
    return found


def _whole_number(digits: str) -> int:
    if len(digits) > _DIGITS_SURELY_EXACT and (
        len(digits) > _DIGITS_SURELY_EXACT + 2 or abs(int(digits)) > LARGEST_WHOLE_NUMBER
    ):
        raise Invalid(f"The whole number {digits[:24]} is beyond 2^53 - 1: send it as text.")
    return int(digits)


def _number(digits: str) -> float:
    value = float(digits)
    if math.isinf(value):
        raise Invalid(f"The number {digits[:24]} is beyond what a double can hold: send it as text.")
    return value


def _no_constant(name: str) -> NoReturn:
    raise Invalid(f"{name} is not a JSON number: leave the value out or send it as text.")


def _leave(_: str) -> NoReturn:
    raise ValueError  # not an error: only the strict reader may judge this number


def _short_whole_number(digits: str) -> int:
    return int(digits) if len(digits) <= _DIGITS_SURELY_EXACT else _leave(digits)


def _decoder(
    *,
    whole: Callable[[str], int],
    real: Callable[[str], float],
    constant: Callable[[str], NoReturn],
    pairs: Callable[[list[tuple[str, Json]]], dict[str, Json]] | None = None,
) -> json.JSONDecoder:
    return json.JSONDecoder(parse_int=whole, parse_float=real, parse_constant=constant, object_pairs_hook=pairs)


_STRICT = _decoder(whole=_whole_number, real=_number, constant=_no_constant, pairs=_unique_names)
_PLAIN = _decoder(whole=_short_whole_number, real=_leave, constant=_leave)
_WRITER = JSONEncoder(ensure_ascii=False, sort_keys=True, separators=(",", ":"), check_circular=False)
