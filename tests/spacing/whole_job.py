"""A whole job of the sample site over the network, from signing in to the exported record, told in one word: done.

`python -m tests.spacing.whole_job HOST PORT`, as a tablet would do it.  The steps are those that the plan lays.
"""

import re
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from hashlib import sha256

from app.commands_serve import DEMO_INSTRUMENTS, DEMO_PEOPLE
from app.domain.commands import Finish
from app.domain.event_base import Who
from app.domain.steps import Step
from app.services.rehearsal import Cast, commands_for
from tests.builders import opened
from tests.spacing.talk import Talk
from tests.storage.pictures import png
from tests.web.sending import form_of

TAG = "EF-07"
KINDS = {kind: name for name, kind, _, _, due, _ in DEMO_INSTRUMENTS if due > 0}
PICTURE = png(4, 3)


def main(host: str, port: int) -> None:
    """Do it."""
    shown = re.findall(r'value="([^"]+)" required><span>([^<]+)<br>', names_page(host, port))
    ids = {name: person for person, name in shown}
    talks: dict[str, Talk] = {}
    for name, _, secret in DEMO_PEOPLE:
        talks[name] = Talk(host, port, f"tablet {len(talks)}")
        talks[name].sign_in(ids[name], secret)
    lead, night, hands, _, officer = (talks[name] for name, _, _ in DEMO_PEOPLE[:5])
    secrets = {ids[name]: secret for name, _, secret in DEMO_PEOPLE}
    people = [Who(id=ids[name], name=name, role=role) for name, role, _ in DEMO_PEOPLE]
    parts = Cast(hands=people[2], eyes=people[3], officer=people[4], lead=people[1])
    talk_of = {ids[name]: talk for name, talk in talks.items()}
    lead.post(f"/plan/{TAG}", procedure="change-out", **{f"crew.{ids[DEMO_PEOPLE[2][0]]}": "on"})
    job = lead.led_to.split("/")[2]
    hands.surely("POST", f"/photos/{sha256(PICTURE).hexdigest()}/part?at=0&of={len(PICTURE)}", PICTURE)
    made_on = (datetime.now(UTC) - timedelta(days=30)).date().isoformat()
    bench = opened(TAG, crew=(parts.hands,), briefed=False)  # the same job without a server, to know what is next
    bench.now = datetime.now(UTC)
    while (step := bench.state.due) is not None:
        for command, by in commands_for(bench.state, parts, made_on=made_on):
            bench.do(command, by)
            told = replace(command, answers=answers_for(step, command)) if isinstance(command, Finish) else command
            path, fields = form_of(told, by, secrets)
            talk_of[by.id].post(f"/jobs/{job}/{path}", **fields)
    packages = re.findall(r'name="(p\.[^"]+)"', hands.get(f"/jobs/{job}/packages").decode())
    hands.post(f"/jobs/{job}/packages/facts", **dict.fromkeys(packages, "on"), no_scale="no scale here")
    night.post(f"/jobs/{job}/submit", permit_back="by hand", secret=secrets[people[1].id], person=people[1].id)
    for entry in re.findall(r'name="entry" value="(\d+)"', officer.get(f"/jobs/{job}/review").decode()):
        officer.post(f"/jobs/{job}/exceptions", entry=entry)
    officer.post(f"/jobs/{job}/accept", secret=secrets[people[4].id], person=people[4].id)
    for name in ("record.json", "record.pdf", "record.zip"):
        assert len(lead.get(f"/jobs/{job}/{name}")) > 1000
    print("done", flush=True)


def names_page(host: str, port: int) -> str:
    """The page with everybody's names."""
    return Talk(host, port, "nobody").get("/signin").decode()


def answers_for(step: Step, command: Finish) -> dict[str, str]:
    """Return the answers of a step, with instruments of the sample site and a photo where one must be."""
    answers = dict(command.answers)
    for asked in step.asks:
        if asked.ask.kind == "instrument" and asked.ask.id in answers:
            answers[asked.ask.id] = KINDS[str(asked.ask.measures)]
        if asked.ask.kind == "photo" and asked.ask.required:
            answers[asked.ask.id] = sha256(PICTURE).hexdigest()
    return answers


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]))
