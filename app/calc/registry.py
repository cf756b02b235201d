"""Calculations by name: what exists, and carrying one out on typed pairs.

Rules kept here: pure and repeatable, so that a stored result can be recomputed from its inputs as typed; a result
carries its method, its source and its remarks; a number that is not finite is never given out.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from app.calc.errors import Invalid, OutOfRange
from app.calc.registry_compute import Outcome, Value
from app.calc.registry_keys import read_given
from app.calc.registry_table import CALCULATIONS, Calculation

Result = dict[str, Value]


@dataclass(frozen=True, slots=True)
class CalcResult:
    """A result with everything needed to show, store and recompute it.

    `inputs` are the pairs as typed, defaults added; `passed` is None where no limit was given.
    """

    result: Result
    inputs: dict[str, str]
    method: str
    source: str
    passed: bool | None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Description:
    """A calculation for a list: name, summary, keys as told, optional keys as told, result keys, source."""

    name: str
    summary: str
    keys: tuple[str, ...]
    optional: tuple[str, ...]
    result_keys: tuple[str, ...]
    source: str


def names() -> tuple[str, ...]:
    """Every name that `run` knows, in the order of the list."""
    return tuple(CALCULATIONS)


def describe(name: str) -> Description:
    """Tell one calculation's keys and source; Invalid for an unknown name."""
    entry = _entry(name)
    return Description(
        name,
        entry.summary,
        tuple(key.told for key in entry.keys if key.required),
        tuple(key.told for key in entry.keys if not key.required),
        entry.result_keys,
        entry.source,
    )


def run(name: str, given: Mapping[str, str]) -> CalcResult:
    """Carry out the calculation `name` on typed pairs.

    Raises Invalid for an unknown name, an unknown, missing or doubled key and an unreadable number; OutOfRange where
    a quantity lies outside the calculation's range.
    """
    entry = _entry(name)
    outcome = _compute(name, entry, given)
    inputs = dict(given) | outcome.defaults
    return CalcResult(outcome.result, inputs, entry.method, entry.source, outcome.passed, outcome.notes)


def _entry(name: str) -> Calculation:
    entry = CALCULATIONS.get(name)
    if entry is None:
        raise Invalid(f"There is no calculation '{name[:40]}': use one of {', '.join(CALCULATIONS)}.")
    return entry


def _compute(name: str, entry: Calculation, given: Mapping[str, str]) -> Outcome:
    """Compute, with a last guard against readings that are each in range and together overflow a float."""
    refusal = OutOfRange(f"{name} gives no finite number for these readings: check their sizes and units.")
    try:
        outcome = entry.compute(read_given(name, entry.keys, given))
    except ArithmeticError as error:
        raise refusal from error
    if not all(math.isfinite(value) for value in outcome.result.values() if isinstance(value, float)):
        raise refusal
    return outcome
