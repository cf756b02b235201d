"""Locks as screens show them: the rows of the step that is due, the parts of a trial, everybody's locks on one page."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from app.domain.containment.state import Door
from app.domain.deciding.isolation import named_at
from app.domain.housing import DAMPERS, FurtherKind, Point
from app.domain.job import JobState, Stage
from app.domain.locks import OTHERWISE, Hung, StrokePart
from app.domain.procedure import Role
from app.domain.steps import Step
from app.domain.watching import MOST_MISSED, stands_open
from app.domain.words import unit_words
from app.records.locks import LOCK_COLUMNS, lock_list, lock_tables, on_in
from app.records.moments import local_text
from app.records.veil import UNSEEN
from app.records.wording import limit_words
from app.services.ports import Person, Session
from app.web.views.crew import must_be_briefed
from app.web.views.step import Refill, new_token

ROW = "row"
"""What a refill of a row's form is known by; its answers are the fields."""


@dataclass(frozen=True, slots=True)
class RowView:
    """One point of isolation.  state: what stands in its row; chosen: whether the form below is for it."""

    point: str
    tag: str
    kind: str
    safe: str
    state: str
    chosen: bool
    open: bool


@dataclass(frozen=True, slots=True)
class NamingView:
    """The form that names a point beyond the nameplate.  first: it is what is to be done now, before any row.

    kinds: to choose from, each with its words.  may_strike: points named here that no lock is on, with their tags.
    """

    first: bool
    kinds: tuple[tuple[str, str], ...]
    may_strike: tuple[tuple[str, str], ...]
    token: str


@dataclass(frozen=True, slots=True)
class LocksView:
    """The rows of a step, or the part of a trial that comes next.

    act: on, off or the part of a trial; point, tag: what the form is for, empty if there is nothing to record here.
    options: positions to choose from, the safe one first.  typed: what was typed before a refusal.
    brief_first: whoever is signed in has to be briefed before recording anything.  naming: None where the step names
    no further point.
    """

    heading: str
    told: str
    rows: tuple[RowView, ...]
    act: str
    button: str
    step: str
    point: str
    tag: str
    options: tuple[str, ...]
    asks_lock: bool
    asks_words: str
    may_give_up: bool
    brief_first: bool
    token: str
    other_token: str
    typed: Mapping[str, str] = field(default_factory=dict)
    naming: NamingView | None = None


@dataclass(frozen=True, slots=True)
class WatchView:
    """The repeated reading.  due: local time by which it is asked for, or nothing while the job is stopped."""

    label: str
    due: str
    missed: str
    unit: str
    limit: str
    basis: str
    interval: str


@dataclass(frozen=True, slots=True)
class BoardView:
    """Everybody's locks.  own: one's own that are on; others: other people's that are on, with number and words."""

    tables: tuple[Mapping[str, object], ...]
    own: tuple[str, ...]
    others: tuple[tuple[str, str], ...]
    dampers: tuple[tuple[str, str], ...]
    why_no_trial: str
    may_lead: bool
    officers: tuple[tuple[str, str], ...]
    not_these: tuple[str, ...]
    tokens: tuple[str, str, str]


def shows_rows(state: JobState) -> bool:
    """Whether the step that is due is done row by row, or a trial has to be ended first."""
    due = state.due
    return state.stage is Stage.OPEN and due is not None and (due.table is not None or state.locks.stroke is not None)


def rows_view(state: JobState, session: Session, refill: Refill | None) -> LocksView:
    """Return the rows of the step that is due, or the next part of a trial."""
    typed = refill.answers if refill and refill.step == ROW else {}
    if state.locks.stroke is not None:
        return _trial(state, typed)
    due = state.due
    assert due is not None
    act = "on" if due.table == "locks_on" else "off"
    left = [item for item in state.points if (state.locks.at(item.id) is None) == (act == "on")]
    mine = [item for item in left if act == "on" or _by(state, item) == session.who.id]
    chosen = next((item for item in left if item.id == typed.get("point")), None) or next(iter(mine), None)
    rows = tuple(_row(state, item, chosen=item is chosen, left=item in left) for item in state.points)
    told = "" if chosen or not left else "The locks that are left are taken off by those who put them on, signed in."
    naming = _naming(state, due, left) if due.further else None
    button = _button(act, chosen, left)
    if naming is not None and not left:
        button = "Put it on the list" if naming.first else "All further points are locked"
    return LocksView(
        heading=due.text, told=told, rows=rows, act=act, button=button, step=due.id,
        point=chosen.id if chosen else "", tag=chosen.tag if chosen else "",
        options=(chosen.safe, OTHERWISE) if chosen and act == "on" else (),
        asks_lock=act == "on" and chosen is not None, asks_words="",
        may_give_up=False, brief_first=must_be_briefed(state, session), token=new_token(), other_token=new_token(),
        typed=typed, naming=naming,
    )  # fmt: skip


def _naming(state: JobState, due: Step, left: Sequence[Point]) -> NamingView:
    named = named_at(state, due)
    struck = tuple((item.id, item.tag) for item in named if state.locks.at(item.id) is None)
    kinds = tuple((str(kind), kind.words) for kind in FurtherKind)
    return NamingView(first=not named and not left, kinds=kinds, may_strike=struck, token=new_token())


def _by(state: JobState, point: Point) -> str:
    row = state.locks.at(point.id)
    return row.by.id if row else ""


def _button(act: str, chosen: Point | None, left: Sequence[Point]) -> str:
    if chosen is None:
        return "" if left else "Done"
    return f"Record lock on {chosen.tag}" if act == "on" else f"Lock off {chosen.tag}"


def _row(state: JobState, point: Point, *, chosen: bool, left: bool) -> RowView:
    row = state.locks.at(point.id)
    zone = state.opened.zone if state.opened else "UTC"
    return RowView(
        point=point.id, tag=point.tag, kind=point.kind.words, safe=point.safe, state=_hung_words(row, zone),
        chosen=chosen, open=left,
    )  # fmt: skip


def _hung_words(row: Hung | None, zone: str) -> str:
    if row is None:
        return "no lock on it"
    told = f"locked, numbers {UNSEEN}" if row.lock == UNSEEN else f"lock {row.lock}, tag {row.tag_number}"
    return f"{told}: {row.by.name}, {local_text(row.at, zone)[11:16]}"


TRIAL = {
    StrokePart.OFF: ("Take the lock off {tag}.", "Lock is off", ""),
    StrokePart.MOVED: ("Move {tag}, then bring it back.", "Record what was seen", "What was seen as it moved"),
    StrokePart.ON: ("Lock {tag} again.", "Record lock on {tag}", ""),
}


def _trial(state: JobState, typed: Mapping[str, str]) -> LocksView:
    stroke = state.locks.stroke
    assert stroke is not None
    point = next(item for item in state.points if item.id == stroke.point)
    heading, button, words = TRIAL[stroke.part]
    row = state.locks.at(point.id)
    owner = f"By {row.by.name}, whose lock it is, signed in. " if row else ""
    on = stroke.part is StrokePart.ON
    return LocksView(
        heading=heading.format(tag=stroke.tag),
        told=f"{owner}{stroke.tag} is being moved for a trial; the isolation is verified anew after it.",
        rows=tuple(_row(state, item, chosen=item is point, left=False) for item in state.points),
        act=str(stroke.part), button=button.format(tag=stroke.tag), step="", point=point.id, tag=point.tag,
        options=(point.safe, OTHERWISE) if on else (), asks_lock=on, asks_words=words,
        may_give_up=stroke.part is StrokePart.OFF, brief_first=False, token=new_token(), other_token=new_token(),
        typed=typed,
    )  # fmt: skip


def watch_view(state: JobState) -> WatchView | None:
    """Return the repeated reading while it is asked for or may be taken; None while no door is off."""
    opened = state.opened
    repeated = opened.repeated if opened else None
    if opened is None or repeated is None or not stands_open(state.model):
        return None
    limit = repeated.limit
    missed = f"{state.watch.missed} missed; {MOST_MISSED} stop the job (our figure)" if state.watch.missed else ""
    return WatchView(
        label=repeated.label,
        due=local_text(state.watch.due or "", opened.zone)[11:16],
        missed=missed,
        unit=unit_words(repeated.unit),
        limit=limit_words(limit.low, limit.high, limit.op, limit.unit) if limit else "",
        basis=limit.basis if limit else "no limit entered for this site",
        interval=f"Every {repeated.minutes} minutes while a door is off: {repeated.basis}",
    )


def board_view(state: JobState, session: Session, people: tuple[Person, ...], events: tuple[object, ...]) -> BoardView:
    """Return everybody's locks as one person sees them; events: those of the job, for what stands in no state."""
    zone = state.opened.zone if state.opened else "UTC"
    housing = state.opened.housing if state.opened else None
    on = [item for item in state.locks.hung if item.on]
    lead = session.who.role is Role.LEAD
    shut = state.model is not None and all(port.door is Door.SHUT for port in state.model.ports)
    dampers = [
        (item.id, item.tag) for item in state.points
        if item.kind in DAMPERS and state.locks.at(item.id)
    ]  # fmt: skip
    return BoardView(
        tables=tuple(lock_tables(state, events, zone)),  # type: ignore[arg-type]
        own=tuple(item.lock for item in on if not item.point and item.by.id == session.who.id),
        others=tuple(
            (item.lock, f"{item.lock} of {item.by.name}{', on ' + item.tag if item.tag else ', own'}")
            for item in on if item.by.id != session.who.id and item.lock != UNSEEN
        ),
        dampers=tuple(dampers) if shut and state.stage is Stage.OPEN and not state.locks.stroke else (),
        why_no_trial="A damper is moved only while the job runs, with a lock on it and every door on.",
        may_lead=lead,
        officers=tuple((person.id, person.name) for person in people if person.role is Role.SAFETY_OFFICER),
        not_these=(housing.neighbours if housing else None) or (),
        tokens=(new_token(), new_token(), new_token()),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class LockListPage:
    """The locks that were on a housing in a year.  years: this one and those in which any was on, newest first."""

    tag: str
    year: int
    years: tuple[int, ...]
    rows: tuple[tuple[str, ...], ...]


def lock_list_page(tag: str, year: int, now: int, jobs: Iterable[tuple[str, JobState]]) -> LockListPage:
    """Return the list of a year.  now: the year in which it is asked for; a lock is listed in no year to come."""
    rows = lock_list(jobs)
    begun = (row[LOCK_COLUMNS.index("On")][:4] for row in rows)
    first = min((int(text) for text in begun if text.isdecimal()), default=now)
    years = tuple(item for item in range(now, first - 1, -1) if any(on_in(row, item) for row in rows) or item == now)
    shown = tuple(row for row in rows if on_in(row, year)) if year <= now else ()
    return LockListPage(tag, year, years, shown)
