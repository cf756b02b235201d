"""Every form that any page shows, posted as nobody means it: a clear sentence each, and nothing written.

The forms are read off the pages themselves, so that one which is added is tried with the rest.
"""

import json
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from html import unescape
from pathlib import Path
from urllib.parse import urlencode

import pytest

from app.domain.commands import Command, ExplainStop, Finish, Late, Reopen, StopWork, Submit
from app.domain.crew import Acknowledge, Part
from app.domain.deciding.leaving import suspend_looks
from app.domain.event_base import Who
from app.domain.events import AttemptRefused
from app.domain.field_change import NewWords, ProposeChange
from app.domain.housing import Service
from app.domain.leaving import DOCUMENTS, AnswerLooks, ReadNext, ReturnToWork, Suspend, TakeOver
from app.domain.locks import NamePoint, PutOwnLockOn, RemoveOthersLock, StrokeDamper, StrokePart
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
from app.services.issuing import approve
from app.services.planning import find_housing, find_procedure
from app.services.rehearsal import looks_as_recorded, made_up_answers
from app.web.roles import ALLOWED
from tests.builders import procedure_text
from tests.domain.test_readiness import answers
from tests.records.faulty_tables import WHOLE
from tests.web.desk import SECRETS, Clock, Desk
from tests.web.forms import Form, forms_of

NO_FIELDS = {"/signout", "/scheme"}
"""Forms that carry nothing, or only how the page is to look."""
BY_THEMSELVES = {"/unlock", "/tablets/revoke", "/jobs/{job}/kept", "/photos/{sha256}/part"}
"""Routes whose form is on no page of an ordinary session, or that scripts send to; each has a test of its own below."""
UNTRIED = {
    *NO_FIELDS, "/tablets", "/people/{person}/leave", "/here", "/lock",  # a button or a call and nothing else
    *BY_THEMSELVES,
}  # fmt: skip
"""Routes that take a form which no page shows to be filled in."""
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
    "further": "Choose what was found", "further on paper": "Choose what was found",
    "own lock": "Shut the upstream", "to be accepted": "no step has these", "accounts differ": "Twist the bag",
}  # fmt: skip


@dataclass(frozen=True)
class SetUp:
    """A site, its jobs by their stage, and its forms, each with somebody who is shown it.

    twice: ids that more than one element of a page has, each with the page.
    """

    desk: Desk
    jobs: dict[str, str]
    forms: tuple[tuple[Who, Form], ...]
    twice: frozenset[tuple[str, str]]


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
    leak_by(desk, jobs)
    for _ in range(FREE_TRIES):
        desk.stranger().post("/signin", data={"person": hands.id, "secret": "not the one", "tablet": "tablet 9"})
    state = desk.do(jobs["handing over"], ReadNext(), eyes)
    desk.do(jobs["handing over"], AnswerLooks(looks_as_recorded(state.rechecks)), eyes)
    in_place = {"spot": "P1/1", "serial": "SN 1", "why": "read at the door"}
    assert desk.post(lead, "/housings/EF-03/filters", **in_place).status_code == 303
    register = desk.running.site.housing_register
    points = points_of(find_housing(desk.running.site.library, "EF-03"), desk.running.site.jobs.site().housed)
    seen = {f"p.{point.id}": UNSEEN for point in points} | {"p.fan": DIFFERS, "f.fan": "F-33"}
    seen |= {f"shown.{point.id}": point.register_has for point in points}
    register.survey("EF-03", seen, (), proof="secret entered at signing", by=hands).result()
    register.photograph("EF-03", "ab" * 32, "access from the gallery", by=hands).result()
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
    desk.answer(jobs["accounts differ"], hands)
    desk.do(jobs["accounts differ"], another_account(desk, jobs["accounts differ"]), eyes)
    desk.answer(jobs["failed"], hands, downstream="0.9")
    desk.go_on(jobs["failed"])
    store_waste(desk, jobs["done"], lead)
    assert desk.post(lead, "/housings/EF-07/off", reason="the line was given up").status_code == 303
    rang = (("2026-03-02 08:10", "rang twice"),)
    desk.do(jobs["own lock"], RemoveOthersLock("P-7", officer, "at home", rang, "told before the next shift"), lead)
    for form in forms_of(desk.get(officer, f"/jobs/{jobs['to be accepted']}/review").text):
        if form.action.endswith("/exceptions"):
            desk.client(officer).post(form.action, data=form.fields)
    texts_to_sign(desk, officer)
    twice: set[tuple[str, str]] = set()
    yield SetUp(desk, jobs, (*every_form(desk, jobs, twice), *checked_file(desk, lead)), frozenset(twice))
    desk.running.close()


def leak_by(desk: Desk, jobs: dict[str, str]) -> None:
    """Have a damper leak by in two jobs: a further point is named in one, and is to come from paper in the other."""
    hands = desk.cast().hands
    for name in ("further", "further on paper"):
        desk.answer(jobs[name], hands, found="a damper leaks by")
        desk.work_until(jobs[name], "Apply the further isolation")
    desk.do(jobs["further"], NamePoint(due(desk, jobs["further"]), "BL-7", "blank", "bolted on"), hands)
    desk.do(jobs["further on paper"], PrintBlank(), hands)


def texts_to_sign(desk: Desk, by: Who) -> None:
    """Put a text into the site's folder that waits for its approval, and one that was approved."""
    own = procedure_text("first-fit-out").replace("revision = 7", "revision = 8", 1)
    (desk.running.site.settings.data / "procedures" / "first-fit-out.toml").write_text(own, "utf-8")
    again = own.replace('id = "first-fit-out"', 'id = "fit-again"', 1)
    (desk.running.site.settings.data / "procedures" / "fit-again.toml").write_text(again, "utf-8")
    text = find_procedure(desk.running.site.library, "fit-again")
    approve(desk.running.site.jobs, *text, seen=text[1], both=True, by=by).result()


def another_account(desk: Desk, job: str) -> Late:
    """Return what another tablet kept of the step that was done last: another length."""
    state = desk.running.site.jobs.state(job)
    last = next(step for step in reversed(state.steps) if state.mark(step.id).done is not None)
    return Late(Finish(last.id, made_up_answers(last) | {"length": "222"}), state.size)


def checked_file(desk: Desk, by: Who) -> Iterator[tuple[Who, Form]]:
    """Yield the form that enters a table of housings which was looked at first."""
    sent = {"file": ("housings.csv", WHOLE.encode())}
    page = desk.client(by).post("/register/check", data={"kind": "csv"}, files=sent).text
    (form,) = [form for form in forms_of(page) if form.action == "/register/enter"]
    yield by, form


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


def ids_twice(page: str) -> set[str]:
    """Return the ids that more than one element of a page has."""
    ids = Counter(re.findall(r'<[^<>]*?\sid="([^"]*)"', page))
    return {name for name, count in ids.items() if count > 1}


def every_form(desk: Desk, jobs: dict[str, str], twice: set[tuple[str, str]]) -> Iterator[tuple[Who, Form]]:
    """Yield each kind of form once, with somebody who is shown it; put ids that a page has twice into `twice`."""
    seen: set[tuple[str, tuple[str, ...]]] = set()
    people = everybody(desk)
    for page in pages(jobs):
        for who in people:
            answer = desk.get(who, page)
            twice |= {(page, name) for name in ids_twice(answer.text)}
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


TO_DO = re.compile(
    r"(?:^|[.:;,] )(?:begin|call|check|choose|enter|give|go|look|read|reload|say|stop|switch|tick|use|wait)\b|"
    r"\bfirst[.;]|(?:\. |^)A lead ",
    re.IGNORECASE,
)
"""How the part of a sentence begins that says what to do."""


def is_clear(sentence: str) -> bool:
    """Whether a refusal says more than that it is one: what is wrong, and what to do."""
    return len(sentence) >= 40 and TO_DO.search(sentence) is not None


def remembered(desk: Desk, jobs: dict[str, str], before: Counter[str]) -> list[tuple[str, str]]:
    """Return what was entered since, as name and words; a wrong secret of the site's ledger has no words."""
    found = []
    for name in (*jobs.values(), "site"):
        since = desk.running.store.read_payloads(name)[before[name] :]
        found += [json.loads(payload) for payload in since]
    return [(item["type"], item.get("sentence", "")) for item in found]


def sizes(desk: Desk, jobs: dict[str, str]) -> Counter[str]:
    """Return how many entries each ledger has."""
    return Counter({name: len(desk.running.store.read_payloads(name)) for name in (*jobs.values(), "site")})


def meant(desk: Desk, form: Form, who: Who) -> dict[str, str]:
    """Return the fields of a form with time and secrets as they should be, so that it is the rules that refuse."""
    ids = {"secret": who.id, **{f"{part}_secret": form.fields.get(part, "") for part in ("second", "officer")}}
    known = {person.who.id: SECRETS.get(person.name, "") for person in desk.running.people.everyone()}
    given = {"device_at": "", "person": who.id} | {name: known.get(person, "") for name, person in ids.items()}
    signed = "secret" in form.fields
    return form.fields | {
        name: text for name, text in given.items() if name in form.fields and (name != "person" or signed)
    }


def bodies(form: Form) -> Iterator[tuple[str, str]]:
    """Yield the ways in which a form is sent as nobody means it."""
    yield "empty", ""
    yield "without its token", urlencode({name: text for name, text in form.fields.items() if name != "token"})
    yield "doubled", urlencode([*form.fields.items(), *((name, f"{text}-2") for name, text in form.fields.items())])
    yield "too long", urlencode(dict.fromkeys(form.fields, TOO_LONG))
    yield "invisible", urlencode(dict.fromkeys(form.fields, "\u202e\x00\ud7ff"))


def test_no_page_gives_one_id_to_two_elements(set_up: SetUp) -> None:
    """A label names the field it stands at, and a link leads to one place, on every page for every role."""
    assert set_up.twice == frozenset()


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
    """Whoever a route is not for is told so, and who it is for, before anything of the form is read."""
    desk, jobs = set_up.desk, set_up.jobs
    before, wrong, refused = sizes(desk, jobs), [], set()

    for _, form in set_up.forms:
        for path in routes_of(form):
            allowed = ALLOWED["POST", path]
            for who in everybody(desk)[:4] if allowed is not None else ():
                if allowed is not None and who.role not in allowed:
                    answer = desk.client(who).post(form.action, content=urlencode(form.fields), headers=FORM)
                    refused.add((path, who.role))
                    told = sentence_on(answer.text)
                    told_who, _, told_for = told.partition(" have no access to this, only ")
                    named = frozenset(role for role in Role if f"{role.words}s" in told_for)
                    open_to = [ALLOWED["POST", route] for route in routes_of(form)]
                    named_both = told_who == f"{who.role.words.capitalize()}s" and named in open_to
                    if answer.status_code != 403 or not named_both or not is_clear(told):
                        wrong.append((form.action, who.role, answer.status_code, told))

    assert wrong == []
    assert refused == {
        (path, role)
        for (method, path), allowed in ALLOWED.items()
        for role in Role
        if method == "POST" and allowed is not None and role not in allowed and path not in UNTRIED
    }
    assert remembered(desk, jobs, before) == []


NOBODYS = {
    "{tag}": "EF-99", "{plan}": "PL-9999", "{lot}": "F-9999", "{work}": "PL-9999", "{container}": "Z-99",
    "{person}": "nobody", "{item}": "no-such-item",
}  # fmt: skip
"""Ids that nothing at the site has."""


def addressed_to_nobody(path: str, action: str) -> Iterator[str]:
    """Yield the address of a form of the site with each of its ids changed to one that nothing has."""
    parts = action.split("/")
    for place, name in enumerate(path.split("/") if "/jobs/" not in path else ()):
        if name in NOBODYS:
            yield "/".join([*parts[:place], NOBODYS[name], *parts[place + 1 :]])


def test_what_asks_for_an_id_that_nobody_has_is_refused(set_up: SetUp) -> None:
    """A form of the site, a plan, a lot, a container or a housing, sent to one that is not there."""
    desk, jobs = set_up.desk, set_up.jobs
    before, wrong, asked = written(desk, jobs), [], set()

    for who, form in set_up.forms:
        for path in routes_of(form):
            for action in addressed_to_nobody(path, form.action):
                answer = desk.client(who).post(action, content=urlencode(form.fields), headers=FORM)
                asked.add(path)
                if not 400 <= answer.status_code < 500 or len(sentence_on(answer.text)) < 15:
                    wrong.append((action, answer.status_code, sentence_on(answer.text)))

    assert wrong == []
    assert len(asked) > 15
    assert written(desk, jobs) == before


def test_the_secret_at_a_covered_screen_is_asked_in_a_sentence_and_uncovers_nothing_else(desk: Desk) -> None:
    """The form of the cover, sent as nobody means it: refused, still covered, and no entry but of a wrong secret."""
    hands, job = desk.named("technician"), desk.open_job()
    client = desk.client(hands)
    assert client.post("/lock").status_code == 204
    before, wrong = written(desk, {job: job}), []
    (form,) = [form for form in forms_of(client.get("/locked").text) if form.action == "/unlock"]

    for how, body in bodies(form):
        if how == "without its token":
            continue
        answer = client.post("/unlock", content=body, headers=FORM)
        if not 400 <= answer.status_code < 500 or len(sentence_on(answer.text)) < 15:
            wrong.append((how, answer.status_code, sentence_on(answer.text)))

    assert wrong == []
    assert written(desk, {job: job}) == before
    assert client.get(f"/jobs/{job}/now").headers["location"].startswith("/locked")


def test_a_tablet_is_shut_out_by_a_whole_form_only(desk: Desk) -> None:
    """Empty, doubled, too long, or of a tablet that is not there: told so, and the tablet stays enrolled."""
    admin = desk.named("administrator")
    code = re.search(r"[A-Z2-9]{4}-[A-Z2-9]{4}", desk.post(admin, "/tablets").text)
    assert code
    assert desk.stranger().post("/enrol", data={"code": code.group(), "tablet": "tablet 2, roof"}).status_code == 303
    (form,) = [form for form in forms_of(desk.get(admin, "/tablets").text) if form.action == "/tablets/revoke"]
    before, wrong = written(desk, {}), []

    for how, body in (*bodies(form), ("another tablet", urlencode({**form.fields, "tablet": "tablet 9"}))):
        if how == "without its token" and "token" not in form.fields:
            continue
        answer = desk.client(admin).post("/tablets/revoke", content=body, headers=FORM)
        if not 400 <= answer.status_code < 500 or len(sentence_on(answer.text)) < 15:
            wrong.append((how, answer.status_code, sentence_on(answer.text)))

    assert wrong == []
    assert written(desk, {}) == before
    assert set(desk.running.site.jobs.site().tablets) == {"tablet 2, roof"}


def test_what_a_script_sends_wrongly_is_refused_in_a_sentence(desk: Desk) -> None:
    """Marks and parts of photos: empty, no JSON, doubled, too long, of somebody else or for another job's step."""
    hands, eyes = desk.cast().hands, desk.cast().eyes
    job, other = desk.open_job("EF-07"), desk.open_job()
    desk.work_until(other, "Agree the PPE")
    step = due(desk, other)
    done = next(item.id for item in desk.running.site.jobs.state(other).steps if "in-2" in item.id)
    at = "2026-03-02T07:15:00.000Z"
    mark = {"n": 1, "act": "finish", "step": step, "token": "k" * 32, "device_at": at, "seen": 3}
    sent = {"sent_at": at, "person": hands.id, "marks": [mark]}
    jobs = {job: job, other: other}
    before, wrong = written(desk, jobs), []
    refused: dict[str, str] = {
        "empty": "", "no JSON": "{", "a list": "[]", "no marks": "{}", "nothing in it": '{"marks": [{}]}',
        "too long": json.dumps({**sent, "person": "x" * 500_000}),
        "too many": json.dumps({**sent, "marks": [{**mark, "n": n} for n in range(1, 102)]}),
        "of somebody else": json.dumps({**sent, "person": eyes.id}),
        "not a mark": json.dumps({**sent, "marks": [{**mark, "act": "release"}]}),
        "an unknown field": json.dumps({**sent, "marks": [{**mark, "role": "lead"}]}),
    }  # fmt: skip
    for how, body in refused.items():
        answer = desk.client(hands).post(f"/jobs/{job}/kept", content=body)
        if not 400 <= answer.status_code < 500 or len(sentence_on(answer.text)) < 15:
            wrong.append((how, answer.status_code, answer.text[:200]))
    not_taken = {
        "a step of another job": (job, {**mark, "step": done, "token": "b" * 32}),
        "a step of none": (job, {**mark, "step": "no/such/step", "token": "c" * 32}),
        "a job of none": ("job-2019-0001", {**mark, "token": "d" * 32}),
    }
    for how, (to, one) in not_taken.items():
        answer = desk.client(hands).post(f"/jobs/{to}/kept", content=json.dumps({**sent, "marks": [one]}))
        results = answer.json()["results"]
        if [item["taken"] for item in results] != [False] or len(results[0]["told"]) < 15:
            wrong.append((how, answer.status_code, answer.text[:200]))
    name = "ab" * 32
    for query, part in (("", b"x"), ("?at=-1&of=9", b"x"), ("?at=5&of=9", b"x"), ("?at=0&of=0", b"x"),
                        ("?at=0&of=99999999999", b"x"), ("?at=0&at=5&of=x", b"x"), ("?at=0&of=1", b"not a photo"),
                        ("?at=9&of=9", b"x")):  # fmt: skip
        answer = desk.client(hands).post(f"/photos/{name}/part{query}", content=part)
        if query in ("?at=-1&of=9", "?at=5&of=9"):
            assert (answer.status_code, answer.json()) == (200, {"held": 0, "whole": False}), "from where to go on"
        elif not 400 <= answer.status_code < 500 or len(sentence_on(answer.text)) < 15:
            wrong.append((query, answer.status_code, answer.text[:200]))

    assert wrong == []
    assert written(desk, jobs) == before


GOOD_ELSEWHERE = ("/log", "/stop", "/submit", "/blanks", "/crew/left", "/withdrawals")
"""What means the same at a job that is done: a note, a stop, handing it over, a page, who left, taking a step back."""


def test_every_form_of_a_job_sent_to_another_or_to_none_is_refused(set_up: SetUp) -> None:
    """Whatever its time and secrets: told clearly, and nothing is written but the line of the refusal."""
    desk, jobs = set_up.desk, set_up.jobs
    for person in desk.running.people.everyone():
        ended = {"how": "asked at the gate", "identity": "known there"}
        desk.post(desk.named("administrator"), f"/people/{person.who.id}/wait", **ended)
    done, before, wrong, answered = jobs["done"], sizes(desk, jobs), [], set()

    for who, form in set_up.forms:
        if "/jobs/" not in form.action:
            continue
        for other in (done, "job-2019-0001", "site"):
            for fields in (form.fields, meant(desk, form, who)):
                if other == done and form.action.endswith(GOOD_ELSEWHERE):
                    continue
                action = re.sub(r"job-[0-9-]+", other, form.action)
                answer = desk.client(who).post(action, content=urlencode(fields), headers=FORM)
                told = sentence_on(answer.text)
                answered.add(told)
                if answer.status_code not in (403, 404, 409, 422) or not is_clear(told):
                    wrong.append((action, answer.status_code, told))

    assert wrong == []
    entered = remembered(desk, jobs, before)
    assert {name for name, _ in entered} <= {"attempt_refused", "secret_wrong"}
    assert {words for name, words in entered if name == "attempt_refused"} <= answered
