"""Every constant of the calculations, each with its unit and source.

A number without a source does not enter `app.calc`; limits of single tests stand in the module of that test.
"""

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Constant:
    """A value, its unit, and the id of its source in `app.calc.sources`."""

    value: float
    unit: str
    source_id: str


DRY_AIR_GAS_CONSTANT: Final = Constant(287.05, "J/(kg·K)", "ideal-mixture")
VAPOUR_GAS_CONSTANT: Final = Constant(461.5, "J/(kg·K)", "ideal-mixture")
VAPOUR_TO_AIR_MASS: Final = Constant(0.621945, "1", "ashrae-fundamentals")
STANDARD_DENSITY: Final = Constant(0.075 * 16.01846337396, "kg/m³", "standard-air")
STANDARD_DENSITY_IP: Final = Constant(0.075, "lb/ft³", "standard-air")
STANDARD_PRESSURE: Final = Constant(101325.0, "Pa", "ashrae-fundamentals")
ZERO_CELSIUS_K: Final = Constant(273.15, "K", "sp-811")

MOLAR_GAS_CONSTANT: Final = Constant(8.314472, "J/(mol·K)", "cipm-2007")
MOLAR_MASS_DRY_AIR: Final = Constant(28.96546e-3, "kg/mol", "cipm-2007")
MOLAR_MASS_WATER: Final = Constant(18.01528e-3, "kg/mol", "cipm-2007")

SUTHERLAND_COEFFICIENT: Final = Constant(1.458e-6, "Pa·s/K^0.5", "sutherland")
SUTHERLAND_TEMPERATURE: Final = Constant(110.4, "K", "sutherland")
VISCOSITY_REFERENCE_C: Final = Constant((70 - 32) / 1.8, "°C", "laminar-media")

PITOT_STANDARD_AIR: Final = Constant(4005.0, "ft/min per in.wg^0.5", "pitot")
PITOT_ANY_AIR: Final = Constant(1096.7, "ft/min", "pitot")
PITOT_FLOOR_PA: Final = Constant(2.4908891, "Pa", "pitot-floor")

LASKIN_UG_L_CFM: Final = Constant(13500.0, "µg/L × ft³/min per nozzle", "laskin")
COVERAGE_ONE_SIDED: Final = Constant(1.645, "1", "uncertainty")

CURRIE_CRITICAL: Final = Constant(2.33, "1", "currie")
CURRIE_DETECTION: Final = Constant(4.65, "1", "currie")
DETECTION_OFFSET: Final = Constant(2.71, "counts", "currie")
UNEQUAL_CRITICAL: Final = Constant(1.645, "1", "unequal-times")
UNEQUAL_DETECTION: Final = Constant(3.29, "1", "unequal-times")

CLAMP_FORCE_LBF: Final = Constant(1400.0, "lbf", "clamp-force")
BOLT_FACTOR_SPREAD: Final = Constant(0.30, "1", "bolt")
