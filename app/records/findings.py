"""What was read at one attempt of a test and what came out, with the corrections made to it.

Rules kept here:
- readings stand as they were typed; a corrected one keeps its first value, and what had been computed from it;
- what entered a result without being typed at the step (site values, the instrument's, an assumption) is named.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from app.domain.event_base import Answer, Evidence, Result
from app.domain.events import AnswerCorrected, StepDone, StepOutside
from app.domain.steps import Step
from app.domain.words import unit_words
from app.records.moments import local_text
from app.records.wording import answer_words, limit_of_result, limit_words

MET, NOT_MET, NO_LIMIT = "met", "NOT MET", "no limit given"
_VERDICTS = {"within": "within", "outside": "OUTSIDE"}
_USED = {
    "design_m3_h": "design flow {} m³/h (site value)",
    "rated_m3_h": "rated flow {} m³/h (site value)",
    "temp_c": "{} °C assumed, for no temperature was read",
    "floor": "smallest share of upstream that the instrument resolves {}",
    "full_scale": "full scale of the instrument {}",
    "u_pct": "standard uncertainty of a reading {} % (the instrument's certificate)",
    "efficiency": "counting efficiency {} (the instrument's)",
}
"""What enters a result and was not typed at the step, in words."""
_TYPED_AS = {"temp_c": "temperature"}


@dataclass(frozen=True, slots=True)
class Struck:
    """A value that was corrected: what it was and became, by whom, when (site zone) and why."""

    was: str
    now: str
    by: str
    at: str
    reason: str


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading or answer as typed. limit: of this reading alone; verdict: within, OUTSIDE, or empty."""

    label: str
    value: str
    limit: str
    basis: str
    verdict: str
    struck: tuple[Struck, ...]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What was computed. verdict: met, NOT MET or no limit given; was: results from before a correction."""

    shown: str
    limit: str
    basis: str
    verdict: str
    margin: str
    uncertainty: str
    notes: tuple[str, ...]
    used: tuple[str, ...]
    method: str
    source: str
    was: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Made:
    """An entry with evidence, and the corrections made to it."""

    event: StepDone | StepOutside
    corrections: tuple[AnswerCorrected, ...] = ()

    @property
    def evidence(self) -> Evidence:
        """What stands after the corrections."""
        return self.corrections[-1].evidence if self.corrections else self.event.evidence

    @property
    def results(self) -> list[Result | None]:
        """Every result, the first one first, the present one last."""
        return [self.event.evidence.result, *(item.evidence.result for item in self.corrections)]


def readings_of(step: Step, made: Made, zone: str, instruments: frozenset[str]) -> Iterator[Reading]:
    """Yield the answers in the order of the step's asks; `instruments` (ids) are told elsewhere, unless corrected."""
    verdicts = {item.ask: item for item in made.evidence.judged}
    for asked in step.asks:
        answer, judged = made.evidence.answers.get(asked.ask.id), verdicts.get(asked.ask.id)
        struck = _struck(asked.ask.id, made, zone)
        told_as_instrument = answer is None or answer.text in instruments
        if told_as_instrument and not struck:
            continue
        yield Reading(
            label=asked.ask.label,
            value=_typed(answer, asked.ask.kind) if answer else "no answer any more",
            limit=limit_words(judged.low, judged.high, judged.op, judged.unit) if judged else "",
            basis=(judged.basis or "") if judged else "",
            verdict=_VERDICTS.get(judged.verdict, "") if judged else "",
            struck=struck,
        )


def _typed(answer: Answer, kind: str) -> str:
    """Say an answer as typed; an instrument is named in full beside the readings."""
    return f"photo, SHA-256 {answer.text}" if kind == "photo" else answer_words(answer, {})


def _struck(ask: str, made: Made, zone: str) -> tuple[Struck, ...]:
    return tuple(
        Struck(
            was=_with_unit(item.was, item, ask), now=_with_unit(item.now, item, ask), by=item.by.name,
            at=local_text(item.at, zone), reason=item.reason,
        )
        for item in made.corrections
        if item.ask == ask
    )  # fmt: skip


def _with_unit(text: str, event: AnswerCorrected, ask: str) -> str:
    answer = event.evidence.answers.get(ask)
    return f"{text} {unit_words(answer.unit if answer else None)}".strip() or "nothing"


def outcome_of(step: Step, made: Made) -> Outcome | None:
    """Return what was computed, after the corrections; None where nothing was."""
    result = made.evidence.result
    if result is None:
        return None
    earlier = [item.shown for item in made.results[:-1] if item is not None and item.shown != result.shown]
    return Outcome(
        shown=result.shown,
        limit=_limit(step, result),
        basis=result.basis or "",
        verdict={True: MET, False: NOT_MET, None: NO_LIMIT}[result.within],
        margin=f"{result.margin} {unit_words(result.unit)}".strip() if result.margin else "",
        uncertainty=result.uncertainty or "",
        notes=result.notes or (),
        used=tuple(_used(result.inputs, made.evidence.answers)),
        method=result.method,
        source=result.source or "",
        was=tuple(earlier),
    )


def _limit(step: Step, result: Result) -> str:
    """The limit with both its ends; of an age, the day after which it must lie."""
    if result.op == ">":
        return f"after {result.limit}"
    return limit_of_result(step) or limit_words(None, result.limit, result.op or "<=", result.unit)


def _used(inputs: Mapping[str, str], answers: Mapping[str, Answer]) -> Iterator[str]:
    for name, value in inputs.items():
        if name in _USED and _TYPED_AS.get(name, name.replace("_", "-")) not in answers:
            yield _USED[name].format(value)
