"""The load, in a process of its own: so many tablets, each sending its next mark when the last is answered.

`python -m tests.benching.load` reads an `Order` as JSON from standard input and writes a `Told` as JSON.
Bounded in count by the marks ordered and in time by `seconds`; loopback only.  An answer that is not the one
expected ends the run: no figure comes from refusals.
"""

import asyncio
import json
import re
import sys
import time
from dataclasses import asdict, dataclass
from typing import Any
from urllib.parse import urlencode
from uuid import uuid4

HOST = "127.0.0.1"
BOUNDARY = "----tablet"
TOKEN = re.compile(rb'name="step" value="([^"]*)">\s*<input type="hidden" name="token" value="([^"]*)"')


@dataclass(frozen=True)
class Order:
    """What to send.  form: `htmx` (answer is the next step's piece), `plain` (answer is 303) or `other`.

    tablets: for each the marks in order: job, cookie, step, act, answers.
    """

    port: int
    form: str
    tablets: list[list[tuple[str, str, str, str, dict[str, str]]]]
    seconds: float


@dataclass(frozen=True)
class Told:
    """What came of it: marks answered, over how many seconds, each one's milliseconds, bytes of the last answer."""

    marks: int
    seconds: float
    ms: list[float]
    answer_bytes: int


class Line(asyncio.Protocol):
    """One kept-alive HTTP/1.1 connection."""

    def __init__(self) -> None:
        self._held = b""
        self._answer: asyncio.Future[tuple[int, bytes, bytes]] | None = None
        self._transport: Any = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Keep the way to write."""
        self._transport = transport

    def data_received(self, data: bytes) -> None:
        """Collect until the answer is whole."""
        self._held += data
        head, end, body = self._held.partition(b"\r\n\r\n")
        if not end or self._answer is None:
            return
        found = re.search(rb"\r\ncontent-length: (\d+)", head, re.IGNORECASE)
        if len(body) >= int(found.group(1) if found else 0):
            self._held = b""
            self._answer.set_result((int(head[9:12]), head, body))

    def connection_lost(self, exc: Exception | None) -> None:
        """Tell whoever waits."""
        if self._answer is not None and not self._answer.done():
            self._answer.set_exception(exc or ConnectionError("the server hung up"))

    async def ask(self, request: bytes) -> tuple[int, bytes, bytes]:
        """Send a request and return status, head and body of the answer."""
        self._answer = asyncio.get_running_loop().create_future()
        self._transport.write(request)
        return await self._answer


def post(order: Order, job: str, cookie: str, fields: dict[str, str], *, multipart: bool) -> bytes:
    """Return a mark as a browser sends it: the form of the step screen, as multipart where it could carry a photo."""
    body = _multipart(fields) if multipart else urlencode(fields).encode()
    kind = f"multipart/form-data; boundary={BOUNDARY}" if multipart else "application/x-www-form-urlencoded"
    host = f"{HOST}:{order.port}"
    htmx = "HX-Request: true\r\nHX-Target: work\r\n" if order.form == "htmx" else ""
    head = (
        f"POST /jobs/{job}/marks HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\nSec-Fetch-Site: same-origin\r\n"
        f"Cookie: changeout_session={cookie}; changeout_tablet=bench\r\nAccept: text/html\r\n{htmx}"
        "Accept-Encoding: gzip, deflate\r\nUser-Agent: Mozilla/5.0 (Linux; Android 13) tablet\r\n"
        f"Content-Type: {kind}\r\nContent-Length: {len(body)}\r\n\r\n"
    )
    return head.encode() + body


def _multipart(fields: dict[str, str]) -> bytes:
    parts = [
        f'--{BOUNDARY}\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{value}\r\n'
        for name, value in fields.items()
    ]
    return ("".join(parts) + f"--{BOUNDARY}--\r\n").encode()


def get(order: Order, path: str, cookie: str) -> bytes:
    """Return a request for a page."""
    return f"GET {path} HTTP/1.1\r\nHost: {HOST}:{order.port}\r\nCookie: changeout_session={cookie}\r\n\r\n".encode()


async def tablet(order: Order, marks: list[Any], go: asyncio.Event, ready: asyncio.Semaphore, ms: list[float]) -> int:
    """Open the step page of each job once, wait for the start, send the marks; return the last answer's size."""
    _, line = await asyncio.get_running_loop().create_connection(Line, HOST, order.port)
    body = b""
    tokens: dict[str, bytes] = {}
    for job, cookie in dict.fromkeys((mark[0], mark[1]) for mark in marks) if order.form != "other" else ():
        status, _, body = await line.ask(get(order, f"/jobs/{job}/now", cookie))
        _expect(status == 200, status, body)
        tokens[job] = _token(body, next(mark[2] for mark in marks if mark[0] == job))
    ready.release()
    await go.wait()
    end = time.perf_counter() + order.seconds
    wanted = {"htmx": 200, "plain": 303, "other": 200}[order.form]
    for place, (job, cookie, step, act, answers) in enumerate(marks):
        token = tokens[job].decode() if order.form == "htmx" else uuid4().hex
        note = {"note": ""} if act == "finish" else {}
        answered = {f"a.{name}": value for name, value in answers.items()}
        stamped = {"step": step, "token": token, "device_at": _clock()}
        request = post(
            order, job, cookie, {"act": act, **answered, **note, **stamped}, multipart=b'enctype="multipart' in body
        )
        begun = time.perf_counter()
        status, _, body = await line.ask(request)
        ms.append((time.perf_counter() - begun) * 1000)
        _expect(status == wanted, status, body)
        later = marks[place + 1] if place + 1 < len(marks) else None
        if order.form == "htmx" and later and later[0] == job:
            tokens[job] = _token(body, later[2])
        if begun > end:
            break
    return len(body)


def _clock() -> str:
    now = time.time()
    return time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(now)) + f".{int(now % 1 * 1000):03d}Z"


def _token(body: bytes, step: str) -> bytes:
    """Return the next form's token; the form must be for the step that is due now."""
    found = TOKEN.search(body)
    _expect(found is not None and found.group(1) == step.encode(), 200, body)
    assert found is not None
    return found.group(2)


def _expect(right: bool, status: int, body: bytes) -> None:
    if not right:
        sys.exit(f"An answer is not the one expected: {status} {body[:600].decode(errors='replace')}")


async def run(order: Order) -> Told:
    """Send the whole order and return what came of it."""
    go, ready, ms = asyncio.Event(), asyncio.Semaphore(0), list[float]()
    tasks = [asyncio.create_task(tablet(order, marks, go, ready, ms)) for marks in order.tablets]
    for _ in tasks:
        await ready.acquire()
    begun = time.perf_counter()
    go.set()
    sizes = await asyncio.gather(*tasks)
    return Told(len(ms), time.perf_counter() - begun, ms, sizes[0])


if __name__ == "__main__":
    print(json.dumps(asdict(asyncio.run(run(Order(**json.load(sys.stdin)))))))
