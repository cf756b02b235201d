"""Servers in processes of their own, on loopback: how long until the first page, how much memory."""

import http.client
import json
import os
import re
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path

from tests.benching.load import HOST, Order, Told

ROOT = Path(__file__).resolve().parents[2]
LONGEST_START_S = 30
OURS = "changeout"


@dataclass(frozen=True)
class Server:
    """A running server.  first_page_s: from starting the process to the first whole answer."""

    port: int
    pid: int
    first_page_s: float

    def load(self, form: str, tablets: list[list[tuple[str, str, str, str, dict[str, str]]]], seconds: float) -> Told:
        """Let another process send this load, and return what came of it."""
        order = Order(self.port, form, tablets, seconds)
        command = [sys.executable, "-m", "tests.benching.load"]
        done = subprocess.run(
            command, cwd=ROOT, input=json.dumps(asdict(order)).encode(), stdout=subprocess.PIPE, check=True
        )
        return Told(**json.loads(done.stdout))

    def get(self, path: str, **headers: str) -> tuple[int, dict[str, str], bytes]:
        """Return status, headers and the body as sent (still compressed) for one page."""
        return _get(self.port, path, headers)

    @property
    def resident_mb(self) -> float:
        """Resident memory now, in MB; not a number where the system does not tell."""
        status = Path(f"/proc/{self.pid}/status")
        found = re.search(r"VmRSS:\s+(\d+)", status.read_text()) if status.is_file() else None
        return int(found.group(1)) / 1000 if found else float("nan")

    @property
    def cpu_s(self) -> float:
        """Processor time used so far, in seconds; not a number where the system does not tell."""
        stat = Path(f"/proc/{self.pid}/stat")
        if not stat.is_file():
            return float("nan")
        user, system = stat.read_text().rsplit(")", 1)[1].split()[11:13]
        return (int(user) + int(system)) / os.sysconf("SC_CLK_TCK")


@contextmanager
def serving(kind: str, folder: Path, first: str = "/signin", *, longest_s: float = LONGEST_START_S) -> Iterator[Server]:
    """Start our server (`OURS`) or one of `tests.benching.others`, wait until a page comes, end it afterwards."""
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        port = probe.getsockname()[1]
    ours = [sys.executable, "-m", "app", "serve", "--data", str(folder), "--port", str(port)]
    other = [sys.executable, "-m", "tests.benching.others", kind, str(folder), str(port)]
    begun = time.perf_counter()
    process = subprocess.Popen(ours if kind == OURS else other, cwd=ROOT, stdout=subprocess.DEVNULL)
    try:
        yield Server(port, process.pid, _first_page(process, port, first, longest_s) - begun)
    finally:
        process.terminate()
        process.wait(longest_s)


def _first_page(process: "subprocess.Popen[bytes]", port: int, path: str, longest_s: float) -> float:
    end = time.perf_counter() + longest_s
    while time.perf_counter() < end and process.poll() is None:
        try:
            _get(port, path, {})
            return time.perf_counter()
        except ConnectionError:
            time.sleep(0.002)
    raise RuntimeError(f"The server did not answer within {longest_s} s or ended with {process.returncode}.")


def _get(port: int, path: str, headers: dict[str, str]) -> tuple[int, dict[str, str], bytes]:
    line = http.client.HTTPConnection(HOST, port, timeout=LONGEST_START_S)
    try:
        line.request("GET", path, headers=headers)
        answer = line.getresponse()
        return answer.status, {name.lower(): value for name, value in answer.getheaders()}, answer.read()
    finally:
        line.close()
