"""What pages say in words of the trade, and what they never promise."""

from app.domain.commands import StopWork
from tests.web.desk import Desk


def test_the_stop_screen_names_what_can_have_happened(desk: Desk) -> None:
    """The link to the contingencies says what they are for."""
    job, hands = desk.open_job(), desk.named("technician")
    desk.do(job, StopWork(), hands)

    page = desk.get(hands, f"/jobs/{job}/now").text

    assert "Torn, dropped, stuck or leaking: the steps that mend it" in page


def test_nothing_is_promised_safe_about_a_second_job(desk: Desk) -> None:
    """Opening a job beside another one is the lead's own look; the program calls it neither safe nor unsafe."""
    desk.open_job()
    lead = desk.named("lead")

    page = desk.get(lead, "/plan/EF-03").text
    refused = desk.post(lead, "/plan/EF-03", procedure="change-out").text

    assert "I have looked at that job and open another beside it all the same" in page
    assert "tick on the planning page that you have looked at it" in refused
    assert "is safe" not in page + refused
