"""A photo sent over a line that is cut at any byte goes on where the server stands, and counts only when it is whole.

CHANGEOUT_CUT_PHOTOS says how many photos are sent.
"""

import http.client
import json
import os
import socket
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from hashlib import sha256
from http import HTTPStatus
from pathlib import Path
from random import Random
from time import monotonic, sleep
from uuid import UUID

import pytest

from app.bootstrap import Running
from app.domain.commands import Begin
from app.domain.events import StepDone
from app.web.context import COOKIE
from tests.browser.driver import HANDS, served
from tests.browser.stage import Staged
from tests.storage.pictures import jpeg

PHOTOS = int(os.environ.get("CHANGEOUT_CUT_PHOTOS", "5"))
PART = 64 * 1024
MOST_CUTS = 4
DEADLINE_S = 10.0
LINGER_NOT = b"\x01\x00\x00\x00\x00\x00\x00\x00"
"""Close at once and throw away what is on its way, as a line does that is gone."""


@dataclass
class Line:
    """A tablet's way to the server, with one person signed in."""

    port: int
    cookie: str
    chance: Random

    def head(self, method: str, path: str, size: int) -> bytes:
        """Return the head of a request."""
        return (
            f"{method} {path} HTTP/1.1\r\nHost: 127.0.0.1:{self.port}\r\nOrigin: http://127.0.0.1:{self.port}\r\n"
            f"Cookie: {COOKIE}={self.cookie}\r\nContent-Type: application/json\r\nContent-Length: {size}\r\n\r\n"
        ).encode()

    def ask(self, method: str, path: str, body: bytes = b"") -> tuple[int, bytes]:
        """Send a whole request and wait for its answer."""
        with socket.create_connection(("127.0.0.1", self.port), DEADLINE_S) as line:
            line.sendall(self.head(method, path, len(body)) + body)
            answer = http.client.HTTPResponse(line)
            answer.begin()
            return answer.status, answer.read()

    def held(self, name: str) -> tuple[int, bool]:
        """Ask how much of a photo is there."""
        status, told = self.ask("GET", f"/photos/{name}/held")
        assert status == HTTPStatus.OK
        return json.loads(told)["held"], json.loads(told)["whole"]

    def cut(self, path: str, body: bytes) -> bool:
        """Send a request and cut the line at any byte of it; return whether all of it had gone out."""
        whole = self.head("POST", path, len(body)) + body
        at = self.chance.choice([self.chance.randrange(len(whole)), self.chance.randrange(len(whole)), len(whole)])
        with socket.create_connection(("127.0.0.1", self.port), DEADLINE_S) as line:
            line.sendall(whole[:at])
            if self.chance.random() < 0.5:
                line.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, LINGER_NOT)
        return at == len(whole)


@dataclass
class Wanted:
    """A job at a step that takes a photo, in the hands of the person at the line."""

    running: Running
    line: Line
    person: str
    job: str
    step: str

    def finish(self, photo: str) -> tuple[int, bytes]:
        """Send the mark that ends the step and names a photo, as a tablet that kept it does."""
        mark = {
            "n": 1, "act": "finish", "step": self.step, "device_at": now(), "token": token(self.line.chance),
            "answers": {"seen": "edge covered all round, tape holding", "photo": photo},
            "seen": self.running.site.jobs.state(self.job).size,
        }  # fmt: skip
        body = {"sent_at": now(), "person": self.person, "marks": [mark]}
        return self.line.ask("POST", f"/jobs/{self.job}/kept", json.dumps(body).encode())

    def done(self) -> list[str]:
        """Return the photos of this step's marks."""
        events = self.running.site.jobs.events(self.job)
        return [event.evidence.answers["photo"].text for event in events
                if isinstance(event, StepDone) and event.step == self.step]  # fmt: skip


def now() -> str:
    """Return this moment as a tablet writes it."""
    return datetime.now(UTC).isoformat()


def token(chance: Random) -> str:
    """Return a request token."""
    return UUID(int=chance.getrandbits(128)).hex


@pytest.fixture
def wanted(tmp_path: Path) -> Iterator[Wanted]:
    """Serve a site with a job at such a step."""
    with served(tmp_path) as (address, running):
        staged = Staged(running, "EF-07").do_until("Tape the raw edge of the stub")
        assert staged.state.due is not None
        staged.do(Begin(staged.state.due.id), HANDS)
        cookie = running.site.sessions.begin(staged.who(HANDS), "tablet 1")
        line = Line(int(address.rsplit(":", 1)[1]), cookie, Random(20261125))
        yield Wanted(running, line, staged.who(HANDS).id, staged.job, staged.state.due.id)


def settled(line: Line, name: str, before: int, after: int) -> int:
    """Return what is held once a part whose answer nobody read has been worked on, or has been given up."""
    until = monotonic() + DEADLINE_S / 20
    while (held := line.held(name)[0]) != after and monotonic() < until:
        sleep(0.01)
    assert held in (before, after)
    return held


def test_photos_cut_at_any_byte_go_on_and_count_only_when_whole(
    wanted: Wanted, capsys: pytest.CaptureFixture[str], caplog: pytest.LogCaptureFixture
) -> None:
    """No cut part counts, each try begins at what is held, and no mark names a photo that is not whole."""
    line, cuts, gone_on = wanted.line, 0, 0
    name = ""
    for _ in range(PHOTOS):
        data = jpeg(40, 30) + line.chance.randbytes(line.chance.randrange(PART // 2, 4 * PART))
        name, left = sha256(data).hexdigest(), line.chance.randrange(1, MOST_CUTS)
        held, whole = line.held(name)
        assert (held, whole) == (0, False)
        while not whole:
            part = data[held : held + PART]
            path = f"/photos/{name}/part?at={held}&of={len(data)}"
            unread = False
            if left and line.chance.random() < 0.5:
                left, cuts, gone_on = left - 1, cuts + 1, gone_on + (held > 0)
                unread = line.cut(path, part)
                if unread:
                    settled(line, name, held, held + len(part))
            else:
                status, _ = line.ask("POST", path, part)
                assert status == HTTPStatus.OK
            before, (held, whole) = held, line.held(name)
            assert held in (before, before + len(part))
            assert not whole or held == len(data)
            if held < len(data) and not unread and line.chance.random() < 0.3:
                assert wanted.finish(name)[0] == HTTPStatus.SERVICE_UNAVAILABLE
                assert wanted.done() == []
                assert line.ask("GET", f"/photos/{name}")[0] != HTTPStatus.OK
        assert sha256(wanted.running.site.photos.read(name)).hexdigest() == name
        assert line.ask("GET", f"/photos/{name}") == (HTTPStatus.OK, data)
    status, told = wanted.finish(name)
    with capsys.disabled():
        print(f"\n{PHOTOS} photos, {cuts} cuts, of which {gone_on} amid a photo")

    assert (status, json.loads(told)["results"][0]["taken"]) == (HTTPStatus.OK, True)
    assert wanted.done() == [name]
    assert cuts >= PHOTOS // 2
    assert "fault of the program" not in caplog.text
    assert list((wanted.running.settings.data / "photos" / ".parts").iterdir()) == []
