"""Manual handling of heavy elements by the revised NIOSH lifting equation (source niosh-94-110).

Rules kept here:
- the multipliers follow their formulas at full precision; tables give only frequency and coupling;
- the method itself counts a reach under 25 cm, a travel under 25 cm and less than 0.2 lifts a minute as those values;
  wherever that is done the result says so, and nothing else is moved;
- where the method gives "no load" (reach, height, travel, angle or frequency beyond its ends) OutOfRange is raised;
- metric and US constants are two rounded sets: one task gives slightly different limits in them;
- not for one-handed, seated or kneeling lifts, restricted spaces, unstable loads, carrying, or over 8 hours.
"""

from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Literal, cast

from app.calc.bounds import above, plain, within
from app.calc.errors import Invalid, OutOfRange

Coupling = Literal["good", "fair", "poor"]

_SOURCE: Final = "niosh-94-110"
_COUPLINGS: Final = ("good", "fair", "poor")

FREQUENCIES: Final = (0.2, 0.5, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0, 11.0, 12.0, 13.0, 14.0, 15.0)

FREQUENCY_MULTIPLIERS: Final[dict[tuple[int, bool], tuple[float, ...]]] = {
    (1, False): (1.00, 0.97, 0.94, 0.91, 0.88, 0.84, 0.80, 0.75, 0.70, 0.60, 0.52, 0.45, 0.41, 0.37),
    (1, True): (1.00, 0.97, 0.94, 0.91, 0.88, 0.84, 0.80, 0.75, 0.70, 0.60, 0.52, 0.45, 0.41, 0.37, 0.34, 0.31, 0.28),
    (2, False): (0.95, 0.92, 0.88, 0.84, 0.79, 0.72, 0.60, 0.50, 0.42, 0.35, 0.30, 0.26),
    (2, True): (0.95, 0.92, 0.88, 0.84, 0.79, 0.72, 0.60, 0.50, 0.42, 0.35, 0.30, 0.26, 0.23, 0.21),
    (8, False): (0.85, 0.81, 0.75, 0.65, 0.55, 0.45, 0.35, 0.27, 0.22, 0.18),
    (8, True): (0.85, 0.81, 0.75, 0.65, 0.55, 0.45, 0.35, 0.27, 0.22, 0.18, 0.15, 0.13),
}
"""Table 5 by duration class (up to 1, 2, 8 h) and by hands at 75 cm (30 in) or higher; .00 rows are left out."""

COUPLING_MULTIPLIERS: Final[dict[Coupling, tuple[float, float]]] = {
    "good": (1.00, 1.00),
    "fair": (0.95, 1.00),
    "poor": (0.90, 0.90),
}
"""Table 7: hands below 75 cm (30 in), and at or above it."""


@dataclass(frozen=True, slots=True)
class _Constants:
    load: float
    reach: float
    reach_most: float
    knuckle: float
    height_slope: float
    height_most: float
    travel_term: float
    travel_least: float
    travel_most: float
    unit: str


METRIC: Final = _Constants(23.0, 25.0, 63.0, 75.0, 0.003, 175.0, 4.5, 25.0, 175.0, "cm")
US: Final = _Constants(51.0, 10.0, 25.0, 30.0, 0.0075, 70.0, 1.8, 10.0, 70.0, "in")


@dataclass(frozen=True, slots=True)
class Multipliers:
    """The six multipliers, each above 0 to 1, and the values that the method put in place of measured ones."""

    horizontal: float
    vertical: float
    distance: float
    asymmetry: float
    frequency: float
    coupling: float
    notes: tuple[str, ...]

    @property
    def product(self) -> float:
        """Share of the load constant that is left."""
        hands = self.horizontal * self.vertical * self.distance * self.asymmetry
        return hands * self.frequency * self.coupling


def metric_multipliers(
    *, h_cm: float, v_cm: float, d_cm: float, a_deg: float, freq_per_min: float, duration_h: float, coupling: Coupling
) -> Multipliers:
    """Multipliers from centimetres: reach H to 63, hand height V 0 to 175, travel D to 175, twist A 0 to 135°."""
    return _multipliers(METRIC, h_cm, v_cm, d_cm, a_deg, (freq_per_min, duration_h, coupling))


def us_multipliers(
    *, h_in: float, v_in: float, d_in: float, a_deg: float, freq_per_min: float, duration_h: float, coupling: Coupling
) -> Multipliers:
    """Multipliers from inches: reach H to 25, hand height V 0 to 70, travel D to 70, twist A 0 to 135°."""
    return _multipliers(US, h_in, v_in, d_in, a_deg, (freq_per_min, duration_h, coupling))


def weight_limit_kg(multipliers: Multipliers) -> float:
    """Recommended weight limit of metric multipliers, kg: 23 kg times their product."""
    return METRIC.load * multipliers.product


def weight_limit_lb(multipliers: Multipliers) -> float:
    """Recommended weight limit of US multipliers, lb: 51 lb times their product."""
    return US.load * multipliers.product


def lifting_index(*, load: float, limit: float) -> float:
    """Load over recommended limit, in one unit; the method's aim is 1.0 or less."""
    above(load, 0.0, 1000.0, name="Load")
    return load / above(limit, 0.0, METRIC.load + US.load, name="Recommended limit")


def adjusted_frequency(*, lifts_per_min: float, minutes_in_15: float) -> float:
    """Lifts per minute averaged over 15 minutes of which only a part (above 0 to 15) is spent lifting."""
    above(lifts_per_min, 0.0, 15.0, name="Lifts per minute", source_id=_SOURCE)
    return lifts_per_min * above(minutes_in_15, 0.0, 15.0, name="Minutes", unit="min", source_id=_SOURCE) / 15.0


def coupling_from_text(text: str) -> Coupling:
    """Read good, fair or poor; Invalid for anything else."""
    word = text.strip().lower()
    if word not in _COUPLINGS:
        raise Invalid(f"Coupling '{text[:40]}' is not known: use good, fair or poor, and the worse one when in doubt.")
    return cast("Coupling", word)


def _multipliers(
    c: _Constants, h: float, v: float, d: float, a_deg: float, pace: tuple[float, float, Coupling]
) -> Multipliers:
    freq_per_min, duration_h, coupling = pace
    above(h, 0.0, c.reach_most, name="Horizontal reach H", unit=c.unit, source_id=_SOURCE)
    within(v, 0.0, c.height_most, name="Hand height V", unit=c.unit, source_id=_SOURCE)
    within(d, 0.0, c.travel_most, name="Vertical travel D", unit=c.unit, source_id=_SOURCE)
    within(a_deg, 0.0, 135.0, name="Asymmetry angle A", unit="°", source_id=_SOURCE)
    high = v >= c.knuckle
    return Multipliers(
        horizontal=c.reach / max(h, c.reach),
        vertical=1.0 - c.height_slope * abs(v - c.knuckle),
        distance=min(1.0, 0.82 + c.travel_term / max(d, c.travel_least)),
        asymmetry=1.0 - 0.0032 * a_deg,
        frequency=frequency_multiplier(freq_per_min=freq_per_min, duration_h=duration_h, high=high),
        coupling=COUPLING_MULTIPLIERS[coupling][high],
        notes=tuple(_substitutes(c, h, d, freq_per_min)),
    )


def _substitutes(c: _Constants, h: float, d: float, freq_per_min: float) -> list[str]:
    """What the method counts as its least value; each is told."""
    measured = (("H", h, c.reach, c.unit), ("D", d, c.travel_least, c.unit), ("F", freq_per_min, 0.2, "lifts/min"))
    return [
        f"{symbol} {plain(value)} {unit} is counted as {plain(least)} {unit}, the least that the method knows."
        for symbol, value, least, unit in measured
        if value < least
    ]


def frequency_multiplier(*, freq_per_min: float, duration_h: float, high: bool) -> float:
    """Table 5, linear between rows as the manual has it; `high` is hands at 75 cm (30 in) or above.

    Durations above 0 to 8 h. OutOfRange above the last frequency that still allows a load.
    """
    above(duration_h, 0.0, 8.0, name="Lifting duration", unit="h", source_id=_SOURCE)
    duration_class = 1 if duration_h <= 1.0 else 2 if duration_h <= 2.0 else 8
    column = FREQUENCY_MULTIPLIERS[duration_class, high]
    most = FREQUENCIES[len(column) - 1]
    within(freq_per_min, 0.0, 15.0, name="Lifts per minute", source_id=_SOURCE)
    if freq_per_min > most:
        raise OutOfRange(
            f"{plain(freq_per_min)} lifts per minute allow no load for {plain(duration_h)} h at this height, where "
            f"the table ends at {plain(most)} (NIOSH 94-110, Table 5): lift less often or for a shorter time.",
        )
    return _between(freq_per_min, column)


def _between(freq_per_min: float, column: tuple[float, ...]) -> float:
    rows = list(zip(FREQUENCIES, column, strict=False))
    for (f1, m1), (f2, m2) in pairwise(rows):
        if f1 <= freq_per_min <= f2:
            return m1 + (m2 - m1) * (freq_per_min - f1) / (f2 - f1)
    return column[0]
