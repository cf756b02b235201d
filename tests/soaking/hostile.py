"""What a hostile or broken neighbour may send: slow connections beside real marks, and sizes beyond every limit."""

import http.client
import socket
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from time import monotonic, sleep
from urllib.parse import urlencode
from uuid import uuid4

from app.web.app import LARGEST_BODY
from tests.benching.site import Mark, prepare
from tests.soaking.line import HOST, free_port
from tests.soaking.run import Soaked, p99
from tests.soaking.served import Server
from tests.storage.pictures import png

SLOW, SILENT = 200, 12
"""Connections, and for how many seconds every second one of them is silent; the server waits 10 s for a head."""
PACE_S = 0.2
"""Between two marks: what is measured is how long one takes, not how many there can be."""
CALM_S = 20
REFUSED_S = 1.0
MOST_GROWN_MB = 50.0
ANNOUNCED = 1_000_000_000
PARTS = 10_000
RANGES = 10_000
KIND = "application/x-www-form-urlencoded"


@dataclass
class Marking:
    """A tablet that marks on while strangers are about.  took: when each mark was sent and how long it took."""

    port: int
    marks: list[Mark]
    took: list[tuple[float, float]] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)

    def work(self, over: threading.Event) -> None:
        """Send mark after mark."""
        line = http.client.HTTPConnection(HOST, self.port, timeout=20)
        for job, cookie, step, act, answers in self.marks:
            if over.wait(PACE_S):
                break
            fields = {
                "act": act,
                "step": step,
                "token": uuid4().hex,
                **{f"a.{name}": told for name, told in answers.items()},
            }
            begun = monotonic()
            try:
                status, _ = ask(line, "POST", f"/jobs/{job}/marks", urlencode(fields).encode(), cookie, KIND)
            except (OSError, http.client.HTTPException) as error:
                self.wrong.append(f"a mark had no answer: {error!r}")
                line.close()
                continue
            if status != http.HTTPStatus.SEE_OTHER:
                self.wrong.append(f"a mark was answered with {status}")
            self.took.append((begun, monotonic() - begun))
        line.close()


def ask(
    line: http.client.HTTPConnection, method: str, path: str, body: bytes | None, cookie: str, kind: str = "",
    **headers: str,
) -> tuple[int, bytes]:  # fmt: skip
    """Send one request in a session and return status and body."""
    sent = {"Origin": f"http://{HOST}:{line.port}", "Cookie": f"changeout_session={cookie}", **headers}
    line.request(method, path, body, sent | ({"Content-Type": kind} if kind else {}))
    answer = line.getresponse()
    return answer.status, answer.read()


def hostile(place: Path, *, seconds: float) -> Soaked:
    """Serve a site, send marks beside slow connections for so long, then every size; hold figures against limits."""
    came, data = Soaked(), place / "site"
    turns = int((seconds + CALM_S) / PACE_S)
    made = prepare(data, 2 * (turns // 60 + 1), finished=False)
    server = Server(data, free_port(), place / "server.log")
    server.start()
    try:
        over = threading.Event()
        tablets = [Marking(server.port, marks) for marks in made.marks(2, turns)]
        hands = [threading.Thread(target=tablet.work, args=(over,), daemon=True) for tablet in tablets]
        for hand in hands:
            hand.start()
        sleep(CALM_S)
        slow_from = monotonic()
        came.told.append(_slowly(server, seconds))
        over.set()
        for hand in hands:
            hand.join()
        _judge(tablets, slow_from, came)
        cookie, job = next(iter(made.cookies.values())), made.jobs[0]
        for name, send in SIZES.items():
            _size(server, name, lambda send=send: send(server.port, cookie, job), came)  # type: ignore[misc]
    finally:
        server.end()
    log = server.log.read_text("utf-8", "replace")
    if "Traceback" in log:
        came.wrong.append("the server's log has a traceback: " + log[log.index("Traceback") :][:1500])
    came.wrong += server.deaths
    return came


@dataclass
class Slow:
    """A connection that never finishes its request, made anew whenever it is cut off."""

    port: int
    head: bytes
    line: socket.socket | None = None
    made: int = 0
    cut: int = 0

    def turn(self) -> None:
        """Send one byte more."""
        try:
            if self.line is None:
                self.line, self.made = socket.create_connection((HOST, self.port), timeout=5), self.made + 1
                self.line.sendall(self.head)
                self.line.setblocking(False)
            else:
                self.line.send(b"a")
            if self.line.recv(1) == b"":
                self.end()
        except BlockingIOError:
            pass
        except OSError:
            self.end()

    def end(self) -> None:
        """Let go of it."""
        self.cut += 1
        if self.line is not None:
            self.line.close()
        self.line = None


def _slowly(server: Server, seconds: float) -> str:
    """Hold slow connections open for so long, every second one a half header and then silence; say how it went."""
    half = b"POST /signin HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 100\r\nX-Slow: "
    slow = [Slow(server.port, half if place % 2 else b"GET /") for place in range(SLOW)]
    begun, turn = monotonic(), 0
    while monotonic() < begun + seconds:
        turn += 1
        for place, one in enumerate(slow):
            if place % 2 == 0 or one.line is None or turn % SILENT == 0:
                one.turn()
        sleep(1)
    told = f"{sum(one.made for one in slow)} made, {sum(one.cut for one in slow)} cut off by the server"
    for one in slow:
        one.end()
    return f"{SLOW} slow connections for {seconds:.0f} s: {told}"


def _judge(tablets: list[Marking], slow_from: float, came: Soaked) -> None:
    took = [item for tablet in tablets for item in tablet.took]
    calm = [seconds for at, seconds in took if at < slow_from]
    slow = [seconds for at, seconds in took if at >= slow_from]
    came.wrong += [told for tablet in tablets for told in tablet.wrong]
    if min(len(calm), len(slow)) < 2:
        came.wrong.append("too few marks were sent beside the slow connections")
        return
    came.told.append(
        f"p99 of marks: {1000 * p99(calm):.0f} ms over {len(calm)} without them, {1000 * p99(slow):.0f} ms over "
        f"{len(slow)} beside them, worst {1000 * max(slow):.0f} ms"
    )


# --- sizes ------------------------------------------------------------------------------------------


def _size(server: Server, name: str, send: Callable[[], tuple[int, float]], came: Soaked) -> None:
    """Send one thing; hold its refusal and the server's memory against the limits."""
    peak, over = [_resident(server)], threading.Event()

    def watch() -> None:
        while not over.wait(0.05):
            peak.append(_resident(server))

    watcher = threading.Thread(target=watch, daemon=True)
    watcher.start()
    status, took = send()
    sleep(0.3)
    over.set()
    watcher.join()
    grown = max(peak) - peak[0]
    came.told.append(f"  {name}: {status or 'cut off'} after {1000 * took:.0f} ms, memory {grown:+.1f} MB")
    if status >= http.HTTPStatus.INTERNAL_SERVER_ERROR:
        came.wrong.append(f"{name} was answered with {status}")
    if took > REFUSED_S:
        came.wrong.append(f"{name} was refused after {took:.2f} s, more than {REFUSED_S} s")
    if grown > MOST_GROWN_MB:
        came.wrong.append(f"{name} made the server {grown:.1f} MB larger, more than {MOST_GROWN_MB} MB")
    if not server.answers():
        came.wrong.append(f"no answer after {name}")


def _resident(server: Server) -> float:
    seen = server.sample()
    return seen.resident_mb if seen else 0.0


def _raw(port: int, cookie: str, head: str, pieces: Callable[[], bytes], limit: int) -> tuple[int, float]:
    """Send a head and pieces until the server answers or cuts; return the status and the time since the limit."""
    with socket.create_connection((HOST, port), timeout=10) as line:
        told = f"Host: {HOST}:{port}\r\nOrigin: http://{HOST}:{port}\r\nCookie: changeout_session={cookie}\r\n"
        first, _, rest = head.partition("\r\n")
        line.sendall(f"{first}\r\n{told}{rest}\r\n".encode())
        since, sent, answer = monotonic(), 0, b""
        line.settimeout(0.05)
        until = since + 10
        while monotonic() < until:
            try:
                if piece := pieces():
                    line.sendall(piece)
                    sent += len(piece)
                    if sent < limit:
                        since = monotonic()
                answer = line.recv(64)
                break
            except TimeoutError:
                continue
            except OSError:
                break
        took = monotonic() - since
        return (int(answer[9:12]) if answer.startswith(b"HTTP/1.1 ") else 0), took


def _announced(port: int, cookie: str, job: str) -> tuple[int, float]:
    head = f"POST /jobs/{job}/kept HTTP/1.1\r\nContent-Length: {ANNOUNCED}\r\n"
    return _raw(port, cookie, head, lambda: b"", 0)


def _endless(port: int, cookie: str, job: str) -> tuple[int, float]:
    head = f"POST /jobs/{job}/kept HTTP/1.1\r\nTransfer-Encoding: chunked\r\n"
    chunk = b"10000\r\n" + b"x" * 65_536 + b"\r\n"
    return _raw(port, cookie, head, lambda: chunk, LARGEST_BODY)


def _parts(port: int, cookie: str, job: str) -> tuple[int, float]:
    part = '--cut\r\nContent-Disposition: form-data; name="f{}"\r\n\r\nx\r\n'
    body = "".join(part.format(number) for number in range(PARTS)) + "--cut--\r\n"
    return _timed(port, "POST", f"/jobs/{job}/marks", body.encode(), cookie, "multipart/form-data; boundary=cut")


def _fields(port: int, cookie: str, job: str) -> tuple[int, float]:
    return _timed(port, "POST", f"/jobs/{job}/marks", b"&".join(b"f%d=x" % n for n in range(PARTS)), cookie, KIND)


def _picture(port: int, cookie: str, job: str) -> tuple[int, float]:
    data = png(50_000, 50_000)
    path = f"/photos/{sha256(data).hexdigest()}/part?at=0&of={len(data)}"
    return _timed(port, "POST", path, data, cookie)


def _ranges(port: int, cookie: str, job: str) -> tuple[int, float]:
    told = "bytes=" + ",".join(f"{n}-{n}" for n in range(RANGES))
    return _timed(port, "GET", "/kept/keep.js", None, cookie, Range=told)


def _few_ranges(port: int, cookie: str, job: str) -> tuple[int, float]:
    told = "bytes=" + ",".join(f"{n}-" for n in range(5_000))
    return _timed(port, "GET", "/kept/keep.js", None, cookie, Range=told)


def _timed(
    port: int, method: str, path: str, body: bytes | None, cookie: str, kind: str = "", **headers: str
) -> tuple[int, float]:
    line, begun = http.client.HTTPConnection(HOST, port, timeout=10), monotonic()
    try:
        status, _ = ask(line, method, path, body, cookie, kind, **headers)
    except (OSError, http.client.HTTPException):
        status = 0
    finally:
        line.close()
    return status, monotonic() - begun


SIZES: dict[str, Callable[[int, str, str], tuple[int, float]]] = {
    "a body of 1 GB announced": _announced,
    "an endless body in chunks": _endless,
    f"a form of {PARTS} parts": _parts,
    f"a form of {PARTS} fields": _fields,
    "a picture that claims 50,000 x 50,000 pixels": _picture,
    f"a Range of {RANGES} parts": _ranges,
    "a Range of 5,000 parts in a head that is let in": _few_ranges,
}
