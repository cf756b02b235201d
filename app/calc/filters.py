"""What a filter is sold as: sizes with their clean resistance, efficiency classes, carbon residence time.

Rules kept here:
- the smallest and the largest sizes have the higher resistance limit;
- a class is met only if overall *and* local penetration are within it, and U17's local limit is 20 times its overall;
- an ISO 29463 code counts nines, with a trailing 5 for half a nine: it is not a logarithm of the penetration;
- classes at the most penetrating size and "99.97 % at 0.3 µm" are different tests and are never converted.
"""

from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from app.calc.bounds import above, plain
from app.calc.errors import Invalid, OutOfRange
from app.calc.exact import Reading, exact


@dataclass(frozen=True, slots=True)
class FilterSize:
    """A size by its rated flow, with its greatest clean resistance as printed in in.wg (source doe-3025)."""

    number: int
    rated_cfm: int
    clean_limit_inwg: Fraction


SIZES: Final[dict[int, FilterSize]] = {
    number: FilterSize(number, cfm, Fraction(limit))
    for number, cfm, limit in (
        (1, 25, "1.3"),
        (2, 50, "1.3"),
        (3, 125, "1.3"),
        (4, 500, "1.0"),
        (5, 1000, "1.0"),
        (6, 1250, "1.0"),
        (7, 1500, "1.3"),
        (8, 2000, "1.3"),
    )
}


def filter_size(number: int) -> FilterSize:
    """Look a size up by its number, 1 to 8; OutOfRange else (source doe-3025)."""
    size = SIZES.get(number)
    if size is None:
        raise OutOfRange(f"Filter size {number} is not one of the sizes 1 to 8 (DOE-STD-3025-99): check the label.")
    return size


@dataclass(frozen=True, slots=True)
class FilterClass:
    """Greatest overall and local penetration of a class, %, exact; no local limit for E10 to E12."""

    overall_pct: Fraction
    local_pct: Fraction | None


CLASSES: Final[dict[str, FilterClass]] = {
    name: FilterClass(Fraction(overall), Fraction(local) if local else None)
    for name, overall, local in (
        ("E10", "15", ""),
        ("E11", "5", ""),
        ("E12", "0.5", ""),
        ("H13", "0.05", "0.25"),
        ("H14", "0.005", "0.025"),
        ("U15", "0.0005", "0.0025"),
        ("U16", "0.00005", "0.00025"),
        ("U17", "0.000005", "0.0001"),
    )
}
"""Source en-1822, at the most penetrating particle size."""


@dataclass(frozen=True, slots=True)
class ClassCheck:
    """Whether each part of a class is met; `local_met` is None where the class has no local limit."""

    overall_met: bool
    local_met: bool | None

    @property
    def met(self) -> bool:
        """Whether the class as a whole is met."""
        return self.overall_met and self.local_met is not False


def check_class(*, name: str, overall_pct: Reading, local_pct: Reading | None = None) -> ClassCheck:
    """Compare measured penetrations (%) with a class, exactly and inclusive (source en-1822).

    Raises Invalid for an unknown class, OutOfRange where a class with a local limit lacks its local reading.
    """
    limits = CLASSES.get(name)
    if limits is None:
        raise Invalid(f"Filter class '{name}' is not known: use one of {', '.join(CLASSES)}.")
    overall_met = _penetration(overall_pct) <= limits.overall_pct
    if limits.local_pct is None:
        return ClassCheck(overall_met, None)
    if local_pct is None:
        raise OutOfRange(f"Class {name} also has a local limit (EN 1822): give the highest local penetration.")
    return ClassCheck(overall_met, _penetration(local_pct) <= limits.local_pct)


def _penetration(typed: Reading) -> Fraction:
    return above(exact(typed, name="Penetration"), 0, 100, name="Penetration", unit="%", source_id="algebra")


def iso_29463_penetration_pct(*, code: int) -> Fraction:
    """Greatest overall penetration of an ISO 29463 code (15 to 75 in fives), %, exact: 35 is 0.05, 40 is 0.01."""
    if code not in range(15, 80, 5):
        raise OutOfRange(f"ISO 29463 code {code} is not one of 15, 20, 25 to 75: check the label.")
    nines, half = divmod(code, 10)
    return Fraction(100, 10**nines) / (2 if half else 1)


def residence_time_s(*, bed_mm: float, velocity_m_s: float) -> float:
    """Residence time in a carbon bed, s: depth over face velocity (source carbon-bed: 0.25 s for 2 in)."""
    above(bed_mm, 0.0, 1000.0, name="Bed depth", unit="mm")
    above(velocity_m_s, 0.0, 10.0, name="Velocity through the bed", unit="m/s")
    return bed_mm / 1000.0 / velocity_m_s


def face_velocity_m_s(*, flow_m3_h: float, face_area_m2: float) -> float:
    """Velocity before a filter's face, m/s."""
    above(flow_m3_h, 0.0, 1e7, name="Flow", unit="m³/h")
    above(face_area_m2, 0.0, 100.0, name="Face area", unit="m²")
    return flow_m3_h / 3600.0 / face_area_m2


def clean_resistance_met(*, size_number: int, dp_inwg: Reading) -> bool:
    """Whether a new filter's resistance is within its size's limit, inclusive, exact (source doe-3025)."""
    size = filter_size(size_number)
    dp = above(exact(dp_inwg, name="Clean resistance"), 0, 50, name="Clean resistance", unit="in.wg")
    return dp <= size.clean_limit_inwg


def clean_limit_sentence(size_number: int) -> str:
    """The limit of a size in words."""
    size = filter_size(size_number)
    return f"Size {size.number} ({size.rated_cfm} ft³/min): at most {plain(size.clean_limit_inwg)} in.wg clean."
