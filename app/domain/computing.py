"""What steps compute from the readings entered at them: one function for each method, from inputs and limit alone.

`verify` calls the same functions again on the inputs that the record keeps; so whatever enters a result (an
instrument's floor, a site value, the day) is among its inputs.  Judged exactly and unrounded; a value is kept to six
significant digits.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from fractions import Fraction
from types import MappingProxyType

from app.calc import airflow, counting, housing_leak, leak_test, life, resistance
from app.calc.errors import Invalid, OutOfRange
from app.calc.exact import Limit, exact, meets
from app.calc.sources import shown as sources_shown
from app.domain.event_base import Result
from app.domain.fitting import Fitness
from app.domain.housing import BankDesign, SiteLimit
from app.domain.instruments import Instrument, InstrumentKind

STEADY_PCT = "100"
"""Bound on a change of upstream where the site gives none; what exceeds it is told as this program's own."""
DIGITS, TOLD = 6, 4
"""Significant digits of a value as kept, and of what is told in words of a value that is uncertain anyway."""
TEMP_WHEN_NOT_READ = "21.1"
"""70 °F, the temperature to which resistances are brought: without a reading nothing is corrected for it."""


@dataclass(frozen=True, slots=True)
class Setting:
    """What evidence is judged with: the day at the site, the register of instruments, and what was stated before.

    stated: step and question to the answer that stands there, for verifications that state it anew.  neighbours: tags
    near the housing that are not meant.  fitness: what tells whether the filter that the step reads may go in.
    """

    on: date
    instruments: Mapping[str, Instrument] = field(default_factory=lambda: MappingProxyType({}))
    stated: Mapping[tuple[str, str], str] = field(default_factory=lambda: MappingProxyType({}))
    neighbours: Sequence[str] = ()
    fitness: Fitness | None = None


Inputs = Mapping[str, str]
_Found = dict[str, str | None]


def inputs_for(
    computes: str, given: Inputs, used: Sequence[Instrument], *, design: BankDesign, on: date
) -> dict[str, str] | None:
    """Return the inputs of a step's computation, or None where the site has not given what it needs.

    given: the answers as typed.  used: the instruments named at the step.  design: the bank's site values.
    """
    instrument = used[0] if used else _NONE
    match computes:
        case "leak_test":
            found: _Found = {name: given.get(name.replace("_", "-")) for name in _LEAK_READINGS}
            found["floor"] = given.get("floor") or instrument.floor_fraction
            found["full_scale"] = instrument.full_scale
            found["u_pct"] = instrument.u_pct
            found["drift_limit_pct"] = design.drift_limit_pct
        case "capacity":
            found = {"flow_m3_h": given.get("flow"), "design_m3_h": design.design_flow_m3_h}
        case "resistance_at_rated":
            flow, temp = given.get("flow"), given.get("temperature") or TEMP_WHEN_NOT_READ
            rated = design.rated_flow_m3_h
            found = {"dp_pa": given.get("drop"), "flow_m3_h": flow, "rated_m3_h": rated, "temp_c": temp}
        case "filter_age":
            years = str(design.life_years or life.FILTER_LIFE_YEARS)
            found = {"made_on": given.get("made"), "on": on.isoformat(), "life_years": years}
            found["life_from"] = "site value" if design.life_years else "age-study"
        case "smear":
            found = {name: given.get(name.replace("_", "-")) for name in _COUNTS}
            found["efficiency"] = given.get("efficiency") or instrument.efficiency
        case "pressure_decay":
            found = {name: given.get(name.replace("_", "-")) for name in _DECAY}
        case "uniformity":
            found = {"readings": given.get("readings")}
        case _:
            raise ValueError(f"{computes} is not a computation")
    optional = _OPTIONAL if computes == "leak_test" else frozenset[str]()
    if any(value is None for name, value in found.items() if name not in optional):
        return None
    return {name: value for name, value in found.items() if value is not None}


_NONE = Instrument(
    id="none", kind=InstrumentKind.MANOMETER, description="no instrument", calibrated_on=date.min, due=date.min
)
_LEAK_READINGS = ("upstream", "upstream_after", "downstream", "background", "dilution")
_OPTIONAL = frozenset({"upstream_after", "dilution", "floor", "full_scale", "u_pct", "drift_limit_pct"})
_DECAY = (
    "volume", "baro_start", "gauge_start", "temp_start", "minutes", "baro_end", "gauge_end", "temp_end",
)  # fmt: skip
_COUNTS = ("gross", "minutes", "background", "background_minutes")


def compute(method: str, inputs: Inputs, limit: SiteLimit | None) -> Result:
    """Compute and judge; the same inputs and limit give the same result for ever.

    Raises Invalid for an unknown method, KeyError for a missing input, OutOfRange where the readings give no result.
    """
    found = METHODS.get(method)
    if found is None:
        raise Invalid(f"This version knows no method {method!r}. Verify the record with the version that made it.")
    return found(inputs, limit)


# --- leak test ----------------------------------------------------------------------------------


def _leak_test(inputs: Inputs, limit: SiteLimit | None) -> Result:
    """Penetration of a bank in place, with what is known of its uncertainty (calc.leak_test)."""
    upstream, drift = _upstream(inputs)
    found = leak_test.penetration(
        upstream=upstream,
        downstream=inputs["downstream"],
        background=inputs["background"],
        dilution_ratio=inputs.get("dilution", 1),
        floor_fraction=inputs.get("floor"),
        full_scale=inputs.get("full_scale"),
    )
    judged = leak_test.judge(found, _upper(limit)) if limit is not None and limit.high is not None else None
    spread, bound = _spread(inputs, upstream, found.upper_pct)
    notes = [*drift]
    if found.measured_pct < 0:
        notes.append("Downstream reads below its background: look at the instrument's zero and the sample line.")
    if judged and judged.passed and bound is not None and limit and not meets(bound, _upper(limit)):
        notes.append("Within its limit by less than its uncertainty: tell the safety officer.")
    return _result(
        "leak_test/1", inputs, value=found.upper_pct, unit="pct", limit=limit,
        shown=f"{'below ' if found.below_floor else ''}{significant(found.upper_pct)} %",
        within=judged.passed if judged else None, uncertainty=spread,
        source=sources_shown("penetration", "background", "photometer"), notes=notes,
    )  # fmt: skip


def _upstream(inputs: Inputs) -> tuple[Fraction, list[str]]:
    """The lower of two upstream readings, which gives the higher penetration, and what is to be said of their drift."""
    before = exact(inputs["upstream"], name="Upstream")
    if "upstream_after" not in inputs:
        return before, []
    after = exact(inputs["upstream_after"], name="Upstream after")
    if before > 0 and abs(after - before) > before:
        raise OutOfRange(
            f"Upstream went from {inputs['upstream']} to {inputs['upstream_after']}, more than doubled (this program's "
            "bound on a steady challenge; common practice, no source): steady the generator and test again."
        )
    pair = leak_test.upstream_before_and_after(
        before=before, after=after, drift_limit_pct=inputs.get("drift_limit_pct", STEADY_PCT)
    )
    return pair.lower, [f"Upstream changed by {significant(pair.drift_pct)} % during the test; the lower one is used."]


def _spread(inputs: Inputs, upstream: Fraction, least_pct: Fraction) -> tuple[str | None, Fraction | None]:
    """What is known of the uncertainty, and its upper bound: never less than what is told as the result."""
    if "u_pct" not in inputs:
        return None, None
    share = float(exact(inputs["u_pct"], name="Uncertainty")) / 100.0
    up = float(upstream * exact(inputs.get("dilution", "1"), name="Dilution ratio"))
    down, zero = (float(exact(inputs[name], name=name)) for name in ("downstream", "background"))
    found = leak_test.uncertainty(
        upstream=up, downstream=down, background=zero,
        u_upstream=share * up, u_downstream=share * down, u_background=share * zero,
    )  # fmt: skip
    bound = max(Fraction(significant(Fraction(found.upper_bound_pct))), least_pct)
    u, most = significant(Fraction(found.u_pct), TOLD), significant(bound, TOLD)
    told = (
        f"standard uncertainty {u} %, 95 % upper bound {most} % (instrument only: {inputs['u_pct']} % of each reading)"
    )
    return told, bound


# --- flow, resistance, age, smear ----------------------------------------------------------------


def _capacity(inputs: Inputs, limit: SiteLimit | None) -> Result:
    """Measured flow against design flow (calc.airflow.capacity), % above or below."""
    deviation = airflow.capacity(measured=inputs["flow_m3_h"], design=inputs["design_m3_h"]).deviation_pct
    apart = f"{'+' if deviation > 0 else ''}{significant(deviation, 3)} % from design flow {inputs['design_m3_h']} m³/h"
    return _result(
        "capacity/1", inputs, value=deviation, unit="pct", limit=limit,
        shown=f"{inputs['flow_m3_h']} m³/h, {apart}",
        within=_lies_within(deviation, limit), source=sources_shown("capacity"),
    )  # fmt: skip


def _resistance(inputs: Inputs, limit: SiteLimit | None) -> Result:
    """Resistance brought to rated flow and the viscosity of 21.1 °C (calc.resistance)."""
    drop, flow, rated, temp = (
        float(exact(inputs[name], name=name)) for name in ("dp_pa", "flow_m3_h", "rated_m3_h", "temp_c")
    )
    found = Fraction(
        significant(Fraction(resistance.at_rated_flow_pa(dp_pa=drop, flow_m3_h=flow, rated_m3_h=rated, temp_c=temp)))
    )
    caution = resistance.flow_caution(flow_m3_h=flow, rated_m3_h=rated)
    return _result(
        "resistance_at_rated/1", inputs, value=found, unit="Pa", limit=limit,
        shown=f"{significant(found, TOLD)} Pa at {inputs['rated_m3_h']} m³/h and 21.1 °C",
        within=_lies_within(found, limit), source=sources_shown("laminar-media", "sutherland"),
        notes=[caution] if caution else [],
    )  # fmt: skip


def _filter_age(inputs: Inputs, limit: SiteLimit | None) -> Result:
    """Whether a filter may still be fitted: its age counts from its making, storage included (calc.life)."""
    made, on = date.fromisoformat(inputs["made_on"]), date.fromisoformat(inputs["on"])
    due = life.expiry(manufactured=made, on=on, life_years=int(inputs["life_years"]))
    site = inputs["life_from"] == "site value"
    source = "site value" if site else sources_shown("age-study")
    return Result(
        method="filter_age/1", inputs=dict(inputs), value=due.on.isoformat(), unit="date",
        shown=f"its {due.reason} runs out on {due.on.isoformat()}",
        limit=inputs["on"], op=">", basis=limit.basis if limit else source, within=due.on > on, source=source,
    )  # fmt: skip


def _smear(inputs: Inputs, limit: SiteLimit | None) -> Result:
    """Removable activity from counts, with its uncertainty and what could have been detected (calc.counting)."""
    gross, zero = (_whole(inputs[name], name) for name in ("gross", "background"))
    minutes, zero_minutes, efficiency = (
        exact(inputs[name], name=name.replace("_", " ")) for name in ("minutes", "background_minutes", "efficiency")
    )
    net = counting.net_activity_dpm(
        gross=gross, minutes=minutes, background=zero, background_minutes=zero_minutes, efficiency=efficiency,
        area_cm2=Fraction(counting.SMEAR_AREA_CM2),
    )  # fmt: skip
    found = counting.smear(
        gross=gross, minutes=float(minutes), background=zero, background_minutes=float(zero_minutes),
        efficiency=float(efficiency),
    )  # fmt: skip
    detectable = Fraction(significant(Fraction(found.mda_dpm)))
    if limit is not None and limit.high is not None and not meets(detectable, _upper(limit)):
        raise OutOfRange(
            f"This counting could detect no less than {significant(detectable)} dpm/100 cm², which does not itself "
            f"meet the limit {limit.op} {limit.high}: count longer and enter the counts again."
        )
    return _result(
        "smear/1", inputs, value=max(net, Fraction(0)), unit="dpm/100cm2", limit=limit,
        shown=f"{significant(net, TOLD)} dpm/100 cm²" if found.detected
        else f"not detected (detectable from {significant(detectable, TOLD)} dpm/100 cm²)",
        within=_lies_within(net, limit),
        uncertainty=f"standard uncertainty {significant(Fraction(found.u_dpm), TOLD)} dpm/100 cm² (counting only)",
        source=sources_shown("poisson", "unequal-times"),
    )  # fmt: skip


def _whole(text: str, name: str) -> int:
    value = exact(text, name=name)
    if value.denominator != 1:
        raise Invalid(f"The {name} count is {text}; counts are whole numbers. Enter what the counter shows.")
    return int(value)


def _pressure_decay(inputs: Inputs, limit: SiteLimit | None) -> Result:
    """Leak rate of the closed housing from its fall of pressure, both barometers counted (calc.housing_leak)."""
    number = {name: float(exact(inputs[name], name=name.replace("_", " "))) for name in _DECAY}
    start, end = (
        housing_leak.GasState(
            gauge_pa=number[f"gauge_{when}"], barometer_pa=number[f"baro_{when}"], temp_c=number[f"temp_{when}"]
        )
        for when in ("start", "end")
    )
    leak = housing_leak.pressure_decay(volume_m3=number["volume"], start=start, end=end, minutes=number["minutes"])
    found = Fraction(significant(Fraction(leak.pct_min)))
    litres = significant(Fraction(leak.l_min), TOLD)
    return _result(
        "pressure_decay/1", inputs, value=found, unit="pct/min", limit=limit,
        shown=f"{significant(found, TOLD)} % of the volume a minute ({litres} l/min of standard air), {leak.direction}",
        within=_lies_within(found, limit), source=sources_shown("ideal-gas", "standard-air", "decay-method"),
    )  # fmt: skip


def _uniformity(inputs: Inputs, limit: SiteLimit | None) -> Result:
    """The reading farthest from the average of all, in % of that average (calc.airflow.uniformity)."""
    found = airflow.uniformity(readings=inputs["readings"].replace(";", " ").split())
    farthest = max(found.max_deviation_pct, -found.min_deviation_pct)
    highest, lowest = significant(found.max_deviation_pct, TOLD), significant(found.min_deviation_pct, TOLD)
    return _result(
        "uniformity/1", inputs, value=farthest, unit="pct", limit=limit,
        shown=f"+{highest} % and {lowest} % from the average {significant(found.mean, TOLD)}",
        within=_lies_within(farthest, limit), source=sources_shown("algebra"),
    )  # fmt: skip


METHODS: Mapping[str, Callable[[Inputs, SiteLimit | None], Result]] = MappingProxyType({
    "leak_test/1": _leak_test,
    "capacity/1": _capacity,
    "resistance_at_rated/1": _resistance,
    "filter_age/1": _filter_age,
    "smear/1": _smear,
    "pressure_decay/1": _pressure_decay,
    "uniformity/1": _uniformity,
})  # fmt: skip


# --- judging ------------------------------------------------------------------------------------


def _result(
    method: str, inputs: Inputs, *, value: Fraction, unit: str, limit: SiteLimit | None, shown: str,
    within: bool | None, source: str, uncertainty: str | None = None, notes: Sequence[str] = (),
) -> Result:  # fmt: skip
    upper = limit.high if limit else None
    margin = significant(exact(upper, name="The upper limit") - abs(value)) if upper is not None else None
    return Result(
        method=method, inputs=dict(inputs), value=significant(value), unit=unit, shown=shown,
        limit=upper, op=limit.op if limit else None, basis=limit.basis if limit else None, within=within,
        margin=margin, uncertainty=uncertainty, source=source, notes=tuple(notes) or None,
    )  # fmt: skip


def _upper(limit: SiteLimit | None) -> Limit:
    assert limit is not None
    return Limit(exact(limit.high or "", name="The upper limit"), limit.op, limit.basis)


def _lies_within(value: Fraction, limit: SiteLimit | None) -> bool | None:
    return None if limit is None else lies_within(value, limit)


def lies_within(value: Fraction, limit: SiteLimit) -> bool:
    """Whether a value lies within a limit, compared exactly; the lower end belongs to it, the upper as `op` says."""
    low_ok = limit.low is None or value >= exact(limit.low, name="The lower limit")
    return low_ok and (limit.high is None or meets(value, _upper(limit)))


def significant(value: Fraction, digits: int = DIGITS) -> str:
    """Write a fraction in plain decimals with so many significant digits, trailing zeros dropped."""
    if value == 0:
        return "0"
    size, exponent = abs(value), 0
    while size >= 10:
        size, exponent = size / 10, exponent + 1
    while size < 1:
        size, exponent = size * 10, exponent - 1
    places = max(digits - 1 - exponent, 0)
    scaled = round(value * 10**places)
    written = str(abs(scaled)).rjust(places + 1, "0")
    whole, part = (written[:-places], written[-places:].rstrip("0")) if places else (written, "")
    return f"{'-' if scaled < 0 else ''}{whole}{'.' + part if part else ''}"
