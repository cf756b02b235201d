"""In-place aerosol leak test of a filter bank: penetration, floor, judgement, uncertainty.

Rules kept here:
- readings come as typed and stay exact, so a limit of "< 0.05 %" is not met by 0.0500 % and "<= 0.05 %" is;
- a result under the photometer's floor is "less than the floor", never zero and never negative;
- a result below the factory's 0.03 % is not an efficiency certificate: the two tests use different aerosols;
- the limit is judged on the value; the uncertainty is a caution beside it.

Symbols of the trade: upstream, downstream and background readings in one unit (µg/L, mg/m³ or % of upstream).
"""

import math
from dataclasses import dataclass
from fractions import Fraction

from app.calc.bounds import above, plain, within
from app.calc.constants import COVERAGE_ONE_SIDED, LASKIN_UG_L_CFM
from app.calc.errors import OutOfRange
from app.calc.exact import Limit, Reading, exact, meets

_HIGHEST = 1e9
"""Bound on any reading, in whatever unit the photometer has: more is a slip of typing."""


@dataclass(frozen=True, slots=True)
class Penetration:
    """Result of one attempt, % of upstream, exact.

    `measured_pct` may be zero or negative and then only means "below the floor"; show `shown`, not it.
    """

    measured_pct: Fraction
    floor_pct: Fraction | None

    @property
    def below_floor(self) -> bool:
        """Whether the photometer could not resolve the result."""
        return self.floor_pct is not None and self.measured_pct < self.floor_pct

    @property
    def upper_pct(self) -> Fraction:
        """The value, or the floor where the value lies below it: always more than zero."""
        if self.floor_pct is None:
            return self.measured_pct
        return max(self.measured_pct, self.floor_pct)

    @property
    def efficiency_pct(self) -> Fraction:
        """100 - penetration (L2); at least this much when below the floor."""
        return 100 - self.upper_pct

    @property
    def decontamination_factor(self) -> Fraction:
        """100 / penetration (L2); at least this much when below the floor."""
        return 100 / self.upper_pct

    @property
    def shown(self) -> str:
        """The result in words for a record, such as `0.03 %` or `< 0.001 %`."""
        return f"{'< ' if self.below_floor else ''}{plain(self.upper_pct)} %"


@dataclass(frozen=True, slots=True)
class Judgement:
    """A penetration against its limit; `margin_pct` = limit - value, negative when the limit is exceeded."""

    penetration: Penetration
    limit: Limit
    passed: bool
    margin_pct: Fraction


@dataclass(frozen=True, slots=True)
class Flows:
    """Flow at the upstream and downstream sample points, in one unit (L5: clean air joins between them)."""

    upstream: Reading
    downstream: Reading


def penetration(
    *,
    upstream: Reading,
    downstream: Reading,
    background: Reading,
    dilution_ratio: Reading = 1,
    floor_fraction: Reading | None = None,
    full_scale: Reading | None = None,
    flows: Flows | None = None,
) -> Penetration:
    """Penetration P = 100 (C_dn - C_bg) / C_up, exact (L1, L5, L6, L11).

    The upstream reading is multiplied by the diluter's ratio (1 to 1e6); `floor_fraction` (above 0, below 1) is the
    smallest share of upstream that the photometer resolves; a reading at `full_scale` or above is saturated.
    Raises OutOfRange where no penetration follows from the readings. Sources penetration, background, photometer.
    """
    up, down, zero = (
        _reading(reading, name, full_scale)
        for reading, name in ((upstream, "Upstream"), (downstream, "Downstream"), (background, "Background"))
    )
    challenge = up * within(exact(dilution_ratio, name="Dilution ratio"), 1, 1e6, name="Dilution ratio")
    _plausible(challenge, down)
    raw_pct = 100 * (down - zero) / challenge * _flow_ratio(flows)
    return _with_floor(raw_pct, _floor_pct(floor_fraction))


def _reading(reading: Reading, name: str, full_scale: Reading | None) -> Fraction:
    value = within(exact(reading, name=f"{name} reading"), 0, _HIGHEST, name=f"{name} reading")
    if full_scale is not None and value >= exact(full_scale, name="Full scale"):
        raise OutOfRange(
            f"{name} reading {plain(value)} is at the instrument's full scale, so it is saturated: "
            "change the range or dilute the sample and read again.",
        )
    return value


def _plausible(challenge: Fraction, downstream: Fraction) -> None:
    if challenge <= 0:
        raise OutOfRange(
            "Upstream reading 0 gives no penetration, which is a share of upstream: "
            "check the generator and the upstream sample line, and read again.",
        )
    if downstream > challenge:
        raise OutOfRange(
            f"Downstream {plain(downstream)} is above upstream {plain(challenge)}, more than comes in can not go out: "
            "check that the sample lines or the two readings are not exchanged.",
        )


def _flow_ratio(flows: Flows | None) -> Fraction:
    if flows is None:
        return Fraction(1)
    up = above(exact(flows.upstream, name="Upstream flow"), 0, _HIGHEST, name="Upstream flow")
    down = above(exact(flows.downstream, name="Downstream flow"), 0, _HIGHEST, name="Downstream flow")
    if down < up:
        raise OutOfRange(
            f"Downstream flow {plain(down)} is less than upstream flow {plain(up)} where air joins between them: "
            "check that the two flows are not exchanged.",
        )
    return down / up


def _floor_pct(floor_fraction: Reading | None) -> Fraction | None:
    if floor_fraction is None:
        return None
    floor = exact(floor_fraction, name="Floor fraction")
    if not 0 < floor < 1:
        raise OutOfRange(
            f"Floor fraction {plain(floor)} must lie between 0 and 1, as the smallest share of upstream that the "
            "photometer resolves: give a fraction, such as 1e-5, and not a percentage.",
        )
    return 100 * floor


def _with_floor(raw_pct: Fraction, floor_pct: Fraction | None) -> Penetration:
    if floor_pct is None and raw_pct <= 0:
        raise OutOfRange(
            "Downstream is not above background, so the result can only be given as less than the photometer's floor: "
            "give the floor (the smallest fraction of upstream that the photometer resolves).",
        )
    return Penetration(raw_pct, floor_pct)


def judge(result: Penetration, limit: Limit) -> Judgement:
    """Compare with the limit, exactly and unrounded.

    A result below the floor passes only where the floor itself meets the limit; else the photometer cannot show it
    and OutOfRange is raised.
    """
    above(limit.value, 0, 100, name="Limit", unit="%", source_id="algebra")
    passed = meets(result.upper_pct, limit)
    if result.below_floor and not passed:
        raise OutOfRange(
            f"The photometer's floor of {plain(result.upper_pct)} % does not itself meet the limit "
            f"{limit.operator} {plain(limit.value)} %, so this instrument cannot show a pass: use a finer one.",
        )
    return Judgement(result, limit, passed, limit.value - result.upper_pct)


@dataclass(frozen=True, slots=True)
class Upstream:
    """Upstream before and after a test: the lower of the two, which gives the higher penetration, and the drift."""

    lower: Fraction
    drift_pct: Fraction


def upstream_before_and_after(*, before: Reading, after: Reading, drift_limit_pct: Reading) -> Upstream:
    """Bring two upstream readings together; drift is 100 (after - before) / before, the limit is a site value.

    Raises OutOfRange where the drift is more than the limit: the challenge was not steady, so test again.
    """
    first = above(exact(before, name="Upstream before"), 0, _HIGHEST, name="Upstream before")
    last = above(exact(after, name="Upstream after"), 0, _HIGHEST, name="Upstream after")
    allowed = exact(drift_limit_pct, name="Drift limit")
    drift = 100 * (last - first) / first
    if abs(drift) > allowed:
        raise OutOfRange(
            f"Upstream went from {plain(first)} to {plain(last)}, a drift of {plain(drift)} % where the site allows "
            f"{plain(allowed)} %: steady the generator and test again.",
        )
    return Upstream(min(first, last), drift)


@dataclass(frozen=True, slots=True)
class Uncertainty:
    """Standard uncertainty of a penetration and its one-sided 95 % upper bound, both in %."""

    u_pct: float
    upper_bound_pct: float


def uncertainty(
    *,
    upstream: float,
    downstream: float,
    background: float,
    u_upstream: float,
    u_downstream: float,
    u_background: float,
) -> Uncertainty:
    """L10: u(P)/P = sqrt((u_dn² + u_bg²)/(C_dn - C_bg)² + (u_up/C_up)²); all readings in one unit, all u >= 0.

    Written as absolute uncertainty, so that a net reading of zero is no special case. Source uncertainty.
    """
    above(upstream, 0.0, _HIGHEST, name="Upstream reading")
    for name, u in (("upstream", u_upstream), ("downstream", u_downstream), ("background", u_background)):
        within(u, 0.0, _HIGHEST, name=f"Uncertainty of the {name} reading")
    net = downstream - background
    spread = math.hypot(u_downstream, u_background, net * u_upstream / upstream)
    u_pct = 100.0 * spread / upstream
    return Uncertainty(u_pct, 100.0 * net / upstream + COVERAGE_ONE_SIDED.value * u_pct)


def bypass_flow(*, penetration_pct: float, flow: float) -> float:
    """L7: the flow that a leak of this size lets by, in the unit of `flow`."""
    within(penetration_pct, 0.0, 100.0, name="Penetration", unit="%", source_id="algebra")
    return penetration_pct / 100.0 * above(flow, 0.0, _HIGHEST, name="Flow")


def hole_diameter_mm(*, flow_m3_s: float, dp_pa: float, density_kg_m3: float, discharge: float) -> float:
    """Diameter in mm of one round hole with this flow, Q = Cd A sqrt(2 dP / density); `discharge` 0 to 1."""
    above(flow_m3_s, 0.0, 100.0, name="Bypass flow", unit="m³/s")
    above(dp_pa, 0.0, 50_000.0, name="Pressure difference", unit="Pa")
    above(density_kg_m3, 0.3, 3.0, name="Air density", unit="kg/m³")
    above(discharge, 0.0, 1.0, name="Discharge coefficient", source_id="orifice")
    area_m2 = flow_m3_s / (discharge * math.sqrt(2.0 * dp_pa / density_kg_m3))
    return 1000.0 * math.sqrt(4.0 * area_m2 / math.pi)


def leak_share_ratio(*, flow_fraction: float) -> float:
    """L8: how much larger a leak's share is at a fraction (0 to 1) of the flow, 1/sqrt(fraction); sqrt(5) at 20 %."""
    return 1.0 / math.sqrt(above(flow_fraction, 0.0, 1.0, name="Fraction of flow", source_id="algebra"))


def laskin_upstream_ug_l(*, nozzles: int, flow_cfm: float) -> float:
    """L9: upstream concentration to plan with, µg/L (source laskin, from memory: never a requirement)."""
    within(float(nozzles), 1.0, 100.0, name="Number of nozzles")
    return LASKIN_UG_L_CFM.value * nozzles / above(flow_cfm, 0.0, 1e6, name="Flow", unit="ft³/min")
