"""Every route for every role, enumerated from the app's own OpenAPI description, against a table written by hand."""

from collections.abc import Iterator
from urllib.parse import urlencode

import pytest
from starlette.testclient import TestClient

from app.bootstrap import Running, ship_sample_housings, start
from app.domain.procedure import Role
from app.settings import Settings
from app.web.app import make_app

ORIGIN = {"Origin": "http://testserver"}
T, S, L, A = Role.TECHNICIAN, Role.SAFETY_OFFICER, Role.LEAD, Role.ADMINISTRATOR
OPEN_TO_ALL = {
    "GET /signin", "POST /stop/{job}", "POST /signin", "POST /scheme", "GET /legend", "GET /ready", "GET /trust",
    "GET /trust/authority.crt", "GET /enrol", "POST /enrol", "GET /read", "GET /read/{job}",
}  # fmt: skip
EVERYONE = {
    "POST /signout", "GET /secret", "POST /secret", "GET /", "GET /about", "GET /locked", "POST /lock", "POST /unlock",
    "POST /here", "GET /notices", "POST /notices", "GET /in-hand", "POST /jobs/{job}/stop",
    "POST /jobs/{job}/stop-reason", "POST /jobs/{job}/kept",
}  # fmt: skip
LEADS = {
    "GET /plan/{tag}",
    "POST /plan/{tag}",
    "POST /planned",
    "POST /planned/{plan}/changed",
    "POST /planned/{plan}/dropped",
    "POST /planned/{plan}/{item}/owed",
    "GET /jobs/{job}/reopen",
    "POST /jobs/{job}/reopen",
    "POST /jobs/{job}/submit",
    "POST /jobs/{job}/way-out",
    "POST /jobs/{job}/contests",
    "POST /jobs/{job}/removals",
    "POST /housings/{tag}/struck",
    "POST /housings/{tag}/off",
    "POST /housings/{tag}/back",
    "POST /access",
    "POST /people/{person}/wait",
    "POST /jobs/{job}/contingencies",
    "POST /jobs/{job}/aside",
    "POST /jobs/{job}/radio",
    "POST /procedures/issue",
    "GET /housings/{tag}/change",
    "POST /housings/{tag}/change",
    "GET /register/new",
    "POST /register/new",
    "POST /register/check",
    "POST /register/enter",
    "POST /surveys",
    "POST /jobs/{job}/packages/missing",
    "POST /jobs/{job}/packages/excused",
}
LEADS_AND_OFFICERS = {
    "POST /suggestions/answer", "POST /suggestions/done",
    "POST /housings/{tag}/filters", "POST /housings/{tag}/taken-out", "POST /housings/{tag}/photos/down",
    "POST /instruments", "POST /instruments/aside", "POST /qualifications", "POST /site", "POST /alerts",
    "POST /jobs/{job}/changes/approve", "POST /jobs/{job}/radio/sign", "POST /stock/lead-times",
    "POST /planned/{plan}/agreed", "POST /planned/{plan}/{item}/open",
    "POST /procedures/approve", "POST /waste/containers", "POST /waste/certificates", "POST /waste/returns",
}  # fmt: skip
KEEPERS_OF_TABLETS = {"GET /tablets", "POST /tablets", "POST /tablets/revoke", "GET /trail", "GET /access", "GET /site"}
OFFICERS = {"POST /jobs/{job}/exceptions", "POST /jobs/{job}/accept", "POST /jobs/{job}/return",
            "POST /planned/{plan}/{item}/not-needed"}  # fmt: skip
KEEPERS = {
    "GET /people",
    "POST /people",
    "POST /people/role",
    "POST /people/{person}/reset",
    "POST /people/{person}/leave",
}
FILLED = {"{tag}": "EF-03", "{job}": "job-2026-0001", "{number}": "1", "{sha256}": "ab" * 32, "{person}": "nobody",
          "{plan}": "PL-0001", "{item}": "permit", "{lot}": "F-1", "{work}": "PL-0001", "{container}": "B-1",
          "{handover}": "H-0001", "{point}": "fan", "{bank}": "hepa"}  # fmt: skip


def may(route: str) -> set[Role]:
    """Return who may use a route, by the rules in words."""
    if route in EVERYONE:
        return {T, S, L, A}
    if route in LEADS:
        return {L}
    if route in LEADS_AND_OFFICERS:
        return {L, S}
    if route in OFFICERS:
        return {S}
    if route in KEEPERS_OF_TABLETS:
        return {S, L, A}
    if route in KEEPERS:
        return {A}
    return {T, S, L}


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """A sample site with one person of each role, all signed in."""
    settings = Settings(data=tmp_path_factory.mktemp("site"))
    ship_sample_housings(settings)
    running = start(settings)
    yield running
    running.close()


@pytest.fixture(scope="module")
def clients(site: Running) -> dict[Role, TestClient]:
    """One tablet for each role."""
    made = {}
    for role in Role:
        person, _ = site.people.add(
            f"Person {role.words}", role, by=None, identity="known to us", secret="a secret of fifteen"
        )
        client = TestClient(site.app, headers=ORIGIN, follow_redirects=False)
        client.cookies.set("changeout_session", site.site.sessions.begin(person.who, "tablet"))
        made[role] = client
    return made


def routes(site: Running) -> list[str]:
    """Enumerate the routes from the OpenAPI description."""
    described = make_app(site.site).openapi()["paths"]
    return sorted(f"{verb.upper()} {path}" for path, verbs in described.items() for verb in verbs)


def address(route: str) -> tuple[str, str]:
    """Return verb and address of a route with its names filled in."""
    verb, path = route.split(" ")
    for name, value in FILLED.items():
        path = path.replace(name, value)
    return verb, path


def test_every_route_and_role(site: Running, clients: dict[Role, TestClient]) -> None:
    """A role that may use a route is not turned away; one that may not gets 403 and a sentence."""
    wrong = []
    for route in routes(site):
        verb, path = address(route)
        for role, client in clients.items():
            if route in OPEN_TO_ALL or route in {"POST /signout", "POST /lock"}:
                continue
            answer = client.request(verb, path, data={"token": "t"} if verb == "POST" else None)
            turned_away = answer.status_code == 403 and "have no access to this" in answer.text
            if turned_away == (role in may(route)):
                wrong.append((route, role, answer.status_code))

    assert wrong == []


def test_without_a_session_every_page_leads_to_the_sign_in(site: Running) -> None:
    """Without a session every route but the open ones sends to the sign-in page and does nothing."""
    stranger = TestClient(site.app, headers=ORIGIN, follow_redirects=False)

    for route in routes(site):
        verb, path = address(route)
        if route not in OPEN_TO_ALL:
            answer = stranger.request(verb, path)
            then = f"?{urlencode({'then': path})}" if route.startswith("GET /at/") else ""
            assert (answer.status_code, answer.headers.get("location")) == (303, f"/signin{then}"), route


def test_a_foreign_origin_is_refused_on_every_unsafe_route(site: Running, clients: dict[Role, TestClient]) -> None:
    """No unsafe route, not even the sign-in, accepts a request from another origin or from none."""
    for route in routes(site):
        verb, path = address(route)
        if verb == "GET":
            continue
        for origin in ({"Origin": "http://elsewhere.example"}, {"Origin": ""}):
            answer = clients[L].request(verb, path, headers=origin)
            assert answer.status_code == 403, route
            assert "did not come from this site" in answer.text


def test_safety_headers_stand_on_every_answer(site: Running) -> None:
    """Pages, refusals, missing pages and static files all carry the policy, and pages are not kept by the browser."""
    stranger = TestClient(site.app)

    for path in ("/signin", "/nothing-here", "/static/x/css/base.css", "/ready"):
        answer = stranger.get(path)
        policy = answer.headers["content-security-policy"]
        assert "default-src 'self'" in policy
        assert "unsafe" not in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
    assert stranger.get("/signin").headers["cache-control"] == "no-store"
    assert stranger.get("/nothing-here").status_code == 404


def test_a_one_time_code_signs_in_and_does_nothing_else(site: Running) -> None:
    """Who signed in with a one-time code reaches only the page to replace it, and the new secret must be a good one."""
    person, code = site.people.add("Late Joiner", T, by=None, identity="known to us")
    client = TestClient(site.app, headers=ORIGIN)
    client.post("/signin", data={"person": person.id, "secret": code, "tablet": "tablet 9"})

    assert "Choose your own secret" in client.get("/").text
    assert client.post("/secret", data={"old": code, "new": "short", "binds": "yes"}).status_code == 422
    client.post("/secret", data={"old": code, "new": "green lamp over water", "binds": "yes"})
    assert "Waiting for you" in client.get("/").text


@pytest.mark.usefixtures("clients")
def test_wrong_secrets_are_counted_and_slowed_down(site: Running) -> None:
    """After five wrong secrets the right one waits too; nobody else is held up."""
    person, _ = site.people.add("Forgetful One", T, by=None, identity="known to us", secret="a secret of fifteen")
    client = TestClient(site.app, headers=ORIGIN)

    for _ in range(5):
        assert client.post("/signin", data={"person": person.id, "secret": "wrong"}).status_code == 403
    answer = client.post("/signin", data={"person": person.id, "secret": "a secret of fifteen"})

    assert answer.status_code == 403
    assert "Too many wrong secrets" in answer.text
    assert site.people.prove("person-lead", "a secret of fifteen", tablet="t").role is L


@pytest.mark.usefixtures("clients")
def test_nobody_is_sent_to_another_site_after_signing_in(site: Running) -> None:
    """The address to go on to must be one of ours."""
    client = TestClient(site.app, headers=ORIGIN, follow_redirects=False)
    fields = {"person": "person-lead", "secret": "a secret of fifteen"}

    for then in ("//elsewhere.example/", "https://elsewhere.example/", "/\\elsewhere.example"):
        assert 'name="then" value="/"' in client.get("/signin", params={"then": then}).text
        assert client.post("/signin", data={**fields, "then": then}).headers["location"] == "/"
    assert 'name="then" value="/at/point/D-301"' in client.get("/signin", params={"then": "/at/point/D-301"}).text
