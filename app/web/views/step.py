"""One step as a screen shows it: hazards, action, what is asked with its limits, what came before and comes next."""

import secrets
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from functools import lru_cache
from random import Random
from typing import Literal

from app.calc.sources import shown
from app.domain.event_base import Result
from app.domain.instruments import Instrument, InstrumentKind
from app.domain.job import Difference, JobState, Mark
from app.domain.killers import permit_line
from app.domain.labels import look_alikes
from app.domain.packages import to_label
from app.domain.procedure import Role, Second, StepKind
from app.domain.steps import AskedFor, Step
from app.domain.words import unit_words
from app.records.brief import abort_line
from app.records.deviations import changed_words
from app.records.moments import local_text
from app.records.wording import complete_words, limit_words, part_words
from app.services.ports import Person, Session
from app.web.views.crew import PauseView, crew_choices, must_be_briefed, pause_view

KIND_WORDS = {
    StepKind.ACTION: "Act", StepKind.CHECK: "Compare", StepKind.VERIFY: "Verify, somebody else",
    StepKind.READING: "Read and record", StepKind.NOTIFY: "Tell", StepKind.DECIDE: "Choose",
    StepKind.HOLD: "Hold point", StepKind.PAUSE: "All pause",
}  # fmt: skip


SIGNER = "person"
WAY_OUT = "way-out"
"""What a refill of the form for a way out is known by; its answers are the fields."""


@dataclass(frozen=True, slots=True)
class Around:
    """What lies around a job that its steps let one choose from.

    people: at a hold point everybody.  instruments: the site's register.  on: the day at the site.
    worker: for whom this tablet records.
    newer: a revision that was issued since the job began, in words for a lead.
    unfit: lots of the job's kit that the step that is due must not use, each with the reason.
    """

    people: tuple[Person, ...] = ()
    instruments: Mapping[str, Instrument] = field(default_factory=dict)
    on: date = date.min
    worker: str = ""
    newer: str = ""
    unfit: tuple[str, ...] = ()


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
    reason: str = ""


@dataclass(frozen=True, slots=True)
class HoldView:
    """Who may release a hold point.

    absent: who of that role may not, and why, in words.  briefed_first: only who has acknowledged the brief is offered.
    unbriefed: who of that role has not, by name.
    """

    role: str
    people: tuple[tuple[str, str], ...]
    chosen: str = ""
    absent: tuple[str, ...] = ()
    briefed_first: bool = False
    unbriefed: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class SecondView:
    """The second person of a step. words: what they are there for; people: who it may be."""

    words: str
    people: tuple[tuple[str, str], ...]
    chosen: str = ""


@dataclass(frozen=True, slots=True)
class StepView:
    """One step with everything around it. act: begin, finish, release or pause; token: the form's request token.

    crew: whom a mark may be recorded for (id, name), the first is whoever marks; worker: who is chosen.
    section_done: the section, or the part of it, that has just been completed.
    abort: what stops the work while a door is off.  permit: its number and last day, once they are on record.
    brief_first: whoever is signed in has to be briefed before marking.  questions: deviations to be answered for,
    at the last step.  unfit: lots of the job's kit that it must not use, each with the reason.
    """

    step: str
    number: int
    of: int
    section: str
    use: str
    kind: str
    text: str
    note: str
    hazards: tuple[tuple[str, str], ...]
    hazards_sha256: str
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
    changes: tuple[tuple[str, tuple[tuple[str, str, str], ...]], ...] = ()
    waits: str = ""
    by_radio: bool = False
    unfit: tuple[str, ...] = ()
    second: SecondView | None = None
    differing: tuple[str, ...] = ()
    why_value: str = ""
    pause: PauseView | None = None
    crew: tuple[tuple[str, str], ...] = ()
    worker: str = ""
    section_done: str = ""
    abort: str = ""
    permit: str = ""
    brief_first: bool = False
    questions: int = 0

    @property
    def worker_name(self) -> str:
        """The name of whom a mark is recorded for."""
        return dict(self.crew).get(self.worker, "")

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
    second: str = ""
    why: str = ""


@lru_cache(maxsize=1)
def _tokens() -> Random:
    """Seeded by the system once: each question to the system lets the writer thread in, in the midst of a page."""
    return Random(secrets.randbits(256))  # noqa: S311  (a token is unlike every other; nothing rests on its secrecy)


def new_token() -> str:
    """Return a fresh request token, made when a form is rendered."""
    return f"{_tokens().getrandbits(128):032x}"


def section_words(step: Step) -> str:
    """Say where a step stands: stage, port, section, filter position, part of the section."""
    return f"{_whole_section(step)}{part_words(step)}"


def _whole_section(step: Step) -> str:
    where = f" {step.port}" if step.port else ""
    position = f", position {step.position}" if step.position else ""
    return f"{step.stage}{where}: {step.title}{position}"


def step_view(state: JobState, step: Step, session: Session, around: Around, refill: Refill | None = None) -> StepView:
    """Return one step as a screen shows it."""
    mark, place = state.mark(step.id), state.index[step.id]
    zone = state.opened.zone if state.opened else "UTC"
    typed = refill if refill and refill.step == step.id else Refill()
    act = _act(state, step, mark)
    crew = crew_choices(state, step, session)
    neighbours = (state.opened.housing.neighbours if state.opened else None) or ()
    return StepView(
        step=step.id,
        number=place + 1,
        of=len(state.steps),
        section=section_words(step),
        use=step.use.words,
        kind=KIND_WORDS[step.kind],
        text=step.text,
        note=_note(state, step),
        hazards=tuple((hazard.signal.value, hazard.text) for hazard in step.hazards),
        hazards_sha256=step.hazards_sha256,
        asks=_as_prepared(
            state, asks_of(step, typed.answers, around, neighbours, act="begin" if act == "begin" else "finish")
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
        way_out=_way_out(state, session, refill) if state.due is step else None,
        second=_second(state, step, act, session, around.people, typed.second),
        differing=tuple(difference_words(step, item, zone) for item in mark.differing),
        why_value=typed.why,
        pause=pause_view(state, step, typed.answers) if act == "pause" else None,
        crew=crew,
        worker=around.worker if around.worker in dict(crew) else "",
        section_done=_section_done(state, place, zone),
        abort=abort_line(state),
        permit=permit_line(state),
        brief_first=must_be_briefed(state, session),
        questions=len(state.unanswered) if place + 1 == len(state.steps) else 0,
        changes=tuple(
            (item.proposed.number, tuple(changed_words(item.proposed))) for item in state.changes.in_force_at(step.id)
        ),
        waits=waiting.proposed.number if (waiting := state.changes.waiting_at(step.id)) else "",
        by_radio=bool(step.by_radio),
        unfit=around.unfit,
    )


def _note(state: JobState, step: Step) -> str:
    number = to_label(state, step)
    return f"This package is {number}: that number goes on its label. {step.note}".strip() if number else step.note


def _act(state: JobState, step: Step, mark: Mark) -> str:
    if step.kind is StepKind.HOLD:
        return "release"
    if step.says and state.crew.enforced:
        return "pause"
    return "begin" if step.marks == 2 and mark.begun is None else "finish"


def _section_done(state: JobState, place: int, zone: str) -> str:
    """At the first step of a section or part: that the one before is complete, with its steps and the last time."""
    last, here = state.steps[max(place - 1, 0)], state.steps[place]
    if last.section != here.section:
        words, told = _whole_section(last), complete_words(state, last.section, zone)
    elif last.part and last.part != here.part:
        words, told = last.part, complete_words(state, last.section, zone, last.part)
    else:
        return ""
    return f"{words} — {told}." if told else ""


SECOND_WORDS = {
    "begin": "Two people: both have looked and agree",
    "finish": "Two people: both saw it done",
    "witness": "Two people: each read every number asked twice",
}


def _second(
    state: JobState, step: Step, act: str, session: Session, people: tuple[Person, ...], chosen: str
) -> SecondView | None:
    if step.second is None or act == "release" or (step.second is Second.WITNESS and act == "begin"):
        return None
    able = [item for item in people if item.role is not Role.ADMINISTRATOR and item.id != session.who.id]
    able = [item for item in able if not state.crew.enforced or state.crew.member(item.id)]
    able = [item for item in able if item.id not in state.leaving.gone | state.changes.approvers_at(step.id)]
    words = SECOND_WORDS["witness" if step.second is Second.WITNESS else act]
    return SecondView(words, tuple((item.id, item.name) for item in able), chosen)


def difference_words(step: Step, item: Difference, zone: str) -> str:
    """Say which two entries of a number differ, and whose they are."""
    label = next((asked.ask.label for asked in step.asks if asked.ask.id == item.ask), item.ask)
    pair = f"{item.stamp.by.name} and {item.stamp.second.name}" if item.stamp.second else item.stamp.by.name
    return f"{label}: {item.first} and {item.again} were entered ({pair}, {local_text(item.stamp.at, zone)[11:19]})"


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


def _way_out(state: JobState, session: Session, refill: Refill | None) -> WayOutView | None:
    way = state.way_out
    if way is None:
        return None
    again = any(name == way.id for name, _ in state.taken)
    told = (
        f"It failed again after that: replace the filters, no patching or caulking ({shown('rg-1.52')})."
        if again
        else ""
    )
    reason = refill.answers.get("reason", "") if refill and refill.step == WAY_OUT else ""
    return WayOutView(way.id, way.title, len(way.steps), session.who.role is Role.LEAD, told, new_token(), reason)


def _button(act: str, step: Step) -> str:
    match act:
        case "begin":
            return "Begin"
        case "release":
            return "Sign and release"
        case "pause":
            return "Record who has spoken"
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


def _as_prepared(state: JobState, asks: tuple[AskView, ...]) -> tuple[AskView, ...]:
    """Say beside a question what the readiness of the planned work gives for it; nobody's answer is filled in."""
    prepared = state.opened.prepared if state.opened else None
    named = (prepared.named if prepared else None) or {}
    if prepared is None or not named:
        return asks
    return tuple(
        replace(ask, basis=f"{prepared.plan} names: {named[ask.id]}. Enter what holds here.")
        if ask.id in named and not ask.limit
        else ask
        for ask in asks
    )


def asks_of(
    step: Step, typed: Mapping[str, str], around: Around, neighbours: tuple[str, ...] = (),
    *, act: Literal["begin", "finish"] = "finish",
) -> tuple[AskView, ...]:  # fmt: skip
    """Return what a step asks for at a mark, with what was typed before."""
    return tuple(_ask(asked, typed, around, neighbours) for asked in step.asks_at(act))


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
    asked = [person for person in people if person.role is step.role]
    outside = not state.crew.enforced or step.role is Role.SAFETY_OFFICER
    fit = [person for person in asked if person.id not in state.performers | state.leaving.gone]
    able = [person for person in fit if outside or state.crew.member(person.id) or person.id in state.crew.signers]
    unbriefed = tuple(person.name for person in fit if person not in able)
    absent = tuple(f"{person.name} has worked on this job" for person in asked if person.id in state.performers)
    told = tuple((person.id, person.name) for person in able)
    return HoldView(step.role.words, told, chosen, absent, not outside, unbriefed)
