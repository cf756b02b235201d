"""One sentence for every quantity outside its range.

Rules kept here: nothing is moved to the nearest bound, nothing is replaced by a usual value, and NaN is outside
every range. The sentence names the quantity, the bound and where the bound comes from.
"""

from fractions import Fraction
from typing import TypeVar

from app.calc.errors import OutOfRange
from app.calc.sources import source

Number = TypeVar("Number", float, Fraction)


def plain(value: float | Fraction) -> str:
    """Write a number for a sentence, with at most eight digits that count."""
    return f"{float(value):.8g}"


def within(
    value: Number,
    low: float,
    high: float,
    *,
    name: str,
    unit: str = "",
    source_id: str = "plausible",
) -> Number:
    """Return the value when low <= value <= high, else raise OutOfRange."""
    if low <= value <= high:
        return value
    raise OutOfRange(
        f"{name} {_with_unit(value, unit)} is outside {plain(low)} to {_with_unit(high, unit)} "
        f"({source(source_id).shown}): check the reading and its unit.",
    )


def above(
    value: Number,
    low: float,
    high: float,
    *,
    name: str,
    unit: str = "",
    source_id: str = "plausible",
) -> Number:
    """Return the value when low < value <= high, else raise OutOfRange."""
    if low < value <= high:
        return value
    raise OutOfRange(
        f"{name} {_with_unit(value, unit)} must be more than {plain(low)} and at most {_with_unit(high, unit)} "
        f"({source(source_id).shown}): check the reading and its unit.",
    )


def _with_unit(value: float | Fraction, unit: str) -> str:
    return f"{plain(value)} {unit}".rstrip()
