"""Labels of waste packages, and how many items fit a box or a drum.

Rules kept here:
- the label is the worse of what the surface dose rate and the transport index ask for;
- the transport index is rounded up to the next tenth, exactly: 0.8 stays 0.8, and up to 0.05 counts as 0;
- a packing count is a lower bound (rows of one orientation) and says nothing of weight, which is checked apart.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import permutations
from typing import Final, Literal

from app.calc.bounds import above, plain, within
from app.calc.errors import Invalid, OutOfRange
from app.calc.exact import Reading, exact

Label = Literal["WHITE-I", "YELLOW-II", "YELLOW-III", "YELLOW-III, exclusive use"]

_LABELS: Final[tuple[tuple[Label, Fraction, Fraction | None], ...]] = (
    ("WHITE-I", Fraction("0.5"), Fraction(0)),
    ("YELLOW-II", Fraction(50), Fraction(1)),
    ("YELLOW-III", Fraction(200), Fraction(10)),
    ("YELLOW-III, exclusive use", Fraction(1000), None),
)
"""Label, greatest surface rate in mrem/h, greatest transport index (source 49cfr172.403)."""

_INDEX_AS_ZERO: Final = Fraction("0.05")
LIMITED_QUANTITY_MREM_H: Final = Fraction("0.5")
"""Source 49cfr173.421."""


def transport_index(*, mrem_h_at_1m: Reading) -> Fraction:
    """Highest dose rate at 1 m in mrem/h, rounded up to a tenth, exact (source 49cfr173.403, from memory).

    Up to 0.05 the index is 0 (source 49cfr172.403).
    """
    rate = within(exact(mrem_h_at_1m, name="Dose rate at 1 m"), 0, 1e6, name="Dose rate at 1 m", unit="mrem/h")
    return Fraction(0) if rate <= _INDEX_AS_ZERO else Fraction(math.ceil(rate * 10), 10)


def label(*, surface_mrem_h: Reading, index: Reading) -> Label:
    """Label category from surface rate (mrem/h) and transport index, exact and inclusive (source 49cfr172.403).

    Raises OutOfRange for a surface above 1 000 mrem/h, which no label covers.
    """
    surface = within(exact(surface_mrem_h, name="Surface dose rate"), 0, 1e9, name="Surface dose rate", unit="mrem/h")
    given = within(exact(index, name="Transport index"), 0, 1e6, name="Transport index")
    counted = Fraction(0) if given <= _INDEX_AS_ZERO else given
    for name, most_surface, most_index in _LABELS:
        if surface <= most_surface and (most_index is None or counted <= most_index):
            return name
    raise OutOfRange(
        f"Surface dose rate {plain(surface)} mrem/h is above 1000 mrem/h (49 CFR 172.403), which no label covers: "
        "shield or divide the package.",
    )


def is_limited_quantity_rate(*, surface_mrem_h: Reading) -> bool:
    """Whether the surface rate allows a limited quantity; other conditions of the rule remain."""
    return exact(surface_mrem_h, name="Surface dose rate") <= LIMITED_QUANTITY_MREM_H


@dataclass(frozen=True, slots=True)
class Box:
    """Three inside or outside dimensions in one unit, exact, each above zero."""

    a: Fraction
    b: Fraction
    c: Fraction

    @property
    def volume(self) -> Fraction:
        """Volume in the cube of the unit."""
        return self.a * self.b * self.c

    @property
    def sides(self) -> tuple[Fraction, Fraction, Fraction]:
        """The three dimensions."""
        return self.a, self.b, self.c


def box(dimensions: Sequence[Reading], *, name: str) -> Box:
    """Read three dimensions; Invalid for another number of them, OutOfRange for one not from 0.001 to 1e6."""
    if len(dimensions) != 3:
        raise Invalid(f"{name} has {len(dimensions)} dimensions: give three, such as 610,610,292.")
    a, b, c = (within(exact(d, name=f"{name} dimension"), 0.001, 1e6, name=f"{name} dimension") for d in dimensions)
    return Box(a, b, c)


def packing_count(*, item: Box, container: Box) -> int:
    """Items in a box: the best of six orientations of whole rows, exact, a lower bound (source packing)."""
    return max(_rows(item_sides, container.sides) for item_sides in permutations(item.sides))


def _rows(item: Sequence[Fraction], inside: Sequence[Fraction]) -> int:
    return math.prod(whole // side for whole, side in zip(inside, item, strict=True))


def drum_count(*, item: Box, bore: Reading, height: Reading) -> int:
    """Items stacked singly in a drum: the best of three faces whose diagonal is within the bore; 0 if none fits."""
    across = above(exact(bore, name="Drum bore"), 0, 1e6, name="Drum bore")
    tall = above(exact(height, name="Drum height"), 0, 1e6, name="Drum height")
    stacks = [tall // up for one, other, up in permutations(item.sides) if one**2 + other**2 <= across**2]
    return max(stacks, default=0)


def count_by_weight(*, item_kg: Reading, empty_kg: Reading, gross_limit_kg: Reading) -> int:
    """Items that the gross weight allows; 0 where the empty container already uses it up."""
    each = above(exact(item_kg, name="Item weight"), 0, 1e5, name="Item weight", unit="kg")
    tare = within(exact(empty_kg, name="Empty weight"), 0, 1e6, name="Empty weight", unit="kg")
    gross = above(exact(gross_limit_kg, name="Gross weight limit"), 0, 1e6, name="Gross weight limit", unit="kg")
    return 0 if tare > gross else int((gross - tare) // each)
