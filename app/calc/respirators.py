"""Assigned protection factors, always together with the rule set they come from.

Rules kept here:
- one mask has two numbers, so no factor is given without its rule set;
- the OSHA table was recalled and not opened: its factors are shown as "from memory, not confirmed".
"""

from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from app.calc.bounds import above
from app.calc.errors import Invalid
from app.calc.exact import Reading, exact
from app.calc.sources import source

RULE_SETS: Final[dict[str, str]] = {"osha": "osha-apf", "10cfr20": "10cfr20-a"}
"""Rule set to source."""

_FACTORS: Final[dict[str, tuple[int, int]]] = {
    "half-mask": (10, 10),
    "full-facepiece": (50, 100),
    "papr-half": (50, 50),
    "papr-full": (1000, 1000),
    "papr-hood": (25, 1000),
    "papr-loose": (25, 25),
    "airline-half-continuous": (50, 50),
    "airline-half-pressure-demand": (50, 50),
    "airline-full-demand": (50, 100),
    "airline-full-continuous": (1000, 1000),
    "airline-full-pressure-demand": (1000, 1000),
    "scba-full-demand": (50, 100),
    "scba-full-pressure-demand": (10_000, 10_000),
}
"""Respirator to its factors, in the order of RULE_SETS. A hood has 1000 by OSHA only with the maker's test evidence."""

RESPIRATORS: Final = tuple(_FACTORS)


@dataclass(frozen=True, slots=True)
class ProtectionFactor:
    """A factor with its rule set; `source_id` says how far it is confirmed."""

    respirator: str
    rule_set: str
    factor: int
    source_id: str

    @property
    def shown(self) -> str:
        """The factor in words, never without its source."""
        return f"{self.factor} ({source(self.source_id).shown})"


def protection_factor(*, respirator: str, rule_set: str) -> ProtectionFactor:
    """Look a factor up; Invalid for an unknown respirator or rule set. Sources osha-apf (memory), 10cfr20-a."""
    if respirator not in _FACTORS:
        raise Invalid(f"Respirator '{respirator}' is not known: use one of {', '.join(_FACTORS)}.")
    if rule_set not in RULE_SETS:
        raise Invalid(f"Rule set '{rule_set}' is not known: use one of {', '.join(RULE_SETS)}.")
    factor = _FACTORS[respirator][list(RULE_SETS).index(rule_set)]
    return ProtectionFactor(respirator, rule_set, factor, RULE_SETS[rule_set])


def greatest_concentration(*, factor: ProtectionFactor, exposure_limit: Reading) -> Fraction:
    """MUC = factor × exposure limit, exact, in the limit's unit."""
    limit = above(exact(exposure_limit, name="Exposure limit"), 0, 1e9, name="Exposure limit")
    return factor.factor * limit
