"""Every form that any page shows, posted as nobody means it: a clear sentence each, and nothing written.

The forms are read off the pages themselves, so that one which is added is tried with the rest.
"""

import re
from collections.abc import Iterator
from html import unescape
from pathlib import Path
from urllib.parse import urlencode

import pytest

from app.domain.commands import StopWork
from app.domain.event_base import Who
from app.domain.events import AttemptRefused
from app.domain.site import site_event_from_bytes
from app.domain.watch_events import SecretWrong
from app.web.roles import ALLOWED
from tests.web.desk import Clock, Desk
from tests.web.forms import Form, forms_of

NO_FIELDS = {"/signout", "/scheme"}
"""Forms that carry nothing, or only how the page is to look."""
FORM = {"Content-Type": "application/x-www-form-urlencoded"}
TOO_LONG = "x" * 20_001
STAGES = {
    "to be counted": "", "to be released": "Agree the PPE", "two people": "Cut the neck midway",
    "to be verified": "Count the ties", "to be tested": "Test the HEPA bank", "done": "no step has these words",
}  # fmt: skip


@pytest.fixture(scope="module")
def set_up(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Desk, dict[str, str]]]:
    """A site with a job at each of several stages."""
    desk = Desk.at(Path(tmp_path_factory.mktemp("forms")), Clock())
    jobs = {name: desk.open_job() for name in (*STAGES, "stopped", "to be looked at")}
    for name, words in STAGES.items():
        if words:
            desk.work_until(jobs[name], words)
    desk.do(jobs["stopped"], StopWork(), desk.named("technician"))
    desk.do(jobs["to be looked at"], StopWork(), desk.named("technician"))
    lead = desk.named("lead")
    desk.post(lead, f"/jobs/{jobs['to be looked at']}/reopen", answer="look first", secret="meadow lantern 4417")
    yield desk, jobs
    desk.running.close()


def pages(jobs: dict[str, str]) -> Iterator[str]:
    """Yield the pages that show forms."""
    yield from ("/", "/people", "/tablets", "/instruments", "/qualifications", "/due", "/secret", "/signin", "/enrol")
    yield from ("/plan/EF-03", "/housings/EF-03", "/housings/EF-03/history")
    for job in jobs.values():
        yield from (f"/jobs/{job}{more}" for more in ("", "/now", "/review", "/reopen", "/steps/1/change", "/record"))


def every_form(desk: Desk, jobs: dict[str, str]) -> Iterator[tuple[Who, Form]]:
    """Yield each kind of form once, with somebody who is shown it."""
    seen: set[tuple[str, tuple[str, ...]]] = set()
    people = [desk.named(*who) for who in (("lead",), ("safety officer",), ("technician",), ("administrator",))]
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
    told = re.search(r"data-told>([^<]+)<|<h1>Not carried out</h1>\s*<p[^>]*>([^<]+)<", page)
    return unescape(next((text for text in told.groups() if text), "")) if told else page[:300]


def bodies(form: Form) -> Iterator[tuple[str, str]]:
    """Yield the ways in which a form is sent as nobody means it."""
    yield "empty", ""
    yield "without its token", urlencode({name: text for name, text in form.fields.items() if name != "token"})
    yield "doubled", urlencode([*form.fields.items(), *((name, f"{text}-2") for name, text in form.fields.items())])
    yield "too long", urlencode(dict.fromkeys(form.fields, TOO_LONG))
    yield "invisible", urlencode(dict.fromkeys(form.fields, "\u202e\x00\ud7ff"))


def test_every_form_sent_empty_doubled_or_too_long_is_told_so_and_writes_nothing(
    set_up: tuple[Desk, dict[str, str]],
) -> None:
    """A 4xx with a sentence for each, no entry, and the forms cover the routes that take them."""
    desk, jobs = set_up
    before, tried, wrong = written(desk, jobs), set(), []

    for who, form in every_form(desk, jobs):
        tried.add(re.sub(r"job-[0-9-]+", "{job}", form.action))
        for how, body in bodies(form):
            if how == "without its token" and "token" not in form.fields:
                continue
            answer = desk.client(who).post(form.action, content=body, headers=FORM)
            if not 400 <= answer.status_code < 500 or len(sentence_on(answer.text)) < 15:
                wrong.append((form.action, how, answer.status_code, sentence_on(answer.text)))

    assert wrong == []
    assert written(desk, jobs) == before
    assert len(tried) >= 18


def test_every_form_sent_by_the_wrong_role_is_refused(set_up: tuple[Desk, dict[str, str]]) -> None:
    """Whoever a route is not for is told so before anything of the form is read."""
    desk, jobs = set_up
    before, wrong = written(desk, jobs), []
    routes = {path: roles for (method, path), roles in ALLOWED.items() if method == "POST" and roles is not None}

    for _, form in every_form(desk, jobs):
        known = [path for path in routes if re.fullmatch(re.sub(r"\{[a-z0-9_]+\}", "[^/]+", path), form.action)]
        allowed = {role for path in known for role in routes[path]}
        for who in (desk.named("lead"), desk.named("technician"), desk.named("administrator")):
            if known and who.role not in allowed:
                answer = desk.client(who).post(form.action, content=urlencode(form.fields), headers=FORM)
                if answer.status_code != 403:
                    wrong.append((form.action, who.role, answer.status_code))

    assert wrong == []
    assert written(desk, jobs) == before


def test_every_form_of_a_job_sent_to_another_or_to_none_is_refused(set_up: tuple[Desk, dict[str, str]]) -> None:
    """What one job's page offers is no good for a job that stands elsewhere, nor for one that is not there."""
    desk, jobs = set_up
    done, before, wrong = jobs["done"], written(desk, jobs), []

    for who, form in every_form(desk, jobs):
        if "/jobs/" not in form.action or form.action.endswith(("/notes", "/stop", "/submit")):
            continue  # a note and a stop are good anywhere; handing over is what the finished job waits for
        for other in (done, "job-2019-0001", "site"):
            action = re.sub(r"job-[0-9-]+", other, form.action)
            answer = desk.client(who).post(action, content=urlencode(form.fields), headers=FORM)
            if not 400 <= answer.status_code < 500:
                wrong.append((action, answer.status_code, sentence_on(answer.text)))

    assert wrong == []
    assert written(desk, jobs) == before
