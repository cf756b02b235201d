"""Two tablets replay what they kept over lines that lose and double requests, the server killed every 200 marks."""

import http.client
import json
import socket
from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from queue import Empty, SimpleQueue
from random import Random
from threading import Thread
from time import monotonic, sleep
from typing import Any

from tests.soaking.life import a_life
from tests.soaking.line import HOST
from tests.soaking.run import Soaked
from tests.soaking.tablet import BATCH
from tests.soaking.unruly import Unruly, unruly_lines
from tests.spacing.runs import dealt_marks, wrong_marks
from tests.spacing.send_marks import FIELDS, batches
from tests.spacing.talk import Talk

KILLED_EVERY = 200
ANSWER_S = 30
"""A tablet that had no answer for so long has found a fault."""


@dataclass
class Sender:
    """One tablet that sends its marks in order, a batch again until it is answered, until it is over."""

    marks: list[dict[str, Any]]
    line: Unruly
    end: float
    answered: int = 0
    tries: int = 0
    wrong: list[str] = field(default_factory=list)

    def work(self, told: "SimpleQueue[int]") -> None:
        """Send batch after batch; each that is answered is told of."""
        talk = Talk(HOST, self.line.port, "", timeout_s=ANSWER_S)
        for batch in batches(self.marks, BATCH):
            if self.wrong or monotonic() > self.end:
                break
            talk.cookie = batch[0]["cookie"]
            self.wrong += [f"{item['n']}: {item['told']}" for item in self._sent(talk, batch) if not item["taken"]]
            self.answered += len(batch)
            told.put(len(batch))
        told.put(0)

    def _sent(self, talk: Talk, batch: list[dict[str, Any]]) -> list[dict[str, Any]]:
        marks = [{name: mark[name] for name in FIELDS} for mark in batch]
        until = monotonic() + ANSWER_S
        while monotonic() < until:
            self.tries += 1
            sent = {"sent_at": datetime.now(UTC).isoformat(), "person": batch[0]["person"], "marks": marks}
            try:
                status, data = talk.ask("POST", f"/jobs/{batch[0]['job']}/kept", json.dumps(sent), "application/json")
            except (OSError, http.client.HTTPException):
                continue
            if status == http.HTTPStatus.OK:
                found: list[dict[str, Any]] = json.loads(data)["results"]
                return found
            self.wrong.append(f"answered with {status}: {data[:200]!r}")
            return []
        self.wrong.append(f"no answer for {ANSWER_S} s")
        return []


def replay(place: Path, *, marks: int, seconds: float, seed: int) -> Soaked:
    """Replay so many marks, or as many as there is time for; how many it were is told."""
    came, chance, site = Soaked(), Random(seed), place / "site"
    begun = monotonic()
    each = dealt_marks(site, -(-marks // 2))
    came.told.append(f"{sum(map(len, each))} marks prepared in {monotonic() - begun:.0f} s")
    door = socket.create_server((HOST, 0), backlog=512)
    log = place / "server.log"
    log.touch()
    begun, told = monotonic(), SimpleQueue[int]()
    with unruly_lines(door.getsockname()[1], 2, chance) as laid:
        senders = [Sender(dealt, line, begun + seconds) for dealt, line in zip(each, laid, strict=True)]
        hands = [Thread(target=sender.work, args=(told,), daemon=True) for sender in senders]
        kills = _lives(site, door, log, hands, told, chance)
        took = monotonic() - begun
    door.close()
    sent = [dealt[: sender.answered] for dealt, sender in zip(each, senders, strict=True)]
    came.wrong += [f"tablet {n}: {said}" for n, sender in enumerate(senders, start=1) for said in sender.wrong]
    came.wrong += wrong_marks(site, sent)
    text = log.read_text("utf-8", "replace")
    if "Traceback" in text:
        came.wrong.append("the server's log has a traceback: " + text[text.index("Traceback") :][:1500])
    happened: Counter[str] = sum((line.happened for line in laid), Counter())
    came.told.append(
        f"{sum(map(len, sent))} marks replayed in {took:.0f} s, {kills} kills: "
        + ", ".join(f"{number} {what}" for what, number in sorted(happened.items()))
    )  # fmt: skip
    return came


def _lives(
    site: Path, door: socket.socket, log: Path, hands: list[Thread], told: "SimpleQueue[int]", chance: Random
) -> int:
    """Kill and start the program until both tablets are done; return how often it was killed."""
    kills, life = 0, a_life(site, door, log)
    for hand in hands:
        hand.start()
    answered = 0
    while any(hand.is_alive() for hand in hands):
        try:
            answered += told.get(timeout=0.5)
        except Empty:
            assert life.exitcode is None, f"the server ended by itself with {life.exitcode}: {log.read_text()[-600:]}"
            continue
        if answered >= KILLED_EVERY:
            answered -= KILLED_EVERY
            sleep(chance.random() * 0.03)
            life.kill()
            life.join()
            kills += 1
            life = a_life(site, door, log)
    life.kill()
    life.join()
    return kills
