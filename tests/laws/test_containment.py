"""Laws of the containment model, from arbitrary reachable states."""

from hypothesis import given, settings

from app.domain.containment.effects import MENDING_ACTS, SAFE_ACTS
from app.domain.containment.mishaps import Mishap, Spot, happen, spots
from app.domain.containment.rest import nearest_rest, port_rests, rests
from app.domain.containment.rules import attempt, every_effect, left_over
from app.domain.containment.state import HousingState, barriers
from tests.laws.predicates import barrier_count, lawful, must_mend_first, nothing_left, went_bare
from tests.laws.reachable import allowed_effects, any_states, states, struck

MANY = settings(max_examples=300, deadline=None)


@MANY
@given(state=states())
def test_no_allowed_effect_leaves_a_contaminated_port_bare(state: HousingState) -> None:
    """After every allowed effect each port of a contaminated housing has a barrier (R1)."""
    for effect in allowed_effects(state):
        after = attempt(state, effect).state

        assert not after.needs_barrier or all(barrier_count(after, port) >= 1 for port in after.ports), effect


@MANY
@given(state=states())
def test_the_model_allows_exactly_what_the_trade_allows(state: HousingState) -> None:
    """An effect is allowed if and only if the trade's own conditions hold and no port is left bare (R0 to R10)."""
    for effect in every_effect(state):
        outcome = attempt(state, effect)
        bare = went_bare(state, outcome.state)

        assert outcome.allowed == (lawful(state, effect) and not bare), (effect, outcome.broken)


@settings(max_examples=700, deadline=None)
@given(state=any_states())
def test_the_model_and_the_trade_agree_in_any_state(state: HousingState) -> None:
    """Also in states that no lawful work reaches, an effect is allowed if and only if the trade would allow it."""
    for effect in every_effect(state):
        outcome = attempt(state, effect)
        bare = went_bare(state, outcome.state)

        assert outcome.allowed == (lawful(state, effect) and not bare), (effect, outcome.broken)
        assert ("R1" in {item.rule for item in outcome.broken}) == (bare or must_mend_first(state, effect)), (
            effect,
            outcome.broken,
        )
    assert (left_over(state) == ()) == nothing_left(state)


@MANY
@given(state=states())
def test_barriers_are_counted_by_the_words_of_the_rule(state: HousingState) -> None:
    """The number shown as barriers now is the number of doors, bags and stubs that hold."""
    assert [barriers(port, state.closure_rule) for port in state.ports] == [
        barrier_count(state, port) for port in state.ports
    ]


@MANY
@given(state=states())
def test_every_broken_rule_has_a_sentence_that_names_the_place(state: HousingState) -> None:
    """A refusal is a sentence for a person, and at a port it names the port."""
    for effect in every_effect(state):
        for broken in attempt(state, effect).broken:
            assert len(broken.sentence.split()) >= 4
            assert effect.port is None or effect.port in broken.sentence


@MANY
@given(state=states())
def test_the_nearest_rest_is_reached_by_allowed_effects_and_is_a_rest(state: HousingState) -> None:
    """From any reachable state the way to rest is allowed step by step and ends at rest; at rest it is empty."""
    path = nearest_rest(state)

    assert path is not None
    assert (path == ()) == rests(state)
    for effect in path:
        outcome = attempt(state, effect)
        assert outcome.allowed
        state = outcome.state
    assert rests(state)


@settings(max_examples=60, deadline=None)
@given(state=states())
def test_no_shorter_way_to_rest_exists(state: HousingState) -> None:
    """Trying every allowed act at a port finds no rest in fewer acts than nearest_rest says, up to two."""
    for port in state.ports:
        own = [effect for effect in nearest_rest(state) or () if effect.port == port.id]
        if len(own) < 2:
            continue
        for first in allowed_effects(state):
            after = attempt(state, first).state
            assert first.port != port.id or not port_rests(after, after.port(port.id)), first


@MANY
@given(state=states())
def test_filters_are_neither_made_nor_lost_by_an_allowed_effect(state: HousingState) -> None:
    """Spent filters inside, in bags and in packages stay the same in number; new ones only come in by loading."""
    for effect in allowed_effects(state):
        after = attempt(state, effect).state

        assert _filters(after, "spent") == _filters(state, "spent"), effect
        brought = effect.act in ("load_filter_into_bag", "slide_filter_in")
        assert _filters(after, "new") - _filters(state, "new") in ((0, 1) if brought else (0,)), effect


def _filters(state: HousingState, kind: str) -> int:
    count = sum(package.filter == kind for package in state.accounted)
    for port in state.ports:
        count += sum(fill == kind for fill in port.positions)
        count += sum(sleeve.filter == kind for sleeve in port.ring)
        count += sum(package.filter == kind for package in port.packages)
        count += port.waiting is not None and port.waiting.filter == kind
    return count


@MANY
@given(state=states())
def test_stubs_are_made_by_cuts_alone_and_never_lost(state: HousingState) -> None:
    """Each cut makes one stub, and every stub is on a ring, in a bag or in a package."""
    for effect in allowed_effects(state):
        after = attempt(state, effect).state

        assert _stubs(after) - _stubs(state) == (1 if effect.act == "cut" else 0), effect


def _stubs(state: HousingState) -> int:
    count = sum(package.stubs for package in state.accounted)
    for port in state.ports:
        count += sum(sleeve.stubs + (sleeve.kind == "stub") for sleeve in port.ring)
        count += sum(package.stubs for package in port.packages)
    return count


@MANY
@given(drawn=struck())
def test_a_mishap_lowers_barriers_and_nothing_else_is_done_at_a_bare_port(
    drawn: tuple[HousingState, Mishap, HousingState],
) -> None:
    """No mishap adds a barrier; at a port that it leaves bare every allowed act mends, or makes the housing safe."""
    before, _, after = drawn

    bare = [port.id for port in after.ports if after.needs_barrier and barrier_count(after, port) == 0]

    for port in after.ports:
        assert barrier_count(after, port) <= barrier_count(before, before.port(port.id))
    for effect in allowed_effects(after) if bare else ():
        assert effect.act in SAFE_ACTS or (effect.act in MENDING_ACTS and effect.port in bare), effect


@MANY
@given(drawn=struck())
def test_after_a_mishap_the_model_allows_exactly_what_the_trade_allows(
    drawn: tuple[HousingState, Mishap, HousingState],
) -> None:
    """Also after something went wrong, an effect is allowed if and only if the trade's own conditions hold."""
    _, _, state = drawn

    for effect in every_effect(state):
        outcome = attempt(state, effect)
        bare = went_bare(state, outcome.state)

        assert outcome.allowed == (lawful(state, effect) and not bare), (effect, outcome.broken)


@MANY
@given(drawn=struck())
def test_after_every_mishap_allowed_acts_lead_to_a_resting_state(
    drawn: tuple[HousingState, Mishap, HousingState],
) -> None:
    """From any state in which something went wrong there is a way to rest, each act of it allowed."""
    _, mishap, state = drawn

    path = nearest_rest(state)

    assert path is not None, mishap
    for effect in path:
        outcome = attempt(state, effect)
        assert outcome.allowed, (mishap, effect, outcome.broken)
        state = outcome.state
    assert rests(state)


@MANY
@given(state=states())
def test_a_mishap_happens_only_where_the_model_says_that_it_can(state: HousingState) -> None:
    """A bag tears only on a ring whose door is off, a band fails only where there is one; elsewhere nothing changes."""
    for mishap in Mishap:
        found = spots(state, mishap)
        for port in state.ports:
            bag = port.ring[-1] if port.ring and port.ring[-1].kind == "bag" else None
            if mishap is Mishap.TEAR_BAG:
                assert (Spot(port.id) in found) == (port.door == "off" and bag is not None and bag.intact)
            if Spot(port.id) not in found:
                assert happen(state, mishap, Spot(port.id)) == state
