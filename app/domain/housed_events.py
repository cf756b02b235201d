"""The housing register in the site's ledger: nameplates, filters in place, as-found surveys and what came of them.

Rules kept here:
- a nameplate stands in its file; the ledger has the SHA-256 of its text, who entered it and why;
- what is in a position is what the newest entry says of it; `since` is when that came to be so;
- an entry about many housings is one entry, so that an import is whole or not there.
"""

from datetime import date
from typing import Literal

from app.domain.site_entry import SiteEntry
from app.domain.text import Kept


class Plate(Kept):
    """One nameplate as entered.  was: SHA-256 of the text before, if there was one.  changed: fields that differ."""

    tag: str
    sha256: str
    was: str | None = None
    changed: tuple[str, ...] | None = None


class HousingEntered(SiteEntry):
    """Nameplates were entered or changed.  source: SHA-256 of the file that was imported."""

    type: Literal["housing_entered"] = "housing_entered"
    plates: tuple[Plate, ...]
    how: Literal["desk", "import"]
    why: str
    source: str | None = None


class Filter(Kept):
    """A filter by its serial number.  made: by its maker.  report: of its test there.  installed: put in place."""

    serial: str
    made: date | None = None
    report: str | None = None
    installed: date | None = None


class Placed(Kept):
    """What is in one position from `since` on (UTC text); no filter: what was known to be there is there no more."""

    housing: str
    port: str
    position: int
    since: str
    filter: Filter | None = None


class Doubt(Kept):
    """A serial number that a job read and the register could not take over as it stands, and why."""

    housing: str
    port: str
    position: int
    read: str
    stood: str
    sentence: str


How = Literal["desk", "survey", "import", "job"]


class FiltersPlaced(SiteEntry):
    """Filters came into positions or left them.  job: whose accepted record says so."""

    type: Literal["filters_placed"] = "filters_placed"
    how: How
    places: tuple[Placed, ...]
    why: str
    job: str | None = None
    doubts: tuple[Doubt, ...] | None = None
    source: str | None = None


class Seen(Kept):
    """One point of a survey.  register: what it has.  found: what was seen instead.  unseen: it could not be seen."""

    point: str
    label: str
    register_has: str
    found: str | None = None
    unseen: bool | None = None


class Measured(Kept):
    """Something measured or noted on the way; a number where it has a unit."""

    what: str
    value: str
    unit: str | None = None


class SurveyTaken(SiteEntry):
    """A housing was compared with the register at the place, and that was signed.  photos: by SHA-256."""

    type: Literal["survey_taken"] = "survey_taken"
    housing: str
    seen: tuple[Seen, ...]
    meaning: str
    local_time: str
    proof: str
    measured: tuple[Measured, ...] | None = None
    photos: tuple[str, ...] | None = None
    note: str | None = None


Outcome = Literal["register changed", "register right"]


class DifferenceAnswered(SiteEntry):
    """A lead answered a difference; `entry` and `point` name it."""

    type: Literal["difference_answered"] = "difference_answered"
    entry: int
    point: str
    outcome: Outcome
    reason: str


class HousingTakenOff(SiteEntry):
    """A housing is no longer worked on: it stays readable, its tag stays taken."""

    type: Literal["housing_taken_off"] = "housing_taken_off"
    housing: str
    reason: str


class HousingPutBack(SiteEntry):
    """A housing that was off the register is worked on again."""

    type: Literal["housing_put_back"] = "housing_put_back"
    housing: str
    reason: str


class HousingPhotographed(SiteEntry):
    """A photo of a housing was put on the register.  photo: its SHA-256.  shows: what is to be seen on it."""

    type: Literal["housing_photographed"] = "housing_photographed"
    housing: str
    photo: str
    shows: str


class HousingPhotoTakenDown(SiteEntry):
    """A photo is no longer shown on the register.  entry: the one that put it on."""

    type: Literal["housing_photo_taken_down"] = "housing_photo_taken_down"
    housing: str
    entry: int
    reason: str


HousedEvent = (
    HousingEntered | FiltersPlaced | SurveyTaken | DifferenceAnswered | HousingTakenOff | HousingPutBack
    | HousingPhotographed | HousingPhotoTakenDown
)  # fmt: skip
