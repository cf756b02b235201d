"""The permit while work is left and when it ends: who has it, read anew on coming back, marks without it found."""

from dataclasses import replace

import pytest

from app.domain.commands import Accept, Correct, ExplainStop, OpenException, Reopen, StopWork, Submit, Withdraw
from app.domain.contingency import EnterContingency
from app.domain.deciding.contingency import possible
from app.domain.deciding.leaving import suspend_looks
from app.domain.event_base import Who
from app.domain.events import JobSubmitted, event_from, payload_of
from app.domain.history import unlawful
from app.domain.job import Stage, evolve, fold
from app.domain.killers import permit_line, permit_on_record
from app.domain.leaving import (
    DOCUMENTS,
    PERMIT_LOOKS,
    AnswerLooks,
    JobSuspended,
    PermitFate,
    PermitLeft,
    ReadNext,
    ReturnBegun,
    ReturnToWork,
    SignHandover,
    Suspend,
    TakeOver,
)
from app.domain.refused import Refused
from app.services.jobs import _digest
from app.services.rehearsal import looks_as_recorded
from tests.builders import EYES, HANDS, LEAD, OFFICER, OTHER_LEAD, Bench, opened

AT_DOOR = "port/P1/out-1/draw"
AWAY = [PermitFate.SUSPENDED, PermitFate.HANDED_BACK]


def left(fate: str = "", to: str = "", at: str = AT_DOOR, by: Who = HANDS) -> Bench:
    """Return a job that was left before a step, with what was said of its permit."""
    bench = opened()
    bench.run_to(at)
    if bench.state.crew.member(by.id) is None:
        bench.brief(by)
    bench.do(leaving(bench, fate, to), by)
    return bench


def leaving(bench: Bench, fate: str, to: str) -> Suspend:
    """Return the command that leaves the work as it stands."""
    return Suspend("break", looks_as_recorded(suspend_looks(bench.state)), "control room", "draw it", fate, to)


def back(bench: Bench) -> dict[str, str]:
    """Come back, read the line, and return what would be answered as recorded."""
    bench.do(ReturnToWork(), HANDS)
    bench.do(ReadNext(), HANDS)
    return looks_as_recorded(bench.state.rechecks)


def at_issuer(bench: Bench) -> PermitLeft | None:
    """Return where the permit is while it is away."""
    return bench.state.leaving.permit


def stage_of(bench: Bench) -> Stage:
    """Return where the job stands."""
    return bench.state.stage


def away(fate: PermitFate = PermitFate.SUSPENDED) -> PermitLeft:
    """Return where the permit is in these tests."""
    return PermitLeft(fate=fate, to="R. Osei, permit desk")


def test_nothing_said_of_the_permit_claims_nothing() -> None:
    """As on paper and from tablets of before: no field in the entry, no look more, and nothing away."""
    bench = left()

    assert "permit" not in payload_of(bench.events[-1])
    assert at_issuer(bench) is None
    assert not PERMIT_LOOKS.keys() & back(bench).keys()


@pytest.mark.parametrize("to", ["", "control room, on the board"])
def test_a_permit_that_stays_in_force_is_not_away(to: str) -> None:
    """It is on record, and the looks are those of any return."""
    bench = left(PermitFate.IN_FORCE, to)

    assert bench.events[-1].permit == PermitLeft(fate=PermitFate.IN_FORCE, to=to or None)  # type: ignore[union-attr]
    assert "NOT IN FORCE" not in permit_line(bench.state)
    assert not PERMIT_LOOKS.keys() & back(bench).keys()


@pytest.mark.parametrize("fate", AWAY)
def test_number_and_last_day_are_read_anew_of_a_permit_that_was_away(fate: PermitFate) -> None:
    """Both as recorded, the permit is in force again and the work goes on."""
    bench = left(fate, " R. Osei, permit desk ")
    assert at_issuer(bench) == away(fate)
    assert permit_line(bench.state).endswith(f"; NOT IN FORCE: {fate.words} (R. Osei, permit desk)")

    answers = back(bench)
    first = [(look.id, look.kind, look.expected) for look in bench.state.rechecks[:2]]
    bench.do(AnswerLooks({"permit-number": answers["permit-number"]}), HANDS)
    half = at_issuer(bench)
    bench.do(AnswerLooks({name: answers[name] for name in answers if name != "permit-number"}), HANDS)

    assert first == [
        (name, "same", told) for name, told in zip(PERMIT_LOOKS, permit_on_record(bench.state), strict=True)
    ]
    assert half == away(fate)
    assert at_issuer(bench) is None
    assert stage_of(bench) is Stage.OPEN
    bench.run_to("port/P1/out-1/gather")
    assert unlawful(bench.events) == ()


@pytest.mark.parametrize(
    ("fate", "to", "told"),
    [
        ("lost", "R. Osei", "'lost' is nothing that becomes of a permit"),
        ("", "R. Osei", "'' is nothing that becomes of a permit"),
        ("suspended", "  ", "To whom the permit went is empty"),
        ("handed_back", "", "To whom the permit went is empty"),
        ("suspended", "x" * 501, "To whom the permit went has 501 characters"),
    ],
)
def test_a_fate_that_is_unknown_or_lacks_its_name_is_refused(fate: str, to: str, told: str) -> None:
    """One of the closed list, and with the name of whoever has the permit."""
    bench = opened()
    bench.run_to(AT_DOOR)

    with pytest.raises(Refused, match=told):
        bench.do(leaving(bench, fate, to), HANDS)


def test_nothing_is_said_of_a_permit_that_is_not_on_record() -> None:
    """Before its number and day were entered there is nothing to compare on coming back."""
    bench = opened()
    bench.run_to("agree/ppe")

    with pytest.raises(Refused, match="no permit on record yet"):
        bench.do(leaving(bench, "suspended", "R. Osei"), HANDS)
    bench.run_to()
    unasked = tuple(step.model_copy(update={"asks": ()}) for step in bench.state.steps)
    bench.state = replace(bench.state, steps=unasked)
    with pytest.raises(Refused, match="no permit on record yet"):
        bench.do(Submit("R. Osei, by hand"), OTHER_LEAD)


def test_whoever_takes_over_reads_the_permit_in_the_walk_down() -> None:
    """The incoming person looks at it like at the rest, and both sign."""
    bench = left(PermitFate.HANDED_BACK, "R. Osei")
    bench.do(TakeOver(HANDS, tuple(DOCUMENTS)), EYES)
    bench.do(ReadNext(), EYES)
    asked = {look.id: look.group for look in bench.state.rechecks}
    bench.do(AnswerLooks(looks_as_recorded(bench.state.rechecks)), EYES)
    bench.do(SignHandover(), HANDS)
    bench.do(SignHandover(), EYES)

    assert [asked.get(name) for name in PERMIT_LOOKS] == ["The permit"] * 2
    assert at_issuer(bench) is None
    assert stage_of(bench) is Stage.OPEN
    assert unlawful(bench.events) == ()


def test_another_permit_stops_the_job_until_the_answers_are_corrected_and_it_is_asked_again() -> None:
    """One of the two alike is not enough; a lead corrects the record, re-opens, and both are asked anew."""
    bench = left(PermitFate.SUSPENDED, "R. Osei, permit desk")
    answers = back(bench) | {"permit-number": "PTW-77"}

    bench.do(AnswerLooks({name: answers[name] for name in PERMIT_LOOKS}), HANDS)

    assert stage_of(bench) is Stage.STOPPED
    assert bench.state.stop is not None
    assert "Number of the permit in force now: seen PTW-77; recorded" in bench.state.stop.text
    assert at_issuer(bench) == away()
    bench.do(Reopen("looked at the permit"), OTHER_LEAD)
    bench.do(AnswerLooks(answers), HANDS)
    assert stage_of(bench) is Stage.STOPPED, "the record still names the other one"
    ppe = next(step for step in bench.state.steps if any(asked.ask.id == "permit" for asked in step.asks))
    bench.do(Correct(ppe.id, "permit", "PTW-77", "issued anew"), OTHER_LEAD)
    bench.do(Reopen("the record has the permit of today"), OTHER_LEAD)
    assert {look.id: look.expected for look in bench.state.rechecks}["permit-number"] == "PTW-77"
    bench.do(AnswerLooks(looks_as_recorded(bench.state.rechecks)), HANDS)

    assert at_issuer(bench) is None
    assert stage_of(bench) is Stage.OPEN
    assert unlawful(bench.events) == ()


def test_a_step_withdrawn_meanwhile_still_says_which_permit_it_was() -> None:
    """What was entered last is compared, so that the looks are never fewer than two."""
    bench = left(PermitFate.SUSPENDED, "R. Osei")
    known = permit_on_record(bench.state)
    ppe = next(step for step in bench.state.steps if any(asked.ask.id == "permit" for asked in step.asks))
    bench.do(Withdraw(ppe.id, "another permit"), LEAD)

    back(bench)

    assert all(known)
    assert tuple(look.expected for look in bench.state.rechecks[:2]) == known


def test_a_contingency_does_not_lead_past_a_permit_that_is_away() -> None:
    """It goes on from a stop without the looks; no step is then marked until a re-opening has asked for the permit."""
    bench = left(PermitFate.SUSPENDED, "R. Osei, permit desk", by=LEAD)
    bench.do(AnswerLooks(back(bench) | {"permit-number": "PTW-77"}), HANDS)
    kept, spot = possible(bench.state)[0]
    bench.do(EnterContingency(kept.id, "seen at the port", spot.port, spot.position), OTHER_LEAD)
    assert stage_of(bench) is Stage.OPEN
    with pytest.raises(Refused, match=r"^The permit is suspended by its issuer \(R\. Osei, permit desk\), and nobody"):
        bench.do(*bench.due_commands()[-1])

    bench.do(StopWork(), HANDS)
    bench.do(ExplainStop("unexpected", "the permit"), HANDS)
    bench.do(Reopen("asked for the permit"), OTHER_LEAD)

    assert PERMIT_LOOKS.keys() <= {look.id for look in bench.state.rechecks}


def test_the_permit_goes_back_with_the_submission_and_is_read_anew_when_it_is_reopened() -> None:
    """To whom, and how; a record that is handed in again says it anew, or nothing."""
    bench = opened()
    bench.run_to()
    (event,) = bench.do(Submit(" R. Osei, by hand "), OTHER_LEAD)
    assert isinstance(event, JobSubmitted)
    assert event.permit_back == "R. Osei, by hand"
    for item in bench.state.unread:
        bench.do(OpenException(item.seq), OFFICER)
    bench.do(Accept(), OFFICER)
    bench.do(Reopen("a label is missing"), LEAD)
    assert PERMIT_LOOKS.keys() <= {look.id for look in bench.state.rechecks}

    bench.do(AnswerLooks(looks_as_recorded(bench.state.rechecks)), HANDS)
    assert at_issuer(bench) is None
    bench.run_to()
    (again,) = bench.do(Submit(), OTHER_LEAD)

    assert isinstance(again, JobSubmitted)
    assert again.permit_back is None
    assert "permit_back" not in payload_of(again)
    assert unlawful(bench.events) == ()


def test_an_outsider_finds_a_mark_that_was_made_while_the_permit_was_away() -> None:
    """A return that asked for everything but the permit, and a step begun after it."""
    bench = left(PermitFate.HANDED_BACK, "R. Osei")
    bench.do(ReturnToWork(), HANDS)
    told = bench.events[-1]
    assert isinstance(told, ReturnBegun)
    fewer = told.model_copy(update={"rechecks": tuple(item for item in told.rechecks if item.id not in PERMIT_LOOKS)})
    bench.events[-1] = fewer
    bench.state = fold(bench.events)
    bench.do(ReadNext(), HANDS)
    bench.do(AnswerLooks(looks_as_recorded(bench.state.rechecks)), HANDS)
    kept = list(bench.events)
    bench.state = replace(bench.state, leaving=replace(bench.state.leaving, permit=None))
    fresh = bench.do(bench.due_commands()[0][0], HANDS)

    assert unlawful(kept) == ()
    (found,) = unlawful([*kept, *fresh])
    assert found.startswith(f"Entry {fresh[0].seq}: the step {AT_DOOR} was marked while the permit was away, handed")


def test_entries_and_requests_of_before_keep_their_bytes() -> None:
    """What was written without the new fields reads and writes the same; a form without them is the same request."""
    bench = left()
    entry = payload_of(bench.events[-1])
    given = payload_of(left("suspended", "R. Osei").events[-1])
    old = Suspend("break", {}, "control room", "draw it")

    assert payload_of(event_from(entry)) == entry
    assert given["permit"] == {"fate": "suspended", "to": "R. Osei"}
    again = event_from(given)
    assert isinstance(again, JobSuspended)
    assert payload_of(again) == given
    assert evolve(fold(bench.events[:-1]), again).leaving.permit == again.permit
    assert _digest("J", Submit(), LEAD) == "f6a61a6b1a8a02a679fcbf04ca20d72eb38cc0e3f4c055eb489cb73361ce2292"
    assert _digest("J", old, LEAD) == "0c01a1188542cb9188ab9321fc8a3de64766d7fb17ed77b4dbf79e8a8a86c24b"
    different = (old, replace(old, permit="suspended"), Submit(), Submit("R. Osei"))
    assert len({_digest("J", command, LEAD) for command in different}) == len(different)
