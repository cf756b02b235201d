"""What people's commands are as forms, those of `tests.web.sending` and the ones that end, leave and re-open work."""

from collections.abc import Mapping

from app.domain.commands import Command, DecideContest, ExplainStop, Finish, Reopen, StopWork, Submit
from app.domain.event_base import Who
from app.domain.job import JobState
from app.domain.leaving import DOCUMENTS, AnswerLooks, ReadNext, ReturnToWork, SignHandover, Suspend, TakeOver
from app.domain.paper import PrintBlank, ReconcileBlank
from tests.web.sending import form_of

Form = tuple[str, dict[str, str]]


def soaked_form(command: Command, by: Who, secrets: Mapping[str, str], state: JobState) -> Form:
    """Return the path within the job and the form's fields."""
    signed = {"person": by.id, "secret": secrets[by.id]}
    match command:
        case Finish():
            path, fields = form_of(command, by, secrets)
            return path, fields | ({"note": command.note} if command.note else {})
        case StopWork():
            return "stop", {}
        case ExplainStop():
            return "stop-reason", {"reason": command.reason, "text": command.text}
        case Reopen():
            return "reopen", {"answer": command.answer, **signed}
        case DecideContest():
            entries = {f"entry.{entry}": "on" for entry in command.entries}
            return "contests", {"holds": "yes" if command.holds else "no", "reason": command.reason, **entries}
        case Submit():
            return "submit", signed | {"permit_back": command.permit_back}
        case Suspend():
            seen = {f"a.{look}": told for look, told in command.seen.items()}
            permit = {"permit": command.permit, "permit_to": command.permit_to}
            words = {"reason": command.reason, "told": command.told, "next_thing": command.next_thing}
            return "suspend", words | permit | seen
        case TakeOver():
            return "handover", {"outgoing": command.outgoing.id, **{f"document.{name}": "on" for name in DOCUMENTS}}
        case SignHandover():
            return "handover-signature", signed
        case ReturnToWork():
            return "resume", {}
        case ReadNext():
            return "next-read", {}
        case AnswerLooks():
            return "looks", {f"a.{look}": told for look, told in command.answers.items()}
        case PrintBlank():
            return "blanks", {}
        case ReconcileBlank():
            number = 1 + [item.serial for item in state.paper.blanks].index(command.serial)
            return f"blanks/{number}/reconciled", {"how": command.how, "reason": command.reason}
        case _:
            return form_of(command, by, secrets)
