"""A whole job of the sample site over the network, from signing in to the exported record, told in one word: done.

`python -m tests.spacing.whole_job HOST PORT`, as a tablet would do it.  The steps are those that the plan lays.
"""

import re
import sys
from datetime import UTC, datetime, timedelta
from hashlib import sha256

from app.commands_serve import DEMO_INSTRUMENTS, DEMO_PEOPLE
from app.domain.commands import Begin, Finish, Release
from app.domain.steps import Step
from app.services.rehearsal import commands_for
from tests.builders import CAST, EYES, HANDS, OFFICER, OTHER_LEAD, opened
from tests.spacing.talk import Talk
from tests.storage.pictures import png

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
    lead, night, hands, eyes, officer = (talks[name] for name, _, _ in DEMO_PEOPLE[:5])
    cast = {HANDS.id: hands, EYES.id: eyes, OFFICER.id: officer, OTHER_LEAD.id: night}
    names = {id(talks[name]): name for name, _, _ in DEMO_PEOPLE}
    secrets = {name: secret for name, _, secret in DEMO_PEOPLE}
    lead.post(f"/plan/{TAG}", procedure="change-out", **{f"crew.{ids[DEMO_PEOPLE[2][0]]}": "on"})
    job = "job-" + str(datetime.now(UTC).year) + "-0001"
    hands.surely("POST", f"/photos/{sha256(PICTURE).hexdigest()}/part?at=0&of={len(PICTURE)}", PICTURE)
    made_on = (datetime.now(UTC) - timedelta(days=30)).date().isoformat()
    bench = opened(TAG)  # the same job without a server, to know what is next
    while (step := bench.state.due) is not None:
        for command, by in commands_for(bench.state, CAST, made_on=made_on):
            bench.do(command, by)
            talk = cast[by.id]
            beside = {}
            if isinstance(command, Begin | Finish) and command.second is not None:
                name = names[id(cast[command.second.id])]
                beside = {"second": ids[name], "second_secret": secrets[name]}
            match command:
                case Begin():
                    talk.post(f"/jobs/{job}/marks", act="begin", step=step.id, **beside)
                case Finish():
                    given = answers_for(step, command)
                    talk.post(f"/jobs/{job}/marks", act="finish", step=step.id, **given, **beside)
                case Release():
                    name = names[id(talk)]
                    talk.post(f"/jobs/{job}/release", step=step.id, person=ids[name], secret=secrets[name])
    night.post(f"/jobs/{job}/submit", secret=secrets[DEMO_PEOPLE[1][0]])
    for entry in re.findall(r'name="entry" value="(\d+)"', officer.get(f"/jobs/{job}/review").decode()):
        officer.post(f"/jobs/{job}/exceptions", entry=entry)
    officer.post(f"/jobs/{job}/accept", secret=secrets[DEMO_PEOPLE[4][0]])
    for name in ("record.json", "record.pdf", "record.zip"):
        assert len(lead.get(f"/jobs/{job}/{name}")) > 1000
    print("done", flush=True)


def names_page(host: str, port: int) -> str:
    """The page with everybody's names."""
    return Talk(host, port, "nobody").get("/signin").decode()


def answers_for(step: Step, command: Finish) -> dict[str, str]:
    """Return the fields of the step's form, with instruments of the sample site and a photo where one must be."""
    answers = dict(command.answers)
    for asked in step.asks:
        if asked.ask.kind == "instrument" and asked.ask.id in answers:
            answers[asked.ask.id] = KINDS[str(asked.ask.measures)]
        if asked.ask.kind == "photo" and asked.ask.required:
            answers[asked.ask.id] = sha256(PICTURE).hexdigest()
    return {f"a.{name}": text for name, text in answers.items()}


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]))
