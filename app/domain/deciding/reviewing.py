"""Deciding on the review: finished work, every exception opened, nobody their own."""

from app.domain.commands import (
    Moment,
    OpenException,
    ReturnRecord,
    Submit,
)
from app.domain.containment.rules import final_faults
from app.domain.deciding.common import complain_of_no_permit, event_of, signature_of, words_of
from app.domain.deciding.lessons import none_open
from app.domain.deciding.paper import blanks_out_words
from app.domain.events import Event, ExceptionOpened, JobSubmitted, RecordAccepted, RecordReturned, SiteFinding
from app.domain.job import JobState, Stage
from app.domain.procedure import Role
from app.domain.refused import Refused
from app.domain.signing import ACCEPT, SUBMIT


def submit(state: JobState, command: Submit, moment: Moment) -> tuple[Event, ...]:
    """Hand the finished job to review."""
    if moment.by.role is not Role.LEAD:
        raise Refused("role", f"A {moment.by.role.words} cannot hand the job to review. Ask a lead.")
    if state.stage not in (Stage.WORK_DONE, Stage.RETURNED) or state.due is not None:
        due = state.due
        told = f"Due now: “{due.text}”." if due else f"The job is {state.stage}."
        raise Refused("not_finished", f"The job cannot go to review yet. {told} Finish the work first.")
    if unsigned := state.unsigned:
        raise Refused(
            "unsigned",
            f"{unsigned[0].sender.name} has yet to sign the hold released by voice at entry {unsigned[0].seq}. "
            "Get that signature first.",
        )
    if told := blanks_out_words(state):
        raise Refused("blanks_out", told)
    if state.model is not None and (faults := final_faults(state.model)):
        raise Refused("left_over", f"Rule {faults[0].rule}: {faults[0].sentence}. Settle it before review.")
    back = _handed_back(state, command)
    _complain_of_locks(state)
    _complain_of_packages(moment)
    none_open(state)
    return (event_of(JobSubmitted, state, moment, signature=signature_of(state, moment, SUBMIT), permit_back=back),)


def _handed_back(state: JobState, command: Submit) -> str | None:
    """Return to whom the permit went back; None where nothing is said of it, and then nothing is claimed."""
    if not command.permit_back.strip():
        return None
    complain_of_no_permit(state)
    return words_of(command.permit_back, "To whom the permit was handed back")


def _complain_of_locks(state: JobState) -> None:
    """Refuse to close a record over a lock that is on: somebody relies on it."""
    if not (on := [item for item in state.locks.hung if item.on]):
        return
    names = ", ".join(f"{item.by.name} (lock {item.lock}{f' on {item.tag}' if item.tag else ''})" for item in on)
    raise Refused(
        "locks_on",
        f"Still locked on: {names}. Each takes off their own lock under Locks; for one on a point of isolation a lead "
        "re-opens the job and asks for the step that takes locks off again.",
        logged=True,
    )


def _complain_of_packages(moment: Moment) -> None:
    """Refuse to close a record over a package that has no closure check, no weight or no owner."""
    if not moment.packages:
        return
    others = len(moment.packages) - 1
    more = f" ({others} more package{'' if others == 1 else 's'} open.)" if others else ""
    raise Refused("packages_open", f"{moment.packages[0]}{more}")


def _reviewing(state: JobState, moment: Moment, act: str) -> None:
    if moment.by.role is not Role.SAFETY_OFFICER:
        raise Refused(
            "role", f"A {moment.by.role.words} cannot {act}. A safety officer reviews the record.", logged=True
        )
    if state.stage is not Stage.IN_REVIEW:
        raise Refused("not_in_review", f"The job is {state.stage}, not in review. A lead hands it to review first.")


def open_exception(state: JobState, command: OpenException, moment: Moment) -> tuple[Event, ...]:
    """Open one exception and read it."""
    _reviewing(state, moment, "open exceptions for review")
    if command.of_site:
        return _open_of_site(state, command, moment)
    if command.entry not in {item.seq for item in state.notables}:
        raise Refused("no_exception", f"Entry {command.entry} is not among the exceptions of this record.")
    if command.entry in state.read:
        return ()
    return (event_of(ExceptionOpened, state, moment, entry=command.entry),)


def _open_of_site(state: JobState, command: OpenException, moment: Moment) -> tuple[Event, ...]:
    found = next((item for item in moment.findings if item.seq == command.entry), None)
    if found is None:
        raise Refused("no_exception", f"Entry {command.entry} of the site's ledger does not bear on this record.")
    if found.seq in state.read_site:
        return ()
    words = SiteFinding(kind=found.kind, sentence=found.sentence)
    return (event_of(ExceptionOpened, state, moment, entry=found.seq, site=words),)


def accept(state: JobState, moment: Moment) -> tuple[Event, ...]:
    """Accept the record as it stands."""
    _reviewing(state, moment, "accept the record")
    if moment.by.id in state.performers:
        raise Refused("own_work", f"{moment.by.name} worked on this job and cannot accept its record.", logged=True)
    _complain_of_locks(state)
    _complain_of_packages(moment)
    none_open(state)
    of_site = tuple(item for item in moment.findings if item.seq not in state.read_site)
    if unread := (*state.unread, *of_site):
        told = f"{len(unread)} exceptions have not been opened. Open each"
        told = told if len(unread) > 1 else "1 exception has not been opened. Open it"
        raise Refused("unread", f"{told}, then accept.", step=unread[0].step)
    return (event_of(RecordAccepted, state, moment, signature=signature_of(state, moment, ACCEPT)),)


def give_back(state: JobState, command: ReturnRecord, moment: Moment) -> tuple[Event, ...]:
    """Return the record with a reason."""
    _reviewing(state, moment, "return the record")
    return (event_of(RecordReturned, state, moment, reason=words_of(command.reason, "The reason")),)
