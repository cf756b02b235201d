"""Readings as typed, limits, and their exact comparison.

Rules kept here:
- a typed decimal becomes a fraction, so 0.0500, .05 and 5e-2 are one number and nothing is rounded first;
- a binary float is refused, because 0.05 held as a float is not 0.05;
- a limit always carries its operator and its basis.
"""

import re
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from functools import lru_cache
from typing import Final, Literal, assert_never

from app.calc.errors import Invalid

Reading = Fraction | Decimal | int | str
Operator = Literal["<", "<="]

_NUMBER: Final = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,2})?", re.ASCII)
_MAX_CHARS: Final = 40
_OFF_SCALE: Final = re.compile(r"[<>≤≥].*|ol|ovl|over|overrange|off.?scale|sat|saturated|-{2,}", re.IGNORECASE)
_OPERATORS: Final[dict[str, Operator]] = {"<": "<", "lt": "<", "<=": "<=", "≤": "<=", "le": "<="}


@dataclass(frozen=True, slots=True)
class Limit:
    """An upper limit: a value, whether equality is still good, and where the limit comes from."""

    value: Fraction
    operator: Operator
    basis: str


def exact(reading: Reading, *, name: str) -> Fraction:
    """Turn a typed reading into a fraction without loss.

    Text may have a sign, a decimal point and a power of ten of at most two digits, 40 characters in all.
    Raises Invalid for anything else, a float, NaN and infinity included.
    """
    match reading:
        case str():
            return _from_text(reading.strip(), name)
        case Decimal():
            return _from_decimal(reading, name)
        case bool() | float():
            raise Invalid(f"{name} was given as {reading!r}: give the reading as the text that was typed.")
        case int() | Fraction():
            return Fraction(reading)
        case _:
            assert_never(reading)


@lru_cache(maxsize=4096)
def _from_text(text: str, name: str) -> Fraction:
    """Read a number once: a past job and the trend of a bank are read from the same few again and again."""
    typed = text.replace("\N{MINUS SIGN}", "-")
    if _OFF_SCALE.fullmatch(typed):
        raise Invalid(
            f"{name} '{_short(typed)}' is an off-scale or saturated reading, not a number: "
            "change the range or dilute the sample and read again.",
        )
    if len(typed) > _MAX_CHARS or not _NUMBER.fullmatch(typed):
        raise Invalid(
            f"{name} '{_short(typed)}' cannot be read as a number: "
            "use digits with a decimal point, such as 0.05 or 5e-2.",
        )
    return Fraction(typed)


def _from_decimal(value: Decimal, name: str) -> Fraction:
    if not value.is_finite():
        raise Invalid(f"{name} is {value}, which is not a number: give the reading that was seen.")
    return Fraction(value)


def _short(text: str) -> str:
    return text if len(text) <= _MAX_CHARS else f"{text[:_MAX_CHARS]}…"


def operator_from_text(text: str) -> Operator:
    """Read `<`, `<=`, `≤`, `lt` or `le`; raise Invalid for anything else."""
    operator = _OPERATORS.get(text.strip().lower())
    if operator is None:
        raise Invalid(f"Limit operator '{_short(text)}' is not known: use < or <= (lt or le will do).")
    return operator


def meets(value: Fraction, limit: Limit) -> bool:
    """Compare the unrounded value with the limit, exactly."""
    match limit.operator:
        case "<":
            return value < limit.value
        case "<=":
            return value <= limit.value
        case _:
            assert_never(limit.operator)
