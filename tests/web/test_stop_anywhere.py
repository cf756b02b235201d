"""STOP WORK is in reach on every page: every route that shows one is opened with real ids, by everybody who may."""

import re
from collections.abc import Iterator
from hashlib import sha256

import pytest
from fastapi import FastAPI, Request
from fastapi.responses import HTMLResponse
from starlette.responses import Response

from app.domain.commands import StopWork
from app.domain.event_base import Who
from app.domain.housing import Service
from app.domain.job import JobState, Stage
from app.domain.leaving import DOCUMENTS, AnswerLooks, ReadNext, SignHandover, TakeOver
from app.domain.locks import PutOwnLockOn, RemoveOthersLock
from app.domain.paper import PrintBlank
from app.domain.readiness_items import applies
from app.domain.store import Kind
from app.domain.storing import receipt_items
from app.paths import SEED_DATA
from app.services.rehearsal import looks_as_recorded
from app.web.render import html
from app.web.roles import ALLOWED, EVERYONE
from tests.domain.test_readiness import answers
from tests.web.desk import Desk
from tests.web.forms import forms_of
from tests.web.test_every_form import leaving, store_waste

NO_PAGES = {
    "/ready", "/jobs/{job}/ahead", "/photos/{sha256}", "/photos/{sha256}/held", "/trust/authority.crt",
}  # fmt: skip
"""Answers to scripts, pictures and files; so is every path with an ending."""
SIGNED_OUT = {"/signin", "/enrol", "/read", "/read/{job}"}
"""Pages for whoever is not signed in here, or is about to be somebody else."""
COVERED = {"/locked"}
"""The covered screen: it stops the job that it lies over, and nothing else; see the test below."""
SHOWS_A_JOB = {"/notices", "/in-hand"}
"""Pages that name jobs themselves, each with STOP beside it."""
TEXT = sha256((SEED_DATA / "procedures" / "change-out.toml").read_bytes()).hexdigest()
LINK = '<a class="cell" href="/in-hand">Jobs in hand</a>'
"""What the head of every page without a job has."""


def with_a_blank_out(desk: Desk) -> str:
    """Return a job amid its work, with a numbered blank that is out."""
    job = desk.open_job()
    desk.work_until(job, "Stop fan")
    desk.do(job, PrintBlank(), desk.named("technician"))
    return job


def work_to_its_end(desk: Desk, job: str) -> None:
    """Do all the work, at a site where everything else that a page shows is there at least once."""
    hands, lead, officer = desk.named("technician"), desk.named("lead"), desk.named("safety officer")
    desk.work_until(job, "no step has these words")
    store_waste(desk, job, lead)
    lot = {"id": "B-1", "kind": "bag", "what": "ring 660", "count": "10"}
    assert desk.post(hands, "/stock", **lot).status_code == 303
    seen = {f"a.{name}": item.good for name, item in receipt_items(Kind.BAG).items()} | {"reason": ""}
    assert desk.post(hands, "/stock/B-1/inspections", **seen, verdict="accepted").status_code == 303
    planned = {"housing": "EF-03", "procedure": "change-out", "begins": "2026-03-09T07:30", "ends": "2026-03-09T15:00"}
    assert desk.post(lead, "/planned", **planned, lead=lead.id, why="drop near its limit").status_code == 303
    for item in applies(Service.RADIOACTIVE):
        desk.running.site.plans.answer("PL-0001", item, answers(item, Service.RADIOACTIVE), by=officer).result()


def page_routes(app: FastAPI) -> list[str]:
    """Return every route of the program that shows a page."""
    app.openapi_schema = None
    paths = [path for path, verbs in app.openapi()["paths"].items() if "get" in verbs]
    return [path for path in paths if path not in NO_PAGES | SIGNED_OUT | COVERED and not re.search(r"\.\w+$", path)]


def filled(path: str, job: str) -> str:
    """Return the address of a page with real ids in it."""
    return path.format(
        job=job, number=1, tag="D-301" if "/point/" in path else "EF-03", bank="hepa", point="fan", plan="PL-0001",
        item="permit", work="PL-0001", lot="B-1", container="B-1", handover="H-0001", sha256=TEXT,
    )  # fmt: skip


def pages(desk: Desk, job: str) -> Iterator[tuple[str, str, Who, str]]:
    """Open every page as everybody who may; yield its route, where it led, who is shown it, and it."""
    people = [desk.named(role) for role in ("technician", "lead", "safety officer", "administrator")]
    for path in page_routes(desk.running.app):
        for who in people:
            answer = desk.client(who).get(filled(path, job), follow_redirects=True)
            if answer.status_code == 200:
                yield path, answer.url.path, who, answer.text


def stops(page: str) -> list[str]:
    """Return the jobs that a page stops with one tap: a form with a token, and a button that says so."""
    forms = [form for form in forms_of(page) if re.fullmatch(r"/jobs/job-[0-9-]+/stop", form.action)]
    assert all(len(form.fields["token"]) == 32 for form in forms)
    assert len(re.findall(r"<button[^>]*>STOP WORK", page.partition("<dialog")[0])) == len(forms)
    return [form.action.split("/")[2] for form in forms]


def out_of_reach(desk: Desk, job: str, *, only: bool) -> tuple[list[tuple[str, str]], set[str]]:
    """Return where somebody has no way to STOP as it should be, and every route that was seen.

    only: one job is in hand, and every page stops it.
    """
    bad: list[tuple[str, str]] = []
    seen: set[str] = set()
    for path, led_to, who, page in pages(desk, job):
        seen.add(path)
        reached = stops(page)
        if led_to.startswith("/jobs/"):
            good = job in reached
        elif path in SHOWS_A_JOB:
            good = LINK in page
        else:
            good = LINK in page and reached == ([job] if only else [])
        if not good:
            bad.append((path, who.role.words))
    return bad, seen


def test_every_page_of_a_job_stops_it_and_every_other_leads_to_jobs_in_hand(desk: Desk) -> None:
    """With one job in hand each other page stops it itself, named in full; with several it has the link alone."""
    job = with_a_blank_out(desk)
    amid, first = out_of_reach(desk, job, only=True)
    work_to_its_end(desk, job)
    done, then = out_of_reach(desk, job, only=True)
    assert (amid, done) == ([], [])
    assert first | then == set(page_routes(desk.running.app))
    assert "STOP WORK on EF-03, job 2026-0001" in desk.get(desk.named("administrator"), "/people").text

    desk.open_job("EF-07")

    assert out_of_reach(desk, job, only=False) == ([], then)


def test_where_several_are_in_hand_a_page_stops_the_one_on_whose_crew_somebody_is(desk: Desk) -> None:
    """One tap for the crew of one; whoever is on none or on two, or whose job is stopped already, has the link."""
    hands, eyes, lead = desk.named("technician"), desk.named("technician", 1), desk.named("lead")
    one, other = desk.open_job(crew=(hands,)), desk.open_job("EF-07", crew=(eyes,))

    def seen() -> list[list[str]]:
        return [stops(desk.get(who, "/stock").text) for who in (hands, eyes, lead)]

    apart = seen()
    both = desk.open_job("EF-11", crew=(hands,))
    on_two = seen()
    desk.do(both, StopWork(), lead)
    one_stopped = seen()

    assert apart == [[one], [other], []]
    assert on_two == [[], [other], []]
    assert one_stopped == [[one], [other], []]
    assert "STOP WORK on EF-07" in desk.get(eyes, "/stock").text


@pytest.mark.parametrize("stage", ["at a step", "left", "walking down", "to be signed", "handed over"])
def test_a_job_that_waits_is_stopped_from_its_pages_all_the_same(desk: Desk, stage: str) -> None:
    """Suspended, looked over and handed over, each page that opens then has STOP, whoever is shown it."""
    job, hands, eyes = desk.open_job(), desk.named("technician"), desk.named("technician", 1)
    desk.work_until(job, "Take the door off")
    if stage != "at a step":
        desk.do(job, leaving(desk, job), hands)
    if stage in ("walking down", "to be signed", "handed over"):
        desk.do(job, TakeOver(hands, tuple(DOCUMENTS)), eyes)
    if stage in ("to be signed", "handed over"):
        state = desk.do(job, ReadNext(), eyes)
        desk.do(job, AnswerLooks(looks_as_recorded(state.rechecks)), eyes)
    if stage == "handed over":
        desk.do(job, SignHandover(), hands)
        desk.do(job, SignHandover(), eyes)

    bad, seen = out_of_reach(desk, job, only=True)

    assert bad == []
    assert {"/jobs/{job}/now", "/jobs/{job}/handover", "/jobs/{job}/locks", "/jobs/{job}/brief"} <= seen


def test_the_stop_in_the_head_stops_and_is_gone_then(desk: Desk) -> None:
    """One tap by anybody; nothing else in the head changes, and no page offers it for what is stopped already."""
    job, admin = desk.open_job(), desk.named("administrator")
    (form,) = [form for form in forms_of(desk.get(admin, "/people").text) if form.action.endswith("/stop")]

    answer = desk.client(admin).post(form.action, data=form.fields | {"device_at": ""})

    state: JobState = desk.running.site.jobs.state(job)
    assert (answer.status_code, answer.headers["location"]) == (303, "/in-hand")
    assert state.stage is Stage.STOPPED
    assert stops(desk.get(admin, "/people").text) == []
    assert LINK in desk.get(admin, "/people").text
    assert stops(desk.stranger().get("/legend").text) == []


def test_a_one_time_code_and_a_notice_keep_nobody_from_stopping(desk: Desk) -> None:
    """Before the secret is chosen, and before a notice is read, STOP is there and is taken; nothing else is."""
    job, owner, admin = desk.open_job(), desk.named("technician"), desk.named("administrator")
    person, code = desk.running.people.add("Late Joiner", owner.role, by=None, identity="known to us")
    late = desk.stranger()
    late.post("/signin", data={"person": person.id, "secret": code, "tablet": "tablet 9"})
    desk.do(job, PutOwnLockOn("P-7"), owner)
    rang = (("2026-03-02 07:10", "rang twice"),)
    desk.do(
        job, RemoveOthersLock("P-7", desk.named("safety officer"), "at home", rang, "told first"), desk.named("lead")
    )

    assert stops(late.get("/secret").text) == [job]
    assert late.get("/in-hand").status_code == 200
    assert late.get(f"/jobs/{job}").headers["location"] == "/secret"
    assert stops(desk.get(owner, "/notices").text) == [job]
    assert stops(desk.get(admin, "/people").text) == [job]
    assert late.post(f"/jobs/{job}/stop", data={"token": "5" * 32}).status_code == 303
    assert desk.running.site.jobs.state(job).stop is not None


def test_a_covered_screen_stops_the_job_that_it_lies_over_and_no_other(desk: Desk) -> None:
    """Over a page of a job it has STOP without a secret; over a page of the site nobody could say what it stops."""
    job, hands = desk.open_job(), desk.named("technician")
    assert desk.client(hands).post("/lock").status_code == 204

    over_job, over_site = desk.get(hands, f"/jobs/{job}/now"), desk.get(hands, "/stock")

    assert stops(desk.get(hands, over_job.headers["location"]).text) == [job]
    assert stops(desk.get(hands, over_site.headers["location"]).text) == []
    assert stops(desk.get(hands, "/legend").text) == []
    assert hands.name not in desk.get(hands, "/legend").text


def test_a_page_that_is_added_without_it_is_found(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    """A new page of a job without STOP and a new page without the head are both named; one from the layout is not."""
    job = desk.open_job()

    async def bare(request: Request) -> Response:
        del request
        return HTMLResponse("<!doctype html><title>new</title><main><h1>New</h1></main>")

    async def laid_out(request: Request) -> Response:
        return html(request, "message.html", heading="New", text="A new page.", back="/")

    for path, made in (("/jobs/{job}/new", bare), ("/new", bare), ("/laid-out", laid_out)):
        monkeypatch.setitem(ALLOWED, ("GET", path), EVERYONE)
        desk.running.app.add_api_route(path, made)

    found = {path for path, _ in out_of_reach(desk, job, only=True)[0]}

    assert {"/jobs/{job}/new", "/new"} <= found
    assert "/laid-out" not in found


def test_a_stopped_job_has_no_stop_left_to_press(desk: Desk) -> None:
    """What is stopped says so instead, on its own pages too."""
    job, hands = desk.open_job(), desk.named("technician")
    desk.do(job, StopWork(), hands)

    assert stops(desk.get(hands, f"/jobs/{job}/now").text) == []
    assert stops(desk.get(hands, "/").text) == []
