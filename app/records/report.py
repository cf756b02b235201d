"""The record as a reader sees it: plain nested lists and texts, computed from the job's state and entries.

It is what the PDF prints; the JSON record beside it is the master copy.
"""

from collections.abc import Mapping, Sequence
from typing import Any

from app.domain.events import Answer, Event, Evidence, HoldReleased, JobSubmitted, RecordAccepted, Signature
from app.domain.instruments import Instrument
from app.domain.job import JobState, Mark, Stamp
from app.domain.steps import Step
from app.domain.words import barrier_words, unit_words
from app.records.cautions import CAUTIONS, NO_COMPLIANCE, REHEARSAL
from app.records.drawing import draw_port
from app.records.moments import local_text
from app.records.trail import sentence_of


def report_of(state: JobState, events: Sequence[Event], *, root: str, made_at: str) -> dict[str, Any]:
    """Return the report of a job whose ledger holds these events; `root` is the newest head's, in hex.

    Keys: title, facts (pairs), rehearsal, cautions, sections, exceptions, trail, pictures, signatures, head.
    """
    opened = state.opened
    if opened is None:
        return {"title": "Empty job", "sections": []}
    zone = opened.zone
    steps = {step.id: step for step in state.steps}
    return {
        "title": f"Record of job {opened.number}, housing {opened.housing.tag}",
        "rehearsal": REHEARSAL if opened.rehearsal else "",
        "facts": _facts(state, made_at),
        "cautions": [*CAUTIONS, NO_COMPLIANCE],
        "sections": _sections(state, zone),
        "exceptions": [
            {"entry": item.seq, "kind": item.kind, "sentence": item.sentence, "opened": item.seq in state.read}
            for item in state.notables
        ],
        "trail": [
            {"entry": event.seq, "at": local_text(event.at, zone), "sentence": sentence_of(event, steps)}
            for event in events
        ],
        "pictures": _pictures(state),
        "signatures": _signatures(state, events, zone),
        "head": {"size": len(events), "root": root, "at": local_text(state.last_at, zone), "utc": state.last_at},
    }


def _facts(state: JobState, made_at: str) -> list[list[str]]:
    opened = state.opened
    if opened is None:
        return []
    housing, zone = opened.housing, opened.zone
    ports = ", ".join(f"{port.id}: {port.filters} × {port.filter}" for port in housing.ports)
    return [
        ["Housing", f"{housing.tag}, {housing.location}"],
        ["Service and seal", f"{housing.service.replace('_', ' ')}, {housing.seal} seal"],
        ["Ports", ports],
        ["Dampers and fan", f"{housing.upstream_damper}, {housing.downstream_damper}, {housing.fan}"],
        ["Procedure", f"{opened.procedure_title} ({opened.procedure} revision {opened.revision})"],
        ["Procedure SHA-256", opened.procedure_sha256],
        ["Opened", f"{local_text(opened.at, zone)} by {opened.by.name}, {opened.by.role.words}"],
        ["Site", f"{opened.site}, time zone {zone}"],
        ["State", f"{state.stage}; {state.done_count} of {len(state.steps)} steps stand"],
        ["Signed for this version", "yes" if state.accepted else "NO — not accepted, or changed after acceptance"],
        ["This copy made", local_text(made_at, zone)],
        ["Time", "from the site's server clock, not externally proven"],
        ["Signal words", opened.signal_words],
    ]


def _sections(state: JobState, zone: str) -> list[dict[str, Any]]:
    sections: list[dict[str, Any]] = []
    for number, step in enumerate(state.steps, start=1):
        if not sections or sections[-1]["id"] != step.section:
            where = f" — {step.port}" if step.port else ""
            filter_at = f", position {step.position}" if step.position else ""
            title = f"{step.stage}{where}: {step.title}{filter_at}"
            sections.append({"id": step.section, "title": title, "use": step.use.replace("_", " "), "steps": []})
        sections[-1]["steps"].append(_step(number, step, state, zone))
    return sections


def _step(number: int, step: Step, state: JobState, zone: str) -> dict[str, Any]:
    mark = state.mark(step.id)
    again = [f"due again: {mark.due_again}"] if mark.due_again else []
    return {
        "number": number,
        "id": step.id,
        "text": step.text,
        "kind": step.kind.value,
        "marks": _marks(step, mark, zone),
        "answers": _answers(step, mark, mark.evidence, zone),
        "attempts": [
            {
                "who": _who(stamp, zone),
                "answers": _answers(step, None, evidence, zone),
                "result": _result(step, evidence),
            }
            for stamp, evidence in mark.attempts
        ],
        "earlier": [
            {"who": _who(stamp, zone), "answers": _answers(step, None, evidence, zone)}
            for stamp, evidence in mark.earlier
        ],
        "result": _result(step, mark.evidence),
        "note": mark.evidence.note,
        "flags": [state.by_number(flag) for flag in (*mark.flags, *again)],
    }


def _who(stamp: Stamp, zone: str) -> str:
    tablet = f", {stamp.tablet}" if stamp.tablet else ""
    return f"{stamp.by.name} ({stamp.by.role.words}{tablet}) {local_text(stamp.at, zone)}"


def _marks(step: Step, mark: Mark, zone: str) -> list[str]:
    told = []
    if mark.begun is not None:
        told.append(f"begun {_who(mark.begun, zone)}")
    elif mark.in_hand_since and mark.done is not None:
        told.append(f"in hand since {local_text(mark.in_hand_since, zone)}")
    if mark.done is not None:
        word = "released" if step.kind == "hold" else "done"
        told.append(f"{word} {_who(mark.done, zone)}")
    if mark.done and mark.done.device_at:
        told.append(f"tablet clock {mark.done.device_at}, {mark.done.offset_ms} ms from the server's")
    return told


def _answers(step: Step, mark: Mark | None, evidence: Evidence, zone: str) -> list[dict[str, Any]]:
    found = []
    verdicts = {item.ask: item for item in evidence.judged}
    instruments = {item.id: item for item in evidence.instruments or ()}
    for asked in step.asks:
        answer = evidence.answers.get(asked.ask.id)
        if answer is None:
            continue
        judged = verdicts.get(asked.ask.id)
        found.append(
            {
                "label": asked.ask.label,
                "value": _value(answer, instruments),
                "photo": answer.text if asked.ask.kind == "photo" else "",
                "limit": limit_words(judged.low, judged.high, judged.op, judged.unit) if judged else "",
                "basis": (judged.basis or "") if judged else "",
                "verdict": judged.verdict if judged else "",
                "was": [
                    {
                        "value": f"{item.was} {unit_words(answer.unit)}".strip(),
                        "now": f"{item.now} {unit_words(answer.unit)}".strip(),
                        "by": item.stamp.by.name,
                        "at": local_text(item.stamp.at, zone),
                        "reason": item.reason,
                    }
                    for item in (mark.corrections if mark else ())
                    if item.ask == asked.ask.id
                ],
            }
        )  # fmt: skip
    return found


def limit_words(low: str | None, high: str | None, op: str, unit: str | None) -> str:
    """Say a limit in absolute values: `8.5 to 10.5 N·m`, `below 0.05 %`, `at least 3 pcs`; empty if none."""
    shown = unit_words(unit)
    if low is not None and high is not None:
        same = low == high
        told = f"exactly {low} {shown}" if same else f"{low} to {high} {shown}"
    elif high is not None:
        told = f"{'below' if op == '<' else 'at most'} {high} {shown}"
    elif low is not None:
        told = f"at least {low} {shown}"
    else:
        return ""
    return told.strip()


def _result(step: Step, evidence: Evidence) -> list[str]:
    result = evidence.result
    if result is None:
        return []
    limit = limit_of_result(step)
    verdict = {True: "met", False: "NOT MET", None: "no limit given"}[result.within]
    return [
        f"result {result.shown}",
        f"limit {limit}: {verdict}" if limit else verdict,
        f"margin {result.margin} {unit_words(result.unit)}".strip() if result.margin else "",
        result.uncertainty or "",
        *(result.notes or ()),
        result.basis or "",
        f"method {result.method}: {result.source}" if result.source else f"method {result.method}",
    ]


def limit_of_result(step: Step) -> str:
    """Say the limit of a step's result, both ends; nothing if it has none."""
    limit = step.result_limit
    return limit_words(limit.low, limit.high, limit.op, limit.unit) if limit else ""


def _instrument_words(instrument: Instrument) -> str:
    paper = f", certificate {instrument.certificate}" if instrument.certificate else ""
    return (
        f"{instrument.id} ({instrument.description}; calibrated {instrument.calibrated_on}, good until "
        f"{instrument.due}{paper})"
    )


def _value(answer: Answer, instruments: Mapping[str, Instrument]) -> str:
    if answer.text in instruments:
        return _instrument_words(instruments[answer.text])
    told = f"{answer.text} {unit_words(answer.unit)}".strip()
    return f"{told} (entered twice)" if answer.twice else told


def _pictures(state: JobState) -> list[dict[str, str]]:
    """The ports as they stood at each stop, and as they stand now."""
    opened = state.opened
    if opened is None or state.model is None:
        return []
    housing = opened.housing
    moments = [(f"When stopped (entry {seq})", model) for seq, model in state.model_at_stop]
    moments.append(("As the record ends", state.model))
    return [
        {
            "caption": f"{when}: port {port.id}, {barrier_words(model, port)}",
            "svg": draw_port(
                model, port, upstream=housing.upstream_damper, downstream=housing.downstream_damper,
                doubtful=bool(state.doubtful),
            ),
        }
        for when, model in moments
        for port in model.ports
    ]  # fmt: skip


def _signatures(state: JobState, events: Sequence[Event], zone: str) -> list[dict[str, str]]:
    found = []
    for event in events:
        if isinstance(event, HoldReleased | JobSubmitted | RecordAccepted):
            found.append(signature_block(event.signature, event, zone, valid=_valid(state, event)))
    return found


def _valid(state: JobState, event: HoldReleased | JobSubmitted | RecordAccepted) -> bool:
    match event:
        case RecordAccepted():
            return state.accepted is not None and state.accepted.seq == event.seq
        case JobSubmitted():
            return state.submitted is not None and state.submitted.seq == event.seq
        case HoldReleased():
            done = state.mark(event.step).done
            return done is not None and done.seq == event.seq and state.mark(event.step).due_again is None


def signature_block(signature: Signature, event: Event, zone: str, *, valid: bool) -> dict[str, str]:
    """Return what a signature shows everywhere: name, id, role, meaning, local time with offset, UTC, head."""
    return {
        "name": event.by.name,
        "id": event.by.id,
        "role": event.by.role.words,
        "meaning": signature.meaning,
        "local": local_text(event.at, zone),
        "utc": event.at,
        "covers": f"entries 0 to {signature.size - 1}, root {signature.root[:20]}",
        "valid": "valid for this version" if valid else "NOT VALID for this version",
        "entry": str(event.seq),
    }
