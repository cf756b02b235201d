"""Deciding on the crew: who is briefed and qualified, who marks, for whom it is recorded, who has spoken at a pause."""

from datetime import datetime

from app.domain.commands import Moment
from app.domain.crew import (
    Acknowledge,
    ConfirmPause,
    CrewBriefed,
    CrewLeft,
    LeaveCrew,
    Part,
    PauseConfirmed,
    held_by,
    lacking,
)
from app.domain.deciding.common import event_of, needs_of, qualified, signature_of, words_of
from app.domain.deciding.leaving import handed_over
from app.domain.event_base import Evidence, Who
from app.domain.events import Event, JobOpened, StepDone
from app.domain.instants import to_minute
from app.domain.job import JobState
from app.domain.killers import to_say
from app.domain.procedure import Role, StepKind
from app.domain.refused import Refused
from app.domain.signing import PAUSE
from app.domain.steps import Step

FEWEST_LETTERS = 8
"""Of own words about what one will do and look out for; fewer say nothing (this program's figure)."""


def complain_of_crew(draft: JobOpened, moment: Moment) -> None:
    """Refuse to give the work to somebody who lacks a qualification that it needs, or whose last good day is past."""
    needs = draft.brief.needs if draft.brief else ()
    told = [words for who in draft.crew for words in lacking(who, moment.qualifications, needs, moment.on)]
    if told:
        raise Refused(
            "qualification",
            f"{'; '.join(told)}. A lead or safety officer enters or renews it under Qualifications, or somebody else "
            "is named for the crew.",
        )


def acknowledge(state: JobState, command: Acknowledge, moment: Moment) -> tuple[Event, ...]:
    """Acknowledge the brief of this revision."""
    opened = state.opened
    if opened is None or not state.crew.enforced:
        raise Refused(
            "no_brief", "This job was opened without a brief. Nothing needs to be acknowledged; go to the work."
        )
    if state.accepted is not None:
        raise Refused("accepted", "The record has been accepted; no work is in hand. A lead can re-open the job.")
    if command.part not in tuple(Part):
        raise Refused("part", "Choose what you are briefed for: one of the two shown.")
    part, by = Part(command.part), moment.by
    words = words_of(command.words, "What you will do and look out for")
    if len(words) < FEWEST_LETTERS:
        raise Refused(
            "few_words", f"“{words}” says too little. Say in your own words what you will do and look out for."
        )
    if part is Part.RELEASE and by.role is Role.TECHNICIAN:
        raise Refused("role", f"{by.name} is a technician and releases no holds. Choose to take part in the work.")
    if (part is Part.WORK and state.crew.member(by.id)) or (part is Part.RELEASE and by.id in state.crew.signers):
        raise Refused("briefed_already", f"{by.name} has acknowledged this brief already. Go to the work.")
    if part is Part.WORK:
        qualified(state, by, moment)
    return (
        event_of(
            CrewBriefed, state, moment, revision=opened.revision, part=part, words=words,
            qualifications=held_by(by.id, moment.qualifications, needs_of(state)),
            signature=signature_of(state, moment, part.meaning),
        ),
    )  # fmt: skip


def leave(state: JobState, command: LeaveCrew, moment: Moment) -> tuple[Event, ...]:
    """Take somebody off the crew."""
    if state.accepted is not None:
        raise Refused(
            "accepted", "The record has been accepted; nobody is on its crew any more. A lead can re-open it."
        )
    known = {who.id: who for who in (*state.crew.waiting, *state.crew.present)}
    person = known.get(command.person)
    if person is None:
        raise Refused("not_on_crew", "That person is not on the crew. Choose one of those shown.")
    if moment.by.role is not Role.LEAD and moment.by.id != person.id:
        raise Refused("role", f"{person.name} is taken off the crew by a lead, or leaves in person. Ask a lead.")
    reason = words_of(command.reason, f"Why {person.name} leaves the crew")
    return (event_of(CrewLeft, state, moment, person=person, reason=reason),)


def _still_here(state: JobState, step: Step, who: Who) -> None:
    """Refuse whoever handed the job over as somebody who takes part in what another enters."""
    if handed_over(state, who):
        raise Refused(
            "handed_over",
            f"{who.name} handed this job over and takes no part in it any more. Choose somebody of the crew that is "
            "there now.",
            step=step.id,
            logged=True,
        )


def may_mark(state: JobState, step: Step, moment: Moment) -> None:
    """Refuse a mark by whoever has not been briefed, or is no longer qualified."""
    if moment.paper is not None:
        there_then(state, moment.by, moment, step.id)
    if not state.crew.enforced:
        return
    if moment.paper is None and state.crew.member(moment.by.id) is None:
        raise Refused(
            "not_briefed",
            f"{moment.by.name} has not been briefed for this job and marks nothing. Read the brief and acknowledge it "
            "first.",
            step=step.id,
            logged=True,
        )
    qualified(state, moment.by, moment, step.id)


def then_of(moment: Moment) -> datetime | None:
    """Return when that happened which a page says; None for what is entered as it happens."""
    return None if moment.paper is None else to_minute(moment.local_time)


def there_then(state: JobState, who: Who, moment: Moment, step: str | None = None) -> None:
    """Refuse a name on a page whose bearer had not been briefed by then, had left, or had handed the job over."""
    then = to_minute(moment.local_time)
    told = f"at {moment.local_time[11:16]}, the time on the page"
    if state.had_gone(who, then):
        raise Refused(
            "handed_over",
            f"{who.name} had handed this job over {told}, and took no part in it any more. Read name and time again.",
            step=step,
            logged=True,
        )
    if state.crew.enforced and all(member.id != who.id for member in state.crew.there(then)):
        raise Refused(
            "not_briefed",
            f"{who.name} was not on the briefed crew of this job {told}. Read name and time again; if they stand "
            "there, stop the job and tell the lead.",
            step=step,
            logged=True,
        )


def may_be_second(state: JobState, step: Step, second: Who, moment: Moment) -> None:
    """Refuse a second person who handed the job over, has not been briefed, or is no longer qualified.

    What was done on paper was done by whoever was there at the time of the page.
    """
    if moment.paper is None:
        _still_here(state, step, second)
    else:
        there_then(state, second, moment, step.id)
    if state.crew.enforced:
        if moment.paper is None and state.crew.member(second.id) is None:
            raise Refused(
                "not_briefed",
                f"{second.name} has not been briefed for this job and cannot be the second person. Choose one of the "
                "crew, or have them read the brief first.",
                step=step.id,
                logged=True,
            )
        qualified(state, second, moment, step.id)


def may_release(state: JobState, step: Step, who: Who) -> None:
    """Refuse a release by whoever handed the job over, or by a lead who has not been briefed.

    A safety officer comes from outside and signs alone.
    """
    _still_here(state, step, who)
    if not state.crew.may_release(who):
        raise Refused(
            "not_briefed",
            f"{who.name} has not been briefed for this job and releases nothing in it. Read the brief and "
            "acknowledge it first.",
            step=step.id,
            logged=True,
        )


def worker_of(state: JobState, step: Step, person: str, moment: Moment) -> Who | None:
    """Return for whom a mark is recorded; None where nobody was named, or the person who marks."""
    if person in ("", moment.by.id):
        return None
    worker = state.crew.member(person)
    if worker is None:
        raise Refused(
            "no_worker", "The mark is recorded for somebody who is not on the briefed crew. Choose one of those shown.",
            step=step.id,
        )  # fmt: skip
    if step.kind is StepKind.VERIFY:
        raise Refused(
            "own_verification",
            f"“{step.text}” is marked by the person who verifies, in their own name: {worker.name} signs in.",
            step=step.id,
            logged=True,
        )
    _still_here(state, step, worker)
    qualified(state, worker, moment, step.id)
    return worker


def no_lone_pause(state: JobState, step: Step) -> None:
    """Refuse to tick a team pause off: each of the crew confirms it."""
    if state.crew.enforced and step.says:
        missing = ", ".join(who.name for who in state.unspoken(step.id))
        raise Refused(
            "pause",
            f"“{step.text}” is confirmed by each of the crew, not marked by one. Still to speak: {missing}.",
            step=step.id,
        )


def confirm_pause(state: JobState, step: Step, command: ConfirmPause, moment: Moment) -> tuple[Event, ...]:
    """Keep who spoke at a team pause; the pause is over with the last of them."""
    if not step.says:
        raise Refused("no_pause", f"“{step.text}” is not a team pause. Mark it like any other step.", step=step.id)
    may_mark(state, step, moment)
    then = then_of(moment)
    missing = {who.id: who for who in state.unspoken(step.id, then=then)}
    crew = {who.id for who in (state.crew.present if then is None else state.crew.there(then))}
    if command.aloud:
        if strangers := [name for name in command.aloud if name not in crew]:
            raise Refused("not_on_crew", f"{strangers[0]!r} is not on the briefed crew. Choose from those shown.")
        fresh = [missing[name] for name in dict.fromkeys(command.aloud) if name in missing]
        how, signature = "said aloud", None
    else:
        fresh = [missing[moment.by.id]] if moment.by.id in missing else []
        how, signature = "own secret", signature_of(state, moment, PAUSE)
    if not fresh:
        raise Refused("spoken_already", "Everybody named has spoken at this pause already. Look who is still missing.")
    spoken: list[Event] = [
        event_of(
            PauseConfirmed, state, moment, offset=place, step=step.id, person=who, how=how, signature=signature,
        )
        for place, who in enumerate(fresh)
    ]  # fmt: skip
    if len(fresh) < len(missing):
        return tuple(spoken)
    told = "; ".join(f"{heading}: {value}" for heading, value in to_say(state, step))
    done = event_of(
        StepDone, state, moment, offset=len(spoken), step=step.id, evidence=Evidence(note=f"Said: {told}"),
        in_hand_since=state.last_at,
    )  # fmt: skip
    return (*spoken, done)
