"""Deciding on paper: which blank is out, what may come back from it, and who stands for it."""

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from itertools import pairwise
from typing import assert_never, get_args

from app.calc.errors import Invalid
from app.domain.commands import Begin, Finish, Moment, Release
from app.domain.deciding.common import event_of, words_of
from app.domain.deciding.isolation import goes_back
from app.domain.deciding.work import begin, finish, release
from app.domain.event_base import FromHand, Transcribed, Who
from app.domain.events import EntriesDiffered, Event, StepBegun, StepDone, StepOutside
from app.domain.instants import to_minute
from app.domain.job import JobState, Stage, evolve
from app.domain.paper import (
    Blank,
    BlankPrinted,
    BlankReconciled,
    How,
    PrintBlank,
    ReconcileBlank,
    Transcribe,
    TranscribeBeside,
)
from app.domain.procedure import Role, StepKind
from app.domain.refused import Refused
from app.domain.steps import Step
from app.domain.zones import local_text

_INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d(:\d\d)?[+-]\d\d:\d\d", re.ASCII)
MOST_BLANKS = 20
"""Blanks of one job that are out at once; more is no crew at work (this program's figure)."""


def on_paper(state: JobState, command: PrintBlank | Transcribe | ReconcileBlank, moment: Moment) -> tuple[Event, ...]:
    """Decide on one command of the topic."""
    match command:
        case PrintBlank():
            return _print(state, moment)
        case Transcribe():
            return _transcribe(state, command, moment)
        case ReconcileBlank():
            return _reconcile(state, command, moment)
        case _:
            assert_never(command)


def _print(state: JobState, moment: Moment) -> tuple[Event, ...]:
    due = state.due
    if due is None or state.opened is None or state.stage is Stage.ACCEPTED:
        raise Refused("nothing_left", "No step of this job is left to be printed. The record itself can be printed.")
    if len(state.paper.out) >= MOST_BLANKS:
        raise Refused("blanks_out", f"{MOST_BLANKS} blanks are out already. Account for those before printing another.")
    serial = f"{state.opened.number}-B{len(state.paper.blanks) + 1}"
    left = len(state.steps) - state.place
    return (event_of(BlankPrinted, state, moment, serial=serial, step=due.id, steps=left),)


def blank_out(state: JobState, serial: str) -> Blank:
    """Return the blank with this serial; raise Refused where there is none that is out."""
    blank = state.paper.blank(serial)
    if blank is None:
        raise Refused("no_blank", f"This job has no blank {serial!r}. Read the serial number at the foot of the page.")
    if blank.how is not None:
        raise Refused("blank_in", f"Blank {serial} is accounted for ({blank.how}); nothing more comes from it.")
    return blank


def _transcribe(state: JobState, command: Transcribe, moment: Moment) -> tuple[Event, ...]:
    blank, step = blank_out(state, command.serial), state.step(command.step)
    if step is None or state.index[step.id] < state.index.get(blank.step, 0):
        raise Refused("not_on_blank", f"That step does not stand on blank {blank.serial}. Go to the step that is due.")
    why = why_late(command)
    complain_about_people(moment, command.compared_by, command.hand, command.beside)
    if step.kind is StepKind.HOLD and command.hand.id != moment.by.id:
        raise Refused(
            "hold_from_paper",
            f"“{step.text}” is a hold point. Only the {step.role.words} who signed the paper enters it, with their own "
            "secret.",
            step=step.id,
            logged=True,
        )
    times = tuple(text for text in (command.began, command.happened) if text)
    in_order(state, blank, step, times, moment, by_a_lead=step.kind is not StepKind.HOLD)

    def came(happened: str) -> Transcribed:
        return Transcribed(
            serial=blank.serial, happened=happened, why_late=why, photo=command.photo, hand=command.hand,
            compared_by=command.compared_by,
        )  # fmt: skip

    if step.kind is StepKind.HOLD:
        return tuple(
            labelled(event, moment, came(command.happened)) for event in release(state, Release(step.id), moment)
        )
    return _as_by_hand(state, command, step, moment, came, printed=blank.seq)


def why_late(command: Transcribe | TranscribeBeside) -> str:
    """Return why something comes from paper; raise Refused or Invalid for none, or without a photo of the page."""
    why = words_of(command.why_late, "Why it comes late")
    if not command.photo:
        raise Invalid("There is no photo of the paper page. Take one: nothing is entered from paper without it.")
    return why


def _as_by_hand(
    state: JobState,
    command: Transcribe,
    step: Step,
    moment: Moment,
    came: Callable[[str], Transcribed],
    *,
    printed: int,
) -> tuple[Event, ...]:  # fmt: skip
    """Decide as if the hand that wrote the paper had marked it then; the entry says who entered it."""
    began: tuple[Event, ...] = ()
    second = _beside(command, step)
    if step.marks == 2 and state.mark(step.id).begun is None and command.began:
        labels = {item.ask.id: command.answers.get(item.ask.id, "") for item in step.asks_at("begin")}
        read = Begin(step.id, second, answers=labels)
        began = begin(state, read, by_hand(moment, command.hand, command.began, printed))
        began = tuple(labelled(event, moment, came(command.began)) for event in began)
        for event in began:
            state = evolve(state, event)
    asked = {item.ask.id for item in step.asks_at("begin")} if step.marks == 2 else set()
    answers = {name: text for name, text in command.answers.items() if name not in asked}
    mark = Finish(step.id, answers, command.note, second, command.reconciled)
    done = finish(state, mark, by_hand(moment, command.hand, command.happened, printed))
    return (*began, *(labelled(event, moment, came(command.happened)) for event in done))


def _beside(command: Transcribe, step: Step) -> Who | None:
    """Return who was there as the second person, by the paper; whoever compares the entry need not have been."""
    if step.second is None:
        return None
    if command.beside is None or command.beside.id == command.hand.id:
        raise Refused(
            "second_on_paper",
            f"“{step.text}” takes two people. Choose whom the page names as the second person there, not "
            f"{command.hand.name}, who did it. If it names nobody else, stop the job and tell the lead.",
            step=step.id,
            logged=True,
        )
    return command.beside


def by_hand(moment: Moment, hand: Who, happened: str, printed: int) -> Moment:
    """The moment as it was for the hand: their role, and the day of the act, for instruments are judged by that day."""
    return replace(moment, by=hand, local_time=happened, kept=True, paper=printed)


def labelled(event: Event, moment: Moment, came: Transcribed) -> Event:
    """Whoever enters makes every entry; what stood on paper says from which, what follows from it (a stop) not.

    Two readings of one page that differ are of whoever entered them; nobody else was there for that.
    """
    if isinstance(event, FromHand):
        if isinstance(event, StepBegun | StepDone | StepOutside) and event.second is not None:
            came = came.model_copy(update={"second_on_paper": True})
        return event.model_copy(update={"by": moment.by, "transcribed": came})
    if isinstance(event, EntriesDiffered):
        return event.model_copy(update={"by": moment.by, "second": None})
    return event.model_copy(update={"by": moment.by})


def complain_about_people(moment: Moment, compared_by: Who, *named: Who | None) -> None:
    """Refuse an entry that one person would make and compare, and administrators at any place in it."""
    if compared_by.id == moment.by.id:
        raise Refused("one_person", f"{compared_by.name} enters this and cannot compare it too. Ask a second person.")
    if any(who.role is Role.ADMINISTRATOR for who in (compared_by, *named) if who is not None):
        raise Refused("role", "An administrator does not work on jobs. Name somebody on the job.")


def in_order(
    state: JobState, blank: Blank, step: Step, times: tuple[str, ...], moment: Moment, *, by_a_lead: bool = True
) -> None:
    """Refuse times that are not: printed, then the marks before it, begun, done, entered; to the minute, as on paper.

    by_a_lead: what was done before a stop may be entered by a lead, who has looked since; else it is done again.
    """
    begun = state.mark(step.id).begun
    earlier = (blank.at, state.paper.last, _done_before(state, step), begun.when if begun else "")
    earliest = max(minute_of(text) for text in earlier if text)
    complain_about_times(earliest, times, moment.at, "the printing of the blank and the marks before it")
    _after_the_newest_stop(state, blank, step, times, moment, by_a_lead=by_a_lead)
    _own_locks_off(state, step, times)


def _after_the_newest_stop(
    state: JobState, blank: Blank, step: Step, times: tuple[str, ...], moment: Moment, *, by_a_lead: bool
) -> None:
    if not state.before_unsettled(blank.seq, times) or (by_a_lead and moment.by.role is Role.LEAD):
        return
    zone = state.opened.zone if state.opened else "UTC"
    what = "A lead, who has looked since, enters it" if by_a_lead else "Do it anew at the screen"
    raise Refused(
        "before_a_stop",
        f"The page says {times[0][11:16]}, and since it was printed the job was stopped, left or put right, the last "
        f"time at {local_text(state.unsettled_when, zone)[11:16]}. {what}.",
        step=step.id,
        logged=True,
    )


def _own_locks_off(state: JobState, step: Step, times: tuple[str, ...]) -> None:
    """Nothing went back into service while somebody was locked on."""
    if not goes_back(step) or (row := state.locks.own_during(minute_of(times[0]), minute_of(times[-1]))) is None:
        return
    raise Refused(
        "own_locks_on",
        f"“{step.text}” was done at {times[0][11:16]} by the page, and {row.by.name}'s own lock {row.lock} was on "
        "then. Read both times again; if they stand there, stop the job and tell the lead.",
        step=step.id,
        logged=True,
    )


def complain_about_times(earliest: datetime, times: tuple[str, ...], now: str, after: str) -> None:
    """Refuse times of a page that cannot be read or do not follow each other between `earliest` and now."""
    if not all(_INSTANT.fullmatch(text) for text in times):
        raise Invalid("The time on the paper cannot be read. Give day and time, such as 2026-03-02 and 14:05.")
    instants = (earliest, *map(minute_of, times), minute_of(now))
    if any(earlier > later for earlier, later in pairwise(instants)):
        raise Refused(
            "paper_order",
            f"The time {times[-1]} does not fit: it lies after {after}, and not after now. Read the paper again.",
        )


def _done_before(state: JobState, step: Step) -> str:
    """When the newest step before this one was done, by paper or by the server's clock.

    A pause held anew at a screen, or rows entered there, may be later than the paper around them.
    """
    before = reversed(state.steps[: state.index[step.id]])
    stamps = ((other, state.mark(other.id).done) for other in before)
    last = next((done for other, done in stamps if (done and done.paper) or not (other.says or other.table)), None)
    return last.when if last else ""


def minute_of(text: str) -> datetime:
    """Return an instant to its minute, as paper gives it; raise Invalid where there is none such."""
    try:
        return to_minute(text)
    except (ValueError, OverflowError):
        raise Invalid(f"There is no such day or time as {text}. Read the paper again.") from None


def _reconcile(state: JobState, command: ReconcileBlank, moment: Moment) -> tuple[Event, ...]:
    blank = blank_out(state, command.serial)
    reason = command.reason.strip()
    if command.how not in get_args(How):
        raise Refused("how", "Say whether the blank is returned, attached or voided.")
    if command.how == "returned" and not command.photo:
        raise Invalid("There is no photo of the returned pages. Take one, so that the paper can be found again.")
    if command.how == "attached" and blank.serial not in state.paper.used:
        raise Refused("not_used", f"Nothing was entered from blank {blank.serial}, so no page of it is attached.")
    if command.how == "voided":
        reason = words_of(reason, "The reason")
    elif reason:
        reason = words_of(reason, "Where it lies")
    photo = command.photo if command.how == "returned" else None
    return (
        event_of(
            BlankReconciled, state, moment, serial=blank.serial, how=command.how, photo=photo or None, reason=reason
        ),
    )


def blanks_out_words(state: JobState) -> str:
    """Say which blanks are out; nothing if none is."""
    out = [item.serial for item in state.paper.out]
    if not out:
        return ""
    one = len(out) == 1
    return (
        f"Blank{'' if one else 's'} {', '.join(out)} {'is' if one else 'are'} out. Account for every one before review."
    )
