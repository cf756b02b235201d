"""Photos of a housing on the register: put on with words for what they show, taken down with a reason.

A survey's photos stay with the survey.  A photo that is taken down is no longer shown, and stays kept.
"""

from app.calc.errors import Invalid
from app.domain.housed_events import HousingPhotographed, HousingPhotoTakenDown
from app.domain.housing import Housing
from app.domain.registers import SiteMoment, reason_from
from app.domain.site import SiteState

MOST_PICTURES = 24
"""Of one housing at once; more is no help at the place (this program's bound)."""


def photographed(
    state: SiteState, moment: SiteMoment, housing: Housing, *, photo: str, shows: str
) -> HousingPhotographed:
    """Return the entry that puts a photo of a housing on the register."""
    if not photo:
        raise Invalid("There is no photo. Take one, or choose one that was taken, then put it on the register.")
    told = reason_from(shows, "What the photo shows")
    standing = state.housed.pictures.get(housing.tag, ())
    if same := next((item for item in standing if item.photo == photo), None):
        raise Invalid(f"This photo of {housing.tag} is on the register already: {same.shows}. Choose another.")
    if len(standing) >= MOST_PICTURES:
        raise Invalid(f"{housing.tag} has {MOST_PICTURES} photos, the most this program takes. Take one down first.")
    return HousingPhotographed(seq=moment.seq, at=moment.at, by=moment.by, housing=housing.tag, photo=photo, shows=told)


def taken_down(state: SiteState, moment: SiteMoment, tag: str, *, entry: str, reason: str) -> HousingPhotoTakenDown:
    """Return the entry that takes a photo down; entry: the number of the one that put it on, as typed."""
    standing = {str(item.seq): item for item in state.housed.pictures.get(tag, ())}
    found = standing.get(entry.strip())
    if found is None:
        raise Invalid(f"{tag} has no such photo on the register. Reload its page and choose one that is shown.")
    told = reason_from(reason, "Why the photo is taken down")
    return HousingPhotoTakenDown(seq=moment.seq, at=moment.at, by=moment.by, housing=tag, entry=found.seq, reason=told)
