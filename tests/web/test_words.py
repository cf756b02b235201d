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


def test_the_part_of_a_section_is_named_and_told_complete_like_a_section(desk: Desk) -> None:
    """In the strip, read ahead, in the overview and the plan; its end is told as the end of a section is."""
    job, hands, lead = desk.open_job(), desk.named("technician"), desk.named("lead")
    where = "At the port P1: Filter out, position 1"
    desk.work_until(job, "Twist the bag into a tight neck")
    begun = desk.get(hands, f"/jobs/{job}/now").text
    desk.work_until(job, "Pause with the crew before the first cut")
    page = desk.get(hands, f"/jobs/{job}/now").text
    state = desk.running.site.jobs.state(job)
    number = next(place for place, step in enumerate(state.steps, 1) if step.id == "port/P1/out-1/tape-package")
    ahead, overview = (desk.get(hands, f"/jobs/{job}{path}").text for path in (f"/steps/{number}", ""))
    desk.work_until(job, "Draw the spent filter at position 2")
    whole = desk.get(hands, f"/jobs/{job}/now").text
    desk.work_until(job, "Roll the last bag")
    rolled = desk.get(hands, f"/jobs/{job}/now").text

    assert f"{where} — Close the neck" in begun
    assert "Filter out, position 1 — complete" not in begun, "one step of it, before its first part"
    assert f"{where} — Cut and tape" in page
    assert ">Close the neck — complete: 6 steps, last at " in page
    assert f"{where} — complete: 16 steps, last at " in whole
    assert "Next bag — complete" not in whole, "the end of the section is told, not that of its last part"
    assert f"{where} — Cut and tape" in ahead
    assert [f"<h3>{where}{part}</h3>" in overview for part in ("", " — Close the neck", " — Cut and tape")] == [
        True
    ] * 3
    assert f"{where} — Cut and tape" in desk.get(lead, "/plan/EF-03").text
    assert "At the port P1: Clamp to its stop — complete: 5 steps" in rolled
