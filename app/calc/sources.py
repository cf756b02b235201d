"""The one table of sources that every figure in `app.calc` points to.

Rules kept here:
- a figure names its source by id, and an id that is not in the table is a programmer's error;
- how far a source may be trusted is a closed list, and the words for it are written once, in `Source.shown`;
- what was recalled and not opened is always shown as "from memory, not confirmed", never as a requirement.
"""

from dataclasses import dataclass
from enum import Enum
from typing import Final


class Confidence(Enum):
    """How the text behind a figure was seen; the value is what is added when it is shown."""

    READ = "read in the text itself or the copy named"
    READ_2 = "read only in a secondary text that reports it"
    MEMORY = "from memory, not confirmed"
    PRACTICE = "common practice, no source"
    COMPUTED = "computed here"


@dataclass(frozen=True, slots=True)
class Source:
    """One publication, custom or derivation.

    `edition` is the year, revision or clause as far as it was seen, and may be empty for a derivation.
    """

    id: str
    text: str
    edition: str
    confidence: Confidence

    @property
    def is_requirement(self) -> bool:
        """Whether a figure of this source may be put before a user as a cited requirement."""
        return self.confidence in {Confidence.READ, Confidence.READ_2}

    @property
    def shown(self) -> str:
        """The text that screens, records and the command line print beside a figure."""
        named = f"{self.text}, {self.edition}" if self.edition else self.text
        return f"{named} ({self.confidence.value})"


_READ, _READ_2, _MEMORY = Confidence.READ, Confidence.READ_2, Confidence.MEMORY
_PRACTICE, _COMPUTED = Confidence.PRACTICE, Confidence.COMPUTED

_ROWS: Final = (
    # in-place leak test
    ("penetration", "DOE-STD-3022 definition of penetration", "1998, section 3", _READ),
    ("background", "Background is subtracted from the downstream reading", "", _PRACTICE),
    ("rg-1.52", "NRC Regulatory Guide 1.52", "Rev. 4, September 2012", _READ),
    ("rg-1.140", "NRC Regulatory Guide 1.140", "Rev. 3, August 2016", _READ),
    ("dnfsb-1994", "DNFSB staff report on per-stage acceptance", "28 April 1994", _READ),
    ("doe-3020", "DOE-STD-3020 performance requirements", "2005", _READ),
    ("doe-3025", "DOE-STD-3025 performance requirements", "1999", _READ),
    ("ufgs-15860a", "UFGS 15860A", "paragraphs 2.3 and 2.4", _READ),
    ("iso-14644-3", "ISO 14644-3, clean-room scan of a filter face", "2005, B.6", _READ_2),
    ("photometer", "NSF/ANSI 49 photometer requirements", "2014, F.5.2.1", _READ_2),
    ("laskin", "Output of one Laskin nozzle near 20 to 24 psig", "", _MEMORY),
    ("uncertainty", "Propagation of independent uncertainties (GUM)", "", _COMPUTED),
    ("mass-balance", "Mass balance", "", _COMPUTED),
    ("orifice", "Orifice equation with the discharge coefficient given", "", _COMPUTED),
    ("algebra", "Algebra", "", _COMPUTED),
    ("dilution", "A diluter's ratio multiplies the reading taken through it", "", _PRACTICE),
    # housing leak test
    ("ideal-gas", "Ideal-gas mass balance of a rigid volume, the form of 40 CFR 1065.644", "", _READ),
    ("decay-method", "Pressure-decay equation of ASME N510 section 6", "", _MEMORY),
    ("standard-air", "Standard air taken as 0.075 lb/ft3", "", _PRACTICE),
    # airflow and air
    ("pitot", "Pitot equation and its constants 4005 and 1096.7", "", _MEMORY),
    ("pitot-si", "Pitot equation in SI units, V = sqrt(2 p / density)", "", _COMPUTED),
    ("pitot-floor", "A pitot tube is weak under about 400 ft/min (0.010 in.wg)", "", _READ_2),
    ("capacity", "Flow band of plus or minus 10 % of NRC RG 1.52 and RG 1.140", "Rev. 4 and Rev. 3", _READ),
    ("distribution", "UFGS 15860A, velocities within 20 % of their average", "citing ASME N510", _READ),
    ("mixing", "Mixing readings within 20 % of their average, ASME N510 section 9", "", _MEMORY),
    ("traverse", "Positions of ISO 3966 and ASHRAE 111 in instrument texts", "", _READ_2),
    ("equal-area", "Centres of equal areas", "", _COMPUTED),
    ("cipm-2007", "CIPM-2007 density of moist air, Metrologia 45 (2008) 149", "coefficients", _READ_2),
    ("cipm-range", "Recommended range of the CIPM-2007 formula", "", _MEMORY),
    ("ideal-mixture", "Ideal mixture of dry air and water vapour", "", _COMPUTED),
    ("ashrae-fundamentals", "ASHRAE Handbook of Fundamentals, chapter 1", "2017, by a library's tests", _READ),
    ("sutherland", "US Standard Atmosphere viscosity of air", "1976", _MEMORY),
    # filters
    ("laminar-media", "Resistance of filter media proportional to flow and viscosity", "", _MEMORY),
    ("en-1822", "EN 1822 classes, several agreeing tables", "", _READ_2),
    ("iso-29463", "ISO 29463 class codes", "", _READ_2),
    ("carbon-bed", "NRC RG 1.140 Table 1 note 2, 0.25 s for 2 in", "Rev. 3, August 2016", _READ),
    ("age-study", "Ten-year study of filter age, Health Physics 122(5):618", "2022, abstract", _READ),
    ("strength", "DOE lessons learned 2004-LL-NUCL-0002 on media strength", "2004", _READ),
    ("wetting", "DNFSB letter on wetted filters", "26 March 1998", _READ),
    ("mass-limit", "NRC Information Notice 2000-03", "2000", _READ),
    ("twice-clean", "Change at twice the clean resistance, a rule of thumb", "", _READ_2),
    ("shock", "Heat, chemical or impact: replace or justify", "", _PRACTICE),
    ("carbon-sample", "NRC RG 1.52 C.7: sample after 720 h or 24 months", "Rev. 4, September 2012", _READ),
    ("site", "Site value", "", _PRACTICE),
    # trend
    ("least-squares", "Least squares and its 95 % prediction interval", "", _READ_2),
    ("theil-sen", "Theil-Sen line, median of all pair slopes", "", _READ_2),
    ("forecast-rules", "What a forecast from few readings may say", "", _PRACTICE),
    # clamping
    ("clamp-force", "UFGS 15860A 2.3.2, 1 400 lbf on each element", "", _READ),
    ("bolt", "Bolt torque T = K F d, where K is uncertain by about 30 %", "", _COMPUTED),
    ("gasket-compression", "DOE-HDBK-1169 chapter 4, gasket compressed by 80 %", "", _MEMORY),
    # contamination
    ("poisson", "Counting statistics of a Poisson process", "", _COMPUTED),
    ("currie", "Currie, limits for equal counting times", "1968", _READ_2),
    ("unequal-times", "Health Physics Society answer 11839, NUREG-1507 family", "", _READ_2),
    ("stay-time", "Stay time = dose left / dose rate, non-destructive testing text", "", _READ),
    ("10cfr835-d", "10 CFR 835 Appendix D", "dpm/100 cm2", _READ),
    ("contamination-area", "DOE-HDBK-1106 contamination area", "1997", _READ),
    ("high-contamination-area", "10 CFR 835.2 high contamination area", "", _MEMORY),
    ("release-table", "WAC 246-232-140 release table", "", _READ),
    # lifting
    ("niosh-94-110", "NIOSH Publication 94-110, revised lifting equation", "revised 9/2021", _READ_2),
    # confined spaces
    ("29cfr1910.146-b", "29 CFR 1910.146(b), confined space and permit-required confined space", "", _READ_2),
    # respirators
    ("osha-apf", "29 CFR 1910.134 Table 1", "", _MEMORY),
    ("10cfr20-a", "10 CFR 20 Appendix A, particulates", "state copy 105 CMR 120.295", _READ),
    # waste
    ("49cfr172.403", "49 CFR 172.403 label categories", "", _READ),
    ("49cfr173.403", "49 CFR 173.403 transport index, rounded up to 0.1", "", _MEMORY),
    ("49cfr173.421", "49 CFR 173.421 limited quantity, 0.5 mrem/h at the surface", "", _READ),
    ("packing", "Whole items in rows, best of six orientations, a lower bound", "", _COMPUTED),
    # units and bounds
    ("sp-811", "NIST SP 811 Appendix B.8 and exact definitions", "", _READ),
    ("water-68f", "Inch of water at 68 °F from 998.2071 kg/m3", "", _COMPUTED),
    ("plausible", "this program's bound on a plausible reading", "", _PRACTICE),
)

SOURCES: Final[dict[str, Source]] = {row[0]: Source(*row) for row in _ROWS}


def source(source_id: str) -> Source:
    """Look a source up by its id; an id not in the table raises KeyError, for it is a slip in the program."""
    return SOURCES[source_id]


def shown(*source_ids: str) -> str:
    """Join what is printed for several sources, with semicolons between."""
    return "; ".join(source(source_id).shown for source_id in source_ids)
