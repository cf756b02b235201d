"""What every act at the step in hand asks first: the permit is here, no change waits, the isolation allows it."""

from app.domain.commands import Moment
from app.domain.deciding.common import complain_of_permit_away
from app.domain.deciding.field_change import complain_of_change
from app.domain.deciding.isolation import in_the_way
from app.domain.job import JobState
from app.domain.steps import Step


def gate(state: JobState, step: Step, moment: Moment) -> None:
    """Raise Refused where the permit is away, a change waits, locks or a trial are in the way, or readings missed."""
    complain_of_permit_away(state, step)
    complain_of_change(state, step, moment)
    in_the_way(state, step, moment)
