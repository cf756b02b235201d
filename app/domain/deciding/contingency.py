"""Deciding on contingencies: from a stop, by a lead who did not stop, where the model says it can be."""

from app.domain.commands import Moment
from app.domain.containment.mishaps import Spot, spots
from app.domain.contingency import ContingencyEntered, EnterContingency, LaidContingency
from app.domain.deciding.common import event_of, signature_of, words_of
from app.domain.deciding.stopping import complain_of_bare_stop
from app.domain.events import Event
from app.domain.job import JobState
from app.domain.procedure import Role
from app.domain.refused import Refused
from app.domain.signing import PUT_IN
from app.domain.way_back import WayBack, ways_back


def way_back_of(state: JobState, kept: LaidContingency, spot: Spot) -> WayBack | None:
    """Return what entering a contingency here would put in and where it leads back to; None if the model knows none."""
    if state.opened is None or state.model is None or state.due is None:
        return None
    turn = 1 + sum(1 for item in state.entered if item.contingency == kept.id)
    return ways_back(state.walked, state.place, state.applied, state.model, kept, spot, state.opened.housing, turn)


def possible(state: JobState) -> tuple[tuple[LaidContingency, Spot], ...]:
    """Return every contingency that can have happened as the job stands, with where."""
    if state.opened is None or state.model is None or state.due is None:
        return ()
    kept = state.opened.contingencies or ()
    return tuple((item, spot) for item in kept for spot in spots(state.model, item.occurs))


def enter(state: JobState, command: EnterContingency, moment: Moment) -> tuple[Event, ...]:
    """Put in the steps kept ready for what went wrong."""
    if moment.by.role is not Role.LEAD:
        raise Refused("role", f"A {moment.by.role.words} cannot enter a contingency. Ask a lead.", logged=True)
    if state.stop is None or state.due is None:
        raise Refused("not_stopped", "A contingency is entered from a stop, while work is in hand. Stop the job first.")
    if state.stop.is_by(moment.by):
        raise Refused(
            "own_stop", f"{moment.by.name} stopped this job and cannot choose how it goes on. Another lead must.",
            logged=True,
        )  # fmt: skip
    complain_of_bare_stop(state)
    reason, spot = words_of(command.reason, "The reason"), Spot(command.port, command.position)
    kept = next((item for item, at in possible(state) if item.id == command.contingency and at == spot), None)
    if kept is None:
        raise Refused(
            "not_here", "As the housing stands, that cannot have happened there. Choose among those shown, or re-open."
        )
    back = way_back_of(state, kept, spot)
    if back is None:
        raise Refused(
            "no_way_back",
            f"The model knows no way from “{kept.title}” back to the work here. Keep the barrier and call the safety "
            "officer.",
        )
    return (
        event_of(
            ContingencyEntered, state, moment, contingency=kept.id, title=kept.title, port=spot.port,
            position=spot.position, step=state.due.id, reason=reason, returns_to=back.returns_to,
            due_again=back.due_again, left=back.left, extra=back.extra or None,
            signature=signature_of(state, moment, PUT_IN),
        ),
    )  # fmt: skip
