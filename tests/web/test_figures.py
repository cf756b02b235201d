"""A figure that a page shows says where it comes from, or that it is ours."""

from tests.web.desk import Desk


def test_the_codes_and_secrets_of_people_and_tablets_say_whose_their_figures_are(desk: Desk) -> None:
    """How long a code is good, how long a secret is, and when a session ends."""
    admin, lead = desk.named("administrator"), desk.named("lead")

    added = desk.post(admin, "/people", name="Late Joiner", role="technician", identity="site pass seen").text
    invited = desk.client(lead).post("/tablets").text
    secret, about = desk.get(lead, "/secret").text, desk.get(lead, "/about").text

    assert "good for 24 h (our figure)" in added
    assert "good for a quarter of an hour (our figure)" in invited
    assert "At least 15 characters (NIST SP 800-63B-4" in secret
    assert "after 12 hours (our figure is 12)" in about


def test_a_label_says_that_its_four_characters_are_ours(desk: Desk) -> None:
    """The end of a label that is enough has no source."""
    job, hands = desk.open_job(), desk.named("technician")
    desk.work_until(job, "Stop fan")

    assert "its last four characters (our figure)" in desk.get(hands, f"/jobs/{job}/now").text
