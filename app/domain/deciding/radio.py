"""Deciding on holds released by voice: who receives, who sends, what is repeated, and the signature afterwards."""

from typing import assert_never

from app.domain.commands import Moment
from app.domain.deciding import crew
from app.domain.deciding.common import complain_of_permit, event_of, signature_of, working
from app.domain.deciding.gate import gate
from app.domain.events import Event
from app.domain.job import JobState
from app.domain.procedure import Role, StepKind
from app.domain.radio import HoldReleasedByRadio, RadioCommand, RadioReleaseSigned, ReleaseByRadio, SignRadioRelease
from app.domain.refused import Refused
from app.domain.signing import BY_VOICE
from app.domain.steps import Step


def radio(state: JobState, command: RadioCommand, moment: Moment) -> tuple[Event, ...]:
    """Take a release by voice, or sign one."""
    match command:
        case ReleaseByRadio():
            return _release(state, command, moment)
        case SignRadioRelease():
            return _sign(state, command, moment)
        case _:
            assert_never(command)


def _release(state: JobState, command: ReleaseByRadio, moment: Moment) -> tuple[Event, ...]:
    step = working(state, command.step)
    if step.kind is not StepKind.HOLD or not step.by_radio:
        raise Refused(
            "no_radio", f"“{step.text}” is not released by voice: the procedure forbids it. Get a signature here.",
            step=step.id, logged=True,
        )  # fmt: skip
    if moment.by.role is not Role.LEAD:
        raise Refused("receiver", "A release by voice is received by a lead on the spot. Ask one.", step=step.id,
                      logged=True)  # fmt: skip
    _complain_of_sender(state, step, command, moment)
    gate(state, step, moment)
    crew.may_release(state, step, command.sender)
    complain_of_permit(state, step, moment)
    housing = state.opened.housing.tag if state.opened else ""
    said = f"{command.housing.strip()} {command.port.strip()}".strip()
    if command.housing.strip() != housing or command.port.strip() != (step.port or ""):
        wanted = " and the port" if step.port else ""
        raise Refused(
            "repeated",
            f"Repeated was “{said}”, which is not what this hold is about. "
            f"Read the tag of the housing{wanted} to the sender, word for word.",
            step=step.id, logged=True,
        )  # fmt: skip
    if not command.confirmed:
        raise Refused("confirmed", "The sender has not confirmed what was repeated. Repeat it and wait for the answer.")
    return (
        event_of(
            HoldReleasedByRadio, state, moment, step=step.id, sender=command.sender, housing=housing, port=step.port,
            local_time=moment.local_time,
        ),
    )  # fmt: skip


def _complain_of_sender(state: JobState, step: Step, command: ReleaseByRadio, moment: Moment) -> None:
    sender = command.sender
    if sender.role is not step.role:
        raise Refused(
            "hold_role",
            f"{sender.name} is a {sender.role.words}; this hold is released by a {step.role.words}.",
            step=step.id, logged=True,
        )  # fmt: skip
    if sender.id == moment.by.id or sender.id in state.performers:
        raise Refused(
            "hold_own_work",
            f"{sender.name} receives this release or has worked on the job, and cannot give it. Call another "
            f"{step.role.words}.",
            step=step.id, logged=True,
        )  # fmt: skip


def _sign(state: JobState, command: SignRadioRelease, moment: Moment) -> tuple[Event, ...]:
    found = next((item for item in state.unsigned if item.seq == command.entry), None)
    if found is None:
        raise Refused(
            "no_release",
            f"Entry {command.entry} is no release by voice that waits for a signature. Reload the page and look again.",
        )
    if found.sender.id != moment.by.id:
        raise Refused(
            "not_sender", f"{found.sender.name} gave that release and signs it; nobody else can.", step=found.step,
            logged=True,
        )  # fmt: skip
    return (
        event_of(
            RadioReleaseSigned, state, moment, step=found.step, entry=found.seq,
            signature=signature_of(state, moment, BY_VOICE),
        ),
    )  # fmt: skip
