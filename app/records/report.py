"""The record as a reader sees it: plain nested lists and texts, computed from the job's state and entries.

It is what the PDF prints; the JSON record beside it is the master copy.
"""

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from app.domain.event_base import Evidence
from app.domain.events import Event, JobSubmitted
from app.domain.job import JobState, Mark, Stamp, came_from
from app.domain.paper import BlankReconciled
from app.domain.steps import Step
from app.domain.words import barrier_words, unit_words
from app.records.brief import brief_of
from app.records.cautions import CAUTIONS, NO_COMPLIANCE, REHEARSAL
from app.records.certificate import certificates_of
from app.records.deviations import departures_of
from app.records.drawing import draw_port
from app.records.locks import lock_tables
from app.records.moments import local_text
from app.records.signatures import signatures_of
from app.records.trail import trail_of
from app.records.wording import (
    answer_words,
    complete_words,
    limit_of_result,
    limit_words,
    part_begun,
    prepared_words,
    who_words,
)


def report_of(state: JobState, events: Sequence[Event], *, root: str, made_at: str) -> dict[str, Any]:
    """Return the report of a job whose ledger holds these events; `root` is the newest head's, in hex.

    Keys: title, facts (pairs), rehearsal, cautions, brief (None for a job opened without), sections, departures,
    tables (locks, repeated readings), certificates, lessons, exceptions, trail, pictures, papers (photos of paper
    pages), signatures, head.
    """
    opened = state.opened
    if opened is None:
        return {"title": "Empty job", "sections": []}
    zone = opened.zone
    return {
        "title": f"Record of job {opened.number}, housing {opened.housing.tag}",
        "rehearsal": REHEARSAL if opened.rehearsal else "",
        "facts": _facts(state, events, made_at),
        "cautions": [*CAUTIONS, NO_COMPLIANCE],
        "brief": asdict(brief) if (brief := brief_of(state)) else None,
        "sections": _sections(state, zone),
        "lessons": _lessons(state, zone),
        "departures": departures_of(state),
        "tables": lock_tables(state, events, zone),
        "certificates": certificates_of(state, events, root=root, made_at=made_at),
        "exceptions": [*_exceptions(state), *_of_site(events)],
        "trail": [{"entry": entry, "at": at, "sentence": sentence} for entry, at, sentence in trail_of(state, events)],
        "pictures": _pictures(state),
        "papers": _papers(state, events),
        "signatures": signatures_of(state, events, zone),
        "head": {"size": len(events), "root": root, "at": local_text(state.last_at, zone), "utc": state.last_at},
    }


def _exceptions(state: JobState) -> list[dict[str, Any]]:
    return [
        {"entry": item.seq, "kind": item.kind, "sentence": item.sentence, "opened": item.seq in state.read}
        for item in state.notables
    ]


def _of_site(events: Sequence[Event]) -> list[dict[str, Any]]:
    """What the reviewer opened of the site's ledger; its entries count there, not in this job."""
    return [
        {"entry": event.entry, "kind": f"{event.site.kind}, site's ledger", "sentence": event.site.sentence,
         "opened": True}
        for event in events
        if event.type == "exception_opened" and event.site is not None
    ]  # fmt: skip


def _facts(state: JobState, events: Sequence[Event], made_at: str) -> list[list[str]]:
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
        *([["Planned work", prepared_words(opened.prepared)]] if opened.prepared else []),
        ["Site", f"{opened.site}, time zone {zone}"],
        ["State", f"{state.stage}; {state.done_count} of {len(state.steps)} steps stand"],
        *([["Permit handed back", back]] if (back := _permit_back(state, events)) else []),
        ["Signed for this version", "yes" if state.accepted else "NO — not accepted, or changed after acceptance"],
        ["This copy made", local_text(made_at, zone)],
        ["Time", "from the site's server clock, not externally proven"],
        ["Signal words", f"chosen by {opened.signal_words}"],
    ]


def _permit_back(state: JobState, events: Sequence[Event]) -> str:
    """To whom the permit went back, by the submission that stands; nothing where it says nothing of it."""
    stands = state.submitted.seq if state.submitted else -1
    given = next((event for event in events if isinstance(event, JobSubmitted) and event.seq == stands), None)
    return given.permit_back or "" if given else ""


def _sections(state: JobState, zone: str) -> list[dict[str, Any]]:
    sections: list[dict[str, Any]] = []
    for number, step in enumerate(state.steps, start=1):
        if not sections or sections[-1]["id"] != step.section:
            where = f" — {step.port}" if step.port else ""
            filter_at = f", position {step.position}" if step.position else ""
            title = f"{step.stage}{where}: {step.title}{filter_at}"
            sections.append({"id": step.section, "title": title, "use": step.use.words, "steps": []})
        sections[-1]["steps"].append(_step(number, step, state, zone) | part_begun(state.steps, number - 1))
    for section in sections:
        section["complete"] = complete_words(state, section["id"], zone)
    return sections


def _lessons(state: JobState, zone: str) -> list[dict[str, Any]]:
    """The deviations that are asked about, with their answers as far as there are any."""
    if not state.crew.enforced:
        return []
    told = {item.seq: item for item in state.notables}
    open_still = [{"entry": item.seq, "kind": item.kind, "what": item.sentence, "by": ""} for item in state.unanswered]
    return [
        *(
            {
                "entry": entry, "kind": told[entry].kind, "what": told[entry].sentence,
                "differed": f"{given.question or ''} {given.differed}".strip(),
                "why": given.why, "change": given.change, "by": f"{given.by.name}, {local_text(given.at, zone)}",
            }
            for entry, given in sorted(state.lessons.answered.items())
            if entry in told
        ),
        *({**item, "differed": "NOT ANSWERED", "why": "", "change": ""} for item in open_still),
    ]  # fmt: skip


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
                "who": who_words(stamp, zone),
                "answers": _answers(step, None, evidence, zone),
                "result": _result(step, evidence),
            }
            for stamp, evidence in mark.attempts
        ],
        "earlier": [
            {"who": who_words(stamp, zone), "answers": _answers(step, None, evidence, zone)}
            for stamp, evidence in mark.earlier
        ],
        "result": _result(step, mark.evidence),
        "note": mark.evidence.note,
        "flags": [state.by_number(flag) for flag in (*mark.flags, *again)],
    }


def _marks(step: Step, mark: Mark, zone: str) -> list[str]:
    told = []
    if mark.begun is not None:
        read = f", label read: {', '.join(mark.labels.values())}" if mark.labels else ""
        told.append(f"begun {who_words(mark.begun, zone)}{read}")
    elif mark.in_hand_since and mark.done is not None:
        told.append(f"in hand since {local_text(mark.in_hand_since, zone)}")
    if mark.done is not None and mark.not_applicable:
        told.append(f"set aside {who_words(mark.done, zone)}: {mark.not_applicable}")
    elif mark.done is not None:
        word = "released" if step.kind == "hold" else "done"
        told.append(f"{word} {who_words(mark.done, zone)}")
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
                "value": answer_words(answer, instruments),
                "photo": answer.text if asked.ask.kind == "photo" else "",
                "limit": limit_words(judged.low, judged.high, judged.op, judged.unit) if judged else "",
                "basis": (judged.basis or "") if judged else "",
                "verdict": judged.verdict if judged else "",
                "was": [
                    {
                        "value": f"{item.was} {unit_words(answer.unit)}".strip(),
                        "now": f"{item.now} {unit_words(answer.unit)}".strip(),
                        "by": f"{item.stamp.by.name}{_beside(item.stamp)}",
                        "at": local_text(item.stamp.at, zone),
                        "reason": item.reason,
                    }
                    for item in (mark.corrections if mark else ())
                    if item.ask == asked.ask.id
                ],
            }
        )  # fmt: skip
    return found


def _beside(stamp: Stamp) -> str:
    return f" with {stamp.second.name}" if stamp.second else ""


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


def _papers(state: JobState, events: Sequence[Event]) -> list[dict[str, str]]:
    """The photos of paper pages, each with what was entered from it or which blank's return it shows."""
    entered: dict[tuple[str, str], dict[str, None]] = {}
    returned = []
    for event in events:
        if (came := came_from(event)) is not None:
            place = state.index.get(getattr(event, "step", ""))
            told = "what stands beside the steps" if place is None else f"step {place + 1}"
            entered.setdefault((came.photo, came.serial), {})[told] = None
        elif isinstance(event, BlankReconciled) and event.photo:
            returned.append({"photo": event.photo, "where": f"Returned pages of blank {event.serial}"})
    pages = [
        {"photo": photo, "where": f"Page of blank {serial}: {', '.join(told)} entered from it"}
        for (photo, serial), told in entered.items()
    ]  # fmt: skip
    return [*pages, *returned]


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
