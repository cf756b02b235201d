"""Leaving, handing over and paper, where the laws of a job do not look: personal locks, kept marks, forged entries."""

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from app.calc.errors import ChangeoutError, Invalid
from app.domain.commands import Accept, Begin, Finish, Late, Submit
from app.domain.crew import Acknowledge, Part
from app.domain.decide import decide
from app.domain.deciding.common import signature_of
from app.domain.deciding.leaving import suspend_looks
from app.domain.event_base import Who
from app.domain.events import Event, JobStopped, JobSubmitted, MarkContested, StepBegun, event_from, payload_of
from app.domain.history import unlawful
from app.domain.job import Stage, evolve, fold
from app.domain.leaving import (
    DOCUMENTS,
    AnswerLooks,
    HandoverSigned,
    ReadNext,
    ReturnToWork,
    SignHandover,
    Suspend,
    TakeOver,
)
from app.domain.locks import OwnLockOff, OwnLockOn, PutOwnLockOn, RemoveOthersLock, TakeOwnLockOff, UnlockPoint
from app.domain.paper import PrintBlank, Transcribe
from app.domain.radio import ReleaseByRadio
from app.domain.refused import Refused
from app.domain.reopening import port_looks
from app.domain.signing import HAND_OVER, SUBMIT
from app.records.moments import typed_instant
from app.services.rehearsal import Cast, labels_of, looks_as_recorded, made_up_answers
from tests.builders import CAST, EYES, HANDS, LEAD, OFFICER, OTHER_LEAD, Bench, opened

AT_DOOR = "port/P1/out-1/draw"


def suspended(name: str = AT_DOOR, by: Who = HANDS) -> Bench:
    """Return a job that was left before a step."""
    bench = opened()
    bench.run_to(name)
    if bench.state.crew.member(by.id) is None:
        bench.brief(by)
    bench.do(Suspend("break", looks_as_recorded(suspend_looks(bench.state)), "control room", "draw the filter"), by)
    return bench


def walked_down(*, own_lock: bool = False) -> Bench:
    """Return a job of which the hand-over waits for its first signature, perhaps under the outgoing person's lock."""
    bench = suspended()
    if own_lock:
        bench.do(PutOwnLockOn("C-1"), HANDS)
    bench.do(TakeOver(HANDS, tuple(DOCUMENTS)), EYES)
    bench.do(ReadNext(), EYES)
    bench.do(AnswerLooks(looks_as_recorded(bench.state.rechecks)), EYES)
    return bench


def handed_over() -> Bench:
    """Return a job that one technician handed over to the other."""
    bench = walked_down()
    bench.do(SignHandover(), HANDS)
    bench.do(SignHandover(), EYES)
    return bench


def test_no_handover_is_signed_over_the_outgoing_persons_own_lock() -> None:
    """The incoming lock goes on before the outgoing one comes off, and only then the two sign."""
    bench = walked_down(own_lock=True)

    with pytest.raises(
        Refused, match=r"^The lock of Noor Haddad is still on\. Tomé Silva puts theirs on first\. Then Noor"
    ):
        bench.do(SignHandover(), HANDS)
    with pytest.raises(Refused, match=r"^Tomé Silva is taking over: their lock goes on before the lock of Noor Haddad"):
        bench.do(TakeOwnLockOff("C-1"), HANDS)
    bench.do(PutOwnLockOn("C-2"), EYES)
    with pytest.raises(
        Refused, match=r"^The lock of Noor Haddad is still on\. Then Noor Haddad takes it off under Locks"
    ):
        bench.do(SignHandover(), HANDS)
    bench.do(TakeOwnLockOff("C-1"), HANDS)
    bench.do(TakeOwnLockOff("C-2"), EYES)
    with pytest.raises(Refused, match=r"^The lock of Noor Haddad came off for this, and Tomé Silva has none on"):
        bench.do(SignHandover(), HANDS)
    bench.do(PutOwnLockOn("C-2"), EYES)
    bench.do(SignHandover(), HANDS)
    bench.do(SignHandover(), EYES)

    assert HANDS.id in bench.state.leaving.gone
    assert unlawful(bench.events) == ()


def back_at(tag: str) -> Bench:
    """Return a job that somebody has come back to, with an own lock of each of the two, its line read."""
    bench = opened(tag)
    bench.run_to("isolate/verify/pause")
    for lock, who in (("C-1", HANDS), ("C-2", EYES)):
        bench.do(PutOwnLockOn(lock), who)
    looks = looks_as_recorded(suspend_looks(bench.state))
    bench.do(Suspend("break", looks, "control room", "hold the pause"), HANDS)
    bench.do(ReturnToWork(), EYES)
    bench.do(ReadNext(), EYES)
    return bench


def test_whoever_returns_looks_at_every_point_and_every_own_lock() -> None:
    """Purge and sample lines with their position and lock, and each own lock that is on; as recorded, work goes on."""
    bench = back_at("EF-11")
    asked = {look.id: look for look in bench.state.rechecks}
    own = [f"own-{row.seq}" for row in bench.state.locks.own]

    assert {f"lock-{point.id}" for point in bench.state.opened.housing.points} <= asked.keys()  # type: ignore[union-attr]
    assert asked["point-purge"].options == ("shut, end capped", "in another position")
    assert [(asked[name].text, asked[name].expected) for name in own] == [
        ("Own lock of Noor Haddad: its number", "C-1"), ("Own lock of Tomé Silva: its number", "C-2"),
    ]  # fmt: skip

    bench.do(AnswerLooks(looks_as_recorded(bench.state.rechecks)), EYES)

    assert bench.state.stage is Stage.OPEN
    assert unlawful(bench.events) == ()


@pytest.mark.parametrize(
    ("look", "seen"), [("point-sample", "in another position"), ("lock-purge", "L-99"), ("own", "C-9")]
)
def test_a_point_or_an_own_lock_found_otherwise_stops_the_job(look: str, seen: str) -> None:
    """It is no different from a damper that is found open."""
    bench = back_at("EF-11")
    name = bench.state.locks.own[1].look if look == "own" else look

    bench.do(AnswerLooks(looks_as_recorded(bench.state.rechecks) | {name: seen}), EYES)

    assert bench.state.stage is Stage.STOPPED
    assert isinstance(bench.events[-1], JobStopped)
    assert unlawful(bench.events) == ()


def test_an_own_lock_that_comes_off_meanwhile_is_looked_for_no_more() -> None:
    """Whoever leaves takes their lock along; the other one is still looked at, and the number asked is not theirs."""
    bench = back_at("EF-11")
    gone, left = bench.state.locks.own

    bench.do(TakeOwnLockOff(gone.lock), HANDS)

    assert {item.id for item in bench.state.rechecks if item.id.startswith("own-")} == {left.look}
    bench.do(AnswerLooks(looks_as_recorded(bench.state.rechecks)), EYES)
    assert bench.state.stage is Stage.OPEN
    assert unlawful(bench.events) == ()


def test_the_last_own_lock_stays_on_suspended_work_whose_isolation_is_needed() -> None:
    """Between suspension and taking over somebody's own lock holds the isolation; a lead with an officer takes it off.

    The lock of somebody who goes on lets the others come off, a second lock of the same person does not.
    """
    bench = suspended()
    bench.do(PutOwnLockOn("C-1"), HANDS)
    bench.do(PutOwnLockOn("C-3"), HANDS)

    for lock in ("C-1", "C-3"):
        with pytest.raises(Refused, match=r"is not the last to come off: whoever goes on with the work puts theirs on"):
            bench.do(TakeOwnLockOff(lock), HANDS)
    bench.do(PutOwnLockOn("C-2"), EYES)
    bench.do(TakeOwnLockOff("C-1"), HANDS)
    bench.do(TakeOwnLockOff("C-3"), HANDS)
    with pytest.raises(Refused, match=r"the lock of Tomé Silva is not the last to come off"):
        bench.do(TakeOwnLockOff("C-2"), EYES)
    bench.do(RemoveOthersLock("C-2", OFFICER, "signed out 07:40", (("2026-03-02 08:10", "no answer"),), "a call"), LEAD)

    assert bench.state.locks.own == ()


def test_the_lock_of_somebody_who_handed_the_job_over_is_no_lock_to_leave_it_under() -> None:
    """Suspended anew, the work keeps a lock of somebody who may go on with it."""
    bench = handed_over()
    bench.do(PutOwnLockOn("C-2"), EYES)
    bench.brief(LEAD)
    forged = OwnLockOn(ledger=bench.ledger, seq=bench.state.size, at=bench.moment(HANDS).at, by=HANDS, lock="C-9")
    bench.state = fold((forged,), start=bench.state)
    bench.do(Suspend("break", looks_as_recorded(suspend_looks(bench.state)), "control room", "draw the filter"), EYES)

    with pytest.raises(Refused, match=r"the lock of Tomé Silva is not the last to come off"):
        bench.do(TakeOwnLockOff("C-2"), EYES)


def test_an_own_lock_comes_off_where_the_isolation_may_end() -> None:
    """With the door on and the clamp set, and while the work goes on, an own lock is its owner's to take off."""
    for name in ("verify/pause", "unlock/clear"):
        bench = suspended(name)
        bench.do(PutOwnLockOn("C-1"), HANDS)
        bench.do(TakeOwnLockOff("C-1"), HANDS)
    bench = opened()
    bench.run_to(AT_DOOR)
    bench.do(PutOwnLockOn("C-1"), HANDS)
    bench.do(TakeOwnLockOff("C-1"), HANDS)

    assert bench.state.locks.own == ()


def test_an_outsider_finds_locks_that_a_handover_passed_over() -> None:
    """A signature over the outgoing lock, and a lock off too early, are named."""
    bench = walked_down(own_lock=True)
    moment = bench.moment(HANDS)
    at = {"ledger": bench.ledger, "seq": bench.state.size, "at": moment.at, "by": HANDS}
    signed = HandoverSigned(**at, part="outgoing", signature=signature_of(bench.state, moment, HAND_OVER))
    early = OwnLockOff(**at, lock="C-1")

    assert unlawful([*bench.events, signed])[0].startswith(f"Entry {signed.seq}: the lock of Noor Haddad is still on.")
    assert unlawful([*bench.events, early])[0].startswith(f"Entry {early.seq}: Tomé Silva is taking over")


def test_whoever_handed_over_still_takes_off_locks_of_their_own() -> None:
    """A lock comes off by the hand that put it on, also the lock of a point, and its step is done with the last."""
    bench = handed_over()
    bench.brief(LEAD)
    bench.cast = replace(CAST, hands=EYES, eyes=LEAD)
    ours = [item for item in bench.state.locks.points if item.by.id == HANDS.id]
    bench.run_to("flow/unlock/locks")
    due = bench.state.due
    assert due is not None
    assert len(ours) == len(bench.state.locks.points)

    with pytest.raises(Refused, match="Noor Haddad takes it off"):
        bench.do(UnlockPoint(due.id, ours[0].point), EYES)
    for item in ours:
        bench.do(UnlockPoint(due.id, item.point), HANDS)

    assert bench.state.mark(due.id).stands
    assert unlawful(bench.events) == ()


def test_a_pause_waits_for_nobody_who_handed_the_job_over() -> None:
    """Who is no longer at the housing has nothing to say at its pauses."""
    bench = handed_over()

    assert HANDS.id not in {who.id for who in bench.state.unspoken("end/service/pause")}
    assert EYES.id in {who.id for who in bench.state.unspoken("end/service/pause")}


def test_no_record_is_closed_over_a_lock_that_is_on() -> None:
    """Neither handed to review nor accepted, and an outsider finds one that was."""
    bench = opened()
    bench.run_to()
    bench.do(PutOwnLockOn("C-9"), HANDS)
    moment = bench.moment(OTHER_LEAD)
    forged = JobSubmitted(
        ledger=bench.ledger, seq=bench.state.size, at=moment.at, by=OTHER_LEAD,
        signature=signature_of(bench.state, moment, SUBMIT),
    )  # fmt: skip

    with pytest.raises(Refused, match=r"^Still locked on: Noor Haddad \(lock C-9\)"):
        bench.do(Submit(), OTHER_LEAD)
    in_review = fold([forged], start=bench.state)
    with pytest.raises(Refused, match=r"^Still locked on: Noor Haddad \(lock C-9\)"):
        decide(in_review, Accept(), replace(moment, by=OFFICER))
    assert unlawful([*bench.events, forged]) == (
        f"Entry {forged.seq}: the record was closed while somebody's lock was on.",
    )


def test_a_kept_mark_of_somebody_who_handed_over_is_contested_and_not_lost() -> None:
    """What a tablet kept of the outgoing person stops the work until a lead has looked; it is never dropped."""
    bench = handed_over()
    due = bench.state.due
    assert due is not None

    (event,) = bench.do(Late(Begin(due.id), bench.state.size), HANDS)

    assert isinstance(event, MarkContested)
    assert "handed this job over" in event.why
    assert bench.state.stage is Stage.CONTESTED


def test_a_lead_who_left_work_amid_a_cut_is_asked_for_ties_and_bands_on_return() -> None:
    """On a neck that was left half closed, ties and bands are counted; a count that differs stops the job."""
    bench = suspended("port/P1/out-1/band-ring", by=LEAD)
    bench.do(ReturnToWork(), HANDS)
    bench.do(ReadNext(), HANDS)
    neck = next(look for look in bench.state.rechecks if look.id == "neck-P1")

    bench.do(AnswerLooks({"neck-P1": "4"}), HANDS)

    assert neck.expected == "3"
    assert bench.state.stage is Stage.STOPPED
    assert bench.state.stop is not None
    assert "seen 4; recorded 3" in bench.state.stop.text


def test_somebody_who_handed_over_may_take_over_again() -> None:
    """The next shift hands back: the one who had gone writes again, the other one no more."""
    bench = handed_over()
    bench.do(Suspend("shift_end", looks_as_recorded(suspend_looks(bench.state)), "control room", "draw it"), EYES)

    bench.do(TakeOver(EYES, tuple(DOCUMENTS)), HANDS)
    bench.do(ReadNext(), HANDS)
    bench.do(AnswerLooks(looks_as_recorded(bench.state.rechecks)), HANDS)
    bench.do(SignHandover(), EYES)
    bench.do(SignHandover(), HANDS)

    assert bench.state.leaving.gone == {EYES.id}
    assert len(bench.state.leaving.sealed) == 4
    assert unlawful(bench.events) == ()


def test_somebody_who_handed_over_without_a_brief_takes_over_before_they_are_briefed() -> None:
    """The brief is refused to whoever is gone, so it cannot be asked of them first; what comes after asks for it."""
    bench = handed_over()
    bench.do(Suspend("shift_end", looks_as_recorded(suspend_looks(bench.state)), "control room", "draw it"), EYES)
    here = bench.state
    crew = replace(here.crew, present=tuple(who for who in here.crew.present if who.id != HANDS.id), enforced=True)
    bench.state = replace(here, crew=crew)
    assert bench.state.crew.member(HANDS.id) is None

    bench.do(TakeOver(EYES, tuple(DOCUMENTS)), HANDS)
    with pytest.raises(Refused, match="has not been briefed for this job"):
        bench.do(ReadNext(), HANDS)
    bench.do(Acknowledge(Part.WORK, "I know what came before."), HANDS)
    bench.do(ReadNext(), HANDS)


def test_a_stop_at_a_suspension_is_noted_only_where_the_job_asks_of_it() -> None:
    """A record from before was reviewed without it, and is as lawful as it was."""
    bench = suspended()
    stop = JobStopped(
        ledger=bench.ledger, seq=bench.state.size, at=bench.state.last_at, by=HANDS, reason="unexpected", text="torn"
    )

    def noted(asks: tuple[str, ...] | None) -> list[str]:
        first = bench.state.opened
        assert first is not None
        assert first.brief is not None
        before = first.model_copy(update={"brief": first.brief.model_copy(update={"asks": asks})})
        return [
            item.kind for item in evolve(replace(bench.state, opened=before), stop).notables if item.seq == stop.seq
        ]

    assert noted(None) == []
    assert noted(()) == ["stopped"]


def paper() -> Bench:
    """Return a job with one step entered from paper."""
    bench = opened()
    bench.run_to("port/P1/open/door")
    bench.do(PrintBlank(), HANDS)
    bench.now += timedelta(minutes=20)
    due = bench.state.due
    assert due is not None
    at = "2026-03-02T07:30:00+00:00"
    entered = Transcribe(
        step=due.id, serial="2026-0001-B1", happened=at, began=at, why_late="no power", photo="ab" * 32, hand=HANDS,
        compared_by=EYES, answers=made_up_answers(due) | labels_of(due), beside=EYES,
    )  # fmt: skip
    bench.do(entered, HANDS)
    return bench


FORGED: list[tuple[str, str, dict[str, Any], str]] = [
    ("suspended", "job_suspended", {"to_rest": ["tape the stub"]}, "said to rest where it does not"),
    ("back", "recheck_answered", {"seen": "off the rails"}, "cannot be read"),
    ("back", "recheck_answered", {"as_expected": False}, "was not compared with the record"),
    ("over", "handover_signed", {"part": "incoming"}, "was not Noor Haddad's to sign"),
    ("over", "handover_begun", {"outgoing": OTHER_LEAD.model_dump(mode="json")}, "may not take over from Radek Nowák"),
    ("paper", "step_begun", {"transcribed": {"serial": "2026-0001-B7"}}, "the blank 2026-0001-B7 was not out"),
    ("paper", "step_done", {"transcribed": {"photo": ""}}, "without a photo, a reason or a second person"),
    ("paper", "step_done", {"transcribed": {"compared_by": HANDS.model_dump(mode="json")}}, "or a second person"),
    ("paper", "step_done", {"second": HANDS.model_dump(mode="json")}, "takes two people and was marked by one"),
]  # fmt: skip


@pytest.mark.parametrize(("story", "kind", "change", "told"), FORGED)
def test_an_outsider_finds_forged_entries(story: str, kind: str, change: dict[str, Any], told: str) -> None:
    """An entry about leaving or paper that the rules would have refused is named, by its number."""
    bench = {"suspended": suspended, "back": back, "over": handed_over, "paper": paper}[story]()
    events = list(bench.events)
    place = max(number for number, event in enumerate(events) if event.type == kind)
    if kind == "handover_signed":
        place -= 1
    assert unlawful(events) == ()

    events[place] = changed(events[place], change)

    assert any(f"Entry {place}: " in fault and told in fault for fault in unlawful(events))


def back() -> Bench:
    """Return a job of which the door was looked at on return."""
    bench = suspended()
    bench.do(ReturnToWork(), EYES)
    bench.do(ReadNext(), EYES)
    bench.do(AnswerLooks({"door-P1": "off"}), EYES)
    return bench


def changed(event: Event, change: dict[str, Any]) -> Event:
    """Return an entry with some of its values changed, one level deep."""
    value = payload_of(event)
    for name, new in change.items():
        held = value.get(name)
        value[name] = {**held, **new} if isinstance(held, dict) and name == "transcribed" else new
    return event_from(value)


def test_a_mark_of_somebody_who_had_handed_over_is_named() -> None:
    """A begun mark put into the record in the name of the one who had gone is found."""
    bench = handed_over()
    due = bench.state.due
    assert due is not None
    forged = StepBegun(ledger=bench.ledger, seq=bench.state.size, at="2026-03-02T09:00:00.000Z", by=HANDS, step=due.id)

    assert unlawful([*bench.events, forged]) == (f"Entry {forged.seq}: {HANDS.name} had handed the job over.",)


GONE = r"^%s handed this job over and takes no part in it any more\. Choose somebody of the crew"


@pytest.mark.parametrize("name", ["out-1/cut", "hepa/leak/aerosol"])
def test_whoever_handed_over_is_no_second_person_and_no_mark_is_made_for_them(name: str) -> None:
    """Their own secret completes no cut and no reading by two; nobody records a mark in their name."""
    bench = handed_over()
    bench.brief(OTHER_LEAD)
    bench.cast = Cast(hands=EYES, eyes=OTHER_LEAD, officer=OFFICER, lead=LEAD)
    bench.run_to(name)
    due = bench.state.due
    assert due is not None
    mark = Begin(due.id, second=HANDS) if due.marks == 2 else Finish(due.id, {}, second=HANDS)

    with pytest.raises(Refused, match=GONE % HANDS.name) as second:
        bench.do(mark, EYES)
    with pytest.raises(Refused, match=GONE % HANDS.name) as worker:
        bench.do(replace(mark, second=OTHER_LEAD, worker=HANDS.id), EYES)

    assert second.value.logged
    assert worker.value.logged


def test_whoever_handed_over_releases_no_hold_by_voice() -> None:
    """A lead who handed the job over is no sender of a release that another enters."""
    bench = opened()
    bench.run_to("close/release")
    bench.brief(OTHER_LEAD, part=Part.RELEASE)
    due = bench.state.due
    assert due is not None
    said = ReleaseByRadio(due.id, OTHER_LEAD, "EF-03", due.port or "", confirmed=True)
    here = bench.state
    bench.state = replace(here, leaving=replace(here.leaving, gone=frozenset({OTHER_LEAD.id})))

    with pytest.raises(Refused, match=GONE % OTHER_LEAD.name):
        bench.do(said, LEAD)
    bench.state = here
    bench.do(said, LEAD)


@pytest.mark.parametrize(
    ("day", "time", "zone", "expected"),
    [
        ("2026-03-02", "14:05", "Europe/Berlin", "2026-03-02T14:05:00+01:00"),
        ("2026-07-02", "14:05", "Europe/Berlin", "2026-07-02T14:05:00+02:00"),
        ("2026-10-25", "02:30", "Europe/Berlin", "2026-10-25T02:30:00+02:00"),
        ("2026-03-29", "02:30", "Europe/Berlin", None),
        ("2026-02-30", "10:00", "UTC", None),
        ("2026-03-02", "25:00", "UTC", None),
        ("yesterday", "10:00", "UTC", None),
    ],
)
def test_a_time_written_on_paper_is_read_in_the_sites_zone(
    day: str, time: str, zone: str, expected: str | None
) -> None:
    """Day and time become an instant with the site's offset of that day; an hour that never was is refused."""
    if expected is None:
        with pytest.raises(Invalid):
            typed_instant(day, time, zone)
    else:
        assert typed_instant(day, time, zone) == expected


@pytest.mark.parametrize("happened", ["2026-13-02T07:30:00+00:00", "2026-03-02T07:30", "soon", "20260302T0730+0000"])
def test_a_time_that_cannot_be_read_is_refused_with_a_sentence(happened: str) -> None:
    """Whatever stands for a time, the program answers with a sentence and never fails."""
    bench = opened()
    bench.run_to("port/P1/open/bag")
    bench.do(PrintBlank(), HANDS)
    due = bench.state.due
    assert due is not None

    with pytest.raises(ChangeoutError, match="time"):
        bench.do(
            Transcribe(
                step=due.id, serial="2026-0001-B1", happened=happened, why_late="no power", photo="ab" * 32,
                hand=HANDS, compared_by=EYES, answers=made_up_answers(due),
            ),
            HANDS,
        )  # fmt: skip


@pytest.mark.parametrize(("step", "count"), [("out-1/cut", "4"), ("out-1/tape-stub", "2"), ("out-1/package", "2")])
def test_the_neck_is_counted_as_it_is_seen_before_and_after_the_cut(step: str, count: str) -> None:
    """Both sides of one tie and one band before the cut; after it the package has taken its side along."""
    bench = opened("EF-07")
    bench.run_to(step)
    assert bench.state.model is not None

    (neck,) = [look for look in port_looks(bench.state.model.ports[0]) if look.id == "neck-P1"]

    assert neck.expected == count
