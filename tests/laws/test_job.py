"""Laws of a job: a machine of people who press whatever they like, aimed near the step that is due."""

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
    Withdraw,
    WriteNote,
)
from app.domain.events import Event, HoldReleased, StepBegun, StepDone, event_from_bytes, payload_of
from app.domain.history import unlawful
from app.domain.job import JobState, Stage, fold
from app.domain.procedure import Role, StepKind
from app.domain.reopening import rechecks_for
from app.ledger.canonical import canonical
from app.services.rehearsal import made_up_answers
from tests.builders import PEOPLE, Bench, opened

people = st.sampled_from(PEOPLE)


class Crew(RuleBasedStateMachine):
    """Six people, one job, any command at any time."""

    def __init__(self) -> None:
        super().__init__()
        self.bench = Bench()
        self.before: JobState = self.bench.state
        self.fresh: tuple[Event, ...] = ()

    @initialize(tag=st.sampled_from(["EF-03", "EF-07"]), steps=st.sampled_from([0, 4, 12, 18, 27, 40, 70, 200]))
    def begin(self, tag: str, steps: int) -> None:
        """Start from some way along a job."""
        self.bench = opened(tag)
        self.bench.run_to(steps=steps)
        self.fresh, self.before = (), self.bench.state

    def _do(self, command: Command, by: object) -> None:
        self.before, self.fresh = self.bench.state, ()
        try:
            self.fresh = self.bench.do(command, by)  # type: ignore[arg-type]
        except ChangeoutError as no:
            assert len(str(no)) > 15

    def _near(self, shift: int) -> str:
        due = self.bench.state.due
        place = self.bench.state.index[due.id] if due else len(self.bench.state.steps) - 1
        return self.bench.state.steps[max(0, min(place + shift, len(self.bench.state.steps) - 1))].id

    shifts = st.sampled_from([0, 0, 0, 0, 1, -1, 2, -3])

    @rule(by=people, shift=shifts)
    def press_begin(self, by: object, shift: int) -> None:
        self._do(Begin(self._near(shift)), by)

    @rule(by=people, shift=shifts, wrong=st.booleans())
    def press_finish(self, by: object, shift: int, wrong: bool) -> None:
        step = self.bench.state.step(self._near(shift))
        assert step is not None
        answers = made_up_answers(step)
        if wrong and answers:
            asked = step.asks[0].ask
            answers[asked.id] = asked.options[-1] if asked.options else "999999"
        self._do(Finish(step.id, answers), by)

    @rule(by=people, shift=shifts)
    def press_release(self, by: object, shift: int) -> None:
        self._do(Release(self._near(shift)), by)

    @rule()
    def go_on(self) -> None:
        """The right people do the due step, so that the machine gets somewhere."""
        for command, by in self.bench.due_commands():
            self._do(command, by)
            self.check_new()

    @rule(by=people)
    def press_stop(self, by: object) -> None:
        self._do(StopWork(), by)

    @rule(by=people, reason=st.sampled_from(["unexpected", "would_harm", "no such reason"]))
    def explain(self, by: object, reason: str) -> None:
        self._do(ExplainStop(reason, "seen at the port"), by)

    @rule(by=people, again=st.booleans(), shift=st.sampled_from([-1, -2, -5]))
    def press_reopen(self, by: object, again: bool, shift: int) -> None:
        self._do(
            Reopen("looked at, safe to go on", rechecks_for(self.bench.state), (self._near(shift),) if again else ()),
            by,
        )

    @rule(by=people, seen=st.booleans())
    def look(self, by: object, seen: bool) -> None:
        if self.bench.state.rechecks:
            self._do(AnswerRecheck(self.bench.state.rechecks[0].id, seen, "not so"), by)

    @rule(by=people, shift=shifts)
    def take_back(self, by: object, shift: int) -> None:
        self._do(Withdraw(self._near(shift), "ticked by mistake"), by)

    @rule(by=people, shift=shifts, now=st.sampled_from(["7", "999", "another"]))
    def put_right(self, by: object, shift: int, now: str) -> None:
        step = self._near(shift)
        answers = self.bench.state.mark(step).evidence.answers
        self._do(Correct(step, next(iter(answers), "none"), now, "misread the dial"), by)

    @rule(by=people)
    def note(self, by: object) -> None:
        self._do(WriteNote("lamp flickers"), by)

    @rule(by=people)
    def finish_job(self, by: object) -> None:
        self._do(Submit(), by)

    @rule(by=people)
    def read_exceptions(self, by: object) -> None:
        for item in self.bench.state.unread:
            self._do(OpenException(item.seq), by)
            self.check_new()

    @rule(by=people)
    def press_accept(self, by: object) -> None:
        self._do(Accept(), by)

    @rule(by=people)
    def send_back(self, by: object) -> None:
        self._do(ReturnRecord("the second reading is missing its instrument"), by)

    @invariant()
    def check_new(self) -> None:
        """Every new mark is one that the rules allow."""
        for event in self.fresh:
            if isinstance(event, StepBegun | StepDone | HoldReleased):
                self._mark_is_lawful(event)
        self._finals_stay()
        if self.bench.state.accepted is not None:
            assert not self.bench.state.unread
            assert all(self.bench.state.mark(step.id).stands for step in self.bench.state.steps)

    def _mark_is_lawful(self, event: StepBegun | StepDone | HoldReleased) -> None:
        due = self.before.due
        assert due is not None
        assert event.step == due.id, "only the due step is ever marked"
        assert self.before.stage is Stage.OPEN, "nothing is marked while stopped or being looked over"
        assert event.by.role is not Role.ADMINISTRATOR
        assert isinstance(event, HoldReleased) == (due.kind is StepKind.HOLD)
        if isinstance(event, HoldReleased):
            assert event.by.role is due.role, "a hold is released by its role"
            assert event.by.id not in self.before.performers, "and never by somebody who worked on the job"
        if isinstance(event, StepDone):
            assert due.marks == 1 or self.before.mark(due.id).begun is not None, "done follows begun"
            assert event.evidence.within
        if due.kind is StepKind.VERIFY:
            acts = [s for s in self.before.steps[: self.before.index[due.id]] if s.effects and s.section == due.section]
            assert all((done := self.before.mark(s.id).done) is None or done.by.id != event.by.id for s in acts)

    def _finals_stay(self) -> None:
        for step in self.before.steps:
            if step.final and self.before.mark(step.id).stands and self.before.opened is self.bench.state.opened:
                assert self.bench.state.mark(step.id).done is not None, "a final step never returns to not done"
                assert self.bench.state.mark(step.id).stands or self._outside(step.id)

    def _outside(self, step: str) -> bool:
        return not self.bench.state.mark(step).evidence.within

    def teardown(self) -> None:
        """The history is one that an outsider finds lawful; it folds in pieces, and survives JSON and back."""
        events = self.bench.events
        assert unlawful(events) == ()
        half = len(events) // 2
        whole = fold(events)
        assert fold(events[half:], start=fold(events[:half])) == whole == self.bench.state
        assert [event_from_bytes(canonical(payload_of(event))) for event in events] == events
        assert [event.seq for event in events] == list(range(len(events)))


Crew.TestCase.settings = settings(max_examples=60, stateful_step_count=40, deadline=None)
TestCrew = Crew.TestCase
