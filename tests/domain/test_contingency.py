"""Something goes wrong: steps put in by a lead, the model's word on where, and the way back to the main line."""

from datetime import timedelta

import pytest

from app.domain.commands import ExplainStop, StopWork, Submit, TakeWayOut
from app.domain.containment.mishaps import Mishap, Spot
from app.domain.contingency import ContingencyEntered, EnterContingency, lay_contingencies
from app.domain.deciding.contingency import possible, way_back_of
from app.domain.examine import breaches, examine, sample_housing
from app.domain.history import unlawful
from app.domain.housing import Seal, Service
from app.domain.job import Stage, fold
from app.domain.procedure import read_procedure
from app.domain.refused import Refused
from app.domain.watching import NoticeMissed, later
from app.domain.way_back import ways_back
from app.domain.words import ring_words
from app.records.drawing import draw_port
from tests.builders import HANDS, LEAD, OTHER_LEAD, Bench, housing, opened, procedure_text


def stopped_at(name: str, tag: str = "EF-03") -> Bench:
    """A job stopped by a technician where a step whose id ends so is due."""
    bench = opened(tag)
    bench.run_to(name)
    bench.do(StopWork(), HANDS)
    bench.do(ExplainStop("unexpected", "a tear at the fold"), HANDS)
    return bench


def enter(bench: Bench, name: str) -> ContingencyEntered:
    """Enter the contingency at the first place where it can have happened."""
    spot = next(spot for kept, spot in possible(bench.state) if kept.id == name)
    (event,) = bench.do(EnterContingency(name, "seen by the crew", spot.port, spot.position), OTHER_LEAD)
    assert isinstance(event, ContingencyEntered)
    assert event.signature is not None
    assert event.signature.meaning == "I choose these steps for what went wrong"
    return event


@pytest.mark.parametrize(
    ("name", "due", "returns"),
    [
        ("bag-torn", "open/bag", "open/bag"),
        ("bag-torn", "out-1/gather", "out-1/gather"),
        ("bag-torn", "out-1/band-ring", "out-1/gather"),
        ("bag-torn", "in-1/strap", "in-1/stub"),
        ("band-ring", "out-1/cut", "out-1/cut"),
        ("band-ring", "out-1/tape-stub", "out-1/tape-stub"),
        ("filter-dropped", "out-1/cut", "out-1/gather"),
        ("new-filter-dropped", "in-1/slide", "in-1/slide"),
        ("seal-damaged", "clamp/upper-resistance", "clamp/upper-resistance"),
        ("door-gasket", "close/door", "close/door"),
        ("damper-leaks", "open/door", "open/door"),
        ("filter-stuck", "out-1/draw", "out-1/draw"),
        ("alarm", "flow/unlock/fan", "flow/unlock/fan"),
    ],
)
def test_each_contingency_mends_and_leads_back_to_a_finished_job(name: str, due: str, returns: str) -> None:
    """The steps are put in, the work goes on where the procedure states, and the record is one that verifies."""
    bench = stopped_at(due)

    event = enter(bench, name)
    first = bench.state.due
    bench.run_to()
    bench.do(Submit(), LEAD)

    assert event.returns_to.endswith(returns)
    assert first is not None
    assert first.id.startswith(f"{name}-1/")
    assert bench.state.stage is Stage.IN_REVIEW
    assert unlawful(bench.events) == ()
    assert fold(bench.events) == bench.state
    assert bench.state.opened is not None
    assert breaches(bench.state.walked, fold(bench.events[:1]).model or pytest.fail("no model")) == ()
    assert any(item.kind == "contingency" for item in bench.state.notables)


def test_while_the_bag_is_torn_the_drawing_says_so_and_nothing_else_may_be_done() -> None:
    """After a tear the port is bare; the drawing shows the tear, then the new bag over it, then one whole bag."""
    bench = stopped_at("out-1/gather")
    enter(bench, "bag-torn")
    model = bench.state.model
    assert model is not None

    torn = draw_port(model, model.ports[0], upstream="D-1", downstream="D-2")
    bench.run_to("over/torn-off")
    model = bench.state.model
    assert model is not None
    over = draw_port(model, model.ports[0], upstream="D-1", downstream="D-2")
    bench.run_to("out-1/gather")

    assert ">TORN<" in torn
    assert "0 barriers" in torn
    assert "over TORN bag" in over
    assert "1 barrier" in over
    assert bench.state.model is not None
    assert "holds a torn bag" in ring_words(bench.state.model.ports[0])


def test_what_a_contingency_uses_is_told_beyond_the_take_off_and_counted_at_the_waste_point() -> None:
    """A dropped new filter costs two bags, a filter and a package more; the hand-over expects that package."""
    bench = stopped_at("in-1/slide")

    event = enter(bench, "new-filter-dropped")
    bench.run_to("waste/hand-over")

    assert event.extra is not None
    assert event.extra["new_bags"] == 2
    assert event.extra["filters"] == 1
    assert event.extra["spent_packages"] == 1
    due = bench.state.due
    assert due is not None
    planned = next(step for step in opened().state.steps if step.id == due.id).asks[0].limit
    assert planned is not None
    limit = due.asks[0].limit
    assert limit is not None
    assert int(limit.low or 0) == int(planned.low or 0) + 1


def test_a_second_tear_while_the_first_is_mended_leaves_the_rest_of_the_first() -> None:
    """The new bag tears as well: the steps are put in once more, what is left of the first turn does not apply."""
    bench = stopped_at("out-1/gather")
    enter(bench, "bag-torn")
    bench.run_to("over/torn-off")
    bench.do(StopWork(), HANDS)
    bench.do(ExplainStop("unexpected", "a sound"), HANDS)

    event = enter(bench, "bag-torn")
    bench.run_to()

    assert event.left
    assert all(bench.state.mark(step).not_applicable for step in event.left)
    assert bench.state.stage is Stage.WORK_DONE
    assert unlawful(bench.events) == ()


def test_repeated_readings_begin_anew_when_a_contingency_leads_on_from_a_stop() -> None:
    """Two lapses stopped the job; the steps that mend are not refused for them, and the next reading is in view."""
    bench = opened()
    bench.run_to("out-1/gather")
    bench.now += timedelta(minutes=80)
    bench.do(NoticeMissed(), HANDS)
    assert bench.state.stage is Stage.STOPPED

    event = enter(bench, "bag-torn")

    assert bench.state.watch.missed == 0
    assert bench.state.watch.due == later(event.at, bench.state.watch.minutes)
    first = bench.state.due
    for command, by in bench.due_commands():
        bench.do(command, by)
    assert first is not None
    assert bench.state.mark(first.id).stands
    assert unlawful(bench.events) == ()


def test_a_contingency_is_entered_by_a_lead_who_did_not_stop_and_only_where_it_can_have_happened() -> None:
    """A technician, the stopper and a running job are refused; so is a torn bag where no bag is in reach."""
    running = opened()
    running.run_to("out-1/gather")
    with pytest.raises(Refused, match="from a stop"):
        running.do(EnterContingency("bag-torn", "torn", "P1"), LEAD)
    running.do(StopWork(), LEAD)
    with pytest.raises(Refused, match="Ask a lead") as by_hands:
        running.do(EnterContingency("bag-torn", "torn", "P1"), HANDS)
    with pytest.raises(Refused, match="stopped this job") as by_stopper:
        running.do(EnterContingency("bag-torn", "torn", "P1"), LEAD)
    elsewhere = stopped_at("out-1/gather")
    for port, position in (("P9", None), (None, None), ("P1", 2)):
        with pytest.raises(Refused, match="cannot have happened"):
            elsewhere.do(EnterContingency("bag-torn", "torn", port, position), OTHER_LEAD)
    early = stopped_at("isolate/shut/fan")
    with pytest.raises(Refused, match="cannot have happened"):
        early.do(EnterContingency("bag-torn", "torn", "P1"), OTHER_LEAD)

    assert by_hands.value.logged
    assert by_stopper.value.logged
    assert "bag-torn" not in {kept.id for kept, _ in possible(early.state)}


def test_where_the_model_knows_no_way_back_the_contingency_is_refused() -> None:
    """The check of the procedure and the entry agree: without a way back nothing is put in."""
    bench = stopped_at("out-1/band-ring")
    assert bench.state.model is not None
    assert bench.state.opened is not None
    kept, spot = next((kept, spot) for kept, spot in possible(bench.state) if kept.id == "bag-torn")

    only_due = kept.model_copy(update={"returns": ("due",)})
    found = ways_back(
        bench.state.walked, bench.state.place, bench.state.applied, bench.state.model, only_due, spot,
        bench.state.opened.housing, 1,
    )  # fmt: skip

    assert found is None
    assert way_back_of(bench.state, kept, spot) is not None


MUTATIONS = {
    "new bag never strapped": ('effects = ["strap_bag"]\n', "", "blocks.overbag"),
    "torn bag left on the ring": ('effects = ["draw_torn_bag_off"]\n', "", "blocks.overbag"),
    "no new band": ('effects = ["band_beside:ring"]\n', "", "contingencies.band-ring"),
    "no way back once gathered": ('"due", "next", "gather"', '"due", "next"', "contingencies.bag-torn"),
    "gasket not replaced": ('effects = ["replace_door_gasket"]\n', "", "contingencies.door-gasket"),
    "isolation not verified again": ('effects = ["verify_isolation"]\n', "", "contingencies.damper-leaks"),
    "the damaged filter left in": ('effects = ["draw_filter_into_bag"]\n', "", "contingencies.seal-damaged"),
}


@pytest.mark.parametrize("name", MUTATIONS)
def test_a_contingency_that_does_not_mend_is_found_by_the_check(name: str) -> None:
    """With this edit the check names the contingency and the step at which it does not lead back."""
    old, new, after = MUTATIONS[name]
    text = procedure_text()
    at = text.index(f"[{after}]")
    assert old in text[at:]

    mutated = read_procedure(text[:at] + text[at:].replace(old, new, 1), name="mutated")

    found = examine(mutated, sample_housing(Seal.GASKET, Service.RADIOACTIVE, (2,)))
    assert found
    assert all(" at " in item.step for item in found)


def fit_out_at(name: str, *, reseating: bool = False) -> Bench:
    """A first fit-out stopped where a step whose id ends so is due, perhaps while a bank is seated again."""
    bench = opened("EF-03", "first-fit-out")
    if reseating:
        bench.run_to("leak/aerosol")
        bench.answer({"downstream": "0.9"})
        bench.go_on()
        bench.do(TakeWayOut("reseat-hepa", "the seal mark is uneven"), OTHER_LEAD)
    bench.run_to(name)
    halt(bench)
    return bench


def halt(bench: Bench) -> None:
    """Stop a job and say why."""
    bench.do(StopWork(), HANDS)
    bench.do(ExplainStop("unexpected", "seen by the crew"), HANDS)


@pytest.mark.parametrize(
    ("name", "due", "returns", "again"),
    [
        ("loose-filter-dropped", "in-1/slide", "in-1/serial", 2),
        ("loose-filter-dropped", "in-2/serial-again", "in-2/serial", 1),
        ("loose-filter-dropped", "in-2/serial", "in-2/serial", 0),
        ("loose-filter-dropped", "clamp/upper-resistance", "clamp/upper-resistance", 0),
        ("bag-torn", "close/roll", "close/roll", 0),
        ("filter-stuck", "in-1/slide", "in-1/slide", 0),
        ("door-gasket", "close/door", "close/door", 0),
        ("damper-leaks", "open/door", "open/door", 0),
    ],
)
def test_each_contingency_of_a_first_fit_out_leads_back_to_its_end(
    name: str, due: str, returns: str, again: int
) -> None:
    """A filter that fell before it was in is set aside, and the number of another one is read and read anew."""
    bench = fit_out_at(due)

    event = enter(bench, name)
    bench.run_to()
    bench.do(Submit(), LEAD)

    assert event.returns_to.endswith(returns)
    assert len(event.due_again) == again
    assert bench.state.stage is Stage.IN_REVIEW
    assert unlawful(bench.events) == ()


def test_a_seal_damaged_while_a_first_bank_is_seated_again_is_replaced_whatever_else_fails() -> None:
    """The filter leaves through the bag: its bands can fail, the bag can tear, the new one can fall; each is mended."""
    bench = fit_out_at("seat/P1/clamp/upper-resistance", reseating=True)
    damaged = enter(bench, "seal-damaged")
    mended = []
    for due, name in (
        ("seal-damaged-1/mend/out/cut", "band-ring"),
        ("seal-damaged-1/mend/out/cut", "band-package"),
        ("seal-damaged-1/mend/in/slide", "new-filter-dropped"),
    ):
        bench.run_to(due)
        halt(bench)
        mended.append(enter(bench, name).contingency)
    bench.run_to()
    bench.do(Submit(), LEAD)

    assert damaged.extra is not None
    assert damaged.extra["filters"] == 1
    assert mended == ["band-ring", "band-package", "new-filter-dropped"]
    assert bench.state.stage is Stage.IN_REVIEW
    assert unlawful(bench.events) == ()
    assert bench.state.model is not None
    assert len(bench.state.model.accounted) == 2


@pytest.mark.parametrize("seal", list(Seal))
def test_every_place_of_a_first_fit_out_where_a_contingency_can_be_entered_leads_to_its_end(seal: Seal) -> None:
    """Along the line, along a bank seated again and along the way out of a damaged seal; no spent filter is there."""
    bench = opened({"gasket": "EF-03", "gel": "EF-07"}[seal], "first-fit-out")
    seen, refused = set(), []
    struck = taken = False
    while bench.state.due is not None:
        for kept, spot in possible(bench.state):
            seen.add(kept.occurs)
            if way_back_of(bench.state, kept, spot) is None:
                refused.append((kept.id, bench.state.due.id))
        if bench.state.due.id.endswith("leak/aerosol") and not taken:
            taken = True
            bench.answer({"downstream": "0.9"})
            bench.go_on()
            bench.do(TakeWayOut("reseat-hepa", "the seal mark is uneven"), OTHER_LEAD)
        elif "/clamp/" in bench.state.due.id and taken and not struck:
            struck = True
            halt(bench)
            enter(bench, "seal-damaged")
        else:
            bench.run_to(steps=1)

    assert refused == []
    assert seen == set(Mishap) - {Mishap.DROP_SPENT_FILTER}


@pytest.mark.parametrize("seal", list(Seal))
def test_the_check_proves_every_place_where_a_contingency_can_be_entered(seal: Seal) -> None:
    """At every step of a job, whatever the model says can have happened can be entered and leads to the job's end."""
    bench = opened({"gasket": "EF-03", "gel": "EF-07"}[seal])
    seen = set()
    while bench.state.due is not None:
        for kept, spot in possible(bench.state):
            seen.add(kept.occurs)
            assert way_back_of(bench.state, kept, spot) is not None, (kept.id, bench.state.due.id)
        bench.run_to(steps=1)

    assert seen == set(Mishap)


def test_a_label_asked_for_in_a_contingency_is_that_of_the_port_where_it_happened() -> None:
    """Text and expected label are filled in alike."""
    text = procedure_text()
    at = text.index("[[blocks.overbag]]")
    old = 'effects = ["draw_torn_bag_off"]'
    asks = 'asks = [{ id = "label", label = "Label at {port}", kind = "tag", expects = "Port {port}" }]'
    new = f"{old}\n{asks}"
    text = text[:at] + text[at:].replace(old, new, 1)
    (kept,) = [
        item for item in lay_contingencies(read_procedure(text, name="mutated"), housing()) if item.id == "bag-torn"
    ]

    asked = [item.ask for step in kept.at(Spot("P1"), housing(), 1) for item in step.asks if item.ask.kind == "tag"]

    assert [(ask.label, ask.expects) for ask in asked] == [("Label at P1", "Port P1")]
