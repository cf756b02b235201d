"""Laws of packages: over any housing and any order of jobs nothing is forgotten, invented or in two places.

Jobs are driven through their fold, which takes whatever happens: forwards, stopped, with contingencies, marks taken
back, left for good in the middle; the next job on the housing begins with what the last one left on the rings.
"""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from functools import lru_cache

from hypothesis import given, settings
from hypothesis import strategies as st

from app.calc.errors import ChangeoutError
from app.domain.containment.effects import Act
from app.domain.containment.mishaps import Mishap
from app.domain.containment.state import HousingState, Kind
from app.domain.contingency import ContingencyEntered, lay_contingencies
from app.domain.deciding.contingency import possible, way_back_of
from app.domain.events import Event, JobOpened, JobReopened, JobStopped, StepDone, StepWithdrawn
from app.domain.housing import Seal, Service
from app.domain.job import JobState, evolve
from app.domain.packages import WastePackage, fitted_serials, job_number, left_on_rings, packages_of
from app.domain.registers import SiteMoment
from app.domain.site import SiteEvent, SiteState, evolve_site, site_event_from_bytes
from app.domain.steps import begin_with
from app.domain.takeoff import take_off
from app.domain.waste import CLOSED, Whereabouts
from app.domain.wasting import (
    certificate_received,
    closure_checked,
    container_kept,
    handed_over,
    open_account,
    package_missing,
    packages_placed,
    packages_told,
    waste_returned,
    where_of,
)
from app.ledger.canonical import canonical
from app.services.planning import Plan, first_entry
from tests.builders import HANDS, KEEPER, LEAD, OTHER_LEAD
from tests.laws.reachable import laid, shipped

TEARS = frozenset({Mishap.TEAR_BAG, Mishap.DROP_SPENT_FILTER, Mishap.DROP_NEW_FILTER})
FITS = frozenset({Act.FIT_BAG, Act.FIT_OVERBAG})
AT = "2026-03-02T07:15:00.000Z"
IN_BOX = Whereabouts.CONTAINER

kinds = st.tuples(
    st.sampled_from(Seal), st.sampled_from((Service.RADIOACTIVE, Service.POTENT_COMPOUND)),
    st.lists(st.integers(1, 3), min_size=1, max_size=2).map(tuple),
)  # fmt: skip
acts = st.lists(
    st.tuples(st.sampled_from(("wrong", "wrong", "stop", "back", "on")), st.integers(0, 50), st.integers(1, 90)),
    min_size=1, max_size=5,
)  # fmt: skip
jobs = st.lists(st.tuples(acts, st.booleans()), min_size=1, max_size=3)
"""What happens in each job, and whether it is carried to its end or left there for good."""


@lru_cache(maxsize=64)
def _plan(name: str, kind: tuple[Seal, Service, tuple[int, ...]]) -> Plan:
    housing, steps = laid(name, *kind)
    procedure = shipped(name)
    start = begin_with(procedure, housing)
    kept = lay_contingencies(procedure, housing)
    return Plan(housing, procedure, "0" * 64, steps, start, take_off(steps, housing, start), (), kept)


@dataclass
class Told:
    """One job as it is told, with what the laws count beside the program: fitted bags and torn ones, by port."""

    opened: JobOpened
    state: JobState = field(default_factory=JobState)
    fits: Counter[str] = field(default_factory=Counter)
    tears: Counter[str] = field(default_factory=Counter)

    def __post_init__(self) -> None:
        """Begin it."""
        self.tell(self.opened)

    def tell(self, event: Event) -> None:
        """Let it happen."""
        self.state = evolve(self.state, event)

    def base(self) -> dict[str, object]:
        """Return what every entry has."""
        return {"ledger": self.opened.ledger, "seq": self.state.size, "at": AT, "by": HANDS}

    def on(self, steps: int) -> None:
        """Do so many steps."""
        for _ in range(steps):
            due = self.state.due
            if due is None:
                return
            if due.id not in self.state.applied:
                self.fits.update(item.port for item in due.effects if item.act in FITS and item.port)
            self.tell(StepDone(**self.base(), step=due.id, in_hand_since=AT))

    def wrong(self, which: int) -> None:
        """Let one of the things happen that can go wrong here, and put its steps in."""
        ways = possible(self.state)
        if not ways or self.state.due is None:
            return
        kept, spot = ways[which % len(ways)]
        back = way_back_of(self.state, kept, spot)
        if back is None:
            return
        self.stop()
        if kept.occurs in TEARS and spot.port:
            self.tears[spot.port] += 1
        self.tell(
            ContingencyEntered(
                **self.base(), contingency=kept.id, title=kept.title, port=spot.port, position=spot.position,
                step=self.state.due.id, reason="seen", returns_to=back.returns_to, due_again=back.due_again,
                left=back.left, extra=back.extra or None,
            )
        )  # fmt: skip

    def stop(self) -> None:
        """Stop the job."""
        self.tell(JobStopped(**self.base(), reason="unexpected", text="seen"))

    def take_back(self, places: int) -> None:
        """Take back a mark; the world stays as it is."""
        done = [step.id for step in self.state.steps if self.state.mark(step.id).done is not None]
        if done:
            name = done[-1 - places % len(done)]
            self.tell(StepWithdrawn(**self.base(), step=name, reason="ticked by mistake", due_again=(name,)))

    def work(self, told: Sequence[tuple[str, int, int]], *, whole: bool) -> None:
        """Let all of it happen, each after so many steps, to the end or not."""
        for what, number, steps in told:
            self.on(steps)
            match what:
                case "on":
                    self.on(number)
                case "wrong":
                    self.wrong(number)
                case "stop":
                    self.stop()
                    self.tell(JobReopened(**self.base(), answer="seen, safe"))
                case _:
                    self.take_back(number)
        if whole:
            self.on(10_000)

    @property
    def model(self) -> HousingState:
        """The housing now."""
        assert self.state.model is not None
        return self.state.model


def _history(kind: tuple[Seal, Service, tuple[int, ...]], told: Sequence[tuple[object, bool]]) -> Iterator[Told]:
    """Yield the jobs of one housing, the first fit-out before them."""
    rings: tuple[object, ...] = ()
    first = "first-fit-out"
    for number, (acts_of, whole) in enumerate([((), True), *told], start=1):
        made = _plan(first if number == 1 else "change-out", kind)
        opened = first_entry(made, site=SiteState(name="laws"), by=LEAD, at=AT, crew=(HANDS,), rehearsal=False)
        update = {"rings": rings, "number": f"2026-{number:04}", "ledger": f"job-2026-{number:04}"}
        one = Told(opened.model_copy(update=update))
        one.work(acts_of, whole=whole)  # type: ignore[arg-type]
        rings = left_on_rings(one.state)
        yield one


@settings(max_examples=120, deadline=None)
@given(kind=kinds, told=jobs)
def test_every_package_has_one_number_and_every_stub_leaves_once(
    kind: tuple[Seal, Service, tuple[int, ...]], told: Sequence[tuple[object, bool]]
) -> None:
    """Packages numbered are those that the model made; stubs, torn and whole bags balance over all jobs."""
    cut, left, torn, torn_left = Counter[str](), Counter[str](), Counter[str](), Counter[str]()
    for one in _history(kind, told):
        packages = packages_of(one.state)
        in_model = [item for port in one.model.ports for item in port.packages] + list(one.model.accounted)

        assert [item.name for item in packages] == [
            f"{one.opened.number}/{n}" for n in range(1, 1 + sum(port.cuts for port in one.model.ports))
        ]
        assert Counter((item.port, item.filling, item.stubs, item.torn) for item in packages) == Counter(
            (item.port, item.filter, item.stubs, item.torn_inside) for item in in_model
        )
        for port in one.model.ports:
            mine = [item for item in packages if item.port == port.id]
            before = next((item for item in one.opened.rings or () if item.port == port.id), None)
            ring = [sleeve for sleeve in port.ring if sleeve.kind is Kind.BAG]
            begun = 0 if one.opened.kind == "first_fit_out" else 1
            in_bags = sum(sleeve.torn_inside for sleeve in ring) + sum(item.torn for item in mine)
            assert begun + one.fits[port.id] + (before.torn if before else 0) == len(mine) + len(ring) + in_bags
            cut[port.id] += port.cuts
            torn[port.id] += one.tears[port.id]
            left[port.id] += sum(item.stubs for item in mine)
            torn_left[port.id] += sum(item.torn for item in mine)
        for item in left_on_rings(one.state):
            assert cut[item.port] == left[item.port] + item.stubs
            assert torn[item.port] == torn_left[item.port] + item.torn
        if one.state.due is None:
            assert all(item.stubs == (one.model.port(item.port).cuts > 0) for item in left_on_rings(one.state))
            places = {(port.id, n) for port in one.opened.housing.ports for n in range(1, port.filters + 1)}
            assert set(fitted_serials(one.state)) <= places


def test_the_first_package_of_the_next_job_carries_the_stub_that_was_left() -> None:
    """Two filters: after a fit-out one stub leaves with the second filter; at the next change-out one with each."""
    kind = (Seal.GASKET, Service.RADIOACTIVE, (2,))
    fit_out, first, second = _history(kind, [((), True), ((), True)])

    assert packages_of(fit_out.state) == ()
    assert [item.contents for item in packages_of(first.state)] == [
        "spent filter", "spent filter with 1 stub", "filter-less bag with 1 stub",
    ]  # fmt: skip
    assert [item.stubs for item in packages_of(second.state)] == [1, 1, 1]
    assert left_on_rings(second.state)[0].stubs == 1


# --- one place each -----------------------------------------------------------------------------------


@dataclass
class Yard:
    """The site's ledger over some packages, and beside it a plain note of where each is and what left in which box."""

    known: Mapping[str, WastePackage]
    state: SiteState = field(default_factory=SiteState)
    noted: dict[str, str] = field(default_factory=dict)
    left: dict[str, set[str]] = field(default_factory=dict)

    def moment(self) -> SiteMoment:
        """Return this moment, of somebody who sealed nothing."""
        return SiteMoment(self.state.size, AT, date(2026, 3, 2), OTHER_LEAD)

    def enter(self, event: SiteEvent) -> None:
        """Keep an entry as the ledger does, in bytes."""
        read = site_event_from_bytes(canonical(event.model_dump(mode="json", exclude_none=True)))
        self.state = evolve_site(self.state, read)

    def do(self, act: str, pick: int) -> None:
        """Try one thing with one or two packages; a refusal changes nothing."""
        names = sorted(self.known)
        one = names[pick % len(names)]
        two = tuple(dict.fromkeys((one, names[pick // 7 % len(names)])))
        box = f"B{pick % 2}"
        before = self.state
        try:
            self._do(act, one, two, box)
        except ChangeoutError as refusal:
            assert str(refusal)
            assert self.state is before

    def _do(self, act: str, one: str, two: tuple[str, ...], box: str) -> None:
        state, moment, waste = self.state, self.moment(), self.state.waste
        number = f"H-{max(1, len(waste.handovers) - len(one) % 2):04}"
        match act:
            case "told":
                self.enter(packages_told(state, moment, self.known, two, {"weight": "21.5", "sides": "640 640 320"}))
            case "closure":
                self.enter(closure_checked(state, moment, self.known, one, seen="taped and whole", whole=True))
            case "place":
                told = {"place": "store 4", "answers": "N. Haddad"}
                self.enter(packages_placed(state, moment, self.known, two, told))
                self.noted |= dict.fromkeys(two, "store 4")
            case "in":
                put = packages_placed(state, moment, self.known, two, {"container": box})
                self.enter(put)
                self.noted |= dict.fromkeys(put.packages, box)
            case "lost":
                told = {"how": "lost", "reason": "not on the pallet", "answers": "N. Haddad"}
                self.enter(package_missing(state, moment, self.known, one, told))
                self.noted[one] = "lost"
            case "out":
                told = {"receiver": "D. Roos", "organisation": "the carrier"}
                event = handed_over(
                    state, moment, self.known, two[:1], (box,) if waste.within(box) and box not in waste.sent else (),
                    told, local_time=AT, both=True,
                )  # fmt: skip
                self.left |= {box: {name for name, at in self.noted.items() if at == box} for box in event.containers}
                self.enter(event)
                self.noted |= dict.fromkeys(event.packages, event.handover)
            case "back":
                told = {"reason": "no label on it", "place": "store 4", "answers": "N. Haddad"}
                self.enter(waste_returned(state, moment, number, two, told))
                self.noted |= dict.fromkeys(two, "store 4")
            case _:
                out = waste.handovers[number].out if number in waste.handovers else ()
                self.enter(certificate_received(state, moment, number, "C-77", "2026-03-01"))
                self.noted |= dict.fromkeys(out, "gone")

    def complain(self) -> None:
        """Compare where each package is with the plain note, and every list with it."""
        waste = self.state.waste
        for name, package in self.known.items():
            where = where_of(waste, package)
            shown = {"gone, certificate received": "gone", "lost": "lost", "where it was made": ""}
            assert shown.get(where.kind, where.place) == self.noted.get(name, where.place if package.taken else "")
            lists = [box for box in waste.containers if name in waste.within(box) and box not in waste.sent]
            lists += [item.event.handover for item in waste.handovers.values() if name in item.out and self._out(item)]
            assert len(lists) == (where.kind in ("in a container", "handed over")), (name, lists)
            assert where.answers
        for box, number in waste.sent.items():
            assert not waste.within(box), number
            assert set(waste.contents(box)) == self.left[box]

        self._complain_of_lists()

    def _complain_of_lists(self) -> None:
        """Compare what is kept at hand with a walk over everything."""
        waste = self.state.waste
        known = {*waste.added, *waste.facts, *waste.closures, *waste.where, *waste.excused}
        assert set(waste.here) == known - {name for name, where in waste.where.items() if where.kind in CLOSED}
        assert set(waste.standing) == set(waste.containers) - set(waste.sent)
        assert {job: set(gone) for job, gone in waste.handed.items()} == {
            job: {name for name, item in waste.handovers.items() if job in map(job_number, item.event.packages)}
            for job in {job_number(name) for item in waste.handovers.values() for name in item.event.packages}
        }
        for box in waste.containers:
            inside = {name for name, where in waste.where.items() if (where.kind, where.place) == (IN_BOX, box)}
            assert set(waste.within(box)) == inside
        newest = sorted(waste.handovers.values(), key=lambda item: item.event.seq, reverse=True)
        awaited = [item for item in newest if item.out and item.certificate is None]
        assert set(waste.awaited) == {item.event.handover for item in awaited}
        assert list(waste.newest_handovers(2)) == [item for item in newest if item not in awaited][:2]

    @staticmethod
    def _out(item: object) -> bool:
        return getattr(item, "certificate") is None  # noqa: B009


@lru_cache
def _some_packages() -> Mapping[str, WastePackage]:
    kind = (Seal.GEL, Service.POTENT_COMPOUND, (2,))
    told = list(_history(kind, [((("on", 10, 90),), False), ((), True)]))
    return {item.name: item for one in told for item in packages_of(one.state)}


@settings(max_examples=150, deadline=None)
@given(
    acts=st.lists(
        st.tuples(
            st.sampled_from(("told", "told", "closure", "closure", "place", "in", "in", "lost", "out", "back", "paid")),
            st.integers(0, 500),
        ),
        min_size=20,
        max_size=20,
    ),
    weighed=st.booleans(),
)
def test_a_package_is_in_exactly_one_place(acts: Sequence[tuple[str, int]], weighed: bool) -> None:
    """Whatever is entered in whatever order, each package is in one place, and somebody answers for it."""
    yard = Yard(_some_packages())
    for name in ("B0", "B1"):
        yard.enter(
            container_kept(
                yard.state, SiteMoment(yard.state.size, AT, date(2026, 3, 2), KEEPER),
                {"container": name, "shape": "box", "inside": "1800 1200 1200", "empty_kg": "90", "most_kg": "200",
                 "basis": "its plate", "place": "yard", "answers": "B. Okafor"},
            )
        )  # fmt: skip
    if weighed:
        yard.enter(packages_told(yard.state, yard.moment(), yard.known, sorted(yard.known), {"weight": "21.5"}))
    for act, pick in acts:
        yard.do(act, pick)
        yard.complain()
    open_now = open_account(yard.state.waste, yard.known.values())
    assert all(any(name in told for told in open_now) or _is_told(yard, name) for name in yard.known)


def _is_told(yard: Yard, name: str) -> bool:
    waste, package = yard.state.waste, yard.known[name]
    settled = "weight" in waste.told(name) and where_of(waste, package).kind != "where it was made"
    return settled or where_of(waste, package).kind in ("lost", "gone, certificate received")
