"""Reading `key=value` pairs for a calculation: which keys it has, in which units, and what was typed.

Rules kept here:
- numbers stay exact fractions until a formula needs a float, so a conversion never moves a limit;
- wherever a metric key is known its inch-pound sisters are; both given is an error, and so is an unknown key;
- every refusal is one sentence that names the key.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Final, Literal, assert_never

from app.calc.bounds import within
from app.calc.errors import Invalid
from app.calc.exact import exact
from app.calc.units import convert

Kind = Literal["number", "list", "count", "text"]

INCH_POUND: Final[dict[str, tuple[str, ...]]] = {
    "pa": ("inwg", "inhg", "psi"),
    "m3_h": ("cfm",),
    "m3": ("ft3",),
    "c": ("degf",),
    "kg_m3": ("lb_ft3",),
    "cm": ("in",),
    "mm": ("in",),
    "cm2": ("in2",),
    "kg": ("lb",),
    "nm": ("lbf_ft",),
}
"""Metric key ending to the inch-pound endings that stand for it."""

_MOST_ENTRIES: Final = 1000


@dataclass(frozen=True, slots=True)
class Key:
    """One key: what it means, how it is read, and the unit that its ending names (None for a bare number)."""

    name: str
    meaning: str
    kind: Kind = "number"
    unit: str | None = None
    required: bool = True

    @property
    def spellings(self) -> dict[str, str | None]:
        """Every accepted spelling with its unit, the metric one first."""
        if self.unit is None:
            return {self.name: None}
        stem = self.name.removesuffix(self.unit)
        return {stem + unit: unit for unit in (self.unit, *INCH_POUND[self.unit])}

    @property
    def told(self) -> str:
        """The key for a sentence or a list, with its sisters."""
        first, *others = self.spellings
        return f"{first} ({self.meaning}{'; or ' + ', '.join(others) if others else ''})"


@dataclass(frozen=True, slots=True)
class Given:
    """What was typed, read and brought to the metric key; keys that were not given are absent."""

    numbers: dict[str, Fraction] = field(default_factory=dict)
    lists: dict[str, tuple[Fraction, ...]] = field(default_factory=dict)
    counts: dict[str, int] = field(default_factory=dict)
    texts: dict[str, str] = field(default_factory=dict)

    def real(self, key: str) -> float:
        """A number as a float, for a formula that is not exact."""
        return float(self.numbers[key])

    def reals(self, key: str) -> tuple[float, ...]:
        """A list of numbers as floats."""
        return tuple(float(number) for number in self.lists[key])


def read_given(name: str, keys: tuple[Key, ...], given: Mapping[str, str]) -> Given:
    """Read the pairs for the calculation `name`; raise Invalid for unknown, missing, doubled or unreadable ones."""
    known = {spelling for key in keys for spelling in key.spellings}
    unknown = [typed for typed in given if typed not in known]
    if unknown:
        raise Invalid(f"{name} does not know the key '{unknown[0][:40]}': use {', '.join(k.name for k in keys)}.")
    missing = [key.told for key in keys if key.required and not any(s in given for s in key.spellings)]
    if missing:
        raise Invalid(f"{name} still needs {', '.join(missing)}: give every key that is not optional.")
    read = Given()
    for key in keys:
        _read_key(read, key, given)
    return read


def _read_key(read: Given, key: Key, given: Mapping[str, str]) -> None:
    typed = [spelling for spelling in key.spellings if spelling in given]
    if len(typed) > 1:
        raise Invalid(f"Both {typed[0]} and {typed[1]} were given for one quantity: give one of them.")
    if not typed:
        return
    spelling = typed[0]
    text, unit = given[spelling], key.spellings[spelling]
    match key.kind:
        case "number":
            read.numbers[key.name] = _metric(exact(text, name=spelling), unit, key.unit)
        case "list":
            read.lists[key.name] = tuple(_metric(number, unit, key.unit) for number in _entries(text, spelling))
        case "count":
            read.counts[key.name] = _count(exact(text, name=spelling), spelling)
        case "text":
            read.texts[key.name] = text.strip()
        case _:
            assert_never(key.kind)


def _metric(number: Fraction, unit: str | None, metric: str | None) -> Fraction:
    return number if unit is None or metric is None else convert(number, unit, metric)


def _entries(text: str, spelling: str) -> tuple[Fraction, ...]:
    parts = text.split(",")
    if len(parts) > _MOST_ENTRIES:
        raise Invalid(f"{spelling} has {len(parts)} entries: give at most {_MOST_ENTRIES}.")
    return tuple(exact(part, name=f"{spelling} entry {place}") for place, part in enumerate(parts, start=1))


def _count(number: Fraction, spelling: str) -> int:
    if number.denominator != 1:
        raise Invalid(f"{spelling} is {float(number):g}, not a whole number: give a whole number.")
    return int(within(number, -1e9, 1e9, name=spelling))
