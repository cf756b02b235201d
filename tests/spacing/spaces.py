"""Network namespaces of one run, made and taken away again with `ip` and `nft`; needs root and Linux."""

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
READY_S = 30


def why_not() -> str:
    """Say why namespaces cannot be made here; nothing if they can."""
    if sys.platform != "linux":
        return "network namespaces are found on Linux only"
    if os.geteuid() != 0:
        return "network namespaces need root"
    if missing := [name for name in ("ip", "nft") if shutil.which(name) is None]:
        return f"{' and '.join(missing)} not found: install the packages iproute2 and nftables"
    name = f"try{os.getpid()}"
    tried = subprocess.run(
        f"ip netns add {name} && ip netns exec {name} nft add table inet tried",
        shell=True, capture_output=True, text=True, check=False,
    )  # fmt: skip
    subprocess.run(["ip", "netns", "del", name], capture_output=True, check=False)
    return "" if tried.returncode == 0 else f"network namespaces cannot be made here ({tried.stderr.strip()[:120]})"


@dataclass
class Spaces:
    """The namespaces of one run, by short names; their full names carry this process's number."""

    made: list[str] = field(default_factory=list)
    running: list[subprocess.Popen[str]] = field(default_factory=list)

    def name(self, short: str) -> str:
        """Return the full name."""
        return f"co{os.getpid()}{short}"

    def add(self, short: str) -> None:
        """Make a namespace with its loopback up."""
        _ip("netns", "add", self.name(short))
        self.made.append(short)
        _ip("-n", self.name(short), "link", "set", "lo", "up")

    def join(self, one: str, one_address: str, other: str, other_address: str) -> None:
        """Lay a line between two namespaces; each end has its address (with its prefix length)."""
        ends = (f"to{other}", f"to{one}")
        _ip("-n", self.name(one), "link", "add", ends[0], "type", "veth", "peer", "name", ends[1],
            "netns", self.name(other))  # fmt: skip
        for short, end, address in ((one, ends[0], one_address), (other, ends[1], other_address)):
            _ip("-n", self.name(short), "address", "add", address, "dev", end)
            _ip("-n", self.name(short), "link", "set", end, "up")

    def rules(self, short: str, text: str) -> None:
        """Load packet rules in a namespace."""
        subprocess.run(["ip", "netns", "exec", self.name(short), "nft", "-f", "-"], input=text, text=True, check=True)

    def counted(self, short: str, counter: str) -> int:
        """Return how many packets a named counter of the table `watch` has seen."""
        told = subprocess.run(
            ["ip", "netns", "exec", self.name(short), "nft", "list", "counter", "inet", "watch", counter],
            capture_output=True, text=True, check=True,
        ).stdout  # fmt: skip
        return int(told.split("packets", 1)[1].split()[0])

    def start(self, short: str, *command: str) -> "subprocess.Popen[str]":
        """Start a Python module in a namespace; its output is read by the caller."""
        made = subprocess.Popen(
            ["ip", "netns", "exec", self.name(short), sys.executable, "-u", "-m", *command],
            cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        )  # fmt: skip
        self.running.append(made)
        return made

    def end(self) -> None:
        """End what still runs and take the namespaces away."""
        for process in self.running:
            process.kill()
            with suppress(OSError, ValueError):
                process.communicate(timeout=READY_S)
        for short in self.made:
            subprocess.run(["ip", "netns", "del", self.name(short)], capture_output=True, check=False)


def _ip(*words: str) -> None:
    subprocess.run(["ip", *words], check=True, capture_output=True)


@contextmanager
def spaces() -> Iterator[Spaces]:
    """Give namespaces that are taken away at the end, whatever happens."""
    made = Spaces()
    try:
        yield made
    finally:
        made.end()


def wait_for(process: "subprocess.Popen[str]", words: str) -> None:
    """Read a process's output until a line holds these words; raises AssertionError with what it said instead."""
    assert process.stdout is not None
    said = []
    for line in process.stdout:
        said.append(line)
        if words in line:
            return
    raise AssertionError(f"the process ended without {words!r}: {''.join(said)[-800:]}")
