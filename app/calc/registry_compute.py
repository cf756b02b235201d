"""From pairs that were read to result keys, one function for each named calculation.

Rules kept here: a default is never silent but added to the inputs that are told; limits are compared unrounded, and
exactly where the readings allow it.
"""

from dataclasses import dataclass, field
from fractions import Fraction

from app.calc import (
    air,
    airflow,
    banks,
    counting,
    forecast,
    housing_leak,
    leak_test,
    lifting,
    resistance,
    traverse,
    waste,
)
from app.calc.errors import Invalid
from app.calc.exact import Limit, meets, operator_from_text
from app.calc.registry_keys import Given

Value = float | int | bool | str | None | tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a calculation gives: result keys, judgement (None without a limit), remarks, defaults that were used."""

    result: dict[str, Value]
    passed: bool | None = None
    notes: tuple[str, ...] = ()
    defaults: dict[str, str] = field(default_factory=dict)


def _given_limit(given: Given) -> tuple[Limit | None, dict[str, str]]:
    """The limit that was typed, if any; without an operator the stricter one is used and told."""
    typed = given.texts.get("limit_op")
    if "limit_pct" not in given.numbers:
        if typed is not None:
            raise Invalid("limit_op was given without limit_pct: give the limit as well.")
        return None, {}
    limit = Limit(given.numbers["limit_pct"], operator_from_text(typed or "<"), "site value")
    return limit, {} if typed else {"limit_op": "<"}


def compute_leak_test(given: Given) -> Outcome:
    """Penetration from three readings, judged when a limit was typed; see `leak_test.penetration`."""
    limit, defaults = _given_limit(given)
    found = leak_test.penetration(
        upstream=given.numbers["upstream"],
        downstream=given.numbers["downstream"],
        background=given.numbers["background"],
        dilution_ratio=given.numbers.get("dilution", 1),
        floor_fraction=given.numbers.get("floor_fraction"),
    )
    passed = leak_test.judge(found, limit).passed if limit else None
    result: dict[str, Value] = {
        "penetration_pct": float(found.upper_pct),
        "efficiency_pct": float(found.efficiency_pct),
        "df": float(found.decontamination_factor),
        "below_floor": found.below_floor,
        "passed": passed,
    }
    return Outcome(result, passed, _floor_notes(found), defaults)


def _floor_notes(found: leak_test.Penetration) -> tuple[str, ...]:
    if not found.below_floor:
        return ()
    told = (
        f"Record {found.shown}: the result is under the photometer's floor, so the penetration is at most, and "
        "efficiency and decontamination factor are at least, the values given."
    )
    return (told,)


def compute_series_banks(given: Given) -> Outcome:
    """The product of penetrations; see `banks.in_series`."""
    found = banks.in_series(given.lists["penetrations_pct"])
    result: dict[str, Value] = {
        "penetration_pct": float(found.penetration_pct),
        "df": float(found.decontamination_factor),
    }
    return Outcome(result, notes=("This is a calculated credit: each bank is tested by itself.",))


def compute_parallel_filters(given: Given) -> Outcome:
    """The flow-weighted mean, with the worst filter told beside it; see `banks.in_parallel_pct`."""
    bank = banks.in_parallel_pct(penetrations_pct=given.lists["penetrations_pct"], flows=given.lists["flows"])
    worst = max(given.lists["penetrations_pct"])
    note = f"The worst filter has {float(worst):.6g} %: a mixed sample hides it behind its neighbours."
    return Outcome({"penetration_pct": float(bank)}, notes=(note,))


def compute_pressure_decay(given: Given) -> Outcome:
    """Leak rate from two gas states; see `housing_leak.pressure_decay`."""
    start, end = (
        housing_leak.GasState(
            gauge_pa=given.real(f"gauge{moment}_pa"),
            barometer_pa=given.real(f"baro{moment}_pa"),
            temp_c=given.real(f"temp{moment}_c"),
        )
        for moment in (1, 2)
    )
    leak = housing_leak.pressure_decay(
        volume_m3=given.real("volume_m3"),
        start=start,
        end=end,
        minutes=given.real("minutes"),
    )
    result: dict[str, Value] = {"leak_m3_s": leak.m3_s, "leak_l_min": leak.l_min, "leak_pct_min": leak.pct_min}
    allowed = given.numbers.get("limit_pct_min")
    passed = None if allowed is None else leak.pct_min <= float(allowed)
    return Outcome(result, passed, (f"Magnitude; direction {leak.direction}, in standard volume.",))


def compute_velocity(given: Given) -> Outcome:
    """Velocity from velocity pressure; see `airflow.velocity_m_s`."""
    pressure = given.real("pressure_pa")
    velocity = airflow.velocity_m_s(pressure_pa=pressure, density_kg_m3=given.real("density_kg_m3"))
    caution = airflow.pitot_caution(pressure_pa=pressure)
    return Outcome({"velocity_m_s": velocity}, notes=(caution,) if caution else ())


def compute_air_density(given: Given) -> Outcome:
    """Density of an ideal mixture; see `air.density_kg_m3`."""
    density = air.density_kg_m3(
        temp_c=given.real("temp_c"),
        pressure_pa=given.real("pressure_pa"),
        rh_pct=given.real("rh_pct"),
    )
    return Outcome({"density_kg_m3": density})


def compute_traverse_points(given: Given) -> Outcome:
    """Positions of a scheme; see `traverse.positions`."""
    scheme = traverse.scheme_from_text(given.texts["method"])
    return Outcome({"positions": traverse.positions(scheme=scheme, points=given.counts["points"])})


def compute_uniformity(given: Given) -> Outcome:
    """Evenness about the average; see `airflow.uniformity`."""
    band = given.numbers.get("limit_pct", airflow.DISTRIBUTION_BAND_PCT)
    found = airflow.uniformity(readings=given.lists["readings"], band_pct=band)
    result: dict[str, Value] = {
        "mean": float(found.mean),
        "max_dev_pct": float(found.max_deviation_pct),
        "min_dev_pct": float(found.min_deviation_pct),
        "passed": found.passed,
    }
    return Outcome(result, found.passed, defaults={} if "limit_pct" in given.numbers else {"limit_pct": "20"})


def compute_resistance_at_rated(given: Given) -> Outcome:
    """Resistance at rated flow; see `resistance.at_rated_flow_pa`."""
    flow, rated = given.real("flow_m3_h"), given.real("rated_m3_h")
    found = resistance.at_rated_flow_pa(
        dp_pa=given.real("dp_pa"),
        flow_m3_h=flow,
        rated_m3_h=rated,
        temp_c=given.real("temp_c"),
    )
    caution = resistance.flow_caution(flow_m3_h=flow, rated_m3_h=rated)
    allowed = given.numbers.get("limit_pa")
    passed = None if allowed is None else found <= float(allowed)
    return Outcome({"dp_rated_pa": found}, passed, (caution,) if caution else ())


def compute_dp_trend(given: Given) -> Outcome:
    """Trend and due window; see `forecast.forecast`. The limit is met while the last reading is below it."""
    typed = given.texts.get("method")
    found = forecast.forecast(
        days=given.reals("days"),
        dp_pa=given.reals("dp_pa"),
        limit_pa=given.real("limit_pa"),
        method=forecast.method_from_text(typed or "least-squares"),
    )
    result: dict[str, Value] = {
        "slope_per_day": found.slope_per_day,
        "due_day": found.due_day,
        "due_early": found.due_early,
        "due_late": found.due_late,
        "method": found.method,
        "note": found.note,
    }
    return Outcome(result, found.within_limit, defaults={} if typed else {"method": found.method})


def compute_smear(given: Given) -> Outcome:
    """Activity of a smear; see `counting.smear`."""
    area = given.numbers.get("area_cm2", Fraction(100))
    found = counting.smear(
        gross=given.counts["gross"],
        minutes=given.real("minutes"),
        background=given.counts["background"],
        background_minutes=given.real("background_minutes"),
        efficiency=given.real("efficiency"),
        area_cm2=float(area),
    )
    result: dict[str, Value] = {
        "net_dpm": found.net_dpm,
        "u_dpm": found.u_dpm,
        "mda_dpm": found.mda_dpm,
        "detected": found.detected,
    }
    return Outcome(
        result,
        _smear_passed(given, area),
        defaults={} if "area_cm2" in given.numbers else {"area_cm2": "100"},
    )


def _smear_passed(given: Given, area_cm2: Fraction) -> bool | None:
    """Whether the exact net activity is not above the limit that was given."""
    if "limit_dpm" not in given.numbers:
        return None
    net = counting.net_activity_dpm(
        gross=given.counts["gross"],
        minutes=given.numbers["minutes"],
        background=given.counts["background"],
        background_minutes=given.numbers["background_minutes"],
        efficiency=given.numbers["efficiency"],
        area_cm2=area_cm2,
    )
    return meets(net, Limit(given.numbers["limit_dpm"], "<=", "site value"))


def compute_lifting(given: Given) -> Outcome:
    """Recommended weight limit and index; see `lifting.metric_multipliers`."""
    found = lifting.metric_multipliers(
        h_cm=given.real("h_cm"),
        v_cm=given.real("v_cm"),
        d_cm=given.real("d_cm"),
        a_deg=given.real("a_deg"),
        freq_per_min=given.real("freq_per_min"),
        duration_h=given.real("duration_h"),
        coupling=lifting.coupling_from_text(given.texts["coupling"]),
    )
    limit_kg = lifting.weight_limit_kg(found)
    index = lifting.lifting_index(load=given.real("load_kg"), limit=limit_kg)
    allowed = given.numbers.get("limit_index")
    passed = None if allowed is None else index <= float(allowed)
    return Outcome({"rwl_kg": limit_kg, "lifting_index": index}, passed, found.notes)


def compute_packing(given: Given) -> Outcome:
    """Items in rows; see `waste.packing_count`."""
    item = waste.box(given.lists["item_mm"], name="Item")
    container = waste.box(given.lists["box_mm"], name="Box")
    note = "Whole rows of one orientation: a lower bound that says nothing of weight."
    return Outcome({"count": waste.packing_count(item=item, container=container)}, notes=(note,))
