"""The locked session, as the server keeps it: what is refused, what goes on, and what keeps nothing awake."""

import html
import re
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

from app.domain.commands import Accept, OpenException, Submit
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


def test_whoever_waits_after_wrong_secrets_reads_where_the_work_stands(desk: Desk, clock: Clock) -> None:
    """The cover leads to a page of each job in hand; it needs no secret, uncovers nothing and writes nothing."""
    hands, job, done = desk.named("technician"), desk.open_job(), desk.open_job("EF-07")
    desk.work_until(job, "Cut the neck midway")
    due = desk.running.site.jobs.state(job).due
    assert due is not None
    desk.get(hands, f"/jobs/{job}/now")
    clock.now += 6 * MINUTE
    tablet = desk.client(hands)
    tries = [tablet.post("/unlock", data={"secret": "not the one"}) for _ in range(6)]
    right = tablet.post("/unlock", data={"secret": SECRETS[hands.name]})
    sizes = [len(desk.running.store.read_payloads(name)) for name in ("site", job)]

    cover = tablet.get("/locked")
    listed, read = tablet.get("/read"), tablet.get(f"/read/{job}")

    assert "Too many wrong secrets" in html.unescape(tries[-1].text)
    assert right.status_code == 403, "the wait is not over for the right secret either"
    assert re.search(r'<a [^>]*href="/read"[^>]*target="_blank"', cover.text)
    assert [f'href="/read/{name}"' in listed.text for name in (job, done)] == [True, True]
    shown = visible(read.text)
    for words in ("Where job 2026-0001 stands, housing EF-03", due.text, "Locks", "Last readings", "D-301"):
        assert words in shown, words
    assert f'action="/stop/{job}"' in read.text
    assert tablet.get(f"/jobs/{job}/now").headers["location"].startswith("/locked"), "still covered"
    assert [len(desk.running.store.read_payloads(name)) for name in ("site", job)] == sizes


def test_what_is_verified_unseen_is_not_read_without_a_secret_either(desk: Desk) -> None:
    """Lock numbers stand on the page once somebody has verified them, and not before."""
    job, stranger = desk.open_job(), desk.stranger()
    state = desk.work_until(job, "Verify that fan")
    lock = state.locks.points[0].lock
    before = visible(stranger.get(f"/read/{job}").text)
    desk.work_until(job, "Pause with the crew before the")

    after = visible(stranger.get(f"/read/{job}").text)

    assert re.search(rf"\b{lock}\b", before) is None
    assert re.search(rf"\b{lock}\b", after)


def test_only_work_in_hand_is_read_without_signing_in_and_only_at_an_enrolled_tablet(desk: Desk) -> None:
    """No other job, no job of another name, and no tablet that the site does not know: each told what to do."""
    job, admin = desk.open_job(), desk.named("administrator")
    none = desk.stranger().get("/read/job-2019-0001")
    site = desk.stranger().get("/read/site")
    code = re.search(r"[A-Z2-9]{4}-[A-Z2-9]{4}", desk.post(admin, "/tablets").text)
    assert code
    known = desk.stranger()
    assert known.post("/enrol", data={"code": code.group(), "tablet": "tablet 2, roof"}).status_code == 303

    shut = [desk.stranger().get(path) for path in ("/read", f"/read/{job}")]

    assert (none.status_code, site.status_code) == (422, 422)
    assert [answer.status_code for answer in shut] == [403, 403]
    assert all("This tablet is not enrolled" in answer.text for answer in shut)
    assert known.get(f"/read/{job}").status_code == 200


def test_a_record_that_was_accepted_is_read_by_whoever_signs_in(desk: Desk) -> None:
    """Where the work ends, so does the page that is open to anybody."""
    lead, officer, job = desk.named("lead"), desk.named("safety officer"), desk.open_job()
    desk.work_until(job, "no step has these words")
    state = desk.do(job, Submit(), lead)
    for notable in state.notables:
        desk.do(job, OpenException(notable.seq), officer)
    desk.do(job, Accept(), officer)

    answer = desk.stranger().get(f"/read/{job}")

    assert answer.status_code == 409
    assert "The record of this job has been accepted" in answer.text


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
