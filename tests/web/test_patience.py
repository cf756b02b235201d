"""Slow and endless requests are cut off; whole ones are answered, kept-alive connections included."""

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from time import monotonic

import pytest
import uvicorn
from fastapi import FastAPI, Request

from app.web.patience import HEADERS_S, LARGEST_HEAD, Patient

DEADLINE_S = 20.0
GOOD = b"GET /here HTTP/1.1\r\nHost: here\r\n\r\n"


class Hasty(Patient):
    """The same, with short times for the test."""

    headers_s = 0.3
    body_s = 0.6


@contextmanager
def serving(protocol: type[Patient] = Hasty) -> Iterator[int]:
    """Serve a small app and yield its port."""
    app = FastAPI()

    @app.get("/here")
    async def here() -> str:
        return "here"

    @app.post("/there")
    async def there(request: Request) -> int:
        return len(await request.body())

    door = socket.create_server(("127.0.0.1", 0))
    server = uvicorn.Server(uvicorn.Config(app, http=protocol, log_level="critical"))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [door]}, daemon=True)
    thread.start()
    try:
        yield door.getsockname()[1]
    finally:
        server.should_exit = True
        thread.join(DEADLINE_S)
        door.close()


@pytest.fixture(scope="module")
def port() -> Iterator[int]:
    """One server for this file."""
    with serving() as found:
        yield found


def sent(port: int, data: bytes) -> tuple[bytes, float]:
    """Send bytes and return everything that comes back until the other side closes, and how long that took."""
    begun = monotonic()
    with socket.create_connection(("127.0.0.1", port), timeout=DEADLINE_S) as line:
        line.sendall(data)
        got = b""
        try:
            while part := line.recv(65536):
                got += part
        except ConnectionResetError:
            pass
    return got, monotonic() - begun


@pytest.mark.parametrize("half", [b"", b"GET /he", b"GET /here HTTP/1.1\r\nHost: he"], ids=["silent", "line", "header"])
def test_half_a_head_is_cut_off(port: int, half: bytes) -> None:
    """A connection that never finishes its headers is closed without an answer, and not at once."""
    got, took = sent(port, half)

    assert got == b""
    assert 0.2 < took < DEADLINE_S / 2


def test_half_a_body_is_cut_off(port: int) -> None:
    """A body that never comes is waited for longer than a head, and then no more."""
    head = b"POST /there HTTP/1.1\r\nHost: here\r\nContent-Length: 100\r\n\r\nabc"

    _, took = sent(port, head)

    assert 0.5 < took < DEADLINE_S / 2


def test_endless_headers_are_cut_off_at_once() -> None:
    """More head than any browser sends is not even waited for: the real times would take 10 s."""
    with serving(Patient) as port:
        got, took = sent(port, b"GET /here HTTP/1.1\r\n" + b"X: " + b"a" * (2 * LARGEST_HEAD))

    assert b"200" not in got[:20]
    assert took < HEADERS_S / 2


def test_whole_requests_are_answered_one_after_the_other_on_one_line(port: int) -> None:
    """The clock stops with each whole request, so that a kept-alive line serves many, and large bodies come through."""
    with socket.create_connection(("127.0.0.1", port), timeout=DEADLINE_S) as line:
        for _ in range(5):
            line.sendall(GOOD)
            assert b'"here"' in _answer(line)
        body = b"x" * (3 * LARGEST_HEAD)
        line.sendall(b"POST /there HTTP/1.1\r\nHost: here\r\nContent-Length: %d\r\n\r\n" % len(body) + body)
        assert str(len(body)).encode() in _answer(line)


def _answer(line: socket.socket) -> bytes:
    got = b""
    while b"\r\n\r\n" not in got or len(got.partition(b"\r\n\r\n")[2]) < _length(got):
        part = line.recv(65536)
        assert part, "the line was closed"
        got += part
    return got


def _length(got: bytes) -> int:
    for line in got.partition(b"\r\n\r\n")[0].split(b"\r\n"):
        name, _, value = line.partition(b":")
        if name.lower() == b"content-length":
            return int(value)
    return 0
