"""Laws of a whole site: over any set of housings and any order of its jobs, stock, packages and stubs balance.

People receive, bar and accept lots, stage and settle kits; crews read whatever filter they like and carry on with
whatever the program lets them; time passes; a housing's next job begins with what its last one left; a lead opens the
last job again, corrects a serial number, and it is accepted once more, sooner or later.  What is fit, and where each
filter is, is told here from the entries alone.
"""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from functools import cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.calc.errors import Invalid
from app.calc.life import add_years
from app.domain import filling
from app.domain.commands import Command, Correct, Finish, Open, Withdraw
from app.domain.containment.effects import Act
from app.domain.containment.state import Kind as Sleeves
from app.domain.deciding import filters as deciding_filters
from app.domain.event_base import Who
from app.domain.events import Event, StepDone
from app.domain.filling import placed_by_job
from app.domain.fitting import reads_filter
from app.domain.housed import Housed, InPlace, evolve_housed, serial_key
from app.domain.housing import Housing
from app.domain.made import LeftOnRing
from app.domain.packages import left_on_rings, packages_of
from app.domain.picking import used_of
from app.domain.refused import Refused
from app.domain.registers import SiteMoment
from app.domain.site import SiteState
from app.domain.store import FilterTaken, Kind, Store, StoreEvent, evolve_store, plain_what
from app.domain.storing import kit_settled, kit_staged, lot_inspected, lot_received, receipt_items
from app.domain.watching import Watch
from app.records.moments import utc_text
from app.services.planning import first_entry, plan
from app.services.rehearsal import made_up_answers
from tests.builders import HANDS, LEAD, OTHER_LEAD, QUALIFIED, START, Bench, housing, procedure

HOUSES = ("EF-07", "EF-11", "EF-03", "EF-08")
"""The fourth is built like the first."""
WORDS = (
    "receive", "receive old", "bar", "accept", "stage", "settle", "work", "work", "work", "wait", "next", "correct",
    "again",
)  # fmt: skip
Told = tuple[str, int, int]
FITS = frozenset({Act.FIT_BAG, Act.FIT_OVERBAG})
MANY = 400
"""More steps than any of these jobs has left."""


def house(tag: str) -> Housing:
    """Return one of the housings."""
    return housing(tag) if tag != "EF-08" else housing("EF-07").model_copy(update={"tag": tag})


@cache
def begun(tag: str, number: int, rings: tuple[LeftOnRing, ...]) -> Bench:
    """Return a job that has come to its first door; no reading lapses in it."""
    made = plan(house(tag), procedure(), "0" * 64)
    draft = first_entry(made, site=SiteState(name="laws"), by=LEAD, at=utc_text(START), crew=(HANDS,), rehearsal=False)
    name = f"2026-{number:04}"
    bench = Bench(qualifications=QUALIFIED, ledger=f"job-{name}")
    bench.do(Open(draft.model_copy(update={"rings": rings, "number": name, "ledger": bench.ledger})), LEAD)
    bench.brief(HANDS)
    bench.run_to("open/door")
    assert bench.state.opened is not None
    calm = bench.state.opened.model_copy(update={"repeated": None})
    return replace(bench, state=replace(bench.state, opened=calm, watch=Watch()))


@dataclass
class Works:
    """A site: its store room, its register, one job at a time at each housing, and what is told beside the program."""

    tags: Sequence[str]
    store: Store = field(default_factory=Store)
    housed: Housed = field(default_factory=Housed)
    now: datetime = START + timedelta(hours=4)
    benches: dict[str, Bench] = field(default_factory=dict)
    ended: dict[str, Bench] = field(default_factory=dict)
    corrected: int = 0
    events: list[StoreEvent] = field(default_factory=list)
    verdicts: dict[str, str] = field(default_factory=dict)
    count: int = 0
    jobs: int = 0
    fits: Counter[tuple[str, str]] = field(default_factory=Counter)
    cuts: Counter[tuple[str, str]] = field(default_factory=Counter)
    left: Counter[tuple[str, str]] = field(default_factory=Counter)
    installed: int = 0

    def __post_init__(self) -> None:
        """Open a job at each housing, at a site that enters its filters."""
        self.receive(self.tags[0], old=False)
        for tag in self.tags:
            self.open(tag, ())

    def moment(self, by: Who = LEAD) -> SiteMoment:
        """Return now."""
        return SiteMoment(seq=len(self.events), at=utc_text(self.now), today=self.now.date(), by=by)

    def enter(self, event: StoreEvent) -> None:
        """Keep an entry of the store room."""
        self.store = evolve_store(self.store, event)
        self.events.append(event)
        if isinstance(event, FilterTaken) and self.verdicts.get(event.instead) == "accepted":
            self.verdicts[event.instead] = "not inspected"

    def open(self, tag: str, rings: tuple[LeftOnRing, ...]) -> None:
        """Open the next job of a housing."""
        self.jobs += 1
        come = begun(tag, self.jobs, rings)
        self.benches[tag] = replace(come, events=list(come.events))

    # --- the store room ----------------------------------------------------------------------------

    def receive(self, tag: str, *, old: bool, kind: Kind = Kind.FILTER, place: int = 0) -> str:
        """Receive something for a housing and accept it; what is old runs out in three days."""
        ports = house(tag).ports
        port = ports[place % len(ports)]
        self.count += 1
        lot, soon = f"L{self.count}", self.now.date() + timedelta(days=3)
        typed = {"id": lot, "kind": kind, "what": port.bag or port.ring or "bag", "count": "20"}
        typed |= {"use_by": str(soon)} if old else {}
        if kind is Kind.FILTER:
            made = soon.replace(year=soon.year - 10) if old else self.now.date() - timedelta(days=9)
            typed = {"id": lot, "kind": kind, "what": port.filter, "serial": f"S {lot}", "made": str(made)}
        self.enter(lot_received(self.store, self.moment(), typed, housed=self.housed))
        self.inspect(lot, "accepted")
        return lot

    def inspect(self, lot: str, verdict: str) -> None:
        """Give a lot a verdict."""
        seen = {name: item.good for name, item in receipt_items(self.store.lots[lot].lot.kind).items()}
        try:
            event = lot_inspected(self.store, self.moment(), lot=lot, seen=seen, verdict=verdict, reason="as seen")
        except Invalid:
            return
        self.enter(event)
        self.verdicts[lot] = verdict

    def fit(self, lot: str, on: date) -> bool:
        """Whether the entries say that a lot was accepted last, and has not run out on a day."""
        told = self.store.lots[lot].lot
        young = told.kind is not Kind.FILTER or (told.made is not None and add_years(told.made, 10) > on)
        return self.verdicts[lot] == "accepted" and young and (told.use_by is None or told.use_by >= on)

    def stage(self, tag: str, number: int) -> None:
        """Put some of what is left aside for a housing's job."""
        there = [item for item in self.store.at_hand() if item.left]
        for item in there[number % 3 :: 2]:
            try:
                lines = {item.lot.id: str(min(item.left, 6))}
                self.enter(kit_staged(self.store, self.moment(), job=self.benches[tag].ledger, lines=lines))
            except Invalid:
                continue

    def settle(self, tag: str) -> None:
        """Account for a kit: filters that were not read come back, of the rest half."""
        job = self.benches[tag].ledger
        back = {item.lot.id: str(1 if item.lot.serial else some // 2) for item, some in self.store.kit(job)}
        used = used_of(self.benches[tag].state)
        try:
            event = kit_settled(self.store, self.moment(), job=job, back=back, used=used, explained="counted twice")
        except Invalid:
            return
        self.enter(event)

    # --- a job -------------------------------------------------------------------------------------

    def do(self, tag: str, command: Command, by: Who, *, ended: bool = False) -> None:
        """Carry out a command; store room and register follow, as the service writes it.  ended: of the last job."""
        bench = (self.ended if ended else self.benches)[tag]
        bench.now, bench.store, bench.housed, before = self.now, self.store, self.housed, bench.state
        fresh = bench.do(command, by)
        self.now = bench.now
        for event in fresh:
            if not ended:
                self.look_at(tag, event, before.applied)
            if (moved := deciding_filters.filter_moved(before, event, self.store, len(self.events))) is not None:
                self.enter(moved)
            if (gone := filling.read_otherwise(self.housed, before, event, seq=len(self.events))) is not None:
                self.housed = evolve_housed(self.housed, gone)

    def look_at(self, tag: str, event: Event, applied: frozenset[str]) -> None:
        """Whatever goes in is fit on its day; bags are counted as they are fitted."""
        step = self.benches[tag].state.step(event.step) if isinstance(event, StepDone) else None
        if step is None or step.id in applied:
            return
        on = date.fromisoformat(event.at[:10])
        for effect in step.effects:
            if effect.act in FITS:
                self.fits[tag, effect.port or ""] += 1
            if effect.act is Act.SLIDE_IN:
                read = dict(self.read_at(tag))
                serial = read[effect.port or "", effect.position or 0]
                lot = self.store.of_serial(serial)
                assert lot is not None, "what goes in is known"
                assert self.fit(lot.lot.id, on), "no rejected or expired filter is ever installed"
                self.installed += 1
            if effect.act is Act.LOAD_FILTER:
                port = house(tag).port(effect.port or "")
                size = port.bag or port.ring or ""
                kit = [item.lot for item, _ in self.store.kit(self.benches[tag].ledger)]
                bags = [lot for lot in kit if lot.kind is Kind.BAG and plain_what(size) in ("", plain_what(lot.what))]
                assert not bags or any(self.fit(lot.id, on) for lot in bags), "no barred bag is ever fitted"

    def read_at(self, tag: str, *, ended: bool = False) -> Iterator[tuple[tuple[str, int], str]]:
        """Yield the serial number that a job has for each place; one due again holds it still."""
        state = (self.ended if ended else self.benches)[tag].state
        for step in state.steps:
            if reads_filter(step) and (answer := state.mark(step.id).evidence.answers.get("serial")):
                yield (step.port or "", step.position or 0), answer.text

    def work(self, tag: str, steps: int, number: int) -> None:
        """Work on; a crew reads any filter it finds, and a fit one in the end."""
        bench = self.benches[tag]
        for _ in range(steps):
            if bench.state.due is None:
                return
            try:
                if reads_filter(bench.state.due):
                    self.read(tag, number)
                else:
                    for command, by in bench.due_commands():
                        self.do(tag, command, OTHER_LEAD if by.role is LEAD.role else by)
            except Refused as no:
                self.make_way(tag, no, number)

    def read(self, tag: str, number: int) -> None:
        """Read the serial number of some filter of the site, and of a new one where that may not go in."""
        due = self.benches[tag].state.due
        assert due is not None
        lots = [item.lot for item in self.store.lots.values() if item.lot.serial]
        answers = made_up_answers(due, made_on=str(self.now.date() - timedelta(days=9)))
        try:
            self.do(tag, Finish(due.id, answers | {"serial": lots[number % len(lots)].serial}), HANDS)
        except Refused:
            port = [item.id for item in house(tag).ports].index(due.port or "")
            new = self.receive(tag, old=number % 3 == 0, place=port)
            self.do(tag, Finish(due.id, answers | {"serial": f"s{new.lower()}"}), HANDS)

    def make_way(self, tag: str, no: Refused, number: int) -> None:
        """Do what a refusal says: another filter or the lead's word, another lot of bags."""
        bench, due = self.benches[tag], self.benches[tag].state.due
        assert due is not None
        assert no.code in {"filter", "unfit_lot"}, str(no)
        if no.code == "unfit_lot":
            port = [item.id for item in house(tag).ports].index(due.port or "")
            bags = self.receive(tag, old=False, kind=Kind.BAG, place=port)
            self.enter(kit_staged(self.store, self.moment(), job=bench.ledger, lines={bags: "4"}))
            return
        reader = next(
            step for step in bench.state.steps
            if reads_filter(step) and (step.port, step.position) == (due.port, due.position)
        )  # fmt: skip
        lot = self.store.of_serial(bench.state.mark(reader.id).evidence.answers["serial"].text)
        if lot is not None and number % 2:
            self.inspect(lot.lot.id, "accepted")
        if lot is None or not self.fit(lot.lot.id, self.now.date()):
            self.do(tag, Withdraw(reader.id, "it may not go in"), HANDS)

    def next(self, tag: str) -> None:
        """Close a job whose work is done, as its acceptance does, and open the next one."""
        bench = self.benches[tag]
        if bench.state.due is not None:
            return
        self.balance_of(tag)
        for port in bench.state.model.ports if bench.state.model else ():
            self.cuts[tag, port.id] += port.cuts
        for item in packages_of(bench.state):
            self.left[tag, item.port] += item.stubs
        self.fits = Counter({key: count for key, count in self.fits.items() if key[0] != tag})
        self.take_over(bench)
        self.ended[tag] = bench
        self.open(tag, left_on_rings(bench.state))

    def take_over(self, bench: Bench) -> None:
        """Let the register take over what a job did, as its acceptance does."""
        placed = placed_by_job(
            self.housed, bench.state, seq=len(self.events), at=utc_text(self.now), by=LEAD, zone="UTC", store=self.store
        )
        if placed is not None:
            assert not placed.doubts, "what every step and entry has asked for is in doubt nowhere"
            self.housed = evolve_housed(self.housed, placed)

    def correct(self, tag: str, number: int) -> None:
        """Open the last job of a housing again and correct a serial number to that of another filter of the site."""
        bench = self.ended.get(tag)
        readers = [step for step in bench.state.steps if reads_filter(step)] if bench else []
        lots = [item.lot for item in self.store.lots.values() if item.lot.serial]
        step, now = readers[number % len(readers)] if readers else None, lots[number % len(lots)].serial
        if step is not None:
            try:
                self.do(tag, Correct(step.id, "serial", now, "the label was misread", again=now), LEAD, ended=True)
            except Refused:
                return
            self.corrected += 1

    def again(self, tag: str) -> None:
        """Accept the last job of a housing again, while nothing of a later one stands there."""
        bench = self.ended.get(tag)
        if bench is not None and bench.state.due is None:
            self.take_over(bench)

    # --- the laws ------------------------------------------------------------------------------------

    def balance(self) -> None:
        """Everything received is somewhere, once."""
        for name, item in self.store.lots.items():
            own = next(event.lot for event in self.events if event.type == "lot_received" and event.lot.id == name)
            assert own.count == item.left + sum(item.staged.values()) + sum(item.used.values())
            assert item.left >= 0
        places = Counter[str]()
        for item in self.store.lots.values():
            places[serial_key(item.lot.serial)] += bool(item.lot.serial) * (item.left + sum(item.staged.values()))
        for tag, bench in self.benches.items():
            read = [serial_key(serial) for _, serial in self.read_at(tag)]
            places.update(read)
            used = [item.lot for item in self.store.of_job(bench.ledger) if item.used.get(bench.ledger)]
            assert Counter(serial_key(lot.serial) for lot in used if lot.serial) == Counter(read)
            spots = {spot: now for spot, now in self.housed.spots(tag).items() if not self.is_drawn(tag, spot)}
            there = {(spot, serial_key(now.filter.serial)) for spot, now in spots.items() if now.filter is not None}
            if tag in self.ended:
                there |= self.read_by_ended(tag, spots)
            places.update(serial for _, serial in there)
            self.balance_of(tag)
        del places[""]
        assert all(count <= 1 for count in places.values()), "no filter is in two places"

    def read_by_ended(self, tag: str, spots: Mapping[tuple[str, int], InPlace]) -> set[tuple[tuple[str, int], str]]:
        """Return what the last job has read for the places that are still as it left them.

        A correction to what may not be there is kept, stops the job, and moves only what lay there for it.
        """
        bench = self.ended[tag]
        read = {(spot, serial_key(serial)) for spot, serial in self.read_at(tag, ended=True)}
        marks = [bench.state.mark(step.id).evidence for step in bench.state.steps if reads_filter(step)]
        fit = {
            serial_key(found.answers["serial"].text) for found in marks if found.within and "serial" in found.answers
        }
        lots = [item.lot for item in self.store.of_job(bench.ledger) if item.used.get(bench.ledger)]
        used = {serial_key(lot.serial) for lot in lots if lot.serial}
        assert fit <= used <= {serial for _, serial in read}
        return {
            (spot, serial)
            for spot, serial in read
            if serial in used and spot in spots and spots[spot].job == bench.ledger
        }

    def is_drawn(self, tag: str, spot: tuple[str, int]) -> bool:
        """Whether the job at hand has drawn out what stood in a place."""
        state = self.benches[tag].state
        return any(
            step.id in state.applied and effect.act is Act.DRAW_OUT and (effect.port, effect.position) == spot
            for step in state.steps
            for effect in step.effects
        )

    def balance_of(self, tag: str) -> None:
        """Every bag that was on a ring is in a package or still there, and every stub left once."""
        state = self.benches[tag].state
        assert state.model is not None
        packages = packages_of(state)
        number = state.opened.number if state.opened else ""
        cuts = sum(port.cuts for port in state.model.ports)
        assert [item.name for item in packages] == [f"{number}/{n}" for n in range(1, 1 + cuts)]
        known = {item.port: item.stubs for item in left_on_rings(state)}
        for port in state.model.ports:
            mine = [item for item in packages if item.port == port.id]
            ring = [sleeve for sleeve in port.ring if sleeve.kind is Sleeves.BAG]
            assert 1 + self.fits[tag, port.id] == len(mine) + len(ring)
            if port.id in known and (self.cuts[tag, port.id] or port.cuts):
                stubs = self.left[tag, port.id] + sum(item.stubs for item in mine)
                assert self.cuts[tag, port.id] + port.cuts == stubs + known[port.id]


def play(count: int, acts: Sequence[Told]) -> Works:
    """Let all of it happen at so many housings; the laws hold after each."""
    works = Works(HOUSES[:count])
    for what, which, number in acts:
        tag = works.tags[which % count]
        lots = sorted(works.store.lots)
        match what:
            case "receive" | "receive old":
                kind = Kind.FILTER if number % 3 else Kind.BAG
                works.receive(tag, old=what == "receive old", kind=kind, place=number)
            case "bar":
                works.inspect(lots[number % len(lots)], ("rejected", "held back")[number % 2])
            case "accept":
                works.inspect(lots[number % len(lots)], "accepted")
            case "stage":
                works.stage(tag, number)
            case "settle":
                works.settle(tag)
            case "work":
                works.work(tag, MANY if number % 5 == 0 else number, number)
            case "correct":
                works.correct(tag, number)
            case "again":
                works.again(tag)
            case "wait":
                works.now += timedelta(days=number % 5)
            case _:
                works.next(tag)
        works.balance()
    return works


@settings(max_examples=25, deadline=None)
@given(
    count=st.integers(1, 4),
    acts=st.lists(st.tuples(st.sampled_from(WORDS), st.integers(0, 3), st.integers(1, 60)), max_size=28),
)
def test_over_any_set_of_housings_all_balances_and_nothing_unfit_goes_in(count: int, acts: Sequence[Told]) -> None:
    """Whatever the order of receipts, verdicts, kits, work, days and next jobs."""
    play(count, acts)


LONG: tuple[Told, ...] = (
    ("receive", 0, 3), ("stage", 0, 3), ("work", 0, 14), ("bar", 0, 0), ("work", 0, 5), ("work", 1, 10),
    ("settle", 0, 1), ("next", 0, 1), ("work", 0, 5), ("next", 0, 1), ("receive old", 0, 1), ("work", 0, 9),
    ("wait", 0, 4), ("work", 0, 5), ("work", 1, 5), ("next", 1, 1), ("work", 1, 5), ("next", 1, 1),
)  # fmt: skip
"""Two housings, two jobs at each, with a lot that is barred on the way and one that runs out."""


def test_a_history_in_which_much_happens_balances() -> None:
    """Jobs end and begin, filters go in, at both housings: the laws are not asked of an empty site."""
    works = play(2, LONG)

    assert works.jobs >= 5
    assert works.installed >= 4
    assert sum(works.cuts.values()) >= 3


CORRECTED: tuple[Told, ...] = (
    ("stage", 0, 3), ("work", 0, 60), ("work", 1, 60), ("next", 0, 1), ("next", 1, 1), ("receive", 0, 1),
    ("receive", 0, 1), *(("correct", 0, number) for number in range(1, 9)), ("accept", 0, 1), ("accept", 0, 2),
    ("accept", 0, 3), ("work", 1, 5), ("again", 0, 1), ("work", 1, 9),
    *(("correct", 0, number) for number in range(1, 9)), ("again", 0, 1), ("work", 0, 60), ("again", 0, 1),
    ("next", 0, 1),
)  # fmt: skip
"""A job that ended is opened again and its serial numbers corrected; the other housing takes what it gave back."""


def test_a_serial_number_corrected_after_acceptance_moves_in_both_books() -> None:
    """The filter that was not there is in the store room again, and in place nowhere, before the new acceptance."""
    works = play(2, CORRECTED)

    assert works.corrected >= 3
    assert works.installed >= 2


@pytest.mark.parametrize("fault", ["nothing refused", "stock not moved", "rings forgotten", "the other book not asked"])
def test_a_seeded_fault_is_noticed(fault: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each law fails where the program is made to break it, in a history that is good without."""
    begun.cache_clear()
    match fault:
        case "nothing refused":
            monkeypatch.setattr("app.domain.deciding.work.complain_of_unfit", lambda *_: None)
            monkeypatch.setattr("app.domain.fitting.why_not", lambda *_, **__: "")
        case "stock not moved":
            monkeypatch.setattr(deciding_filters, "filter_moved", lambda *_: None)
        case "rings forgotten":
            monkeypatch.setattr("app.domain.packages.on_ring", lambda _: (0, 0))
        case _:
            monkeypatch.setattr("app.domain.fitting.Fitness._in_place", lambda *_: "")
            monkeypatch.setattr("app.domain.fitting.Fitness.why_not", lambda *_, **__: "")
    with pytest.raises(AssertionError):
        play(2, LONG)
    begun.cache_clear()


def test_a_register_that_keeps_what_a_record_no_longer_says_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """The law is broken where a correction leaves the filter in place that went back into the store room."""
    monkeypatch.setattr(filling, "read_otherwise", lambda *_, **__: None)
    with pytest.raises(AssertionError, match="no filter is in two places"):
        play(2, CORRECTED)
