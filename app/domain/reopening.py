"""What to look at before an interrupted job goes on: from the model and the record, never from memory."""

from app.domain.containment.rest import port_rests
from app.domain.containment.state import Isolation
from app.domain.events import Recheck
from app.domain.job import JobState
from app.domain.words import filling_words, isolation_words, ring_words


def rechecks_for(state: JobState) -> tuple[Recheck, ...]:
    """List what the housing must be compared with, each with what the record believes."""
    model, opened = state.model, state.opened
    if model is None or opened is None:
        return ()
    housing = opened.housing
    found = [
        Recheck(id="upstream", text=f"Damper {housing.upstream_damper}", expected=str(model.upstream)),
        Recheck(id="downstream", text=f"Damper {housing.downstream_damper}", expected=str(model.downstream)),
        Recheck(id="fan", text=housing.fan, expected=str(model.fan)),
    ]
    locks = _lock_numbers(state)
    if model.isolation is not Isolation.NONE:
        told = isolation_words(model) + (f", lock numbers {locks}" if locks else "")
        found.append(Recheck(id="locks", text="Isolation and locks", expected=told))
    for port in model.ports:
        filters = ", ".join(f"{n} {filling_words(fill)}" for n, fill in enumerate(port.positions, start=1))
        expected = f"door {port.door}; ring: {ring_words(port)}; clamp {'set' if port.clamp_set else 'released'}"
        found.append(Recheck(id=f"port-{port.id}", text=f"Port {port.id}", expected=expected))
        if not port_rests(model, port):
            inside = f"positions as recorded: {filters}"
            found.append(
                Recheck(id=f"inside-{port.id}", text=f"Port {port.id}, as far as can be seen", expected=inside)
            )
    return tuple(found)


def _lock_numbers(state: JobState) -> str:
    """Return the numbers of the locks that are on, or those entered where a job keeps no table of them."""
    if state.locks.points:
        return ", ".join(f"{item.tag} {item.lock}" for item in state.locks.points)
    for step in state.steps:
        if any(effect.act == "isolate" for effect in step.effects) and state.mark(step.id).stands:
            return ", ".join(answer.text for answer in state.mark(step.id).evidence.answers.values())
    return ""
