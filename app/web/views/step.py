"""The work panel: the one step that is due, or why no step is due."""

import secrets
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from functools import lru_cache
from random import Random

from app.calc.sources import shown
from app.domain.containment.rest import nearest_rest, rests
from app.domain.containment.state import PortState
from app.domain.events import STOP_REASONS, Result
from app.domain.instruments import Instrument, InstrumentKind
from app.domain.job import JobState, Mark, Stage
from app.domain.procedure import Role, StepKind
from app.domain.steps import AskedFor, Step
from app.domain.words import effect_words, unit_words
from app.records.cautions import REHEARSAL
from app.records.drawing import draw_port, picture_words
from app.records.moments import local_text
from app.records.wording import limit_words
from app.services.ports import Person, Session
from app.web.views.contests import ContestsView, contests_view

KIND_WORDS = {
    StepKind.ACTION: "Act", StepKind.CHECK: "Compare", StepKind.VERIFY: "Verify, somebody else",
    StepKind.READING: "Read and record", StepKind.NOTIFY: "Tell", StepKind.DECIDE: "Choose",
    StepKind.HOLD: "Hold point", StepKind.PAUSE: "All pause",
}  # fmt: skip


SIGNER = "person"


@dataclass(frozen=True, slots=True)
class Around:
    """What lies around a job that its steps let one choose from.

    people: at a hold point everybody.  instruments: the site's register.  on: the day at the site.
    """

    people: tuple[Person, ...] = ()
    instruments: Mapping[str, Instrument] = field(default_factory=dict)
    on: date = date.min


@dataclass(frozen=True, slots=True)
class Notice:
    """A sentence that answers what was just done. tone: good, refused or outside."""

    tone: str
    text: str


@dataclass(frozen=True, slots=True)
class HeadLine:
    """What stays in view on every page of a job: which job, where in it, who is signed in."""

    job: str
    number: str
    tag: str
    procedure: str
    stage: str
    section: str
    place: str
    who: str
    role: str
    tablet: str
    rehearsal: str
    may_stop: bool


@dataclass(frozen=True, slots=True)
class AskView:
    """One piece of evidence asked. limit: absolute values in words; basis: where they come from."""

    id: str
    label: str
    kind: str
    unit: str
    limit: str
    basis: str
    options: tuple[str, ...]
    value: str
    required: bool
    twice: bool = False
    instruments: tuple["Offered", ...] = ()


@dataclass(frozen=True, slots=True)
class Offered:
    """An instrument of the kind asked for; one whose calibration has run out is shown and cannot be chosen."""

    id: str
    words: str
    usable: bool


@dataclass(frozen=True, slots=True)
class WayOutView:
    """What a lead may do about a failed test. again: it has been done once for this test."""

    id: str
    title: str
    count: int
    may: bool
    again: str
    token: str


@dataclass(frozen=True, slots=True)
class Picture:
    """The drawing of one port, and in words what it has no room to letter."""

    svg: str
    words: str


@dataclass(frozen=True, slots=True)
class HoldView:
    """Who may release a hold point."""

    role: str
    people: tuple[tuple[str, str], ...]
    chosen: str = ""


@dataclass(frozen=True, slots=True)
class StepView:
    """One step with everything around it. act: begin, finish or release; token: the request token of the form."""

    step: str
    number: int
    of: int
    section: str
    use: str
    kind: str
    text: str
    note: str
    hazards: tuple[tuple[str, str], ...]
    asks: tuple[AskView, ...]
    act: str
    button: str
    begun: str
    before: str
    after: str
    attempts: tuple[str, ...]
    due_again: str
    final: bool
    hold: HoldView | None
    token: str
    note_value: str = ""
    result_limit: str = ""
    way_out: WayOutView | None = None

    @property
    def takes_photo(self) -> bool:
        """Whether the form must be able to carry a photo."""
        return any(ask.kind == "photo" for ask in self.asks)


@dataclass(frozen=True, slots=True)
class StoppedView:
    """A job at rest or not: who stopped it, why, and the nearest place to leave it."""

    by: str
    at: str
    step: str
    reason: str
    text: str
    explained: bool
    reasons: tuple[tuple[str, str], ...]
    at_rest: bool
    to_rest: tuple[str, ...]
    begun: str
    may_reopen: bool
    token: str


@dataclass(frozen=True, slots=True)
class LooksView:
    """What must be looked at before work goes on."""

    first: str
    expected: str
    id: str
    left: int
    next_step: str
    token: str


@dataclass(frozen=True, slots=True)
class EndView:
    """No step is due: the work is done, in review, returned or accepted."""

    stage: str
    heading: str
    text: str
    may_submit: bool
    may_review: bool
    token: str


@dataclass(frozen=True, slots=True)
class Work:
    """The page of the step that is due. panel names the template of the middle part.

    size, unsettled: how far the job has come, for a tablet that has to go on without the server.
    """

    head: HeadLine
    panel: str
    pictures: tuple[Picture, ...]
    notice: Notice | None = None
    step: StepView | None = None
    stopped: StoppedView | None = None
    looks: LooksView | None = None
    end: EndView | None = None
    contests: ContestsView | None = None
    size: int = 0
    unsettled: int = -1
    person: str = ""


@dataclass(frozen=True, slots=True)
class Refill:
    """What was typed before a refusal, so that nothing is lost."""

    step: str = ""
    answers: Mapping[str, str] = field(default_factory=dict)
    note: str = ""


@lru_cache(maxsize=1)
def _tokens() -> Random:
    """Seeded by the system once: each question to the system lets the writer thread in, in the midst of a page."""
    return Random(secrets.randbits(256))  # noqa: S311  (a token is unlike every other; nothing rests on its secrecy)


def new_token() -> str:
    """Return a fresh request token, made when a form is rendered."""
    return f"{_tokens().getrandbits(128):032x}"


def head_line(job: str, state: JobState, session: Session) -> HeadLine:
    """Return what stays in view on every page of this job."""
    opened, due = state.opened, state.due
    number = state.index.get(due.id, 0) + 1 if due else len(state.steps)
    return HeadLine(
        job=job,
        number=opened.number if opened else "",
        tag=opened.housing.tag if opened else "",
        procedure=f"{opened.procedure_title}, revision {opened.revision}" if opened else "",
        stage=str(state.stage),
        section=section_words(due) if due else "all steps done",
        place=f"step {number} of {len(state.steps)}",
        who=session.who.name,
        role=session.who.role.words,
        tablet=session.tablet,
        rehearsal=REHEARSAL if opened and opened.rehearsal else "",
        may_stop=state.stage not in (Stage.STOPPED, Stage.ACCEPTED),
    )


def section_words(step: Step) -> str:
    """Say where a step stands: stage, port, section, filter position."""
    where = f" {step.port}" if step.port else ""
    position = f", position {step.position}" if step.position else ""
    return f"{step.stage}{where}: {step.title}{position}"


def work_view(
    job: str,
    state: JobState,
    session: Session,
    around: Around,
    *,
    notice: Notice | None = None,
    refill: Refill | None = None,
) -> Work:
    """Return the work page of a job as this person sees it."""
    shown = _panel_of(job, state, session, around, notice, refill)
    return replace(shown, size=state.size, unsettled=state.unsettled_at, person=session.who.id)


def _panel_of(
    job: str, state: JobState, session: Session, around: Around, notice: Notice | None, refill: Refill | None
) -> Work:
    head = head_line(job, state, session)
    due = state.due
    ports = (due.port,) if due and due.port else ()
    match state.stage:
        case Stage.STOPPED:
            return Work(head, "stopped", pictures(state, ()), notice, stopped=_stopped(state, session))
        case Stage.LOOKING:
            return Work(head, "looks", pictures(state, ()), notice, looks=_looks(state))
        case Stage.CONTESTED:
            return Work(
                head, "contests", pictures(state, ()), notice, contests=contests_view(state, session, new_token())
            )
        case Stage.OPEN if due is not None:
            return Work(
                head, "step", pictures(state, ports), notice, step=step_view(state, due, session, around, refill)
            )
        case _:
            return Work(head, "end", pictures(state, ()), notice, end=_end(state, session))


def pictures(state: JobState, ports: tuple[str, ...]) -> tuple[Picture, ...]:
    """Return the drawings of the ports named, or of all."""
    if state.model is None or state.opened is None:
        return ()
    shown = [port for port in state.model.ports if not ports or port.id in ports]
    return tuple(_picture(state, port) for port in shown)


def _picture(state: JobState, port: PortState) -> Picture:
    assert state.model is not None
    assert state.opened is not None
    housing = state.opened.housing
    svg = draw_port(
        state.model,
        port,
        upstream=housing.upstream_damper,
        downstream=housing.downstream_damper,
        doubtful=bool(state.doubtful),
    )
    return Picture(svg, picture_words(state.model, port))


def step_view(state: JobState, step: Step, session: Session, around: Around, refill: Refill | None = None) -> StepView:
    """Return one step as a screen shows it."""
    mark, place = state.mark(step.id), state.index[step.id]
    zone = state.opened.zone if state.opened else "UTC"
    typed = refill if refill and refill.step == step.id else Refill()
    act = "release" if step.kind is StepKind.HOLD else "begin" if step.marks == 2 and mark.begun is None else "finish"
    return StepView(
        step=step.id,
        number=place + 1,
        of=len(state.steps),
        section=section_words(step),
        use=step.use.replace("_", " "),
        kind=KIND_WORDS[step.kind],
        text=step.text,
        note=step.note,
        hazards=tuple((hazard.signal.value, hazard.text) for hazard in step.hazards),
        asks=() if act == "begin" else tuple(_ask(asked, typed.answers, around) for asked in step.asks),
        act=act,
        button=_button(act, step),
        begun=_begun(mark, zone),
        before=_before(state, place, zone),
        after=state.steps[place + 1].text if place + 1 < len(state.steps) else "the end of the job",
        attempts=tuple(_attempt(step, mark, number, zone) for number in range(len(mark.attempts))),
        due_again=state.by_number(mark.due_again or ""),
        final=step.final,
        hold=_hold(state, step, around.people, typed.answers.get(SIGNER, "")) if step.kind is StepKind.HOLD else None,
        token=new_token(),
        note_value=typed.note,
        result_limit="" if act == "begin" else result_limit_words(step),
        way_out=_way_out(state, session) if state.due is step else None,
    )


def result_limit_words(step: Step) -> str:
    """Say within what the result of a step must lie, and where that comes from."""
    limit = step.result_limit
    if step.computes is None or limit is None:
        return ""
    return f"Result {limit_words(limit.low, limit.high, limit.op, limit.unit)} — {limit.basis}"


def result_words(step: Step, result: Result) -> str:
    """Say a result with its limit, margin and uncertainty in one sentence."""
    limit = step.result_limit
    told = [f"Result: {result.shown}"]
    if limit:
        told.append(f"limit {limit_words(limit.low, limit.high, limit.op, limit.unit)}")
    told += [f"margin {result.margin} {unit_words(result.unit)}".strip()] if result.margin else []
    told += [text for text in (result.uncertainty, *(result.notes or ())) if text]
    return "; ".join(told).rstrip(".") + "."


def _way_out(state: JobState, session: Session) -> WayOutView | None:
    way = state.way_out
    if way is None:
        return None
    again = any(name == way.id for name, _ in state.taken)
    told = (
        f"It failed again after that: replace the filters, no patching or caulking ({shown('rg-1.52')})."
        if again
        else ""
    )
    return WayOutView(way.id, way.title, len(way.steps), session.who.role is Role.LEAD, told, new_token())


def _button(act: str, step: Step) -> str:
    match act:
        case "begin":
            return "Begin"
        case "release":
            return "Sign and release"
        case _:
            return "Record" if step.asks else "Done"


def _begun(mark: Mark, zone: str) -> str:
    if mark.begun is None:
        return ""
    return f"Begun by {mark.begun.by.name}, {local_text(mark.begun.at, zone) or 'on this tablet'}"


def _before(state: JobState, place: int, zone: str) -> str:
    if place == 0:
        return "the job was opened"
    last = state.steps[place - 1]
    done = state.mark(last.id).done
    return f"{local_text(done.at, zone)[11:19]} {last.text}".strip() if done else last.text


def _ask(asked: AskedFor, answers: Mapping[str, str], around: Around) -> AskView:
    ask, limit = asked.ask, asked.limit
    return AskView(
        id=ask.id,
        label=ask.label,
        kind=ask.kind,
        unit=unit_words(ask.unit),
        limit=limit_words(limit.low, limit.high, limit.op, limit.unit) if limit else "",
        basis=limit.basis
        if limit
        else ("no limit entered for this site" if ask.kind == "reading" and ask.limit else ""),
        options=ask.options,
        value=answers.get(ask.id, ""),
        required=ask.required,
        twice=ask.twice,
        instruments=_offered(ask.measures, around) if ask.measures else (),
    )


def _offered(kind: InstrumentKind, around: Around) -> tuple[Offered, ...]:
    found = sorted((item for item in around.instruments.values() if item.kind is kind), key=lambda item: item.id)
    return tuple(
        Offered(item.id, f"{item.id}, calibration {'good until' if item.due >= around.on else 'ran out on'} {item.due}",
                item.due >= around.on)
        for item in found
    )  # fmt: skip


def _attempt(step: Step, mark: Mark, number: int, zone: str) -> str:
    stamp, evidence = mark.attempts[number]
    labels = {asked.ask.id: asked.ask.label for asked in step.asks}
    outside = {item.ask for item in evidence.judged if item.verdict == "outside"}
    told = [
        f"{labels.get(name, name)} {answer.text} {unit_words(answer.unit)}".strip()
        for name, answer in evidence.answers.items()
        if name in outside
    ]
    if evidence.result is not None:
        told.append(result_words(step, evidence.result).rstrip("."))
    return f"Attempt {number + 1}, {stamp.by.name}, {local_text(stamp.at, zone)[11:19]}: {'; '.join(told)} — outside"


def _hold(state: JobState, step: Step, people: tuple[Person, ...], chosen: str) -> HoldView:
    able = [person for person in people if person.role is step.role and person.id not in state.performers]
    return HoldView(step.role.words, tuple((person.id, person.name) for person in able), chosen)


def _stopped(state: JobState, session: Session) -> StoppedView:
    stop = state.stop
    assert stop is not None
    assert state.model is not None
    zone = state.opened.zone if state.opened else "UTC"
    due = state.due
    path = nearest_rest(state.model)
    return StoppedView(
        by=stop.stamp.by.name,
        at=local_text(stop.stamp.at, zone),
        step=due.text if due else "",
        reason=STOP_REASONS.get(stop.reason or "", ""),
        text=stop.text,
        explained=stop.reason is not None,
        reasons=tuple(STOP_REASONS.items()),
        at_rest=rests(state.model),
        to_rest=tuple(effect_words(effect) for effect in path or ()),
        begun=_begun(state.mark(due.id), zone) if due else "",
        may_reopen=session.who.role is Role.LEAD and session.who.id != stop.stamp.by.id,
        token=new_token(),
    )


def _looks(state: JobState) -> LooksView:
    item, due = state.rechecks[0], state.due
    return LooksView(
        first=item.text,
        expected=item.expected,
        id=item.id,
        left=len(state.rechecks),
        next_step=due.text if due else "",
        token=new_token(),
    )


END_WORDS = {
    Stage.WORK_DONE: ("Every step is done", "A lead hands the job to review with a signature."),
    Stage.IN_REVIEW: ("In review", "A safety officer reads the record and every exception in it."),
    Stage.RETURNED: ("Returned by the safety officer", ""),
    Stage.ACCEPTED: ("Accepted", "The record is signed for this version."),
}


def _end(state: JobState, session: Session) -> EndView:
    heading, text = END_WORDS.get(state.stage, (str(state.stage), ""))
    role = session.who.role
    return EndView(
        stage=str(state.stage),
        heading=heading,
        text=state.returned or text,
        may_submit=role is Role.LEAD and state.stage in (Stage.WORK_DONE, Stage.RETURNED),
        may_review=role is Role.SAFETY_OFFICER and state.stage is Stage.IN_REVIEW,
        token=new_token(),
    )
