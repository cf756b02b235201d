"""Filter resistance brought to rated flow and reference viscosity.

Rules kept here:
- the flow through media is laminar, so resistance goes with flow and viscosity and *not* with density;
- far from rated flow, and with prefilters and frames in the path, a square term joins: then fit dP = a Q + b Q²;
- viscosity is referred to 70 °F (21.1 °C), which is said beside every result.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from app.calc.air import viscosity_pa_s
from app.calc.bounds import above, plain, within
from app.calc.constants import VISCOSITY_REFERENCE_C
from app.calc.errors import Invalid, OutOfRange

FLOW_BAND = 0.10
"""Readings farther than this share from rated flow are poor evidence (source capacity)."""


def at_rated_flow_pa(
    *,
    dp_pa: float,
    flow_m3_h: float,
    rated_m3_h: float,
    temp_c: float,
    reference_c: float = VISCOSITY_REFERENCE_C.value,
) -> float:
    """F1: dP (Q_rated/Q) (µ_ref/µ), Pa; Q in one unit, air at `temp_c` (-40 to 400 °C). Source laminar-media."""
    within(dp_pa, 0.0, 50_000.0, name="Resistance", unit="Pa")
    above(flow_m3_h, 0.0, 1e7, name="Flow", unit="m³/h")
    above(rated_m3_h, 0.0, 1e7, name="Rated flow", unit="m³/h")
    if not 0.1 <= flow_m3_h / rated_m3_h <= 10.0:
        raise OutOfRange(
            f"The flow {plain(flow_m3_h)} m³/h is less than a tenth or more than ten times the rated flow "
            f"{plain(rated_m3_h)} m³/h, so nothing can be said of the resistance there: check both."
        )
    thinner = viscosity_pa_s(temp_c=reference_c) / viscosity_pa_s(temp_c=temp_c)
    return dp_pa * rated_m3_h / flow_m3_h * thinner


def flow_caution(*, flow_m3_h: float, rated_m3_h: float) -> str | None:
    """A sentence where the flow is more than 10 % from rated, else None; such readings stay out of a trend."""
    off = flow_m3_h / above(rated_m3_h, 0.0, 1e7, name="Rated flow", unit="m³/h") - 1.0
    if abs(off) <= FLOW_BAND + 1e-12:
        return None
    return (
        f"The flow is {plain(round(100 * off, 2))} % from rated flow, where the linear law is less sure: "
        "read again within 10 % of rated flow, or fit dP = aQ + bQ² to several flows."
    )


_LEAST_SPREAD = 1.05


@dataclass(frozen=True, slots=True)
class ResistanceCurve:
    """dP = a Q + b Q², with a in Pa per (m³/h) and b in Pa per (m³/h)²."""

    a: float
    b: float

    def dp_pa(self, *, flow_m3_h: float) -> float:
        """Resistance at a flow, Pa."""
        within(flow_m3_h, 0.0, 1e7, name="Flow", unit="m³/h")
        return self.a * flow_m3_h + self.b * flow_m3_h**2


def fit_curve(*, flows_m3_h: Sequence[float], dp_pa: Sequence[float]) -> ResistanceCurve:
    """Least-squares a and b of dP = a Q + b Q² through the origin, from two or more different flows.

    Raises Invalid for unequal lists and OutOfRange where the flows do not differ or the fit turns negative.
    """
    if len(flows_m3_h) != len(dp_pa):
        raise Invalid(f"{len(flows_m3_h)} flows were given for {len(dp_pa)} resistances: give them in pairs.")
    for flow, dp in zip(flows_m3_h, dp_pa, strict=True):
        above(flow, 0.0, 1e7, name="Flow", unit="m³/h")
        within(dp, 0.0, 50_000.0, name="Resistance", unit="Pa")
    if not flows_m3_h or max(flows_m3_h) < _LEAST_SPREAD * min(flows_m3_h):
        raise OutOfRange(
            "The flows lie within 5 % of one another and cannot tell the linear term from the square one: "
            "give resistances at two flows or more that differ clearly.",
        )
    return _solve(flows_m3_h, dp_pa)


def _solve(flows: Sequence[float], dp: Sequence[float]) -> ResistanceCurve:
    """Normal equations in Q/Q_max, so that the squares stay of one size."""
    top = max(flows)
    x = [flow / top for flow in flows]
    s2, s3, s4 = (math.fsum(v**power for v in x) for power in (2, 3, 4))
    r1, r2 = (math.fsum(v**power * p for v, p in zip(x, dp, strict=True)) for power in (1, 2))
    determinant = s2 * s4 - s3 * s3
    a, b = (r1 * s4 - r2 * s3) / determinant, (s2 * r2 - s3 * r1) / determinant
    if a < -1e-9 * abs(b) or b < -1e-9 * abs(a):
        raise OutOfRange("The fitted curve has a negative term, which no filter has: check flows and resistances.")
    return ResistanceCurve(a / top, b / top**2)
