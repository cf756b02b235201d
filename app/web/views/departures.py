"""When the main line does not hold: contingencies to enter, a step that cannot be done as written, releases to sign."""

from dataclasses import dataclass

from app.domain.applicability import why_not_aside
from app.domain.deciding.contingency import possible, way_back_of
from app.domain.field_change import Deviation, answers_bind, approvers_of, words_now
from app.domain.job import JobState
from app.domain.procedure import Role
from app.domain.steps import Step
from app.records.deviations import changed_words, deviation_words, extra_words
from app.records.moments import local_text
from app.services.ports import Person, Session
from app.web.views.step import new_token
from app.web.views.work import HeadLine, Picture, head_line, pictures


@dataclass(frozen=True, slots=True)
class Offer:
    """A contingency that can have happened here. value: what the form sends; leads: where the work goes on after it."""

    value: str
    title: str
    where: str
    count: int
    leads: str
    again: str
    extra: str


@dataclass(frozen=True, slots=True)
class ContingenciesPage:
    """What can have gone wrong as the job stands. unknown: titles from which the model knows no way back here."""

    head: HeadLine
    pictures: tuple[Picture, ...]
    offers: tuple[Offer, ...]
    unknown: tuple[str, ...]
    may: str
    token: str


def contingencies_page(job: str, state: JobState, session: Session) -> ContingenciesPage:
    """Return the page on which a lead chooses what went wrong."""
    offers, unknown = [], []
    for kept, spot in possible(state):
        back = way_back_of(state, kept, spot)
        position = f", position {spot.position}" if spot.position else ""
        where = f"{spot.port}{position}" if spot.port else "the whole housing"
        if back is None:
            unknown.append(f"{kept.title}, {where}")
            continue
        goes_on = state.step(back.returns_to)
        offers.append(Offer(
            value=f"{kept.id}|{spot.port or ''}|{spot.position or ''}",
            title=kept.title,
            where=where,
            count=len(back.steps),
            leads=f"step {state.index[back.returns_to] + 1}: {goes_on.text}" if goes_on else "",
            again=f"{len(back.due_again)} done again" if back.due_again else "",
            extra=extra_words(back.extra),
        ))  # fmt: skip
    return ContingenciesPage(
        head=head_line(job, state, session), pictures=pictures(state, ()), offers=tuple(offers), unknown=tuple(unknown),
        may=_may_enter(state, session), token=new_token(),
    )  # fmt: skip


def _may_enter(state: JobState, session: Session) -> str:
    """Say why this person cannot enter a contingency now; nothing if they can."""
    if session.who.role is not Role.LEAD:
        return "A lead who did not stop the job chooses what is done. Call one."
    if state.stop is None:
        return "The job is not stopped. Stop it first; then another lead chooses what is done."
    if state.stop.is_by(session.who):
        return "You stopped this job. Another lead chooses how it goes on."
    if not state.stop.reason:
        return "Nobody has said yet why the job was stopped. Give the reason on the page of the job first; anybody may."
    return ""


def _not_aside(state: JobState, step: Step, role: Role) -> str:
    return why_not_aside(step, state.steps) or ("" if role is Role.LEAD else "a lead decides this")


@dataclass(frozen=True, slots=True)
class EditableAsk:
    """What of an ask may be changed: the answers of a choice, one a line, or the limit of a reading."""

    id: str
    label: str
    options: tuple[str, ...]
    unit: str
    low: str
    high: str


@dataclass(frozen=True, slots=True)
class ChangeView:
    """A proposed or approved change: its number, the old and new words in pairs, and how it stands."""

    number: str
    pairs: tuple[tuple[str, str, str], ...]
    reason: str
    stands: str


@dataclass(frozen=True, slots=True)
class OtherwisePage:
    """What can be done about the step in hand when it cannot be done as written."""

    head: HeadLine
    step: str
    text: str
    note: str
    asks: tuple[EditableAsk, ...]
    approvers: str
    waiting: ChangeView | None
    may_approve: bool
    may_decline: bool
    why_not_aside: str
    senders: tuple[tuple[str, str], ...] | None
    port: str
    signatures: tuple[tuple[int, str, bool], ...]
    tokens: tuple[str, str, str, str, str, str]


def otherwise_page(job: str, state: JobState, session: Session, people: tuple[Person, ...]) -> OtherwisePage:
    """Return the page for a step that cannot be done as written, and for releases by radio that are to be signed."""
    step, zone = state.due, state.opened.zone if state.opened else "UTC"
    waiting = state.changes.waiting_at(step.id) if step else None
    who = session.who
    missing = _missing(step, waiting) if step else ()
    begun = state.mark(step.id).begun if step else None
    declining = {Role.LEAD, Role.SAFETY_OFFICER}
    own = ({waiting.proposed.by.id} if waiting else set()) | (begun.hands if begun else set())
    able = tuple(
        (person.id, person.name)
        for person in people
        if step
        and person.role is step.role
        and person.id != who.id
        and person.id not in state.performers | state.leaving.gone
        and state.crew.may_release(person.who)
    )
    return OtherwisePage(
        head=head_line(job, state, session),
        step=step.id if step else "",
        text=step.text if step else "",
        note=step.note if step else "",
        asks=_asks(state, step) if step else (),
        approvers=" and a ".join(role.words for role in missing),
        waiting=change_view(waiting) if waiting else None,
        may_approve=bool(waiting and who.role in missing and who.id not in own),
        may_decline=bool(waiting and (who.role in declining or who.id == waiting.proposed.by.id)),
        why_not_aside=_not_aside(state, step, who.role) if step else "",
        senders=able if step and step.by_radio and who.role is Role.LEAD else None,
        port=(step.port or "") if step else "",
        signatures=tuple(
            (item.seq, f"{_text(state, item.step)}, {item.sender.name}, {local_text(item.at, zone)}",
             item.sender.id == who.id)
            for item in state.unsigned
        ),
        tokens=(new_token(), new_token(), new_token(), new_token(), new_token(), new_token()),
    )  # fmt: skip


def _missing(step: Step, waiting: Deviation | None) -> tuple[Role, ...]:
    """The roles that have yet to approve a change of this step; all that must, where none waits."""
    given = {item.by.role for item in waiting.approved} if waiting else set()
    return tuple(role for role in approvers_of(step) if role not in given)


def _text(state: JobState, step_id: str) -> str:
    step = state.step(step_id)
    return f"step {state.index[step_id] + 1}, “{step.text}”" if step else step_id


def _asks(state: JobState, step: Step) -> tuple[EditableAsk, ...]:
    now, bound = words_now(step), bool(answers_bind(state.steps, step))
    found = []
    for asked in step.asks:
        ask, limit = asked.ask, (now.limits or {}).get(asked.ask.id)
        if ask.kind == "reading" or (ask.kind == "choice" and not bound):
            found.append(EditableAsk(
                ask.id, ask.label, ask.options, ask.unit or "", (limit.low or "") if limit else "",
                (limit.high or "") if limit else "",
            ))  # fmt: skip
    return tuple(found)


def change_view(item: Deviation) -> ChangeView:
    """Return a deviation with old and new words side by side."""
    return ChangeView(
        item.proposed.number, tuple(changed_words(item.proposed)), item.proposed.reason, deviation_words(item)
    )
