"""Field changes, steps set aside, branches of a decision, releases by radio: who may, what stays, what is owed."""

from collections.abc import Callable

import pytest

from app.calc.errors import Invalid
from app.domain.applicability import BranchLeft, SetAside, StepNotApplicable, why_not_aside
from app.domain.commands import (
    Begin,
    Command,
    Correct,
    ExplainStop,
    Finish,
    Late,
    Release,
    Reopen,
    StopWork,
    Submit,
    Withdraw,
)
from app.domain.contingency import EnterContingency
from app.domain.crew import ConfirmPause, Part, PauseConfirmed
from app.domain.event_base import Who
from app.domain.events import JobReopened, event_from, payload_of
from app.domain.field_change import (
    ApproveChange,
    DeclineChange,
    FieldChangeProposed,
    NewWords,
    ProposeChange,
    answers_bind,
)
from app.domain.history import signature_of, unlawful
from app.domain.housing import SiteLimit
from app.domain.job import Stage, fold
from app.domain.leaving import Suspend
from app.domain.locks import StrokeDamper, StrokePart
from app.domain.procedure import Role, read_procedure
from app.domain.radio import ReleaseByRadio, SignRadioRelease
from app.domain.refused import Refused
from app.domain.reopening import rechecks_for
from app.domain.signing import ASIDE
from app.domain.steps import Step, expand, ways_out
from app.records.deviations import departures_of
from app.records.signatures import signatures_of
from app.services.rehearsal import made_up_answers
from tests.builders import EYES, HANDS, LEAD, OFFICER, OTHER_LEAD, Bench, housing, opened, procedure, procedure_text

THIRD_LEAD = Who(id="third-lead", name="Maren Oduya", role=Role.LEAD)


def at(name: str) -> Bench:
    """A job in which the step whose id ends so is due."""
    bench = opened()
    bench.run_to(name)
    return bench


def due(bench: Bench) -> Step:
    """Return the step in hand."""
    assert bench.state.due is not None
    return bench.state.due


def propose(bench: Bench, new: NewWords) -> None:
    """Propose other words, as a technician."""
    bench.do(ProposeChange(due(bench).id, new, "the label reads otherwise"), HANDS)


# --- field changes --------------------------------------------------------------------------------


def test_a_change_of_an_ordinary_step_is_approved_by_a_lead_and_both_texts_stay() -> None:
    """The step says the new words, the deviation holds the old ones, the number ends with D1, the history is lawful."""
    bench = at("out-1/gather")
    old = due(bench).text
    propose(bench, NewWords(text="Twist the bag into a tight neck above the fold."))
    with pytest.raises(Refused, match="waits for approval"):
        bench.do(Finish(due(bench).id, {"length": "200"}), HANDS)

    bench.do(ApproveChange("2026-0001/D1"), LEAD)
    text = due(bench).text
    bench.run_to()
    bench.do(Submit(), OTHER_LEAD)

    (row,) = [item for item in departures_of(bench.state) if item["number"]]
    assert text == "Twist the bag into a tight neck above the fold."
    assert row["number"] == "2026-0001/D1"
    assert row["pairs"] == [["text", old, text]]
    assert unlawful(bench.events) == ()
    assert fold(bench.events) == bench.state


def test_a_change_of_a_critical_step_needs_a_lead_and_the_safety_officer() -> None:
    """One approval puts nothing in force; the second does; neither approver may then carry the step out."""
    bench = at("out-1/cut")
    propose(bench, NewWords(text="Cut the neck midway between the two pairs of bands."))

    bench.do(ApproveChange("2026-0001/D1"), LEAD)
    half = due(bench).text
    with pytest.raises(Refused, match="safety officer"):
        bench.do(ApproveChange("2026-0001/D1"), OTHER_LEAD)
    bench.do(ApproveChange("2026-0001/D1"), OFFICER)

    assert half == "Cut the neck midway between the two bands."
    assert due(bench).text == "Cut the neck midway between the two pairs of bands."
    assert due(bench).final
    assert due(bench).marks == 2
    bench.brief(LEAD)
    with pytest.raises(Refused, match="does not carry it out"):
        bench.do(bench.due_commands()[0][0], LEAD)


def test_who_approved_a_change_is_not_the_one_it_is_recorded_for() -> None:
    """A reader does not lend an approver their name, and whom a mark was begun for approves no change of it."""
    bench = at("out-1/cut")
    bench.brief(LEAD)
    step = due(bench)
    bench.do(Begin(step.id, second=EYES, worker=LEAD.id), HANDS)
    propose(bench, NewWords(text="Cut the neck midway between the two pairs of bands."))
    with pytest.raises(Refused, match="has begun the step"):
        bench.do(ApproveChange("2026-0001/D1"), LEAD)
    bench.do(ApproveChange("2026-0001/D1"), OTHER_LEAD)
    bench.do(ApproveChange("2026-0001/D1"), OFFICER)
    bench.brief(OTHER_LEAD)

    with pytest.raises(Refused, match="Radek Nowák approved a change of this step") as refused:
        bench.do(Finish(step.id, made_up_answers(step), second=EYES, worker=OTHER_LEAD.id), HANDS)

    assert refused.value.logged


def test_who_approved_a_change_is_no_second_person_of_the_step() -> None:
    """Of two who look, neither has agreed to the new words; whoever was beside the beginning agrees to none."""
    bench = at("out-1/cut")
    bench.brief(LEAD, OTHER_LEAD)
    step = due(bench)
    bench.do(Begin(step.id, second=LEAD), HANDS)
    propose(bench, NewWords(text="Cut the neck midway between the two pairs of bands."))
    with pytest.raises(Refused, match="was beside it"):
        bench.do(ApproveChange("2026-0001/D1"), LEAD)
    bench.do(ApproveChange("2026-0001/D1"), OTHER_LEAD)
    bench.do(ApproveChange("2026-0001/D1"), OFFICER)

    with pytest.raises(Refused, match="Radek Nowák approved a change of this step") as refused:
        bench.do(Finish(step.id, made_up_answers(step), second=OTHER_LEAD), HANDS)
    bench.do(Finish(step.id, made_up_answers(step), second=LEAD), HANDS)

    assert refused.value.logged


def test_nobody_approves_their_own_proposal_and_a_technician_approves_none() -> None:
    """The proposer is refused even as a lead; both attempts are worth an entry."""
    bench = at("out-1/gather")
    bench.brief(LEAD)
    bench.do(ProposeChange(due(bench).id, NewWords(note="The neck is short here."), "short bag"), LEAD)

    with pytest.raises(Refused, match="Somebody else approves") as own:
        bench.do(ApproveChange("2026-0001/D1"), LEAD)
    with pytest.raises(Refused, match="waits for a lead") as hands:
        bench.do(ApproveChange("2026-0001/D1"), EYES)

    assert own.value.logged
    assert hands.value.logged


def test_a_declined_change_leaves_the_step_as_written_and_its_number_is_not_used_again() -> None:
    """The step may be marked again; the next proposal gets D2."""
    bench = at("out-1/gather")
    propose(bench, NewWords(note="The neck is short here."))

    bench.do(DeclineChange("2026-0001/D1", "measured anew, it is long enough"), OTHER_LEAD)
    propose(bench, NewWords(note="The neck is shorter here."))

    assert due(bench).note.startswith("The length of neck")
    assert [item.proposed.number for item in bench.state.changes.all] == ["2026-0001/D1", "2026-0001/D2"]


def test_new_limits_and_answers_hold_for_this_step_and_good_answers_stay_good() -> None:
    """A reading is judged by the new limit; a reworded good answer lets the work go on, a reworded bad one does not."""
    bench = at("out-1/gather")
    limit = SiteLimit(low="100", high="300", unit="mm", basis="field change, short bag")
    propose(bench, NewWords(limits={"length": limit}))
    bench.do(ApproveChange("2026-0001/D1"), LEAD)
    bench.do(Finish(due(bench).id, {"length": "110"}), HANDS)
    bench.run_to("out-1/closures")
    words = ("two ties and two bands on each side", "a tie or band is not there")
    propose(bench, NewWords(options={"seen": words}))
    bench.do(ApproveChange("2026-0001/D2"), LEAD)

    bench.do(Finish(due(bench).id, {"seen": words[1]}), EYES)
    outside = len(bench.state.mark("port/P1/out-1/closures").attempts)
    bench.go_on()
    bench.do(Finish(due(bench).id, {"seen": words[0]}), EYES)

    assert outside == 1
    assert bench.state.mark("port/P1/out-1/closures").stands


def test_answers_by_which_other_steps_go_are_not_reworded() -> None:
    """A reworded answer of a decision would leave every branch of it, with one lead's word."""
    bench = at("verify/leak-by")
    new = NewWords(options={"found": ("the dampers hold", "flow past a damper")})

    with pytest.raises(Refused, match=r"“Tell the control room which damper leaks by\.” applies or not by the answer"):
        propose(bench, new)
    forged = FieldChangeProposed(
        ledger=bench.ledger, seq=bench.state.size, at=bench.state.last_at, by=HANDS, number="2026-0001/D1",
        step=due(bench).id, new=new, old=NewWords(), reason="clearer",
    )  # fmt: skip

    assert unlawful([*bench.events, forged]) == (
        f"Entry {forged.seq}: answers were to be reworded by which others go.",
    )


def test_answers_that_a_verification_states_anew_are_not_reworded() -> None:
    """Its own answers would no longer say the same as anything."""
    bench = opened()
    steps = {step.id: step for step in bench.state.steps}

    assert "states the answer given here anew" in answers_bind(steps.values(), steps["port/P1/in-1/serial"])
    assert answers_bind(steps.values(), steps["port/P1/out-1/closures"]) == ""


@pytest.mark.parametrize(
    ("new", "told"),
    [
        (NewWords(text="The neck is twisted."), "writing rule"),
        (NewWords(text="Twist the bag and cut the neck."), "writing rule"),
        (NewWords(limits={"length": SiteLimit(low="1", unit="Pa", basis="x")}), "no reading"),
        (NewWords(options={"length": ("a", "b")}), "answers"),
        (NewWords(), "Nothing of the step"),
    ],
)
def test_what_may_not_change_is_refused_with_what_is_wrong(new: NewWords, told: str) -> None:
    """New words keep the writing rules, a limit its unit, the answers their number; nothing new is no change."""
    bench = at("out-1/gather")

    with pytest.raises(Refused, match=told):
        propose(bench, new)


# --- not applicable -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name",
    [
        "out-1/tape-stub", "out-1/cut", "out-1/gather", "verify/release", "leak/aerosol", "verify/pressure",
        "verify/pause", "waste/hand-over", "agree/ppe", "P1/open/bag", "clamp/upper-resistance",
    ],
)  # fmt: skip
def test_a_critical_step_is_set_aside_by_nobody(name: str) -> None:
    """Taping, cutting, what changes the housing, holds, tests, pauses, limits, the permit, all at a port: refused."""
    bench = at(name)

    with pytest.raises(Refused, match="cannot be set aside by anybody") as refused:
        bench.do(SetAside(due(bench).id, "not needed today"), LEAD)

    assert refused.value.logged


def test_a_reading_without_a_limit_of_the_site_is_set_aside_by_nobody_either() -> None:
    """A housing that gives no limit for it must still be read; what only asks for words a lead may set aside."""
    line = expand(procedure(), housing("EF-11"))
    steps = {step.id: step for step in line}

    assert why_not_aside(steps["isolate/verify/pressure"], line) == "something is read at it"
    assert why_not_aside(steps["end/service/tell"], line) == ""


@pytest.mark.parametrize("tag", ["EF-03", "EF-07", "EF-11"])
@pytest.mark.parametrize("name", ["change-out", "first-fit-out"])
def test_nothing_that_belongs_to_the_locks_is_set_aside_nor_a_handle_left_open(name: str, tag: str) -> None:
    """Each step of a section that puts locks on or takes them off, on the main line and where a bank is re-seated."""
    line = expand(procedure(name), housing(tag))
    beside = [way.numbered(1) for way in ways_out(procedure(name), housing(tag), line)]
    told = {step.id: why_not_aside(step, steps) for steps in (line, *beside) for step in steps}

    locks = {step: why for step, why in told.items() if step.rsplit("/", 2)[-2] in {"shut", "unlock"}}
    handles = {step: why for step, why in told.items() if step.endswith("/close-handle")}

    assert all(locks.values())
    assert {step for step, why in locks.items() if "1910.147(e)" in why} >= {"flow/unlock/clear", "flow/unlock/told"}
    assert bool(handles) == (tag == "EF-07")
    assert set(handles.values()) <= {"it is done at a port"}


def test_a_step_set_aside_before_that_was_asked_is_lawful() -> None:
    """The tools were not counted out before the locks came off: refused today, and older records stand."""
    bench = at("unlock/clear")
    step = due(bench)

    with pytest.raises(Refused, match=r"taking the locks off \(29 CFR 1910\.147\(e\)\)"):
        bench.do(SetAside(step.id, "no tools were used"), LEAD)
    older = StepNotApplicable(
        ledger=bench.ledger, seq=bench.state.size, at=bench.state.last_at, by=LEAD, step=step.id, reason="no tools"
    )

    assert unlawful([*bench.events, older]) == ()


def test_a_step_set_aside_before_that_was_signed_reads_and_writes_as_it_was() -> None:
    """An entry without a signature stays one, and the record shows none for it."""
    bench = at("ready/parts/filters")
    signed = bench.do(SetAside(due(bench).id, "no other type"), LEAD)[0]
    older = {name: value for name, value in payload_of(signed).items() if name != "signature"}

    entry = event_from(older)

    assert payload_of(entry) == older
    assert unlawful([*bench.events[:-1], entry]) == ()
    held = signature_of(signed)
    assert held is not None
    assert (held.meaning, signature_of(entry)) == (ASIDE, None)
    assert signatures_of(bench.state, [entry], "UTC") == []
    assert [item["meaning"] for item in signatures_of(bench.state, [signed], "UTC")] == [ASIDE]


def test_an_ordinary_step_is_set_aside_by_a_lead_with_a_reason_and_shows_as_such() -> None:
    """It stands for the order of the steps, counts as an exception, and the record says not applicable."""
    bench = at("in-1/serial")
    bench.run_to("end/service/tell")
    name = due(bench).id
    with pytest.raises(Refused, match="Ask a lead"):
        bench.do(SetAside(name, "nobody is there"), HANDS)
    with pytest.raises(Refused, match="empty"):
        bench.do(SetAside(name, " "), LEAD)

    bench.do(SetAside(name, "the control room is closed for good"), LEAD)
    bench.run_to()
    bench.do(Submit(), LEAD)

    assert bench.state.mark(name).not_applicable
    assert any(item.kind == "not applicable" for item in bench.state.notables)
    assert any(row["what"] == "Step not applicable" and "closed for good" in row["stands"]
               for row in departures_of(bench.state))  # fmt: skip
    assert unlawful(bench.events) == ()


def decided(option: str) -> Bench:
    """A job in which the dampers were found so."""
    bench = at("verify/leak-by")
    bench.do(Finish(due(bench).id, {"found": option}), HANDS)
    return bench


NO_FLOW, LEAKS = "no flow past either damper", "a damper leaks by"


def test_the_way_not_taken_does_not_apply_and_names_the_entry_that_decided() -> None:
    """With no flow the two steps about a leaking damper are left, with the number of the deciding entry."""
    bench = decided(NO_FLOW)

    done = bench.state.mark("isolate/verify/leak-by").done
    told = bench.state.mark("isolate/verify/leak-tell").not_applicable

    assert done is not None
    assert told == f"not applicable: entry {done.seq} chose “{NO_FLOW}”"
    assert due(bench).id == "isolate/verify/isolation"
    assert unlawful(bench.events) == ()


def test_the_way_that_was_chosen_is_worked_and_a_corrected_choice_leads_the_other_way() -> None:
    """A leak leads to the two steps; corrected to no flow they are left; a new choice after a withdrawal applies."""
    bench = decided(LEAKS)
    assert due(bench).id == "isolate/verify/leak-tell"

    corrected = bench.do(Correct("isolate/verify/leak-by", "found", NO_FLOW, "felt my own breath"), HANDS)
    after_correction = due(bench).id
    bench.do(Withdraw("isolate/verify/leak-by", "looked again"), HANDS)
    bench.do(Finish(due(bench).id, {"found": LEAKS}), HANDS)

    assert isinstance(corrected[1], BranchLeft)
    assert after_correction == "isolate/verify/isolation"
    assert due(bench).id == "isolate/verify/leak-tell"
    assert unlawful(bench.events) == ()
    assert fold(bench.events) == bench.state


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('only_if = { step = "leak-by", option = "a damper leaks by" }',
         'only_if = { step = "leak-by", option = "a damper sings" }', "no option"),
        ('only_if = { step = "leak-by", option = "a damper leaks by" }',
         'only_if = { step = "leak-by", option = "a damper leaks by" }\neffects = ["isolate"]', "depends on a choice"),
        ('text = "Release the opening of {housing}."', 'text = "Release the opening of {housing}."\nby_radio = true',
         "not by radio"),
        ('text = "Stop {fan}."', 'text = "Stop {fan}."\nby_radio = true', "no hold point"),
    ],
)  # fmt: skip
def test_a_procedure_with_a_branch_or_a_radio_release_that_cannot_be_is_refused(old: str, new: str, told: str) -> None:
    """A branch names a choice before it and changes nothing at the housing; an opening is never released by radio."""
    text = procedure_text()
    assert old in text

    with pytest.raises(Invalid, match=told):
        expand(read_procedure(text.replace(old, new, 1), name="mutated"), housing())


# --- released by radio ----------------------------------------------------------------------------


def by_radio(bench: Bench, **changed: object) -> Command:
    """Return the release by voice of the closing hold, as it should be but for what is given."""
    told = {"step": due(bench).id, "sender": OTHER_LEAD, "housing": "EF-03", "port": "P1", "confirmed": True}
    return ReleaseByRadio(**(told | changed))  # type: ignore[arg-type]


def test_a_release_by_radio_lets_the_work_go_on_and_is_signed_before_review() -> None:
    """The hold stands as released, marked to be signed; review waits for the sender's own secret."""
    bench = at("close/release")
    bench.brief(OTHER_LEAD, THIRD_LEAD, part=Part.RELEASE)

    bench.do(by_radio(bench), LEAD)
    bench.run_to("close/door")
    owed = bench.state.unsigned
    while bench.state.due is not None:
        for command, by in bench.due_commands():
            if not isinstance(command, SignRadioRelease):
                bench.do(command, by)
    with pytest.raises(Refused, match="yet to sign"):
        bench.do(Submit(), LEAD)
    with pytest.raises(Refused, match="nobody else"):
        bench.do(SignRadioRelease(owed[0].seq), LEAD)
    bench.do(SignRadioRelease(owed[0].seq), OTHER_LEAD)
    bench.do(Submit(), LEAD)

    assert len(owed) == 1
    assert bench.state.stage is Stage.IN_REVIEW
    assert unlawful(bench.events) == ()
    assert fold(bench.events) == bench.state


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        ({"housing": "EF-04"}, "not what this hold"),
        ({"port": "P2"}, "not what this hold"),
        ({"sender": OFFICER}, "released by a lead"),
        ({"sender": LEAD}, "cannot give it"),
        ({"confirmed": False}, "not confirmed"),
    ],
)
def test_a_release_by_radio_needs_the_right_sender_and_the_tags_word_for_word(
    changed: dict[str, object], told: str
) -> None:
    """A neighbour's tag, another port, a wrong or own sender, or no confirmation: refused."""
    bench = at("close/release")
    bench.brief(OTHER_LEAD, THIRD_LEAD, part=Part.RELEASE)

    with pytest.raises(Refused, match=told):
        bench.do(by_radio(bench, **changed), LEAD)


def test_a_lead_who_has_not_been_briefed_releases_nothing_by_radio_either() -> None:
    """What holds for a signature on the spot holds for a voice."""
    bench = at("close/release")

    with pytest.raises(Refused, match="Radek Nowák has not been briefed") as refused:
        bench.do(by_radio(bench), LEAD)

    assert refused.value.logged


def test_a_technician_receives_no_release_and_the_opening_is_never_released_by_radio() -> None:
    """Only a lead on the spot receives; a hold that the procedure does not name for it stays for a signature here."""
    bench = at("close/release")
    bench.brief(OTHER_LEAD, THIRD_LEAD, part=Part.RELEASE)
    with pytest.raises(Refused, match="received by a lead"):
        bench.do(by_radio(bench), HANDS)
    opening = at("verify/release")
    with pytest.raises(Refused, match="forbids") as refused:
        opening.do(by_radio(opening, sender=OFFICER, port=""), LEAD)

    assert refused.value.logged


def test_a_release_that_the_sender_denies_is_taken_back_and_the_hold_is_due_again() -> None:
    """Nobody is left waiting for a signature that will not come."""
    bench = at("close/release")
    bench.brief(OTHER_LEAD, THIRD_LEAD, part=Part.RELEASE)
    bench.do(by_radio(bench, sender=THIRD_LEAD), LEAD)

    bench.do(Withdraw("port/P1/close/release", "the sender says it was another job"), LEAD)

    assert bench.state.unsigned == ()
    assert due(bench).id == "port/P1/close/release"


# --- from a stop --------------------------------------------------------------------------------------


def test_nobody_leads_on_from_a_stop_before_its_reason_is_known() -> None:
    """A written answer answers something; whoever gives the reason, it stands before the lead goes on."""
    bench = at("out-1/gather")
    bench.do(StopWork(), HANDS)

    with pytest.raises(Refused, match="Nobody has said yet why"):
        bench.do(Reopen("looked at, safe to go on"), LEAD)
    with pytest.raises(Refused, match="Nobody has said yet why"):
        bench.do(EnterContingency("bag-torn", "a tear at the fold", "P1"), LEAD)
    bench.do(ExplainStop("unexpected", "a sound in the duct"), EYES)
    (opened_again,) = bench.do(Reopen("looked at, safe to go on"), LEAD)

    assert bench.state.stage is Stage.LOOKING
    assert isinstance(opened_again, JobReopened)
    assert opened_again.signature is not None
    assert opened_again.signature.meaning == "I answer as written and re-open this job"
    assert opened_again.signature.size == opened_again.seq


def test_a_re_opened_job_is_looked_at_whatever_the_lead_asks_for() -> None:
    """What the model and the record know is compared first, and the lead's own words come on top of it."""
    bench = at("out-1/gather")
    bench.do(StopWork(), HANDS)
    bench.do(ExplainStop("unexpected", "a sound in the duct"), HANDS)
    asked = rechecks_for(bench.state)

    bench.do(Reopen("looked at, safe to go on", look="Is the lamp on?"), LEAD)

    assert len(asked) > 5
    assert bench.state.rechecks[:-1] == asked
    assert (bench.state.rechecks[-1].text, bench.state.rechecks[-1].kind) == ("Is the lamp on?", None)


def test_two_accounts_are_settled_and_not_re_opened() -> None:
    """Nothing was stopped, so there is no stop to answer."""
    bench = at("out-1/gather")
    step, seen = due(bench).id, bench.state.size
    bench.do(Finish(step, {"length": "200"}), HANDS)
    bench.do(Late(Finish(step, {"length": "160"}), seen), EYES)
    assert bench.state.stage is Stage.CONTESTED

    with pytest.raises(Refused, match="Settle them first"):
        bench.do(Reopen("looked at, safe to go on"), LEAD)


# --- one gate for whatever is done at the step in hand ----------------------------------------------


def moving(name: str) -> Bench:
    """A job in which the step whose id ends so is due while a damper is being moved for a trial, its lock off."""
    bench = decided(LEAKS) if name.endswith("leak-tell") else at(name)
    point = bench.state.locks.points[0].point
    for part in (StrokePart.CLEAR, StrokePart.OFF):
        bench.do(StrokeDamper(point, part, seen="clear"), LEAD if part is StrokePart.CLEAR else HANDS)
    return bench


@pytest.mark.parametrize(
    ("name", "command", "by"),
    [
        ("isolate/verify/pause", lambda step: ConfirmPause(step, (HANDS.id,)), HANDS),
        ("isolate/verify/leak-tell", lambda step: SetAside(step, "they know of it"), LEAD),
        ("isolate/verify/leak-by", lambda _: Suspend("break", {}, "control room", "read the gauge"), LEAD),
    ],
    ids=["pause", "set aside", "suspend"],
)
def test_nothing_is_done_at_a_step_while_a_damper_is_being_moved(
    name: str, command: Callable[[str], Command], by: Who
) -> None:
    """A trial in hand, with a lock off, stands in the way of a pause, of setting aside and of leaving."""
    bench = moving(name)
    bench.brief(LEAD)

    with pytest.raises(Refused, match="is being moved for a trial"):
        bench.do(command(due(bench).id), by)


def test_a_pause_and_a_release_by_radio_wait_for_a_change_of_their_step_too() -> None:
    """As a mark does."""
    pause, hold = at("isolate/verify/pause"), at("close/release")
    for bench in (pause, hold):
        propose(bench, NewWords(note="Say it in the lock."))
    hold.brief(OTHER_LEAD, part=Part.RELEASE)

    with pytest.raises(Refused, match="waits for approval"):
        pause.do(ConfirmPause(due(pause).id, (HANDS.id,)), HANDS)
    with pytest.raises(Refused, match="waits for approval"):
        hold.do(by_radio(hold), LEAD)


def test_a_hold_is_not_released_while_a_change_of_it_waits() -> None:
    """The signature under a hold is under words that stand."""
    bench = at("verify/release")
    propose(bench, NewWords(note="Look at the gauge again."))

    with pytest.raises(Refused, match="waits for approval"):
        bench.do(Release(due(bench).id), OFFICER)


def test_a_change_of_a_step_that_was_left_meanwhile_is_not_approved() -> None:
    """A contingency may leave the step while its change waits; nothing of a step that stands is reworded."""
    bench = at("out-1/gather")
    step = due(bench)
    propose(bench, NewWords(note="The neck is short here."))
    left = StepNotApplicable(
        ledger=bench.ledger, seq=bench.state.size, at=bench.state.last_at, by=LEAD, step=step.id, reason="left"
    )
    bench.state = fold([left], start=bench.state)

    with pytest.raises(Refused, match="Decline the change"):
        bench.do(ApproveChange("2026-0001/D1"), LEAD)


def test_an_outsider_finds_what_was_done_while_a_damper_was_being_moved() -> None:
    """A pause put into the record between lock off and lock on is named."""
    bench = moving("isolate/verify/pause")
    forged = PauseConfirmed(
        ledger=bench.ledger, seq=bench.state.size, at=bench.state.last_at, by=HANDS, step=due(bench).id, person=HANDS,
        how="said aloud",
    )  # fmt: skip

    (told,) = unlawful([*bench.events, forged])

    assert "was being moved for a trial" in told
