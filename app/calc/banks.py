"""Filters and banks together: in series behind one another, or side by side in one bank.

Rules kept here:
- banks in series multiply, but that is a calculated credit far below a photometer's floor: each bank is tested alone;
- a mixed sample of filters side by side is a flow-weighted mean, in which one bad filter hides behind good ones.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from app.calc.bounds import above, within
from app.calc.errors import Invalid
from app.calc.exact import Reading, exact

_MOST = 12


@dataclass(frozen=True, slots=True)
class Series:
    """Penetration in %, exact, and decontamination factor of banks in series (L3)."""

    penetration_pct: Fraction
    decontamination_factor: Fraction


def in_series(penetrations_pct: Sequence[Reading]) -> Series:
    """L3: the product of one to twelve penetrations, each above 1e-12 % and up to 100 %; OutOfRange else.

    Zero is refused: a bank "without penetration" was below the floor, so its floor is what is entered.
    """
    _count(penetrations_pct, "penetrations")
    share = Fraction(1)
    for number, typed in enumerate(penetrations_pct, start=1):
        name = f"Penetration {number}"
        share *= above(exact(typed, name=name), 1e-12, 100, name=name, unit="%", source_id="algebra") / 100
    return Series(100 * share, 1 / share)


def in_parallel_pct(*, penetrations_pct: Sequence[Reading], flows: Sequence[Reading]) -> Fraction:
    """L4: flow-weighted mean penetration of filters side by side, %, exact; flows in any one unit, above 0.

    Raises Invalid where the two lists differ in length, OutOfRange for a penetration outside 0 to 100 %.
    """
    if len(penetrations_pct) != len(flows):
        raise Invalid(
            f"{len(penetrations_pct)} penetrations were given for {len(flows)} flows: give one flow for each filter.",
        )
    _count(penetrations_pct, "filters", most=1000)
    pairs = [
        (
            within(exact(p, name="Penetration"), 0, 100, name="Penetration", unit="%", source_id="algebra"),
            above(exact(q, name="Flow"), 0, 1e9, name="Flow"),
        )
        for p, q in zip(penetrations_pct, flows, strict=True)
    ]
    return sum((p * q for p, q in pairs), Fraction(0)) / sum((q for _, q in pairs), Fraction(0))


def _count(given: Sequence[Reading], what: str, most: int = _MOST) -> None:
    if not 1 <= len(given) <= most:
        raise Invalid(f"{len(given)} {what} were given: give 1 to {most}.")
