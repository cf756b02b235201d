"""The locked session, as the server keeps it: what is refused, what goes on, and what keeps nothing awake."""

import html
import re
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

from app.domain.refused import Refused
from app.services.rehearsal import made_up_answers
from tests.web.desk import SECRETS, Clock, Desk

MINUTE = timedelta(minutes=1)


def visible(page: str) -> str:
    """Return what people can read of a page: no markup and no addresses in it."""
    return html.unescape(re.sub(r"<[^>]*>", " ", page))


def test_a_locked_session_is_refused_in_a_sentence_and_shows_no_name(desk: Desk, clock: Clock) -> None:
    """A page leads to the cover, a form is refused there, a script gets 423; none of it names person or job."""
    hands, job = desk.named("technician"), desk.open_job()
    before = desk.get(hands, f"/jobs/{job}/now")
    clock.now += 6 * MINUTE

    page = desk.get(hands, f"/jobs/{job}/now")
    form = desk.post(hands, f"/jobs/{job}/log", text="lamp flickers")
    script = desk.client(hands).post(f"/jobs/{job}/log", data={"token": "n" * 32}, headers={"HX-Request": "true"})
    cover = desk.get(hands, page.headers["location"])

    assert (page.status_code, form.status_code, script.status_code, cover.status_code) == (303, 423, 423, 200)
    assert "Refused: the screen was covered meanwhile" in form.text
    shown = [visible(answer.text) for answer in (before, cover, form)]
    for name in (hands.name, "EF-03", "2026-0001"):
        assert [name in text for text in shown] == [True, False, False], name
    assert len(desk.running.site.jobs.events(job)) == 3, "opened, and two briefed"


def test_marks_that_a_locked_tablet_kept_arrive_in_their_makers_name(desk: Desk, clock: Clock) -> None:
    """They are taken, and neither they nor the panels that a tablet takes along keep its session awake."""
    hands, job = desk.named("technician"), desk.open_job()
    due = desk.running.site.jobs.state(job).due
    assert due is not None
    desk.get(hands, f"/jobs/{job}/now")
    for _ in range(3):
        clock.now += 2 * MINUTE
        ahead = desk.get(hands, f"/jobs/{job}/ahead").status_code
    at = "2026-03-02T07:16:00.000Z"
    mark = {
        "n": 1, "act": "finish", "step": due.id, "answers": made_up_answers(due), "token": "k" * 32, "device_at": at,
        "seen": 1,
    }  # fmt: skip

    sent = desk.client(hands).post(
        f"/jobs/{job}/kept", json={"sent_at": "2026-03-02T07:21:00.000Z", "person": hands.id, "marks": [mark]}
    )

    assert ahead == 423
    assert sent.json()["results"] == [{"n": 1, "taken": True, "told": ""}]
    assert desk.running.site.jobs.events(job)[-1].by == hands
    assert desk.get(hands, "/").status_code == 303


def test_unlocking_takes_the_secret_of_the_same_person_at_the_same_session(desk: Desk, clock: Clock) -> None:
    """Another's secret uncovers nothing; a page of somebody who was switched away meanwhile is not uncovered."""
    hands, lead = desk.named("technician"), desk.named("lead")
    desk.get(hands, "/")
    clock.now += 6 * MINUTE
    tablet = desk.client(hands)

    others = tablet.post("/unlock", data={"secret": SECRETS[lead.name]})
    switched = tablet.post("/unlock", data={"secret": SECRETS[hands.name], "person": lead.id, "quietly": "yes"})
    still = tablet.get("/").status_code
    own = tablet.post("/unlock", data={"secret": SECRETS[hands.name], "then": "//elsewhere.example"})

    assert (others.status_code, switched.status_code, still) == (403, 409, 303)
    assert (own.status_code, own.headers["location"]) == (303, "/")
    assert tablet.get("/").status_code == 200


def test_the_site_sets_after_how_long_a_screen_is_covered(desk: Desk, clock: Clock) -> None:
    """1 to 15 minutes; anything else, or no reason, is refused and changes nothing."""
    lead = desk.named("lead")

    refused = [
        desk.post(lead, "/site", setting="idle_lock_min", value=value, reason=reason).status_code
        for value, reason in (("0", "why not"), ("16", "why not"), ("5.5", "why not"), ("9", ""), ("5", "the same"))
    ]
    chosen = desk.post(lead, "/site", setting="idle_lock_min", value="15", reason="gloves take long").status_code
    clock.now += 14 * MINUTE
    awake = desk.get(lead, "/").status_code
    clock.now += 16 * MINUTE
    asleep = desk.get(lead, "/").status_code

    assert refused == [422] * 5
    assert (chosen, awake, asleep) == (303, 200, 303)


def test_many_tries_at_once_are_no_way_around_the_counter(desk: Desk) -> None:
    """Of twenty wrong secrets given at the same time five are checked; the others wait."""
    hands = desk.named("technician")

    def give(_: int) -> str:
        try:
            desk.running.people.prove(hands.id, "not the one", tablet="tablet 9")
        except Refused as no:
            return no.code
        return "taken"

    with ThreadPoolExecutor(20) as pool:
        codes = list(pool.map(give, range(20)))

    assert sorted(codes) == ["secret"] * 5 + ["waiting"] * 15
