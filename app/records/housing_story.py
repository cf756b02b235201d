"""The history of one housing in the order of time: jobs, tests with their attempts, readings, struck ones included.

Pure: from the housing's file, the states of its jobs and the site's state.  What failed stays in sight, what was
taken back or struck is shown as such.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

from app.domain.event_base import Result
from app.domain.housing import Bank
from app.domain.job import JobState, Stage
from app.domain.job_lines import JobLine
from app.domain.steps import BANK_WORDS
from app.domain.words import unit_words
from app.records.drops import Known, Marked, Point, changed_at, marked, read_point
from app.records.moments import local_text, site_day
from app.records.wording import limit_of_result, limit_words

LEAK, AGE, FLOW_UNIT = "leak_test/1", "filter_age/1", "m3/h"
KINDS = {"change_out": "Change-out", "first_fit_out": "First fit-out"}
TESTS = {
    LEAK: "Leak test", "resistance_at_rated/1": "Resistance at rated flow", "capacity/1": "Air flow against design",
    AGE: "Age of a filter", "smear/1": "Smear",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Happening:
    """One thing that happened.  verdict: within, outside, no limit, taken back, struck, or none; why: it was struck."""

    moment: str
    shown: str
    what: str
    where: str
    text: str
    verdict: str = ""
    why: str = ""
    job: str = ""
    seq: int = 0


@dataclass(frozen=True, slots=True)
class LeakTest:
    """One leak test of a bank: passed (True), failed (False) or not judged for want of a limit (None)."""

    moment: str
    seq: int
    on: date
    passed: bool | None
    number: str
    basis: str


@dataclass(frozen=True, slots=True)
class FilterAge:
    """The day on which the age of the filter at a port and position runs out, and whose rule that is."""

    port: str
    position: int
    on: date
    from_site: bool


def story(known: Known) -> tuple[Happening, ...]:
    """Return everything that happened at this housing, newest first."""
    found = [*_jobs(known), *_tests(known), *_readings(known)]
    return tuple(sorted(found, key=lambda item: (item.moment, item.seq), reverse=True))


def _jobs(known: Known) -> Iterator[Happening]:
    zone = known.site.zone
    for line, state in known.real_jobs:
        kind = KINDS.get(line.kind, line.kind)
        told = "accepted" if state.stage is Stage.ACCEPTED else f"not accepted: {state.stage}"
        yield Happening(
            line.opened_at, local_text(line.opened_at, zone)[:16], f"{kind} opened", "", f"Job {line.number}, {told}.",
            job=line.job,
        )  # fmt: skip
        if state.accepted is not None:
            text = f"Job {line.number}, by {state.accepted.by.name}."
            at = state.accepted.at
            seq = state.accepted.seq
            yield Happening(at, local_text(at, zone)[:16], f"{kind} accepted", "", text, job=line.job, seq=seq)


def _tests(known: Known) -> Iterator[Happening]:
    for line, state in known.real_jobs:
        for found in marked(state):
            if found.evidence.result is not None:
                yield _happening(known, line, state, found, found.evidence.result)
            if found.evidence.result is None or not found.evidence.result.inputs.get("flow_m3_h"):
                yield from _flows(known, line, state, found)


def _happening(known: Known, line: JobLine, state: JobState, found: Marked, result: Result) -> Happening:
    said = limit_of_result(found.step) or limit_words(None, result.limit, result.op or "<=", result.unit)
    limit = f", limit {said}" if said else ""
    told = f" ({result.basis})" if limit and result.basis else ""
    verdict = "no limit" if result.within is None else "within" if result.within else "outside"
    text = f"{result.shown[:1].upper()}{result.shown[1:]}{'' if result.method == AGE else limit + told}."
    return _marked(known, line, state, found, TESTS.get(result.method, result.method), text, verdict)


def _flows(known: Known, line: JobLine, state: JobState, found: Marked) -> Iterator[Happening]:
    """Air flows and pressure drops that were read without anything being computed from them."""
    verdicts = {item.ask: item.verdict for item in found.evidence.judged}
    labels = {asked.ask.id: asked.ask.label for asked in found.step.asks}
    for name, answer in found.evidence.answers.items():
        if answer.unit == FLOW_UNIT or (name == "drop" and answer.unit == "Pa"):
            text = f"{answer.text} {unit_words(answer.unit)}."
            yield _marked(known, line, state, found, labels.get(name, name), text, verdicts.get(name, ""))


def _marked(
    known: Known, line: JobLine, state: JobState, found: Marked, what: str, text: str, verdict: str
) -> Happening:
    step = found.step
    place = BANK_WORDS[step.bank] if step.bank else known.housing.tag
    place += f", {step.port}" if step.port else ""
    place += f" position {step.position}" if step.position else ""
    return Happening(
        moment=found.stamp.at,
        shown=local_text(found.stamp.at, known.site.zone)[:16],
        what=what,
        where=place,
        text=f"{text} Job {line.number}, step {state.index[step.id] + 1}, {found.stamp.by.name}.",
        verdict="taken back" if found.state == "taken back" else verdict,
        job=line.job,
        seq=found.stamp.seq,
    )


def _readings(known: Known) -> Iterator[Happening]:
    taken = [(item, "") for item in known.site.readings.values()]
    zone = known.site.zone
    for item, struck in known.site.struck.values():
        by = struck.by.name if struck.by else "the site"
        taken.append((item, f"Struck by {by}, {local_text(struck.at, zone)[:10]}: {struck.reason}"))
    for item, struck_words in taken:
        if item.reading.housing == known.housing.tag:
            point = read_point(item, known)
            yield Happening(
                point.moment, str(point.on), "Pressure drop read", BANK_WORDS[item.reading.bank],
                f"{drop_words(point)}; {point.origin}.{f' {point.note}.' if point.note else ''}",
                verdict="struck" if struck_words else "", why=struck_words,
            )  # fmt: skip


def drop_words(point: Point) -> str:
    """Say a pressure drop: as read, and at rated flow if that is known."""
    parts = [f"{point.read_pa:g} Pa"]
    parts += [f"at {point.flow_m3_h:g} m³/h"] if point.flow_m3_h is not None else []
    parts += [f"= {point.at_rated_pa:.0f} Pa at rated flow"] if point.at_rated_pa is not None else []
    return " ".join(parts)


# --- what falls due asks ------------------------------------------------------------------------


def leak_tests(known: Known, bank: Bank) -> tuple[LeakTest, ...]:
    """Return the leak tests of the filters that this bank holds now, oldest first; taken-back ones do not count."""
    changed = changed_at(known, bank)
    found = [
        LeakTest(
            mark.stamp.at, mark.stamp.seq, site_day(mark.stamp.at, known.site.zone), result.within, line.number,
            result.basis or "site value",
        )
        for line, state in known.real_jobs
        for mark in marked(state)
        for result in [mark.evidence.result]
        if mark.step.bank is bank and mark.state != "taken back" and result is not None and result.method == LEAK
        and (changed is None or (mark.stamp.at, mark.stamp.seq) > changed)
    ]  # fmt: skip
    return tuple(sorted(found, key=lambda test: (test.moment, test.seq)))


def filter_ages(known: Known, bank: Bank) -> tuple[FilterAge, ...]:
    """Return when the age of each filter of a bank runs out, the newest mark for each port and position."""
    newest: dict[tuple[str, int], tuple[tuple[str, int], FilterAge]] = {}
    for _, state in known.real_jobs:
        for found in marked(state):
            result, step = found.evidence.result, found.step
            if result is None or result.method != AGE or step.bank is not bank or found.state != "stands":
                continue
            if step.port is None or step.position is None:
                continue
            place, moment = (step.port, step.position), (found.stamp.at, found.stamp.seq)
            site = result.inputs.get("life_from") == "site value"
            if place not in newest or moment > newest[place][0]:
                age = FilterAge(step.port, step.position, date.fromisoformat(result.value), site)
                newest[place] = moment, age
    return tuple(age for _, (_, age) in sorted(newest.items()))
