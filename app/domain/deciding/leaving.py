"""Deciding on leaving work and coming back: who may leave it where, what is looked at first, who takes it over."""

from typing import assert_never

from app.calc.exact import exact
from app.domain.commands import Command, ExplainStop, Late, Moment, StopWork
from app.domain.computing import lies_within
from app.domain.containment.rest import nearest_rest, rests
from app.domain.deciding.common import complain_of_no_permit, event_of, qualified, signature_of, stop_for, words_of
from app.domain.event_base import Who
from app.domain.events import Event, RecheckAnswered
from app.domain.job import JobState, Stage
from app.domain.judging import number_text
from app.domain.labels import same_tag
from app.domain.leaving import (
    DOCUMENTS,
    SUSPEND_REASONS,
    AnswerLooks,
    HandoverBegun,
    HandoverSigned,
    JobSuspended,
    LeavingCommand,
    NextThingRead,
    PermitFate,
    PermitLeft,
    ReadNext,
    Recheck,
    ReturnBegun,
    ReturnToWork,
    Seen,
    SignHandover,
    Suspend,
    TakeOver,
    own_lock_fault,
)
from app.domain.locks import TakeOwnLockOff, UnlockPoint
from app.domain.procedure import Role
from app.domain.refused import Refused
from app.domain.reopening import port_looks, rechecks_for
from app.domain.signing import HAND_OVER, TAKE_OVER
from app.domain.watching import NoticeMissed
from app.domain.words import effect_words, unit_words

AS_EXPECTED = "as expected"
STILL_THEIRS = (StopWork, ExplainStop, Late, NoticeMissed, TakeOwnLockOff, UnlockPoint)
"""What somebody who handed the job over may still ask."""


def refuse_whoever_handed_over(state: JobState, command: Command, moment: Moment) -> None:
    """Refuse everything but STOP and locks of their own to somebody who handed the job over, until they take it over.

    A lock comes off by the hand that put it on (29 CFR 1910.147(e)(3)), also after the shift has changed.  What the
    program notes by itself when anybody acts is not theirs to be refused.
    """
    told = handed_over(state, moment.by)
    if told and not isinstance(command, (TakeOver, *STILL_THEIRS)):
        raise Refused("handed_over", told, logged=True)


def handed_over(state: JobState, who: Who) -> str:
    """Say that somebody handed the job over and writes nothing more to it; nothing if not, or if they take it over."""
    if who.id not in state.leaving.gone or _is_incoming(state, who):
        return ""
    told = f"{who.name} handed this job over and writes nothing more to it."
    return f"{told} STOP still works, and locks of their own come off; else switch to the crew."


def _is_incoming(state: JobState, who: Who) -> bool:
    return state.leaving.handover is not None and state.leaving.handover.incoming.id == who.id


def leave(state: JobState, command: LeavingCommand, moment: Moment) -> tuple[Event, ...]:
    """Decide on one command of the topic."""
    match command:
        case Suspend():
            return _suspend(state, command, moment)
        case ReturnToWork():
            _complain_unless_suspended(state)
            return (event_of(ReturnBegun, state, moment, rechecks=rechecks_for(state)),)
        case ReadNext():
            return _read_next(state, moment)
        case AnswerLooks():
            return _answer_looks(state, command, moment)
        case TakeOver():
            return _take_over(state, command, moment)
        case SignHandover():
            return _sign(state, moment)
        case _:
            assert_never(command)


# --- leaving ----------------------------------------------------------------------------------------


def _suspend(state: JobState, command: Suspend, moment: Moment) -> tuple[Event, ...]:
    if state.stage is not Stage.OPEN or state.due is None:
        raise Refused("not_open", f"The job is {state.stage}; only work in hand can be suspended.")
    if stroke := state.locks.stroke:
        raise Refused("trial", f"{stroke.tag} is being moved for a trial. Lock it again, then suspend the work.")
    if command.reason not in SUSPEND_REASONS:
        raise Refused("reason", "Choose one of the reasons shown.")
    to_rest = _acts_to_rest(state)
    if to_rest is not None and moment.by.role is not Role.LEAD:
        raise Refused(
            "not_at_rest", f"{way_to_rest_words(to_rest)} A lead may leave it here all the same.", logged=True
        )
    told, next_thing = words_of(command.told, "Who was told"), words_of(command.next_thing, "The next thing to do")
    permit = _permit_left(state, command)
    seen, otherwise = _as_seen(state, command)
    left = event_of(
        JobSuspended, state, moment, step=state.due.id, reason=command.reason, seen=seen, told=told,
        next_thing=next_thing, to_rest=to_rest, permit=permit,
    )  # fmt: skip
    return (left, *_stop_if(otherwise, state, moment, offset=1))


def _permit_left(state: JobState, command: Suspend) -> PermitLeft | None:
    """Return what becomes of the permit; None where nothing is said of it."""
    named = command.permit_to.strip()
    if not command.permit and not named:
        return None
    complain_of_no_permit(state)
    if command.permit not in list(PermitFate):
        raise Refused("permit_fate", f"{command.permit!r} is nothing that becomes of a permit. Choose one shown.")
    fate = PermitFate(command.permit)
    if fate is not PermitFate.IN_FORCE or named:
        named = words_of(named, "To whom the permit went")
    return PermitLeft(fate=fate, to=named or None)


def _acts_to_rest(state: JobState) -> tuple[str, ...] | None:
    """Return the acts that are missing to a resting state; None at rest; nothing in it if the model knows no way."""
    if state.model is None or rests(state.model):
        return None
    return tuple(effect_words(effect) for effect in nearest_rest(state.model) or ())


def way_to_rest_words(acts: tuple[str, ...]) -> str:
    """Say that the work does not rest here, and the shortest way to where it does."""
    if not acts:
        return "The work does not rest here, and the model knows no way to rest: keep the barrier and call the lead."
    steps = "1 action" if len(acts) == 1 else f"{len(acts)} actions"
    return f"The work does not rest here. Shortest way to rest, {steps}: {'; '.join(acts)}. Then suspend."


def _as_seen(state: JobState, command: Suspend) -> tuple[tuple[Seen, ...], list[str]]:
    """Read the answers about the ports; return them, and what differs from the record."""
    looks = suspend_looks(state)
    seen, otherwise = [], []
    if stray := sorted(set(command.seen) - {look.id for look in looks}):
        raise Refused("no_recheck", f"Nobody asked for {stray[0]!r}. Reload the page and answer what is shown.")
    for look in looks:
        words, same = read_look(look, command.seen.get(look.id, ""))
        seen.append(Seen(id=look.id, text=look.text, seen=words))
        otherwise += [] if same else [_differs(look, words)]
    return tuple(seen), otherwise


def suspend_looks(state: JobState) -> tuple[Recheck, ...]:
    """List what is to be said of the ports before the work is left."""
    model = state.model
    return tuple(look for port in model.ports for look in port_looks(port)) if model else ()


# --- coming back ------------------------------------------------------------------------------------


def _complain_unless_suspended(state: JobState) -> None:
    if state.stage is not Stage.SUSPENDED:
        raise Refused("not_suspended", f"The job is {state.stage}, not suspended. Go to the job and see what is due.")


def _read_next(state: JobState, moment: Moment) -> tuple[Event, ...]:
    if not state.leaving.unread or state.stage is not Stage.LOOKING or state.leaving.last is None:
        raise Refused("nothing_to_read", "There is no line to read first. Go to the job and see what is due.")
    _complain_unless_incoming(state, moment)
    return (event_of(NextThingRead, state, moment, next_thing=state.leaving.last.next_thing),)


def _complain_unless_incoming(state: JobState, moment: Moment) -> None:
    """The walk-down of a hand-over is made by the incoming person."""
    if (under_way := state.leaving.handover) is not None and under_way.incoming.id != moment.by.id:
        incoming = under_way.incoming.name
        raise Refused("walk_down", f"{incoming} is taking this job over, and looks at everything. Ask {incoming}.")


def _answer_looks(state: JobState, command: AnswerLooks, moment: Moment) -> tuple[Event, ...]:
    known = {item.id: item for item in state.rechecks}
    if state.stage is not Stage.LOOKING or not command.answers or not known.keys() >= set(command.answers):
        raise Refused("no_recheck", "That is not among the things to look at now. Go back to the job.")
    if state.leaving.unread:
        raise Refused("next_unread", "Read what is to be done next first. It stands on a screen of its own.")
    _complain_unless_incoming(state, moment)
    events: list[Event] = []
    otherwise: list[str] = []
    for look in (item for item in state.rechecks if item.id in command.answers):
        seen, same = read_look(look, command.answers[look.id])
        otherwise += [] if same else [_differs(look, seen)]
        events.append(
            event_of(
                RecheckAnswered, state, moment, offset=len(events), recheck=look.id, as_expected=same, seen=seen,
                asked=look.text,
            )
        )  # fmt: skip
    return (*events, *_stop_if(otherwise, state, moment, offset=len(events)))


def _stop_if(otherwise: list[str], state: JobState, moment: Moment, *, offset: int) -> tuple[Event, ...]:
    """Stop the job where something is otherwise than recorded; the reason is preset."""
    return (stop_for(state, moment, " ".join(otherwise), offset=offset),) if otherwise else ()


def _differs(look: Recheck, seen: str) -> str:
    return f"{look.text}: seen {seen}; recorded {expected_words(look)}."


def expected_words(look: Recheck) -> str:
    """Say what a look is held against: its limit where it has one, else what the record believes."""
    limit = look.limit
    if look.kind != "reading" or limit is None:
        return look.expected
    ends = [f"at least {limit.low}" if limit.low else "", f"at most {limit.high}" if limit.high else ""]
    return f"{' and '.join(end for end in ends if end)} {unit_words(limit.unit)} ({look.expected})"


def read_look(look: Recheck, typed: str) -> tuple[str, bool]:
    """Return what was seen, in words, and whether it agrees with the record; raise Refused or Invalid for no answer."""
    text = words_of(typed, look.text)
    match look.kind:
        case "choice":
            if text not in (look.options or ()):
                raise Refused("no_choice", f"{look.text}: {text!r} is not one of the answers. Choose one shown.")
            return text, text == look.expected
        case "same":
            return text, same_tag(text, look.expected)
        case "count":
            plain = number_text(text, look.text)
            return plain, exact(plain, name=look.text) == exact(look.expected, name=look.text)
        case "reading":
            plain = number_text(text, look.text)
            within = look.limit is None or lies_within(exact(plain, name=look.text), look.limit)
            return f"{plain} {unit_words(look.unit)}".strip(), within
        case None:
            same = text == AS_EXPECTED
            return (look.expected if same else text), same
        case _:
            assert_never(look.kind)


# --- handing over -----------------------------------------------------------------------------------


def _take_over(state: JobState, command: TakeOver, moment: Moment) -> tuple[Event, ...]:
    _complain_unless_suspended(state)
    outgoing = command.outgoing
    if outgoing.id == moment.by.id:
        raise Refused("own_handover", f"{moment.by.name} cannot hand over to themselves. Choose who leaves.")
    if outgoing.role is not moment.by.role:
        raise Refused(
            "role", f"{outgoing.name} is a {outgoing.role.words}, {moment.by.name} a {moment.by.role.words}: only "
            "people of one role relieve each other.",
        )  # fmt: skip
    if outgoing.id not in on_the_job(state) or outgoing.id in state.leaving.gone:
        raise Refused("not_on_job", f"{outgoing.name} does not work on this job, so there is nothing to hand over.")
    _fit_for_the_work(state, moment)
    if missing := [words for name, words in DOCUMENTS.items() if name not in command.documents]:
        raise Refused("documents", f"Not seen yet: {', '.join(missing)}. See each of them and tick it.")
    if stray := sorted(set(command.documents) - set(DOCUMENTS)):
        raise Refused("documents", f"{stray[0]!r} is not one of the documents. Tick what is shown.")
    documents = tuple(name for name in DOCUMENTS if name in command.documents)
    return (
        event_of(HandoverBegun, state, moment, outgoing=outgoing, documents=documents, rechecks=rechecks_for(state)),
    )


def _fit_for_the_work(state: JobState, moment: Moment) -> None:
    """Refuse to be relieved by somebody of the crew whose qualification has run out; who leads from outside needs none.

    Somebody who is not briefed yet is asked when they are.
    """
    if state.crew.member(moment.by.id) is not None:
        qualified(state, moment.by, moment)


def on_the_job(state: JobState) -> frozenset[str]:
    """Return the ids of everybody who was named for this job, opened it or worked on it."""
    if state.opened is None:
        return frozenset()
    return frozenset({*state.performers, state.opened.by.id, *(who.id for who in state.opened.crew)})


def _sign(state: JobState, moment: Moment) -> tuple[Event, ...]:
    under_way = state.leaving.handover
    if under_way is None or state.stage is not Stage.HANDING_OVER:
        raise Refused("no_handover", "No hand-over waits for a signature. Look at everything first, then sign.")
    part, signer = under_way.signer
    if signer.id != moment.by.id:
        raise Refused("handover_order", f"{signer.name} signs now, as the {part} person, with their own secret.")
    if told := own_lock_fault(under_way, state.locks):
        raise Refused("personal_lock", told, logged=True)
    if part == "incoming":
        _fit_for_the_work(state, moment)
    meaning = HAND_OVER if part == "outgoing" else TAKE_OVER
    return (event_of(HandoverSigned, state, moment, part=part, signature=signature_of(state, moment, meaning)),)
