"""Surface contamination against 10 CFR 835 Appendix D, and dpm against Bq.

Rules kept here:
- posting is for activity *greater than* the value: an equal reading is not above it;
- values of other rule sets (release tables) differ for the same nuclides, so a value always goes with its source;
- alpha and beta-gamma are judged apart; removable and total are judged apart.
"""

from dataclasses import dataclass
from fractions import Fraction
from typing import Final, Literal

from app.calc.bounds import within
from app.calc.errors import Invalid, OutOfRange
from app.calc.exact import Reading, exact
from app.calc.sources import source

Kind = Literal["removable", "total"]


@dataclass(frozen=True, slots=True)
class Group:
    """A group of nuclides with its values in dpm/100 cm²; `total_dpm` is None where a note stands in its place."""

    nuclides: str
    removable_dpm: int
    total_dpm: int | None
    source_id: str = "10cfr835-d"


APPENDIX_D: Final[dict[str, Group]] = {
    "uranium": Group("U-nat, U-235, U-238 and decay products (alpha)", 1000, 5000),
    "transuranic": Group(
        "transuranics, Ra-226, Ra-228, Th-230, Th-228, Pa-231, Ac-227, I-125, I-129",
        20,
        500,
    ),
    "thorium": Group("Th-nat, Th-232, Sr-90, Ra-223, Ra-224, U-232, I-126, I-131, I-133", 200, 1000),
    "beta-gamma": Group("beta-gamma emitters except those named in other groups", 1000, 5000),
    "tritium": Group("tritium and special tritium compounds", 10_000, None),
}
"""Source 10cfr835-d; other rule sets have other values and are not to be mixed in."""

HIGH_FACTOR: Final = 100
"""Contamination area up to this many times the removable value (source contamination-area)."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """Whether a reading is above its group's value, with value and source."""

    above: bool
    value_dpm: int
    source: str


def judge(*, group: str, kind: Kind, dpm_100cm2: Reading) -> Verdict:
    """Compare a reading in dpm/100 cm² with Appendix D, exactly: above means greater than.

    Raises Invalid for an unknown group, OutOfRange where the appendix has no total value (tritium).
    """
    found = _group(group)
    value = found.removable_dpm if kind == "removable" else found.total_dpm
    if value is None:
        raise OutOfRange(
            f"10 CFR 835 Appendix D has no total value for {found.nuclides}, but a note: judge removable activity.",
        )
    reading = within(exact(dpm_100cm2, name="Activity"), -1e9, 1e12, name="Activity", unit="dpm/100 cm²")
    return Verdict(reading > value, value, source(found.source_id).shown)


def _group(name: str) -> Group:
    found = APPENDIX_D.get(name)
    if found is None:
        raise Invalid(f"Nuclide group '{name}' is not known: use one of {', '.join(APPENDIX_D)}.")
    return found


def posting(*, group: str, removable_dpm_100cm2: Reading) -> str:
    """What an area with this removable activity is called, with the source of the name."""
    found = _group(group)
    reading = exact(removable_dpm_100cm2, name="Removable activity")
    if reading > HIGH_FACTOR * found.removable_dpm:
        return f"high contamination area ({source('high-contamination-area').shown})"
    if reading > found.removable_dpm:
        return f"contamination area ({source('contamination-area').shown})"
    return f"not a contamination area by removable activity ({source(found.source_id).shown})"


def bq_cm2(*, dpm_100cm2: Fraction) -> Fraction:
    """Turn dpm/100 cm² into Bq/cm², exact: 1 dpm = 1/60 Bq."""
    return dpm_100cm2 / 6000
