"""What a page holds beside the marks comes back as it was done: rows of locks, own locks, pauses, readings."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from app.calc.errors import Invalid
from app.domain.commands import Begin, StopWork
from app.domain.containment.effects import Act
from app.domain.crew import ConfirmPause, LeaveCrew, PauseConfirmed
from app.domain.deciding.leaving import suspend_looks
from app.domain.event_base import FromHand, Who
from app.domain.events import Event, JobStopped, StepDone, event_from, payload_of
from app.domain.history import unlawful
from app.domain.job import Stage
from app.domain.leaving import DOCUMENTS, AnswerLooks, ReadNext, SignHandover, Suspend, TakeOver
from app.domain.locks import (
    OTHERWISE,
    LockPoint,
    OwnLockOff,
    PointLocked,
    PointUnlocked,
    PutOwnLockOn,
    StrokeDamper,
    StrokePart,
    TakeOwnLockOff,
    UnlockPoint,
)
from app.domain.paper import Beside, PrintBlank, Transcribe, TranscribeBeside
from app.domain.procedure import Role, StepKind
from app.domain.refused import Refused
from app.domain.watching import ReadingRepeated, TakeReading
from app.records.locks import lock_tables
from app.records.moments import utc_text
from app.records.trail import sentence_of
from app.records.veil import UNSEEN, veiled, veiled_events
from app.services.rehearsal import labels_of, looks_as_recorded, made_up_answers
from tests.builders import EYES, HANDS, LEAD, OFFICER, OTHER_LEAD, Bench, opened

SERIAL = "2026-0001-B1"


def printed(at: str, *crew: Who) -> Bench:
    """Return a job that has come to a step and whose remaining steps were printed there, 40 minutes ago."""
    bench = opened(crew=crew or (HANDS, EYES))
    bench.run_to(at)
    bench.do(PrintBlank(), HANDS)
    bench.now += timedelta(minutes=40)
    return bench


def at(bench: Bench, minutes: int) -> str:
    """Return the instant so many minutes after the printing, as a page gives it."""
    then = datetime.fromisoformat(bench.state.paper.blanks[0].at) + timedelta(minutes=minutes)
    return f"{then:%Y-%m-%dT%H:%M}+00:00"


def shown(bench: Bench, minutes: int) -> str:
    """Return the same as tables show it, with the page that it comes from."""
    return f"{at(bench, minutes)[:16].replace('T', ' ')}:00 +00:00, from paper {SERIAL}"


def enter(
    bench: Bench, act: Beside, hand: Who = HANDS, *, by: Who = HANDS, second: Who = EYES, minutes: int = 20,
    why: str = "no power", photo: str = "ab" * 32,
) -> Sequence[Event]:  # fmt: skip
    """Enter what stands on paper, done so many minutes after the printing."""
    return bench.do(TranscribeBeside(act, SERIAL, at(bench, minutes), why, photo, hand, second), by)


def due(bench: Bench) -> str:
    """Return the id of the step that is due."""
    assert bench.state.due is not None
    return bench.state.due.id


def row(bench: Bench, point: str) -> LockPoint:
    """Return a row of the table of locks, filled in."""
    assert bench.state.opened is not None
    safe = next(item.safe for item in bench.state.opened.housing.points if item.id == point)
    return LockPoint(due(bench), point, safe, f"L-{point}", f"T-{point}")


def sentences(bench: Bench, events: Sequence[Event]) -> list[str]:
    """Return what entries say."""
    return [sentence_of(event, {step.id: step for step in bench.state.steps}) for event in events]


def whole(bench: Bench) -> None:
    """Check that the record is lawful and reads back as it was written."""
    assert unlawful(bench.events) == ()
    assert [event_from(payload_of(event)) for event in bench.events] == bench.events


def another_page(bench: Bench, kind: type[FromHand], change: dict[str, object]) -> list[Event]:
    """Return the record with another page told of its entries of a kind."""
    return [
        event.model_copy(update={"transcribed": event.transcribed.model_copy(update=change)})
        if isinstance(event, kind) and event.transcribed else event
        for event in bench.events
    ]  # fmt: skip


# --- rows of locks ------------------------------------------------------------------------------


def test_rows_come_from_paper_with_their_own_hands_and_times() -> None:
    """The last row ends the step, and both say from which page; the table shows the time of the page, not today's."""
    bench = printed("shut/locks")
    enter(bench, row(bench, "upstream"), minutes=10)
    enter(bench, row(bench, "downstream"), minutes=11)
    locked, done = enter(bench, row(bench, "fan"), EYES, minutes=15)

    assert isinstance(locked, PointLocked)
    assert isinstance(done, StepDone)
    assert locked.transcribed is not None
    assert done.transcribed is not None
    assert (locked.by, locked.hand, done.hand) == (HANDS, EYES, EYES)
    assert [(item.lock, item.by) for item in bench.state.locks.points] == [
        ("L-upstream", HANDS), ("L-downstream", HANDS), ("L-fan", EYES),
    ]  # fmt: skip
    told = sentences(bench, [locked])[0]
    assert told.startswith(f"{EYES.name} put lock L-fan with tag T-fan on F-31, seen ")
    assert f"transcribed from paper {SERIAL}: done by {EYES.name} {at(bench, 15)[:16].replace('T', ' ')}" in told
    (points,) = lock_tables(bench.state, bench.events, "UTC")
    assert points["rows"][2][3] == f"{EYES.name}, {shown(bench, 15)}"
    assert SERIAL in bench.state.paper.used
    whole(bench)


def test_a_row_seen_otherwise_on_paper_is_refused_and_kept() -> None:
    """As at the screen: the attempt is noted, and no lock is on the list."""
    bench = printed("shut/locks")

    with pytest.raises(Refused, match="before it is locked, and is seen in another position"):
        enter(bench, LockPoint(due(bench), "upstream", OTHERWISE, "L-1", "T-1"))

    assert bench.state.locks.hung == ()


def test_rows_keep_the_order_of_time() -> None:
    """A row earlier than the one before it, or than the printing, or after now does not fit."""
    bench = printed("shut/locks")
    enter(bench, row(bench, "upstream"), minutes=20)

    for minutes in (19, -1, 50):
        with pytest.raises(Refused, match="does not fit"):
            enter(bench, row(bench, "downstream"), minutes=minutes)


@pytest.mark.parametrize("happened", ["", "yesterday", "2026-03-02 08:10", "2026-13-02T08:10+00:00"])
def test_a_time_that_cannot_be_read_is_told(happened: str) -> None:
    """It is never guessed."""
    bench = printed("shut/locks")

    with pytest.raises(Invalid, match=r"Give day and time|no such day or time"):
        bench.do(TranscribeBeside(row(bench, "fan"), SERIAL, happened, "no power", "ab" * 32, HANDS, EYES), HANDS)


def test_a_row_needs_a_photo_a_reason_a_second_person_and_a_blank_that_is_out() -> None:
    """The same as a mark from paper."""
    bench = printed("shut/locks")
    act = row(bench, "upstream")

    with pytest.raises(Invalid, match="no photo of the paper page"):
        enter(bench, act, photo="")
    with pytest.raises(Refused, match="Why it comes late is empty"):
        enter(bench, act, why=" ")
    with pytest.raises(Refused, match="cannot compare it too"):
        enter(bench, act, second=HANDS)
    with pytest.raises(Refused, match="no blank '2026-0001-B9'"):
        bench.do(TranscribeBeside(act, "2026-0001-B9", at(bench, 9), "no power", "ab" * 32, HANDS, EYES), HANDS)


def test_whoever_entered_or_compared_rows_does_not_verify_them_unseen() -> None:
    """They have seen the numbers; at the screen somebody else verifies, while the page's own verifier may stand."""
    bench = printed("shut/locks", HANDS, EYES, OTHER_LEAD)
    for point in ("upstream", "downstream"):
        enter(bench, row(bench, point), OTHER_LEAD)
    bench.do(row(bench, "fan"), OTHER_LEAD)  # the last row, and the step with it, at the screen
    bench.run_to("isolate/verify/isolation")

    for person in (HANDS, EYES, OTHER_LEAD):
        assert person.id in bench.state.locks.points[0].recorders
    hidden = veiled(bench.state, "somebody-else").locks.points
    assert {item.lock for item in hidden} == {UNSEEN}
    assert [item.lock == UNSEEN for item in veiled(bench.state, EYES.id).locks.points] == [False, False, True]
    step = bench.state.due
    assert step is not None
    for person in (HANDS, EYES):
        (command, _), *_ = bench.due_commands()
        with pytest.raises(Refused, match="or recorded it"):
            bench.do(command, person)


def test_a_lock_comes_off_by_paper_with_its_owners_word() -> None:
    """The owner enters it or compares it; the word of two others takes nobody's lock off the list."""
    bench = opened(crew=(HANDS, EYES, OTHER_LEAD))
    bench.run_to("unlock/locks")
    owner = bench.state.locks.points[0].by
    others = [who for who in (HANDS, EYES, OTHER_LEAD) if who != owner]
    bench.do(PrintBlank(), owner)
    bench.now += timedelta(minutes=40)
    act = UnlockPoint(due(bench), bench.state.locks.points[0].point)

    with pytest.raises(Refused, match="entered or compared by") as caught:
        enter(bench, act, owner, by=others[0], second=others[1])
    with pytest.raises(Refused, match="takes it off, signed in"):
        enter(bench, act, others[0], by=others[0], second=owner)
    (off,) = enter(bench, act, owner, by=others[0], second=owner)

    assert caught.value.logged
    assert isinstance(off, PointUnlocked)
    assert (off.by, off.hand) == (others[0], owner)
    assert bench.state.locks.hung[0].off_by == owner
    whole(bench)
    forged = another_page(bench, PointUnlocked, {"compared_by": others[1]})
    assert any("came off by paper without their own word" in told for told in unlawful(forged))


# --- pauses -------------------------------------------------------------------------------------


def test_a_pause_from_paper_is_over_with_everybody_who_was_there() -> None:
    """Each speaks by their own line of the page; the pause stands when the last of them is entered."""
    bench = at_pause()
    crew = bench.state.crew.present
    first = enter(bench, ConfirmPause(due(bench), (crew[0].id,)))
    rest = enter(bench, ConfirmPause(due(bench), tuple(who.id for who in crew[1:])))

    assert [type(event) for event in first] == [PauseConfirmed]
    assert [type(event) for event in rest] == [PauseConfirmed] * (len(crew) - 1) + [StepDone]
    for event in (*first, *rest):
        assert isinstance(event, FromHand)
        assert event.transcribed is not None
        if isinstance(event, PauseConfirmed):
            assert event.hand == event.person
    assert sentences(bench, first)[0].startswith(f"{crew[0].name} spoke at the pause “")
    whole(bench)


def at_pause() -> Bench:
    """Return a job at its first team pause, printed there."""
    bench = opened()
    while bench.state.due is not None and not bench.state.due.says:
        for command, by in bench.due_commands():
            bench.do(command, by)
    bench.do(PrintBlank(), HANDS)
    bench.now += timedelta(minutes=40)
    return bench


def test_a_pause_from_paper_is_of_the_crew_that_was_there_then() -> None:
    """Whoever joined before it has spoken, whoever joined after it need not have, whoever left since had."""
    bench = at_pause()
    step, crew = due(bench), bench.state.crew.present
    bench.now = datetime.fromisoformat(at(bench, 20))
    bench.brief(OTHER_LEAD)
    bench.now = datetime.fromisoformat(at(bench, 30))
    bench.do(LeaveCrew(EYES.id, "called away"), LEAD)
    bench.now = datetime.fromisoformat(at(bench, 40))

    with pytest.raises(Refused, match=f"{OTHER_LEAD.id!r} is not on the briefed crew"):
        enter(bench, ConfirmPause(step, (OTHER_LEAD.id,)), minutes=10)
    for who in crew:
        enter(bench, ConfirmPause(step, (who.id,)), minutes=25, second=OFFICER)
    assert not bench.state.mark(step).stands, "whoever had joined by then is missing"
    enter(bench, ConfirmPause(step, (OTHER_LEAD.id,)), minutes=25, second=OFFICER)

    assert bench.state.mark(step).stands
    whole(bench)
    for dropped in [event for event in bench.events if isinstance(event, PauseConfirmed) and event.step == step]:
        told = unlawful([event for event in bench.events if event is not dropped])
        assert any("a team pause was passed without" in item for item in told)


def test_a_pause_before_a_joiner_is_over_without_them() -> None:
    """At the screen they would be waited for."""
    bench = at_pause()
    step, crew = due(bench), bench.state.crew.present
    bench.now = datetime.fromisoformat(at(bench, 30))
    bench.brief(OTHER_LEAD)
    bench.now = datetime.fromisoformat(at(bench, 40))
    assert OTHER_LEAD in bench.state.unspoken(step)

    enter(bench, ConfirmPause(step, tuple(who.id for who in crew)), minutes=20)

    assert bench.state.mark(step).stands
    whole(bench)


def test_nobody_speaks_by_the_hand_of_another() -> None:
    """A forged entry in which one hand spoke for two is found."""
    bench = at_pause()
    enter(bench, ConfirmPause(due(bench), tuple(who.id for who in bench.state.crew.present)))

    forged = another_page(bench, PauseConfirmed, {"hand": LEAD})

    assert any("by the hand of" in told for told in unlawful(forged))


# --- beside the steps ---------------------------------------------------------------------------


def test_own_locks_come_from_paper_beside_the_order_of_the_steps() -> None:
    """On and off at the times of the page, though later steps were entered before; off by the owner's word."""
    bench = printed("isolate/verify/isolation", HANDS, EYES, OTHER_LEAD)
    step = bench.state.due
    assert step is not None
    answers = made_up_answers(step)
    began = at(bench, 35) if step.marks == 2 else None
    bench.do(
        Transcribe(step.id, SERIAL, at(bench, 35), "no power", "ab" * 32, EYES, OFFICER, began, answers), HANDS
    )  # of later than what follows

    enter(bench, PutOwnLockOn("P-7"), OTHER_LEAD, minutes=10)
    with pytest.raises(Refused, match="entered or compared by"):
        enter(bench, TakeOwnLockOff("P-7"), OTHER_LEAD, minutes=20)
    (off,) = enter(bench, TakeOwnLockOff("P-7"), OTHER_LEAD, second=OTHER_LEAD, minutes=20)

    assert isinstance(off, OwnLockOff)
    assert bench.state.locks.own == ()
    assert bench.state.paper.last == at(bench, 35), "what goes beside the steps does not move their order"
    (_, own) = lock_tables(bench.state, bench.events, "UTC")
    assert own["rows"] == [[
        OTHER_LEAD.name, "P-7", shown(bench, 10), f"{OTHER_LEAD.name}, {shown(bench, 20)}",
    ]]  # fmt: skip
    whole(bench)


def test_an_own_lock_on_a_page_is_of_somebody_who_was_briefed() -> None:
    """A name that is not on the crew was read wrongly, or should not have been there."""
    bench = printed("isolate/verify/isolation")

    with pytest.raises(Refused, match="was not on the briefed crew of this job at"):
        enter(bench, PutOwnLockOn("P-7"), OTHER_LEAD)
    with pytest.raises(Refused, match="does not fit: it lies after the printing of the blank, and not after now"):
        enter(bench, PutOwnLockOn("P-7"), minutes=-1)


def door_off() -> Bench:
    """Return a job with a door off, printed there 40 minutes ago, and its reading due every 30."""
    bench = opened()
    while not any(effect.act is Act.TAKE_DOOR_OFF for effect in (bench.state.steps[bench.state.place].effects)):
        for command, by in bench.due_commands():
            bench.do(command, by)
    bench.run_to(steps=1)
    assert bench.state.watch.due is not None
    bench.do(PrintBlank(), HANDS)
    return bench


def test_a_reading_from_paper_counts_from_when_it_was_taken() -> None:
    """The next one is due so many minutes after the time of the page, not after it was entered."""
    bench = door_off()
    minutes = bench.state.watch.minutes
    bench.now += timedelta(minutes=minutes - 5)
    before = bench.state.watch.due

    (read,) = enter(bench, TakeReading("-20"), EYES, minutes=15)

    assert isinstance(read, ReadingRepeated)
    assert bench.state.watch.due is not None
    assert before is not None
    assert bench.state.watch.due > before
    assert bench.state.watch.due[:16] == at(bench, minutes + 15)[:16]
    table = lock_tables(bench.state, bench.events, "UTC")[-1]
    assert table["rows"][0][:2] == [shown(bench, 15), EYES.name]
    assert sentences(bench, [read])[0].startswith(f"{EYES.name} took the repeated reading: -20")
    whole(bench)


def test_an_older_reading_does_not_bring_the_next_one_forward() -> None:
    """Read at a screen meanwhile: what is due next stays."""
    bench = door_off()
    bench.now += timedelta(minutes=20)
    bench.do(TakeReading("-20"), HANDS)
    stands = bench.state.watch.due

    enter(bench, TakeReading("-21"), minutes=15)

    assert bench.state.watch.due == stands


def test_a_reading_outside_its_limit_comes_from_paper_with_its_stop() -> None:
    """It was outside then, and nobody has looked at it yet."""
    bench = door_off()
    bench.now += timedelta(minutes=20)

    read, stop = enter(bench, TakeReading("900"))

    assert isinstance(read, ReadingRepeated)
    assert isinstance(stop, JobStopped)
    assert stop.by == HANDS
    assert bench.state.stage is Stage.STOPPED
    whole(bench)


def test_a_reading_from_paper_is_taken_though_the_door_is_on_again() -> None:
    """Whoever enters a page begins with its steps; at a screen no reading is taken then."""
    bench = opened()
    bench.run_to("close/door")
    bench.do(PrintBlank(), HANDS)
    bench.now += timedelta(minutes=10)
    bench.run_to(steps=1)
    assert bench.state.watch.due is None
    with pytest.raises(Refused, match="No door is off"):
        bench.do(TakeReading("-20"), HANDS)

    (read,) = enter(bench, TakeReading("-20"), minutes=5)

    assert isinstance(read, ReadingRepeated)
    whole(bench)


def test_an_administrator_stands_on_no_page() -> None:
    """They do not work on jobs."""
    bench = printed("shut/locks")
    admin = Who(id="admin", name="Ayo Berg", role=Role.ADMINISTRATOR)

    with pytest.raises(Refused, match="An administrator does not work on jobs"):
        enter(bench, row(bench, "upstream"), admin)


# --- what was so then -----------------------------------------------------------------------------


def stopped(bench: Bench, minutes: int) -> None:
    """Stop the job so many minutes after the printing, and re-open it at once."""
    bench.now = datetime.fromisoformat(at(bench, minutes))
    bench.do(StopWork(), EYES)
    bench.go_on()
    bench.now = datetime.fromisoformat(at(bench, 45))


def mark(bench: Bench, minutes: int, hand: Who = HANDS) -> Transcribe:
    """Return what stands on paper for the step that is due."""
    step = bench.state.due
    assert step is not None
    when = at(bench, minutes)
    return Transcribe(
        step.id, SERIAL, when, "no power", "ab" * 32, hand, OFFICER, when if step.marks == 2 else None,
        made_up_answers(step) | labels_of(step), beside=EYES if hand is HANDS else HANDS,
    )  # fmt: skip


def test_what_was_done_before_a_stop_is_entered_by_a_lead_who_has_looked_since() -> None:
    """Rows and marks alike; what was done after the re-opening is entered by anybody."""
    for name in ("shut/locks", "out-1/gather"):
        bench = printed(name)
        stopped(bench, 20)
        rows = name == "shut/locks"

        with pytest.raises(
            Refused, match=r"the job was stopped, left or put right, the last time at \d\d:\d\d. A lead"
        ):
            enter(bench, row(bench, "fan"), minutes=10) if rows else bench.do(mark(bench, 10), HANDS)
        before = bench.state.size
        enter(bench, row(bench, "fan"), minutes=10, by=LEAD) if rows else bench.do(mark(bench, 10), LEAD)
        assert bench.state.size > before
        whole(bench)
        forged = [
            event.model_copy(update={"by": HANDS})
            if isinstance(event, FromHand) and event.transcribed else event
            for event in bench.events
        ]  # fmt: skip
        assert any("before the job was stopped or left" in told for told in unlawful(forged))


def test_a_hold_and_a_pause_of_before_a_stop_are_done_anew() -> None:
    """As at the screen; not even a lead enters them."""
    bench = at_pause()
    stopped(bench, 20)
    with pytest.raises(Refused, match="Do it anew at the screen"):
        enter(bench, ConfirmPause(due(bench), (HANDS.id, EYES.id)), by=LEAD, minutes=10)

    bench = opened()
    bench.run_to("end/service/release")
    assert bench.state.due is not None
    assert bench.state.due.kind is StepKind.HOLD
    bench.do(PrintBlank(), HANDS)
    stopped(bench, 20)
    with pytest.raises(Refused, match="Do it anew at the screen"):
        bench.do(Transcribe(due(bench), SERIAL, at(bench, 10), "no power", "ab" * 32, OFFICER, EYES), OFFICER)


def test_nothing_goes_back_into_service_at_a_time_when_somebody_was_locked_on() -> None:
    """Whichever is entered first: the row is refused, or the lock that is found too late stops the job."""
    bench = opened(crew=(HANDS, EYES, OTHER_LEAD))
    bench.run_to("unlock/locks")
    owner = bench.state.locks.points[0].by
    bench.do(PutOwnLockOn("P-7"), EYES)
    bench.do(PrintBlank(), owner)
    bench.now += timedelta(minutes=40)
    enter(bench, TakeOwnLockOff("P-7"), EYES, by=EYES, second=OFFICER, minutes=30)
    act = UnlockPoint(due(bench), bench.state.locks.points[0].point)

    with pytest.raises(Refused, match=r"own lock P-7 was on then. Read both times again"):
        enter(bench, act, owner, by=owner, second=OFFICER, minutes=20)
    enter(bench, act, owner, by=owner, second=OFFICER, minutes=31)
    whole(bench)

    early = another_page(bench, PointUnlocked, {"happened": at(bench, 20)})
    assert any("own lock was on" in told for told in unlawful(early))


def test_an_own_lock_of_before_the_return_to_service_stops_the_job() -> None:
    """The page says that somebody was locked on while the locks came off: nobody passes that over."""
    bench = opened(crew=(HANDS, EYES, OTHER_LEAD))
    bench.run_to("unlock/locks")
    bench.do(PrintBlank(), HANDS)
    bench.now += timedelta(minutes=10)
    bench.run_to(steps=1)
    bench.now += timedelta(minutes=30)

    on, stop = enter(bench, PutOwnLockOn("P-9"), OTHER_LEAD, minutes=5)

    assert isinstance(stop, JobStopped)
    assert "own lock P-9 went on before “" in stop.text
    assert bench.state.stage is Stage.STOPPED
    assert isinstance(on, FromHand)
    whole(bench)


def test_a_lock_comes_off_after_it_went_on() -> None:
    """By the page or by the screen, whichever says when it went on."""
    bench = printed("isolate/verify/isolation")
    bench.do(PutOwnLockOn("P-7"), EYES)  # now, at the screen
    enter(bench, PutOwnLockOn("P-8"), EYES, minutes=30)

    for lock, minutes in (("P-7", 35), ("P-8", 29)):
        with pytest.raises(Refused, match=f"it lies after lock {lock} went on"):
            enter(bench, TakeOwnLockOff(lock), EYES, by=EYES, second=OFFICER, minutes=minutes)
    enter(bench, TakeOwnLockOff("P-8"), EYES, by=EYES, second=OFFICER, minutes=31)
    early = another_page(bench, OwnLockOff, {"happened": at(bench, 29)})
    assert any("came off by paper before it went on" in told for told in unlawful(early))


def test_a_hand_on_a_page_was_briefed_by_then() -> None:
    """A late joiner stands on no line of before their brief, neither for a mark, a row, nor an own lock."""
    for name in ("shut/locks", "out-1/gather"):
        bench = printed(name)
        bench.now = datetime.fromisoformat(at(bench, 30))
        bench.brief(OTHER_LEAD)
        bench.now = datetime.fromisoformat(at(bench, 40))

        rows = name == "shut/locks"
        with pytest.raises(Refused, match="was not on the briefed crew of this job at"):
            enter(bench, row(bench, "fan"), OTHER_LEAD, minutes=20) if rows else bench.do(
                mark(bench, 20, OTHER_LEAD), HANDS
            )
        with pytest.raises(Refused, match="was not on the briefed crew of this job at"):
            enter(bench, PutOwnLockOn("P-7"), OTHER_LEAD, minutes=20)
        enter(bench, PutOwnLockOn("P-7"), OTHER_LEAD, minutes=31)
        whole(bench)


def test_a_step_is_not_done_before_it_was_begun_at_the_screen() -> None:
    """The begun mark bounds what the page says of the same step."""
    bench = printed("port/P1/open/door")
    step = bench.state.due
    assert step is not None
    bench.do(Begin(step.id, EYES, answers=labels_of(step)), HANDS)

    with pytest.raises(Refused, match="does not fit"):
        bench.do(replace(mark(bench, 20), began=None), HANDS)


def test_no_reading_is_taken_from_a_page_before_a_door_was_off() -> None:
    """The step that took it off is entered first."""
    bench = printed("shut/locks")

    with pytest.raises(Refused, match="No door was off at"):
        enter(bench, TakeReading("900"))
    assert bench.state.stage is Stage.OPEN


def test_whoever_entered_rows_does_not_verify_them_from_a_later_blank_either() -> None:
    """They had seen the numbers before that page was printed."""
    bench = printed("shut/locks", HANDS, EYES, OTHER_LEAD)
    for point in ("upstream", "downstream", "fan"):
        enter(bench, row(bench, point), HANDS, by=EYES, second=OTHER_LEAD)
    bench.run_to("isolate/verify/isolation")
    bench.do(PrintBlank(), HANDS)
    bench.now += timedelta(minutes=10)
    step = bench.state.due
    assert step is not None
    when = utc_text(bench.now - timedelta(minutes=2))[:16] + "+00:00"
    began = when if step.marks == 2 else None

    for hand in (EYES, OTHER_LEAD):
        with pytest.raises(Refused, match="or recorded it"):
            bench.do(
                Transcribe(
                    step.id, "2026-0001-B2", when, "no power", "ab" * 32, hand, OFFICER, began, made_up_answers(step)
                ),
                HANDS,
            )


def test_after_a_trial_nobody_reads_the_numbers_in_what_was_said_at_a_pause() -> None:
    """The verification is due anew, and a pause before it had named each lock."""
    bench = opened()
    bench.run_to("port/P1/open/door")
    for part, seen in ((StrokePart.CLEAR, "nobody near it"), (StrokePart.OFF, ""), (StrokePart.MOVED, "full travel")):
        bench.do(StrokeDamper("upstream", part, seen), LEAD if part is StrokePart.CLEAR else HANDS)
    lock = bench.state.locks.points[0].lock
    said = [mark.evidence.note for mark in bench.state.marks.values() if f"lock {lock}" in mark.evidence.note]
    assert said, "a pause has named it"
    bench.do(StrokeDamper("upstream", StrokePart.ON, "shut", "L-9", "T-9"), HANDS)

    shown = veiled(bench.state, EYES.id)
    told = veiled_events(bench.state, bench.events, EYES.id)

    assert all(lock not in mark.evidence.note for mark in shown.marks.values())
    assert all(lock not in event.evidence.note for event in told if isinstance(event, StepDone))


@pytest.mark.parametrize("change", [
    {"happened": "2026-03-02T05:00+00:00"}, {"happened": "2031-01-01T00:00+00:00"}, {"happened": "sometime"},
    {"hand": OTHER_LEAD}, {"hand": Who(id="keeper", name="Bram Okafor", role=Role.ADMINISTRATOR)},
    {"compared_by": Who(id="keeper", name="Bram Okafor", role=Role.ADMINISTRATOR)}, {"compared_by": HANDS},
    {"why_late": " "}, {"photo": ""}, {"serial": "2026-0001-B9"},
], ids=str)  # fmt: skip
def test_an_outsider_finds_a_page_that_cannot_be(change: dict[str, object]) -> None:
    """Rows, own locks and readings: the time, the hands, the reason, the photo, the blank."""
    bench = door_off()
    bench.now += timedelta(minutes=20)
    enter(bench, PutOwnLockOn("P-7"), EYES, minutes=15)
    enter(bench, TakeReading("-20"), EYES, minutes=15)
    rows = printed("shut/locks")
    enter(rows, row(rows, "fan"), EYES, minutes=15)

    for made in (bench, rows):
        whole(made)
        for place, event in enumerate(made.events):
            if isinstance(event, FromHand) and event.transcribed is not None:
                came = event.transcribed.model_copy(update=change)
                forged = [
                    *made.events[:place],
                    event.model_copy(update={"transcribed": came}),
                    *made.events[place + 1 :],
                ]
                assert unlawful(forged), (event.type, change)


@pytest.mark.parametrize("change", [{"seen": "open"}, {"tag": "D-999"}, {"point": "nowhere"}, {"lock": "L-upstream"}])
def test_an_outsider_finds_a_row_that_cannot_be(change: dict[str, str]) -> None:
    """Another position or tag, a point that is not there, a lock that is on another point."""
    bench = printed("shut/locks")
    for point in ("upstream", "fan"):
        bench.do(row(bench, point), HANDS)
    whole(bench)

    last = bench.events[-1]
    assert isinstance(last, PointLocked)

    assert unlawful([*bench.events[:-1], last.model_copy(update=change)])


def test_whoever_entered_a_mark_does_not_verify_it_from_a_later_blank_either() -> None:
    """They had read the number before that page was printed; whoever did neither may."""
    bench = printed("out-1/gather", HANDS, EYES, OTHER_LEAD)
    bench.do(mark(bench, 10), EYES)
    bench.run_to("out-1/closures")
    bench.do(PrintBlank(), HANDS)
    bench.now += timedelta(minutes=10)
    step = bench.state.due
    assert step is not None
    when = utc_text(bench.now - timedelta(minutes=2))[:16] + "+00:00"
    answers = made_up_answers(step)

    with pytest.raises(Refused, match="or recorded it"):
        bench.do(Transcribe(step.id, "2026-0001-B2", when, "no power", "ab" * 32, EYES, LEAD, None, answers), HANDS)
    bench.do(Transcribe(step.id, "2026-0001-B2", when, "no power", "ab" * 32, OTHER_LEAD, LEAD, None, answers), HANDS)
    assert bench.state.mark(step.id).stands


def test_nobody_stands_on_a_page_after_handing_the_job_over() -> None:
    """What they did before it is entered; what a page says of them after it is not, and no record holds it."""
    bench = opened(crew=(HANDS, EYES, OTHER_LEAD))
    bench.run_to("isolate/verify/isolation")
    bench.do(PrintBlank(), EYES)
    bench.now = datetime.fromisoformat(at(bench, 20))
    bench.do(Suspend("break", looks_as_recorded(suspend_looks(bench.state)), "control room", "verify it"), HANDS)
    bench.do(TakeOver(HANDS, tuple(DOCUMENTS)), EYES)
    bench.do(ReadNext(), EYES)
    bench.do(AnswerLooks(looks_as_recorded(bench.state.rechecks)), EYES)
    bench.do(SignHandover(), HANDS)
    bench.do(SignHandover(), EYES)
    bench.now = datetime.fromisoformat(at(bench, 60))

    with pytest.raises(Refused, match="had handed this job over at"):
        enter(bench, PutOwnLockOn("P-7"), HANDS, by=EYES, second=OFFICER, minutes=50)
    (on,) = enter(bench, PutOwnLockOn("P-7"), HANDS, by=EYES, second=OFFICER, minutes=10)
    whole(bench)

    assert isinstance(on, FromHand)
    assert on.transcribed is not None
    later = on.model_copy(update={"transcribed": on.transcribed.model_copy(update={"happened": at(bench, 50)})})
    assert any("had handed the job over before" in told for told in unlawful([*bench.events[:-1], later]))
