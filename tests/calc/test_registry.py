"""Calculations by name: the contract of names, keys and result keys, sister units, and refusals."""

import dataclasses

import pytest

from app.calc import registry
from app.calc.errors import ChangeoutError, Invalid, OutOfRange
from app.calc.registry_compute import Outcome
from app.calc.registry_keys import Given
from app.calc.registry_table import CALCULATIONS

LEAK = {"upstream": "25", "downstream": ".0085", "background": ".0010"}
DECAY = {
    "volume_m3": "2.0", "baro1_pa": "101325", "baro2_pa": "101325", "gauge1_pa": "2500", "gauge2_pa": "2150",
    "temp1_c": "20.0", "temp2_c": "20.3", "minutes": "10",
}  # fmt: skip
TREND = {"days": "0,30,60,90,120,150,180,210", "dp_pa": "0.92,0.98,1.03,1.12,1.15,1.24,1.29,1.37", "limit_pa": "2.0"}
SMEAR = {"gross": "38", "minutes": "2", "background": "6", "background_minutes": "10", "efficiency": "0.35"}
LIFT = {
    "h_cm": "30", "v_cm": "60", "d_cm": "50", "a_deg": "30", "freq_per_min": "1", "duration_h": "1", "coupling": "fair",
    "load_kg": "15",
}  # fmt: skip
RATED = {"dp_pa": "154.435", "flow_m3_h": "1223.3", "rated_m3_h": "1699.0", "temp_c": "35"}

EXAMPLES: dict[str, dict[str, str]] = {
    "leak_test": LEAK,
    "series_banks": {"penetrations_pct": "0.03,0.03"},
    "parallel_filters": {"penetrations_pct": "0.24,0.003", "flows": "1,1"},
    "pressure_decay": DECAY,
    "velocity": {"pressure_pa": "62.2722", "density_kg_m3": "1.201385"},
    "air_density": {"temp_c": "20", "pressure_pa": "101325", "rh_pct": "50"},
    "traverse_points": {"method": "log-linear", "points": "6"},
    "uniformity": {"readings": "245,260,230,250,270,205"},
    "resistance_at_rated": RATED,
    "dp_trend": TREND,
    "smear": SMEAR,
    "lifting": LIFT,
    "packing": {"item_mm": "609.6,609.6,292.1", "box_mm": "1828.8,1219.2,1219.2"},
}

CONTRACT: dict[str, tuple[set[str], tuple[str, ...]]] = {
    "leak_test": (
        {"upstream", "downstream", "background", "dilution", "floor_fraction", "limit_pct", "limit_op"},
        ("penetration_pct", "efficiency_pct", "df", "below_floor", "passed"),
    ),
    "series_banks": ({"penetrations_pct"}, ("penetration_pct", "df")),
    "parallel_filters": ({"penetrations_pct", "flows"}, ("penetration_pct",)),
    "pressure_decay": (set(DECAY), ("leak_m3_s", "leak_l_min", "leak_pct_min")),
    "velocity": ({"pressure_pa", "density_kg_m3"}, ("velocity_m_s",)),
    "air_density": ({"temp_c", "pressure_pa", "rh_pct"}, ("density_kg_m3",)),
    "traverse_points": ({"method", "points"}, ("positions",)),
    "uniformity": ({"readings"}, ("mean", "max_dev_pct", "min_dev_pct", "passed")),
    "resistance_at_rated": (set(RATED), ("dp_rated_pa",)),
    "dp_trend": (
        {"days", "dp_pa", "limit_pa", "method"},
        ("slope_per_day", "due_day", "due_early", "due_late", "method", "note"),
    ),
    "smear": (set(SMEAR) | {"area_cm2"}, ("net_dpm", "u_dpm", "mda_dpm", "detected")),
    "lifting": (set(LIFT), ("rwl_kg", "lifting_index")),
    "packing": ({"item_mm", "box_mm"}, ("count",)),
}


def test_names_are_the_contract() -> None:
    """The names, in their order, are those promised."""
    assert registry.names() == tuple(CONTRACT)


@pytest.mark.parametrize("name", list(CONTRACT))
def test_keys_are_the_contract(name: str) -> None:
    """Every promised key is known, and any further one is an optional limit."""
    promised, _ = CONTRACT[name]

    keys = CALCULATIONS[name].keys

    assert promised <= {key.name for key in keys}
    assert all(key.name.startswith("limit") and not key.required for key in keys if key.name not in promised)


@pytest.mark.parametrize("name", list(CONTRACT))
def test_result_keys_are_the_contract(name: str) -> None:
    """A result has exactly the promised keys, as its description says, with method, source and inputs beside it."""
    found = registry.run(name, EXAMPLES[name])

    assert tuple(found.result) == CONTRACT[name][1] == registry.describe(name).result_keys
    assert found.method == f"{name}/1"
    assert found.source == registry.describe(name).source
    assert EXAMPLES[name].items() <= found.inputs.items()


@pytest.mark.parametrize("name", list(CONTRACT))
def test_stored_inputs_recompute_the_result(name: str) -> None:
    """Running the told inputs again, defaults included, gives the same result: a record can be verified."""
    found = registry.run(name, EXAMPLES[name])

    assert registry.run(name, found.inputs) == found


@pytest.mark.parametrize(
    ("name", "metric", "sisters"),
    [
        ("pressure_decay", DECAY, {"volume_m3": ("volume_ft3", "70.62933344297184"), "temp1_c": ("temp1_degf", "68"),
                                   "gauge1_pa": ("gauge1_inwg", "10.036577381554")}),
        ("pressure_decay", DECAY, {"baro1_pa": ("baro1_psi", "14.695948775513"),
                                   "baro2_pa": ("baro2_inhg", "29.921255401")}),
        ("velocity", EXAMPLES["velocity"], {"pressure_pa": ("pressure_inwg", "0.24999989")}),
        ("air_density", EXAMPLES["air_density"], {"temp_c": ("temp_degf", "68")}),
        ("resistance_at_rated", RATED, {"dp_pa": ("dp_inwg", "0.62"), "flow_m3_h": ("flow_cfm", "720.00814"),
                                        "temp_c": ("temp_degf", "95")}),
        ("lifting", LIFT, {"h_cm": ("h_in", "11.811023622"), "load_kg": ("load_lb", "33.0693393")}),
        ("packing", EXAMPLES["packing"], {"item_mm": ("item_in", "24,24,11.5"), "box_mm": ("box_in", "72,48,48")}),
        ("dp_trend", TREND, {"limit_pa": ("limit_inwg", "0.0080292615")}),
    ],
)  # fmt: skip
def test_inch_pound_sisters_give_the_same_answer(
    name: str, metric: dict[str, str], sisters: dict[str, tuple[str, str]]
) -> None:
    """A key in inch-pound units gives the metric answer, to the digits typed (relative 1e-5)."""
    mixed = {key: text for key, text in metric.items() if key not in sisters} | dict(sisters.values())

    found, reference = registry.run(name, mixed).result, registry.run(name, metric).result

    for key, value in reference.items():
        if isinstance(value, float):
            assert found[key] == pytest.approx(value, rel=1e-5)
        elif key != "note":
            assert found[key] == value


def test_cv31_through_the_registry() -> None:
    """CV31 typed in inch-pound units gives 0.8311 in.wg in pascals (relative 1e-3)."""
    found = registry.run(
        "resistance_at_rated", {"dp_inwg": ".62", "flow_cfm": "720", "rated_cfm": "1000", "temp_degf": "95"}
    )

    assert found.result["dp_rated_pa"] == pytest.approx(0.8311 * 249.08891, rel=1e-3)
    assert "28 % from rated flow" in found.notes[0]


def test_cv02_through_the_registry_with_and_without_an_operator() -> None:
    """On its limit a bank fails `<`, passes `<=`, and without an operator the stricter one is used and told."""
    on = LEAK | {"downstream": ".0135", "limit_pct": "0.0500"}

    strict = registry.run("leak_test", on | {"limit_op": "<"})
    loose = registry.run("leak_test", on | {"limit_op": "<="})
    unsaid = registry.run("leak_test", on)

    assert (strict.passed, loose.passed, unsaid.passed) == (False, True, False)
    assert unsaid.inputs["limit_op"] == "<"
    assert strict.result["penetration_pct"] == 0.05


def test_cv03_through_the_registry() -> None:
    """Below the floor the number is the floor, marked as such, with the words to record; never zero or negative."""
    found = registry.run("leak_test", LEAK | {"downstream": ".0009", "floor_fraction": "1e-5", "limit_pct": "0.05"})

    assert found.result["below_floor"] is True
    assert found.result["penetration_pct"] == 0.001
    assert found.result["efficiency_pct"] == 99.999
    assert "< 0.001 %" in found.notes[0]
    assert found.passed is True


def test_without_a_limit_nothing_passes_or_fails() -> None:
    """No limit, no judgement."""
    found = registry.run("leak_test", LEAK)

    assert found.passed is None
    assert found.result["passed"] is None


@pytest.mark.parametrize(
    ("name", "given", "limit", "passed"),
    [
        ("pressure_decay", DECAY, {"limit_pct_min": "0.0451"}, True),
        ("pressure_decay", DECAY, {"limit_pct_min": "0.0450"}, False),
        ("resistance_at_rated", RATED, {"limit_pa": "208"}, True),
        ("resistance_at_rated", RATED, {"limit_pa": "206"}, False),
        ("lifting", LIFT, {"limit_index": "2"}, True),
        ("lifting", LIFT, {"limit_index": "1"}, False),
        ("uniformity", EXAMPLES["uniformity"], {"limit_pct": "20"}, True),
        ("uniformity", EXAMPLES["uniformity"], {"limit_pct": "15"}, False),
        ("dp_trend", TREND, {"limit_pa": "1.37"}, False),
        ("dp_trend", TREND, {"limit_pa": "1.38"}, True),
    ],
)
def test_limits_judge(name: str, given: dict[str, str], limit: dict[str, str], passed: bool) -> None:
    """An optional limit turns a result into a judgement."""
    assert registry.run(name, given | limit).passed is passed


def test_smear_on_its_limit_is_not_above_it() -> None:
    """A smear of exactly 20 dpm meets a limit of 20, compared exactly: 0.1 × 3 / 0.3 in floats would not be 1."""
    on = {"gross": "7", "minutes": "1", "background": "0", "background_minutes": "1", "efficiency": "0.35"}

    met = registry.run("smear", on | {"limit_dpm": "20"})
    over = registry.run("smear", on | {"limit_dpm": "19.9999999999999999999"})

    assert (met.passed, over.passed) == (True, False)


def test_defaults_are_told() -> None:
    """What was left out and filled in stands among the inputs."""
    assert registry.run("smear", SMEAR).inputs["area_cm2"] == "100"
    assert registry.run("uniformity", EXAMPLES["uniformity"]).inputs["limit_pct"] == "20"
    assert registry.run("dp_trend", TREND).inputs["method"] == "least-squares"


def test_area_in_square_inches_is_not_doubled_by_the_default() -> None:
    """A wiped area typed in in² is used, and no default is added beside it."""
    found = registry.run("smear", SMEAR | {"area_in2": "15.5000310000620001"})

    assert "area_cm2" not in found.inputs
    assert found.result["net_dpm"] == pytest.approx(52.571, rel=1e-4)


def test_vacuum_test_tells_direction() -> None:
    """A vacuum test is a positive rate with direction in."""
    found = registry.run("pressure_decay", DECAY | {"gauge1_pa": "-2500", "gauge2_pa": "-2150", "temp2_c": "20"})

    leak = found.result["leak_m3_s"]
    assert isinstance(leak, float)
    assert leak > 0
    assert "direction in" in found.notes[0]


@pytest.mark.parametrize(
    ("name", "given", "sentence"),
    [
        ("leak", LEAK, "There is no calculation 'leak'"),
        ("leak_test", LEAK | {"flow": "3"}, "does not know the key 'flow'"),
        ("leak_test", {"upstream": "25"}, "still needs downstream"),
        ("leak_test", LEAK | {"upstream": "two"}, "upstream 'two' cannot be read"),
        ("leak_test", LEAK | {"limit_op": "<"}, "limit_op was given without limit_pct"),
        ("leak_test", LEAK | {"limit_pct": "0.05", "limit_op": ">"}, "Limit operator '>'"),
        ("leak_test", LEAK | {"upstream": "0"}, "Upstream reading 0"),
        ("leak_test", LEAK | {"downstream": "30"}, "is above upstream"),
        ("leak_test", LEAK | {"downstream": "OL"}, "off-scale"),
        (
            "velocity",
            {"pressure_pa": "1", "pressure_inwg": "1", "density_kg_m3": "1.2"},
            "Both pressure_pa and pressure_inwg",
        ),
        ("pressure_decay", {k: v for k, v in DECAY.items() if k != "baro2_pa"}, "baro2_pa"),
        ("pressure_decay", DECAY | {"baro2_pa": "1013.25"}, "Barometer reading"),
        ("pressure_decay", DECAY | {"temp1_c": "20.3", "temp2_c": "18"}, "exchanged"),
        ("traverse_points", {"method": "log-linear", "points": "6.5"}, "not a whole number"),
        ("traverse_points", {"method": "cosine", "points": "5"}, "Traverse method 'cosine'"),
        ("smear", SMEAR | {"gross": "38.5"}, "not a whole number"),
        ("packing", {"item_mm": "1,2", "box_mm": "1,2,3"}, "give three"),
        ("uniformity", {"readings": "245,,260"}, "readings entry 2"),
        ("uniformity", {"readings": ",".join(["1"] * 1001)}, "at most 1000"),
        ("dp_trend", TREND | {"days": "0,30"}, "one reading for each day"),
        ("lifting", LIFT | {"coupling": "firm"}, "Coupling 'firm'"),
    ],
)
def test_refusals_are_one_sentence(name: str, given: dict[str, str], sentence: str) -> None:
    """Each bad request is refused with one sentence that names what is wrong and ends with a full stop."""
    with pytest.raises(ChangeoutError) as caught:
        registry.run(name, given)

    told = str(caught.value)
    assert sentence in told
    assert told.endswith(".")
    assert "\n" not in told


def test_missing_barometer_says_why_it_is_needed() -> None:
    """Leaving out the second barometer is answered with the reason, not with a default."""
    with pytest.raises(Invalid, match=r"1 hPa of weather is 0\.4 in\.wg"):
        registry.run("pressure_decay", {k: v for k, v in DECAY.items() if k != "baro2_pa"})


def test_an_overflow_is_refused_in_a_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    """Should a formula overflow or give infinity all the same, a sentence is given and neither a traceback nor inf."""
    entry = CALCULATIONS["velocity"]

    def overflow(_: Given) -> Outcome:
        raise OverflowError

    for compute in (overflow, lambda _: Outcome({"velocity_m_s": float("inf")})):
        monkeypatch.setitem(CALCULATIONS, "velocity", dataclasses.replace(entry, compute=compute))
        with pytest.raises(OutOfRange, match="no finite number"):
            registry.run("velocity", EXAMPLES["velocity"])


@pytest.mark.parametrize(
    ("name", "given"),
    [
        ("smear", SMEAR | {"minutes": "0.0000000001e-99"}),
        ("smear", SMEAR | {"efficiency": "1e-99"}),
        ("smear", SMEAR | {"area_cm2": "1e-99"}),
        ("packing", {"item_mm": "1e-99,1,1", "box_mm": "1,1,1"}),
    ],
)
def test_numbers_too_small_are_refused(name: str, given: dict[str, str]) -> None:
    """A reading so small that it can only be a slip is outside the range."""
    with pytest.raises(OutOfRange, match="is outside"):
        registry.run(name, given)


def test_numbers_too_large_are_refused() -> None:
    """An absurd exponent is outside the range, not an infinity."""
    with pytest.raises(OutOfRange):
        registry.run("velocity", {"pressure_pa": "1e99", "density_kg_m3": "1.2"})
