"""A controlled blank: the record so far and the steps to come, with boxes, for when the tablets fail.

Pure: from the state of the job just after the blank was printed.
"""

from collections.abc import Sequence
from typing import Any

from app.domain.applicability import StepNotApplicable
from app.domain.containment.effects import Act
from app.domain.contingency import ContingencyEntered
from app.domain.events import (
    AnswerCorrected,
    EntriesDiffered,
    Event,
    JobReopened,
    JobStopped,
    NoteWritten,
    StepOutside,
    StepWithdrawn,
    StopExplained,
    WayOutTaken,
)
from app.domain.field_change import FieldChangeApproved, FieldChangeDeclined, FieldChangeProposed
from app.domain.housing import FurtherKind, Point
from app.domain.job import JobState
from app.domain.killers import to_say
from app.domain.locks import (
    DamperStroked,
    Hung,
    OthersLockRemoved,
    OwnLockOff,
    OwnLockOn,
    PointLocked,
    PointNamed,
    PointStruck,
    PointUnlocked,
)
from app.domain.paper import BlankPrinted
from app.domain.procedure import Ask, Second, StepKind
from app.domain.steps import AS_NO_LOCK, AskedFor, Repeated, Step
from app.domain.watching import ReadingMissed, ReadingRepeated, stands_open
from app.domain.words import unit_words
from app.records.cautions import CAUTIONS, REHEARSAL
from app.records.moments import local_text
from app.records.trail import trail_of
from app.records.wording import limit_of_result, limit_words, part_begun, who_words

READINGS = 24
"""Rows for the repeated reading on one blank; further ones go under what else happened (this program's figure)."""
LATER = 2
"""Lines at a pause for people who join the crew while the tablets are out (this program's figure)."""
ROWS_WHERE = (
    "Entered later row by row, with a photo of this page and a second person; that a lock came off is entered or "
    "compared by whoever took it off."
)
FURTHER_LINES = 3
"""Lines for points beyond the nameplate that are named while the tablets are out (this program's figure)."""
FURTHER_WHERE = (
    "Write for each further point its tag as on its label, what it is "
    f"({', '.join(kind.words for kind in FurtherKind)}) and its position; it is named first when "
    "this is entered, then locked like the others. "
)
PAUSE_WHERE = (
    "Entered later with the names that stand signed here, a photo of this page and a second person, before anything "
    "after it."
)
OWN_LINES = 6
"""Lines for own locks that go on while the tablets are out (this program's figure)."""
OWN_WHERE = (
    "Everybody exposed puts their own lock on before they begin and takes it off themselves, each with day and time. "
    "Entered later line by line; that a lock came off is entered or compared by its owner."
)
READINGS_WHERE = (
    "Each is entered later with its time, a photo of this page and a second person. Where the program has counted one "
    "as missed meanwhile, whoever re-opens the job reads it here."
)
BESIDE = (
    PointNamed, PointStruck, PointLocked, PointUnlocked, OwnLockOn, OwnLockOff, OthersLockRemoved, DamperStroked,
    ReadingRepeated, ReadingMissed,
    StepOutside, EntriesDiffered, JobStopped, StopExplained, JobReopened, AnswerCorrected, StepWithdrawn, WayOutTaken,
    ContingencyEntered, FieldChangeProposed, FieldChangeApproved, FieldChangeDeclined, StepNotApplicable, NoteWritten,
)  # fmt: skip
"""The entries that the record so far tells beside the marks."""
HOW_TO = (
    "Follow the steps in their order, one by one. Where a step has two lines, mark it begun before you act.",
    "Give day, time by the site's clock, and name in your own hand at every line. No ditto marks.",
    "Where a step asks for a second person, that person writes day, time and name too: nobody else fills in that line.",
    "A reading outside its limit, or anything unexpected: stop, make safe, write it down, tell the lead, mark no more.",
    "A hold point is signed on paper by the role it names, and entered later by that person only.",
    "Strike a slip through so that it stays readable, with name, time and why.",
    "Every page goes back: it is photographed, entered with a second person, and its serial number accounted for.",
)


def blank_of(state: JobState, events: Sequence[Event], event: BlankPrinted, *, root: str) -> dict[str, Any]:
    """Return the blank's values; `state` is the job's just after it was printed, `root` the head's then, in hex.

    events: those before it, as they may be printed.

    Keys: title, serial, rehearsal, facts (pairs), how (sentences), done (number, text, marks), beside (entry, time,
    sentence: what happened beside the marks), sections (title, steps), repeated (the reading while a door is off, or
    None), own (own locks that are on, lines for more), cautions, head.
    """
    opened = state.opened
    if opened is None:
        return {"title": "Empty job"}
    zone, first = opened.zone, state.index.get(event.step, 0)
    return {
        "title": f"Job {opened.number}, housing {opened.housing.tag}, {opened.procedure} revision {opened.revision}",
        "serial": event.serial,
        "rehearsal": REHEARSAL if opened.rehearsal else "",
        "facts": [
            ["Serial number of this blank", event.serial],
            ["Printed", f"{local_text(event.at, zone)} by {event.by.name}, {event.by.role.words}"],
            ["Housing", f"{opened.housing.tag}, {opened.housing.location}"],
            ["Procedure", f"{opened.procedure_title} ({opened.procedure} revision {opened.revision})"],
            ["State when printed", f"{state.stage}; {first} of {len(state.steps)} steps done"],
        ],
        "how": list(HOW_TO),
        "done": [_done(number, step, state, zone) for number, step in enumerate(state.steps[:first], start=1)],
        "beside": _beside(state, events),
        "sections": _sections(state, first, zone),
        "repeated": _repeated(state, first),
        "own": {
            "rows": [[item.by.name, item.lock, local_text(item.at, zone)] for item in state.locks.own],
            "lines": OWN_LINES,
            "where": OWN_WHERE,
        },
        "cautions": list(CAUTIONS),
        "head": {"size": state.size, "root": root, "at": local_text(state.last_at, zone)},
    }


def _done(number: int, step: Step, state: JobState, zone: str) -> list[str]:
    mark = state.mark(step.id)
    told = who_words(mark.done, zone) if mark.done else ""
    answers = "; ".join(
        f"{asked.ask.label}: {answer.text} {unit_words(answer.unit)}".strip()
        for asked in step.asks
        if asked.ask.kind != "photo" and (answer := mark.evidence.answers.get(asked.ask.id)) is not None
    )
    result = mark.evidence.result.shown if mark.evidence.result else ""
    return [str(number), step.text, "; ".join(part for part in (answers, result) if part), told]


def _beside(state: JobState, events: Sequence[Event]) -> list[list[str]]:
    """What a reader of the marks alone would not know: locks, attempts, stops, corrections, changes, notes."""
    beside = [item for item in events if isinstance(item, BESIDE)]
    return [[str(entry), at, sentence] for entry, at, sentence in trail_of(state, beside)]


def _sections(state: JobState, first: int, zone: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = []
    for place in range(first, len(state.steps)):
        step = state.steps[place]
        if not found or found[-1]["id"] != step.section:
            where = f" {step.port}" if step.port else ""
            position = f", position {step.position}" if step.position else ""
            title = f"{step.stage}{where}: {step.title}{position}"
            found.append({"id": step.section, "title": title, "use": step.use.words, "steps": []})
        found[-1]["steps"].append(_step(place + 1, step, state, zone) | part_begun(state.steps[first:], place - first))
    return found


def _step(number: int, step: Step, state: JobState, zone: str) -> dict[str, Any]:
    begun = state.mark(step.id).begun
    hold = step.kind is StepKind.HOLD
    lines = (
        [f"released by a {step.role.words}, signature"] if hold else ["begun", "done"] if step.marks == 2 else ["done"]
    )
    if step.kind is StepKind.VERIFY:
        lines = [f"{line}, by somebody who did not do the work" for line in lines]
    if begun and step.marks == 2:
        lines = lines[1:]
    speakers = state.unspoken(step.id) if step.says else ()
    if speakers:
        lines = [f"{who.name} spoke" for who in speakers] + ["somebody else of the crew spoke"] * LATER
    limit = limit_of_result(step)
    return {
        "number": number,
        "text": step.text,
        "kind": step.kind.value,
        "final": step.final,
        "begun": f"begun {who_words(begun, zone)}" if begun else "",
        "hazards": [[item.signal.value, item.text] for item in step.hazards],
        "note": step.note,
        "says": _says(step, state),
        "table": step.table or "",
        "rows": _rows(step, state, zone),
        "free": FURTHER_LINES if step.table and _named_on(state, number) else 0,
        "where": _where(step) if step.table else PAUSE_WHERE if speakers else "",
        "repeats": _repeats(step, state),
        "asks": [*(_ask(asked) for asked in step.asks), *_further_asks(step, state, number)],
        "result": f"The result must be {limit}; it is computed when the readings are entered." if limit else "",
        "lines": _with_second(lines, step),
    }


def _where(step: Step) -> str:
    return f"{FURTHER_WHERE if step.further else ''}{ROWS_WHERE}"


def _named_on(state: JobState, number: int) -> bool:
    """Whether points beyond the nameplate may be named on this blank, up to the step with this number."""
    return any(step.further and not state.mark(step.id).stands for step in state.steps[state.place : number])


def _further_asks(step: Step, state: JobState, number: int) -> list[dict[str, Any]]:
    """Ask whoever verifies the isolation on paper for the points that were named there too."""
    verifies = any(effect.act is Act.VERIFY_ISOLATION for effect in step.effects)
    if not verifies or not _named_on(state, number):
        return []
    further = Ask(id="further", label="A further point named on this page, by its tag", kind="text", required=False)
    found = Ask(id="found", label="That point as found", kind="choice", options=(AS_NAMED, AS_NO_LOCK))
    return [_ask(AskedFor(ask=ask)) for _ in range(FURTHER_LINES) for ask in (further, found)]


AS_NAMED = "in the position named, a lock and its tag on it"


def _says(step: Step, state: JobState) -> list[list[str]]:
    """What a pause says aloud; values only at the step that is due, for work before a later one changes them."""
    due = state.due is not None and state.due.id == step.id
    return [[heading, value if due else ""] for heading, value in to_say(state, step)]


def _rows(step: Step, state: JobState, zone: str) -> list[dict[str, str]]:
    """One row for each point of isolation, at the step that is due with the lock that is on it."""
    if step.table is None or state.opened is None:
        return []
    due = state.due is not None and state.due.id == step.id
    points = ((point, state.locks.at(point.id) if due else None) for point in state.points)
    return [_row(point, on, step.table, zone) for point, on in points]


def _row(point: Point, on: Hung | None, table: str, zone: str) -> dict[str, str]:
    put = on if table == "locks_on" else None
    return {
        "point": point.tag,
        "safe": point.safe,
        "lock": on.lock if on else "",
        "tag": on.tag_number if on else "",
        "who": f"{put.by.name}, {local_text(put.at, zone)}" if put else "",
    }


def _repeats(step: Step, state: JobState) -> str:
    """Say at a step that takes a door off that the repeated reading begins, where the job asks for one."""
    repeated = state.opened.repeated if state.opened else None
    if repeated is None or all(effect.act is not Act.TAKE_DOOR_OFF for effect in step.effects):
        return ""
    return f"From here until the door is back on: {_every(repeated)}, in the table “While a door is off”."


def _every(repeated: Repeated) -> str:
    return f"{repeated.label}, at least every {repeated.minutes} min"


def _repeated(state: JobState, first: int) -> dict[str, Any] | None:
    """Return the table for the reading that is repeated while a door is off; None where none will be."""
    repeated = state.opened.repeated if state.opened else None
    opens = any(_repeats(step, state) for step in state.steps[first:])
    if repeated is None or not (opens or stands_open(state.model)):
        return None
    limit = repeated.limit
    told = limit_words(limit.low, limit.high, limit.op, limit.unit) if limit else ""
    return {
        "told": f"{_every(repeated)} ({repeated.basis}).",
        "limit": f"Limit {told} ({limit.basis})." if limit else "",
        "unit": unit_words(repeated.unit),
        "where": READINGS_WHERE,
        "rows": READINGS,
    }


def _with_second(lines: list[str], step: Step) -> list[str]:
    """Put a line for the second person after every mark that takes two people."""
    if step.second is None:
        return lines
    if step.second is Second.WITNESS:
        return [*lines, "second person, who read it again"]
    return [part for line in lines for part in (line, f"the same second person, there when {line.split(',')[0]}")]


def _ask(asked: AskedFor) -> dict[str, Any]:
    ask, limit = asked.ask, asked.limit
    told = limit_words(limit.low, limit.high, limit.op, limit.unit) if limit else ""
    return {
        "label": ask.label,
        "kind": ask.kind,
        "unit": unit_words(ask.unit),
        "options": list(ask.options),
        "limit": f"{told} ({limit.basis})" if limit else "",
        "twice": ask.twice,
        "required": ask.required,
    }
