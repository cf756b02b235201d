"""What people's commands are as forms: where each goes, and its fields; for tests that work through HTTP alone."""

from collections.abc import Mapping

from app.domain.commands import Begin, Command, Finish, Release
from app.domain.crew import Acknowledge, ConfirmPause
from app.domain.event_base import Who
from app.domain.lessons import AnswerDeviation
from app.domain.locks import LockPoint, NamePoint, UnlockPoint
from app.domain.watching import TakeReading
from app.web.views.crew import SPOKEN_ALOUD


def form_of(command: Command, by: Who, secrets: Mapping[str, str]) -> tuple[str, dict[str, str]]:
    """Return the path within the job and the form's fields; secrets: by the person's id."""
    match command:
        case Begin() | Finish():
            act = "begin" if isinstance(command, Begin) else "finish"
            fields = {"act": act, "step": command.step, **{f"a.{name}": told for name, told in command.answers.items()}}
            if command.second is not None:
                fields |= {"second": command.second.id, "second_secret": secrets[command.second.id]}
            return "marks", fields
        case Release():
            return "release", {"step": command.step, "person": by.id, "secret": secrets[by.id]}
        case Acknowledge():
            given = {"part": str(command.part), "words": command.words}
            return "brief", given | {"person": by.id, "secret": secrets[by.id]}
        case ConfirmPause():
            return "pause", {"step": command.step, **{f"{SPOKEN_ALOUD}{person}": "on" for person in command.aloud}}
        case LockPoint():
            return "rows", {"act": "on", "step": command.step, "point": command.point, "seen": command.seen,
                            "lock": command.lock, "tag_number": command.tag_number}  # fmt: skip
        case NamePoint():
            return "rows", {"act": "name", "step": command.step, "new_tag": command.tag, "new_kind": command.kind,
                            "new_safe": command.safe}  # fmt: skip
        case UnlockPoint():
            return "rows", {"act": "off", "step": command.step, "point": command.point}
        case TakeReading():
            return "reading", {"reading": command.text}
        case AnswerDeviation():
            return "questions", {"entry": str(command.entry), "differed": command.differed, "why": command.why,
                                 "change": command.change}  # fmt: skip
        case _:
            raise AssertionError(f"no form is known for {type(command).__name__}")
