"""The test certificate of a bank, held against the job that it was made from."""

import json

import pytest

from app.calc.errors import Invalid
from app.domain.commands import Correct, Open, Reopen, Withdraw
from app.domain.events import MarkContested
from app.domain.housing import Bank
from app.domain.job import JobState, fold
from app.domain.procedure import Role
from app.domain.site import SiteState
from app.domain.words import unit_words
from app.ledger.canonical import canonical
from app.records.cautions import CAUTIONS, NO_COMPLIANCE, REHEARSAL
from app.records.certificate import NO_TESTS, banks_with_tests, certificate_of, certificates_of, value_of
from app.records.moments import utc_text
from app.records.report import report_of
from app.records.wording import limit_of_result
from app.services.planning import first_entry, plan, with_depths
from tests.builders import EYES, HANDS, LEAD, OTHER_LEAD, START, Bench, housing, opened, procedure
from tests.records.tested import LEAK, MADE_AT, ROOT, at_leak_test, certificate, enter, fail, named, reseat, review


def opened_on(base: object, *, rehearsal: bool = False) -> Bench:
    """Return a job opened on a housing of its own."""
    bench = Bench()
    made = plan(base, procedure(), "0" * 64)  # type: ignore[arg-type]
    draft = first_entry(
        made, site=SiteState(name="Sample Works"), by=LEAD, at=utc_text(START), crew=(HANDS, EYES), rehearsal=rehearsal
    )
    bench.ledger = draft.ledger
    bench.do(Open(draft), LEAD)
    return bench


def finished() -> Bench:
    """A job done to its end, with one failed leak test and a re-seating in it."""
    bench = at_leak_test()
    fail(bench)
    reseat(bench)
    bench.run_to()
    return bench


@pytest.mark.parametrize("tag", ["EF-03", "EF-07", "EF-11"])
def test_what_is_in_force_is_what_the_job_holds(tag: str) -> None:
    """Result, limit, basis, verdict, margin, uncertainty and method of each test are those of the standing mark."""
    bench = opened(tag)
    bench.run_to()
    banks = banks_with_tests(bench.state)

    compared = 0
    for bank in banks:
        made = certificate(bench, bank)
        for test in made.tests:
            step = bench.state.steps[test.step - 1]
            result, now = bench.state.mark(step.id).evidence.result, test.in_force
            assert step.bank is bank
            assert result is not None
            assert now is not None
            assert now.outcome is not None
            assert now.outcome.shown == result.shown
            assert (now.outcome.limit, now.outcome.basis) == (limit_of_result(step), result.basis or "")
            assert now.outcome.margin == (f"{result.margin} {unit_words(result.unit)}" if result.margin else "")
            assert now.outcome.uncertainty == (result.uncertainty or "")
            assert (test.limit, now.outcome.limit) == (now.outcome.limit, limit_of_result(step))
            assert test.basis == (
                step.result_limit.basis if step.result_limit else "neither the procedure nor the site gives one"
            )
            assert test.methods == (f"{result.method}: {result.source}",)
            compared += 1

    assert banks == housing(tag).banks
    assert compared == sum(1 for step in bench.state.steps if step.computes and step.computes not in NO_TESTS)


def test_every_bank_has_its_own_filters_and_no_others() -> None:
    """The positions told over all certificates are those of the housing, each once, with the labels as read."""
    bench = opened("EF-11")
    while (due := bench.state.due) is not None and bench.state.due is not None:
        if due.computes == "filter_age":
            enter(bench, serial=f"SN-{due.port}-{due.position}", made="2025-06-30")
        else:
            bench.run_to(steps=1)

    told = [
        (bank, item.port, item.position, *(read.value for read in item.attempts[0].readings[:2]))
        for bank in banks_with_tests(bench.state)
        for item in certificate(bench, bank).filters
    ]

    wanted = [
        (port.bank, port.id, place, f"SN-{port.id}-{place}", "2025-06-30")
        for port in housing("EF-11").ports
        for place in range(port.filters, 0, -1)
    ]
    assert told == wanted
    assert all(item.fitted.startswith("slid in, entry ") for item in certificate(bench).filters)


def test_a_filter_refused_for_its_age_stays_beside_the_one_that_was_fitted() -> None:
    """The label of the old filter is an attempt that failed; until the new one is slid in the certificate says so."""
    bench = opened()
    bench.run_to("in-2/serial")
    enter(bench, serial="OLD-1", made="2010-01-01")
    enter(bench, serial="NEW-2", made="2025-12-01")

    first = certificate(bench).filters[0]

    assert [item.readings[0].value for item in first.attempts] == ["OLD-1", "NEW-2"]
    assert [item.standing for item in first.attempts] == ["failed", "in force"]
    assert first.attempts[0].outcome is not None
    assert first.attempts[0].outcome.limit == "after 2026-03-02"
    assert first.fitted == "not slid in"


def test_the_verdict_follows_the_test_from_failed_to_due_again_to_met() -> None:
    """Before, after a failure, after re-seating and after the new test the verdict is the one then in force."""
    bench = at_leak_test()
    found = [named(certificate(bench), "Leak").verdict]
    fail(bench)
    found.append(named(certificate(bench), "Leak").verdict)
    reseat(bench)
    found.append(named(certificate(bench), "Leak").verdict)
    between = certificate(bench)
    bench.run_to("leak/aerosol")
    enter(bench)
    found.append(named(certificate(bench), "Leak").verdict)

    assert found == ["NOT DONE", "FAILED", "DUE AGAIN", "met"]
    assert not between.passed
    assert between.verdict.startswith("NOT PASSED. Air flow against design, step ")
    assert between.verdict.count("DUE AGAIN") == 3
    assert certificate(bench).passed


def test_the_verdict_names_what_was_judged_and_what_was_not() -> None:
    """A resistance without a limit is recorded and not counted among what lies within its limit."""
    made = certificate(finished())

    assert made.passed
    assert made.verdict == (
        "Within its limit: Air flow against design; Leak test in place. "
        "Recorded, not judged: Resistance at rated flow (no limit given)."
    )


def test_steps_put_in_are_told_with_reason_and_how_many_stand() -> None:
    """Nothing of them stands when they are put in, all of them at the end; who and why is there."""
    bench = at_leak_test()
    fail(bench)
    before = len(bench.state.steps)
    reseat(bench)
    (at_first,) = certificate(bench).put_in
    bench.run_to()
    (at_last,) = certificate(bench).put_in

    count = len(bench.state.steps) - before
    assert (at_first.count, at_first.standing) == (count, 0)
    assert (at_last.count, at_last.standing) == (count, count)
    assert at_last.reason == "seal mark uneven on one side"
    assert at_last.who == "Radek Nowák (lead)"


def test_each_turn_of_steps_put_in_is_counted_by_itself() -> None:
    """Put in a second time, the first turn's steps all stand and none of the second's does."""
    bench = at_leak_test()
    fail(bench)
    reseat(bench)
    bench.run_to("leak/aerosol")
    fail(bench)
    reseat(bench, "again")

    first, second = certificate(bench).put_in

    assert (first.standing, second.standing) == (first.count, 0)
    assert first.count == second.count
    assert (first.reason, second.reason) == ("seal mark uneven on one side", "again")


def test_steps_put_in_for_one_bank_are_not_told_of_another() -> None:
    """A re-seated HEPA bank leaves no trace on the certificate of the carbon bank."""
    bench = at_leak_test("EF-11")
    fail(bench)
    reseat(bench)

    assert len(certificate(bench, Bank.HEPA).put_in) == 1
    assert certificate(bench, Bank.CARBON).put_in == ()


def test_how_the_record_stands_is_said_at_every_stage() -> None:
    """Unfinished, in review, accepted, and after re-opening unfinished again with the acceptance that fell."""
    bench = finished()
    found = [certificate(bench)]
    review(bench, accept=False)
    found.append(certificate(bench))
    accepted = finished()
    review(accepted)
    found.append(certificate(accepted))
    assert accepted.state.accepted is not None
    entry = accepted.state.accepted.seq
    accepted.do(Reopen("The torque is to be read again.", ("port/P1/clamp/torque",)), LEAD)
    found.append(certificate(accepted))

    assert [made.state for made in found] == ["unfinished", "in review", "accepted", "unfinished"]
    assert found[0].state_told.startswith("UNFINISHED. State of the job: work done; ")
    assert "NOT accepted" in found[1].state_told
    assert "accepted by Aiko Lindqvist" in found[2].state_told
    assert f"The acceptance of entry {entry} no longer counts." in found[3].state_told
    assert [len(made.signatures) for made in found] == [0, 1, 2, 2]
    assert {item["meaning"] for item in found[2].signatures} == {
        "The work is complete as recorded",
        "I have read this record with every exception in it, have reviewed its trail, and accept it",
    }


def test_it_names_head_job_and_what_it_is_not() -> None:
    """Size and root of the head, job and procedure, and the honest lines with the usual cautions are on it."""
    bench = finished()
    made = certificate(bench)
    facts, told = dict(made.facts), " ".join(made.honest)

    assert (made.size, made.root) == (len(bench.events), ROOT)
    assert facts["Procedure"] == "Change-out through bags (change-out revision 7)"
    assert facts["Housing"] == "EF-03, Roof plant room, bay 2"
    assert facts["Job"].startswith("2026-0001, opened 2026-03-02 07:00:00 +00:00 by Ines Varga")
    assert facts["This copy made"] == "2026-03-03 09:00:00 +00:00"
    assert "no efficiency certificate" in told
    assert "another aerosol" in told
    assert "server's clock" in told
    assert made.cautions == (*CAUTIONS, NO_COMPLIANCE)


def test_a_rehearsal_is_no_certificate_of_work() -> None:
    """The line that no work was done stands on it."""
    bench = opened_on(housing(), rehearsal=True)

    assert certificate(bench).rehearsal == REHEARSAL
    assert certificate(finished()).rehearsal == ""


def test_positions_that_were_left_alone_are_named() -> None:
    """Where a job replaces only the filter at the door, the one behind it has no label on the certificate."""
    bench = opened_on(with_depths(housing(), {"P1": 1}))
    made = certificate(bench)

    assert [item.position for item in made.filters] == [1]
    assert made.left_in == ("P1, position 2: not changed in this job, so no label was read.",)
    assert certificate(finished()).left_in == ()


def test_without_site_values_a_test_is_recorded_and_not_computed() -> None:
    """A flow that cannot be held against a design flow gives no verdict, and is not called met."""
    limits = {name: limit for name, limit in housing().limits.items() if name != "air_flow"}
    bench = opened_on(housing().model_copy(update={"design": {}, "limits": limits}))
    bench.run_to()

    flow = named(certificate(bench), "Air flow")

    assert flow.verdict == "not computed"
    assert flow.in_force is not None
    assert flow.in_force.outcome is None
    assert "Air flow against design (not computed)" in certificate(bench).verdict


def test_a_test_with_two_accounts_is_not_passed() -> None:
    """As long as a kept mark that differs is not settled, the bank has not passed."""
    bench = finished()
    contested = MarkContested(
        ledger=bench.ledger, seq=bench.state.size, at="2026-03-02T23:00:00.000Z", by=EYES, step=LEAK, act="finish",
        answers={"downstream": "0.02"}, why="Entered otherwise.",
    )  # fmt: skip
    bench.events.append(contested)
    bench.state = fold(bench.events)

    made = certificate(bench)

    assert named(made, "Leak").verdict == "TWO ACCOUNTS DIFFER"
    assert not made.passed


def test_a_correction_outside_the_limit_is_not_passed() -> None:
    """A result that met its limit before a correction does not count after it."""
    bench = finished()
    bench.do(Correct(LEAK, "downstream", "0.9", "decimal point", "0.9", beside=EYES), HANDS)

    made = certificate(bench)

    assert named(made, "Leak").verdict == "DUE AGAIN"
    assert not made.passed


def test_a_first_fit_out_tells_the_housing_and_the_evenness_too() -> None:
    """Tests of the whole housing stand on the certificate of its bank."""
    bench = opened("EF-03", "first-fit-out")
    bench.run_to()

    titles = [test.title for test in certificate(bench).tests]

    assert titles == [
        "Leak rate of the closed housing", "Air flow against design", "Resistance at rated flow",
        "Evenness over the face", "Evenness over the face", "Leak test in place",
    ]  # fmt: skip


def test_a_bank_without_tests_has_no_certificate() -> None:
    """A bank that the job does not test, and a job that is not there, are refused in one sentence."""
    bench = at_leak_test()

    with pytest.raises(Invalid, match="no test of the carbon bank"):
        certificate(bench, Bank.CARBON)
    with pytest.raises(Invalid, match="no test of the HEPA bank"):
        certificate_of(JobState(), (), Bank.HEPA, root=ROOT, made_at=MADE_AT)


def test_an_age_or_a_smear_alone_is_no_test_of_a_bank() -> None:
    """A job that only reads labels and counts smears at a bank gives no certificate of it."""
    first = at_leak_test().state.opened
    assert first is not None
    fewer = tuple(step for step in first.steps if step.computes is None or step.computes in NO_TESTS)

    state = fold([first.model_copy(update={"steps": fewer})])

    assert any(step.computes for step in state.steps)
    assert banks_with_tests(state) == ()


def test_its_values_are_plain_and_the_report_holds_them() -> None:
    """The values survive canonical JSON unchanged, and the report of the record holds the same for every bank."""
    bench = opened("EF-11")

    report = report_of(bench.state, bench.events, root=ROOT, made_at=MADE_AT)
    value = value_of(certificate(bench, Bank.HEPA))

    assert json.loads(canonical(value)) == value
    assert [item["bank"] for item in report["certificates"]] == list(housing("EF-11").banks)
    assert value in report["certificates"]
    assert report["certificates"] == certificates_of(bench.state, bench.events, root=ROOT, made_at=MADE_AT)


def test_taken_back_by_a_lead_it_is_due_again() -> None:
    """A withdrawn leak test is due again, whoever withdrew it."""
    bench = finished()
    bench.do(Withdraw(LEAK, "photometer was not warm"), OTHER_LEAD)

    assert OTHER_LEAD.role is Role.LEAD
    assert named(certificate(bench), "Leak").verdict == "DUE AGAIN"
