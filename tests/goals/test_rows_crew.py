"""Rows 14, 15, 21, 22, 23, 30, 32, 33 and 60: crew, brief, pauses, reader and worker, log, questions, from outside."""

import json
import re
from collections.abc import Iterator
from html import unescape
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page

from app.domain.event_base import Who
from app.domain.steps import Step
from app.domain.watch_events import PersonAdded, SecretReset
from app.services.rehearsal import commands_for, made_up_answers
from tests.browser.driver import EYES, HANDS, SECRETS, Tablet, served
from tests.browser.stage import Staged
from tests.builders import account_for_packages
from tests.paper.tools import pages, unspaced
from tests.web.desk import Clock, Desk

WORDS = "I band the ring side and call the stop if a bag tears."
BARE = {"ok", "okay", "checked", "set", "done", "yes", "no", "good", "fine", "pass", "passed"}


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    """A sample site with its people, by a clock that is told."""
    made = Desk.at(tmp_path, Clock())
    yield made
    made.running.close()


def entries(desk: Desk, job: str) -> list[dict[str, Any]]:
    """Return the entries of the record as it is exported."""
    record: dict[str, Any] = json.loads(desk.get(desk.named("lead"), f"/jobs/{job}/record.json").content)
    found: list[dict[str, Any]] = record["entries"]
    return found


def entries_now(desk: Desk, job: str) -> tuple[Any, ...]:
    """Return the entries as they stand in the ledger."""
    return tuple(desk.running.site.jobs.events(job))


def due(desk: Desk, job: str) -> Step:
    """Return the step that is due."""
    step = desk.running.site.jobs.state(job).due
    assert step is not None
    return step


def place_shown(desk: Desk, who: Who, job: str) -> str:
    """Return the place that the work page shows."""
    found = re.search(r"step \d+ of \d+", desk.get(who, f"/jobs/{job}/now").text)
    assert found is not None
    return found.group()


def mark(desk: Desk, who: Who, job: str, act: str = "finish", **fields: str) -> int:
    """Post a mark of the step that is due, with good answers, and return the status."""
    step = due(desk, job)
    answers = {f"a.{name}": text for name, text in made_up_answers(step).items()} if act == "finish" else {}
    return desk.post(who, f"/jobs/{job}/marks", step=step.id, act=act, **{**answers, **fields}).status_code


def acknowledge(desk: Desk, who: Who, job: str, **fields: str) -> Any:
    """Sign the brief of a job."""
    given = {"person": who.id, "part": "work", "words": WORDS, "secret": SECRETS[who.name]}
    return desk.post(who, f"/jobs/{job}/brief", **{**given, **fields})


def test_row_14_looking_ahead_to_the_end_and_back_moves_no_place_and_a_section_says_that_it_is_complete(
    desk: Desk,
) -> None:
    """Every step is read to the end and back: the place stays, no entry follows, no control completes anything."""
    job, hands = desk.open_job(), desk.named("technician")
    desk.work_until(job, "Record the PPE")
    before, written = place_shown(desk, hands, job), len(entries(desk, job))
    last = len(desk.running.site.jobs.state(job).steps)

    pages = [
        desk.get(hands, f"/jobs/{job}/steps/{number}").text for number in [*range(1, last + 1), *range(last, 0, -1)]
    ]

    assert all("Reading only" in page or "This step is due" in page for page in pages)
    assert not any("/marks" in page or "/pause" in page for page in pages)
    assert (place_shown(desk, hands, job), len(entries(desk, job))) == (before, written)
    assert (
        "Ready: Parts and tools on site — complete: 4 steps, last at 07:15." in desk.get(hands, f"/jobs/{job}/now").text
    )


def test_row_15_nobody_marks_before_the_brief_nor_without_the_qualification(desk: Desk) -> None:
    """The first step is out of reach for the crew, then for a newcomer; a qualification that ran out is named."""
    job = desk.open_job(briefed=False)
    hands, eyes, lead = desk.named("technician"), desk.named("technician", 1), desk.named("lead", 1)
    assert mark(desk, hands, job) == 409
    shown = desk.get(hands, f"/jobs/{job}/brief").text
    for told in ("Worst that may happen", "Stop at once", "Cut the neck midway", "Bag torn", "common practice"):
        assert told in shown
    assert acknowledge(desk, hands, job, words="ok").status_code == 409
    assert acknowledge(desk, hands, job, secret="not the secret at all").status_code == 403
    assert acknowledge(desk, hands, job).status_code == 303
    assert mark(desk, hands, job) == 409, "the other of the crew has not been briefed"
    desk.post(lead, "/qualifications", person=eyes.id, what="site induction", until="2026-03-01")
    assert "ran out on 2026-03-01" in unescape(acknowledge(desk, eyes, job).text)
    desk.post(lead, "/qualifications", person=eyes.id, what="site induction", until="2026-03-02")
    assert acknowledge(desk, eyes, job).status_code == 303

    assert mark(desk, lead, job) == 409
    assert mark(desk, eyes, job) == 303

    kept = entries(desk, job)
    assert any(item.get("code") == "not_briefed" and lead.name in item["sentence"] for item in kept)
    (signed, _) = [item for item in kept if item["type"] == "crew_briefed"]
    assert (signed["words"], signed["revision"]) == (WORDS, 7)
    assert signed["signature"]["meaning"] == "I have been briefed for this job and take part in the work"


def test_row_15_no_job_is_opened_for_somebody_who_is_not_qualified(desk: Desk) -> None:
    """The form of the plan is refused with who lacks what since when; no job is in hand; renewed, it opens."""
    hands, lead = desk.named("technician"), desk.named("lead", 1)
    plan = {"procedure": "change-out", "depth.P1": "2", "beside": "on", f"crew.{hands.id}": "on"}
    dated = {"person": hands.id, "what": "respirator fit test"}
    desk.post(lead, "/qualifications", **dated, until="2026-03-01")

    refused = desk.post(lead, "/plan/EF-03", **plan)
    none = desk.running.site.jobs.site().jobs
    desk.post(lead, "/qualifications", **dated, until="2026-03-02")
    opened = desk.post(lead, "/plan/EF-03", **plan)

    assert [refused.status_code, opened.status_code] == [409, 303]
    assert f"{hands.name}'s “respirator fit test” ran out on 2026-03-01" in unescape(refused.text)
    assert len(list(none)) == 0


def test_row_15_a_late_joiner_is_briefed_before_writing_anything_but_a_stop(desk: Desk) -> None:
    """Leaving the work, readings, own locks, other words: each refused with what to do; STOP is taken."""
    job, late = desk.open_job(), desk.named("lead", 1)
    desk.work_until(job, "fully into the bag")
    step = due(desk, job).id
    tries = {
        "suspend": {"reason": "break", "told": "control room", "next_thing": "draw", "permit": "in_force"},
        "own-locks": {"act": "on", "lock": "P-7"},
        "reading": {"reading": "-20"},
        "changes": {"step": step, "reason": "the strap is short", "text": "Draw the filter with the hook."},
    }

    def tried() -> dict[str, int]:
        return {path: desk.post(late, f"/jobs/{job}/{path}", **fields).status_code for path, fields in tries.items()}

    before = tried()
    kept = [item for item in entries_now(desk, job) if item.type == "attempt_refused"]
    told = unescape(desk.post(late, f"/jobs/{job}/changes", **tries["changes"]).text)
    assert acknowledge(desk, late, job).status_code == 303
    after = {path: desk.post(late, f"/jobs/{job}/{path}", **tries[path]).status_code
             for path in ("own-locks", "reading", "changes")}  # fmt: skip
    stranger = desk.named("lead")
    stopped = desk.post(stranger, f"/jobs/{job}/stop").status_code
    explained = desk.post(stranger, f"/jobs/{job}/stop-reason", reason="unexpected", text="a bell").status_code

    assert before == dict.fromkeys(tries, 409)
    assert {item.code for item in kept} == {"not_briefed"}
    assert f"{late.name} has not been briefed for this job and writes nothing to it. Read the brief" in told
    assert after == dict.fromkeys(after, 303)
    assert (stopped, explained) == (303, 303)


def test_row_15_nobody_signs_before_it_is_known_who_they_are_and_they_accept_that_it_binds(desk: Desk) -> None:
    """A newcomer's identity is checked, in words; a secret is chosen with the statement; the site's trail has both.

    Somebody who came before this was asked signs nothing until both stand.
    """
    admin, lead = desk.named("administrator"), desk.named("lead")
    unchecked = desk.post(admin, "/people", name="Late Joiner", role="lead", identity=" ")
    added = desk.post(admin, "/people", name="Late Joiner", role="lead", identity="site pass seen")
    (code,) = re.findall(r'class="head-text">([A-Z0-9-]+)<', added.text)
    late, secret = desk.stranger(), "green lamp over water"
    late.post("/signin", data={"person": "late-joiner", "secret": code, "tablet": "tablet 1"})
    shown = unescape(late.get("/secret").text)
    bare = late.post("/secret", data={"old": code, "new": secret})
    chosen = late.post("/secret", data={"old": code, "new": secret, "binds": "yes"})
    signed = late.post("/access", data={"person": "late-joiner", "secret": secret, "remark": ""})
    before = desk.running.people.add("Old Hand", lead.role, by=None, identity="known to us", secret=secret)[0].who
    desk.running.site.jobs.write_site(
        lambda _, seq, at: PersonAdded(seq=seq, at=at, person=before.id, name=before.name, role=before.role)
    ).result()
    old = desk.stranger()
    old.post("/signin", data={"person": before.id, "secret": secret, "tablet": "tablet 1"})
    unfit = old.post("/access", data={"person": before.id, "secret": secret, "remark": ""})
    desk.running.site.jobs.write_site(
        lambda _, seq, at: SecretReset(seq=seq, at=at, person=before.id, identity="known to us")
    ).result()
    unbound = old.post("/access", data={"person": before.id, "secret": secret, "remark": ""})
    empty = desk.post(admin, f"/people/{before.id}/reset", identity="")

    assert (unchecked.status_code, empty.status_code) == (422, 422)
    assert "How it was checked who this is" in added.text
    statement = "What I sign here with my secret binds me as my signature on paper does; I give the secret to nobody"
    assert statement in shown
    assert (bare.status_code, chosen.status_code, signed.status_code) == (422, 303, 303)
    assert "tick the sentence" in bare.text
    assert unfit.status_code == 403
    assert "Nobody has entered how it was checked who Old Hand is" in unescape(unfit.text)
    assert "Old Hand has not accepted yet that a signature binds" in unescape(unbound.text)
    people, secrets = (unescape(desk.get(lead, f"/trail?kind={kind}").text) for kind in ("people", "secrets"))
    assert "Late Joiner was added as late-joiner, lead. Who it is was checked: site pass seen." in people
    assert f"Accepted: “{statement}”." in secrets


def test_row_21_no_answer_anywhere_reads_only_checked_ok_set_or_done(desk: Desk, tmp_path: Path) -> None:
    """Every option of every form of both procedures, and every answer in the record's PDF, states what was seen."""
    options: list[str] = []
    jobs = [desk.open_job(tag, kind) for tag in ("EF-03", "EF-07") for kind in ("change-out", "first-fit-out")]
    for job in jobs:
        state = desk.running.site.jobs.state(job)
        ways = [step for way in (state.opened and state.opened.ways_out) or () for step in way.steps]
        options += [option for step in (*state.steps, *ways) for asked in step.asks for option in asked.ask.options]
    desk.work_until(jobs[0], "no step has these words")
    pdf = desk.get(desk.named("lead"), f"/jobs/{jobs[0]}/record.pdf").content
    shown = desk.get(desk.named("lead"), f"/jobs/{jobs[0]}/review").text

    answers = [unescape(text).strip() for text in re.findall(r"review-answer\">[^<]*<b>([^<]*)</b>", shown)]

    assert len(options) > 100
    assert len(answers) > 40
    assert [text for text in (*options, *answers) if text.strip(" .!").lower() in BARE] == []
    given = answers_given(desk, jobs[0])
    printed = unspaced(" ".join(pages(pdf, tmp_path)))
    assert len(given) > 80
    assert [told for told in given if unspaced(": ".join(told)) not in printed] == [], "printed as they were given"
    assert [told for told in given if told[1].strip(" .!").lower() in BARE] == []


def answers_given(desk: Desk, job: str) -> list[tuple[str, str]]:
    """Return each question of a job that was answered, with its answer."""
    state = desk.running.site.jobs.state(job)
    answered = ((asked.ask, state.mark(step.id).evidence.answers) for step in state.steps for asked in step.asks)
    return [(ask.label, answers[ask.id].text) for ask, answers in answered if ask.id in answers]


def test_row_22_a_pause_waits_for_the_last_of_the_crew_and_repeats_what_must_be_so(desk: Desk) -> None:
    """Three pauses; each shows its values; with one person missing none is passable, by whatever form."""
    job, hands, eyes = desk.open_job(), desk.named("technician"), desk.named("technician", 1)
    seen = {}
    for words in ("is opened", "first cut", "returns to service"):
        desk.work_until(job, words)
        step = due(desk, job)
        seen[words] = unescape(desk.get(hands, f"/jobs/{job}/now").text)
        assert "checked>" not in seen[words], "nobody has spoken by default"
        assert desk.post(hands, f"/jobs/{job}/pause", step=step.id).status_code == 422
        assert mark(desk, hands, job) == 409
        sent = desk.post(hands, f"/jobs/{job}/pause", step=step.id, **{f"spoken.{hands.id}": SECRETS[hands.name]})
        assert sent.status_code == 303
        assert due(desk, job) == step, f"{eyes.name} has not spoken"
        assert desk.post(hands, f"/jobs/{job}/pause", step=step.id, **{f"aloud.{eyes.id}": "on"}).status_code == 303
        assert due(desk, job) != step

    assert "locked and verified; D-301: lock L-1" in seen["is opened"]
    assert "ring side: 1 tie, 1 band; package side: 1 tie, 1 band" in seen["first cut"]
    for told in (
        "set; Upper bolt at stop",
        "taped, held in the bag on the ring",
        "shut; between the inside and the room",
    ):
        assert told in seen["returns to service"]
    spoken = [(item["person"]["name"], item["how"]) for item in entries(desk, job) if item["type"] == "pause_confirmed"]
    assert spoken == [(HANDS, "own secret"), (EYES, "said aloud")] * 3


def test_row_30_every_done_has_a_human_actor_and_a_gesture_of_its_own(desk: Desk) -> None:
    """In a whole job each finished step and released hold names a person of the site and the one form that made it."""
    job = desk.open_job()
    desk.work_until(job, "no step has these words")

    done = [item for item in entries(desk, job) if item["type"] in {"step_done", "hold_released"}]

    state = desk.running.site.jobs.state(job)
    left = {name for item in entries(desk, job) if item["type"] == "branch_left" for name in item["steps"]}
    assert left, "a decision of this job leaves a way out"
    assert sorted(item["step"] for item in done) == sorted({step.id for step in state.steps} - left)
    cast = desk.cast()
    assert {item["by"]["id"] for item in done} == {cast.hands.id, cast.eyes.id, cast.officer.id, cast.lead.id}
    assert all(len(item["request"]) >= 16 for item in done)
    assert len({item["request"] for item in done}) == len(done), "no gesture finishes two steps"
    assert all(item["device"]["tablet"] for item in done)


def test_row_32_reader_and_worker_are_both_named_at_the_step_in_page_json_and_pdf(desk: Desk) -> None:
    """The tablet goes on recording for the one chosen until that is changed; the record shows both names."""
    job, hands, eyes = desk.open_job(), desk.named("technician"), desk.named("technician", 1)
    first = due(desk, job)
    assert mark(desk, hands, job, worker=eyes.id) == 303

    shown = desk.get(hands, f"/jobs/{job}/now").text
    kept = entries(desk, job)[-1]
    review = unescape(desk.get(hands, f"/jobs/{job}/review").text)

    assert f"Recorded for {eyes.name}" in shown
    assert (kept["step"], kept["by"]["name"], kept["worker"]["name"]) == (first.id, hands.name, eyes.name)
    assert f"worker {eyes.name} (technician), reader {hands.name} (technician" in review
    assert mark(desk, hands, job, worker="") == 303
    assert "worker" not in entries(desk, job)[-1]


def test_row_33_a_note_from_any_screen_stands_in_its_place_and_may_be_followed(desk: Desk) -> None:
    """The log is one link away from every page of a job; a note carries its time; another goes on from it."""
    job, hands = desk.open_job(), desk.named("technician")
    for path in ("", "/now", "/steps/3", "/review", "/record", "/brief", "/questions", "/log"):
        assert f'href="/jobs/{job}/log"' in desk.get(hands, f"/jobs/{job}{path}").text, path
    assert desk.post(hands, f"/jobs/{job}/log", text="The lamp flickers.").status_code == 303
    first = entries(desk, job)[-1]
    assert desk.post(hands, f"/jobs/{job}/log", text="It was the plug.", follows="1").status_code == 409

    desk.post(hands, f"/jobs/{job}/log", text="It was the plug.", follows=str(first["seq"]))

    assert entries(desk, job)[-1]["follows"] == first["seq"]
    assert f"goes on from {first['seq']}" in desk.get(hands, f"/jobs/{job}/log").text


def test_row_60_a_deviation_is_answered_before_the_review_and_reaches_owner_and_next_brief(desk: Desk) -> None:
    """Closing with a stop in the record asks; the answers are exported, on the owner's page and in the next brief."""
    job, hands, lead = desk.open_job(), desk.named("technician"), desk.named("lead", 1)
    desk.work_until(job, "Count the tie straps")
    desk.post(hands, f"/jobs/{job}/stop")
    secret = SECRETS[lead.name]
    path, answer = f"/jobs/{job}/reopen", "It was a drill."
    bare = desk.post(lead, path, answer=answer, secret=secret)
    told = desk.post(hands, f"/jobs/{job}/stop-reason", reason="unexpected", text="An alarm rang.")
    reopened = desk.post(lead, path, answer=answer, secret=secret)
    assert [bare.status_code, told.status_code, reopened.status_code] == [409, 303, 303]
    assert "Nobody has said yet why the job was stopped" in bare.text
    desk.go_on(job)
    desk.work_until(job, "Ask the crew what differed")
    assert f"/jobs/{job}/questions" in desk.get(hands, f"/jobs/{job}/now").text, "the last pause asks"
    assert mark(desk, hands, job) == 303
    assert desk.post(lead, f"/jobs/{job}/submit", permit_back="the permit desk", secret=secret).status_code == 409
    stop = next(item["seq"] for item in entries(desk, job) if item["type"] == "job_stopped")
    given = {"differed": "An alarm rang.", "why": "A drill nobody knew of.", "change": "Ask about drills first."}

    sent = desk.post(hands, f"/jobs/{job}/questions", entry=str(stop), **given)

    account_for_packages(desk.running.site.waste, job)
    assert sent.status_code == 303
    assert desk.post(lead, f"/jobs/{job}/submit", permit_back="the permit desk", secret=secret).status_code == 303
    kept = next(item for item in entries(desk, job) if item["type"] == "deviation_answered")
    assert {name: kept[name] for name in given} == given
    owner = desk.get(lead, "/lessons").text
    assert "change-out revision 7" in owner
    assert "Ask about drills first." in owner
    plan = {"procedure": "change-out", "depth.P1": "2", "beside": "on", f"crew.{hands.id}": "on"}
    opened = desk.post(lead, "/plan/EF-03", **plan).headers["location"].removesuffix("/now")
    assert "Ask about drills first." in desk.get(hands, f"{opened}/brief").text
    elsewhere = desk.open_job("EF-11")
    assert "Ask about drills first." not in desk.get(hands, f"/jobs/{elsewhere}/brief").text, "it is of that housing"


def test_row_60_a_mark_taken_back_is_asked_about_in_one_question(desk: Desk) -> None:
    """Its question stands on the page; without its answer the job does not go to review, with it the owner has both."""
    job, hands, lead = desk.open_job(), desk.named("technician"), desk.named("lead", 1)
    desk.work_until(job, "Count the tie straps")
    first = desk.running.site.jobs.state(job).steps[0]
    desk.post(lead, f"/jobs/{job}/withdrawals", step=first.id, reason="counted the wrong box")
    while (state := desk.running.site.jobs.state(job)).due is not None:
        for command, by in commands_for(state, desk.cast()):
            desk.do(job, command, by)
    account_for_packages(desk.running.site.waste, job)
    secret, entry = SECRETS[lead.name], next(e["seq"] for e in entries(desk, job) if e["type"] == "step_withdrawn")

    page = desk.get(hands, f"/jobs/{job}/questions").text
    early = desk.post(lead, f"/jobs/{job}/submit", permit_back="the permit desk", secret=secret)
    empty = desk.post(hands, f"/jobs/{job}/questions", entry=str(entry), differed=" ")
    sent = desk.post(hands, f"/jobs/{job}/questions", entry=str(entry), differed="Two boxes stand side by side.")
    late = desk.post(lead, f"/jobs/{job}/submit", permit_back="the permit desk", secret=secret)

    assert "What led to the mark that was taken back?" in page
    assert "Why did it differ?" not in page
    assert [early.status_code, empty.status_code, sent.status_code, late.status_code] == [409, 409, 303, 303]
    owner = desk.get(lead, "/lessons").text
    assert "What led to the mark that was taken back?" in owner
    assert "Two boxes stand side by side." in owner


# What stands under the hand: the field in hand, what is typed there, what lies over the page, how far it is scrolled.
FOCUS_KEPT = """() => ({
  focus: document.activeElement?.id ?? "", typed: document.querySelector("[name='a.length']")?.value ?? "",
  over: document.querySelectorAll("dialog[open], [popover]:popover-open, [role=dialog], [role=alertdialog]").length,
  scrolled: window.scrollY,
})"""


@pytest.mark.browser
def test_row_23_from_open_to_close_nothing_takes_the_focus_or_lies_over_the_step(
    tmp_path: Path, browser: Browser
) -> None:
    """A number is half typed while the tablet catches up with the server and hears of an update: it stays as it is."""
    with served(tmp_path) as (address, running):
        staged = Staged(running).do_until("Draw the spent filter")
        page = browser.new_context(viewport={"width": 1280, "height": 800}).new_page()
        tablet = Tablet(page, address)
        tablet.sign_in(HANDS)
        tablet.go(f"/jobs/{staged.job}/now")
        page.wait_for_function("() => navigator.serviceWorker?.controller")
        page.wait_for_load_state("networkidle")
        assert "Stop at: airborne alarm" in page.locator(".abort").inner_text()
        page.context.set_offline(True)
        for name in ("Begin", "Done"):
            press(page, name)
        page.locator("[data-kept='2']").wait_for()
        page.locator("[name='a.length']").fill("2")
        before = page.evaluate(FOCUS_KEPT)

        page.context.set_offline(False)
        page.wait_for_function("() => !document.querySelector('[data-kept]')")
        page.evaluate("() => navigator.serviceWorker.getRegistration().then(found => found.update())")
        page.evaluate("() => document.dispatchEvent(new Event('visibilitychange'))")
        page.wait_for_load_state("networkidle")

        assert page.evaluate(FOCUS_KEPT) == before
        assert before["typed"] == "2"
        assert before["focus"] != ""
        assert before["over"] == 0
        assert running.site.jobs.state(staged.job).due is not None
        assert "Twist the bag" in running.site.jobs.state(staged.job).due.text  # type: ignore[union-attr]


def press(page: Page, name: str) -> None:
    """Press a button of the step; the hand takes its time."""
    page.evaluate("window.handMoved()")
    page.get_by_role("button", name=name, exact=True).click()
