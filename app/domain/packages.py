"""The packages of a job, each with its number: derived from the job and from nothing else.

What a step of the job has told of a package (its closures verified, its smear, who took it over) is its
data; nobody is asked for it again.  What becomes of a package later stands in the site's ledger (`app.domain.waste`).
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from app.domain.containment.effects import Act
from app.domain.containment.state import Filling, Package
from app.domain.job import JobState, Mark, Stamp
from app.domain.made import LeftOnRing, Made, on_ring
from app.domain.procedure import StepKind
from app.domain.steps import Step

HANDED_OVER = "takeoff.packages"
"""The limit by which the step that hands the packages over is known: it counts them."""
RECEIVER = "receiver"
SERIAL = "serial"
"""Ids of questions: who took the packages over, a new filter's serial number."""


@dataclass(frozen=True, slots=True)
class Told:
    """Something that a person has told: the words, who, when (UTC text)."""

    text: str
    by: str
    at: str


@dataclass(frozen=True, slots=True)
class WastePackage:
    """One package.  name: the job's number and its own, `2026-0001/3`.

    contents: what it is and holds.  stub_known: whether the record tells what the bag held before this job.
    sealed: who parted it from the ring, or entered it.  lead: who opened the job.  closure, serial, smear, taken,
    decontaminated: what steps of the job told.
    """

    name: str
    job: str
    number: str
    housing: str
    contents: str
    sealed: Told
    sealed_by: frozenset[str]
    lead: str
    port: str = ""
    position: int | None = None
    filling: Filling | None = None
    stubs: int = 0
    torn: int = 0
    stub_known: bool = True
    filter_type: str = ""
    closure: Told | None = None
    serial: Told | None = None
    smear: Told | None = None
    taken: Told | None = None
    service: str = ""
    decontaminated: Told | None = None


def job_number(name: str) -> str:
    """Return the number of the job that a package is named after."""
    return name.rpartition("/")[0]


def packages_of(state: JobState) -> tuple[WastePackage, ...]:
    """Return every package that the steps of a job have made, in order."""
    return tuple(_package(state, made) for made in state.made)


def _package(state: JobState, made: Made) -> WastePackage:
    opened, step = state.opened, state.step(made.step)
    assert opened is not None
    assert step is not None
    port, what = opened.housing.port(made.port), _in_model(state, made)
    known = made.cut > 1 or made.port in _rings_known(state)
    by = _first(state.mark(step.id))
    return WastePackage(
        name=f"{opened.number}/{made.number}", job=opened.ledger, number=opened.number, housing=opened.housing.tag,
        contents=what.words, sealed=_told(by, step.text), sealed_by=by.doers, lead=opened.by.name, port=made.port,
        position=step.position, filling=what.filter, stubs=what.stubs, torn=what.torn_inside, stub_known=known,
        filter_type=port.filter,
        closure=_closure(state, step), serial=_serial(state, step, what.filter),
        smear=_smear(state, step), taken=_taken(state, by.seq),
        service=opened.housing.service.replace("_", " "), decontaminated=decontamination_of(state),
    )  # fmt: skip


def _in_model(state: JobState, made: Made) -> Package:
    assert state.model is not None
    held = (*state.model.port(made.port).packages, *state.model.accounted)
    return next(item for item in held if (item.port, item.number) == (made.port, made.cut))


def _rings_known(state: JobState) -> frozenset[str]:
    """The ports of whose bags the record tells what was in them before the first step."""
    opened = state.opened
    if opened is None:
        return frozenset()
    if opened.kind == "first_fit_out":
        return frozenset(port.id for port in opened.housing.ports)
    return frozenset(item.port for item in opened.rings or ())


def left_on_rings(state: JobState) -> tuple[LeftOnRing, ...]:
    """Return what the job leaves on each ring as it stands, for the next job; without ports of which it is unknown.

    A cut takes along whatever was in the bag before, so that after one everything is known.
    """
    if state.model is None or state.opened is None:
        return ()
    known, number = _rings_known(state), state.opened.number
    found = []
    for port in state.model.ports:
        if port.cuts or port.id in known:
            stubs, torn = on_ring(port)
            found.append(LeftOnRing(port=port.id, stubs=stubs, torn=torn, job=number))
    return tuple(found)


def fitted_serials(state: JobState) -> Mapping[tuple[str, int], str]:
    """Return the serial numbers read of new filters that the job has slid in, by port and position."""
    found = {}
    for step in state.steps:
        slid = any(effect.act is Act.SLIDE_IN for effect in step.effects) and step.id in state.applied
        if slid and step.port is not None and step.position is not None:
            told = _serial(state, step, Filling.NEW)
            if told is not None:
                found[step.port, step.position] = told.text
    return found


def to_label(state: JobState, step: Step) -> str:
    """Return the number of the package that a step labels, which is to be written on it; nothing for other steps."""
    port = next((effect.port for effect in step.effects if effect.act is Act.ACCOUNT_PACKAGE), None)
    if port is None or state.model is None or state.opened is None or step.id in state.applied:
        return ""
    waiting = next((item.number for item in state.model.port(port).packages), None)
    made = next((item for item in state.made if (item.port, item.cut) == (port, waiting)), None)
    return f"{state.opened.number}/{made.number}" if made else ""


# --- what the steps told ----------------------------------------------------------------------------


def _first(mark: Mark) -> Stamp:
    """Who did the step first: the world changed then, whatever was done again later."""
    stamps = [stamp for stamp, _ in mark.earlier] + ([mark.done] if mark.done else [])
    return min(stamps, key=lambda stamp: stamp.seq)


def _told(stamp: Stamp, text: str) -> Told:
    return Told(text, (stamp.worker or stamp.by).name, stamp.at)


def _closure(state: JobState, cut: Step) -> Told | None:
    """The verification of the closures: the nearest one before the cut, in its section and behind any other cut.

    Where that one does not stand nothing is told: an earlier one is of other closures.
    """
    for step in reversed(state.steps[: state.index[cut.id]]):
        if any(effect.act is Act.CUT for effect in step.effects):
            return None
        if step.kind is StepKind.VERIFY and step.section == cut.section:
            mark = state.mark(step.id)
            if not mark.stands or mark.done is None or mark.not_applicable:
                return None
            answers = "; ".join(answer.text for answer in mark.evidence.answers.values())
            return _told(mark.done, answers or step.text)
    return None


def _smear(state: JobState, cut: Step) -> Told | None:
    for step in _after(state, cut):
        mark = state.mark(step.id)
        if step.computes == "smear" and mark.stands and mark.done is not None and mark.evidence.result is not None:
            return _told(mark.done, mark.evidence.result.shown)
    return None


def _after(state: JobState, cut: Step) -> Iterator[Step]:
    """The steps of the section behind a cut, up to the next cut in it."""
    for step in state.steps[state.index[cut.id] + 1 :]:
        if step.section != cut.section or any(effect.act is Act.CUT for effect in step.effects):
            return
        yield step


def decontamination_of(state: JobState) -> Told | None:
    """Return what the job tells of the decontamination in place, if it stands: no door is opened before it."""
    for step in state.steps:
        mark = state.mark(step.id)
        if any(effect.act is Act.DECONTAMINATE for effect in step.effects) and mark.stands and mark.done is not None:
            return _told(mark.done, "; ".join(answer.text for answer in mark.evidence.answers.values()))
    return None


def _serial(state: JobState, at: Step, filling: Filling) -> Told | None:
    """The serial number of a new filter, read last for its place before this step; a spent one's stands elsewhere."""
    if filling is not Filling.NEW:
        return None
    for step in reversed(state.steps[: state.index[at.id]]):
        mark = state.mark(step.id)
        if (step.port, step.position) == (at.port, at.position) and mark.done is not None:
            answer = mark.evidence.answers.get(SERIAL)
            if answer is not None and any(item.ask.id == SERIAL and item.same_as is None for item in step.asks):
                return _told(mark.done, answer.text)
    return None


def _taken(state: JobState, after: int) -> Told | None:
    """Who took the packages over, by the step that hands them over, if it was done after this one was made."""
    for step in state.steps:
        mark = state.mark(step.id)
        if not mark.stands or mark.done is None or mark.done.seq < after:
            continue
        if any(asked.ask.limit == HANDED_OVER for asked in step.asks):
            answer = mark.evidence.answers.get(RECEIVER)
            if answer is not None and answer.text.strip():
                return _told(mark.done, answer.text.strip())
    return None
