"""Taking a housing off the register, and putting it back: nothing is planned or opened there in between.

Its nameplate, filters, jobs and history stay readable, and its tag stays taken.
"""

from app.calc.errors import Invalid
from app.domain.housed_events import HousingPutBack, HousingTakenOff
from app.domain.housing import Housing
from app.domain.registers import SiteMoment, reason_from
from app.domain.site import SiteState


def taken_off(state: SiteState, moment: SiteMoment, housing: Housing, reason: str) -> HousingTakenOff:
    """Return the entry that takes a housing off the register; Invalid while a job there is not finished."""
    complain_if_off(state, housing.tag)
    for line in state.jobs.of_housing(housing.tag):
        if state.jobs.is_in_hand(line.job):
            raise Invalid(
                f"Job {line.number} on {housing.tag} is not finished. Finish it first, then take the housing off."
            )
    told = reason_from(reason, "Why it is taken off the register")
    return HousingTakenOff(seq=moment.seq, at=moment.at, by=moment.by, housing=housing.tag, reason=told)


def put_back(state: SiteState, moment: SiteMoment, tag: str, reason: str) -> HousingPutBack:
    """Return the entry that puts a housing back on the register."""
    if tag not in state.housed.off:
        raise Invalid(f"{tag} stands on the register. Nothing was entered.")
    told = reason_from(reason, "Why it is put back on the register")
    return HousingPutBack(seq=moment.seq, at=moment.at, by=moment.by, housing=tag, reason=told)


def complain_if_off(state: SiteState, tag: str) -> None:
    """Refuse what would be planned, opened or taken off at a housing that is off the register."""
    if (event := state.housed.off.get(tag)) is not None:
        raise Invalid(
            f"{tag} is off the register since {event.at[:10]}: {event.reason}. A lead puts it back on its page first."
        )
