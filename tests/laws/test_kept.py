"""Marks that tablets kept: each arrives as one entry, never twice, never in silence against what has changed.

Random schedules of two tablets out of reach, of what others do meanwhile, of partial, doubled and interleaved replay.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import count
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.bootstrap import Running, ship_sample_housings, start
from app.calc.errors import ChangeoutError
from app.domain.commands import Begin, DecideContest, ExplainStop, Finish, Late, Open, Reopen, StopWork
from app.domain.event_base import Who
from app.domain.events import ContestDecided, Event, MarkContested, MarkJoined, StepBegun, StepDone, StepOutside
from app.domain.history import unlawful
from app.domain.job import JobState, Stage, fold
from app.domain.procedure import Role
from app.domain.refused import Refused
from app.records.moments import utc_text
from app.services.jobs import Asked
from app.services.planning import find_housing, find_procedure, first_entry, plan
from app.services.rehearsal import commands_for, labels_of
from app.settings import Settings
from app.web.views.ahead import ahead
from tests.builders import EYES, HANDS, LEAD, OTHER_LEAD, Bench, keep_made_up_instruments, let_texts_in, opened

TOKENS = count(1)
OUTCOMES = (StepBegun, StepDone, StepOutside, MarkJoined, MarkContested)


@dataclass
class Tablet:
    """A tablet: who uses it, how the job stood when it last heard of it, and what it keeps."""

    who: Who
    name: str
    state: JobState
    kept: list[tuple[int, str, Late]] = field(default_factory=list)
    number: int = 0

    def mark(self, *, wrong: bool) -> None:
        """Mark the step that this tablet takes for due, as its panels lead it, and keep the mark."""
        panels = list(ahead(self.state, self.who))
        if not panels or panels[0].waits:
            return
        first = panels[0]
        step = self.state.step(first.step)
        assert step is not None
        mark: Begin | Finish = Begin(step.id, answers=labels_of(step))
        if first.act == "finish":
            mark = next(command for command, _ in commands_for(self.state) if isinstance(command, Finish))
            mark = Finish(mark.step, mark.answers, "seen otherwise") if not wrong else other(mark)
        self.number += 1
        self.kept.append((self.number, f"{self.name}-{next(TOKENS):032}", Late(mark, self.state.size)))
        if len(panels) > 1:
            size = self.state.size  # the tablet does not hear of the server's entries
            self.state = panels[1].state
            object.__setattr__(self.state, "size", size)


def other(mark: Finish) -> Finish:
    """Return the mark with another text where one is free, so that two accounts differ."""
    return Finish(mark.step, {**mark.answers, "length": "222"} if "length" in mark.answers else mark.answers, "other")


class Site:
    """One running site for all schedules of a test."""

    def __init__(self, folder: Path) -> None:
        ship_sample_housings(Settings(data=folder))
        self.running: Running = start(Settings(data=folder), lambda: datetime(2026, 3, 2, 7, 15, tzinfo=UTC))
        let_texts_in(self.running.site.jobs)
        keep_made_up_instruments(self.running.site.jobs)
        library = self.running.site.library
        self.plan = plan(find_housing(library, "EF-03"), *find_procedure(library, "change-out"))

    def job(self) -> str:
        """Open a job and bring it to the gathering of the first bag."""
        site = self.running.site.jobs.site()
        at = utc_text(self.running.site.clock())
        draft = first_entry(self.plan, site=site, by=LEAD, at=at, crew=(HANDS, EYES), rehearsal=False)
        self.do(draft.ledger, Open(draft), LEAD)
        bench = Bench(self.running.site.jobs.state(draft.ledger), [], ledger=draft.ledger)
        while bench.state.due is not None and not bench.state.due.id.endswith("gather"):
            for command, by in bench.due_commands():
                bench.state = self.do(draft.ledger, command, by)
        return draft.ledger

    def do(self, job: str, command: object, by: Who) -> JobState:
        """Carry out one command on the server."""
        asked = Asked(by=by, tablet="desk", token=f"desk-{next(TOKENS):032}")
        return self.running.site.jobs.record(job, command, asked).result().state  # type: ignore[arg-type]

    def send(self, job: str, tablet: Tablet, kept: tuple[int, str, Late]) -> None:
        """Send one kept mark."""
        number, token, late = kept
        at = utc_text(self.running.site.clock())
        asked = Asked(tablet.who, tablet.name, at, token, sent_at=at, number=number)
        self.running.site.jobs.record(job, late, asked).result()


acts = st.lists(
    st.sampled_from(["first marks", "second marks", "second marks otherwise", "server goes on", "stop", "re-open",
                     "first sends all", "second sends all", "first sends one", "second sends again"]),
    min_size=4, max_size=16,
)  # fmt: skip


@pytest.fixture(scope="module")
def site() -> Iterator["Site"]:
    """A site in a folder of its own."""
    with TemporaryDirectory() as folder:
        made = Site(Path(folder))
        yield made
        made.running.close()


def play(site: Site, schedule: list[str]) -> tuple[list[Tablet], list[Event], JobState]:
    """Play a schedule on a fresh job, then send everything that is left, twice."""
    job = site.job()
    begun = site.running.site.jobs.state(job)
    tablets = [Tablet(HANDS, "first", begun), Tablet(EYES, "second", begun)]
    sent = [0, 0]

    def send(which: int, upto: int) -> None:
        for kept in tablets[which].kept[sent[which] : upto]:
            site.send(job, tablets[which], kept)
        sent[which] = max(sent[which], min(upto, len(tablets[which].kept)))

    for act in schedule:
        state = site.running.site.jobs.state(job)
        try:
            match act:
                case "first marks" | "second marks":
                    tablets[act.startswith("second")].mark(wrong=False)
                case "second marks otherwise":
                    tablets[1].mark(wrong=True)
                case "server goes on" if state.due is not None:
                    for command, by in Bench(state).due_commands():
                        site.do(job, command, by)
                case "stop":
                    site.do(job, StopWork(), EYES)
                case "re-open":
                    site.do(job, ExplainStop("unexpected", "a sound"), EYES)
                    site.do(job, Reopen("looked at, safe to go on"), OTHER_LEAD)
                case "first sends all":
                    send(0, 10**6)
                case "second sends all":
                    send(1, 10**6)
                case "first sends one":
                    send(0, sent[0] + 1)
                case _:
                    for kept in tablets[1].kept[: sent[1]]:
                        site.send(job, tablets[1], kept)
        except Refused as no:
            assert act in {"server goes on", "stop", "re-open"}, no
    for _ in range(2):
        for which in (0, 1):
            for kept in tablets[which].kept:
                site.send(job, tablets[which], kept)
    return tablets, list(site.running.site.jobs.events(job)), site.running.site.jobs.state(job)


@settings(max_examples=60)
@given(schedule=acts)
def test_every_kept_mark_arrives_once_in_its_tablets_order_and_nothing_unlawful_follows(
    site: Site, schedule: list[str]
) -> None:
    """One entry for each kept mark however often it is sent; by tablet in the order made; lawful, and folds alike."""
    tablets, events, state = play(site, schedule)

    for tablet in tablets:
        tokens = [token for _, token, _ in tablet.kept]
        found = [event for event in events if event.request in set(tokens)]
        assert [event.request for event in found] == tokens
        assert all(isinstance(event, OUTCOMES) for event in found)
        assert all(event.by == tablet.who for event in found)
        assert [event.device.number for event in found if event.device] == [number for number, _, _ in tablet.kept]
    assert unlawful(events) == ()
    assert fold(events) == state


@settings(max_examples=60)
@given(schedule=acts)
def test_nothing_from_before_a_stop_or_re_opening_is_taken_in_silence(site: Site, schedule: list[str]) -> None:
    """A mark made on a state older than the newest stop or re-opening is contested, never simply counted."""
    tablets, events, _ = play(site, schedule)

    seen = {token: late.seen for tablet in tablets for _, token, late in tablet.kept}
    unsettled = -1
    for event in events:
        if event.type in {"job_stopped", "job_reopened"}:
            unsettled = event.seq
        if event.request in seen and seen[event.request] <= unsettled:
            assert isinstance(event, MarkContested)


def contested() -> Bench:
    """A job on which a mark that came later does not agree with the one that stands."""
    bench = opened()
    bench.run_to("gather")
    due, size = bench.state.due, bench.state.size
    assert due is not None
    for command, by in bench.due_commands():
        bench.do(command, by)
    bench.do(Late(Finish(due.id, {"length": "222"}), size), EYES)
    assert bench.state.stage is Stage.CONTESTED
    return bench


def test_two_accounts_stop_the_work_until_a_lead_has_looked() -> None:
    """Nothing is marked meanwhile; a technician may not settle it; what stands may hold."""
    bench = contested()
    (contest,) = bench.state.contests
    for command, by in bench.due_commands():
        with pytest.raises(Refused, match="must settle"):
            bench.do(command, by)
    with pytest.raises(Refused, match="Ask a lead"):
        bench.do(DecideContest((contest.seq,), holds=True, reason="measured again"), HANDS)

    (event,) = bench.do(DecideContest((contest.seq,), holds=True, reason="measured again"), OTHER_LEAD)

    assert isinstance(event, ContestDecided)
    assert event.by.role is Role.LEAD
    assert bench.state.stage is Stage.OPEN
    assert bench.state.mark(contest.step).stands
    assert unlawful(bench.events) == ()


def test_a_lead_may_have_the_step_done_again_with_what_relied_on_it() -> None:
    """Then the step and what relied on it are due again, both accounts stay in the record."""
    bench = contested()
    (contest,) = bench.state.contests

    bench.do(DecideContest((contest.seq,), holds=False, reason="nobody is sure"), OTHER_LEAD)

    assert bench.state.due is not None
    assert bench.state.due.id == contest.step
    assert sum(isinstance(event, MarkContested) for event in bench.events) == 1


def test_nobody_settles_their_own_account() -> None:
    """A lead whose own mark is contested leaves the decision to another."""
    bench = opened()
    bench.run_to("gather")
    due, size = bench.state.due, bench.state.size
    assert due is not None
    for command, by in bench.due_commands():
        bench.do(command, by)
    bench.do(Late(Finish(due.id, {"length": "222"}), size), LEAD)
    (contest,) = bench.state.contests

    with pytest.raises(Refused, match="Another lead"):
        bench.do(DecideContest((contest.seq,), holds=True, reason="mine is right"), LEAD)


def test_a_mark_for_no_step_is_refused_and_stays_with_the_tablet() -> None:
    """What the job does not know cannot be taken; the sentence says what to do."""
    with pytest.raises(ChangeoutError, match="stays on the tablet"):
        opened().do(Late(Begin("no/such/step"), 1), HANDS)


def test_a_second_stop_that_was_kept_leaves_a_note() -> None:
    """The stop stands already; that it was pressed elsewhere too is in the record all the same."""
    bench = opened()
    bench.do(StopWork(), HANDS)

    (event,) = bench.do(StopWork(kept=True), EYES)

    assert event.type == "note_written"
    assert bench.state.stop is not None
    assert bench.state.stop.stamp.by == HANDS
