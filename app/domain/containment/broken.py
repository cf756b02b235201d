"""A broken rule as data."""

from dataclasses import dataclass
from enum import StrEnum


class Rule(StrEnum):
    """Names of the containment rules; their wording heads the module `rules`."""

    R0 = "R0"
    R1 = "R1"
    R2 = "R2"
    R3 = "R3"
    R4 = "R4"
    R5 = "R5"
    R6 = "R6"
    R7 = "R7"
    R8 = "R8"
    R9 = "R9"
    R10 = "R10"


@dataclass(frozen=True, slots=True)
class Broken:
    """One rule that an effect breaks, with a sentence for a person."""

    rule: Rule
    sentence: str


def unless(holds: bool, rule: Rule, sentence: str) -> tuple[Broken, ...]:
    """Return the broken rule unless the condition holds."""
    return () if holds else (Broken(rule, sentence),)
