"""Laws of locks, labels and repeated readings: what nobody can do, whoever asks, in states that a crew can reach."""

from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.calc.errors import ChangeoutError, Invalid
from app.domain.commands import Begin, Command, ExplainStop, Finish, Release, Reopen, StopWork
from app.domain.event_base import Who
from app.domain.events import Event, JobStopped, StepDone, event_from, payload_of
from app.domain.history import unlawful
from app.domain.housing import Housing
from app.domain.job import JobState, Stage
from app.domain.labels import look_alikes, told_apart
from app.domain.leaving import AnswerLooks
from app.domain.locks import (
    OTHERWISE,
    DamperStroked,
    LockPoint,
    OthersLockRemoved,
    OwnLockOff,
    PointLocked,
    PointUnlocked,
    PutOwnLockOn,
    RemoveOthersLock,
    StrokeDamper,
    StrokePart,
    TakeOwnLockOff,
    UnlockPoint,
)
from app.domain.refused import Refused
from app.domain.watching import NoticeMissed, ReadingMissed, TakeReading, missed_by
from app.services.rehearsal import labels_of, looks_as_recorded, made_up_answers
from tests.builders import EYES, HANDS, LEAD, OFFICER, OTHER_LEAD, Bench, housing, opened

ATTEMPT = (("2026-03-02 08:10", "rang twice, no answer"),)


def at(name: str, tag: str = "EF-03") -> Bench:
    """Return a job of which the step with this end of its id is due."""
    bench = opened(tag)
    bench.brief(LEAD, OTHER_LEAD)
    bench.run_to(name)
    return bench


def due(state: JobState) -> str:
    """Return the id of the step that is due."""
    assert state.due is not None
    return state.due.id


def refused(bench: Bench, command: Command, by: Who) -> Refused:
    """Return the refusal of a command, which must come."""
    before = bench.state
    with pytest.raises(Refused) as caught:
        bench.do(command, by)
    assert bench.state is before
    return caught.value


def removal(lock: str, officer: Who = OFFICER, attempts: tuple[tuple[str, str], ...] = ATTEMPT) -> RemoveOthersLock:
    """Return the removal of a lock with all that has to be known."""
    return RemoveOthersLock(lock, officer, "signed out at the gate 07:40", attempts, "call before the next shift")


def lock_two(bench: Bench) -> None:
    """Lock the two dampers and leave the fan out."""
    for point in ("upstream", "downstream"):
        bench.do(LockPoint(due(bench.state), point, "shut", f"L-{point}", f"T-{point}"), HANDS)


def test_the_step_stands_when_the_last_row_does() -> None:
    """Each row is one mark with its own time and hand; the last one ends the step, and the record is lawful."""
    bench = at("shut/locks")
    lock_two(bench)
    before = due(bench.state)
    fresh = bench.do(LockPoint(before, "fan", "stopped, isolator off", "L-3", "T-3"), EYES)

    assert [event.type for event in fresh] == ["point_locked", "step_done"]
    assert [(row.tag, row.lock, row.by) for row in bench.state.locks.points] == [
        ("D-301", "L-upstream", HANDS), ("D-302", "L-downstream", HANDS), ("F-31", "L-3", EYES),
    ]  # fmt: skip
    assert len({row.at for row in bench.state.locks.points}) == 3
    assert unlawful(bench.events) == ()
    assert [event_from(payload_of(event)) for event in bench.events] == bench.events


def test_a_missing_row_is_named_and_nothing_goes_past_it() -> None:
    """Without a row for the fan the step cannot be marked done, by anybody, and the refusal names the fan."""
    bench = at("shut/locks")
    lock_two(bench)

    for by in (HANDS, EYES, LEAD):
        no = refused(bench, Finish(due(bench.state)), by)
        assert no.logged
        assert "F-31" in str(no)


def test_a_point_is_locked_in_its_safe_position_once_with_a_lock_of_its_own() -> None:
    """Another position, a second lock, a used or missing number, a point that is not there: none makes a row."""
    bench = at("shut/locks")
    step = due(bench.state)
    bench.do(LockPoint(step, "upstream", "shut", "L-1", "T-1"), HANDS)

    assert refused(bench, LockPoint(step, "downstream", OTHERWISE, "L-2", "T-2"), HANDS).code == "not_safe"
    assert refused(bench, LockPoint(step, "upstream", "shut", "L-2", "T-2"), HANDS).code == "row_stands"
    assert refused(bench, LockPoint(step, "downstream", "shut", "L-1", "T-2"), HANDS).code == "lock_in_use"
    assert refused(bench, UnlockPoint(step, "upstream"), HANDS).code == "no_table"
    for command in (
        LockPoint(step, "downstream", "shut", " ", "T-2"),
        LockPoint(step, "downstream", "shut", "L-2", ""),
        LockPoint(step, "downstream", "half", "L-2", "T-2"),
        LockPoint(step, "steam", "shut", "L-2", "T-2"),
        LockPoint(step, "downstream", "shut", "L" * 41, "T-2"),
    ):
        with pytest.raises(Invalid):
            bench.do(command, HANDS)


def test_whoever_put_a_lock_on_does_not_verify_the_isolation() -> None:
    """The verifier is nobody of those whose locks hold the points, whichever of them ended the step."""
    bench = at("shut/locks")
    bench.do(LockPoint(due(bench.state), "upstream", "shut", "L-1", "T-1"), HANDS)
    bench.do(LockPoint(due(bench.state), "downstream", "shut", "L-2", "T-2"), OTHER_LEAD)
    bench.do(LockPoint(due(bench.state), "fan", "stopped, isolator off", "L-3", "T-3"), EYES)
    bench.run_to("verify/isolation")

    assert refused(bench, Begin(due(bench.state)), OTHER_LEAD).code == "own_work"
    assert refused(bench, Begin(due(bench.state)), HANDS).code == "own_work"
    assert refused(bench, Begin(due(bench.state)), EYES).code == "own_work"
    bench.do(Begin(due(bench.state)), LEAD)


def test_a_lock_comes_off_by_the_hand_that_put_it_on() -> None:
    """Nobody else takes a row's lock or somebody's own lock off, whatever their role."""
    bench = at("unlock/locks")
    bench.do(PutOwnLockOn("P-7"), EYES)
    for by, why in ((EYES, "own_locks_on"), (LEAD, "own_locks_on"), (OFFICER, "not_briefed")):
        assert refused(bench, UnlockPoint(due(bench.state), "fan"), by).code == why
    for by in (HANDS, LEAD, OFFICER):
        no = refused(bench, TakeOwnLockOff("P-7"), by)
        assert no.logged
        assert EYES.name in str(no)
    bench.do(TakeOwnLockOff("P-7"), EYES)

    assert refused(bench, UnlockPoint(due(bench.state), "fan"), EYES).code == "not_your_lock"
    assert refused(bench, UnlockPoint(due(bench.state), "fan"), LEAD).code == "not_your_lock"
    assert refused(bench, TakeOwnLockOff("P-7"), EYES).code == "no_lock"
    assert refused(bench, Finish(due(bench.state)), HANDS).code == "rows_missing"


@pytest.mark.parametrize("name", ["unlock/locks", "unlock/upstream", "unlock/fan", "service/return"])
def test_nothing_goes_back_into_service_while_somebodys_own_lock_is_on(name: str) -> None:
    """At every step on the way back the refusal names who is still locked on; off, the step goes on."""
    bench = at(name)
    step = bench.state.due
    assert step is not None
    bench.do(PutOwnLockOn("P-7"), EYES)
    command: Command = Begin(step.id, answers=labels_of(step)) if step.marks == 2 else UnlockPoint(step.id, "fan")
    no = refused(bench, command, HANDS)
    assert EYES.name in str(no)
    assert no.logged
    bench.do(TakeOwnLockOff("P-7"), EYES)
    bench.do(command, HANDS)

    assert unlawful(bench.events) == ()


def test_the_door_waits_for_every_lock() -> None:
    """A door is not begun while a point has lost its lock."""
    bench = at("open/door")
    step = bench.state.due
    assert step is not None
    row = bench.state.locks.at("fan")
    assert row is not None
    off = PointUnlocked(
        ledger=bench.ledger, seq=bench.state.size, at=row.at, by=HANDS, step=step.id, point="fan", lock=row.lock
    )
    from app.domain.job import evolve

    bench.state = evolve(bench.state, off)

    assert refused(bench, Begin(step.id, answers=labels_of(step)), HANDS).code == "unlocked"


def test_somebody_elses_lock_goes_by_two_signatures_and_four_facts() -> None:
    """A lead with a safety officer, off site, at least one attempt, how they will be told; each missing one refuses."""
    bench = at("verify/release")
    bench.do(PutOwnLockOn("P-7"), HANDS)

    assert refused(bench, removal("P-7"), EYES).code == "lock_role"
    assert refused(bench, removal("P-7", OTHER_LEAD), LEAD).code == "lock_role"
    assert refused(bench, removal("P-7", attempts=()), LEAD).code == "no_attempt"
    assert refused(bench, removal("P-8"), LEAD).code == "no_lock"
    assert refused(bench, RemoveOthersLock("P-7", OFFICER, " ", ATTEMPT, "call"), LEAD).code == "no_words"
    assert refused(bench, RemoveOthersLock("P-7", OFFICER, "gate", ATTEMPT, ""), LEAD).code == "no_words"
    assert refused(bench, removal("P-7", attempts=(("2026-03-02 08:10", ""),)), LEAD).code == "no_words"
    with pytest.raises(Invalid):
        bench.do(removal("P-7", attempts=(("this morning", "rang"),)), LEAD)
    (removed,) = bench.do(removal("P-7"), LEAD)
    assert isinstance(removed, OthersLockRemoved)
    assert (removed.owner, removed.officer) == (HANDS, OFFICER)
    assert bench.state.locks.own == ()
    assert [item.kind for item in bench.state.notables][-1] == "lock removed"
    assert unlawful(bench.events) == ()


def test_ones_own_lock_is_never_removed_as_somebody_elses() -> None:
    """Neither the lead nor the officer may sign for a lock of their own."""
    bench = at("verify/release")
    bench.do(PutOwnLockOn("P-1"), LEAD)
    bench.brief(OFFICER)
    bench.do(PutOwnLockOn("P-2"), OFFICER)

    assert refused(bench, removal("P-1"), LEAD).code == "own_lock"
    assert refused(bench, removal("P-2"), LEAD).code == "own_lock"


def test_a_points_lock_is_removed_by_others_only_when_the_locks_come_off() -> None:
    """Before that it would end the isolation; then it is one of the rows, and the last ends the step."""
    early, late = at("verify/release"), at("unlock/locks")
    lock = early.state.locks.points[0].lock
    assert refused(early, removal(lock), LEAD).code == "no_table"
    for row in late.state.locks.points:
        fresh = late.do(removal(row.lock), LEAD)

    assert [type(event) for event in fresh] == [OthersLockRemoved, StepDone]
    assert unlawful(late.events) == ()


def test_a_damper_is_moved_for_a_trial_by_its_parts_and_verified_anew() -> None:
    """Clear, off, moved, on: in that order; nothing is marked meanwhile, and the verification is due again."""
    bench = at("open/door")
    step = bench.state.due
    assert step is not None
    begin = Begin(step.id, answers=labels_of(step))
    clear = StrokeDamper("upstream", StrokePart.CLEAR, "nobody near it, tools back")
    assert refused(bench, clear, HANDS).code == "role"
    assert refused(bench, StrokeDamper("fan", StrokePart.CLEAR, "clear"), LEAD).code == "no_lock"
    assert refused(bench, StrokeDamper("upstream", StrokePart.OFF), HANDS).code == "no_trial"
    bench.do(PutOwnLockOn("P-7"), EYES)
    assert refused(bench, clear, LEAD).code == "own_locks_on"
    bench.do(TakeOwnLockOff("P-7"), EYES)
    bench.do(clear, LEAD)
    assert refused(bench, begin, HANDS).code == "trial"
    assert refused(bench, StrokeDamper("upstream", StrokePart.MOVED, "moved"), HANDS).code == "trial_order"
    assert refused(bench, StrokeDamper("upstream", StrokePart.OFF), EYES).code == "not_your_lock"
    bench.do(StrokeDamper("upstream", StrokePart.OFF), HANDS)
    assert refused(bench, begin, HANDS).code == "trial"
    bench.do(StrokeDamper("upstream", StrokePart.MOVED, "full travel and back"), HANDS)
    again = StrokeDamper("upstream", StrokePart.ON, OTHERWISE, "L-9", "T-9")
    assert refused(bench, again, HANDS).code == "not_safe"
    bench.do(StrokeDamper("upstream", StrokePart.ON, "shut", "L-9", "T-9"), HANDS)

    assert due(bench.state).endswith("verify/isolation")
    assert bench.state.model is not None
    assert bench.state.model.isolation == "locked"
    bench.run_to("open/door")
    assert bench.state.model.isolation == "verified"
    bench.run_to()
    assert unlawful(bench.events) == ()


def test_a_trial_never_begins_with_a_door_off_or_while_the_job_is_stopped() -> None:
    """With a door off the lead is refused; a stop in the midst of a trial lets the damper only be locked again."""
    bench = at("open/bag")
    clear = StrokeDamper("upstream", StrokePart.CLEAR, "clear")
    assert refused(bench, clear, LEAD).code == "door_off"
    other = at("open/door")
    other.do(clear, LEAD)
    assert refused(other, clear, LEAD).code == "not_open"
    other.do(StrokeDamper("upstream", StrokePart.OFF), HANDS)
    other.do(StopWork(), EYES)
    no = refused(other, StrokeDamper("upstream", StrokePart.MOVED, "moved"), HANDS)

    assert no.code == "not_open"


def test_a_trial_is_given_up_only_while_the_lock_is_on() -> None:
    """Given up, the job goes on where it was; with the lock off there is no way but through the parts."""
    bench = at("open/door")
    here = due(bench.state)
    bench.do(StrokeDamper("upstream", StrokePart.CLEAR, "clear"), LEAD)
    bench.do(StrokeDamper("upstream", StrokePart.GIVEN_UP, "lock stayed on"), EYES)
    assert due(bench.state) == here
    bench.do(StrokeDamper("upstream", StrokePart.CLEAR, "clear"), LEAD)
    bench.do(StrokeDamper("upstream", StrokePart.OFF), HANDS)

    assert refused(bench, StrokeDamper("upstream", StrokePart.GIVEN_UP, "no"), EYES).code == "trial_order"


def test_one_lock_is_one_lock_however_its_number_is_typed() -> None:
    """Capitals and spaces make no second lock of the same number, and no lock that nobody can take off."""
    bench = at("open/door")
    bench.do(PutOwnLockOn("C 1"), HANDS)

    again = refused(bench, PutOwnLockOn("c1"), EYES)
    bench.do(TakeOwnLockOff("C1"), HANDS)

    assert again.code == "lock_in_use"
    assert bench.state.locks.own == ()
    assert unlawful(bench.events) == ()


@pytest.mark.parametrize("typed", ["D-201", "-302", "D-30", "301", "F-31", "D-3011"])
def test_a_step_is_begun_only_with_its_own_label(typed: str) -> None:
    """A neighbour's, another component's or too short a label is refused, worth an entry, and names the right one."""
    bench = at("shut/upstream")
    no = refused(bench, Begin(due(bench.state), answers={"label": typed}), HANDS)

    assert no.code == "wrong_tag"
    assert no.logged
    assert "D-301" in str(no)
    assert typed in str(no)


def test_a_label_is_given_and_nothing_else() -> None:
    """Without a label, or with an answer not asked for yet, nothing is begun; the end of the label is enough."""
    bench = at("shut/upstream")
    with pytest.raises(Invalid):
        bench.do(Begin(due(bench.state)), HANDS)
    with pytest.raises(Invalid):
        bench.do(Begin(due(bench.state), answers={"label": "D-301", "seen": "x"}), HANDS)
    bench.do(Begin(due(bench.state), answers={"label": " d-301 "}), HANDS)

    assert bench.state.mark(due(bench.state)).labels == {"label": "d-301"}


tags = st.text("ABDEF0123456789-", min_size=4, max_size=9)


HEARD = {
    ("D-301", "D-301", ()): True,
    ("d-301", "D-301", ()): True,
    ("  D-301 ", "D-301", ()): True,
    ("D301", "D-301", ()): True,
    ("D 301", "D-301", ()): True,
    ("-301", "D-301", ()): True,
    ("301", "D-301", ()): False,
    ("", "D-301", ()): False,
    ("D-30", "D-301", ()): False,
    ("D-3011", "D-301", ()): False,
    ("XD-301", "D-301", ()): False,
    ("D-302", "D-301", ("D-302",)): False,
    ("-301", "D-301", ("E-301",)): False,
    ("D-301", "D-301", ("E-301",)): True,
    ("D-301", "D-301", ("AD-301",)): True,
    ("D-301", "AD-301", ("BD-301",)): False,
    ("AD-301", "AD-301", ("BD-301",)): True,
    ("-301", "D-301", ("F-302", "E-301")): False,
    ("-301", "D-301", ("F-302",)): True,
}
"""What is typed, the label meant, those nearby; and what somebody on the spot would say of it."""


@pytest.mark.parametrize(("typed", "tag", "neighbours"), HEARD)
def test_a_label_is_taken_where_somebody_on_the_spot_would_take_it(
    typed: str, tag: str, neighbours: tuple[str, ...]
) -> None:
    """Written out by hand: the whole label however it is written, or four characters of its end that no other has."""
    assert told_apart(typed, tag, neighbours) is HEARD[typed, tag, neighbours]


def heard(typed: str, tag: str) -> bool:
    """Say the same from the end of the label forwards, one character at a time; signs and spaces are not spoken."""
    said, meant = [[char for char in word.upper() if char.isalnum()] for word in (typed, tag)]
    if said and said == meant:
        return True
    if len(typed.strip()) < 4 or not said or len(said) > len(meant):
        return False
    return all(said.pop() == meant.pop() for _ in range(len(said)))


@given(tag=tags, typed=tags, neighbours=st.lists(tags, max_size=4), cut=st.integers(0, 9), alike=st.integers(0, 9))
def test_a_label_is_taken_for_no_neighbours(tag: str, typed: str, neighbours: list[str], cut: int, alike: int) -> None:
    """Whatever is typed, and whatever end of the label: taken if heard as this one and, unless whole, as no other."""
    neighbours = [*neighbours, f"B{tag[alike:]}"]
    for said in (typed, tag[cut:], tag.lower()):
        whole = [char for char in said.upper() if char.isalnum()] == [char for char in tag if char.isalnum()]
        expected = heard(said, tag) and (whole or not any(heard(said, other) for other in neighbours))
        if any(char.isalnum() for char in tag):
            assert told_apart(said, tag, neighbours) == expected, (said, tag, neighbours)


def test_look_alikes_are_those_that_begin_with_the_same_letters() -> None:
    """Named are the ones that could be mistaken for it; where none could, all that are near."""
    assert look_alikes("D-301", ["D-302", "F-31", "D-401"]) == ("D-302", "D-401")
    assert look_alikes("D-301", ["F-31", "E-302"]) == ("F-31", "E-302")
    assert look_alikes("damper D-301", ["damper D-302", "fan F-31"]) == ("damper D-302",)
    assert look_alikes("D-301", []) == ()


def later(bench: Bench, minutes: int) -> None:
    """Let the told clock run."""
    bench.now += timedelta(minutes=minutes)


def test_a_reading_missed_once_is_marked_and_twice_stops_the_job() -> None:
    """Only somebody who acts or looks makes the entries; the second carries the stop, with its reason and times."""
    bench = at("open/bag")
    assert bench.state.watch.due is not None
    later(bench, 31)
    once = bench.do(NoticeMissed(), EYES)
    assert [type(event) for event in once] == [ReadingMissed]
    assert bench.state.stage is Stage.OPEN
    assert bench.do(NoticeMissed(), EYES) == ()
    later(bench, 31)
    no = refused(bench, Finish(due(bench.state), made_up_answers(bench.state.steps[bench.state.place])), HANDS)
    assert no.code == "lapsed"
    twice = bench.do(NoticeMissed(), EYES)

    assert [type(event) for event in twice] == [ReadingMissed, JobStopped]
    assert isinstance(twice[-1], JobStopped)
    assert twice[-1].reason == "unexpected"
    assert [event.count for event in (*once, *twice) if isinstance(event, ReadingMissed)] == [1, 2]
    assert bench.state.watch == replace(bench.state.watch, due=None)
    assert unlawful(bench.events) == ()


def test_whoever_only_looked_when_readings_were_missed_did_not_stop_the_job() -> None:
    """The program stopped it: a lead who opened the page may lead on; an outsider sees that readings were missed."""
    bench = at("out-1/draw")
    later(bench, 65)

    fresh = bench.do(NoticeMissed(), LEAD)
    bench.do(Reopen("the gauge was read at once; all is well"), LEAD)

    assert isinstance(fresh[-1], JobStopped)
    assert fresh[-1].noticed
    assert unlawful(bench.events) == ()
    forged = [event for event in bench.events if not isinstance(event, ReadingMissed)]
    forged = [event.model_copy(update={"seq": place}) for place, event in enumerate(forged)]
    assert any("no readings were missed" in told for told in unlawful(forged))


def test_both_missed_at_once_stop_the_job_too() -> None:
    """Nobody looked for an hour: both lapses are entered, then the stop."""
    bench = at("open/bag")
    later(bench, 120)
    fresh = bench.do(NoticeMissed(), HANDS)

    assert [type(event) for event in fresh] == [ReadingMissed, ReadingMissed, JobStopped]


def test_a_reading_in_time_moves_what_is_due_and_one_outside_stops() -> None:
    """Within its limit it is an entry and the next is due later; outside, the job stops with the value."""
    bench = at("open/bag")
    first = bench.state.watch.due
    later(bench, 20)
    bench.do(TakeReading("-20"), HANDS)
    assert first is not None
    assert bench.state.watch.due is not None
    assert bench.state.watch.due > first
    assert bench.state.watch.missed == 0
    for text in ("", "soon", "9" * 41):
        with pytest.raises(ChangeoutError):
            bench.do(TakeReading(text), HANDS)
    fresh = bench.do(TakeReading("12"), HANDS)

    assert [event.type for event in fresh] == ["reading_repeated", "job_stopped"]
    assert bench.state.stop is not None
    assert "12" in bench.state.stop.text
    assert [event.type for event in bench.do(TakeReading("-3"), HANDS)] == ["reading_repeated"]


def test_nothing_is_due_before_the_door_is_off_or_after_it_is_on() -> None:
    """The watch runs from the first door off to the last door on, and from a re-opening anew."""
    bench = at("open/door")
    assert refused(bench, TakeReading("-20"), HANDS).code == "not_watched"
    bench.run_to("open/bag")
    bench.do(StopWork(), HANDS)
    bench.do(ExplainStop("unexpected", "a sound"), HANDS)
    later(bench, 200)
    assert bench.do(NoticeMissed(), EYES) == ()
    bench.do(Reopen("looked at"), OTHER_LEAD)
    bench.do(AnswerLooks(looks_as_recorded(bench.state.rechecks)), EYES)
    assert bench.state.watch.due is not None
    assert missed_by(bench.state.watch, bench.state.last_at) == ()
    closed = bench.run_to("unlock/clear")

    assert closed.watch.due is None
    assert refused(bench, TakeReading("-20"), HANDS).code == "not_watched"


def test_an_accepted_record_takes_no_lock_and_no_reading() -> None:
    """After acceptance a lock, a trial or a reading is refused."""
    from app.domain.commands import Accept, OpenException, Submit

    bench = at("")
    bench.run_to()
    bench.do(Submit(), LEAD)
    for item in bench.state.unread:
        bench.do(OpenException(item.seq), OFFICER)
    bench.do(Accept(), OFFICER)

    assert refused(bench, PutOwnLockOn("P-1"), HANDS).code == "accepted"


def test_an_outsider_finds_what_the_rules_would_have_refused() -> None:
    """Entries made up past the rules: another's hand, a row left out, a label left out, a trial out of turn."""
    bench = at("shut/upstream")
    begun = bench.do(Begin(due(bench.state), answers={"label": "D-301"}), HANDS)[0]
    bench.run_to("open/door")
    events = bench.events
    row = next(event for event in events if isinstance(event, PointLocked))
    rest = {"ledger": bench.ledger, "seq": len(events), "at": events[-1].at, "by": EYES}
    made: dict[str, list[Event]] = {
        "the label": [event.model_copy(update={"labels": None}) if event is begun else event for event in events],
        "not locked": [event for event in events if event is not row],
        "locked twice": [*events, row.model_copy(update={"seq": len(events)})],
        "not theirs": [*events, PointUnlocked(**rest, step=row.step, point=row.point, lock=row.lock)],
        "no lock of theirs": [*events, OwnLockOff(**rest, lock="P-1")],
        "trial": [*events, DamperStroked(**rest, point="upstream", tag="D-301", part=StrokePart.MOVED, seen="moved")],
    }

    assert unlawful(events) == ()
    assert {name: unlawful(found) for name, found in made.items()} == {
        "the label": ("Entry 14: the step isolate/shut/upstream was begun without the label of D-301 being read.",),
        "not locked": ("Entry 21: the step isolate/shut/locks was done while D-301 was not locked.",),
        "locked twice": ("Entry 33: D-301 was locked twice.",),
        "not theirs": ("Entry 33: Tomé Silva took off lock L-1, which was not theirs.",),
        "no lock of theirs": ("Entry 33: Tomé Silva took off lock P-1, which was not theirs.",),
        "trial": ("Entry 33: D-301 was moved without a trial in hand.",),
    }


def test_a_job_laid_down_before_there_was_a_table_goes_on_as_it_was() -> None:
    """Steps without a table, labels or repeated reading ask for none of them, and their record stays lawful."""
    bench = at("shut/locks")
    assert bench.state.opened is not None
    old = [
        step.model_copy(
            update={"table": None, "further": None, "asks": tuple(it for it in step.asks if it.ask.kind != "tag")}
        )
        for step in bench.state.opened.steps
    ]
    draft = bench.state.opened.model_copy(
        update={"steps": tuple(old), "repeated": None, "ways_out": None, "contingencies": None}
    )
    from app.domain.commands import Open

    again = Bench(ledger=bench.ledger)
    again.do(Open(draft), LEAD)
    again.run_to()

    assert again.state.locks.hung == ()
    assert unlawful(again.events) == ()
    assert "table" not in str(payload_of(again.events[0]))


def test_points_follow_from_the_dampers_and_the_fan_unless_given() -> None:
    """A housing without a list has three points; one with a list must hold both dampers and a fan, each once."""
    plain = housing("EF-07")
    assert [point.tag for point in plain.points] == ["D-701", "D-702", "fan F-71"]
    assert "isolation_points" not in plain.model_dump(exclude_none=True)
    points = [point.model_dump() for point in plain.points]
    whole = plain.model_dump() | {
        "isolation_points": [*points, {"id": "n2", "tag": "V-9", "kind": "purge", "safe": "shut"}]
    }
    assert [point.id for point in Housing.model_validate(whole).points][-1] == "n2"
    for wrong in (points[1:], points[:2], [*points, points[0]]):
        with pytest.raises(ValueError, match="isolation point"):
            Housing.model_validate(plain.model_dump() | {"isolation_points": wrong})
    with pytest.raises(ValueError, match="neighbours"):
        Housing.model_validate(plain.model_dump() | {"neighbours": ["D-701"]})


def test_holds_wait_while_a_trial_is_in_hand() -> None:
    """A hold is not released while a damper is being moved; the trial given up, it is."""
    bench = at("verify/release")
    bench.do(StrokeDamper("upstream", StrokePart.CLEAR, "clear"), LEAD)

    assert refused(bench, Release(due(bench.state)), OFFICER).code == "trial"
    bench.do(StrokeDamper("upstream", StrokePart.GIVEN_UP, "lock stayed on"), LEAD)
    assert [event.type for event in bench.do(Release(due(bench.state)), OFFICER)] == ["hold_released"]
