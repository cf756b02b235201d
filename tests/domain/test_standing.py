"""Late joiners brief before they write: every command there is has its line, and each line holds."""

from collections.abc import Iterator
from dataclasses import replace
from typing import Any, get_args

import pytest

from app.domain.applicability import SetAside
from app.domain.commands import Command, Correct, ExplainStop, Reopen, StopWork, TakeWayOut, Withdraw, WriteNote
from app.domain.contingency import EnterContingency
from app.domain.crew import CrewState, Part
from app.domain.deciding.leaving import suspend_looks
from app.domain.deciding.standing import STANDING, Standing
from app.domain.event_base import Who
from app.domain.field_change import ApproveChange, DeclineChange, NewWords, ProposeChange
from app.domain.job import Stage
from app.domain.leaving import DOCUMENTS, AnswerLooks, ReadNext, ReturnToWork, Suspend, TakeOver
from app.domain.lessons import AnswerDeviation
from app.domain.locks import PutOwnLockOn, StrokeDamper, StrokePart, TakeOwnLockOff
from app.domain.paper import PrintBlank, ReconcileBlank, Transcribe, TranscribeBeside
from app.domain.procedure import Role
from app.domain.radio import ReleaseByRadio
from app.domain.refused import Refused
from app.domain.watching import TakeReading
from app.services.rehearsal import looks_as_recorded
from tests.builders import HANDS, LEAD, OFFICER, QUALIFIED, Bench, opened

LATE = Who(id="late", name="Mira Sandoval", role=Role.TECHNICIAN)


def commands(kind: Any) -> Iterator[type]:
    """Yield every class of a union of unions."""
    for item in get_args(kind) or (kind,):
        yield from commands(item) if get_args(item) else (item,)


def writing(bench: Bench) -> Iterator[Command]:
    """Yield what a late joiner could try at a job with a door off."""
    state = bench.state
    assert state.due is not None
    step = state.due.id
    done = state.steps[0]
    yield Suspend("break", looks_as_recorded(suspend_looks(state)), "control room", "draw the filter")
    yield from (ReturnToWork(), ReadNext(), AnswerLooks({"tag": "EF-03"}), TakeOver(HANDS, tuple(DOCUMENTS)))
    yield from (TakeReading("-20"), PutOwnLockOn("P-99"), PrintBlank(), ReconcileBlank("B", "voided", reason="none"))
    yield ProposeChange(step, NewWords(text="Draw the filter with the hook."), "the strap is short")
    yield from (ApproveChange("D1"), DeclineChange("D1", "no"), SetAside(step, "no need"), TakeWayOut("w", "failed"))
    yield from (Correct(done.id, "count", "9", "misread"), Withdraw(done.id, "misread"), Reopen("looked at"))
    yield from (EnterContingency("bag-torn", "torn", "P1"), StrokeDamper("upstream", StrokePart.CLEAR, "clear"))
    yield Transcribe(step, "B", "2026-03-02T08:00+00:00", "late", "ab" * 32, HANDS, LEAD)
    yield TranscribeBeside(PutOwnLockOn("P-98"), "B", "2026-03-02T08:00+00:00", "late", "ab" * 32, HANDS, LEAD)
    yield ReleaseByRadio(step, LEAD, "EF-03", "P1", confirmed=True)
    yield AnswerDeviation(9, "a", "b", "c")


def test_every_command_has_its_line() -> None:
    """No command is left to chance."""
    assert set(commands(Command)) == set(STANDING)


def test_somebody_not_briefed_writes_nothing_to_the_work() -> None:
    """Each is refused with what to do, and noted; nothing changes."""
    bench = opened()
    bench.qualifications = QUALIFIED
    bench.run_to("out-1/draw")
    before = bench.state
    tried = set()

    for command in writing(bench):
        with pytest.raises(Refused, match=r"^Mira Sandoval has not been briefed.*acknowledge it first; STOP") as caught:
            bench.do(command, LATE)
        assert (caught.value.code, caught.value.logged) == ("not_briefed", True)
        tried.add(type(command))

    assert bench.state is before
    held = {Standing.LEADING, Standing.BRIEFED, Standing.CREW}
    assert {kind for kind, needed in STANDING.items() if needed in held} - tried == {
        kind for kind in STANDING if kind.__name__ in {"DecideContest", "RemoveOthersLock"}
    }, "what only a lead is let do anyway"


def test_whoever_signs_only_to_release_is_not_exposed() -> None:
    """The brief of a lead who releases lets them leave the work, not put a lock of their own on."""
    bench = opened()
    bench.run_to("out-1/draw")
    bench.brief(LEAD, part=Part.RELEASE)

    with pytest.raises(Refused, match=r"^Ines Varga has not been briefed to take part in this work"):
        bench.do(PutOwnLockOn("P-1"), LEAD)
    bench.do(PrintBlank(), LEAD)
    bench.do(Suspend("break", looks_as_recorded(suspend_looks(bench.state)), "control room", "draw it"), LEAD)

    assert bench.state.stage is Stage.SUSPENDED


def test_a_lead_and_an_officer_lead_from_outside() -> None:
    """Who was not briefed re-opens a stopped job as its lead, and prints what is left; the rest waits for the brief."""
    bench = opened()
    bench.run_to("out-1/draw")
    bench.do(StopWork(), LATE)
    bench.do(ExplainStop("unexpected", "a sound"), LATE)
    with pytest.raises(Refused, match="has not been briefed for this job"):
        bench.do(ReadNext(), OFFICER)

    bench.do(PrintBlank(), OFFICER)
    bench.do(Reopen("looked at"), LEAD)

    assert bench.state.stage is Stage.LOOKING


def test_what_needs_no_brief() -> None:
    """STOP and its reason, a note in the log, and one's own lock off after leaving the crew."""
    bench = opened()
    bench.run_to("out-1/draw")
    bench.do(PutOwnLockOn("P-1"), HANDS)
    bench.state = replace(bench.state, crew=CrewState(enforced=True, present=(LEAD,)))

    bench.do(TakeOwnLockOff("P-1"), HANDS)
    bench.do(WriteNote("The lamp flickers."), LATE)
    bench.do(StopWork(), LATE)
    bench.do(ExplainStop("unexpected", "a sound"), LATE)

    assert bench.state.stage is Stage.STOPPED
