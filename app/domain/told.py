"""What a job tells of its housing: of the banks what bears on what is due there next, and what it taught.

It is drawn from the job's marks alone.  Once the record is accepted it stands in the site's entry of that, so that
what is due over a site, and what the next brief tells, is known without a job being read again.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from itertools import islice
from typing import ClassVar, Literal

from pydantic import ConfigDict

from app.domain.containment.effects import Act
from app.domain.event_base import Evidence
from app.domain.housing import Bank
from app.domain.job import JobState, Stamp
from app.domain.steps import Step

RESISTANCE, LEAK, AGE = "resistance_at_rated/1", "leak_test/1", "filter_age/1"
DROP_ASK = "drop"
How = Literal["stands", "attempt", "taken back"]


@dataclass(frozen=True, slots=True)
class Marked:
    """Evidence as it was entered at one mark.  state: stands, attempt (outside its limit) or taken back."""

    step: Step
    stamp: Stamp
    evidence: Evidence
    state: How


class _Told:
    """What is kept in an entry of the site's ledger: nothing else is taken for it."""

    __slots__ = ()
    __pydantic_config__: ClassVar[ConfigDict] = ConfigDict(extra="forbid")


@dataclass(frozen=True, slots=True)
class ChangeTold(_Told):
    """A filter of a bank was slid in, the last one of the job: when (UTC text), and its place in the job's ledger."""

    bank: Bank
    at: str
    seq: int


@dataclass(frozen=True, slots=True)
class DropTold(_Told):
    """A pressure drop was read at a step.  step: its number; numbers as typed or computed, in Pa and m³/h.

    rated: the flow that at_rated is for.
    """

    bank: Bank
    at: str
    seq: int
    step: int
    state: How
    read: str
    flow: str | None = None
    at_rated: str | None = None
    rated: str | None = None
    note: str | None = None


@dataclass(frozen=True, slots=True)
class LeakTold(_Told):
    """A bank was tested for leaks: passed, failed, or not judged for want of a limit (None)."""

    bank: Bank
    at: str
    seq: int
    passed: bool | None = None
    basis: str | None = None


@dataclass(frozen=True, slots=True)
class AgeTold(_Told):
    """The day on which the age of the filter in a position runs out.  from_site: by the site's own figure."""

    bank: Bank
    port: str
    position: int
    at: str
    seq: int
    on: date
    from_site: bool


@dataclass(frozen=True, slots=True)
class JobTold(_Told):
    """All of this that one job tells.  lessons: what was answered about its deviations, the newest first."""

    changes: tuple[ChangeTold, ...] = ()
    drops: tuple[DropTold, ...] = ()
    tests: tuple[LeakTold, ...] = ()
    ages: tuple[AgeTold, ...] = ()
    lessons: tuple[str, ...] = ()


MOST_LESSONS = 8
"""As many as are read out at a brief (this program's figure)."""
NOTHING_TOLD = JobTold()


def told_of(state: JobState) -> JobTold:
    """Return what a job tells as it stands; a rehearsal tells nothing."""
    if state.opened is None or state.opened.rehearsal:
        return NOTHING_TOLD
    found = tuple(marked(state))
    return JobTold(
        changes=tuple(_changes(state)),
        drops=tuple(drop for mark in found if (drop := _drop(state, mark)) is not None),
        tests=tuple(test for mark in found if (test := _leak(mark)) is not None),
        ages=tuple(age for mark in found if (age := _age(mark)) is not None),
        lessons=tuple(islice(_lessons(state), MOST_LESSONS)),
    )


def marked(state: JobState) -> Iterator[Marked]:
    """Yield every mark of a job that holds evidence, attempts and earlier marks first, in the order of the steps."""
    for step in state.steps:
        mark = state.mark(step.id)
        for stamp, evidence in mark.attempts:
            yield Marked(step, stamp, evidence, "attempt")
        for stamp, evidence in mark.earlier:
            yield Marked(step, stamp, evidence, "taken back")
        if mark.done is not None:
            yield Marked(step, mark.done, mark.evidence, "stands" if mark.stands else "taken back")


def _lessons(state: JobState) -> Iterator[str]:
    """What was answered about the deviations, the newest first."""
    for _, given in sorted(state.lessons.answered.items(), reverse=True):
        if given.question is not None:
            yield f"{given.question} {given.differed}"
        else:
            yield f"{given.differed} {given.why} To change: {given.change}"


def _changes(state: JobState) -> Iterator[ChangeTold]:
    newest: dict[Bank, tuple[str, int]] = {}
    for step in state.steps:
        done = state.mark(step.id).done
        if done is not None and step.bank and any(effect.act is Act.SLIDE_IN for effect in step.effects):
            newest[step.bank] = max(newest.get(step.bank, ("", -1)), (done.at, done.seq))
    yield from (ChangeTold(bank, at, seq) for bank, (at, seq) in newest.items())


def _drop(state: JobState, found: Marked) -> DropTold | None:
    """A drop as read, with flow and drop at rated flow as far as the mark holds them."""
    result, answer = found.evidence.result, found.evidence.answers.get(DROP_ASK)
    if found.step.bank is None:
        return None
    if result is not None and result.method == RESISTANCE:
        read, flow, at_rated = result.inputs["dp_pa"], result.inputs.get("flow_m3_h"), result.value
    elif answer is not None and answer.unit == "Pa":
        read, flow, at_rated = answer.text, None, None
    else:
        return None
    return DropTold(
        bank=found.step.bank, at=found.stamp.at, seq=found.stamp.seq, step=state.index[found.step.id] + 1,
        state=found.state, read=read, flow=flow, at_rated=at_rated,
        rated=result.inputs.get("rated_m3_h") if result else None, note=found.evidence.note or None,
    )  # fmt: skip


def _leak(found: Marked) -> LeakTold | None:
    result = found.evidence.result
    if found.step.bank is None or found.state == "taken back" or result is None or result.method != LEAK:
        return None
    return LeakTold(found.step.bank, found.stamp.at, found.stamp.seq, result.within, result.basis)


def _age(found: Marked) -> AgeTold | None:
    result, step = found.evidence.result, found.step
    if step.bank is None or step.port is None or step.position is None or found.state != "stands":
        return None
    if result is None or result.method != AGE:
        return None
    from_site = result.inputs.get("life_from") == "site value"
    on = date.fromisoformat(result.value)
    return AgeTold(step.bank, step.port, step.position, found.stamp.at, found.stamp.seq, on, from_site)
