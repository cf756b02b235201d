"""Which hazards stood on the page of a mark: kept with it, and no mark from a page that showed others."""

import json
from collections.abc import Callable
from dataclasses import replace
from hashlib import sha256

import pytest

from app.domain.commands import Begin, Finish, Late
from app.domain.events import StepBegun, StepDone, StepOutside, payload_of
from app.domain.history import unlawful
from app.domain.job import Stage
from app.domain.refused import Refused
from app.domain.steps import Step
from app.records.trail import sentence_of
from tests.builders import HANDS, Bench, opened

OTHERS = sha256(b"[]").hexdigest()


def digest(step: Step) -> str:
    """As anybody can compute it from the texts on the page: compact JSON of such texts is canonical (RFC 8785)."""
    told = [[hazard.signal.value, hazard.text] for hazard in step.hazards]
    return sha256(json.dumps(told, separators=(",", ":"), ensure_ascii=False).encode()).hexdigest()


def at(asked: Callable[[Step], bool]) -> tuple[Bench, Step, Begin | Finish]:
    """Return a bench at the first step of the hands of which this is true, the step, and the mark that is due there."""
    bench = opened()
    while True:
        step = bench.state.due
        assert step is not None
        command, by = bench.due_commands()[0]
        if asked(step) and isinstance(command, Begin | Finish) and by == HANDS:
            return bench, step, command
        bench.run_to(steps=1)


def with_hazards(marks: int) -> tuple[Bench, Step, Begin | Finish]:
    """Return the same at a step with hazards and so many marks."""
    return at(lambda step: bool(step.hazards) and step.marks == marks)


@pytest.mark.parametrize("marks", [1, 2])
def test_a_mark_from_a_page_with_the_hazards_keeps_which(marks: int) -> None:
    """Begun and done each carry the digest of signal words and texts, and the trail says so; without a page neither."""
    plain = [event for item in range(marks) for event in _marked(marks, item, shown=False)]
    shown = [event for item in range(marks) for event in _marked(marks, item, shown=True)]

    assert len(plain) == len(shown) == marks
    for (event, step), (without, _) in zip(shown, plain, strict=True):
        assert event.hazards == digest(step)
        assert payload_of(event) == payload_of(without) | {"hazards": digest(step)}
        told = f"Its hazards stood on the page (their text: SHA-256 {digest(step)[:8]}…)."
        assert told in sentence_of(event, {step.id: step})
        assert "stood on the page" not in sentence_of(without, {step.id: step})


def _marked(marks: int, place: int, *, shown: bool) -> list[tuple[StepBegun | StepDone, Step]]:
    bench, step, _ = with_hazards(marks)
    for command, by in bench.due_commands()[:place]:
        bench.do(command, by)
    command, by = bench.due_commands()[0]
    assert isinstance(command, Begin | Finish)
    made = bench.do(replace(command, hazards=digest(step)) if shown else command, by)
    assert not unlawful(bench.events)
    return [(event, step) for event in made if isinstance(event, StepBegun | StepDone)]


@pytest.mark.parametrize("marks", [1, 2])
@pytest.mark.parametrize("shown", [OTHERS, "", "x"])
def test_a_page_that_showed_other_hazards_marks_nothing(marks: int, shown: str) -> None:
    """A digest of other texts is refused with what to do; an outsider who finds one in a record says so."""
    bench, _, command = with_hazards(marks)
    before = list(bench.events)

    with pytest.raises(Refused, match=r"did not show the hazards of .* Read them on its page") as refused:
        bench.do(replace(command, hazards=shown), HANDS)

    assert refused.value.code == "hazards"
    assert bench.events == before
    (event, *rest) = bench.do(command, HANDS)
    forged = [*before, event.model_copy(update={"hazards": shown}), *rest]
    assert "did not show its hazards" in str(unlawful(forged))


def test_a_reading_outside_its_limit_keeps_the_hazards_it_was_entered_under() -> None:
    """An attempt is a mark like any other."""
    bench, step, command = at(lambda step: bool(step.hazards) and any(asked.limit for asked in step.asks))
    if isinstance(command, Begin):
        bench.do(command, HANDS)
    last, by = bench.due_commands()[0]
    assert isinstance(last, Finish)
    numbers = {asked.ask.id for asked in step.asks if asked.limit}
    answers = {name: "9999" if name.partition(".")[0] in numbers else text for name, text in last.answers.items()}

    (event, *_) = bench.do(replace(last, answers=answers, hazards=digest(step)), by)

    assert isinstance(event, StepOutside)
    assert event.hazards == digest(step)


def test_a_kept_mark_from_a_page_with_other_hazards_waits_for_a_lead() -> None:
    """Out of reach it is not dropped: a lead looks at it, as at any mark that does not fit."""
    for shown, stage in ((None, Stage.OPEN), (True, Stage.OPEN), (False, Stage.CONTESTED)):
        bench, step, command = with_hazards(2)
        hazards = None if shown is None else digest(step) if shown else OTHERS

        bench.do(Late(replace(command, hazards=hazards), bench.state.size), HANDS)

        assert bench.state.stage is stage
        assert (bench.state.mark(step.id).begun is None) == (shown is False)


def test_a_step_without_hazards_keeps_nothing_of_them() -> None:
    """Whatever a page sends for such a step, its entry is as it always was."""
    bench, step, command = at(lambda step: not step.hazards)

    (event, *_) = bench.do(replace(command, hazards=OTHERS), HANDS)

    assert step.hazards_sha256 == ""
    assert "hazards" not in payload_of(event)
