"""What every act at the step in hand asks first: no change of it waits, and the isolation allows it."""

from app.domain.commands import Moment
from app.domain.deciding.field_change import complain_of_change
from app.domain.deciding.isolation import in_the_way
from app.domain.job import JobState
from app.domain.steps import Step


def gate(state: JobState, step: Step, moment: Moment) -> None:
    """Raise Refused where a change waits, locks or a trial stand in the way, or readings were missed."""
    complain_of_change(state, step, moment)
    in_the_way(state, step, moment)
