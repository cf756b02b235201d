"""The line of the replays really loses and doubles whole requests, and carries the others unchanged."""

import http.client
import threading
from collections import Counter
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from random import Random
from time import monotonic, sleep

from tests.soaking.line import HOST
from tests.soaking.unruly import LATEST_S, unruly_lines

REQUESTS = 60


def test_requests_are_lost_doubled_and_carried_whole() -> None:
    """What was answered arrived; what arrived twice was sent once; what was lost on the way never arrived."""
    arrived = Counter[str]()

    class Counting(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["content-length"]))
            arrived[body.decode()] += 1
            self.send_response(200)
            self.send_header("content-length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_: object) -> None:
            """Say nothing."""

    server = ThreadingHTTPServer((HOST, 0), Counting)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        with unruly_lines(server.server_address[1], 1, Random(5)) as (line,):
            answered = [number for number in map(str, range(REQUESTS)) if _answered(line.port, number)]
            end = monotonic() + LATEST_S + 5
            while line.late and monotonic() < end:
                sleep(0.02)
    finally:
        server.shutdown()
        server.server_close()

    happened = line.happened
    assert set(answered) <= set(arrived)
    assert happened["requests"] == REQUESTS == len(answered) + happened["lost"] + happened["answers lost"]
    assert sum(arrived.values()) == REQUESTS - happened["lost"] + happened["doubled"]
    assert min(happened["lost"], happened["answers lost"], happened["doubled"]) > 0
    assert max(arrived.values()) == 2


def _answered(port: int, number: str) -> bool:
    """Send one request; whether its answer came, and is its own."""
    line = http.client.HTTPConnection(HOST, port, timeout=10)
    try:
        line.request("POST", "/", number.encode())
        answer = line.getresponse()
        return answer.status == 200 and answer.read() == number.encode()
    except (OSError, http.client.HTTPException):
        return False
    finally:
        line.close()
