"""What every decision needs: events at their place, words that were given, signatures, what relies on a step."""

from collections.abc import Iterable, Mapping
from typing import TypeVar

from app.domain.commands import (
    Moment,
)
from app.domain.computing import Setting
from app.domain.crew import lacking
from app.domain.deciding.filters import fitness_of
from app.domain.event_base import Signature, Who, proof_of
from app.domain.events import Event, JobStopped
from app.domain.job import JobState, Stage
from app.domain.judging import LONGEST_ANSWER
from app.domain.refused import Refused
from app.domain.signing import known_meaning
from app.domain.steps import Step

NOT_OPEN = {
    Stage.BRIEFING: "The crew has not been briefed yet. Each of them reads the brief and acknowledges it first.",
    Stage.STOPPED: "The job is stopped. A lead must re-open it before anything is marked.",
    Stage.SUSPENDED: "The job is suspended. Return to the work before anything is marked.",
    Stage.LOOKING: "Work was stopped or left here. Answer what is to be looked at before going on.",
    Stage.HANDING_OVER: "The job is being handed over. Both people must sign before anything is marked.",
    Stage.CONTESTED: "Two accounts of a step differ. A lead must settle them before anything is marked.",
}

E = TypeVar("E", bound=Event)


def event_of(kind: type[E], state: JobState, moment: Moment, /, *, offset: int = 0, **fields: object) -> E:
    """Return an event of this kind, at this moment, at the next place but `offset`."""
    return kind(
        ledger=moment.ledger,
        seq=state.size + offset,
        at=moment.at,
        by=moment.by,
        device=moment.device,
        request=moment.request,
        **fields,
    )


def words_of(text: str, what: str) -> str:
    """Return words that were given; raise Refused for none or too many."""
    told = text.strip()
    if not told:
        raise Refused("no_words", f"{what} is empty. Write at least a few words.")
    if len(told) > LONGEST_ANSWER:
        raise Refused(
            "too_long",
            f"{what} has {len(told)} characters; {LONGEST_ANSWER} is the most this program takes. Shorten it.",
        )
    return told


def needs_of(state: JobState) -> tuple[str, ...]:
    """Return the qualifications that everybody at work on this job holds; none in a job without a brief."""
    brief = state.opened.brief if state.opened else None
    return brief.needs if brief else ()


def qualified(state: JobState, who: Who, moment: Moment, step: str | None = None) -> None:
    """Refuse whoever lacks a qualification that this job needs, or whose last good day is past."""
    if told := lacking(who, moment.qualifications, needs_of(state), moment.on):
        raise Refused(
            "qualification",
            f"{'; '.join(told)}. A lead or safety officer enters or renews it under Qualifications; until then "
            "somebody else does this.",
            step=step,
            logged=True,
        )


def signature_of(state: JobState, moment: Moment, meaning: str) -> Signature:
    """Return a signature over the head that stands, under a meaning of the closed list."""
    return Signature(
        meaning=known_meaning(meaning),
        size=state.size,
        root=moment.root,
        local_time=moment.local_time,
        proof=proof_of(moment.both),
    )


def stop_for(
    state: JobState, moment: Moment, told: str, *, step: Step | None = None, offset: int = 1, noticed: bool = False
) -> JobStopped:
    """Return the stop that entries bring with them, behind these: what is unexpected is never passed.

    step: where it was found, else the one that is due.  noticed: it follows from no act of whoever asks.
    """
    at = step or state.due
    return event_of(
        JobStopped,
        state,
        moment,
        offset=offset,
        step=at.id if at else None,
        reason="unexpected",
        text=told,
        noticed=noticed or None,
    )


def setting_now(state: JobState, step: Step, moment: Moment) -> Setting:
    """Return what evidence of a step is judged with at this moment."""
    return Setting(
        moment.on, moment.instruments, stated_before(state, step), neighbours(state), fitness_of(state, step, moment)
    )


def neighbours(state: JobState) -> tuple[str, ...]:
    """Return the tags near the housing that are not meant."""
    return (state.opened.housing.neighbours if state.opened else None) or ()


def stated_before(state: JobState, step: Step) -> Mapping[tuple[str, str], str]:
    """Return the earlier answers that a verification states anew, by step and question."""
    named = [asked.same_as for asked in step.asks if asked.same_as is not None]
    return {
        (item.step, item.ask): answers[item.ask].text
        for item in named
        if item.ask in (answers := state.mark(item.step).evidence.answers)
    }


def due_again(state: JobState, steps: Iterable[Step]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return what is due again, and what is flagged because it is final, once these steps no longer count."""
    again: dict[str, None] = {}
    flagged: dict[str, None] = {}
    for step in steps:
        more, flags = relying_on(state, step)
        (flagged if step.final else again)[step.id] = None
        again |= dict.fromkeys(more)
        flagged |= dict.fromkeys(flags)
    return tuple(again), tuple(flagged)


def relying_on(state: JobState, step: Step) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the steps that relied on this one and stand: those due again, and the final ones to be flagged."""
    standing = [other for name in step.relied_on_by if (other := state.step(name)) and state.mark(name).stands]
    return (
        tuple(other.id for other in standing if not other.final),
        tuple(other.id for other in standing if other.final),
    )


def working(state: JobState, step_id: str) -> Step:
    """Return the step asked for if the job runs and the step is due."""
    step = state.step(step_id)
    if step is None:
        raise Refused("no_step", f"This job has no step {step_id!r}. Go back to the step that is due.")
    due = state.due
    if due is None or state.stage is not Stage.OPEN:
        raise Refused(
            "not_open",
            NOT_OPEN.get(
                state.stage, f"The job is {state.stage}; no step is due. Go to the job and see what comes next."
            ),
            step=step_id,
        )
    if due.id != step_id:
        done = state.mark(step_id).stands
        told = "is done already" if done else "is not due yet"
        by = _by(state, step_id) if done else ""
        raise Refused(
            "done_already" if done else "out_of_order",
            f"“{step.text}” {told}{by}. Due now: “{due.text}”. Go to that step.",
            step=step_id,
            logged=not done,
        )
    return step


def _by(state: JobState, step_id: str) -> str:
    done = state.mark(step_id).done
    return f" by {done.by.name}" if done else ""


def complain_of_permit(state: JobState, step: Step, moment: Moment) -> None:
    """Refuse a release under a permit that has run out."""
    until = state.permit_until
    if until is not None and until < moment.on:
        raise Refused(
            "permit",
            f"The permit was good until {until} and today is {moment.on}. Have it renewed and correct its date, then "
            "release.",
            step=step.id,
            logged=True,
        )


def complain_of_no_permit(state: JobState) -> None:
    """Refuse a word about a permit that is not on record."""
    if state.permit_until is None:
        raise Refused(
            "no_permit", "This job has no permit on record yet. Leave the permit out, or do the step that records it."
        )


def complain_of_permit_away(state: JobState, step: Step) -> None:
    """Refuse to go on while the permit is away, on whatever way the looks at it were passed by."""
    if (away := state.leaving.permit) is not None:
        raise Refused(
            "permit_away",
            f"The permit is {away.words}, and nobody has read since which one is in force. Stop the work; once a lead "
            "re-opens it, number and last day are asked for.",
            step=step.id,
            logged=True,
        )
