"""What the isolation allows: no step past a missing lock, a lock of somebody's own, a trial in hand or a lapse.

`in_the_way` is asked at whatever is done at the step in hand: a mark, a pause, a release, a row of the table of
locks, a step set aside.  Steps laid down before there was a table of locks ask for none.
"""

from collections.abc import Mapping

from app.calc.errors import Invalid
from app.domain.commands import Moment
from app.domain.containment.effects import Act, Effect
from app.domain.containment.rules import attempt
from app.domain.containment.state import HousingState, Isolation
from app.domain.deciding.common import neighbours
from app.domain.event_base import Who
from app.domain.housing import FurtherPoint, Point
from app.domain.job import JobState
from app.domain.labels import label_text, look_alikes, reads_as, told_apart
from app.domain.refused import Refused
from app.domain.steps import Step
from app.domain.watching import MOST_MISSED, missed_by

BACK_TO_SERVICE = frozenset({
    Act.REMOVE_LOCKS, Act.OPEN_UPSTREAM, Act.OPEN_DOWNSTREAM, Act.START_FAN, Act.PUT_IN_SERVICE,
})  # fmt: skip
LONGEST_LABEL = 80
"""Characters of a label as read (this program's bound, no source)."""


def in_the_way(state: JobState, step: Step, moment: Moment) -> None:
    """Raise Refused where locks, a trial or a missed reading stand in the way of any mark at this step."""
    if stroke := state.locks.stroke:
        raise Refused(
            "trial", f"{stroke.tag} is being moved for a trial. Lock it again, then go on with the step that is due."
        )
    if state.watch.missed + len(missed_by(state.watch, moment.at)) >= MOST_MISSED:
        raise Refused("lapsed", "Two repeated readings were missed. Read now; a lead re-opens the job.", step=step.id)
    if goes_back(step) and (own := state.locks.own):
        names = ", ".join(f"{item.by.name} (lock {item.lock})" for item in own)
        raise Refused(
            "own_locks_on",
            f"“{step.text}” waits: still locked on: {names}. Each takes off their own lock first.",
            step=step.id,
            logged=True,
        )
    opens = any(effect.act is Act.TAKE_DOOR_OFF for effect in step.effects)
    if opens and has_table(state) and (missing := unlocked(state)):
        raise Refused(
            "unlocked",
            f"“{step.text}” waits: no lock is on {_tags(missing)}. Isolate, lock and verify first.",
            step=step.id,
            logged=True,
        )


def goes_back(step: Step) -> bool:
    """Whether a step brings the housing back to service, from the locks coming off on."""
    return any(effect.act in BACK_TO_SERVICE for effect in step.effects)


def rows_stand(state: JobState, step: Step) -> None:
    """Raise Refused where a step that is done row by row lacks a row."""
    missing = unlocked(state)
    if step.further and not named_at(state, step):
        raise Refused(
            "no_further_point",
            f"“{step.text}” is not done: no further point is named. Name each as on its label and lock it; if there is "
            "none, stop the job and tell the safety officer.",
            step=step.id,
            logged=True,
        )
    if step.table == "locks_on" and missing:
        raise Refused(
            "rows_missing",
            f"“{step.text}” is not done: no lock is recorded on {_tags(missing)}. Lock each point and record its row.",
            step=step.id,
            logged=True,
        )
    if step.table == "locks_off" and (on := state.locks.points):
        told = ", ".join(f"{item.tag} (lock {item.lock}, {item.by.name})" for item in on)
        raise Refused(
            "rows_missing", f"“{step.text}” is not done: locks are still on {told}. Each takes off their own.",
            step=step.id, logged=True,
        )  # fmt: skip


def has_table(state: JobState) -> bool:
    """Whether this job keeps its locks in a table; one laid down before there was one does not."""
    return any(step.table == "locks_on" for step in state.steps)


def unlocked(state: JobState) -> tuple[Point, ...]:
    """Return the points of isolation that no lock is on."""
    return tuple(item for item in state.points if state.locks.at(item.id) is None)


def named_at(state: JobState, step: Step) -> tuple[FurtherPoint, ...]:
    """Return the points beyond the nameplate that were named at this step."""
    return tuple(item for item in state.locks.further if item.step == step.id)


def left_alone(state: JobState, person: Who) -> bool:
    """Whether work that was left and still needs its isolation would keep nobody's own lock but this person's.

    Left is what is suspended or being handed over, by all but the incoming person.  The isolation may end where the
    model lets the locks come off.  Only the lock of somebody who may still go on with the work holds for the others.
    """
    under_way = state.leaving.handover
    left = state.leaving.suspended is not None or (under_way is not None and under_way.incoming.id != person.id)
    if not left or not isolation_needed(state.model):
        return False
    return not any(item.by.id not in {person.id, *state.leaving.gone} for item in state.locks.own)


def isolation_needed(model: HousingState | None) -> bool:
    """Whether the housing is isolated and not in a state where the locks may come off."""
    if model is None or model.isolation is Isolation.NONE:
        return False
    return bool(attempt(model, Effect(act=Act.REMOVE_LOCKS)).broken)


def _tags(points: tuple[Point, ...]) -> str:
    return ", ".join(point.tag for point in points)


def labels_read(state: JobState, step: Step, answers: Mapping[str, str]) -> dict[str, str]:
    """Return what was read on the labels that a step asks for before anybody acts.

    Raises Invalid where a label was not read or something else was sent, Refused (worth an entry) for another label.
    """
    asked = {item.ask.id: item for item in step.asks_at("begin")}
    if stray := sorted(set(answers) - set(asked)):
        raise Invalid(f"The step does not ask for {stray[0]!r} before it is begun; send only what it asks for.")
    for name, item in asked.items():
        typed = " ".join(answers.get(name, "").split())
        if not typed:
            raise Invalid(f"{item.ask.label}: nothing was given. Read the label on the component and type it.")
        check_label(state, step, item.ask.expects or "", typed)
    return {name: " ".join(answers[name].split()) for name in asked}


def check_label(state: JobState, step: Step, tag: str, typed: str) -> None:
    """Raise Refused, worth an entry, where the label read is not that of the component meant."""
    if (length := len(label_text(typed))) > LONGEST_LABEL:
        raise Invalid(
            f"The label has {length} characters; {LONGEST_LABEL} is the most this program takes. Type what it reads."
        )
    near = neighbours(state)
    if told_apart(typed, tag, near):
        return
    other = next((item for item in look_alikes(tag, near) if reads_as(typed, item)), None)
    told = f"{typed!r} is {other}, not this one" if other else f"{typed!r} is not what its label reads"
    if other and reads_as(typed, tag):
        told = f"{typed!r} is the end of {other} as well; type the whole label"
    raise Refused(
        "wrong_tag", f"“{step.text}” is for {tag}: {told}. Go to {tag} and read its label.", step=step.id, logged=True
    )
