"""Pages and panels about the crew: the brief, who has yet to speak at a pause, whom a mark is recorded for."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date

from app.domain.crew import Part, Qualifications, lacking
from app.domain.event_base import Who
from app.domain.job import JobState
from app.domain.killers import to_say
from app.domain.procedure import Role, StepKind
from app.domain.steps import Step
from app.records.moments import local_text
from app.services.ports import Person, Session

WORKERS = (Role.TECHNICIAN, Role.LEAD, Role.SAFETY_OFFICER)
SPOKEN_SECRET, SPOKEN_ALOUD = "spoken.", "aloud."
"""Before a person's id: the field of the own secret at a pause, and that of "said aloud"."""


@dataclass(frozen=True, slots=True)
class PauseView:
    """A team pause. says: heading and value; spoken: who spoke and how; missing: id, name, ticked before a refusal."""

    says: tuple[tuple[str, str], ...]
    spoken: tuple[tuple[str, str], ...]
    missing: tuple[tuple[str, str, bool], ...]


def pause_view(state: JobState, step: Step, typed: Mapping[str, str]) -> PauseView:
    """Return what a pause says and who has yet to speak."""
    zone = state.opened.zone if state.opened else "UTC"
    missing = state.unspoken(step.id)
    left = {who.id for who in missing}
    heard = {
        item.person.id: (item.person.name, f"{item.how}, {local_text(item.at, zone)[11:19]}")
        for item in state.crew.confirmed.get(step.id, ())
        if item.person.id not in left and state.crew.member(item.person.id)
    }
    return PauseView(
        says=to_say(state, step),
        spoken=tuple(heard.values()),
        missing=tuple((who.id, who.name, SPOKEN_ALOUD + who.id in typed) for who in missing),
    )


def crew_choices(state: JobState, step: Step, session: Session) -> tuple[tuple[str, str], ...]:
    """Return whom a mark may be recorded for, whoever marks first with an empty id; nothing if there is no choice."""
    barred = {session.who.id} | state.changes.approvers_at(step.id)
    others = [who for who in state.crew.present if who.id not in state.leaving.gone | barred]
    if not others or step.kind in (StepKind.VERIFY, StepKind.HOLD, StepKind.PAUSE) or must_be_briefed(state, session):
        return ()
    return (("", f"{session.who.name}, who marks"), *((who.id, who.name) for who in others))


def must_be_briefed(state: JobState, session: Session) -> bool:
    """Whether this person has to be briefed before marking anything in this job."""
    return state.crew.enforced and state.crew.member(session.who.id) is None


def has_no_brief(state: JobState, session: Session) -> bool:
    """Whether this person has to be briefed, in either part, before looking at the housing for this job."""
    return must_be_briefed(state, session) and session.who.id not in state.crew.signers


@dataclass(frozen=True, slots=True)
class CrewRow:
    """One of the crew as a list shows them: standing in words; may_leave: whoever is signed in may take them off."""

    id: str
    name: str
    standing: str
    may_leave: bool


@dataclass(frozen=True, slots=True)
class BriefPanel:
    """What holds the first step: who has acknowledged the brief and who has yet to."""

    briefed: tuple[str, ...]
    waiting: tuple[str, ...]


def brief_panel(state: JobState) -> BriefPanel:
    """Return who has been briefed, and for whom the job waits."""
    return BriefPanel(tuple(who.name for who in state.crew.present), tuple(who.name for who in state.crew.waiting))


def crew_rows(state: JobState, session: Session) -> tuple[CrewRow, ...]:
    """Return the crew: those who wait for the brief first."""

    def row(who: Who, standing: str) -> CrewRow:
        return CrewRow(who.id, who.name, standing, session.who.role is Role.LEAD or session.who.id == who.id)

    return (
        *(row(who, "has not acknowledged the brief") for who in state.crew.waiting),
        *(row(who, "briefed, takes part") for who in state.crew.present),
    )


def to_acknowledge(state: JobState, people: Iterable[Person]) -> tuple[tuple[str, str], ...]:
    """Return who could acknowledge the brief, the crew named at opening first: id, name with role."""
    waiting = [who.id for who in state.crew.waiting]
    able = [person for person in people if person.role in WORKERS and state.crew.member(person.id) is None]
    first = sorted(able, key=lambda person: (person.id not in waiting, person.name))
    return tuple((person.id, f"{person.name}, {person.role.words}") for person in first)


def parts() -> tuple[tuple[str, str], ...]:
    """Return what one can be briefed for: id and the meaning that is signed."""
    return tuple((part.value, part.meaning) for part in Part)


def standing_words(who: Who, register: Qualifications, needs: tuple[str, ...], on: date) -> str:
    """Say how a person stands to the qualifications that a job needs; nothing if it needs none."""
    if not needs:
        return ""
    told = lacking(who, register, needs, on)
    return "; ".join(told) if told else "holds all that is needed today"
