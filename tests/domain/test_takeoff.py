"""The take-off against the closed forms, which were derived by an independent simulation of the bagging sequence.

Counts per cut (2 bands, 2 ties, 2 taped edges) are common practice, no source; the sequence is the trade's own.
"""

from dataclasses import dataclass

import pytest

from app.domain.examine import sample_housing
from app.domain.housing import Housing, Seal, Service
from app.domain.steps import begin_with, expand
from app.domain.takeoff import TakeOff, take_off
from app.records.deviations import extra_words
from app.records.wording import USE_WORDS, use_words
from app.services.planning import with_depths
from tests.builders import opened, procedure


def counted(house: Housing, name: str = "change-out") -> TakeOff:
    """Return the take-off of a whole job."""
    return take_off(expand(procedure(name), house), house, begin_with(procedure(name), house))


def house(*filters: int) -> Housing:
    """Return a gasket housing with these many filters behind its ports."""
    return sample_housing(Seal.GASKET, Service.RADIOACTIVE, filters)


@pytest.mark.parametrize("n", range(1, 7))
def test_one_port_follows_the_closed_form(n: int) -> None:
    """CV37 to CV39: 2N-1 bags and cuts, 2 ties, bands and edges a cut, N spent and N-1 filter-less packages."""
    total = counted(house(n)).total

    assert total == {
        "new_bags": 2 * n - 1,
        "cuts": 2 * n - 1,
        "tie_straps": 2 * (2 * n - 1),
        "metal_bands": 2 * (2 * n - 1),
        "edges_to_tape": 2 * (2 * n - 1),
        "spent_packages": n,
        "filterless_packages": n - 1,
    }


def test_ports_are_summed_and_not_multiplied() -> None:
    """CV40: ports of 2, 2 and 1 filters need 3 + 3 + 1 = 7 bags, not 2·5-1 = 9."""
    found = counted(house(2, 2, 1))

    assert found.total["new_bags"] == 7
    assert [found.per_port[port]["new_bags"] for port in ("P1", "P2", "P3")] == [3, 3, 1]


def test_replacing_only_the_second_of_four_takes_the_nearer_one_out_too() -> None:
    """CV41: N = 4, depth 2: 3 bags, 3 cuts, 2 filters out."""
    total = counted(with_depths(house(4), {"P1": 2})).total

    assert (total["new_bags"], total["cuts"], total["spent_packages"]) == (3, 3, 2)


def test_a_clean_fit_out_takes_one_bag_a_port_and_no_cut() -> None:
    """CV42: first fit-out, N = 3: 1 bag, 0 cuts, 0 packages."""
    found = counted(house(3), "first-fit-out")

    assert (found.total["new_bags"], found.total["cuts"], found.total["spent_packages"]) == (1, 0, 0)
    assert found.filters == {"24x24x11.5 gasket": 3}


@dataclass(frozen=True)
class Left:
    """What is left of an interrupted three-filter job."""

    cuts: int
    bags: int


def left_at(step: str) -> Left:
    """Return what the rest of a three-filter change-out uses, from this due step on."""
    from app.domain.commands import Open
    from app.domain.site import SiteState
    from app.services.planning import first_entry, plan
    from tests.builders import LEAD, Bench

    bench = Bench()
    made = plan(house(3), procedure(), "0" * 64)
    draft = first_entry(
        made, site=SiteState(name="S"), by=LEAD, at="2026-03-02T07:00:00.000Z", crew=(), rehearsal=False
    )
    bench.ledger = draft.ledger
    bench.do(Open(draft), LEAD)
    state = bench.run_to(step)
    assert state.model is not None
    rest = [item for item in state.steps if item.id not in state.applied]
    total = take_off(rest, house(3), state.model).total
    return Left(total["cuts"], total["new_bags"])


def test_what_is_left_after_the_second_cut_of_three() -> None:
    """CV43: right after cut 2 of N = 3, 3 cuts and 4 bags are left; with the next bag on, 3 and 3."""
    assert left_at("out-2/next-bag") == Left(cuts=3, bags=4)
    assert left_at("out-2/next-strap") == Left(cuts=3, bags=3)


def test_grease_and_tools_follow_the_seal() -> None:
    """A gasket housing lists ratchet, torque wrench and grease; a gel housing neither."""
    gasket = counted(house(1))
    gel = counted(sample_housing(Seal.GEL, Service.RADIOACTIVE, (1,)))

    assert gasket.grease
    assert any("ratchet" in tool for tool in gasket.tools)
    assert not gel.grease
    assert not any("ratchet" in tool for tool in gel.tools)


def test_spares_stand_on_a_line_of_their_own() -> None:
    """Spares are stated with their rule and are not in the totals."""
    found = counted(house(2, 1))

    assert found.spares == {"new_bags": 2, "tie_straps": 4, "metal_bands": 4, "tape_rolls": 1}
    assert found.total["new_bags"] == 4


def test_the_stub_left_in_the_last_bag_stays_on_the_ring() -> None:
    """After a change-out every ring keeps one rolled bag that holds one stub."""
    state = opened("EF-03").run_to()

    assert state.model is not None
    assert [(sleeve.stubs, sleeve.extended) for sleeve in state.model.ports[0].ring] == [(1, False)]


def test_what_is_used_up_is_named_as_its_number_wants_it() -> None:
    """One new bag, two new bags; one edge to tape; one filter-less package."""
    told = [f"{count} {use_words(name, count)}" for name in USE_WORDS for count in (1, 2)]

    assert told[:4] == ["1 new bag", "2 new bags", "1 cut", "2 cuts"]
    assert "1 edge to tape" in told
    assert "2 edges to tape" in told
    assert "1 filter-less package" in told
    assert extra_words({"new_bags": 1, "spent_packages": 2}) == "1 new bag, 2 spent-filter packages"
