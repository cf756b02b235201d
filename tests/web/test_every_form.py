"""Every form that any page shows, posted as nobody means it: a clear sentence each, and nothing written.

The forms are read off the pages themselves, so that one which is added is tried with the rest.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from html import unescape
from pathlib import Path
from urllib.parse import urlencode

import pytest

from app.domain.commands import Command, ExplainStop, Reopen, StopWork, Submit
from app.domain.crew import Acknowledge, Part
from app.domain.deciding.leaving import suspend_looks
from app.domain.event_base import Who
from app.domain.events import AttemptRefused
from app.domain.field_change import NewWords, ProposeChange
from app.domain.housing import Service
from app.domain.leaving import DOCUMENTS, AnswerLooks, ReadNext, ReturnToWork, Suspend, TakeOver
from app.domain.locks import PutOwnLockOn, RemoveOthersLock, StrokeDamper, StrokePart
from app.domain.paper import PrintBlank
from app.domain.procedure import Role
from app.domain.radio import ReleaseByRadio
from app.domain.readiness_items import applies
from app.domain.site import site_event_from_bytes
from app.domain.store import Kind
from app.domain.storing import receipt_items
from app.domain.surveying import DIFFERS, UNSEEN, points_of
from app.domain.watch import FREE_TRIES
from app.domain.watch_events import SecretWrong
from app.services.planning import find_housing
from app.services.rehearsal import looks_as_recorded
from app.web.roles import ALLOWED
from tests.domain.test_readiness import answers
from tests.web.desk import Clock, Desk
from tests.web.forms import Form, forms_of

NO_FIELDS = {"/signout", "/scheme"}
"""Forms that carry nothing, or only how the page is to look."""
UNTRIED = {
    *NO_FIELDS, "/tablets", "/people/{person}/leave",  # a button and nothing else
    "/here", "/lock", "/jobs/{job}/kept", "/photos/{sha256}/part",  # sent by scripts, from no form
    "/jobs/{job}/contests", "/tablets/revoke", "/procedures/issue", "/unlock", "/register/enter",
    # these by test_kept, test_tablets, test_issue, test_cover and test_register_files
}  # fmt: skip
"""Routes that take a form which is not sent here."""
FORM = {"Content-Type": "application/x-www-form-urlencoded"}
TOO_LONG = "x" * 20_001
STAGES = {
    "to be counted": "", "to be released": "Agree the PPE", "two people": "Cut the neck midway",
    "to be verified": "Count the ties", "to be tested": "Test the HEPA bank", "done": "no step has these words",
    "stopped": "", "stop explained": "", "may be set aside": "Compare the new filters",
    "to be looked at": "", "to be locked": "Apply a lock", "to pause": "Pause with the crew before the",
    "damper tried": "Verify that fan", "by voice": "Release the closing", "voice unsigned": "Release the closing",
    "suspended": "Agree the PPE", "to be read": "Agree the PPE", "handing over": "Agree the PPE",
    "change waits": "Stop fan", "blank out": "Stop fan", "failed": "Test the HEPA", "in review": "no step has these",
    "own lock": "Shut the upstream", "to be accepted": "no step has these",
}  # fmt: skip


@dataclass(frozen=True)
class SetUp:
    """A site, its jobs by their stage, and its forms, each with somebody who is shown it."""

    desk: Desk
    jobs: dict[str, str]
    forms: tuple[tuple[Who, Form], ...]


@pytest.fixture(scope="module")
def set_up(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SetUp]:
    """A site with a job at each of several stages, and every form that its pages show."""
    desk = Desk.at(Path(tmp_path_factory.mktemp("forms")), Clock())
    hands, eyes, lead, officer = desk.cast().hands, desk.cast().eyes, desk.cast().lead, desk.cast().officer
    jobs = {name: desk.open_job() for name in STAGES}
    for name, words in STAGES.items():
        if words:
            desk.work_until(jobs[name], words)
    acts: tuple[tuple[str, *tuple[tuple[Command, Who], ...]], ...] = (
        ("stopped", (StopWork(), hands)),
        ("stop explained", (StopWork(), hands), (ExplainStop("unexpected", "a sound"), hands)),
        (
            "to be looked at",
            (StopWork(), hands),
            (ExplainStop("unexpected", "a sound"), hands),
            (Reopen("look first"), lead),
        ),
        ("damper tried", (StrokeDamper("upstream", StrokePart.CLEAR, "nobody near it"), lead)),
        (
            "by voice",
            (Acknowledge(Part.RELEASE, "I release the closing once the bag is rolled."), desk.named("lead")),
        ),
        (
            "voice unsigned",
            (Acknowledge(Part.RELEASE, "I release the closing once the bag is rolled."), desk.named("lead")),
            (by_voice(desk, jobs["voice unsigned"]), lead),
        ),
        ("suspended", (leaving(desk, jobs["suspended"]), hands)),
        ("to be read", (leaving(desk, jobs["to be read"]), hands), (ReturnToWork(), hands)),
        ("handing over", (leaving(desk, jobs["handing over"]), hands), (TakeOver(hands, tuple(DOCUMENTS)), eyes)),
        ("to be accepted", (Submit(), lead)),
        ("change waits", (changing(desk, jobs["change waits"]), hands)),
        ("blank out", (PrintBlank(), hands)),
        ("in review", (Submit(), lead)),
        ("own lock", (PutOwnLockOn("P-7"), eyes)),
    )
    for name, *done in acts:
        for command, by in done:
            desk.do(jobs[name], command, by)
    for _ in range(FREE_TRIES):
        desk.stranger().post("/signin", data={"person": hands.id, "secret": "not the one", "tablet": "tablet 9"})
    for form in forms_of(desk.get(officer, f"/jobs/{jobs['to be accepted']}/review").text):
        if form.action.endswith("/exceptions"):
            desk.client(officer).post(form.action, data=form.fields)
    state = desk.do(jobs["handing over"], ReadNext(), eyes)
    desk.do(jobs["handing over"], AnswerLooks(looks_as_recorded(state.rechecks)), eyes)
    in_place = {"spot": "P1/1", "serial": "SN 1", "why": "read at the door"}
    assert desk.post(lead, "/housings/EF-03/filters", **in_place).status_code == 303
    register = desk.running.site.housing_register
    points = points_of(find_housing(desk.running.site.library, "EF-03"), desk.running.site.jobs.site().housed)
    seen = {f"p.{point.id}": UNSEEN for point in points} | {"p.fan": DIFFERS, "f.fan": "F-33"}
    seen |= {f"shown.{point.id}": point.register_has for point in points}
    register.survey("EF-03", seen, (), proof="secret entered at signing", by=hands).result()
    reading = {"bank": "hepa", "on": "2026-03-02", "drop_pa": "612", "flow_m3_h": "1690", "instrument": ""}
    assert desk.post(hands, "/housings/EF-03/readings", **reading).status_code == 303
    suggested = {"about": "kit rule", "what": "tape", "text": "Two rolls for three ports."}
    for what in ("tape", "ties"):
        assert desk.post(hands, "/suggestions", **suggested | {"what": what}).status_code == 303
    accepted = {"suggestion": str(min(desk.running.site.jobs.site().suggestions.all)), "answer": "accepted"}
    assert desk.post(lead, "/suggestions/answer", **accepted, reason="seen three times").status_code == 303
    lot = {"id": "B-1", "kind": "bag", "what": "ring 660", "count": "10"}
    assert desk.post(hands, "/stock", **lot).status_code == 303
    seen = {f"a.{name}": item.good for name, item in receipt_items(Kind.BAG).items()} | {"reason": ""}
    assert desk.post(hands, "/stock/B-1/inspections", **seen, verdict="accepted").status_code == 303
    planned = {"housing": "EF-03", "procedure": "change-out", "begins": "2026-03-09T07:30", "ends": "2026-03-09T15:00"}
    assert desk.post(lead, "/planned", **planned, lead=lead.id, why="drop near its limit").status_code == 303
    assert desk.post(hands, "/kits/PL-0001/staged", **{"lot.B-1": "2"}).status_code == 303
    for item in applies(Service.RADIOACTIVE):
        desk.running.site.plans.answer("PL-0001", item, answers(item, Service.RADIOACTIVE), by=officer).result()
    desk.answer(jobs["failed"], hands, downstream="0.9")
    desk.go_on(jobs["failed"])
    store_waste(desk, jobs["done"], lead)
    assert desk.post(lead, "/housings/EF-07/off", reason="the line was given up").status_code == 303
    rang = (("2026-03-02 08:10", "rang twice"),)
    desk.do(jobs["own lock"], RemoveOthersLock("P-7", officer, "at home", rang, "told before the next shift"), lead)
    yield SetUp(desk, jobs, tuple(every_form(desk, jobs)))
    desk.running.close()


def store_waste(desk: Desk, job: str, by: Who) -> None:
    """Put a package of a job into a container, hand one over and leave one."""
    waste, number = desk.running.site.waste, job.removeprefix("job-")
    box = {"container": "B-1", "shape": "box", "inside": "1800 1200 1200", "empty_kg": "90", "most_kg": "900"}
    waste.keep_container(box | {"basis": "its plate", "place": "yard", "answers": "B. Okafor"}, by=by).result()
    waste.place((f"{number}/1",), {"container": "B-1"}, by=by).result()
    taker = {"receiver": "D. Roos", "organisation": "the carrier"}
    waste.hand_over((f"{number}/2",), (), taker, by=by, both=True).result()


def due(desk: Desk, job: str) -> str:
    """Return the id of the step that is due."""
    step = desk.running.site.jobs.state(job).due
    assert step is not None
    return step.id


def by_voice(desk: Desk, job: str) -> ReleaseByRadio:
    """Return the release of the hold that is due by the other lead, heard over the radio."""
    return ReleaseByRadio(due(desk, job), desk.named("lead"), "EF-03", "P1", confirmed=True)


def changing(desk: Desk, job: str) -> ProposeChange:
    """Return a change of the words of the step that is due."""
    return ProposeChange(due(desk, job), NewWords(text="Stop fan F-31 at its starter."), "no remote stop")


def leaving(desk: Desk, job: str) -> Suspend:
    """Return what is said when the work is left as recorded."""
    looks = looks_as_recorded(suspend_looks(desk.running.site.jobs.state(job)))
    return Suspend("break", looks, "control room, radio", "agree the PPE")


def everybody(desk: Desk) -> list[Who]:
    """Return somebody of each role, and the technician whose lock was taken off."""
    named = [desk.named(*who) for who in (("lead",), ("safety officer",), ("technician",), ("administrator",))]
    return [*named, desk.cast().eyes]


def routes_of(form: Form) -> set[str]:
    """Return the routes that a form may go to."""
    taking = (path for method, path in ALLOWED if method == "POST")
    return {path for path in taking if re.fullmatch(re.sub(r"\{[a-z0-9_]+\}", "[^/]+", path), form.action)}


def pages(jobs: dict[str, str]) -> Iterator[str]:
    """Yield every page that the table of routes knows, for every job."""
    for method, path in ALLOWED:
        if method == "GET" and not re.search(r"\.\w+$|sha256|bank", path):
            page = path.format(
                tag="EF-03",
                job="{job}",
                number=1,
                point="fan",
                lot="B-1",
                plan="PL-0001",
                item="permit",
                work="PL-0001",
                container="B-1",
                handover="H-0001",
            )
            yield from (page.format(job=job) for job in jobs.values()) if "{job}" in page else (page,)
    yield "/housings/EF-07"


def every_form(desk: Desk, jobs: dict[str, str]) -> Iterator[tuple[Who, Form]]:
    """Yield each kind of form once, with somebody who is shown it."""
    seen: set[tuple[str, tuple[str, ...]]] = set()
    people = everybody(desk)
    for page in pages(jobs):
        for who in people:
            answer = desk.get(who, page)
            for form in forms_of(answer.text) if answer.status_code == 200 else ():
                kind = (re.sub(r"job-[0-9-]+", "", form.action), tuple(sorted(form.fields)))
                if form.action not in NO_FIELDS and form.fields and kind not in seen:
                    seen.add(kind)
                    yield who, form


def written(desk: Desk, jobs: dict[str, str]) -> list[str]:
    """Return the kind of every entry of the site and its jobs but for refusals, which may be remembered."""
    site = [site_event_from_bytes(payload) for payload in desk.running.store.read_payloads("site")]
    events = [event for job in jobs.values() for event in desk.running.site.jobs.events(job)]
    return [item.type for item in (*site, *events) if not isinstance(item, SecretWrong | AttemptRefused)]


def sentence_on(page: str) -> str:
    """Return what a page says back."""
    told = re.search(r"data-told>([^<]+)<|told-refused[^>]*>([^<]+)<|<h1>Not carried out</h1>\s*<p[^>]*>([^<]+)<", page)
    return unescape(next((text for text in told.groups() if text), "")) if told else ""


def bodies(form: Form) -> Iterator[tuple[str, str]]:
    """Yield the ways in which a form is sent as nobody means it."""
    yield "empty", ""
    yield "without its token", urlencode({name: text for name, text in form.fields.items() if name != "token"})
    yield "doubled", urlencode([*form.fields.items(), *((name, f"{text}-2") for name, text in form.fields.items())])
    yield "too long", urlencode(dict.fromkeys(form.fields, TOO_LONG))
    yield "invisible", urlencode(dict.fromkeys(form.fields, "\u202e\x00\ud7ff"))


def test_every_form_sent_empty_doubled_or_too_long_is_told_so_and_writes_nothing(set_up: SetUp) -> None:
    """A 4xx with a sentence for each, no entry, and the forms cover the routes that take them."""
    desk, jobs = set_up.desk, set_up.jobs
    before, tried, wrong = written(desk, jobs), set(), []

    for who, form in set_up.forms:
        tried |= routes_of(form)
        for how, body in bodies(form):
            if how == "without its token" and "token" not in form.fields:
                continue
            answer = desk.client(who).post(form.action, content=body, headers=FORM)
            if not 400 <= answer.status_code < 500 or len(sentence_on(answer.text)) < 15:
                wrong.append((form.action, how, answer.status_code, sentence_on(answer.text)))

    assert wrong == []
    assert written(desk, jobs) == before
    assert {path for method, path in ALLOWED if method == "POST"} - tried == UNTRIED


def test_every_form_sent_by_the_wrong_role_is_refused(set_up: SetUp) -> None:
    """Whoever a route is not for is told so before anything of the form is read."""
    desk, jobs = set_up.desk, set_up.jobs
    before, wrong, refused = written(desk, jobs), [], set()

    for _, form in set_up.forms:
        for path in routes_of(form):
            allowed = ALLOWED["POST", path]
            for who in everybody(desk)[:4] if allowed is not None else ():
                if allowed is not None and who.role not in allowed:
                    answer = desk.client(who).post(form.action, content=urlencode(form.fields), headers=FORM)
                    refused.add((path, who.role))
                    if answer.status_code != 403:
                        wrong.append((form.action, who.role, answer.status_code))

    assert wrong == []
    assert refused == {
        (path, role)
        for (method, path), allowed in ALLOWED.items()
        for role in Role
        if method == "POST" and allowed is not None and role not in allowed and path not in UNTRIED
    }
    assert written(desk, jobs) == before


def test_every_form_of_a_job_sent_to_another_or_to_none_is_refused(set_up: SetUp) -> None:
    """What one job's page offers is no good for a job that stands elsewhere, nor for one that is not there."""
    desk, jobs = set_up.desk, set_up.jobs
    done, before, wrong = jobs["done"], written(desk, jobs), []

    for who, form in set_up.forms:
        if "/jobs/" not in form.action or form.action.endswith(("/log", "/stop", "/submit")):
            continue  # a note and a stop are good anywhere; handing over is what the finished job waits for
        for other in (done, "job-2019-0001", "site"):
            action = re.sub(r"job-[0-9-]+", other, form.action)
            answer = desk.client(who).post(action, content=urlencode(form.fields), headers=FORM)
            if not 400 <= answer.status_code < 500:
                wrong.append((action, answer.status_code, sentence_on(answer.text)))

    assert wrong == []
    assert written(desk, jobs) == before
