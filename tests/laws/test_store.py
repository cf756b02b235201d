"""Laws of the store room: whatever people enter, counts balance, no filter is in two places, nothing bad is staged."""

from collections import Counter
from datetime import date, timedelta

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from app.calc.errors import Invalid
from app.domain.refused import Refused
from app.domain.registers import SiteMoment
from app.domain.store import (
    Kind,
    KitSettled,
    KitStaged,
    LotCounted,
    LotReceived,
    Store,
    StoreEvent,
    evolve_store,
    why_not,
)
from app.domain.storing import kit_settled, kit_staged, lot_counted, lot_inspected, lot_received, receipt_items
from tests.builders import HANDS

LOTS, JOBS = ("L1", "L2", "F1", "F2"), ("job-1", "job-2")
lots, jobs, counts = st.sampled_from(LOTS), st.sampled_from(JOBS), st.integers(0, 6).map(str)


class StoreRoom(RuleBasedStateMachine):
    """People enter what they like; time passes."""

    def __init__(self) -> None:
        super().__init__()
        self.store, self.today, self.events = Store(), date(2026, 3, 2), list[StoreEvent]()

    @property
    def moment(self) -> SiteMoment:
        """Return now."""
        return SiteMoment(seq=len(self.events), at=f"{self.today}T08:00:00.000Z", today=self.today, by=HANDS)

    def _enter(self, event: StoreEvent) -> None:
        if isinstance(event, KitStaged):
            for line in event.lines:
                assert why_not(self.store.lots[line.lot], on=self.today) == "", "nothing bad is ever staged"
        self.store = evolve_store(self.store, event)
        self.events.append(event)

    @initialize(ready=st.booleans())
    def begin(self, ready: bool) -> None:
        """Start from an empty room, or from one with bags and a filter that were accepted."""
        for lot in ("L1", "F1") if ready else ():
            self.receive(lot=lot, count="6", serial="S1", age=10)
            self.inspect(lot=lot, verdict="accepted", bad=False)

    @rule(lot=lots, count=counts, serial=st.sampled_from(["S1", "S2"]), age=st.integers(0, 3700))
    def receive(self, lot: str, count: str, serial: str, age: int) -> None:
        """Something comes in."""
        made = (self.today - timedelta(days=age)).isoformat()
        typed = {"id": lot, "kind": "filter", "what": "type", "serial": serial, "made": made}
        if lot.startswith("L"):
            typed = {"id": lot, "kind": "bag", "what": "ring", "count": count, "made": made,
                     "use_by": (self.today + timedelta(days=30)).isoformat()}  # fmt: skip
        try:
            self._enter(lot_received(self.store, self.moment, typed))
        except (Invalid, Refused):
            return

    @rule(lot=lots, verdict=st.sampled_from(["accepted", "accepted", "held back", "rejected"]), bad=st.booleans())
    def inspect(self, lot: str, verdict: str, bad: bool) -> None:
        """Somebody inspects a lot."""
        kind = Kind.BAG if lot.startswith("L") else Kind.FILTER
        seen = {name: item.bad if bad and name == "order" else item.good for name, item in receipt_items(kind).items()}
        try:
            self._enter(lot_inspected(self.store, self.moment, lot=lot, seen=seen, verdict=verdict, reason="as seen"))
        except (Invalid, Refused):
            return

    @rule(lot=lots, now=counts)
    def count(self, lot: str, now: str) -> None:
        """Somebody counts."""
        try:
            self._enter(lot_counted(self.store, self.moment, lot=lot, now=now, reason="counted again"))
        except (Invalid, Refused):
            return

    @rule(job=jobs, lot=lots, count=st.sampled_from(["1", "1", "3", "6"]))
    def stage(self, job: str, lot: str, count: str) -> None:
        """Somebody stages so many of a lot."""
        try:
            self._enter(kit_staged(self.store, self.moment, job=job, lines={lot: count}))
        except (Invalid, Refused):
            return

    @rule(job=jobs, back=counts, used=st.integers(0, 4), why=st.sampled_from(["", "lost on the roof"]))
    def settle(self, job: str, back: str, used: int, why: str) -> None:
        """Somebody settles a kit."""
        given = {item.lot.id: back for item, _ in self.store.kit(job)}
        try:
            self._enter(kit_settled(self.store, self.moment, job=job, back=given, used={Kind.BAG: used}, explained=why))
        except (Invalid, Refused):
            return

    @rule(days=st.sampled_from([1, 20, 400]))
    def wait(self, days: int) -> None:
        """Time passes."""
        self.today += timedelta(days=days)

    @invariant()
    def counts_balance(self) -> None:
        """Received, with what counting changed, is left, staged, or used by a settled job; nothing is below none."""
        for name, item in self.store.lots.items():
            own = [event for event in self.events if isinstance(event, LotReceived) and event.lot.id == name]
            counted = sum(e.now - e.was for e in self.events if isinstance(e, LotCounted) and e.lot == name)
            used = self._used(name)
            assert len(own) == 1, "a number is given once"
            assert own[0].lot.count + counted == item.left + sum(item.staged.values()) + used
            assert item.left >= 0
            assert all(count > 0 for count in item.staged.values())

    def _used(self, name: str) -> int:
        staged, used = Counter[str](), 0
        for event in self.events:
            if isinstance(event, KitStaged):
                staged[event.job] += sum(line.count for line in event.lines if line.lot == name)
            if isinstance(event, KitSettled):
                used += staged.pop(event.job, 0) - sum(line.count for line in event.back if line.lot == name)
        return used

    @invariant()
    def no_filter_is_in_two_places(self) -> None:
        """A serial number stands in one lot, and is left, staged once, or gone."""
        serials = Counter(item.lot.serial for item in self.store.lots.values() if item.lot.serial)
        assert all(count == 1 for count in serials.values())
        for item in self.store.lots.values():
            if item.lot.serial:
                assert item.left + sum(item.staged.values()) <= 1

    @invariant()
    def what_differs_was_explained(self) -> None:
        """No kit is settled with a difference that nobody explained."""
        for job, event in self.store.settled.items():
            gone = sum(item.used.get(job, 0) for item in self.store.lots.values() if item.lot.kind is Kind.BAG)
            assert gone == event.used.get("bag", 0) or event.explained or not self._held_bags(job)

    def _held_bags(self, job: str) -> bool:
        return any(self.store.lots[name].lot.kind is Kind.BAG for name in self.store.kits[job])


StoreRoom.TestCase.settings = settings(max_examples=60, stateful_step_count=40, deadline=None)
TestStoreRoom = StoreRoom.TestCase
