"""The two runs: a whole job in a space whose only way out is a trap, and tablets behind lines that lose packets."""

import json
import subprocess
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from uuid import uuid4

from app.bootstrap import start
from app.domain.events import Event
from app.settings import Settings
from tests.benching.site import prepare
from tests.spacing.spaces import READY_S, Spaces, wait_for

PORT = 8077
WATCH = """
table inet watch {{
  counter answers {{ }}
  counter others {{ }}
  chain out {{
    type filter hook output priority 0;
    oifname "lo" udp dport 53 counter name others drop
    oifname "lo" accept
    meta l4proto ipv6-icmp accept
    tcp sport {port} tcp flags & (syn|ack) != syn counter name answers accept
    counter name others drop
  }}
}}
"""
"""Everything that leaves and is no answer from our port is counted; IPv6's own neighbour messages are the kernel's."""
LOSES = """
table inet lossy {{
  chain arriving {{
    type filter hook input priority 0;
    iifname "to*" numgen random mod 100 < {percent} drop
  }}
}}
"""


@dataclass(frozen=True, slots=True)
class Watched:
    """What left: answers to the tablet, and anything else (packets)."""

    answers: int
    others: int


def watched_job(spaces: Spaces, folder: Path, *, program: str = "app", whole: bool = True) -> Watched:
    """Serve the sample site where the only route leads to a trap, do a whole job from there, export and back up."""
    spaces.add("d")
    spaces.add("trap")
    spaces.join("d", "10.78.0.1/24", "trap", "10.78.0.2/24")
    subprocess.run(["ip", "-n", spaces.name("d"), "route", "add", "default", "via", "10.78.0.2"], check=True)
    spaces.rules("d", WATCH.format(port=PORT))
    server = spaces.start("d", program, "demo", "--data", str(folder), "--host", "10.78.0.1", "--port", str(PORT))
    wait_for(server, "Open http")
    if whole:
        wait_for(spaces.start("trap", "tests.spacing.whole_job", "10.78.0.1", str(PORT)), "done")
        copy = spaces.start("d", "app", "backup", str(folder.with_name("copy")), "--data", str(folder))
        wait_for(copy, "good")
    server.terminate()  # what is begun in the background may be deaf to an interrupt
    server.communicate(timeout=READY_S)
    return Watched(spaces.counted("d", "answers"), spaces.counted("d", "others"))


@dataclass
class Crossed:
    """What arrived of the marks that two tablets sent.  wrong: a sentence for everything lost, doubled or misplaced."""

    sent: int
    kills: int
    wrong: list[str] = field(default_factory=list)


def lossy_crossing(spaces: Spaces, folder: Path, *, marks: int, percent: int = 20, kills: int = 2) -> Crossed:
    """Let two tablets send so many marks each over lines that lose packets, the server killed on the way."""
    each = dealt_marks(folder / "site", marks)
    spaces.add("s")
    for number in (1, 2):
        spaces.add(f"t{number}")
        spaces.join("s", f"10.77.{number}.1/24", f"t{number}", f"10.77.{number}.2/24")
        spaces.rules(f"t{number}", LOSES.format(percent=percent))
    spaces.rules("s", LOSES.format(percent=percent))
    server = _served(spaces, folder / "site")
    senders = []
    for number, dealt in enumerate(each, start=1):
        told = {"host": f"10.77.{number}.1", "port": PORT, "tablet": f"tablet {number}", "batch": 10, "marks": dealt}
        path = folder / f"tablet-{number}.json"
        path.write_text(json.dumps(told), "utf-8")
        senders.append(spaces.start(f"t{number}", "tests.spacing.send_marks", str(path)))
    for turn in range(1, kills + 1):
        wait_for(senders[0], f"answered {_whole_batches(each[0], turn, kills)}")
        server.kill()
        server.communicate(timeout=READY_S)
        server = _served(spaces, folder / "site")
    said = [sender.communicate()[0] for sender in senders]
    server.kill()
    server.communicate(timeout=READY_S)
    wrong = [f"tablet {n}: {text[-300:]}" for n, (sender, text) in enumerate(zip(senders, said, strict=True), start=1)
             if sender.returncode]  # fmt: skip
    return Crossed(sum(map(len, each)), kills, wrong + wrong_marks(folder / "site", each))


def _served(spaces: Spaces, site: Path) -> "subprocess.Popen[str]":
    server = spaces.start("s", "app", "serve", "--data", str(site), "--host", "0.0.0.0", "--port", str(PORT))
    wait_for(server, "Open http")
    return server


def _whole_batches(dealt: list[dict[str, Any]], turn: int, kills: int) -> str:
    """Return how many marks are answered after so much of the way, as the sender will print it."""
    from tests.spacing.send_marks import batches

    upto, wanted = 0, len(dealt) * turn // (kills + 1)
    for batch in batches(dealt, 10):
        upto += len(batch)
        if upto >= wanted:
            break
    return str(upto)


def dealt_marks(site: Path, marks: int) -> list[list[dict[str, Any]]]:
    """Make a site with enough jobs and deal each tablet marks of its own, as they would be kept."""
    stretch = 60
    made = prepare(site, 2 * (marks // stretch + 1), finished=False)
    running = start(Settings(data=site))
    try:
        who = {cookie: running.site.sessions.find(cookie) for cookie in made.cookies.values()}
        dealt = []
        for number, work in enumerate(made.marks(2, marks), start=1):
            own = {cookie: running.site.sessions.begin(known.who, f"tablet {number}")
                   for cookie, known in who.items() if known}  # fmt: skip
            rows, before = [], ("", 0, "")
            for n, (job, cookie, step, act, answers) in enumerate(work, start=1):
                person = next(known.who.id for key, known in who.items() if key == cookie and known)
                token = uuid4().hex
                last = before if before[0] == job else (job, 0, "")
                rows.append({
                    "job": job, "person": person, "cookie": f"changeout_session={own[cookie]}", "n": n, "act": act,
                    "step": step, "answers": answers, "token": token, "device_at": "2026-01-01T00:00:00Z", "seen": 1,
                    "before": last[1], "before_token": last[2],
                })  # fmt: skip
                before = (job, n, token)
            dealt.append(rows)
        return dealt
    finally:
        running.close()


def wrong_marks(site: Path, each: list[list[dict[str, Any]]]) -> list[str]:
    """Start on the folder as after any crash and hold what stands against what was sent."""
    running = start(Settings(data=site))
    try:
        jobs = sorted({mark["job"] for dealt in each for mark in dealt})
        events: list[Event] = [event for job in jobs for event in running.site.jobs.events(job)]
    finally:
        running.close()
    counted = Counter(event.request for event in events)
    found = [f"mark {mark['n']} of {mark['job']} stands {counted[mark['token']]} times"
             for dealt in each for mark in dealt if counted[mark["token"]] != 1]  # fmt: skip
    for tablet in ("tablet 1", "tablet 2"):
        for job in jobs:
            numbers = [event.device.number for event in events
                       if event.ledger == job and event.device and event.device.tablet == tablet]  # fmt: skip
            plain = [n for n in numbers if n is not None]
            if plain != sorted(set(plain)):
                found.append(f"the marks of {tablet} stand in {job} in another order: {plain}")
    if gaps := [event.seq for event in events if event.device and event.device.missing is not None]:
        found.append(f"{len(gaps)} entries speak of marks missing before them")
    return found
