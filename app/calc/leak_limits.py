"""Acceptance limits in use for leak tests, as examples with a source.

They are examples: the site enters its own, and the owner's acceptance value decides (ASME N511-2007 has none).
No limit recalled from memory stands here. The release credit that a limit earns is not a test result.
"""

from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from app.calc.errors import Invalid
from app.calc.exact import Limit, Operator
from app.calc.sources import source


@dataclass(frozen=True, slots=True)
class LimitExample:
    """A published limit: what it applies to, in %, with the operator as the text has it, and its source."""

    what: str
    limit_pct: str
    operator: Operator
    source_id: str

    @property
    def limit(self) -> Limit:
        """The limit ready for comparison, its basis being the source as shown."""
        return Limit(Fraction(self.limit_pct), self.operator, source(self.source_id).shown)


LEAK_LIMITS: Final[dict[str, LimitExample]] = {
    "hepa-rg-1.52": LimitExample("HEPA bank in place, rated flow ± 10 %", "0.05", "<", "rg-1.52"),
    "hepa-rg-1.140": LimitExample("HEPA bank in place, rated flow ± 10 %", "0.05", "<", "rg-1.140"),
    "adsorber-rg-1.52": LimitExample("adsorber in place, challenge gas, rated flow ± 10 %", "0.05", "<=", "rg-1.52"),
    "adsorber-rg-1.140": LimitExample("adsorber in place, challenge gas, rated flow ± 10 %", "0.05", "<=", "rg-1.140"),
    "stage-doe": LimitExample("each HEPA stage in place, 99.95 % or more", "0.05", "<=", "dnfsb-1994"),
    "new-filter-doe": LimitExample(
        "new filter at the test facility, 0.3 µm; not an in-place limit", "0.03", "<=", "doe-3020"
    ),
    "new-adsorber-cell": LimitExample("new adsorber cell, refrigerant, flow ± 5 %", "0.05", "<=", "ufgs-15860a"),
    "scan-clean-room": LimitExample("any point of a scanned face, clean rooms only", "0.01", "<=", "iso-14644-3"),
}


def leak_limit(limit_id: str) -> LimitExample:
    """Look an example up; raise Invalid for an id that is not in the table."""
    example = LEAK_LIMITS.get(limit_id)
    if example is None:
        raise Invalid(f"Leak limit '{limit_id}' is not in the table: use one of {', '.join(LEAK_LIMITS)}.")
    return example
