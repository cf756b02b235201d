"""Paper as screens show it: the blanks of a job, and the form on which a mark comes back from one."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from app.domain.deciding.isolation import named_at, unlocked
from app.domain.event_base import Who
from app.domain.housing import FurtherKind
from app.domain.job import JobState, Stage
from app.domain.locks import OTHERWISE
from app.domain.paper import HOW_WORDS, Blank
from app.domain.procedure import Role, Second, StepKind
from app.domain.steps import Step
from app.domain.words import unit_words
from app.records.moments import local_text
from app.services.ports import Person, Session
from app.web.views.step import Around, AskView, asks_of, difference_words, new_token, section_words

SECOND_AT = {Second.CONCURRENT: "who was there", Second.WITNESS: "who read it again"}
"""What the second person at a step did there, by the kind of second person it takes."""
AS_ASKED = "as the row asks"
"""The answer that says that a point of isolation was in its safe position."""
OWN_ON, OWN_OFF, READING = "own lock on", "own lock off", "repeated reading"
"""What goes beside the steps of a page."""


@dataclass(frozen=True, slots=True)
class BlankRow:
    """One blank. number: its place among the job's, from 1. state: how it was accounted for, or that it is out."""

    number: int
    serial: str
    printed: str
    first: str
    state: str
    out: bool
    token: str


@dataclass(frozen=True, slots=True)
class PaperPage:
    """All blanks of a job. may_print: whether a step is left to be printed."""

    rows: tuple[BlankRow, ...]
    may_print: bool
    may_enter: bool
    over: bool
    hows: tuple[tuple[str, str], ...]
    token: str


@dataclass(frozen=True, slots=True)
class Before:
    """What the entry before from the same blank had, so that it is not given again for each line of a page."""

    why_late: str = ""
    photo: str = ""


def _before(state: JobState, blank: Blank, who: Who) -> Before:
    """What whoever enters has entered before; nobody else is led to a page that they may have to verify unseen."""
    newest = state.paper.newest
    came = newest.transcribed if newest is not None and newest.by.id == who.id else None
    if came is None or came.serial != blank.serial:
        return Before()
    return Before(came.why_late, came.photo)


@dataclass(frozen=True, slots=True)
class EntryPage:
    """What stands on paper for the step that is due.

    two_marks: it was not begun yet, so both times are asked, and what is asked at its beginning.
    rows: for a step done row by row, the points that are left, each with its words; locking: whether locks go on there.
    speakers: for a team pause, who of the crew has yet to speak.
    seconds: who may compare.  second_at: what the second person at the work did, where the step takes two; besides: who
    that may have been, whether they are here now or not.  kinds: of further points, where the step names them; naming:
    whether the form is for one.
    """

    serial: str
    blank: int
    step: str
    number: int
    of: int
    section: str
    text: str
    asks: tuple[AskView, ...]
    hold: str
    two_marks: bool
    rows: tuple[tuple[str, str], ...]
    locking: bool
    speakers: tuple[tuple[str, str], ...]
    people: tuple[tuple[str, str], ...]
    seconds: tuple[tuple[str, str], ...]
    today: str
    token: str
    before: Before
    differing: tuple[str, ...] = ()
    second_at: str = ""
    as_asked: str = AS_ASKED
    otherwise: str = OTHERWISE
    kinds: tuple[tuple[str, str], ...] = ()
    naming: bool = False
    besides: tuple[tuple[str, str], ...] = ()


def paper_page(state: JobState) -> PaperPage:
    """Return the blanks of a job, newest first."""
    rows = tuple(_row(state, number, blank) for number, blank in enumerate(state.paper.blanks, start=1))
    return PaperPage(
        rows=rows[::-1],
        may_print=state.due is not None and state.stage is not Stage.ACCEPTED,
        may_enter=state.stage is Stage.OPEN,
        over=state.stage is Stage.ACCEPTED,
        hows=tuple(HOW_WORDS.items()),
        token=new_token(),
    )


def _row(state: JobState, number: int, blank: Blank) -> BlankRow:
    zone = state.opened.zone if state.opened else "UTC"
    place = state.index.get(blank.step, 0) + 1
    return BlankRow(
        number=number,
        serial=blank.serial,
        printed=f"{local_text(blank.at, zone)} by {blank.by.name}",
        first=f"from step {place}, {blank.steps} steps",
        state=HOW_WORDS[blank.how] if blank.how else "out",
        out=blank.how is None,
        token=new_token(),
    )


def entry_page(
    state: JobState, number: int, blank: Blank, session: Session, around: Around, people: Iterable[Person], *,
    now: str, typed: Mapping[str, str], further: bool = False,
) -> EntryPage | None:  # fmt: skip
    """Return the form for the step that is due; None where no step is due.  further: for a point to be named."""
    due = state.due
    if due is None:
        return None
    workers = [person for person in people if person.role is not Role.ADMINISTRATOR]
    zone = state.opened.zone if state.opened else "UTC"
    neighbours = (state.opened.housing.neighbours if state.opened else None) or ()
    two_marks = due.marks == 2 and state.mark(due.id).begun is None
    first = asks_of(due, typed, around, neighbours, act="begin") if two_marks else ()
    return EntryPage(
        serial=blank.serial,
        blank=number,
        step=due.id,
        number=state.place + 1,
        of=len(state.steps),
        section=section_words(due),
        text=due.text,
        asks=(*first, *asks_of(due, typed, around, neighbours)),
        hold=due.role.words if due.kind is StepKind.HOLD else "",
        two_marks=two_marks,
        rows=_rows_left(state, due),
        locking=due.table == "locks_on",
        kinds=tuple((str(kind), kind.words) for kind in FurtherKind) if due.further else (),
        naming=bool(due.further) and (further or not (unlocked(state) or named_at(state, due))),
        speakers=_speakers(state, due),
        people=tuple((person.id, f"{person.name}, {person.role.words}") for person in workers),
        seconds=tuple((person.id, person.name) for person in workers if person.id != session.who.id),
        today=local_text(now, zone)[:10],
        token=new_token(),
        before=_before(state, blank, session.who),
        differing=tuple(difference_words(due, item, zone) for item in state.mark(due.id).differing),
        second_at=SECOND_AT[due.second] if due.second else "",
        besides=tuple((who.id, who.name) for who in (state.crew.present if state.crew.enforced else workers)),
    )


def _rows_left(state: JobState, due: Step) -> tuple[tuple[str, str], ...]:
    if due.table == "locks_on":
        return tuple((item.id, f"{item.tag}, to be {item.safe}") for item in unlocked(state))
    on = ((item, state.locks.at(item.id)) for item in state.points) if due.table == "locks_off" else ()
    return tuple((item.id, f"{item.tag}, locked by {row.by.name}") for item, row in on if row is not None)


def _speakers(state: JobState, due: Step) -> tuple[tuple[str, str], ...]:
    if not due.says or not state.crew.enforced:
        return ()
    return tuple((who.id, who.name) for who in state.unspoken(due.id))


@dataclass(frozen=True, slots=True)
class BesidePage:
    """What goes beside the steps of a page: own locks and repeated readings.

    whats: the kinds there are.  reading: what the field for a number asks beside that of a lock.
    """

    serial: str
    blank: int
    whats: tuple[str, ...]
    people: tuple[tuple[str, str], ...]
    seconds: tuple[tuple[str, str], ...]
    reading: str
    today: str
    token: str
    before: Before


def beside_page(
    state: JobState, number: int, blank: Blank, session: Session, people: Iterable[Person], *, now: str
) -> BesidePage:
    """Return the form for what stands on a page beside the steps."""
    workers = [person for person in people if person.role is not Role.ADMINISTRATOR]
    opened = state.opened
    repeated = opened.repeated if opened else None
    return BesidePage(
        serial=blank.serial,
        blank=number,
        whats=(OWN_ON, OWN_OFF, *((READING,) if repeated else ())),
        people=tuple((person.id, f"{person.name}, {person.role.words}") for person in workers),
        seconds=tuple((person.id, person.name) for person in workers if person.id != session.who.id),
        reading=f", or the reading in {unit_words(repeated.unit)}" if repeated else "",
        today=local_text(now, opened.zone if opened else "UTC")[:10],
        token=new_token(),
        before=_before(state, blank, session.who),
    )
