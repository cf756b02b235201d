"""Leaving work and coming back, as screens show it: what was left, what to read first, what to look at, who signs."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from app.domain.applicability import PERMIT_UNTIL
from app.domain.containment.rest import nearest_rest, rests
from app.domain.deciding.leaving import AS_EXPECTED, handed_over, on_the_job, suspend_looks
from app.domain.job import JobState
from app.domain.killers import permit_line
from app.domain.leaving import (
    DOCUMENTS,
    SUSPEND_REASONS,
    PermitFate,
    Recheck,
)
from app.domain.procedure import Role
from app.domain.signing import HAND_OVER, TAKE_OVER
from app.domain.words import effect_words, unit_words
from app.records.moments import local_text
from app.records.wording import limit_words
from app.services.ports import Person, Session
from app.web.views.step import new_token


@dataclass(frozen=True, slots=True)
class LookView:
    """One thing to look at. expected: shown only for a lead's own words, which nothing can be compared with."""

    id: str
    text: str
    kind: str
    options: tuple[str, ...]
    unit: str
    limit: str
    value: str
    expected: str


@dataclass(frozen=True, slots=True)
class LooksView:
    """What must be looked at together, in one place. left: how many looks there are, these included."""

    group: str
    looks: tuple[LookView, ...]
    left: int
    next_step: str
    for_whom: str
    may: bool
    token: str


@dataclass(frozen=True, slots=True)
class SuspendedView:
    """Work that was left. to_rest: what was missing to a resting state, where a lead left it elsewhere.

    permit: what became of it, where that was said.
    """

    by: str
    at: str
    reason: str
    told: str
    at_rest: bool
    to_rest: tuple[str, ...]
    permit: str
    barred: str
    token: str


@dataclass(frozen=True, slots=True)
class NextView:
    """The line that is read before anything else."""

    line: str
    by: str
    at: str
    for_whom: str
    may: bool
    token: str


@dataclass(frozen=True, slots=True)
class SigningView:
    """A hand-over that waits for a signature."""

    outgoing: str
    incoming: str
    signer: str
    signer_id: str
    meaning: str
    token: str


@dataclass(frozen=True, slots=True)
class SuspendForm:
    """The questions before work is left, with what was typed before a refusal.

    permit: its number and last day where they are on record; then it is asked what becomes of it, one of `fates`.
    """

    reasons: tuple[tuple[str, str], ...]
    looks: tuple[LookView, ...]
    at_rest: bool
    may: bool
    to_rest: tuple[str, ...]
    permit: str
    fates: tuple[tuple[str, str], ...]
    due: str
    token: str


@dataclass(frozen=True, slots=True)
class HandoverForm:
    """Who may be relieved by the person who is signed in, and which documents are seen first."""

    people: tuple[tuple[str, str], ...]
    documents: tuple[tuple[str, str], ...]
    token: str


def look_view(look: Recheck, typed: Mapping[str, str]) -> LookView:
    """Return one look as a form asks it."""
    limit = look.limit
    return LookView(
        id=look.id,
        text=look.text,
        kind="date" if look.id == PERMIT_UNTIL else look.kind or "words",
        options=look.options or (),
        unit=unit_words(look.unit),
        limit=limit_words(limit.low, limit.high, limit.op, limit.unit) if limit else "",
        value=typed.get(look.id, ""),
        expected=AS_EXPECTED if look.kind is None else "",
    )


def looks_view(state: JobState, session: Session, typed: Mapping[str, str]) -> LooksView:
    """Return what is to be looked at now: everything of the first group."""
    first, due = state.rechecks[0], state.due
    together = [look for look in state.rechecks if look.group == first.group] if first.group else [first]
    under_way = state.leaving.handover
    return LooksView(
        group=first.group or first.text,
        looks=tuple(look_view(look, typed) for look in together),
        left=len(state.rechecks),
        next_step=due.text if due else "",
        for_whom=under_way.incoming.name if under_way else "",
        may=under_way is None or under_way.incoming.id == session.who.id,
        token=new_token(),
    )


def next_view(state: JobState, session: Session) -> NextView:
    """Return the line to read first, and whose line it is."""
    last, under_way = state.leaving.last, state.leaving.handover
    assert last is not None
    return NextView(
        line=last.next_thing,
        by=last.by.name,
        at=local_text(last.at, zone_of(state)),
        for_whom=under_way.incoming.name if under_way else "",
        may=under_way is None or under_way.incoming.id == session.who.id,
        token=new_token(),
    )


def suspended_view(state: JobState, session: Session) -> SuspendedView:
    """Return how the work was left."""
    left = state.leaving.suspended
    assert left is not None
    return SuspendedView(
        by=left.by.name,
        at=local_text(left.at, zone_of(state)),
        reason=SUSPEND_REASONS.get(left.reason, left.reason),
        told=left.told,
        at_rest=left.to_rest is None,
        to_rest=left.to_rest or (),
        permit=left.permit.words if left.permit else "",
        barred=handed_over(state, session.who),
        token=new_token(),
    )


def signing_view(state: JobState) -> SigningView:
    """Return the hand-over with whose signature is due."""
    under_way = state.leaving.handover
    assert under_way is not None
    part, signer = under_way.signer
    return SigningView(
        outgoing=under_way.outgoing.name,
        incoming=under_way.incoming.name,
        signer=signer.name,
        signer_id=signer.id,
        meaning=HAND_OVER if part == "outgoing" else TAKE_OVER,
        token=new_token(),
    )


def suspend_form(state: JobState, session: Session, typed: Mapping[str, str]) -> SuspendForm:
    """Return the questions before work is left."""
    model, due = state.model, state.due
    at_rest = model is None or rests(model)
    return SuspendForm(
        reasons=tuple(SUSPEND_REASONS.items()),
        looks=tuple(look_view(look, typed) for look in suspend_looks(state)),
        at_rest=at_rest,
        may=at_rest or session.who.role is Role.LEAD,
        to_rest=() if model is None else tuple(effect_words(effect) for effect in nearest_rest(model) or ()),
        permit=permit_line(state),
        fates=tuple((fate.value, fate.words) for fate in PermitFate),
        due=due.text if due else "",
        token=new_token(),
    )


def handover_form(state: JobState, people: Iterable[Person], session: Session) -> HandoverForm:
    """Return who may be relieved: people of the same role who are on the job."""
    here = on_the_job(state) - state.leaving.gone - {session.who.id}
    able = [person for person in people if person.role is session.who.role and person.id in here]
    return HandoverForm(
        people=tuple((person.id, person.name) for person in able),
        documents=tuple(DOCUMENTS.items()),
        token=new_token(),
    )


def zone_of(state: JobState) -> str:
    """Return the time zone of the job's site."""
    return state.opened.zone if state.opened else "UTC"
