"""Hold points released by voice: a lead on the spot enters who spoke and what was repeated; the sender signs later.

Such a release lets the work go on only where the procedure says so for that hold, and never for an opening.  The job
does not go to review before every sender has signed.
"""

from dataclasses import dataclass, replace
from typing import Literal

from app.domain.event_base import JobEvent, Signature, Who


class HoldReleasedByRadio(JobEvent):
    """A lead on the spot took a release by radio or telephone.  by: the receiver; it is to be signed by the sender.

    housing, port: as the receiver repeated them and the sender confirmed.
    """

    type: Literal["hold_released_by_radio"] = "hold_released_by_radio"
    step: str
    sender: Who
    housing: str
    port: str | None = None
    local_time: str


class RadioReleaseSigned(JobEvent):
    """The sender signed, with their own secret, the release that they had given by voice at `entry`."""

    type: Literal["radio_release_signed"] = "radio_release_signed"
    step: str
    entry: int
    signature: Signature


RadioEvent = HoldReleasedByRadio | RadioReleaseSigned


@dataclass(frozen=True, slots=True)
class ReleaseByRadio:
    """Enter a release given by voice: who sent it, what was repeated, and that the sender confirmed it."""

    step: str
    sender: Who
    housing: str
    port: str
    confirmed: bool


@dataclass(frozen=True, slots=True)
class SignRadioRelease:
    """Sign a release that one has given by voice; the secret of `Moment.by` was entered for this and was right."""

    entry: int


RadioCommand = ReleaseByRadio | SignRadioRelease


@dataclass(frozen=True, slots=True)
class Radio:
    """Releases by voice, and the entries that signed them."""

    given: tuple[HoldReleasedByRadio, ...] = ()
    signed: frozenset[int] = frozenset()


def evolve_radio(state: Radio, event: RadioEvent) -> Radio:
    """Return the releases by voice after one more event."""
    if isinstance(event, HoldReleasedByRadio):
        return replace(state, given=(*state.given, event))
    return replace(state, signed=state.signed | {event.entry})
