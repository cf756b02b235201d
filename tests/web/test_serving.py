"""The program served over TLS, from outside: trusted with the site's authority alone, refused without it."""

import http.client
import signal
import socket
import ssl
import subprocess
import sys
import warnings
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from app.calc.errors import Invalid
from app.cli import main
from app.storage import reached
from app.storage.durable import FolderLock
from app.storage.reached import Reached
from app.web.serving import listening, sends_on

ROOT = Path(__file__).resolve().parents[2]
WAIT_S = 30
HERE = Reached(("localhost",), ("127.0.0.1",))


@pytest.fixture
def data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Path:
    """A folder with an authority for this machine."""
    monkeypatch.setattr(reached, "this_machine", lambda: HERE)
    assert main(["tls", "init", "--data", str(tmp_path)]) == 0
    capsys.readouterr()
    return tmp_path


def two_ports() -> tuple[int, int]:
    """Return two ports that were free a moment ago."""
    doors = [socket.create_server(("127.0.0.1", 0)) for _ in range(2)]
    ports = [door.getsockname()[1] for door in doors]
    for door in doors:
        door.close()
    return ports[0], ports[1]


def knowing(data: Path, version: ssl.TLSVersion) -> ssl.SSLContext:
    """Return a client's context that trusts the authority and knows one version of TLS only."""
    made = ssl.create_default_context(cafile=str(data / "tls" / "authority.crt"))
    made.set_ciphers("DEFAULT:@SECLEVEL=0")
    with warnings.catch_warnings(action="ignore"):
        made.minimum_version = made.maximum_version = version
    return made


@contextmanager
def served(data: Path, port: int, open_port: int) -> Iterator[str]:
    """Run `changeout serve --tls` until the block ends, and yield what it said at the start."""
    command = [sys.executable, "-m", "app", "serve", "--tls", "--data", str(data), "--port", str(port),
               "--http-port", str(open_port)]  # fmt: skip
    life = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    said: list[str] = []
    try:
        assert life.stdout is not None
        for line in life.stdout:
            said.append(line)
            if line.startswith("Open "):
                break
        yield "".join(said)
    finally:
        life.send_signal(signal.SIGTERM)
        life.communicate(timeout=WAIT_S)


@pytest.mark.skipif(sys.platform == "win32", reason="SIGTERM does not end a server in order there")
def test_the_server_is_reached_with_the_authority_as_the_only_trust_and_refused_without(data: Path) -> None:
    """A client that trusts the site's authority gets pages over TLS 1.2 or later; another client gets nothing."""
    port, open_port = two_ports()
    trusting = ssl.create_default_context(cafile=str(data / "tls" / "authority.crt"))
    refusals: list[type[ssl.SSLError]] = []
    assert len(trusting.get_ca_certs()) == 1

    with served(data, port, open_port) as said:
        for name, context in (("localhost", trusting), ("127.0.0.1", knowing(data, ssl.TLSVersion.TLSv1_2))):
            with closing(http.client.HTTPSConnection(name, port, context=context, timeout=WAIT_S)) as line:
                line.request("GET", "/ready")
                assert line.getresponse().read() == b"ready"
        for context in (ssl.create_default_context(), knowing(data, ssl.TLSVersion.TLSv1_1)):
            with closing(http.client.HTTPSConnection("localhost", port, context=context, timeout=WAIT_S)) as line:
                with pytest.raises(ssl.SSLError) as refused:
                    line.connect()
                refusals.append(type(refused.value))
        with closing(http.client.HTTPConnection("localhost", open_port, timeout=WAIT_S)) as plain:
            plain.request("GET", "/jobs/job-1?a=b")
            answer = plain.getresponse()
            assert (answer.status, answer.headers["Location"]) == (307, f"https://localhost:{port}/jobs/job-1?a=b")

    assert [kind is ssl.SSLCertVerificationError for kind in refusals] == [True, False]
    assert f"Open https://127.0.0.1:{port}/" in said
    assert "Fingerprint of the authority" in said


@pytest.mark.parametrize(
    ("host", "target"),
    [("roof-pc:8322", "https://roof-pc:8321/a?b=c"), ("[fd00::2]:8322", "https://[fd00::2]:8321/a?b=c"),
     ("evil.example", "https://localhost:8321/a?b=c"), ("", "https://localhost:8321/a?b=c"),
     ("localhost@evil.example", "https://localhost:8321/a?b=c")],
)  # fmt: skip
def test_the_open_port_sends_to_our_names_only(host: str, target: str) -> None:
    """Page requests go on to the same address over TLS, under a name of the certificate whatever was asked for."""
    client = TestClient(sends_on(8321, ("localhost", "roof-pc", "fd00::2")), follow_redirects=False)

    answer = client.get("/a?b=c", headers={"Host": host})

    assert (answer.status_code, answer.headers["location"]) == (307, target)


@pytest.mark.parametrize("verb", ["POST", "PUT", "DELETE", "OPTIONS"])
def test_the_open_port_takes_nothing(verb: str) -> None:
    """A form is not sent on, since it would have crossed the open line once already."""
    client = TestClient(sends_on(8321, ("localhost",)), follow_redirects=False)

    answer = client.request(verb, "/signin", data={"secret": "s"})

    assert answer.status_code == 403
    assert "location" not in answer.headers


def test_a_port_that_is_taken_is_told() -> None:
    """Two servers on one port: the second says which port and what to do."""
    with listening("127.0.0.1", 0) as door, pytest.raises(Invalid, match="cannot be listened on"):
        listening("127.0.0.1", door.getsockname()[1])


def test_tls_without_a_certificate_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The folder is let go and the sentence says what to run."""
    assert main(["serve", "--tls", "--data", str(tmp_path), "--port", "1"]) == 2

    assert "changeout tls init" in capsys.readouterr().err
    lock = FolderLock(tmp_path)
    lock.hold()
    lock.release()
