"""The site's instruments: what measures what, until when its calibration holds, and how well it reads.

The register stands in the site's ledger.  A job keeps a copy of each instrument as it was when it was used, so
that its record explains itself after the instrument has been calibrated again or put aside.
"""

from datetime import date
from enum import StrEnum

from pydantic import Field, model_validator

from app.calc.errors import ChangeoutError
from app.calc.exact import exact
from app.calc.life import check_calibration
from app.domain.housing import Tag
from app.domain.text import Kept


class InstrumentKind(StrEnum):
    """What an instrument measures."""

    PHOTOMETER = "aerosol photometer"
    GAS_DETECTOR = "challenge gas detector"
    MANOMETER = "manometer"
    FLOW_METER = "air flow meter"
    TORQUE_WRENCH = "torque wrench"
    COUNTER = "contamination counter"
    THERMOMETER = "thermometer"
    BAROMETER = "barometer"


class Instrument(Kept):
    """One instrument.  Dates are ISO 8601; numbers are kept as typed.

    floor_fraction: the smallest share of upstream that a photometer or detector resolves, above 0 and below 1.
    full_scale: the reading at which it is saturated, in the unit it reads.
    u_pct: relative standard uncertainty of a reading in %, from its certificate.
    efficiency: counts per disintegration of a contamination counter, above 0 and at most 1.
    """

    id: Tag
    kind: InstrumentKind
    description: str = Field(min_length=2, max_length=120)
    calibrated_on: date
    due: date
    certificate: str = Field(default="", max_length=80)
    floor_fraction: str | None = None
    full_scale: str | None = None
    u_pct: str | None = None
    efficiency: str | None = None

    @model_validator(mode="after")
    def _can_be(self) -> "Instrument":
        if self.due < self.calibrated_on:
            raise ValueError(f"calibration is due on {self.due}, before it was made on {self.calibrated_on}")
        for name, high in (
            ("floor_fraction", 1), ("full_scale", None), ("u_pct", 100), ("efficiency", 1.000001),
        ):  # fmt: skip
            text: str | None = getattr(self, name)
            if text is None:
                continue
            try:
                value = exact(text, name=name)
            except ChangeoutError as fault:
                raise ValueError(str(fault)) from None
            if value <= 0 or (high is not None and value >= high):
                raise ValueError(f"{name} is {text}; give a number above 0{f' and below {high:g}' if high else ''}")
        return self

    def check(self, *, on: date) -> None:
        """Raise OutOfRange with a sentence where the calibration does not cover this day; the due day is good."""
        check_calibration(instrument=self.id, due=self.due, on=on)
