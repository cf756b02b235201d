"""Laws of a job: people press whatever they like; after each press everything that anybody could press is tried.

The machine walks to arbitrary reachable states; in each of them every command is tried for every person near
the step that is due, and what `decide` would let happen is held against the rules in words.
"""

from collections.abc import Iterator
from datetime import timedelta

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from app.calc.errors import ChangeoutError
from app.domain.commands import (
    Accept,
    AnswerRecheck,
    Begin,
    Command,
    Correct,
    ExplainStop,
    Finish,
    OpenException,
    Release,
    Reopen,
    ReturnRecord,
    StopWork,
    Submit,
    TakeWayOut,
    Withdraw,
    WriteNote,
)
from app.domain.containment.rules import final_faults
from app.domain.event_base import Who
from app.domain.events import (
    Event,
    HoldReleased,
    JobReopened,
    JobSubmitted,
    RecordAccepted,
    RecordReturned,
    StepBegun,
    StepDone,
    StepOutside,
    WayOutTaken,
    event_from_bytes,
    payload_of,
)
from app.domain.history import unlawful
from app.domain.job import JobState, Stage, fold
from app.domain.judging import AGAIN
from app.domain.locks import (
    DamperStroked,
    LockPoint,
    OthersLockRemoved,
    OwnLockOff,
    PointUnlocked,
    PutOwnLockOn,
    RemoveOthersLock,
    StrokeDamper,
    StrokePart,
    TakeOwnLockOff,
    UnlockPoint,
)
from app.domain.procedure import Role, StepKind
from app.domain.reopening import rechecks_for
from app.domain.steps import Step
from app.domain.watching import NoticeMissed, TakeReading
from app.ledger.canonical import canonical
from app.services.rehearsal import labels_of, made_up_answers
from tests.builders import HANDS, LEAD, OFFICER, OTHER_LEAD, PEOPLE, Bench, opened

people = st.sampled_from(PEOPLE)
shifts = st.sampled_from([0, 0, 0, 0, 1, -1, -2, -4])
STARTS = [
    "as usual", "as usual", "officer works first", "officer works last", "to be read", "test failed",
    "failed and stopped", "tested again", "old permit",
]  # fmt: skip
REOPENABLE = (Stage.STOPPED, Stage.IN_REVIEW, Stage.RETURNED, Stage.ACCEPTED)


def near(state: JobState, shift: int) -> Step:
    """Return a step near the one that is due."""
    due = state.due
    place = state.index[due.id] if due else len(state.steps) - 1
    return state.steps[max(0, min(place + shift, len(state.steps) - 1))]


def wrong_answers(step: Step) -> dict[str, str]:
    """Return answers of which the first lies outside its limit, where it has one."""
    answers = made_up_answers(step)
    if step.computes == "leak_test":
        return answers | {"downstream": "0.9", f"downstream{AGAIN}": "0.9"}
    if asked := next((asked for asked in step.asks if asked.ask.kind in {"reading", "choice"}), None):
        first, limit = asked.ask, asked.limit
        beyond = "999999" if limit is None or limit.high is not None else "-999999"
        answers[first.id] = first.options[-1] if first.options else beyond
    return answers


def everything(state: JobState) -> Iterator[Command]:
    """Yield every command that a person could send near the step that is due."""
    assert state.opened is not None
    for shift in (0, 1, -1, -3):
        step = near(state, shift)
        yield Begin(step.id, labels_of(step))
        yield Finish(step.id, made_up_answers(step))
        yield Finish(step.id, wrong_answers(step))
        yield Release(step.id)
        yield Withdraw(step.id, "ticked by mistake")
        if answers := state.mark(step.id).evidence.answers:
            yield Correct(step.id, next(iter(answers)), "999", "misread the dial")
    yield from (TakeWayOut(way.id, "the bank failed its test") for way in (state.opened.ways_out or ()))
    yield from about_isolation(state, near(state, 0))
    yield StopWork()
    yield Reopen("looked at, safe to go on", rechecks_for(state))
    yield from (AnswerRecheck(item.id, True, "") for item in state.rechecks[:1])
    yield from (OpenException(item.seq) for item in state.unread[:1])
    yield Submit()
    yield Accept()
    yield ReturnRecord("an instrument number is missing")


def about_isolation(state: JobState, step: Step) -> Iterator[Command]:
    """Yield what a person could send about locks and repeated readings."""
    assert state.opened is not None
    if step.table is not None:
        yield LockPoint(step.id, "upstream", "shut", "L-99", "T-99")
        yield UnlockPoint(step.id, "upstream")
    yield from (TakeOwnLockOff(item.lock) for item in state.locks.own[:1])
    yield from (removal(item.lock) for item in state.locks.hung[-1:])
    yield from (StrokeDamper("upstream", part, "shut", "L-98", "T-98") for part in StrokePart)
    if state.watch.due is not None:
        yield TakeReading("-20")


def removal(lock: str) -> RemoveOthersLock:
    """Return the removal of a lock with all that has to be known."""
    return RemoveOthersLock(lock, OFFICER, "signed out", (("2026-03-02 08:10", "rang"),), "call before the next shift")


def check(before: JobState, event: Event) -> None:
    """Hold one event against the rules in words."""
    assert event.by.role is not Role.ADMINISTRATOR, "administrators never work on a job"
    match event:
        case StepBegun() | StepDone() | StepOutside() | HoldReleased():
            check_mark(before, event)
        case JobReopened():
            assert event.by.role is Role.LEAD
            assert before.stage in REOPENABLE
            assert before.stop is None or before.stop.stamp.by.id != event.by.id, "the stopper cannot re-open"
        case WayOutTaken():
            assert event.by.role is Role.LEAD
            assert before.stage is Stage.OPEN
            assert before.due is not None
            assert before.mark(before.due.id).attempts, "steps are put in only where a test has failed"
            attempt = before.mark(before.due.id).attempts[-1][0].seq
            assert all(seq < attempt for _, seq in before.taken), "and only once for a failure"
        case JobSubmitted():
            assert event.by.role is Role.LEAD
            assert before.due is None
            assert before.stage in (Stage.WORK_DONE, Stage.RETURNED)
            assert before.model is not None
            assert final_faults(before.model) == ()
        case RecordAccepted() | RecordReturned():
            assert event.by.role is Role.SAFETY_OFFICER
            assert before.stage is Stage.IN_REVIEW
            if isinstance(event, RecordAccepted):
                assert not before.unread, "every exception is opened first"
                assert event.by.id not in before.performers
        case PointUnlocked() | OwnLockOff():
            lock = before.locks.numbered(event.lock)
            assert lock is not None
            assert lock.by.id == event.by.id, "a lock comes off by the hand that put it on"
        case OthersLockRemoved():
            assert (event.by.role, event.officer.role) == (Role.LEAD, Role.SAFETY_OFFICER)
            assert event.owner.id not in (event.by.id, event.officer.id)
        case DamperStroked(part=StrokePart.OFF):
            assert before.model is not None
            assert all(port.door == "shut" for port in before.model.ports), "no damper moves with a door off"
        case _:
            pass


def check_mark(before: JobState, event: StepBegun | StepDone | StepOutside | HoldReleased) -> None:
    """Only the due step is marked, while the job runs, by somebody who may."""
    due = before.due
    assert due is not None
    assert event.step == due.id, "only the due step is ever marked"
    assert before.stage is Stage.OPEN, "nothing is marked while stopped or being looked over"
    assert before.locks.stroke is None, "nothing is marked while a damper is being moved"
    acts_back = {effect.act for effect in due.effects} & {"remove_locks", "start_fan", "put_in_service"}
    assert not (acts_back and before.locks.own), "nothing goes back into service over somebody's own lock"
    if isinstance(event, StepDone) and due.table == "locks_on":
        assert before.opened is not None
        assert all(before.locks.at(point.id) for point in before.opened.housing.points), "a row for every point"
    assert isinstance(event, HoldReleased) == (due.kind is StepKind.HOLD), "a hold is released and never ticked"
    if isinstance(event, HoldReleased):
        assert event.by.role is due.role, "a hold is released by its role"
        assert event.by.id not in before.performers, "and never by somebody who worked on the job"
        until = before.permit_until
        assert until is None or until.isoformat() >= event.signature.local_time[:10], "nor under an old permit"
    if isinstance(event, StepDone | StepOutside):
        assert due.marks == 1 or before.mark(due.id).begun is not None, "done follows begun"
        assert event.evidence.within == isinstance(event, StepDone), "what lies outside its limit stays due"
    if isinstance(event, StepBegun):
        assert due.marks == 2
        assert before.mark(due.id).begun is None
    if due.kind is StepKind.VERIFY:
        acts = [s for s in before.steps[: before.index[due.id]] if s.effects and s.section == due.section]
        assert all((done := before.mark(s.id).done) is None or done.by.id != event.by.id for s in acts)


def finals_stay(before: JobState, after: JobState) -> None:
    """A final step that was done stays done, whatever is taken back; only its own bad evidence re-opens it."""
    for step in before.steps:
        if step.final and before.mark(step.id).stands:
            assert after.mark(step.id).stands or not after.mark(step.id).evidence.within, step.id


class Crew(RuleBasedStateMachine):
    """Six people, one job."""

    def __init__(self) -> None:
        super().__init__()
        self.bench = Bench()

    @initialize(
        tag=st.sampled_from(["EF-03", "EF-07"]),
        steps=st.sampled_from([0, 4, 13, 18, 26, 28, 40, 70, 88, 200]),
        start=st.sampled_from(STARTS),
    )
    def begin(self, tag: str, steps: int, start: str) -> None:
        """Start from some way along a job, perhaps one on which the safety officer and a lead have worked."""
        self.bench = opened(tag)
        match start:
            case "officer works first":
                self._work(OFFICER, 1)
                self._work(OTHER_LEAD, 1)
                self.bench.run_to("agree/agreed")
            case "officer works last":
                self.bench.run_to("end/service/tell")
                self._work(OFFICER, 2)
                self._do(Submit(), LEAD)
            case "test failed":
                self._fail_the_leak_test()
            case "old permit":
                self.bench.run_to("agree/ppe")
                due = near(self.bench.state, 0)
                self._do(Finish(due.id, made_up_answers(due) | {"permit-until": "2026-03-01"}), HANDS)
            case "failed and stopped":
                self._fail_the_leak_test()
                self._do(StopWork(), HANDS)
            case "tested again":
                self._fail_the_leak_test()
                self._do(TakeWayOut("reseat-hepa", "the seal mark is uneven"), OTHER_LEAD)
                self.bench.run_to("leak/aerosol")
            case "to be read":
                first = near(self.bench.state, 0)
                self._do(Finish(first.id, wrong_answers(first)), HANDS)
                self.bench.run_to()
                self._do(Submit(), LEAD)
            case _:
                self.bench.run_to(steps=steps)

    def _fail_the_leak_test(self) -> None:
        self.bench.run_to("leak/aerosol")
        self._do(Finish(near(self.bench.state, 0).id, wrong_answers(near(self.bench.state, 0))), HANDS)

    def _work(self, by: Who, count: int) -> None:
        for _ in range(count):
            for command, _hands in self.bench.due_commands():
                self._do(command, by)

    def _do(self, command: Command, by: Who) -> None:
        before = self.bench.state
        try:
            fresh = self.bench.do(command, by)
        except ChangeoutError as no:
            assert len(str(no)) > 15, "a refusal is a sentence"
            return
        for event in fresh[:1]:
            check(before, event)

    @rule(by=people, shift=shifts, wrong=st.booleans())
    def press_finish(self, by: Who, shift: int, wrong: bool) -> None:
        """Somebody finishes a step."""
        step = near(self.bench.state, shift)
        self._do(Finish(step.id, wrong_answers(step) if wrong else made_up_answers(step)), by)

    @rule()
    def go_on(self) -> None:
        """The right people do the due step, so that the machine gets somewhere."""
        for command, by in self.bench.due_commands():
            self._do(command, by)

    @rule()
    def begin_only(self) -> None:
        """The right people begin the due step and leave it."""
        for command, by in self.bench.due_commands()[:1]:
            self._do(command, by)

    @rule(by=people, reason=st.sampled_from(["unexpected", "would_harm", "no such reason"]))
    def press_stop(self, by: Who, reason: str) -> None:
        """Somebody stops the job and says why."""
        self._do(StopWork(), by)
        self._do(ExplainStop(reason, "seen at the port"), by)

    @rule(by=people, shift=st.sampled_from([None, -1, -2, -5]))
    def press_reopen(self, by: Who, shift: int | None) -> None:
        """Somebody re-opens the job, perhaps with a step to be done again."""
        again = () if shift is None else (near(self.bench.state, shift).id,)
        self._do(Reopen("looked at, safe to go on", rechecks_for(self.bench.state), again), by)

    @rule(by=people, seen=st.booleans(), count=st.sampled_from([1, 1, 9]))
    def look(self, by: Who, seen: bool, count: int) -> None:
        """Somebody looks at one thing or at all of them."""
        for item in self.bench.state.rechecks[:count]:
            self._do(AnswerRecheck(item.id, seen, "not so"), by)

    @rule(by=people, shift=shifts)
    def take_back(self, by: Who, shift: int) -> None:
        """Somebody takes a mark back."""
        before = self.bench.state
        self._do(Withdraw(near(before, shift).id, "ticked by mistake"), by)
        finals_stay(before, self.bench.state)

    @rule(by=people, shift=shifts, now=st.sampled_from(["7", "999", "another"]))
    def put_right(self, by: Who, shift: int, now: str) -> None:
        """Somebody corrects an answer."""
        before, step = self.bench.state, near(self.bench.state, shift).id
        self._do(Correct(step, next(iter(before.mark(step).evidence.answers), "none"), now, "misread the dial"), by)
        finals_stay(before, self.bench.state)

    @rule(by=people)
    def put_steps_in(self, by: Who) -> None:
        """Somebody puts in the steps kept ready for a failed test."""
        opened_with = self.bench.state.opened
        for way in (opened_with and opened_with.ways_out) or ():
            self._do(TakeWayOut(way.id, "the bank failed its test"), by)

    @rule(by=people, on=st.booleans())
    def own_lock(self, by: Who, on: bool) -> None:
        """Somebody puts their own lock on or takes one off."""
        own = self.bench.state.locks.own
        number = f"P-{len(self.bench.state.locks.hung)}"
        self._do(PutOwnLockOn(number) if on or not own else TakeOwnLockOff(own[-1].lock), by)

    @rule(by=people, part=st.sampled_from(StrokePart))
    def move_a_damper(self, by: Who, part: StrokePart) -> None:
        """Somebody does a part of a trial."""
        number = f"S-{len(self.bench.state.locks.hung)}"
        self._do(StrokeDamper("downstream", part, "shut", number, number), by)

    @rule(by=people, minutes=st.sampled_from([1, 25, 70]), text=st.sampled_from(["-20", "40"]))
    def time_goes_by(self, by: Who, minutes: int, text: str) -> None:
        """Time goes by, somebody looks, somebody reads."""
        self.bench.now += timedelta(minutes=minutes)
        self._do(NoticeMissed(), by)
        self._do(TakeReading(text), by)

    @rule(by=people)
    def finish_job(self, by: Who) -> None:
        """Somebody hands the job to review, writes a note, or returns it."""
        self._do(Submit(), by)
        self._do(WriteNote("lamp flickers"), by)

    @rule(by=people)
    def review(self, by: Who) -> None:
        """Somebody reads the exceptions and accepts."""
        for item in self.bench.state.unread:
            self._do(OpenException(item.seq), by)
        self._do(Accept(), by)

    @rule(by=people)
    def send_back(self, by: Who) -> None:
        """Somebody returns the record."""
        self._do(ReturnRecord("the second reading is missing its instrument"), by)

    @invariant()
    def nobody_can_do_what_the_rules_forbid(self) -> None:
        """Whatever anybody presses here, only lawful events follow and final steps stay done."""
        before = self.bench.state
        if before.opened is None:
            return
        for command in everything(before):
            for by in PEOPLE:
                trial = Bench(before, [], self.bench.now, self.bench.ledger)
                try:
                    fresh = trial.do(command, by)
                except ChangeoutError:
                    continue
                for event in fresh[:1]:
                    check(before, event)
                if isinstance(command, Withdraw | Correct | Reopen):
                    finals_stay(before, trial.state)

    def teardown(self) -> None:
        """The history is one that an outsider finds lawful; it folds in pieces, and survives JSON and back."""
        events = self.bench.events
        assert unlawful(events) == ()
        half = len(events) // 2
        whole = fold(events)
        assert fold(events[half:], start=fold(events[:half])) == whole == self.bench.state
        assert [event_from_bytes(canonical(payload_of(event))) for event in events] == events
        assert [event.seq for event in events] == list(range(len(events)))


Crew.TestCase.settings = settings(max_examples=80, stateful_step_count=18, deadline=None)
TestCrew = Crew.TestCase


@pytest.mark.parametrize("tag", ["EF-03", "EF-07"])
def test_taking_any_mark_back_leaves_every_final_step_done(tag: str) -> None:
    """Whichever mark of a finished job is taken back or corrected, no cut, tape or opening returns to not done."""
    bench = opened(tag)
    bench.run_to()
    assert any(step.final for step in bench.state.steps)

    for step in bench.state.steps:
        answers = bench.state.mark(step.id).evidence.answers
        for command in (Withdraw(step.id, "wrong step"), Correct(step.id, next(iter(answers), "none"), "7", "misread")):
            trial = Bench(bench.state, [], bench.now, bench.ledger)
            try:
                trial.do(command, LEAD)
            except ChangeoutError:
                continue
            finals_stay(bench.state, trial.state)
            assert trial.state.mark(step.id).stands or not step.final or not trial.state.mark(step.id).evidence.within


@pytest.mark.parametrize("tag", ["EF-03", "EF-07"])
@pytest.mark.parametrize("start", sorted(set(STARTS)))
def test_from_every_start_nobody_can_do_what_the_rules_forbid(start: str, tag: str) -> None:
    """Every start of the machine is tried, and not only those that chance draws."""
    crew = Crew()
    crew.begin(tag=tag, steps=26, start=start)

    crew.nobody_can_do_what_the_rules_forbid()

    crew.teardown()
