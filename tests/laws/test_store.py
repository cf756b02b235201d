"""Laws of the store room: whatever people enter and jobs read, counts balance, no filter is in two places, none is bad.

What a filter may be is told here from the entries alone, in the trade's words, and not by the program's own check.
"""

from collections import Counter
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from app.calc.errors import Invalid, OutOfRange
from app.calc.life import add_years
from app.domain.commands import Command, Correct, Finish, Late
from app.domain.deciding.filters import filter_moved
from app.domain.event_base import Who
from app.domain.events import AnswerCorrected, Event, StepDone
from app.domain.fitting import reads_filter
from app.domain.job import JobState, Stage
from app.domain.paper import PrintBlank, Transcribe
from app.domain.picking import used_of
from app.domain.refused import Refused
from app.domain.registers import SiteMoment
from app.domain.steps import Step
from app.domain.store import (
    FilterTaken,
    Kind,
    KitSettled,
    KitStaged,
    Lot,
    LotCorrected,
    LotCounted,
    LotInspected,
    LotReceived,
    Store,
    StoreEvent,
    evolve_store,
    plain_serial,
)
from app.domain.storing import (
    kit_settled,
    kit_staged,
    lot_corrected,
    lot_counted,
    lot_inspected,
    lot_received,
    receipt_items,
)
from app.domain.watching import Watch
from app.records.moments import utc_text
from app.services.rehearsal import made_up_answers
from tests.builders import EYES, HANDS, LEAD, OTHER_LEAD, Bench, opened

LOTS, JOBS = ("L1", "L2", "F1", "F2", "F3"), ("job-1", "job-2")
SERIALS = ("S1", "S2", "s 1", "S9")
TYPES = {"EF-03": "24x24x11.5 gasket", "EF-07": "24x24x11.5 gel", "EF-11": "24x24x5-7/8 gasket"}
"""The type that each sample housing's first new filter is of."""
lots, jobs, counts = st.sampled_from(LOTS), st.sampled_from(JOBS), st.integers(0, 6).map(str)


@lru_cache
def first_filter(tag: str) -> Bench:
    """Return a job whose next step reads the first new filter, worked while the site had none; no reading lapses."""
    bench = opened(tag)
    bench.run_to("/serial")
    assert bench.state.opened is not None
    calm = bench.state.opened.model_copy(update={"repeated": None})
    return replace(bench, state=replace(bench.state, opened=calm, watch=Watch()))


class StoreRoom(RuleBasedStateMachine):
    """People enter what they like, two crews read what they like; time passes."""

    def __init__(self) -> None:
        super().__init__()
        self.store, self.today, self.events = Store(), date(2026, 3, 3), list[StoreEvent]()
        self.crews: dict[str, Bench] = {}
        self.unasked = set[tuple[str, str]]()
        """Job and step of the readings that stand from before the site entered any filter: nobody was asked then."""

    def moment(self, by: Who = LEAD) -> SiteMoment:
        """Return now."""
        return SiteMoment(seq=len(self.events), at=f"{self.today}T08:00:00.000Z", today=self.today, by=by)

    def _enter(self, event: StoreEvent) -> None:
        if isinstance(event, KitStaged):
            for line in event.lines:
                assert self._may_be_used(self.store.lots[line.lot].lot), "nothing bad is ever staged"
        if isinstance(event, LotInspected) and event.verdict == "accepted" and self._barred(event.lot):
            assert event.by in (LEAD, OTHER_LEAD), "what was held back or rejected is accepted by a lead"
        if isinstance(event, LotCorrected) and not event.now.given.keys() <= {"place"}:
            assert not self.store.lots[event.lot].used, "what went into a job keeps its label"
        self.store = evolve_store(self.store, event)
        self.events.append(event)

    def _barred(self, lot: str) -> bool:
        """Whether the last verdict that anybody entered of a lot was against it, wherever it has been since."""
        seen = [event.verdict for event in self.events if isinstance(event, LotInspected) and event.lot == lot]
        return bool(seen) and seen[-1] != "accepted"

    def _may_be_used(self, lot: Lot) -> bool:
        """Whether the entries say that a lot was accepted last and has not run out."""
        accepted = False
        for event in self.events:
            if isinstance(event, LotInspected) and event.lot == lot.id:
                accepted = event.verdict == "accepted"
            if isinstance(event, FilterTaken) and event.instead == lot.id:
                accepted = False
            if isinstance(event, LotCorrected) and event.lot == lot.id and event.now.given.keys() != {"place"}:
                accepted = False
        young = lot.kind is not Kind.FILTER or (lot.made is not None and add_years(lot.made, 10) > self.today)
        return accepted and young and (lot.use_by is None or lot.use_by >= self.today)

    @initialize(ready=st.booleans(), tags=st.tuples(st.sampled_from(list(TYPES)), st.sampled_from(list(TYPES))))
    def begin(self, ready: bool, tags: tuple[str, str]) -> None:
        """Two jobs at any housings; an empty room, or one with bags and two filters that were accepted."""
        for job, tag in zip(JOBS, tags, strict=True):
            come = first_filter(tag)
            self.crews[job] = replace(come, events=list(come.events), ledger=job)
        self.types = [TYPES[tag] for tag in tags]
        for lot, serial in (("L1", "S1"), ("F1", "S1"), ("F2", "S2")) if ready else ():
            self.receive(lot=lot, count="6", serial=serial, age=10, job="job-2" if lot == "F2" else "job-1")
            self.inspect(lot=lot, verdict="accepted", bad=False)

    @rule(lot=lots, count=counts, serial=st.sampled_from(SERIALS), age=st.integers(0, 3700), job=jobs)
    def receive(self, lot: str, count: str, serial: str, age: int, job: str) -> None:
        """Something comes in; a filter is of the type that one of the jobs takes."""
        made = (self.today - timedelta(days=age)).isoformat()
        what = self.types[JOBS.index(job)]
        typed = {"id": lot, "kind": "filter", "what": what, "serial": serial, "made": made}
        if lot.startswith("L"):
            typed = {"id": lot, "kind": "bag", "what": "ring", "count": count, "made": made,
                     "use_by": (self.today + timedelta(days=30)).isoformat()}  # fmt: skip
        try:
            self._enter(lot_received(self.store, self.moment(), typed))
        except Invalid:
            return

    @rule(
        lot=lots, verdict=st.sampled_from(["accepted", "accepted", "held back", "rejected"]), bad=st.booleans(),
        by=st.sampled_from([HANDS, LEAD]),
    )  # fmt: skip
    def inspect(self, lot: str, verdict: str, bad: bool, by: Who = LEAD) -> None:
        """Somebody inspects a lot."""
        kind = Kind.BAG if lot.startswith("L") else Kind.FILTER
        seen = {name: item.bad if bad and name == "order" else item.good for name, item in receipt_items(kind).items()}
        try:
            self._enter(
                lot_inspected(self.store, self.moment(by), lot=lot, seen=seen, verdict=verdict, reason="as seen")
            )
        except (Invalid, Refused, OutOfRange):
            return

    @rule(lot=lots, now=counts)
    def count(self, lot: str, now: str) -> None:
        """Somebody counts."""
        try:
            self._enter(lot_counted(self.store, self.moment(), lot=lot, now=now, reason="counted again"))
        except Invalid:
            return

    @rule(lot=lots, serial=st.sampled_from(["", *SERIALS]), age=st.integers(0, 3700), place=st.booleans(), job=jobs)
    def correct_label(self, lot: str, serial: str, age: int, place: bool, job: str) -> None:
        """Somebody corrects what was entered of a lot's label."""
        typed = {"place": "shelf 2"} if place else {"made": (self.today - timedelta(days=age)).isoformat()}
        if lot.startswith("F") and not place:
            typed |= {"serial": serial, "what": self.types[JOBS.index(job)]}
        try:
            self._enter(lot_corrected(self.store, self.moment(), lot=lot, typed=typed, reason="read again"))
        except (Invalid, Refused):
            return

    @rule(job=jobs, lot=lots, count=st.sampled_from(["1", "1", "3", "6"]))
    def stage(self, job: str, lot: str, count: str) -> None:
        """Somebody stages so many of a lot."""
        try:
            self._enter(kit_staged(self.store, self.moment(), job=job, lines={lot: count}))
        except Invalid:
            return

    @rule(job=jobs, back=counts, why=st.sampled_from(["", "lost on the roof"]))
    def settle(self, job: str, back: str, why: str) -> None:
        """Somebody settles a kit, against what the steps of the job have used."""
        given = {item.lot.id: back if item.lot.kind is Kind.BAG else "1" for item, _ in self.store.kit(job)}
        used = used_of(self.crews[job].state)
        try:
            self._enter(kit_settled(self.store, self.moment(), job=job, back=given, used=used, explained=why))
        except Invalid:
            return

    @rule(job=jobs, serial=st.sampled_from(SERIALS), way=st.sampled_from(["now", "now", "late", "paper"]))
    def read(self, job: str, serial: str, way: str) -> None:
        """A crew reads the serial number of a new filter: at the screen, on a tablet out of reach, or on paper."""
        due = self.crews[job].state.due
        if due is None or not reads_filter(due):
            return
        made = (self.today - timedelta(days=1)).isoformat()
        answers = made_up_answers(due, made_on=made) | {"serial": serial}
        commands: dict[str, list[Command]] = {
            "now": [Finish(due.id, answers)],
            "late": [Late(Finish(due.id, answers), self.crews[job].state.size)],
            "paper": [PrintBlank(), self._on_paper(job, due, answers)],
        }
        for command in commands[way]:
            self._do(job, command, HANDS)

    def _on_paper(self, job: str, due: Step, answers: dict[str, str]) -> Transcribe:
        bench = self.crews[job]
        serial = f"{bench.state.opened.number if bench.state.opened else ''}-B{len(bench.state.paper.blanks) + 1}"
        happened = f"{utc_text(self._now(job) + timedelta(minutes=1))[:16]}+00:00"
        return Transcribe(due.id, serial, happened, "no power", "ab" * 32, HANDS, EYES, answers=answers)

    @rule(job=jobs, serial=st.sampled_from(SERIALS))
    def correct(self, job: str, serial: str) -> None:
        """A lead corrects the serial number that was read last."""
        read = [step for step in self.crews[job].state.steps if reads_filter(step)]
        done = [step.id for step in read if self.crews[job].state.mark(step.id).done]
        if done:
            self._do(job, Correct(done[-1], "serial", serial, "read the label again"), LEAD)

    @precondition(lambda self: any(not self._waits(job) for job in JOBS))
    @rule(job=jobs, steps=st.integers(1, 12))
    def carry_on(self, job: str, steps: int) -> None:
        """A crew works on towards the next filter; what was stopped is re-opened."""
        bench = self.crews[job]
        for _ in range(steps):
            if bench.state.stage is not Stage.OPEN and bench.state.due is not None:
                self._go_on(job)
            if self._waits(job):
                return
            for command, by in bench.due_commands():
                self._do(job, command, by)

    def _go_on(self, job: str) -> None:
        bench = self.crews[job]
        while bench.state.stage in (Stage.STOPPED, Stage.LOOKING):
            before = bench.state.size
            for command, by in bench.due_commands():
                self._do(job, command, OTHER_LEAD if by.role is LEAD.role else by)
            if bench.state.size == before:
                return

    def _waits(self, job: str) -> bool:
        bench = self.crews[job]
        return bench.state.due is None or (bench.state.stage is Stage.OPEN and reads_filter(bench.state.due))

    def _now(self, job: str) -> datetime:
        return max(self.crews[job].now, datetime.combine(self.today, time(8), UTC))

    def _do(self, job: str, command: Command, by: Who) -> None:
        """Carry out a command of a job; the store room follows, as the service writes it."""
        bench = self.crews[job]
        bench.now, bench.store, before = self._now(job), self.store, bench.state
        try:
            fresh = bench.do(command, by)
        except (Invalid, Refused, OutOfRange):
            return
        for event in fresh:
            self._look_at(job, event, before)
            if (moved := filter_moved(before, event, self.store, len(self.events))) is not None:
                self._enter(moved)

    def _look_at(self, job: str, event: Event, before: JobState) -> None:
        """Whatever makes a reading of a filter stand, the filter was fit, and is at no other place.

        A correction that leaves the number as it stood brings no filter in.
        """
        bench = self.crews[job]
        step = bench.state.step(getattr(event, "step", None) or "")
        if step is None or not reads_filter(step) or not bench.state.mark(step.id).stands:
            return
        if not isinstance(event, StepDone) and not (isinstance(event, AnswerCorrected) and event.ask == "serial"):
            return
        known = [item.lot for item in self.store.lots.values() if item.lot.kind is Kind.FILTER]
        serial, was = event.evidence.answers["serial"].text, before.mark(step.id).evidence.answers.get("serial")
        if isinstance(event, AnswerCorrected) and was and plain_serial(was.text) == plain_serial(serial):
            return
        if not known:
            self.unasked.add((job, step.id))
            return
        self.unasked.discard((job, step.id))
        (lot,) = [lot for lot in known if lot.serial.replace(" ", "").lower() == serial.replace(" ", "").lower()]
        assert self._may_be_used(lot), "no rejected, expired or uninspected filter is installed"
        assert lot.what == (bench.state.opened.housing.port(step.port or "").filter if bench.state.opened else "")
        for other, state in ((name, crew.state) for name, crew in self.crews.items()):
            for place in (place for place in state.steps if reads_filter(place) and state.mark(place.id).stands):
                here = (other, place.port, place.position) == (job, step.port, step.position)
                if not here and (other, place.id) not in self.unasked:
                    held = self.store.of_serial(state.mark(place.id).evidence.answers["serial"].text)
                    assert held is None or held.lot.id != lot.id, "no filter is installed at two places"

    @rule(days=st.sampled_from([1, 20, 400]))
    def wait(self, days: int) -> None:
        """Time passes."""
        self.today += timedelta(days=days)

    @invariant()
    def counts_balance(self) -> None:
        """Received, with what counting changed, is left, staged or used in a job; nothing is below none."""
        for name, item in self.store.lots.items():
            own = [event for event in self.events if isinstance(event, LotReceived) and event.lot.id == name]
            counted = sum(e.now - e.was for e in self.events if isinstance(e, LotCounted) and e.lot == name)
            assert len(own) == 1, "a number is given once"
            assert own[0].lot.count + counted == item.left + sum(item.staged.values()) + sum(item.used.values())
            assert sum(item.used.values()) == self._used(name)
            assert item.left >= 0
            assert (name in self.store.here, name in self.store.gone) == (there := self._there(name), not there)
            assert all(count > 0 for count in (*item.staged.values(), *item.used.values()))

    def _there(self, name: str) -> bool:
        """Whether anything of a lot is left or staged."""
        return bool(self.store.lots[name].left or self.store.lots[name].staged)

    def _used(self, name: str) -> int:
        """What of a lot has gone by the entries: settled and not back, and read and not found to be elsewhere."""
        staged, read, used = Counter[str](), set[str](), 0
        for event in self.events:
            if isinstance(event, KitStaged):
                staged[event.job] += sum(line.count for line in event.lines if line.lot == name)
            if isinstance(event, FilterTaken) and event.instead == name and event.job in read:
                read.discard(event.job)
                open_kit = self._kit_was_open(event.job, event.seq) and self._was_staged(event.job, name, event.seq)
                staged[event.job] += 1 if open_kit else 0
            if isinstance(event, FilterTaken) and event.lot == name:
                read.add(event.job)
                staged[event.job] -= 1 if staged[event.job] else 0
            if isinstance(event, KitSettled):
                used += staged.pop(event.job, 0) - sum(line.count for line in event.back if line.lot == name)
        return used + len(read)

    def _kit_was_open(self, job: str, before: int) -> bool:
        kits = [e for e in self.events[:before] if isinstance(e, KitStaged | KitSettled) and e.job == job]
        return bool(kits) and isinstance(kits[-1], KitStaged)

    def _was_staged(self, job: str, name: str, before: int) -> bool:
        kits = (e for e in self.events[:before] if isinstance(e, KitStaged) and e.job == job)
        return any(line.lot == name for event in kits for line in event.lines)

    @invariant()
    def no_filter_is_in_two_places(self) -> None:
        """A serial number stands in one lot, and is left, staged once, used once, or gone."""
        serials = Counter(item.lot.serial for item in self.store.lots.values() if item.lot.serial)
        assert all(count == 1 for count in serials.values())
        kept = {plain_serial(item.lot.serial): name for name, item in self.store.lots.items() if item.lot.serial}
        assert dict(self.store.serials) == kept, "a filter is found by the number that it has now, and by no other"
        for item in self.store.lots.values():
            if item.lot.serial:
                assert item.left + sum(item.staged.values()) + sum(item.used.values()) <= 1

    @invariant()
    def what_is_here_and_not_inspected_waits(self) -> None:
        """What waits to be inspected is known without looking through all that is here."""
        waits = {item.lot.id for item in self.store.at_hand() if item.verdict == "not inspected"}
        assert set(self.store.to_inspect) == waits

    @invariant()
    def what_differs_was_explained(self) -> None:
        """No kit is settled with a difference that nobody explained."""
        for job, event in self.store.settled.items():
            held = [self.store.lots[name].lot.kind for name in self.store.kits[job]]
            gone = sum(item.used.get(job, 0) for item in self.store.lots.values() if item.lot.kind is Kind.BAG)
            assert gone == event.used.get("bag", 0) or event.explained or Kind.BAG not in held


StoreRoom.TestCase.settings = settings(max_examples=120, stateful_step_count=40, deadline=None)
TestStoreRoom = StoreRoom.TestCase
