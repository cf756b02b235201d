"""The calculations that the command line and the pages offer by name: keys, result keys, method and source.

Rules kept here: names, keys and result keys are a contract; what a key stands for when it is left out is written in
its meaning; every entry names its sources. This is one table, hence its length.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from app.calc import registry_compute
from app.calc.registry_compute import Outcome
from app.calc.registry_keys import Given, Key
from app.calc.sources import shown


@dataclass(frozen=True, slots=True)
class Calculation:
    """One named calculation."""

    summary: str
    keys: tuple[Key, ...]
    result_keys: tuple[str, ...]
    method: str
    source: str
    compute: Callable[[Given], Outcome]


_LIMIT_PCT: Final = Key("limit_pct", "limit in %", required=False)
_LIMIT_OP: Final = Key("limit_op", "< or <=, also lt or le; < when left out", "text", required=False)


CALCULATIONS: Final[dict[str, Calculation]] = {
    "leak_test": Calculation(
        "In-place aerosol leak test of a filter bank",
        (
            Key("upstream", "upstream reading"),
            Key("downstream", "downstream reading, same unit"),
            Key("background", "downstream reading with the generator off"),
            Key("dilution", "diluter's ratio, such as 100", required=False),
            Key("floor_fraction", "smallest fraction of upstream that is resolved, such as 1e-5", required=False),
            _LIMIT_PCT,
            _LIMIT_OP,
        ),
        ("penetration_pct", "efficiency_pct", "df", "below_floor", "passed"),
        "leak_test/1",
        shown("penetration", "background", "photometer"),
        registry_compute.compute_leak_test,
    ),
    "series_banks": Calculation(
        "Banks in series, as a calculated credit",
        (Key("penetrations_pct", "penetration of each bank, % (comma list)", "list"),),
        ("penetration_pct", "df"),
        "series_banks/1",
        shown("algebra"),
        registry_compute.compute_series_banks,
    ),
    "parallel_filters": Calculation(
        "Filters side by side in one bank",
        (
            Key("penetrations_pct", "penetration of each filter, % (comma list)", "list"),
            Key("flows", "flow of each filter, any one unit (comma list)", "list"),
        ),
        ("penetration_pct",),
        "parallel_filters/1",
        shown("mass-balance"),
        registry_compute.compute_parallel_filters,
    ),
    "pressure_decay": Calculation(
        "Leak rate of a closed housing from its fall of pressure",
        (
            Key("volume_m3", "volume of the housing", unit="m3"),
            Key("baro1_pa", "barometer at the start", unit="pa"),
            Key("baro2_pa", "barometer at the end, needed too because 1 hPa of weather is 0.4 in.wg", unit="pa"),
            Key("gauge1_pa", "gauge pressure at the start, negative for a vacuum", unit="pa"),
            Key("gauge2_pa", "gauge pressure at the end", unit="pa"),
            Key("temp1_c", "gas temperature at the start", unit="c"),
            Key("temp2_c", "gas temperature at the end", unit="c"),
            Key("minutes", "duration"),
            Key("limit_pct_min", "limit in % of the volume a minute, inclusive", required=False),
        ),
        ("leak_m3_s", "leak_l_min", "leak_pct_min"),
        "pressure_decay/1",
        shown("ideal-gas", "standard-air", "decay-method"),
        registry_compute.compute_pressure_decay,
    ),
    "velocity": Calculation(
        "Air velocity from a velocity pressure",
        (
            Key("pressure_pa", "velocity pressure", unit="pa"),
            Key("density_kg_m3", "density of the air", unit="kg_m3"),
        ),
        ("velocity_m_s",),
        "velocity/1",
        shown("pitot-si"),
        registry_compute.compute_velocity,
    ),
    "air_density": Calculation(
        "Density of moist air",
        (
            Key("temp_c", "dry-bulb temperature", unit="c"),
            Key("pressure_pa", "absolute pressure", unit="pa"),
            Key("rh_pct", "relative humidity, %"),
        ),
        ("density_kg_m3",),
        "air_density/1",
        shown("ideal-mixture", "cipm-2007"),
        registry_compute.compute_air_density,
    ),
    "traverse_points": Calculation(
        "Positions of a traverse as fractions of the inside dimension",
        (
            Key("method", "log-tchebycheff, log-linear, equal-area-circle or equal-area-rectangle", "text"),
            Key("points", "number of positions along the side or diameter", "count"),
        ),
        ("positions",),
        "traverse_points/1",
        shown("traverse", "equal-area"),
        registry_compute.compute_traverse_points,
    ),
    "uniformity": Calculation(
        "Evenness of readings about their average",
        (
            Key("readings", "readings in one unit (comma list)", "list"),
            Key("limit_pct", "band about the average in %, inclusive; 20 when left out", required=False),
        ),
        ("mean", "max_dev_pct", "min_dev_pct", "passed"),
        "uniformity/1",
        shown("distribution"),
        registry_compute.compute_uniformity,
    ),
    "resistance_at_rated": Calculation(
        "Resistance at rated flow and the viscosity of 70 °F (21.1 °C)",
        (
            Key("dp_pa", "resistance measured", unit="pa"),
            Key("flow_m3_h", "flow measured", unit="m3_h"),
            Key("rated_m3_h", "rated flow", unit="m3_h"),
            Key("temp_c", "air temperature", unit="c"),
            Key("limit_pa", "limit, inclusive", unit="pa", required=False),
        ),
        ("dp_rated_pa",),
        "resistance_at_rated/1",
        shown("laminar-media", "sutherland"),
        registry_compute.compute_resistance_at_rated,
    ),
    "dp_trend": Calculation(
        "When resistance meets its limit",
        (
            Key("days", "days of the readings, ascending (comma list)", "list"),
            Key("dp_pa", "resistance at rated flow on each day (comma list)", "list", "pa"),
            Key("limit_pa", "limit", unit="pa"),
            Key("method", "least-squares or Theil-Sen; least-squares when left out", "text", required=False),
        ),
        ("slope_per_day", "due_day", "due_early", "due_late", "method", "note"),
        "dp_trend/1",
        shown("least-squares", "theil-sen", "forecast-rules"),
        registry_compute.compute_dp_trend,
    ),
    "smear": Calculation(
        "Activity of a smear per 100 cm², and what could be detected",
        (
            Key("gross", "gross counts", "count"),
            Key("minutes", "counting time"),
            Key("background", "background counts", "count"),
            Key("background_minutes", "background counting time"),
            Key("efficiency", "counts per disintegration, above 0 to 1"),
            Key("area_cm2", "area wiped; 100 cm² when left out", unit="cm2", required=False),
            Key("limit_dpm", "limit in dpm/100 cm², inclusive", required=False),
        ),
        ("net_dpm", "u_dpm", "mda_dpm", "detected"),
        "smear/1",
        shown("poisson", "unequal-times"),
        registry_compute.compute_smear,
    ),
    "lifting": Calculation(
        "Recommended weight limit of a two-handed lift, by the metric constants",
        (
            Key("h_cm", "horizontal reach", unit="cm"),
            Key("v_cm", "height of the hands", unit="cm"),
            Key("d_cm", "vertical travel", unit="cm"),
            Key("a_deg", "twist, degrees"),
            Key("freq_per_min", "lifts a minute"),
            Key("duration_h", "hours of lifting, at most 8"),
            Key("coupling", "good, fair or poor", "text"),
            Key("load_kg", "load", unit="kg"),
            Key("limit_index", "limit of the lifting index, inclusive", required=False),
        ),
        ("rwl_kg", "lifting_index"),
        "lifting/1",
        shown("niosh-94-110"),
        registry_compute.compute_lifting,
    ),
    "packing": Calculation(
        "Items that fit a box in rows",
        (
            Key("item_mm", "three outside dimensions (a,b,c)", "list", "mm"),
            Key("box_mm", "three inside dimensions (a,b,c)", "list", "mm"),
        ),
        ("count",),
        "packing/1",
        shown("packing"),
        registry_compute.compute_packing,
    ),
}
