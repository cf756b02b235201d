"""A form is shown to those who may send it; to everybody else the page says in a sentence who may."""

from app.domain.commands import ExplainStop, StopWork
from app.domain.field_change import ApproveChange, NewWords, ProposeChange
from tests.web.desk import Desk


def test_what_went_wrong_is_entered_by_a_lead_who_did_not_stop(desk: Desk) -> None:
    """A technician sees what can have happened, and that a lead chooses."""
    job, hands, eyes, lead = desk.open_job(), desk.named("technician"), desk.cast().eyes, desk.named("lead")
    desk.work_until(job, "Twist the bag into")
    desk.do(job, StopWork(), hands)
    bare = desk.get(lead, f"/jobs/{job}/contingencies").text
    desk.do(job, ExplainStop("unexpected", "a tear at the fold"), hands)

    by_eyes, by_lead = (desk.get(who, f"/jobs/{job}/contingencies").text for who in (eyes, lead))

    assert "Sign and put these steps in" not in bare
    assert "Nobody has said yet why the job was stopped" in bare
    assert "Sign and put these steps in" in by_lead
    assert "Sign and put these steps in" not in by_eyes
    assert "A lead who did not stop the job chooses what is done." in by_eyes


def test_a_change_is_declined_by_a_keeper_or_its_proposer_and_approved_once_by_each_role(desk: Desk) -> None:
    """Another technician sees no form to decline it; a lead who has approved sees that the officer is awaited."""
    job, hands, eyes, lead = desk.open_job(), desk.named("technician"), desk.cast().eyes, desk.named("lead")
    officer = desk.named("safety officer")
    step = desk.work_until(job, "Tape the raw edge of the stub").due
    assert step is not None
    desk.do(job, ProposeChange(step.id, NewWords(text="Tape the raw edge of the stub twice."), "it frays"), hands)
    decline = f"/jobs/{job}/changes/decline"

    own, others = (desk.get(who, f"/jobs/{job}/otherwise").text for who in (hands, eyes))
    desk.do(job, ApproveChange("2026-0001/D1"), lead)
    approved, awaited = (desk.get(who, f"/jobs/{job}/otherwise").text for who in (lead, officer))

    assert decline in own
    assert decline not in others
    assert "A lead, a safety officer or who proposed it can decline it." in others
    assert "Sign and approve" not in approved
    assert "It needs a safety officer who neither proposed it" in approved
    assert "Sign and approve" in awaited


def test_a_row_of_locks_is_recorded_by_whoever_has_been_briefed(desk: Desk) -> None:
    """A lead who has not read the brief is led to it instead of to a form that would be refused."""
    job, hands, lead = desk.open_job(), desk.named("technician"), desk.named("lead")
    desk.work_until(job, "Apply a lock")

    by_hands, by_lead = (desk.get(who, f"/jobs/{job}/now").text for who in (hands, lead))

    assert f'action="/jobs/{job}/rows"' in by_hands
    assert f'action="/jobs/{job}/rows"' not in by_lead
    assert "has not been briefed for this job" in by_lead
    assert "Read the brief first" in by_lead
