"""Points of isolation that a job names beyond its nameplate: rows like any other, from their naming to the last lock.

29 CFR 1910.147(d)(4) wants a lock on every isolating device, (e) each taken off by whoever put it on.
"""

from collections.abc import Callable, Sequence

import pytest

from app.calc.errors import Invalid
from app.domain.applicability import SetAside
from app.domain.commands import Accept, ExplainStop, Finish, OpenException, StopWork, Submit, Withdraw
from app.domain.contingency import EnterContingency, lay_contingencies
from app.domain.deciding.leaving import suspend_looks
from app.domain.deciding.locks import MOST_FURTHER
from app.domain.event_base import Who
from app.domain.events import Event, JobOpened, StepDone, event_from, payload_of
from app.domain.history import unlawful
from app.domain.housing import FurtherKind
from app.domain.job import Stage, fold
from app.domain.killers import to_say
from app.domain.leaving import DOCUMENTS, AnswerLooks, ReadNext, SignHandover, Suspend, TakeOver
from app.domain.locks import (
    LockPoint,
    NamePoint,
    PointLocked,
    PointNamed,
    PointStruck,
    PointUnlocked,
    StrikePoint,
    StrokeDamper,
    StrokePart,
    UnlockPoint,
)
from app.domain.paper import PrintBlank, TranscribeBeside
from app.domain.procedure import Procedure, read_procedure
from app.domain.reopening import rechecks_for
from app.domain.steps import expand, ways_out
from app.records.blank import FURTHER_LINES, blank_of
from app.records.handover_sheet import sheet_of
from app.records.locks import lock_list, lock_tables
from app.records.trail import sentence_of
from app.records.veil import UNSEEN, veiled
from app.services.rehearsal import looks_as_recorded, made_up_answers
from tests.builders import EYES, HANDS, LEAD, OFFICER, OTHER_LEAD, Bench, housing, opened, procedure_text
from tests.laws.accepted import left_behind
from tests.laws.test_locks import due, refused, removal

BLANK = ("BL-7", FurtherKind.BLANK, "bolted on")
LEAKS, SOUND = "a damper leaks by", "no flow past either damper"
PROCEDURES = ("change-out", "first-fit-out")


def leaking(name: str = "change-out") -> Bench:
    """A job in whose contingency the further isolation is to be applied now."""
    bench = opened("EF-03", name)
    bench.brief(LEAD, OTHER_LEAD)
    bench.run_to("open/door")
    bench.do(StopWork(), HANDS)
    bench.do(ExplainStop("unexpected", "air felt at the door"), HANDS)
    bench.do(EnterContingency("damper-leaks", "air felt at the door"), OTHER_LEAD)
    bench.run_to("stop/more")
    return bench


def found_leaking() -> Bench:
    """A job in whose main line a damper was found to leak by."""
    bench = opened()
    bench.brief(LEAD, OTHER_LEAD)
    bench.run_to("verify/leak-by")
    bench.do(Finish(due(bench.state), {"found": LEAKS}), HANDS)
    bench.run_to("verify/leak-locks")
    return bench


def name(bench: Bench, by: Who = HANDS, point: tuple[str, str, str] = BLANK) -> PointNamed:
    """Name a further point."""
    (event,) = bench.do(NamePoint(due(bench.state), *point), by)
    assert isinstance(event, PointNamed)
    return event


def lock(bench: Bench, event: PointNamed, by: Who = HANDS, number: str = "L-77") -> None:
    """Lock a point that was named."""
    bench.do(LockPoint(due(bench.state), event.point, event.safe, number, "T-77"), by)


def isolated(bench: Bench, by: Who = HANDS) -> PointNamed:
    """Name a further point, lock it, and say that this was all."""
    event = name(bench, by)
    lock(bench, event, by)
    bench.do(Finish(due(bench.state)), by)
    return event


def whole(bench: Bench) -> None:
    """Check that the record is lawful and reads back as it was written."""
    assert unlawful(bench.events) == ()
    assert [event_from(payload_of(event)) for event in bench.events] == bench.events
    assert fold(bench.events) == bench.state


def close(bench: Bench) -> None:
    """Carry the job on to acceptance."""
    bench.run_to()
    bench.do(Submit(), LEAD)
    for item in bench.state.unread:
        bench.do(OpenException(item.seq), OFFICER)
    bench.do(Accept(), OFFICER)
    assert left_behind(bench.events, bench.state.steps) == []
    whole(bench)


# --- named and locked ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("start", [leaking, lambda: leaking("first-fit-out"), found_leaking])
def test_the_step_stands_when_a_point_is_named_and_each_that_was_named_is_locked(start: Callable[[], Bench]) -> None:
    """Nothing leads past it: no mark without a point, none over one without a lock, and nobody sets it aside."""
    bench = start()
    bare = refused(bench, Finish(due(bench.state)), HANDS)
    aside = refused(bench, SetAside(due(bench.state), "no blank at hand"), LEAD)

    event = name(bench)
    open_row = refused(bench, Finish(due(bench.state)), HANDS)
    lock(bench, event)
    still = due(bench.state)
    (done,) = bench.do(Finish(still), HANDS)

    assert (bare.code, aside.code, open_row.code) == ("no_further_point", "critical", "rows_missing")
    assert "no lock is recorded on BL-7" in open_row.sentence
    assert isinstance(done, StepDone)
    assert bench.state.performers >= {HANDS.id}
    close(bench)


def test_who_may_verify_looks_at_the_further_point_too_and_has_not_seen_its_lock() -> None:
    """The question stands at the verification to come; the lock's numbers do not; whoever locked it does not verify."""
    bench = leaking()
    event = isolated(bench)
    step = bench.state.due
    assert step is not None
    asked = [item.ask for item in step.asks if item.ask.id.startswith("point-")]
    row = veiled(bench.state, EYES.id).locks.at(event.point)
    answers = made_up_answers(step)

    assert [ask.label for ask in asked] == [
        "D-301 as found", "D-302 as found", "F-31 as found", "BL-7 as found",
    ]  # fmt: skip
    assert asked[-1].options[0] == "bolted on, a lock and its tag on it"
    assert row is not None
    assert (row.lock, row.tag_number, row.tag) == (UNSEEN, UNSEEN, "BL-7")
    (told,) = lock_tables(veiled(bench.state, EYES.id), (), "UTC")
    assert [cells[2] for cells in told["rows"]] == [UNSEEN] * 4
    assert [item.tag for item in veiled(bench.state, EYES.id).points][-1] == "BL-7"
    assert refused(bench, *bench.due_commands()[0][:1], HANDS).code == "own_work"
    bench.do(bench.due_commands()[0][0], EYES)
    with pytest.raises(Invalid, match="BL-7"):
        bench.do(Finish(step.id, {ask: told for ask, told in answers.items() if ask != asked[-1].id}), EYES)
    (stopped, *_) = bench.do(Finish(step.id, answers | {asked[-1].id: asked[-1].options[1]}), EYES)
    assert stopped.type == "step_outside"
    assert bench.state.stage is Stage.STOPPED
    close(bench)


def test_a_verification_that_stands_is_asked_nothing_more_and_one_done_again_is() -> None:
    """What was verified before the point was named stays as it was; moved for a trial, all of it is looked at."""
    bench = leaking()
    before = bench.state.step("isolate/verify/isolation")
    event = name(bench, HANDS, ("D-309", FurtherKind.DAMPER, "shut"))
    lock(bench, event)
    bench.do(Finish(due(bench.state)), HANDS)
    bench.run_to("open/door")
    after = bench.state.step("isolate/verify/isolation")
    for part, by, told in (
        (StrokePart.CLEAR, LEAD, "nobody near it"),
        (StrokePart.OFF, HANDS, ""),
        (StrokePart.MOVED, HANDS, "to its end and back"),
    ):
        bench.do(StrokeDamper(event.point, part, told), by)
    bench.do(StrokeDamper(event.point, StrokePart.ON, "shut", "L-78", "T-78"), HANDS)
    again = bench.state.step("isolate/verify/isolation")

    assert before == after
    assert again is not None
    assert before is not None
    assert [item.ask.label for item in again.asks if item not in before.asks] == ["D-309 as found"]
    close(bench)


def test_only_a_damper_is_moved_for_a_trial() -> None:
    """A blank is not."""
    bench = leaking()
    event = isolated(bench)
    assert refused(bench, StrokeDamper(event.point, StrokePart.CLEAR, "clear"), LEAD).code == "no_lock"


def test_a_slip_of_the_pen_is_struck_off_before_any_lock_and_with_a_reason() -> None:
    """The tag was read wrongly: another is named; what is locked, or was named elsewhere, stays."""
    bench = leaking()
    wrong = name(bench, HANDS, ("BL-1", FurtherKind.BLANK, "bolted on"))
    assert refused(bench, StrikePoint(due(bench.state), wrong.point, " "), HANDS).code == "no_words"
    with pytest.raises(Invalid, match="was named at this step"):
        bench.do(StrikePoint(due(bench.state), "upstream", "misread"), HANDS)
    (struck,) = bench.do(StrikePoint(due(bench.state), wrong.point, "misread: BL-7"), EYES)
    assert not any(wrong.point in item.ask.id for step in bench.state.steps for item in step.asks)
    assert refused(bench, Finish(due(bench.state)), HANDS).code == "no_further_point"
    right = name(bench)
    lock(bench, right)

    kept = refused(bench, StrikePoint(due(bench.state), right.point, "misread"), HANDS)

    assert isinstance(struck, PointStruck)
    assert kept.code == "row_stands"
    assert right.point != wrong.point
    assert bench.state.locks.named(wrong.point) is None
    bench.do(Finish(due(bench.state)), HANDS)
    close(bench)


@pytest.mark.parametrize(
    ("point", "told"),
    [
        (("", FurtherKind.BLANK, "bolted on"), "The tag reads ''"),
        (("BL/7", FurtherKind.BLANK, "bolted on"), "The tag reads 'BL/7'"),
        (("B" * 41, FurtherKind.BLANK, "bolted on"), "give 1 to 40 characters"),
        (("BL-7", FurtherKind.BLANK, "x"), "The position reads 'x'"),
        (("BL-7", FurtherKind.BLANK, "x" * 61), "say in 2 to 60 characters"),
        (("BL-7", "steam", "shut"), "'steam' is no kind of point"),
    ],
)
def test_what_is_no_point_is_told_in_a_sentence(point: tuple[str, str, str], told: str) -> None:
    """What was given, what is wrong with it, what to do."""
    bench = leaking()
    before = bench.state
    with pytest.raises(Invalid, match=told):
        bench.do(NamePoint(due(bench.state), *point), HANDS)
    assert bench.state is before


def test_a_point_is_named_once_at_its_step_by_somebody_briefed() -> None:
    """Not what the nameplate holds, in whatever letters, nor the housing; and no more than there is room for."""
    bench = leaking()
    for tag in ("D-301", "d-302", "EF-03"):
        twin = refused(bench, NamePoint(due(bench.state), tag, FurtherKind.BLANK, "shut"), HANDS)
        assert twin.code == "named"
        assert "stands there already" in twin.sentence
    assert refused(bench, NamePoint(due(bench.state), *BLANK), OFFICER).code == "not_briefed"
    for number in range(MOST_FURTHER):
        name(bench, HANDS, (f"BL-{number}", FurtherKind.LINE, "parted, both ends capped"))
    assert refused(bench, NamePoint(due(bench.state), "BL-99", *BLANK[1:]), HANDS).code == "too_many"
    assert refused(bench, NamePoint(due(bench.state), "bl-3", *BLANK[1:]), HANDS).code == "named"

    plain = opened()
    plain.run_to("shut/locks")
    assert refused(plain, NamePoint(due(plain.state), *BLANK), HANDS).code == "no_table"
    plain.run_to("verify/leak-by")
    assert refused(plain, NamePoint(due(plain.state), *BLANK), HANDS).code == "no_table"


# --- wherever locks are asked for ------------------------------------------------------------------------------


def test_the_further_lock_is_in_every_look_list_pause_sheet_and_table() -> None:
    """The gate asks for it, a pause names it, the hand-over sheet and the record hold it with what it is."""
    bench = found_leaking()
    event = isolated(bench)
    bench.run_to("verify/pause")
    state = bench.state
    assert state.due is not None
    said = dict(to_say(state, state.due))["Locks"]
    looks = {look.id: look for look in rechecks_for(state)}
    sheet = sheet_of(state, root="ab" * 32, made_at=state.last_at)
    (points,) = [table for table in lock_tables(state, bench.events, "UTC") if "Isolation" in table["title"]]
    (listed,) = [row for row in lock_list([("2026-0001", state)]) if row[3] == "L-77"]

    assert "BL-7: lock L-77" in said
    assert looks[f"lock-{event.point}"].expected == "L-77"
    assert looks[f"point-{event.point}"].options == ("bolted on", "in another position")
    assert ["BL-7", "seen bolted on", "L-77"] in sheet["locks"]
    assert points["rows"][-1][:3] == ["BL-7, further: blank", "bolted on", "L-77 / T-77"]
    assert listed[1:5] == ("BL-7, further: blank", "bolted on", "L-77", "T-77")
    assert any(item.kind == "further isolation" and "BL-7, blank" in item.sentence for item in state.notables)
    close(bench)
    told = [sentence_of(item, {step.id: step for step in bench.state.steps}) for item in bench.events]
    assert f"{HANDS.name} named a further point of isolation: BL-7, blank, to be bolted on." in told
    assert f"{HANDS.name} took lock L-77 off BL-7." in told


def test_whoever_comes_back_or_takes_over_reads_the_further_lock() -> None:
    """Read as another number it stops the job, like that of any other point."""
    bench = found_leaking()
    isolated(bench)
    bench.run_to("verify/release")
    bench.do(Suspend("shift_end", looks_as_recorded(suspend_looks(bench.state)), "control room", "release"), HANDS)
    bench.do(TakeOver(HANDS, tuple(DOCUMENTS)), EYES)
    bench.do(ReadNext(), EYES)
    looks = looks_as_recorded(bench.state.rechecks)
    mine = next(look.id for look in bench.state.rechecks if look.expected == "L-77")
    right = bench.state

    bench.do(AnswerLooks(looks | {mine: "L-70"}), EYES)

    assert bench.state.stage is Stage.STOPPED
    other = Bench(state=right, events=list(bench.events[: right.size]), now=bench.now, ledger=bench.ledger)
    other.do(AnswerLooks(looks), EYES)
    other.do(SignHandover(), HANDS)
    other.do(SignHandover(), EYES)
    assert other.state.stage is Stage.OPEN
    whole(other)


def test_locks_come_off_with_the_further_one_by_its_owner_or_the_known_way() -> None:
    """The step waits for it; another hand is refused; a lead with the safety officer removes it for who is away."""
    bench = found_leaking()
    event = isolated(bench, LEAD)
    bench.run_to("unlock/locks")
    step = due(bench.state)
    for point, by in [(item.point, item.by) for item in bench.state.locks.points if item.point != event.point]:
        bench.do(UnlockPoint(step, point), by)

    waits = refused(bench, Finish(step), HANDS)
    other = refused(bench, UnlockPoint(step, event.point), HANDS)
    removed = bench.do(removal("L-77"), OTHER_LEAD)

    assert due(bench.state) != step
    assert (waits.code, other.code) == ("rows_missing", "not_your_lock")
    assert "BL-7 (lock L-77" in waits.sentence
    assert [item.type for item in removed] == ["others_lock_removed", "step_done"]
    close(bench)


def test_no_door_comes_off_over_a_further_point_whose_lock_is_off() -> None:
    """The mark of the step was taken back and a second point named: the opening waits for its lock."""
    bench = found_leaking()
    isolated(bench)
    step = "isolate/verify/leak-locks"
    bench.do(Withdraw(step, "a second blank is needed"), LEAD)
    assert due(bench.state) == step
    name(bench, HANDS, ("BL-8", FurtherKind.BLANK, "bolted on"))
    assert refused(bench, Finish(step), HANDS).code == "rows_missing"


def test_decided_otherwise_the_point_stays_on_the_list() -> None:
    """The decision is taken back: its branch does not apply, and the lock is still asked for and comes off."""
    bench = found_leaking()
    isolated(bench)
    bench.do(Withdraw("isolate/verify/leak-by", "felt again, no flow"), LEAD)
    bench.run_to("verify/leak-by")
    bench.do(Finish(due(bench.state), {"found": SOUND}), HANDS)

    assert bench.state.mark("isolate/verify/leak-locks").not_applicable
    assert [item.tag for item in bench.state.points][-1] == "BL-7"
    close(bench)
    assert any(isinstance(item, PointUnlocked) and item.tag == "BL-7" for item in bench.events)


# --- paper ---------------------------------------------------------------------------------------------------


def test_a_blank_has_lines_for_further_points_and_they_come_back_by_their_hands() -> None:
    """Named, then locked, each with its hand and time; the verification and the locks off have lines for it too."""
    bench = found_leaking()
    (printed,) = bench.do(PrintBlank(), HANDS)
    value = blank_of(bench.state, bench.events[:-1], printed, root="ab" * 32)  # type: ignore[arg-type]
    steps = [step for section in value["sections"] for step in section["steps"]]
    free = {step["text"]: step["free"] for step in steps if step["free"]}
    more, off = steps[0], next(step for step in steps if step["table"] == "locks_off")
    verify = next(step for step in steps if "does not start" in step["text"])
    at = f"{bench.state.last_at[:16]}+00:00"
    step = due(bench.state)

    def enter(act: NamePoint | LockPoint, hand: Who) -> Sequence[Event]:
        return bench.do(TranscribeBeside(act, "2026-0001-B1", at, "no power", "ab" * 32, hand, EYES), HANDS)

    (named,) = enter(NamePoint(step, *BLANK), HANDS)
    assert isinstance(named, PointNamed)
    (locked,) = enter(LockPoint(step, named.point, "bolted on", "L-77", "T-77"), EYES)

    assert set(free.values()) == {FURTHER_LINES}
    assert more["text"] in free
    assert off["text"] in free
    assert "second damper, blank, disconnected line, other energy" in more["where"]
    assert sum("further point named on this page" in item["label"] for item in verify["asks"]) == FURTHER_LINES
    assert isinstance(locked, PointLocked)
    assert (named.hand, locked.hand, locked.by) == (HANDS, EYES, HANDS)
    whole(bench)


def test_a_blank_on_which_no_point_can_be_named_has_no_lines_for_one() -> None:
    """After the branch was left, or past it, rows stand for the points there are and for no more."""
    bench = opened()
    bench.run_to("verify/isolation")
    (printed,) = bench.do(PrintBlank(), HANDS)
    value = blank_of(bench.state, bench.events[:-1], printed, root="ab" * 32)  # type: ignore[arg-type]
    assert {step["free"] for section in value["sections"] for step in section["steps"]} == {0}


# --- forged, old, written ------------------------------------------------------------------------------------


def test_a_record_that_says_otherwise_is_not_lawful() -> None:
    """Named at another step, twice, or by nobody briefed; struck off under a lock; done without any point."""
    bench = leaking()
    event = name(bench)
    named = list(bench.events)
    lock(bench, event)
    locked = list(bench.events)
    bench.do(Finish(due(bench.state)), HANDS)
    done = bench.events[-1]
    rest = payload_of(event) | {"seq": len(locked)}
    struck = PointStruck(
        ledger=event.ledger, seq=len(locked), at=event.at, by=HANDS, step=event.step, point=event.point, tag=event.tag,
        reason="misread",
    )  # fmt: skip
    elsewhere = event.model_copy(update={"step": "isolate/shut/locks"})
    stranger = event.model_copy(update={"by": OFFICER})
    forged: dict[str, list[Event]] = {
        "another step was due": [*named[:-1], elsewhere],
        "stood there already": [*locked, PointNamed.model_validate(rest | {"point": "further-0"})],
        "was locked or not named": [*locked, struck],
        "without having been briefed": [*named[:-1], stranger],
        "without a further point": [*named[:-1], done.model_copy(update={"seq": len(named) - 1})],
    }

    for told, events in forged.items():
        assert any(told in fault for fault in unlawful(events)), told


def old_text() -> str:
    """Return the change-out as it was before further points had rows: one free text at the branch."""
    text = procedure_text()
    step = text.index('id = "leak-locks"')
    begin, end = text.rindex("[[blocks.prove]]", 0, step), text.index("[[blocks.prove]]", step)
    text = text[:begin] + text[end:]
    free = 'asks = [{ id = "what", label = "What was shut or blanked, lock number", kind = "text" }]\n'
    return text.replace('table = "locks_on"\nfurther = true\n', free).replace(', "leak-locks"]', "]")


def test_a_job_on_a_text_from_before_goes_on_with_its_free_text() -> None:
    """It opens, its branch takes the words, its entries know nothing of further points, and its record is lawful."""
    old = read_procedure(old_text(), name="old")
    bench = leaking()
    draft = bench.events[0]
    assert isinstance(draft, JobOpened)
    assert draft.contingencies is not None
    new = {item.id: item for item in draft.contingencies}
    kept = opened_with(old)
    kept.run_to("open/door")
    kept.do(StopWork(), HANDS)
    kept.do(ExplainStop("unexpected", "air felt at the door"), HANDS)
    kept.do(EnterContingency("damper-leaks", "air felt at the door"), OTHER_LEAD)
    kept.run_to("stop/more")
    kept.do(Finish(due(kept.state), {"what": "blank BL-7 bolted on, lock L-7"}), HANDS)
    first = kept.events[0]
    assert isinstance(first, JobOpened)
    before = next(item for item in first.contingencies or () if item.id == "damper-leaks")

    assert "'further': True" not in str(payload_of(first))
    assert [len(step.asks) for step in before.steps] == [0, 1, 1, 1, 0]
    assert [len(step.asks) for step in new["damper-leaks"].steps] == [0, 1, 0, 4, 0]
    close(kept)


def opened_with(text: Procedure) -> Bench:
    """Open a job on EF-03 with another text."""
    bench = opened()
    (first,) = [item for item in bench.events if isinstance(item, JobOpened)]
    steps = expand(text, housing())
    kept = {"ways_out": ways_out(text, housing(), steps), "contingencies": lay_contingencies(text, housing())}
    changed = first.model_copy(update={"steps": steps, **kept})
    bench.events[0] = changed
    bench.state = fold(bench.events)
    return bench


@pytest.mark.parametrize("name", PROCEDURES)
def test_what_is_named_says_so_at_a_table_of_locks(name: str) -> None:
    """A text in which a step names points without its table is not read."""
    text = procedure_text(name).replace('effects = ["isolate"]\ntable = "locks_on"\nfurther', "further")
    with pytest.raises(Invalid, match="names further points of isolation; give it table"):
        read_procedure(text, name="bare")
