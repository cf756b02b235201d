"""The sheet to hand over: on one page what a qualified stranger needs to take the work over without a conversation.

Pure: from the state of the job.  It is a rendering and no record; what stands on it is proved by the record.
"""

import html
import re
from typing import Any

from app.domain.containment.rest import nearest_rest, port_rests, rests
from app.domain.containment.state import Isolation
from app.domain.job import JobState
from app.domain.killers import permit_line
from app.domain.leaving import SUSPEND_REASONS
from app.domain.reopening import lock_numbers
from app.domain.words import barrier_parts, barrier_words, effect_words, isolation_words
from app.records.cautions import CAUTIONS, REHEARSAL
from app.records.drawing import draw_port
from app.records.moments import local_text
from app.records.wording import answer_words, limit_words, part_words, stopper_words, who_words

MOST_READINGS = 6
"""The newest readings that are shown; the record has all of them (what fits the page)."""
_LABEL = re.compile(r'aria-label="([^"]*)"')


def sheet_of(state: JobState, *, root: str, made_at: str) -> dict[str, Any]:
    """Return the sheet's values; `root` is the newest head's, in hex.

    Keys: title, rehearsal, facts (pairs), next_thing, open (sentences), hazards (word, text), locks (point, position,
    lock), readings (what, value, limit, who), ports (port, barriers, parts, file, alt), cautions, head.
    """
    opened, model = state.opened, state.model
    if opened is None or model is None:
        return {"title": "Empty job"}
    zone = opened.zone
    left, due = state.leaving.last, state.due
    return {
        "title": f"Hand-over sheet, job {opened.number}, housing {opened.housing.tag}",
        "rehearsal": REHEARSAL if opened.rehearsal else "",
        "facts": _facts(state, made_at),
        "next_thing": left.next_thing if left and _is_fresh(state) else due.text if due else "Every step is done.",
        "open": _open(state),
        "hazards": [[item.signal.value, item.text] for item in (due.hazards if due else ())],
        "locks": _locks(state),
        "readings": _readings(state),
        "ports": [
            {
                "port": port.id, "barriers": barrier_words(model, port), "parts": barrier_parts(model, port),
                "file": f"port-{number}.svg", "alt": _described(drawing),
            }
            for number, (port, drawing) in enumerate(zip(model.ports, _drawn(state), strict=True), start=1)
        ],
        "cautions": list(CAUTIONS),
        "head": {"size": state.size, "root": root, "at": local_text(state.last_at, zone)},
    }  # fmt: skip


def drawings_of(state: JobState) -> dict[str, bytes]:
    """Return the drawings of the ports by the names that the sheet gives them."""
    return {f"port-{number}.svg": drawing.encode() for number, drawing in enumerate(_drawn(state), start=1)}


def _drawn(state: JobState) -> list[str]:
    if state.opened is None or state.model is None:
        return []
    housing = state.opened.housing
    return [
        draw_port(
            state.model, port, upstream=housing.upstream_damper, downstream=housing.downstream_damper,
            doubtful=bool(state.doubtful),
        )
        for port in state.model.ports
    ]  # fmt: skip


def _described(drawing: str) -> str:
    found = _LABEL.search(drawing)
    return html.unescape(found.group(1)) if found else "Port section"


def _is_fresh(state: JobState) -> bool:
    """Whether the line of the newest suspension still says what is next: nothing was marked since."""
    left = state.leaving.last
    marks = [stamp.seq for mark in state.marks.values() for stamp in (mark.begun, mark.done) if stamp is not None]
    return left is not None and left.seq > max(marks, default=-1)


def _facts(state: JobState, made_at: str) -> list[list[str]]:
    opened, left, due = state.opened, state.leaving.last, state.due
    assert opened is not None
    zone = opened.zone
    where = f"{due.stage}: {due.title}{part_words(due)}" if due else ""
    place = f"step {state.place + 1} of {len(state.steps)}, {where}" if due else "every step is done"
    begun = state.mark(due.id).begun if due else None
    facts = [
        ["Housing", f"{opened.housing.tag}, {opened.housing.location}; {opened.housing.service.replace('_', ' ')}"],
        ["Procedure", f"{opened.procedure_title}, revision {opened.revision}"],
        ["Place in the job", f"{place}; {state.stage}"],
        ["Step due", f"{due.text}{f' BEGUN, NOT DONE: {who_words(begun, zone)}' if begun else ''}" if due else "none"],
    ]
    if left is not None:
        facts += [
            ["Left", f"{left.by.name}, {local_text(left.at, zone)}: {SUSPEND_REASONS.get(left.reason, left.reason)}"],
            ["Told", left.told],
            ["Seen then", "; ".join(f"{item.text}: {item.seen}" for item in left.seen)],
        ]
    else:
        facts.append(["Told", "nobody yet: the work was not suspended"])
    if state.leaving.permit is not None:
        facts.append(["Permit", permit_line(state)])
    return [*facts, ["This sheet made", local_text(made_at, zone)]]


def _open(state: JobState) -> list[str]:
    """Say what of the present state can harm: not at rest, few barriers, not isolated, doubtful, stopped."""
    model = state.model
    assert model is not None
    found = []
    if state.stop is not None:
        found.append(f"STOPPED by {stopper_words(state.stop)}: {state.stop.text or 'no reason given yet'}")
    if state.doubtful:
        found.append("LOOK FIRST: marks were taken back; the drawing may not show what is so.")
    for port in model.ports:
        if not port_rests(model, port):
            found.append(f"Port {port.id} is NOT at rest: {barrier_words(model, port)}.")
    if not rests(model):
        acts = "; ".join(effect_words(effect) for effect in nearest_rest(model) or ()) or "no way is known to the model"
        found.append(f"Shortest way to rest: {acts}.")
    if model.isolation is not Isolation.VERIFIED:
        found.append(f"The housing is {isolation_words(model)}.")
    out = ", ".join(item.serial for item in state.paper.out)
    return [*found, *([f"Blanks out: {out}."] if out else [])]


def _locks(state: JobState) -> list[list[str]]:
    """Every point of isolation; where it stands is told by the model, else by who locked it.  Then the own locks."""
    model, opened = state.model, state.opened
    assert model is not None
    assert opened is not None
    housing, locks = opened.housing, lock_numbers(state)
    stands = {
        housing.upstream_damper: str(model.upstream),
        housing.downstream_damper: str(model.downstream),
        housing.fan_label: str(model.fan),
    }
    seen = {item.point: f"seen {item.seen}" for item in state.locks.points}
    own = "; ".join(f"{item.lock} ({item.by.name})" for item in state.locks.own)
    points = [
        [
            point.tag,
            stands.get(point.tag) or seen.get(point.id, "not recorded"),
            locks.get(point.id, "no lock recorded"),
        ]
        for point in state.points
    ]
    return [*points, ["Own locks", "on", own]] if own else points


def _readings(state: JobState) -> list[list[str]]:
    """The newest readings that stand, newest first: what, value, limit, by whom and when."""
    zone = state.opened.zone if state.opened else "UTC"
    found: list[list[str]] = []
    for step in reversed(state.steps):
        mark = state.mark(step.id)
        if not mark.stands or mark.done is None:
            continue
        for asked in step.asks:
            answer = mark.evidence.answers.get(asked.ask.id)
            if answer is not None and asked.ask.kind == "reading":
                limit = asked.limit
                told = limit_words(limit.low, limit.high, limit.op, limit.unit) if limit else "no limit"
                found.append([asked.ask.label, answer_words(answer, {}), told, who_words(mark.done, zone)])
    return found[:MOST_READINGS]
