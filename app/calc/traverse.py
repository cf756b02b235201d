"""Where to read across a duct, as fractions of the inside dimension from one wall.

Rules kept here:
- every set is symmetric (x and 1 - x both occur), which catches the misprints in circulation;
- log-Tchebycheff sets are for the side of a rectangle, log-linear and equal-area sets for the diameter of a circle;
  circular sets stay log-linear even where a text labels them Tchebycheff;
- only tabulated numbers of points are given, nothing is interpolated.
"""

import math
from typing import Final, Literal, assert_never

from app.calc.bounds import above
from app.calc.errors import Invalid, OutOfRange

Scheme = Literal["log-tchebycheff", "log-linear", "equal-area-circle", "equal-area-rectangle"]

_SCHEMES: Final[dict[str, Scheme]] = {
    "log-tchebycheff": "log-tchebycheff",
    "log-tchebychev": "log-tchebycheff",
    "log-chebyshev": "log-tchebycheff",
    "log-linear": "log-linear",
    "equal-area-circle": "equal-area-circle",
    "equal-area-rectangle": "equal-area-rectangle",
}

LOG_TCHEBYCHEFF: Final[dict[int, tuple[float, ...]]] = {
    5: (0.074, 0.288, 0.500, 0.712, 0.926),
    6: (0.061, 0.235, 0.437, 0.563, 0.765, 0.939),
    7: (0.053, 0.203, 0.366, 0.500, 0.634, 0.797, 0.947),
}
"""Side of a rectangle, source traverse."""

LOG_LINEAR: Final[dict[int, tuple[float, ...]]] = {
    6: (0.032, 0.135, 0.321, 0.679, 0.865, 0.968),
    8: (0.021, 0.117, 0.184, 0.345, 0.655, 0.816, 0.883, 0.979),
    10: (0.019, 0.077, 0.153, 0.217, 0.361, 0.639, 0.783, 0.847, 0.923, 0.981),
}
"""Diameter of a circle, source traverse."""


def scheme_from_text(text: str) -> Scheme:
    """Read a scheme's name, in any case and with spaces, hyphens or underscores; Invalid for another."""
    scheme = _SCHEMES.get(text.strip().lower().replace("_", "-").replace(" ", "-"))
    if scheme is None:
        raise Invalid(f"Traverse method '{text[:40]}' is not known: use one of {', '.join(_SCHEMES)}.")
    return scheme


def positions(*, scheme: Scheme, points: int) -> tuple[float, ...]:
    """Positions of `points` readings along one side or diameter, ascending, each in 0 to 1.

    Raises OutOfRange for a number of points that the scheme does not have (sources traverse, equal-area).
    """
    match scheme:
        case "log-tchebycheff":
            return _tabulated(LOG_TCHEBYCHEFF, points, "Log-Tchebycheff positions of a rectangle")
        case "log-linear":
            return _tabulated(LOG_LINEAR, points, "Log-linear positions of a circle")
        case "equal-area-circle":
            return _circle(points)
        case "equal-area-rectangle":
            _points(points, 1, 1)
            return tuple((2 * i - 1) / (2 * points) for i in range(1, points + 1))
        case _:
            assert_never(scheme)


def _tabulated(table: dict[int, tuple[float, ...]], points: int, what: str) -> tuple[float, ...]:
    found = table.get(points)
    if found is None:
        known = ", ".join(str(n) for n in table)
        raise OutOfRange(f"{what} are tabulated for {known} points (instrument texts), not for {points}: choose one.")
    return found


def _circle(points: int) -> tuple[float, ...]:
    """Both crossings of each of points/2 rings of equal area: (1 ∓ sqrt((2k - 1)/2n))/2."""
    _points(points, 2, 2)
    rings = points // 2
    half_chords = [math.sqrt((2 * k - 1) / (2 * rings)) / 2 for k in range(1, rings + 1)]
    return tuple([0.5 - h for h in reversed(half_chords)] + [0.5 + h for h in half_chords])


def _points(points: int, least: int, step: int) -> None:
    if not (least <= points <= 100 and points % step == 0):
        kind = "an even number, two for each ring," if step > 1 else "a whole number"
        raise OutOfRange(f"{points} points cannot be placed by equal areas: give {kind} from {least} to 100.")


def points_per_side(*, side_mm: float) -> int:
    """Readings along a rectangle's side: 5 under 30 in (762 mm), 6 to 36 in (914.4 mm), 7 above (source traverse)."""
    above(side_mm, 0.0, 20_000.0, name="Side", unit="mm")
    if side_mm < 762.0:
        return 5
    return 6 if side_mm <= 914.4 else 7
