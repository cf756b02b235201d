"""The served program as a child process: started, killed, stopped for a while, and looked at from outside."""

import http.client
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from tests.soaking.line import HOST

ROOT = Path(__file__).resolve().parents[2]
LONGEST_START_S = 30
DATABASE_NAME = "DATABASE_URL"


@dataclass(frozen=True, slots=True)
class Sample:
    """The server at one moment.  files: open files that are no connections.  wal_mb: the database's log."""

    at: float
    pid: int
    resident_mb: float
    files: int
    connections: int
    wal_mb: float


@dataclass
class Server:
    """One site's server on one port; its log goes to a file over all its lives."""

    data: Path
    port: int
    log: Path
    process: "subprocess.Popen[bytes] | None" = None
    lives: int = 0
    wanted: bool = False
    starts: list[float] = field(default_factory=list)
    deaths: list[str] = field(default_factory=list)

    def start(self) -> None:
        """Start and wait for the first answer."""
        command = [sys.executable, "-m", "app", "serve", "--data", str(self.data), "--port", str(self.port)]
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(command, cwd=ROOT, stdout=log, stderr=log, env=plain_environment())
        self.lives += 1
        begun = time.monotonic()
        end = begun + LONGEST_START_S
        while not self.answers():
            assert self.process.poll() is None, f"the server ended with {self.process.returncode}: {self.tail()}"
            assert time.monotonic() < end, f"no answer within {LONGEST_START_S} s of the start"
            time.sleep(0.01)
        self.starts.append(time.monotonic() - begun)
        self.wanted = True

    def answers(self) -> bool:
        """Whether it answers now."""
        line = http.client.HTTPConnection(HOST, self.port, timeout=LONGEST_START_S)
        try:
            line.request("GET", "/ready")
            return line.getresponse().status == http.HTTPStatus.OK
        except (OSError, http.client.HTTPException):
            return False
        finally:
            line.close()

    def kill(self) -> None:
        """End it with SIGKILL; note a death that was not by this hand."""
        self.look()
        self.wanted = False
        if self.process is not None:
            self.process.kill()
            self.process.wait(LONGEST_START_S)

    def end(self) -> None:
        """End it as its keeper would."""
        self.look()
        self.wanted = False
        if self.process is not None and self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)
            self.process.wait(LONGEST_START_S)

    def look(self) -> None:
        """Note if the program has ended by its own fault."""
        if self.wanted and self.process is not None and self.process.poll() is not None:
            self.deaths.append(f"the server ended by itself with {self.process.returncode}: {self.tail()}")
            self.wanted = False

    def tail(self) -> str:
        """Return the end of the log."""
        return self.log.read_text("utf-8", "replace")[-600:]

    @property
    def pid(self) -> int:
        """Its process id."""
        return self.process.pid if self.process else 0

    def sample(self) -> Sample | None:
        """Look at it from outside; None while it does not run or the system does not tell."""
        try:
            status = Path(f"/proc/{self.pid}/status").read_text()
            opened = list(_opened(Path(f"/proc/{self.pid}/fd")))
        except OSError:
            return None
        found = re.search(r"VmRSS:\s+(\d+)", status)
        if found is None:
            return None
        connections = sum(name.startswith("socket:") for name in opened)
        wal = self.data / "changeout.sqlite3-wal"
        size = wal.stat().st_size if wal.exists() else 0
        return Sample(time.monotonic(), self.pid, int(found[1]) / 1000, len(opened) - connections, connections,
                      size / 1e6)  # fmt: skip


def _opened(folder: Path) -> Iterator[str]:
    for handle in folder.iterdir():
        try:
            yield str(handle.readlink())
        except OSError:
            continue


def plain_environment() -> dict[str, str]:
    """Return the environment without a database elsewhere: what is soaked is the folder."""
    return {name: value for name, value in os.environ.items() if name != DATABASE_NAME}


def command(*words: str) -> "subprocess.CompletedProcess[str]":
    """Run one command of the program."""
    return subprocess.run(
        [sys.executable, "-m", "app", *words], cwd=ROOT, env=plain_environment(), capture_output=True, text=True,
        check=False,
    )  # fmt: skip
