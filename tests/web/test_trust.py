"""The page by which a tablet comes to trust the site, and the certificate that it gives out."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from html import unescape
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from app.bootstrap import Running, start
from app.domain.procedure import Role
from app.settings import Settings
from app.storage.reached import Reached
from app.storage.tls import make_authority
from app.web.routes.trust import NO_AUTHORITY
from app.web.views.trust import trust_page
from tests.web.desk import Clock

NOW = datetime(2026, 3, 2, 7, 15, tzinfo=UTC)
REACHED = Reached(("localhost", "roof-pc"), ("127.0.0.1", "192.168.1.20", "fd00::2"))


@pytest.fixture
def site(tmp_path: Path, clock: Clock) -> Iterator[Running]:
    """A site with an authority, served over TLS."""
    make_authority(tmp_path, REACHED, now=NOW, replace=False)
    running = start(Settings(data=tmp_path, secure_cookie=True), clock)
    yield running
    running.close()


def stranger(site: Running, address: str = "https://roof-pc:8321") -> TestClient:
    """A tablet that nobody has signed in at."""
    return TestClient(site.app, base_url=address, follow_redirects=False, headers={"Origin": address})


def test_the_page_needs_no_session_and_says_what_matters(site: Running) -> None:
    """Fingerprint, its last day, each kind of tablet, and that there are no offline marks without it."""
    text = unescape(stranger(site).get("/trust").text)

    trust = site.site.trust
    assert trust is not None
    for row in range(0, 96, 24):
        assert trust.authority_print[row : row + 23].replace(":", " ") in text
    for words in ("Android", "iPadOS", "Windows", "Anything else", "gives no offline marks", "2036-02-28"):
        assert words in text
    assert "open line" not in text
    assert "https://roof-pc:8321/trust" in text


def test_an_open_line_is_told(site: Running) -> None:
    """A page that came without TLS says so."""
    assert "came over an open line" in stranger(site, "http://roof-pc:8321").get("/trust").text


def test_the_certificate_is_given_as_tablets_take_it(site: Running, tmp_path: Path) -> None:
    """The download is the authority's certificate, byte for byte, under the type that opens the installer."""
    answer = stranger(site).get("/trust/authority.crt")

    assert answer.content == (tmp_path / "tls" / "authority.crt").read_bytes()
    assert b"PRIVATE" not in answer.content
    assert answer.headers["content-type"] == "application/x-x509-ca-cert"
    assert "changeout-authority.crt" in answer.headers["content-disposition"]


def test_without_an_authority_the_page_says_how_to_make_one(tmp_path: Path) -> None:
    """A site without TLS has the page, and no certificate to give."""
    running = start(Settings(data=tmp_path), lambda: NOW)
    client = stranger(running, "http://testserver")

    page, certificate = client.get("/trust"), client.get("/trust/authority.crt")
    running.close()

    assert NO_AUTHORITY in page.text
    assert (certificate.status_code, certificate.text) == (404, NO_AUTHORITY)


@pytest.mark.parametrize(
    ("host", "best"),
    [("roof-pc", "https://roof-pc:8321/trust"), ("fd00::2", "https://[fd00::2]:8321/trust"),
     ("localhost", "https://192.168.1.20:8321/trust"), ("127.0.0.1", "https://192.168.1.20:8321/trust"),
     ("evil.example", "https://192.168.1.20:8321/trust")],
)  # fmt: skip
def test_the_code_leads_other_tablets_here_and_nowhere_else(site: Running, host: str, best: str) -> None:
    """The code shows the address that was asked for, unless another tablet could not use it or it is not ours."""
    import segno

    trust = site.site.trust
    assert trust is not None

    page = trust_page(trust, host=host, port=8321, safe=True)

    assert page.address == best
    assert page.code == segno.make(best, error="m", micro=False).svg_data_uri(scale=5, border=4, light="white")
    assert best not in page.others
    assert not any("localhost" in address or "127.0.0.1" in address for address in (page.address, *page.others))


@pytest.mark.parametrize(
    ("port", "safe", "address"), [(443, True, "https://roof-pc/trust"), (80, False, "http://roof-pc/trust")]
)
def test_the_usual_port_is_not_named(site: Running, port: int, safe: bool, address: str) -> None:
    """An address that is copied by hand is as short as it can be."""
    trust = site.site.trust
    assert trust is not None

    assert trust_page(trust, host="roof-pc", port=port, safe=safe).address == address


def test_a_certificate_about_to_run_out_stands_on_the_about_page(site: Running, clock: Clock) -> None:
    """A server that has been running for a year says so 30 days before, without a new start."""
    person, _ = site.people.add("Somebody", Role.LEAD, by=None, identity="known to us", secret="a secret of fifteen")
    trust = site.site.trust
    assert trust is not None

    def about() -> str:
        client = stranger(site)
        client.cookies.set("changeout_session", site.site.sessions.begin(person.who, "tablet"))
        return client.get("/about").text

    clock.now = trust.until - timedelta(days=31)
    assert "runs out on" not in about()
    clock.now = trust.until - timedelta(days=29)
    assert "The server certificate runs out on" in about()


@pytest.mark.parametrize("secure", [True, False])
def test_every_cookie_is_secure_behind_tls_and_only_there(tmp_path: Path, secure: bool) -> None:
    """Session, tablet name and colour scheme: each is marked Secure once, or not at all without TLS."""
    running = start(Settings(data=tmp_path, secure_cookie=secure), lambda: NOW)
    person, _ = running.people.add("Somebody", Role.LEAD, by=None, identity="known to us", secret="a secret of fifteen")
    client = stranger(running, "https://testserver")

    signed = client.post("/signin", data={"person": person.id, "secret": "a secret of fifteen"})
    answers = [signed, client.post("/scheme", data={"scheme": "dim"})]
    cookies = [line for answer in answers for line in answer.headers.get_list("set-cookie")]
    running.close()

    assert len(cookies) == 3
    assert {line.lower().count("secure") for line in cookies} == {int(secure)}
