"""Which filter may go into a housing: the step that reads its serial number asks the store room."""

from dataclasses import replace
from datetime import date, timedelta
from functools import lru_cache

import pytest

from app.domain.applicability import SetAside
from app.domain.commands import Begin, Correct, Finish, Late, Withdraw
from app.domain.containment.rules import bare_ports
from app.domain.deciding.filters import complain_of_unfit, filter_moved, store_findings, unfit_in_kit
from app.domain.events import AnswerCorrected, Event, JobStopped, StepDone, StepOutside
from app.domain.field_change import ApproveChange, NewWords, ProposeChange
from app.domain.history import unlawful
from app.domain.housed import Housed, evolve_housed
from app.domain.housed_events import Filter, FiltersPlaced, Placed
from app.domain.job import JobState, Stage
from app.domain.paper import PrintBlank, Transcribe
from app.domain.refused import Refused
from app.domain.registers import SiteMoment
from app.domain.store import FilterTaken, Kind, KitStaged, LotInspected, Store, evolve_store
from app.domain.storing import kit_settled, kit_staged, lot_inspected, lot_received, receipt_items
from app.domain.watching import Watch
from app.records.moments import utc_text
from app.services.rehearsal import made_up_answers
from tests.builders import EYES, HANDS, LEAD, OTHER_LEAD, Bench, opened

TYPE = "24x24x11.5 gasket"
BEFORE = "2026-03-01T08:00:00.000Z"
THAT_DAY = date(2026, 3, 2)


def at(seq: int = 1, when: str = BEFORE) -> SiteMoment:
    """Return a moment of the site, a day before the job unless told otherwise."""
    return SiteMoment(seq=seq, at=when, today=date.fromisoformat(when[:10]), by=LEAD)


def looked_at(store: Store, lot: str, verdict: str, *, seq: int = 1, when: str = BEFORE) -> LotInspected:
    """Return an inspection that found everything as asked, with a verdict all the same."""
    seen = {name: item.good for name, item in receipt_items(store.lots[lot].lot.kind).items()}
    return lot_inspected(store, at(seq, when), lot=lot, seen=seen, verdict=verdict, reason="as seen")


def with_filter(
    store: Store, lot: str, *, what: str = TYPE, made: str = "2025-06-01", verdict: str = "accepted"
) -> Store:
    """Receive a filter, its serial number that of the lot, and give it a verdict; none for an empty one."""
    typed = {"id": lot, "kind": "filter", "what": what, "serial": f"SN-{lot}", "made": made}
    store = evolve_store(store, lot_received(store, at(), typed))
    return evolve_store(store, looked_at(store, lot, verdict)) if verdict else store


def stocked() -> Store:
    """Two good filters, and one of each that is not."""
    store = Store()
    for lot in ("F1", "F2", "STAGED", "ELSEWHERE", "GONE"):
        store = with_filter(store, lot)
    store = with_filter(store, "REJECTED", verdict="rejected")
    store = with_filter(store, "HELD", verdict="held back")
    store = with_filter(store, "NEW", verdict="")
    store = with_filter(store, "GEL", what="24x24x11.5 gel")
    store = with_filter(store, "OLD", made="2016-03-02")
    store = evolve_store(store, kit_staged(store, at(), job="job-9", lines={"STAGED": "1"}))
    taken = FilterTaken(seq=1, at=BEFORE, job="job-9", step="in/serial", entry=1, lot="ELSEWHERE")
    gone = replace(store.lots["GONE"], left=0)
    return evolve_store(replace(store, lots=store.lots.set("GONE", gone)), taken)


UNFIT = [
    ("SN-404", "No filter SN-404 was received"), ("SN-REJECTED", "was rejected"), ("SN-HELD", "is held back"),
    ("sn-new", "has not been inspected"), ("SN-GEL", "is of type"), ("SN-OLD", "10 years or more"),
    ("SN-STAGED", "stands staged for job-9"), ("SN-ELSEWHERE", "went into job-9"), ("SN-GONE", "was counted as gone"),
]  # fmt: skip


@lru_cache
def come_to(name: str) -> Bench:
    """Return a job that has come to a step, worked while the site entered no filters."""
    bench = opened()
    bench.run_to(name)
    return bench


def to_read(store: Store, *, name: str = "in-2/serial") -> Bench:
    """Return a job whose next step reads the serial number of a new filter, at a site with this store room."""
    bench = come_to(name)
    return replace(bench, events=list(bench.events), store=store)


def read(bench: Bench, serial: str, **other: str) -> tuple[Event, ...]:
    """Read this serial number at the step that is due; the store room follows."""
    before = bench.state
    fresh = bench.answer({"serial": serial, **other})
    follow(bench, before, fresh)
    return fresh


def follow(bench: Bench, before: JobState, fresh: tuple[Event, ...]) -> None:
    """Let the store room follow what a job's entries moved."""
    for event in fresh:
        if (moved := filter_moved(before, event, bench.store, 1)) is not None:
            bench.store = evolve_store(bench.store, moved)


def due(bench: Bench) -> str:
    """Return the id of the step that is due."""
    assert bench.state.due is not None
    return bench.state.due.id


@pytest.mark.parametrize(("serial", "told"), UNFIT)
def test_a_filter_that_is_not_fit_is_refused_before_it_goes_in(serial: str, told: str) -> None:
    """Nothing is marked, the refusal is worth an entry, and it says what is wrong."""
    bench = to_read(stocked())

    with pytest.raises(Refused, match=told) as refused:
        read(bench, serial)

    assert (refused.value.code, refused.value.logged) == ("filter", True)
    assert not bench.state.mark(due(bench)).stands


def test_a_fit_filter_goes_in_and_the_record_says_by_what() -> None:
    """The answer is judged by the store room; the filter is used by the job from then on."""
    bench = to_read(stocked())

    done, *_ = read(bench, " sn-f1 ")

    assert isinstance(done, StepDone)
    judged = next(item for item in done.evidence.judged if item.ask == "serial")
    assert (judged.verdict, judged.basis, judged.why) == ("within", "the site's store room", None)
    assert dict(bench.store.lots["F1"].used) == {"job-2026-0001": 1}


def test_a_site_that_enters_no_filters_is_asked_nothing() -> None:
    """Bags alone change nothing either, and the evidence is what it always was."""
    store = evolve_store(Store(), lot_received(Store(), at(), {"id": "B1", "kind": "bag", "what": "ring"}))
    bench = to_read(store)

    done, *_ = read(bench, "whatever")

    assert isinstance(done, StepDone)
    assert all(item.ask != "serial" for item in done.evidence.judged)


def test_one_filter_is_not_read_at_two_places() -> None:
    """What stands at position 2 cannot stand at position 1; the same place may read it again."""
    bench = to_read(stocked())
    read(bench, "SN-F1")
    bench.run_to("in-1/serial")

    with pytest.raises(Refused, match="was read at P1, position 2, of this job"):
        read(bench, "SN-F1")
    read(bench, "SN-F2")

    assert {lot: dict(item.used) for lot, item in bench.store.lots.items() if item.used.get("job-2026-0001")} == {
        "F1": {"job-2026-0001": 1}, "F2": {"job-2026-0001": 1}
    }  # fmt: skip


@pytest.mark.parametrize("serial", [serial for serial, _ in UNFIT])
def test_a_mark_that_comes_late_with_an_unfit_filter_is_kept_and_stops_the_job(serial: str) -> None:
    """The filter may be in already: what was read is kept as an attempt outside its limit, and the step stays due."""
    bench = to_read(stocked())
    name = due(bench)
    mark = Finish(name, made_up_answers(bench.state.steps[bench.state.place]) | {"serial": serial})

    outside, stop = bench.do(Late(mark, bench.state.size), HANDS)

    assert isinstance(outside, StepOutside)
    assert isinstance(stop, JobStopped)
    assert outside.evidence.answers["serial"].text == serial
    assert stop.text.startswith(f"Outside its limit: Serial number {serial}. ")
    assert len(stop.text) > 60, "it says why"
    assert bench.state.stage is Stage.STOPPED
    assert due(bench) == name
    assert unlawful(bench.events) == ()


def test_what_comes_from_paper_with_an_unfit_filter_is_kept_and_stops_the_job() -> None:
    """As a reading outside its limit does; after somebody has inspected it, it may be entered, and a reviewer hears."""
    bench = to_read(stocked())
    bench.do(PrintBlank(), HANDS)
    bench.now += timedelta(minutes=20)

    outside, stop = bench.do(paper(bench, "SN-NEW"), HANDS)
    bench.go_on()
    bench.now += timedelta(minutes=20)
    bench.store = evolve_store(bench.store, looked_at(bench.store, "NEW", "accepted", seq=44, when=utc_text(bench.now)))
    done = bench.do(paper(bench, "SN-NEW", ago=23), LEAD)

    assert isinstance(outside, StepOutside)
    assert outside.transcribed is not None
    assert isinstance(stop, JobStopped)
    assert "has not been inspected" in stop.text
    assert isinstance(done[0], StepDone)
    (found,) = store_findings(bench.store, bench.ledger, bench.state)
    assert (found.seq, found.kind) == (44, "filter inspected late")
    assert unlawful(bench.events) == ()


def paper(bench: Bench, serial: str, *, ago: int = 1) -> Transcribe:
    """Return what stands on paper for the step that is due."""
    step = bench.state.due
    assert step is not None
    happened = utc_text(bench.now - timedelta(minutes=ago))[:16] + "+00:00"
    return Transcribe(
        step=step.id, serial=bench.state.paper.blanks[0].serial, happened=happened, why_late="no power",
        photo="ab" * 32, hand=HANDS, compared_by=EYES, answers=made_up_answers(step) | {"serial": serial},
    )  # fmt: skip


def test_a_correction_to_an_unfit_filter_is_kept_and_stops_the_job() -> None:
    """The truth is entered whatever it is; the step is due again, and the first filter is to be inspected again."""
    bench = to_read(stocked())
    read(bench, "SN-F1")
    before, name = bench.state, "port/P1/in-2/serial"

    corrected, stop = bench.do(Correct(name, "serial", "SN-REJECTED", "read the label again"), LEAD)
    follow(bench, before, (corrected,))

    assert isinstance(corrected, AnswerCorrected)
    assert isinstance(stop, JobStopped)
    assert name in corrected.due_again
    assert dict(bench.store.lots["REJECTED"].used) == {"job-2026-0001": 1}
    assert (bench.store.lots["F1"].left, bench.store.lots["F1"].verdict) == (1, "not inspected")


@pytest.mark.parametrize("verdict", ["rejected", "held back"])
def test_a_correction_of_something_else_does_not_judge_the_filter_anew(verdict: str) -> None:
    """Since then it has gone in: another answer is corrected with the filter as it was judged at its mark."""
    bench = to_read(stocked())
    read(bench, "SN-F1")
    bench.store = evolve_store(bench.store, looked_at(bench.store, "F1", verdict, when="2026-03-03T08:00:00.000Z"))

    (corrected,) = bench.do(Correct("port/P1/in-2/serial", "made", "2025-12-01", "misread"), LEAD)

    assert isinstance(corrected, AnswerCorrected)
    assert corrected.evidence.within
    assert [found.kind for found in store_findings(bench.store, bench.ledger, bench.state)] == ["filter inspected late"]


def test_an_unfit_filter_that_was_entered_stays_unfit_when_something_else_is_corrected() -> None:
    """The judgement goes with the serial number."""
    bench = to_read(stocked())
    read(bench, "SN-F1")
    bench.do(Correct("port/P1/in-2/serial", "serial", "SN-REJECTED", "read the label again"), LEAD)

    fresh = bench.do(Correct("port/P1/in-2/serial", "made", "2025-12-01", "misread"), LEAD)

    assert isinstance(fresh[0], AnswerCorrected)
    assert not fresh[0].evidence.within


def test_neither_new_words_nor_setting_aside_lead_round_the_question() -> None:
    """A field change touches words; the step is a test, so nobody sets it aside."""
    bench = to_read(stocked())
    name = due(bench)
    bench.do(ProposeChange(name, NewWords(text="Read the number on the case of the new filter."), "plainer"), HANDS)
    number = bench.state.changes.waiting_at(name)
    assert number is not None
    bench.do(ApproveChange(number.proposed.number), OTHER_LEAD)

    with pytest.raises(Refused, match="was rejected"):
        read(bench, "SN-REJECTED")
    with pytest.raises(Refused, match="cannot be set aside"):
        bench.do(SetAside(name, "no label"), LEAD)


@pytest.mark.parametrize("again", ["SN-F1", "SN-F2"])
def test_a_filter_read_again_at_its_place(again: str) -> None:
    """Due again, the same one moves nothing; another one takes its place, and the first is back to be inspected."""
    bench = to_read(stocked())
    read(bench, "SN-F1")
    bench.do(withdrawn(bench), HANDS)

    read(bench, again)

    used = {lot for lot, item in bench.store.lots.items() if item.used.get("job-2026-0001")}
    assert used == {again.removeprefix("SN-")}
    assert bench.store.lots["F1"].verdict == ("accepted" if again == "SN-F1" else "not inspected")


def withdrawn(bench: Bench) -> Withdraw:
    """Return the command that takes the reading of the serial number back."""
    return Withdraw("port/P1/in-2/serial", "the label was turned")


def test_a_rehearsal_moves_no_filter() -> None:
    """It is asked nothing and takes nothing."""
    bench = to_read(stocked())
    assert bench.state.opened is not None
    bench.state = replace(bench.state, opened=bench.state.opened.model_copy(update={"rehearsal": True}))

    done, *_ = read(bench, "made up")

    assert isinstance(done, StepDone)
    assert all(item.ask != "serial" for item in done.evidence.judged)


def test_a_kit_that_nobody_has_settled_is_told_to_the_reviewer() -> None:
    """Under the entry that staged it last, until it is settled."""
    bench = to_read(stocked())
    bench.store = evolve_store(
        bench.store, KitStaged.model_validate({"seq": 31, "at": BEFORE, "job": bench.ledger,
                                               "lines": [{"lot": "F1", "count": 1}]})
    )  # fmt: skip

    (found,) = store_findings(bench.store, bench.ledger, bench.state)

    assert (found.seq, found.kind) == (31, "kit not settled")
    assert bench.store.lots["F1"].lot.kind is Kind.FILTER


AT_EF07 = "The filter SN-F1 is in place at EF-07, P1 position 1, by the register"


def in_place(*spots: tuple[str, str, int, str], job: str | None = None, since: str = BEFORE) -> Housed:
    """Return a register with these filters in place."""
    places = tuple(
        Placed(housing=tag, port=port, position=position, since=since, filter=Filter(serial=serial))
        for tag, port, position, serial in spots
    )
    return evolve_housed(Housed(), FiltersPlaced(
        seq=1, at=since, how="job" if job else "desk", places=places, why="seen", job=job
    ))  # fmt: skip


@pytest.mark.parametrize("site_enters_filters", [True, False])
def test_a_filter_that_the_register_has_in_place_does_not_go_in(site_enters_filters: bool) -> None:
    """Whether the site has a store room or not: refused at the screen, kept with a stop where it may be in."""
    bench = to_read(stocked() if site_enters_filters else Store())
    bench.housed = in_place(("EF-07", "P1", 1, "sn-f1"))
    late = replace(bench, events=list(bench.events))

    with pytest.raises(Refused, match=AT_EF07) as refused:
        read(bench, "SN-F1")
    assert (refused.value.code, refused.value.logged) == ("filter", True)
    made_up = made_up_answers(late.state.steps[late.state.place]) | {"serial": "SN-F1"}
    outside, stop = late.do(Late(Finish(due(late), made_up), late.state.size), HANDS)
    assert isinstance(outside, StepOutside)
    assert isinstance(stop, JobStopped)
    assert AT_EF07 in stop.text
    (done, *_) = read(bench, "SN-F2")
    assert isinstance(done, StepDone)
    assert [item.basis for item in done.evidence.judged if item.ask == "serial"] == (
        ["the site's store room"] if site_enters_filters else []
    )


@pytest.mark.parametrize(
    ("spot", "job", "since", "told"),
    [
        (("EF-03", "P1", 2), None, BEFORE, "in place at EF-03, P1 position 2"),
        (("EF-03", "P1", 2), None, "2026-03-02T07:00:01.000Z", ""),
        (("EF-03", "P1", 1), None, "2026-03-02T07:00:01.000Z", "in place at EF-03, P1 position 1"),
        (("EF-03", "P1", 1), "job-2026-0001", BEFORE, ""),
    ],
)
def test_what_stood_in_the_place_before_the_job_does_not_go_in_again(
    spot: tuple[str, str, int], job: str | None, since: str, told: str
) -> None:
    """What the desk entered of this very place since, and what a job put there that goes on again, may be read."""
    bench = replace(to_read(Store()), housed=in_place((*spot, "SN-F1"), job=job, since=since))
    if told:
        with pytest.raises(Refused, match=told):
            read(bench, "SN-F1")
    else:
        assert isinstance(read(bench, "SN-F1")[0], StepDone)


def last_fault(bench: Bench) -> str:
    """Try the step that is due as its crew would, and return why it was refused; nothing where it went on."""
    try:
        for command, by in bench.due_commands():
            bench.do(command, by)
    except Refused as no:
        assert no.logged
        return f"{no.code}: {no}"
    return ""


def a_day_later(bench: Bench) -> Bench:
    """Return the job on the next day, with no reading that lapses meanwhile."""
    assert bench.state.opened is not None
    calm = bench.state.opened.model_copy(update={"repeated": None})
    state = replace(bench.state, opened=calm, watch=Watch())
    return replace(bench, events=list(bench.events), state=state, now=bench.now + timedelta(days=1))


@pytest.mark.parametrize("name", ["in-2/load", "in-2/slide"])
@pytest.mark.parametrize("verdict", ["rejected", "held back"])
def test_a_filter_that_is_barred_after_it_was_read_goes_neither_into_its_bag_nor_in(name: str, verdict: str) -> None:
    """Until a lead has looked at it again; another one is read in its place before that."""
    bench = to_read(stocked())
    read(bench, "SN-F1")
    bench.run_to(name)
    bench.store = evolve_store(bench.store, looked_at(bench.store, "F1", verdict))

    told = last_fault(bench)
    assert told.startswith(f"filter: The filter SN-F1 {'is' if verdict == 'held back' else 'was'} {verdict}")
    assert "Take back the mark that read it" in told
    assert due(bench).endswith(name)
    other = replace(bench, events=list(bench.events))
    other.do(withdrawn(other), HANDS)
    read(other, "SN-F2")
    other.run_to(name)
    assert last_fault(other) == ""
    bench.store = evolve_store(bench.store, looked_at(bench.store, "F1", "accepted"))
    assert last_fault(bench) == ""


def test_a_filter_that_ran_out_after_it_was_read_does_not_go_in() -> None:
    """Read on its last day, put in on the next."""
    bench = to_read(with_filter(Store(), "F1", made="2016-03-03"))
    read(bench, "SN-F1")
    bench.run_to("in-2/slide")

    assert "10 years or more before 2026-03-03" in last_fault(a_day_later(bench))
    assert last_fault(bench) == "", "on the day itself it does"


def test_a_barred_filter_that_went_in_out_of_reach_is_told_to_the_reviewer() -> None:
    """The mark is kept, for it tells what was done; the reviewer hears of the verdict, or that it had run out."""
    bench = to_read(with_filter(Store(), "F1", made="2016-03-03"))
    read(bench, "SN-F1")
    bench.run_to("in-2/slide")
    bench = a_day_later(bench)
    rejected = looked_at(bench.store, "F1", "rejected", seq=44, when=utc_text(bench.now))
    for command in (Begin(due(bench)), Finish(due(bench), {})):
        bench.do(Late(command, bench.state.size), HANDS)

    assert bench.state.mark("port/P1/in-2/slide").stands
    (old,) = store_findings(bench.store, bench.ledger, bench.state)
    (barred,) = store_findings(evolve_store(bench.store, rejected), bench.ledger, bench.state)
    assert (old.kind, "put in on 2026-03-03: The filter SN-F1 was made on 2016-03-03" in old.sentence) == (
        "filter run out", True
    )  # fmt: skip
    assert (barred.kind, barred.seq) == ("filter inspected late", 44)
    assert "was inspected after that: rejected: as seen" in barred.sentence


def with_kit(job: str, *kept: str, kind: Kind = Kind.BAG) -> Store:
    """Put lots of ten aside for a job, whole."""
    store = Store()
    for lot in kept:
        typed = {"id": lot, "kind": kind, "what": "of this ring", "count": "10", "use_by": "2026-03-02"}
        store = evolve_store(store, lot_received(store, at(), typed))
        store = evolve_store(store, looked_at(store, lot, "accepted"))
    return evolve_store(store, kit_staged(store, at(3), job=job, lines=dict.fromkeys(kept, "10")))


@pytest.mark.parametrize(
    ("kind", "name"),
    [(Kind.BAG, "in-2/load"), (Kind.TIE_STRAP, "out-1/tie-package"), (Kind.METAL_BAND, "out-1/band-ring"),
     (Kind.TAPE_ROLL, "out-1/cut"), (Kind.GREASE, "in-2/load")],
)  # fmt: skip
def test_material_of_the_kit_goes_in_only_while_some_of_it_may_be_used(kind: Kind, name: str) -> None:
    """Which lot is in hand is not entered: it is refused where none would do, and where none was put aside nothing."""
    bench = come_to(name)
    bench = replace(bench, events=list(bench.events), store=with_kit(bench.ledger, "L1", "L2", kind=kind))
    for lot in ("L1", "L2"):
        trial = replace(bench, events=list(bench.events))
        assert last_fault(trial) == ""
        bench.store = evolve_store(bench.store, looked_at(bench.store, lot, "rejected", seq=9))
    late = replace(a_day_later(bench), store=with_kit(bench.ledger, "L1", kind=kind))

    assert last_fault(bench).startswith(f"unfit_lot: No {kind} of this job's kit may be used. The lot L1 was rejected")
    assert "was to be used by 2026-03-02, before 2026-03-03" in last_fault(late)
    elsewhere = replace(bench, events=list(bench.events), store=with_kit("job-9", "L1", kind=kind))
    elsewhere.store = evolve_store(elsewhere.store, looked_at(elsewhere.store, "L1", "rejected"))
    assert last_fault(elsewhere) == ""


def test_an_unfit_lot_among_good_ones_is_told_at_the_step_that_uses_its_kind() -> None:
    """Named with the reason, at a bare port too; at no other step, of no lot that may be used, in no other job."""
    bench = come_to("in-2/load")
    store = with_kit(bench.ledger, "L1", "L2", "L3")
    store = evolve_store(store, looked_at(store, "L2", "rejected"))
    step, model = bench.state.due, bench.state.model
    assert step is not None
    assert model is not None

    def told(at: JobState, kept: Store, name: str = step.id, on: date = THAT_DAY) -> tuple[str, ...]:
        asked = at.step(name)
        assert asked is not None
        return unfit_in_kit(at, asked, kept, on=on)

    bare = replace(bench.state, model=model.with_port(replace(model.port("P1"), ring=())))
    assert bare_ports(bare.model or model)
    assert told(bench.state, store) == ("The lot L2 was rejected on inspection: as seen. Take another.",)
    assert told(bare, store) == told(bench.state, store)
    assert len(told(bench.state, store, on=date(2026, 3, 3))) == 3
    assert told(bench.state, store, "port/P1/in-2/slide") == ()
    assert told(replace(bench.state, applied=bench.state.applied | {step.id}), store) == ()
    assert told(bench.state, with_kit(bench.ledger, "L1")) == ()
    assert told(bench.state, evolve_store(with_kit("job-9", "L2"), looked_at(store, "L2", "rejected"))) == ()


def test_at_a_bare_port_any_barrier_comes_first() -> None:
    """A bag that was rejected still covers; the reviewer is told of it afterwards."""
    bench = come_to("out-1/next-bag")
    store = with_kit(bench.ledger, "L1")
    bench = replace(bench, events=list(bench.events), store=evolve_store(store, looked_at(store, "L1", "rejected")))
    model = bench.state.model
    assert model is not None
    port = model.port("P1")
    bare = replace(bench, state=replace(bench.state, model=model.with_port(replace(port, ring=()))))
    assert bare_ports(bare.state.model or model)

    step, moment = bench.state.due, bench.moment(HANDS)
    assert step is not None
    with pytest.raises(Refused, match="No bag"):
        complain_of_unfit(bench.state, step, moment)
    complain_of_unfit(bare.state, step, moment)


def test_a_lot_that_is_barred_after_it_was_staged_is_told_to_the_reviewer() -> None:
    """While it is out, and for good where it is not back; not where all of it is back, nor before it was staged."""
    bench = come_to("in-2/load")
    store = with_kit(bench.ledger, "L1", "L2")
    store = evolve_store(store, looked_at(store, "L1", "rejected", seq=40))

    def told(after: Store) -> list[tuple[str, int, str]]:
        return [(item.kind, item.seq, item.sentence) for item in store_findings(after, bench.ledger, bench.state)]

    def settled(back: str) -> Store:
        entry = kit_settled(
            store, at(50), job=bench.ledger, back={"L1": back, "L2": "10"}, used={Kind.BAG: 0}, explained="thrown away"
        )
        return evolve_store(store, entry)

    barred = "The bag lot L1 was rejected after it was put aside for this job: as seen"
    assert ("lot barred after staging", 40, f"{barred}; nobody has said yet what of it was used.") in told(store)
    assert ("lot barred after staging", 40, f"{barred}; 3 of it did not come back.") in told(settled("7"))
    assert any(
        kind == "kit differs" and "The lot L1 was rejected on inspection: as seen, and 3 did not come back" in sentence
        for kind, _, sentence in told(settled("7"))
    )
    assert not any("barred" in kind for kind, _, _ in told(settled("10")))
    again = evolve_store(settled("7"), looked_at(settled("7"), "L1", "accepted", seq=60))
    assert [kind for kind, _, _ in told(again)] == ["kit differs", "lot barred after staging"]
