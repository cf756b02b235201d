"""Paper for when tablets fail: numbered blanks, and marks that come back from them.

Events, commands, state and fold of the topic.  Rules kept here:
- what comes from paper says so for ever: from which blank, when it happened, why late, who compared it;
- every blank that was printed is accounted for: returned, attached or voided.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Literal, assert_never

from app.domain.crew import ConfirmPause
from app.domain.event_base import FromHand, JobEvent, Transcribed, Who
from app.domain.locks import LockPoint, NamePoint, OwnLockOff, OwnLockOn, PutOwnLockOn, TakeOwnLockOff, UnlockPoint
from app.domain.watching import ReadingRepeated, TakeReading

How = Literal["returned", "attached", "voided"]
HOW_WORDS: dict[How, str] = {
    "returned": "returned, its pages photographed",
    "attached": "attached: its pages stand beside the marks taken from it",
    "voided": "voided, with a reason",
}


class BlankPrinted(JobEvent):
    """The record so far and the steps to come were printed as a controlled blank."""

    type: Literal["blank_printed"] = "blank_printed"
    serial: str
    step: str
    steps: int


class BlankReconciled(JobEvent):
    """A blank was accounted for; `reason` says where it lies or why it is void."""

    type: Literal["blank_reconciled"] = "blank_reconciled"
    serial: str
    how: How
    photo: str | None = None
    reason: str = ""


PaperEvent = BlankPrinted | BlankReconciled


@dataclass(frozen=True, slots=True)
class PrintBlank:
    """Print what is left of the job as a controlled blank."""


@dataclass(frozen=True, slots=True)
class Transcribe:
    """Enter what stands on paper for the step that is due.  began, happened: RFC 3339 with the site's offset.

    began: for a step of two marks that was begun on paper too.  `Moment.by` writes; compared_by has entered a secret.
    reconciled: why two entries of a number had differed, once they have.  beside: for a step that takes two people,
    whom the paper names as the second one at the work.
    """

    step: str
    serial: str
    happened: str
    why_late: str
    photo: str
    hand: Who
    compared_by: Who
    began: str | None = None
    answers: Mapping[str, str] = field(default_factory=dict)
    note: str = ""
    reconciled: str | None = None
    beside: Who | None = None


Beside = NamePoint | LockPoint | UnlockPoint | PutOwnLockOn | TakeOwnLockOff | ConfirmPause | TakeReading
"""What a page holds beside the marks: rows of locks, everybody's own locks, pauses, repeated readings."""


@dataclass(frozen=True, slots=True)
class TranscribeBeside:
    """Enter what a page holds beside the marks.  act: as whoever wrote it did it there; the rest as in `Transcribe`.

    hand: for a pause the first of those who spoke: each of them speaks for themselves.
    """

    act: Beside
    serial: str
    happened: str
    why_late: str
    photo: str
    hand: Who
    compared_by: Who


@dataclass(frozen=True, slots=True)
class ReconcileBlank:
    """Account for a blank."""

    serial: str
    how: str
    photo: str = ""
    reason: str = ""


PaperCommand = PrintBlank | Transcribe | TranscribeBeside | ReconcileBlank


@dataclass(frozen=True, slots=True)
class Blank:
    """One blank.  step: the first on it.  steps: how many.  seq, at, by: its printing.  how: None while it is out."""

    serial: str
    step: str
    steps: int
    seq: int
    at: str
    by: Who
    how: How | None = None


@dataclass(frozen=True, slots=True)
class Paper:
    """All blanks of a job, in the order printed, and what came back.

    used: serials from which something was entered.  last: when the newest step, row or pause from paper happened.
    newest: the newest entry from paper.
    """

    blanks: tuple[Blank, ...] = ()
    used: frozenset[str] = frozenset()
    last: str = ""
    newest: FromHand | None = None

    def blank(self, serial: str) -> Blank | None:
        """Return the blank with this serial number."""
        return next((item for item in self.blanks if item.serial == serial), None)

    @property
    def out(self) -> tuple[Blank, ...]:
        """The blanks that are not accounted for."""
        return tuple(item for item in self.blanks if item.how is None)


def evolve_paper(state: Paper, event: PaperEvent) -> Paper:
    """Return the state after one more event of the topic; total, and never refuses history."""
    match event:
        case BlankPrinted():
            made = Blank(event.serial, event.step, event.steps, event.seq, event.at, event.by)
            return replace(state, blanks=(*state.blanks, made))
        case BlankReconciled():
            blanks = tuple(
                replace(item, how=event.how) if item.serial == event.serial else item for item in state.blanks
            )
            return replace(state, blanks=blanks)
        case _:
            assert_never(event)


def taken_from(state: Paper, event: FromHand, came: Transcribed) -> Paper:
    """Return the state after an entry that came from paper; one that goes beside the steps has no place among them."""
    beside = isinstance(event, OwnLockOn | OwnLockOff | ReadingRepeated)
    last = state.last if beside else came.happened
    return replace(state, used=state.used | {came.serial}, last=last, newest=event)
