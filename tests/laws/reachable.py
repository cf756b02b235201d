"""Arbitrary reachable states: some way along a shipped procedure, then a few allowed acts at random."""

from dataclasses import replace
from functools import lru_cache
from pathlib import Path

from hypothesis import strategies as st

from app.domain.containment.effects import Effect
from app.domain.containment.mishaps import Mishap, happen, spots
from app.domain.containment.rules import attempt, every_effect
from app.domain.containment.state import (
    Closure,
    Damper,
    Door,
    Fan,
    Filling,
    HousingState,
    Inside,
    Isolation,
    Kind,
    Package,
    PortState,
    Sleeve,
)
from app.domain.examine import sample_housing
from app.domain.housing import Bank, Housing, Seal, Service
from app.domain.procedure import Procedure, read_procedure
from app.domain.steps import Step, begin_with, expand

closures = st.builds(
    Closure,
    ring_ties=st.integers(0, 1),
    ring_bands=st.integers(0, 1),
    package_ties=st.integers(0, 1),
    package_bands=st.integers(0, 1),
)
PROCEDURES = Path(__file__).resolve().parents[2] / "seed_data" / "procedures"


@lru_cache
def shipped(name: str) -> Procedure:
    """Return a shipped procedure."""
    return read_procedure((PROCEDURES / f"{name}.toml").read_text("utf-8"), name=name)


@lru_cache(maxsize=256)
def laid(name: str, seal: Seal, service: Service, filters: tuple[int, ...]) -> tuple[Housing, tuple[Step, ...]]:
    """Return a sample housing and the steps of a procedure over it."""
    housing = sample_housing(seal, service, filters)
    return housing, expand(shipped(name), housing)


@lru_cache(maxsize=256)
def line_of_states(name: str, seal: Seal, service: Service, filters: tuple[int, ...]) -> tuple[HousingState, ...]:
    """Return every state along a procedure, the first included."""
    housing, steps = laid(name, seal, service, filters)
    state = begin_with(shipped(name), housing)
    states = [state]
    for step in steps:
        for effect in step.effects:
            state = attempt(state, effect).state
            states.append(state)
    return tuple(states)


@st.composite
def states(draw: st.DrawFn) -> HousingState:
    """Draw a reachable state."""
    line = line_of_states(
        draw(st.sampled_from(["change-out", "change-out", "first-fit-out"])),
        draw(st.sampled_from(list(Seal))),
        draw(st.sampled_from([Service.RADIOACTIVE, Service.BIOLOGICAL, Service.GENERAL])),
        draw(st.sampled_from([(1,), (2,), (3,), (2, 1)])),
    )
    state = line[draw(st.integers(0, len(line) - 1))]
    for _ in range(draw(st.integers(0, 5))):
        choices = [effect for effect in every_effect(state) if attempt(state, effect).allowed]
        state = attempt(state, draw(st.sampled_from(choices))).state
    return state


@st.composite
def struck(draw: st.DrawFn) -> tuple[HousingState, Mishap, HousingState]:
    """Draw a reachable state, something that can go wrong in it, and the state after that."""
    state = draw(states())
    mishap = draw(st.sampled_from([item for item in Mishap if spots(state, item)]))
    return state, mishap, happen(state, mishap, draw(st.sampled_from(spots(state, mishap))))


def allowed_effects(state: HousingState) -> list[Effect]:
    """Return the effects that the model allows here."""
    return [effect for effect in every_effect(state) if attempt(state, effect).allowed]


@st.composite
def any_states(draw: st.DrawFn) -> HousingState:
    """Draw any state at all, reachable or not: what the rules say must not depend on how it came about.

    Two kinds are drawn more often, because several rules meet there and each must be seen alone: a torn bag under one
    that hands can work through, behind a verified isolation, and a port that is closed up.
    """
    fillings = st.sampled_from(list(Filling))
    count = draw(st.integers(1, 3))
    bag = st.builds(
        Sleeve,
        kind=st.just(Kind.BAG),
        strapped=st.booleans(),
        intact=st.sampled_from([True, True, False]),
        extended=st.booleans(),
        filter=fillings,
        stubs=st.integers(0, 1),
        closure=st.one_of(st.none(), closures),
    )
    stub = st.builds(
        Sleeve,
        kind=st.just(Kind.STUB),
        strapped=st.booleans(),
        intact=st.sampled_from([True, True, False]),
        extended=st.just(False),
        closure=closures,
        taped=st.booleans(),
    )
    torn = bag.map(lambda one: replace(one, intact=False))
    rings = st.one_of(
        st.just(()), bag.map(lambda one: (one,)), stub.map(lambda one: (one,)), st.tuples(stub, bag),
        st.tuples(torn, bag), st.tuples(stub, torn, bag),
    )  # fmt: skip
    package = st.builds(
        Package, port=st.just("P1"), number=st.just(1), filter=fillings, stubs=st.integers(0, 1), taped=st.booleans()
    )
    port = PortState(
        id="P1",
        bank=Bank.HEPA,
        positions=tuple(draw(fillings) for _ in range(count)),
        door=draw(st.sampled_from(list(Door))),
        ring=draw(rings),
        clamp_set=draw(st.booleans()),
        waiting=draw(st.one_of(st.none(), bag)),
        packages=draw(st.lists(package, max_size=2).map(tuple)),
        gasket=draw(st.sampled_from([True, True, False])),
    )
    kind = draw(st.sampled_from(["any", "any", "through a bag", "closed up"]))
    if kind != "any":
        strapped = replace(draw(bag), strapped=True, intact=True, closure=None)
        bags = (draw(torn), replace(strapped, extended=True)) if kind == "through a bag" else (strapped,)
        port = replace(port, ring=bags, door=Door.OFF if kind == "through a bag" else Door.SHUT)
        port = replace(port, clamp_set=draw(st.sampled_from([True, True, False])) if kind == "closed up" else False)
    isolation = Isolation.VERIFIED if kind == "through a bag" else draw(st.sampled_from(list(Isolation)))
    return HousingState(
        seal=draw(st.sampled_from(list(Seal))),
        service=draw(st.sampled_from(list(Service))),
        upstream=draw(st.sampled_from(list(Damper))),
        downstream=draw(st.sampled_from(list(Damper))),
        fan=draw(st.sampled_from(list(Fan))),
        isolation=isolation,
        inside=draw(st.sampled_from(list(Inside))),
        in_service=draw(st.booleans()),
        ports=(port,),
    )
