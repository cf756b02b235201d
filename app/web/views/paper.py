"""Paper as screens show it: the blanks of a job, and the form on which a mark comes back from one."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from app.domain.job import JobState, Stage
from app.domain.paper import HOW_WORDS, Blank
from app.domain.procedure import Role, Second, StepKind
from app.records.moments import local_text
from app.services.ports import Person, Session
from app.web.views.step import Around, AskView, asks_of, difference_words, new_token, section_words

SECOND_AT = {Second.CONCURRENT: "who was there", Second.WITNESS: "who read it again"}
"""What the second person at a step did there, by the kind of second person it takes."""
LIVE_ROWS = (
    "This step is done row by row. Each lock on the page is entered on the screen of the step, signed in as whoever "
    "put it on or took it off; then the paper goes on here."
)
LIVE_PAUSE = (
    "At this pause each of the crew speaks for themselves. It is held anew on the screen of the step; then the paper "
    "goes on here."
)


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
    hows: tuple[tuple[str, str], ...]
    token: str


@dataclass(frozen=True, slots=True)
class EntryPage:
    """What stands on paper for the step that is due.

    two_marks: it was not begun yet, so both times are asked, and what is asked at its beginning.  live: why nothing is
    entered here: it is done row by row, each signed in, or each of the crew speaks.  remark: how a note of it begins.
    seconds: who may compare.  second_at: what the second person at the work did, where the step takes two; besides: who
    that may have been, whether they are here now or not.
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
    live: str
    remark: str
    people: tuple[tuple[str, str], ...]
    seconds: tuple[tuple[str, str], ...]
    today: str
    token: str
    differing: tuple[str, ...] = ()
    second_at: str = ""
    besides: tuple[tuple[str, str], ...] = ()


def paper_page(state: JobState) -> PaperPage:
    """Return the blanks of a job, newest first."""
    rows = tuple(_row(state, number, blank) for number, blank in enumerate(state.paper.blanks, start=1))
    return PaperPage(
        rows=rows[::-1],
        may_print=state.due is not None and state.stage is not Stage.ACCEPTED,
        may_enter=state.stage is Stage.OPEN,
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
    now: str, typed: Mapping[str, str],
) -> EntryPage | None:  # fmt: skip
    """Return the form for the step that is due; None where no step is due."""
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
        live=LIVE_ROWS if due.table is not None else LIVE_PAUSE if due.says and state.crew.enforced else "",
        remark=f"Step {state.place + 1} stands on paper {blank.serial}: ",
        people=tuple((person.id, f"{person.name}, {person.role.words}") for person in workers),
        seconds=tuple((person.id, person.name) for person in workers if person.id != session.who.id),
        today=local_text(now, zone)[:10],
        token=new_token(),
        differing=tuple(difference_words(due, item, zone) for item in state.mark(due.id).differing),
        second_at=SECOND_AT[due.second] if due.second else "",
        besides=tuple((who.id, who.name) for who in (state.crew.present if state.crew.enforced else workers)),
    )
