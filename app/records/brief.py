"""The brief before a job, made from the job itself: critical steps, likely errors, consequences, when to stop, what if.

Critical steps and hazards come from the job's own steps as they are now, and what to do if something goes wrong from
the branches that the job keeps ready.  The table of errors, and what to do where there is no branch, are general:
common practice, no source, and the site's own instructions come first.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from app.domain.containment.effects import Act
from app.domain.containment.mishaps import Mishap
from app.domain.containment.state import Door
from app.domain.contingency import LaidContingency
from app.domain.events import STOP_REASONS, JobOpened
from app.domain.housing import Housing, Seal
from app.domain.job import JobState
from app.domain.procedure import Signal
from app.domain.steps import Step, port_names
from app.records.moments import local_text
from app.records.wording import limit_words

SOURCE = "common practice, no source; the site's own instructions come first"
_WRONG_DAMPER = ("the neighbour's damper or fan is worked", "read the label aloud, touch it, then act")
_WRONG_SIDE = ("both closures land on one side of the place to cut", "count each side by hand before the pause")
_HALF_STRAP = ("the strap rides beside its groove", "run a thumb all round before letting go")
_UNEVEN = ("one side of the clamp stops early", "look at both sides before reading any torque")
LIKELY: dict[Act, tuple[str, str]] = {
    Act.STOP_FAN: _WRONG_DAMPER,
    Act.SHUT_UPSTREAM: _WRONG_DAMPER,
    Act.SHUT_DOWNSTREAM: _WRONG_DAMPER,
    Act.ISOLATE: ("a lock is left off or hangs on another point", "count locks against the points, number by number"),
    Act.VERIFY_ISOLATION: ("a lamp is believed instead of a try", "try to start, then feel or read for flow"),
    Act.DECONTAMINATE: ("a failed indicator is overlooked", "read every indicator, none from memory"),
    Act.TAKE_DOOR_OFF: (
        "the door comes off with the bag caught on it",
        "lower the door by an edge while a second watches",
    ),
    Act.EXTEND_BAG: ("a fold tears as the bag is pulled", "unfold by hand, layer by layer"),
    Act.RELEASE_CLAMP: ("a filter shifts as the clamp lets go", "turn both sides in small turns"),
    Act.DRAW_OUT: ("the filter tilts and cuts the bag", "two hands below, weight on the sill, slow"),
    Act.GATHER: ("the neck is short and leaves no room for closures", "measure the neck before the first tie"),
    Act.TIE: _WRONG_SIDE,
    Act.BAND: ("the crimp is not closed", "pull at each band after crimping"),
    Act.CUT: ("the blade wanders outside the bands", "mark the place and keep the other hand behind it"),
    Act.TAPE_STUB: ("a part of the edge stays bare", "turn the stub and look all round"),
    Act.TAPE_PACKAGE: ("a part of the edge stays bare", "turn the package and look all round"),
    Act.ACCOUNT_PACKAGE: ("two packages carry one number", "write the number, then read it back"),
    Act.LOAD_FILTER: ("seal or medium is touched", "hold the frame only"),
    Act.FIT_BAG: ("the old stub is caught under the new cuff", "look along the ring before strapping"),
    Act.STRAP_BAG: _HALF_STRAP,
    Act.DRAW_STUB_OFF: ("the new bag comes off with the stub", "one holds the strap while the other draws"),
    Act.SLIDE_IN: ("the filter goes in turned or askew", "compare arrow and pleats with the label first"),
    Act.SET_CLAMP: _UNEVEN,
    Act.ROLL_BAG: ("the roll stands out and is caught by the door", "press the roll flat inside the ring"),
    Act.REFIT_DOOR: ("the gasket is pinched or the bag caught", "look round the edge before latching"),
    Act.REMOVE_LOCKS: ("somebody else's lock is taken off", "each takes off their own, by number"),
    Act.OPEN_UPSTREAM: _WRONG_DAMPER,
    Act.OPEN_DOWNSTREAM: _WRONG_DAMPER,
    Act.START_FAN: ("the fan starts on shut dampers", "look at both dampers before starting"),
    Act.FIT_OVERBAG: ("the tear reaches past the new cuff", "look all round the tear before the cuff goes over it"),
    Act.DRAW_TORN_OFF: ("the outer bag comes off with the torn one", "one holds the outer strap while the other draws"),
    Act.BAND_BESIDE: ("the new band sits over the loose one", "set it beside, on a part of the neck that is whole"),
    Act.REPLACE_GASKET: ("a corner of the new gasket stays open", "run a finger round the whole seat"),
    Act.PUT_IN_SERVICE: ("the result of a failed test is forgotten", "read the last result aloud before release"),
}
"""For each act: how it commonly goes wrong, and what is done against it."""
ALARM = "alarm"
"""The id of the branch for an alarm; no mishap of the model tells it from others."""
WHAT_IF: tuple[tuple[frozenset[str], str, str], ...] = (
    (
        frozenset({Mishap.TEAR_BAG}), "A bag is torn",
        "STOP. Hold the tear shut, tape it over, keep the neck gathered. Nothing is cut through it.",
    ),
    (
        frozenset({Mishap.LOSE_RING_BAND, Mishap.LOSE_PACKAGE_BAND}), "A band does not hold",
        "STOP before the cut. Put a new band beside it; the loose one stays and is counted.",
    ),
    (
        frozenset({Mishap.STICK_FILTER}), "A filter is stuck",
        "STOP. Never lever through the bag. Look at clamp and seal again, then call the lead.",
    ),
    (
        frozenset({Mishap.DROP_SPENT_FILTER, Mishap.DROP_NEW_FILTER}), "A filter falls in the bag",
        "STOP. Leave it down, look for tears, support it, close the neck behind it.",
    ),
    (
        frozenset({Mishap.DAMAGE_GASKET}), "A door gasket is damaged",
        "STOP before the door is latched. The bag on the ring is the barrier meanwhile.",
    ),
    (
        frozenset({Mishap.LEAK_BY}), "A damper leaks by",
        "STOP. The door stays shut. If it is off: bag extended, neck gathered, call the lead.",
    ),
    (
        frozenset({ALARM}), "An alarm sounds",
        "STOP. Close what parts inside from room if it takes one move; leave as the site's rules say.",
    ),
)  # fmt: skip
"""What to do where a job has no branch for it: the mishaps (or the branch) that it is about, if, then."""
GEL_DAMAGED = (
    frozenset({Mishap.DAMAGE_SEAL}), "Gel is torn or pulled out",
    "STOP. The filter is not clamped. Bag it out and fit another; gel is not patched.",
)  # fmt: skip
FIRST_STEPS = 3
"""So many steps of a branch are read out in the brief (this program's figure)."""
FROM_BRANCHES = "the first steps of what this job keeps ready, which a lead puts in after the stop"
ANYBODY = "anybody says STOP"
ALWAYS_STOP = ("airborne alarm", "torn bag", "loose strap", ANYBODY)
GRAVEST = (Signal.DANGER, Signal.WARNING)


@dataclass(frozen=True, slots=True)
class Critical:
    """Critical steps of one text: their numbers, why they are critical, and their hazards as signal word and text."""

    numbers: tuple[int, ...]
    text: str
    why: str
    hazards: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Attendee:
    """Who acknowledged the brief: name, role, what for, own words, when by the site's zone, and what they held."""

    name: str
    role: str
    meaning: str
    words: str
    at: str
    held: str


@dataclass(frozen=True, slots=True)
class Brief:
    """The brief of a job on one page, with those who have acknowledged it and those who have yet to."""

    title: str
    purpose: tuple[tuple[str, str], ...]
    critical: tuple[Critical, ...]
    likely: tuple[tuple[str, str], ...]
    worst: tuple[tuple[str, str], ...]
    stops: tuple[str, ...]
    what_if: tuple[tuple[str, str], ...]
    lessons: tuple[str, ...]
    needs: tuple[str, ...]
    attendees: tuple[Attendee, ...]
    waiting: tuple[str, ...]
    source: str = SOURCE
    what_if_from: str = SOURCE


def brief_of(state: JobState) -> Brief | None:
    """Return the brief of a job as it stands, changed words and steps put in included; None for one without."""
    opened = state.opened
    if opened is None or opened.brief is None:
        return None
    kept = (opened.contingencies or ()) if opened.brief.branches else ()
    branches = tuple((branch.title, _begins(branch, opened.housing)) for branch in kept)
    acts = [effect.act for step in state.steps for effect in step.effects]
    return Brief(
        title=f"Brief for job {opened.number}, housing {opened.housing.tag}",
        purpose=(
            ("Work", f"{opened.procedure_title}, {opened.procedure} revision {opened.revision}"),
            ("Housing", f"{opened.housing.tag}, {opened.housing.location}"),
            ("Service", f"{opened.housing.service.replace('_', ' ')}, {opened.housing.seal} seal"),
            ("Steps", f"{len(state.steps)} in {len({step.section for step in state.steps})} sections"),
        ),
        critical=_critical(state.steps),
        likely=tuple(dict.fromkeys(LIKELY[act] for act in acts)),
        worst=_worst(state.steps),
        stops=(*abort_limits(state), *dict.fromkeys(STOP_REASONS.values())),
        what_if=(*branches, *_without_branch(opened, kept)),
        what_if_from=f"{FROM_BRANCHES}; what has none is {SOURCE}" if branches else SOURCE,
        lessons=opened.brief.lessons,
        needs=opened.brief.needs,
        attendees=tuple(
            Attendee(
                name=item.by.name, role=item.by.role.words, meaning=item.signature.meaning, words=item.words,
                at=local_text(item.at, opened.zone),
                held="; ".join(f"{held.what} until {held.until}" for held in item.qualifications),
            )
            for item in state.crew.briefed
        ),
        waiting=tuple(who.name for who in state.crew.waiting),
    )  # fmt: skip


def _begins(branch: LaidContingency, housing: Housing) -> str:
    """Say how a branch begins, wherever at the housing it may be needed."""
    one = len(housing.ports) == 1
    names = port_names(housing, housing.ports[0].id, None) | {"position": "in question"}
    names |= {} if one else {"port": "the port", "clamp": "clamp", "filters": "its", "filter_type": "filter"}
    first = " ".join(step.text.format_map(names) for step in branch.steps[:FIRST_STEPS])
    more = len(branch.steps) - FIRST_STEPS
    return f"STOP. {first}" + (f" Then {more} more {'step' if more == 1 else 'steps'}." if more > 0 else "")


def _without_branch(opened: JobOpened, kept: Iterable[LaidContingency]) -> tuple[tuple[str, str], ...]:
    """Return what to do where the job keeps no branch ready."""
    covered = {name for branch in kept for name in (branch.id, str(branch.occurs))}
    general = (*WHAT_IF, GEL_DAMAGED) if opened.housing.seal is Seal.GEL else WHAT_IF
    return tuple((told, then) for about, told, then in general if not about & covered)


def _critical(steps: Iterable[Step]) -> tuple[Critical, ...]:
    """Group the steps that are final or take two marks by their text, in the order of the work."""
    found: dict[str, list[tuple[int, Step]]] = {}
    for number, step in enumerate(steps, start=1):
        if step.final or step.marks == 2:
            found.setdefault(step.text, []).append((number, step))
    return tuple(
        Critical(
            numbers=tuple(number for number, _ in group),
            text=text,
            why="cannot be undone" if group[0][1].final else "begun and done are marked",
            hazards=tuple((hazard.signal.upper(), hazard.text) for hazard in group[0][1].hazards),
        )
        for text, group in found.items()
    )


def _worst(steps: Iterable[Step]) -> tuple[tuple[str, str], ...]:
    """Return the gravest hazards of the job, each once, danger before warning."""
    hazards = {hazard.text: hazard.signal for step in steps for hazard in step.hazards if hazard.signal in GRAVEST}
    order = sorted(hazards.items(), key=lambda item: GRAVEST.index(item[1]))
    return tuple((signal.upper(), text) for text, signal in order)


def abort_limits(state: JobState) -> tuple[str, ...]:
    """Return what stops the work at once for as long as a door is off, with the site's limits in absolute values."""
    found = dict.fromkeys(
        f"{asked.ask.label} outside {limit_words(limit.low, limit.high, limit.op, limit.unit)}"
        for step in state.steps
        for asked in step.asks
        if asked.ask.limit == "housing_pressure" and (limit := asked.limit) is not None
    )
    return (*ALWAYS_STOP, *found)


def abort_line(state: JobState) -> str:
    """Say what stops the work, while a door is off; nothing while every door is shut."""
    if state.model is None or all(port.door is Door.SHUT for port in state.model.ports):
        return ""
    return f"Stop at: {', '.join(told for told in abort_limits(state) if told != ANYBODY)}."
