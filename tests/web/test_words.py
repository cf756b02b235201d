"""What pages say in words of the trade, and what they never promise."""

from app.domain.commands import StopWork
from tests.web.desk import Desk


def test_the_stop_screen_names_what_can_have_happened(desk: Desk) -> None:
    """The link to the contingencies says what they are for."""
    job, hands = desk.open_job(), desk.named("technician")
    desk.do(job, StopWork(), hands)

    page = desk.get(hands, f"/jobs/{job}/now").text

    assert "Torn, dropped, stuck or leaking: the steps that mend it" in page
