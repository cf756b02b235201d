"""The brief, the log, the questions after a job and the lessons of the site, as pages."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from app.domain.events import Event, NoteWritten
from app.domain.job import JobState
from app.domain.job_lines import JobLine
from app.domain.lessons import DEVIATIONS, FURTHER, questions_of
from app.domain.suggestions import About
from app.records.brief import Brief, brief_of
from app.records.moments import local_text
from app.services.ports import Person, Session
from app.web.entered import Refilled
from app.web.views.crew import CrewRow, crew_rows, must_be_briefed, parts, to_acknowledge
from app.web.views.step import new_token
from app.web.views.work import HeadLine, head_line


@dataclass(frozen=True, slots=True)
class BriefPage:
    """The brief, the crew, and the form to acknowledge it. me: whoever is signed in, if they may acknowledge."""

    head: HeadLine
    brief: Brief | None
    crew: tuple[CrewRow, ...]
    people: tuple[tuple[str, str], ...]
    parts: tuple[tuple[str, str], ...]
    chosen: str
    open: bool
    form: Refilled
    leaving: Refilled
    token: str
    other_token: str


def brief_page(
    job: str, state: JobState, session: Session, people: Iterable[Person], *, form: Refilled, leaving: Refilled
) -> BriefPage:
    """Return the brief of a job; the form first offers whoever is signed in, then whom the job waits for."""
    able = to_acknowledge(state, people)
    chosen = form["person"] or (session.who.id if must_be_briefed(state, session) else "")
    return BriefPage(
        head=head_line(job, state, session),
        brief=brief_of(state),
        crew=crew_rows(state, session),
        people=able,
        parts=parts(),
        chosen=chosen,
        open=state.crew.enforced and state.accepted is None,
        form=form,
        leaving=leaving,
        token=new_token(),
        other_token=new_token(),
    )


@dataclass(frozen=True, slots=True)
class LogLine:
    """One note: entry, when, who, text, and the entry that it goes on from (0: none)."""

    entry: int
    at: str
    who: str
    text: str
    follows: int


@dataclass(frozen=True, slots=True)
class LogPage:
    """The notes of a job, oldest first, and the form to write one."""

    head: HeadLine
    lines: tuple[LogLine, ...]
    form: Refilled
    token: str


def log_page(job: str, state: JobState, events: Sequence[Event], session: Session, *, form: Refilled) -> LogPage:
    """Return the log of a job."""
    zone = state.opened.zone if state.opened else "UTC"
    return LogPage(
        head=head_line(job, state, session),
        lines=tuple(
            LogLine(event.seq, local_text(event.at, zone), event.by.name, event.text, event.follows or 0)
            for event in events
            if isinstance(event, NoteWritten)
        ),
        form=form,
        token=new_token(),
    )


@dataclass(frozen=True, slots=True)
class Deviation:
    """One deviation: its entry, kind, sentence, step number (0: none), and the answers as far as there are any.

    asked: name of the field and question.
    """

    entry: int
    kind: str
    sentence: str
    number: int
    answers: tuple[tuple[str, str], ...]
    asked: tuple[tuple[str, str], ...]
    by: str


@dataclass(frozen=True, slots=True)
class QuestionsPage:
    """The deviations of a job with their questions."""

    head: HeadLine
    open: tuple[Deviation, ...]
    answered: tuple[Deviation, ...]
    form: Refilled
    token: str


def questions_page(job: str, state: JobState, session: Session, *, form: Refilled) -> QuestionsPage:
    """Return the questions after a job."""
    return QuestionsPage(
        head=head_line(job, state, session),
        open=tuple(_deviation(state, item.seq) for item in state.unanswered),
        answered=tuple(_deviation(state, entry) for entry in sorted(state.lessons.answered)),
        form=form,
        token=new_token(),
    )


def _deviation(state: JobState, entry: int) -> Deviation:
    zone = state.opened.zone if state.opened else "UTC"
    found = [item for item in state.notables if item.seq == entry]
    item = next((item for item in found if item.asked_as in DEVIATIONS or item.asked_as in FURTHER), found[0])
    given = state.lessons.answered.get(entry)
    return Deviation(
        entry=entry,
        kind=item.kind,
        sentence=state.by_number(item.sentence),
        number=state.index.get(item.step or "", -1) + 1,
        answers=given.told if given else (),
        asked=questions_of(item.asked_as),
        by=f"{given.by.name}, {local_text(given.at, zone)}" if given else "",
    )


@dataclass(frozen=True, slots=True)
class LessonsPage:
    """What jobs taught, by procedure and revision: for each deviation the job, its ledger and the answers.

    past, of: how many of how many jobs have been looked at, newest first.  suggested: by job and entry of a deviation,
    the suggestion that came of it.
    """

    procedures: tuple[tuple[str, tuple[tuple[str, str, str, Deviation], ...]], ...]
    past: int = 0
    of: int = 0
    suggested: Mapping[tuple[str, int], int] = field(default_factory=dict)
    about: tuple[str, ...] = tuple(About)


def lessons_page(
    jobs: Iterable[tuple[JobLine, JobState]], suggested: Mapping[tuple[str, int], int], *, past: int, of: int
) -> LessonsPage:
    """Return the answers of these jobs, newest job first, by the procedure that they speak about."""
    found: dict[str, list[tuple[str, str, str, Deviation]]] = {}
    for line, state in jobs:
        if state.opened is None:
            continue
        name = f"{state.opened.procedure_title}, {state.opened.procedure} revision {state.opened.revision}"
        for entry in sorted(state.lessons.answered):
            found.setdefault(name, []).append((line.number, line.job, line.housing, _deviation(state, entry)))
    return LessonsPage(tuple((name, tuple(rows)) for name, rows in sorted(found.items())), past, of, suggested)
