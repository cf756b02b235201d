"""What a team pause says aloud: the few things that must be so, with their values as the record holds them.

The values come from the containment model and from answers that stand; where the record holds none, it says so.
"""

from typing import assert_never

from app.domain.applicability import PERMIT_UNTIL
from app.domain.containment.state import Door, Kind, PortState
from app.domain.job import JobState
from app.domain.procedure import Say
from app.domain.steps import Step
from app.domain.words import barrier_parts, isolation_words, ring_words, unit_words

PERMIT_NUMBER = "permit"
"""The id of the question that asks for a permit's number."""


def to_say(state: JobState, step: Step) -> tuple[tuple[str, str], ...]:
    """Return heading and value of everything that this pause says; nothing for any other step."""
    return tuple(line for say in step.says or () for line in _lines(state, step, say))


def _lines(state: JobState, step: Step, say: Say) -> list[tuple[str, str]]:
    model = state.model
    if model is None:
        return []
    ports = [port for port in model.ports if step.port in (None, port.id)]
    match say:
        case Say.LOCKS:
            return [("Locks", _locks(state))]
        case Say.PERMIT:
            return [("Permit", _permit(state))]
        case Say.BAGS:
            return [(f"Ring of {port.id}", ring_words(port)) for port in ports]
        case Say.CLOSURES:
            return [(f"Closures on {port.id}", _closures(state, port)) for port in ports]
        case Say.STUBS:
            return [(f"Stub of {port.id}", _stub(port)) for port in ports if port.cuts]
        case Say.CLAMPS:
            return [(f"Clamp of {port.id}", _clamp(state, port)) for port in ports]
        case Say.DOORS:
            return [(f"Door of {port.id}", _door(state, port)) for port in ports]
        case _:
            assert_never(say)


def permit_line(state: JobState) -> str:
    """Say the permit's number and last day where the record holds them, and where it is if it is away; else nothing."""
    if state.permit_until is None:
        return ""
    away = state.leaving.permit
    return f"{_permit(state)}; NOT IN FORCE: {away.words}" if away is not None else _permit(state)


def permit_on_record(state: JobState) -> tuple[str, str]:
    """Return number and last day as they were answered last, also at a step that is due again; nothing where not."""
    answers = [state.mark(step.id).evidence.answers for step in state.steps]
    number, until = (
        next((given[ask].text for given in answers if ask in given), "") for ask in (PERMIT_NUMBER, PERMIT_UNTIL)
    )
    return number, until


def _permit(state: JobState) -> str:
    return f"{_answers(state, PERMIT_NUMBER)}, good until the end of {_answers(state, PERMIT_UNTIL)}"


def _locks(state: JobState) -> str:
    assert state.model is not None
    if state.locks.points:
        rows = [f"{item.tag}: lock {item.lock}" for item in state.locks.points]
        return "; ".join([isolation_words(state.model), *rows])
    applied = _standing(state, "isolate")
    told = [
        f"{asked.ask.label.removesuffix(': lock number')}: lock {answer.text}"
        for step in applied[-1:]
        for asked in step.asks
        if (answer := state.mark(step.id).evidence.answers.get(asked.ask.id)) is not None
    ]
    return "; ".join([isolation_words(state.model), *told])


def _closures(state: JobState, port: PortState) -> str:
    assert state.model is not None
    outer = port.outer
    if outer is None or outer.closure is None:
        return "no gathered neck"
    closure, rule = outer.closure, state.model.closure_rule
    sides = (
        ("ring side", closure.ring_ties, closure.ring_bands, closure.ring_done(rule)),
        ("package side", closure.package_ties, closure.package_bands, closure.package_done(rule)),
    )
    return "; ".join(
        f"{side}: {_count(ties, 'tie')}, {_count(bands, 'band')}{'' if whole else ', NOT complete'}"
        for side, ties, bands, whole in sides
    )


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"


def _stub(port: PortState) -> str:
    stub = port.stub
    if stub is not None:
        return f"on the ring, {'edge taped' if stub.taped else 'edge RAW'}"
    held = [sleeve for sleeve in port.ring if sleeve.kind is Kind.BAG and sleeve.stubs]
    return "taped, held in the bag on the ring" if held else "none on the ring"


def _clamp(state: JobState, port: PortState) -> str:
    if not port.clamp_set:
        return "RELEASED"
    read = [
        f"{asked.ask.label} {answer.text} {unit_words(answer.unit)}".strip()
        for step in state.steps
        if step.port == port.id and step.section.rsplit("/", 1)[-1] == "clamp" and state.mark(step.id).stands
        for asked in step.asks
        if asked.ask.kind in ("reading", "choice")
        and (answer := state.mark(step.id).evidence.answers.get(asked.ask.id)) is not None
    ]
    return "; ".join(["set", *dict.fromkeys(read)])


def _door(state: JobState, port: PortState) -> str:
    assert state.model is not None
    shut = "shut" if port.door is Door.SHUT else "OFF"
    return f"{shut}; between the inside and the room: {barrier_parts(state.model, port) or 'NOTHING'}"


def _standing(state: JobState, act: str) -> list[Step]:
    found = [step for step in state.steps if any(effect.act == act for effect in step.effects)]
    return [step for step in found if state.mark(step.id).stands]


def _answers(state: JobState, ask: str) -> str:
    for step in state.steps:
        answer = state.mark(step.id).evidence.answers.get(ask)
        if answer is not None and state.mark(step.id).stands:
            return answer.text
    return "not recorded"
