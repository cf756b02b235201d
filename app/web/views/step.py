"""One step as a screen shows it: hazards, action, what is asked with its limits, what came before and comes next."""

import secrets
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from functools import lru_cache
from random import Random

from app.calc.sources import shown
from app.domain.event_base import Result
from app.domain.instruments import Instrument, InstrumentKind
from app.domain.job import JobState, Mark
from app.domain.labels import look_alikes
from app.domain.procedure import Role, StepKind
from app.domain.steps import AskedFor, Step
from app.domain.words import unit_words
from app.records.moments import local_text
from app.records.wording import limit_words
from app.services.ports import Person, Session

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
    expects: str = ""
    not_these: tuple[str, ...] = ()


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


def section_words(step: Step) -> str:
    """Say where a step stands: stage, port, section, filter position."""
    where = f" {step.port}" if step.port else ""
    position = f", position {step.position}" if step.position else ""
    return f"{step.stage}{where}: {step.title}{position}"


def step_view(state: JobState, step: Step, session: Session, around: Around, refill: Refill | None = None) -> StepView:
    """Return one step as a screen shows it."""
    mark, place = state.mark(step.id), state.index[step.id]
    zone = state.opened.zone if state.opened else "UTC"
    typed = refill if refill and refill.step == step.id else Refill()
    neighbours = (state.opened.housing.neighbours if state.opened else None) or ()
    act = "release" if step.kind is StepKind.HOLD else "begin" if step.marks == 2 and mark.begun is None else "finish"
    return StepView(
        step=step.id,
        number=place + 1,
        of=len(state.steps),
        section=section_words(step),
        use=step.use.words,
        kind=KIND_WORDS[step.kind],
        text=step.text,
        note=step.note,
        hazards=tuple((hazard.signal.value, hazard.text) for hazard in step.hazards),
        asks=tuple(
            _ask(asked, typed.answers, around, neighbours)
            for asked in step.asks_at("begin" if act == "begin" else "finish")
        ),
        act=act,
        button=_button(act, step),
        begun=begun_words(mark, zone),
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
    return f"The result must be {limit_words(limit.low, limit.high, limit.op, limit.unit)} — {limit.basis}"


def result_words(step: Step, result: Result, *, elsewhere: bool = False) -> str:
    """Say a result with its limit, margin and uncertainty; `elsewhere`: on another step, so its own is named."""
    limit = step.result_limit
    of = f" of “{step.text.rstrip('.')}”" if elsewhere else ""
    told = [f"Result{of}: {result.shown}"]
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
            return "Record" if step.asks_at("finish") else "Done"


def begun_words(mark: Mark, zone: str) -> str:
    """Say who began a step and when."""
    if mark.begun is None:
        return ""
    return f"Begun by {mark.begun.by.name}, {local_text(mark.begun.at, zone) or 'on this tablet'}"


def _before(state: JobState, place: int, zone: str) -> str:
    if place == 0:
        return "the job was opened"
    last = state.steps[place - 1]
    done = state.mark(last.id).done
    return f"{local_text(done.at, zone)[11:19]} {last.text}".strip() if done else last.text


def _ask(asked: AskedFor, answers: Mapping[str, str], around: Around, neighbours: tuple[str, ...]) -> AskView:
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
        expects=ask.expects or "",
        not_these=look_alikes(ask.expects, neighbours) if ask.expects else (),
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
