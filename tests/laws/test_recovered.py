"""After a restore of an older backup: what tablets still hold comes back, once, in order, and is marked so."""

import pytest

from app.calc.errors import Invalid
from app.domain.commands import Begin, Command, ExplainStop, Finish, Knowledge, Late, Reopen, StopWork
from app.domain.event_base import Device
from app.domain.events import MarkContested, StepDone, payload_of
from app.domain.job import Stage
from app.domain.restores import Restore
from app.records.moments import utc_text
from app.records.trail import sentence_of
from app.services.jobs import Asked
from tests.builders import EYES, HANDS, OTHER_LEAD, Bench, opened
from tests.scheduling.server import empty_site, open_job

NOTHING = Knowledge()
DEVICE = Device(tablet="tablet 1", number=7)


def at_gather() -> tuple[Bench, str]:
    """Return a job at the gathering of the first bag, and that step."""
    bench = opened()
    due = bench.run_to("gather").due
    assert due is not None
    return bench, due.id


def late(bench: Bench, seen: int, knowledge: Knowledge = NOTHING, restores: tuple[Restore, ...] = ()) -> Command:
    """Give the mark that would do the step that is due, as a tablet kept it."""
    command = bench.due_commands()[-1][0]
    assert isinstance(command, Finish)
    bench.restores = restores
    return Late(command, seen, knowledge)


def test_a_size_beyond_the_record_is_contested_where_no_restore_explains_it() -> None:
    """A false word is not believed, and not dropped: it waits for a lead in plain sight."""
    bench, _ = at_gather()

    (event,) = bench.do(late(bench, bench.state.size + 1), HANDS, DEVICE)

    assert isinstance(event, MarkContested)
    assert "no restore explains the rest" in event.why
    assert bench.state.stage is Stage.CONTESTED


def test_a_confirmed_mark_that_the_record_never_had_is_contested() -> None:
    """Without a restore nothing confirmed can be missing: somebody is wrong."""
    bench, _ = at_gather()

    (event,) = bench.do(late(bench, bench.state.size, Knowledge(acknowledged=True)), HANDS, DEVICE)

    assert isinstance(event, MarkContested)
    assert "never had it" in event.why


def test_a_restore_that_the_record_does_not_know_is_a_false_word() -> None:
    """A line that nobody here has begun is not believed."""
    bench, _ = at_gather()

    (event,) = bench.do(late(bench, bench.state.size, Knowledge(line="elsewhere")), HANDS, DEVICE)

    assert isinstance(event, MarkContested)
    assert "does not know" in event.why


def test_what_a_tablet_knew_before_a_restore_counts_only_as_far_as_the_backup_went() -> None:
    """A stop and re-opening after the restore are news to it, however large the job was that it knew."""
    bench, step = at_gather()
    size = bench.state.size
    bench.do(StopWork(), EYES)
    bench.do(ExplainStop("unexpected", "a sound"), EYES)
    bench.do(Reopen("looked at, safe to go on"), OTHER_LEAD)
    bench.go_on()

    (event,) = bench.do(late(bench, size + 40, restores=(Restore("r1", size),)), HANDS, DEVICE)

    assert isinstance(event, MarkContested)
    assert event.step == step
    assert event.device is not None
    assert (event.device.recovered, event.device.knew) == (True, size + 40)


def test_a_recovered_mark_says_so_in_entry_trail_and_review() -> None:
    """The entry, its sentence and the list of exceptions name the recovery and the tablet."""
    bench, _ = at_gather()
    size = bench.state.size
    command = late(bench, size, Knowledge(acknowledged=True), (Restore("r1", size),))

    (event,) = bench.do(command, HANDS, DEVICE)

    assert isinstance(event, StepDone)
    assert event.device is not None
    assert event.device.recovered
    assert "Recovered: tablet 1 gave it back after a restore" in sentence_of(event, {})
    assert [item.kind for item in bench.state.notables if item.seq == event.seq] == ["recovered"]


def test_a_mark_missing_before_one_is_told_by_number_and_tablet() -> None:
    """What a tablet made before and the record has not is stated, not passed over."""
    bench, _ = at_gather()
    bench.missing = 6

    (event,) = bench.do(late(bench, bench.state.size, Knowledge(before=6, before_token="t")), HANDS, DEVICE)

    assert "mark 6, made before, had not arrived" in sentence_of(event, {})
    assert any("Mark 6 of tablet 1" in item.sentence for item in bench.state.notables)


def test_a_mark_of_a_job_that_the_backup_did_not_know_stays_on_the_tablet() -> None:
    """The number has been given to another job: nothing of the lost one is put into it."""
    bench, _ = at_gather()

    with pytest.raises(Invalid, match="another job now"):
        bench.do(late(bench, 5, restores=(Restore("r1", None),)), HANDS, DEVICE)


def test_an_entry_that_was_not_recovered_is_written_as_before() -> None:
    """The fields of recovery are kept out of other entries, so that records of earlier versions verify unchanged."""
    bench, _ = at_gather()

    (event,) = bench.do(late(bench, bench.state.size), HANDS, DEVICE)

    assert payload_of(event)["device"] == {"tablet": "tablet 1", "number": 7}


def test_a_job_number_given_again_after_a_restore_takes_nothing_of_the_lost_job() -> None:
    """Through service and site ledger: a job opened after the restore refuses marks from before it, by name."""
    server = empty_site()
    server.back_up()
    open_job(server)
    begin = next(item for item, _ in Bench(server.state).due_commands() if isinstance(item, Begin | Finish))
    lost = Late(begin, server.state.size)
    server.restore(0)
    open_job(server)

    told = server.take(lost, Asked(HANDS, "tablet 1", utc_text(server.now), "a token of the lost", number=1))

    assert told is not None
    assert "another job now" in told
    assert server.state.size == 1
