"""Which filter may go into a housing: the step that reads its serial number asks the store room."""

from dataclasses import replace
from datetime import date, timedelta
from functools import lru_cache

import pytest

from app.domain.applicability import SetAside
from app.domain.commands import Correct, Finish, Late, Withdraw
from app.domain.deciding.filters import filter_moved, store_findings
from app.domain.events import AnswerCorrected, Event, JobStopped, StepDone, StepOutside
from app.domain.field_change import ApproveChange, NewWords, ProposeChange
from app.domain.history import unlawful
from app.domain.job import JobState, Stage
from app.domain.paper import PrintBlank, Transcribe
from app.domain.refused import Refused
from app.domain.registers import SiteMoment
from app.domain.store import FilterTaken, Kind, KitStaged, LotInspected, Store, evolve_store
from app.domain.storing import kit_staged, lot_inspected, lot_received, receipt_items
from app.records.moments import utc_text
from app.services.rehearsal import made_up_answers
from tests.builders import EYES, HANDS, LEAD, OTHER_LEAD, Bench, opened

TYPE = "24x24x11.5 gasket"
BEFORE = "2026-03-01T08:00:00.000Z"


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
