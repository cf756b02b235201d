"""A tablet that sends the marks it kept over a line that loses packets: `python -m tests.spacing.send_marks FILE`.

FILE: JSON with host, port, tablet, batch and marks (job, person, cookie and the fields of a kept mark).  Neighbours of
one job and one person make a batch; a batch without an answer is sent again, the same tokens, until it has one.  For
each answered batch one line is printed: how many marks are answered so far.  What is not taken ends the run.
"""

import http.client
import json
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from time import monotonic
from typing import Any

from tests.spacing.talk import Talk

TIMEOUT_S = 5
GIVE_UP_S = 60
FIELDS = ("n", "act", "step", "answers", "token", "device_at", "seen", "before", "before_token")


def main(path: str) -> None:
    """Send everything."""
    told = json.loads(Path(path).read_text("utf-8"))
    talk = Talk(told["host"], told["port"], told["tablet"], timeout_s=TIMEOUT_S)
    sent = 0
    for batch in batches(told["marks"], told["batch"]):
        talk.cookie = batch[0]["cookie"]
        results = send(talk, batch)
        refused = [item for item in results if not item["taken"]]
        if refused:
            sys.exit(f"REFUSED {refused[0]}")
        sent += len(batch)
        print(f"answered {sent}", flush=True)


def batches(marks: list[dict[str, Any]], most: int) -> Iterator[list[dict[str, Any]]]:
    """Yield neighbours of one job and one person."""
    batch: list[dict[str, Any]] = []
    for mark in marks:
        if batch and (len(batch) == most or (batch[0]["job"], batch[0]["person"]) != (mark["job"], mark["person"])):
            yield batch
            batch = []
        batch.append(mark)
    if batch:
        yield batch


def send(talk: Talk, batch: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Send a batch until it is answered."""
    marks = [{name: mark[name] for name in FIELDS} for mark in batch]
    body = json.dumps({"sent_at": datetime.now(UTC).isoformat(), "person": batch[0]["person"], "marks": marks})
    until = monotonic() + GIVE_UP_S
    while monotonic() < until:
        try:
            status, data = talk.ask("POST", f"/jobs/{batch[0]['job']}/kept", body, "application/json")
        except (OSError, http.client.HTTPException):
            continue
        if status == http.HTTPStatus.OK:
            found: list[dict[str, Any]] = json.loads(data)["results"]
            return found
        sys.exit(f"ANSWERED {status}: {data[:300]!r}")
    sys.exit(f"no answer for {GIVE_UP_S} s")


if __name__ == "__main__":
    main(sys.argv[1])
