"""What every event of a job is made of: who, on which tablet, with what evidence, how it was judged, signed by whom.

The events themselves stand in `app.domain.events` and, by topic, in modules of their own; all build on this one.
"""

from typing import Literal

from pydantic import Field

from app.domain.instants import readable
from app.domain.instruments import Instrument
from app.domain.procedure import Role
from app.domain.text import Kept


class Who(Kept):
    """A person as known at that moment."""

    id: str
    name: str
    role: Role


UNSIGNED = Who(id="-unsigned", name="somebody not signed in", role=Role.TECHNICIAN)
"""Whoever stops work from a tablet at which nobody is signed in.  No person's id begins with a dash."""


class Device(Kept):
    """The tablet of a mark, what its clock said at the tap, and how far that clock is from the server's (milliseconds).

    number: the tablet's own count of what it kept while the server was out of reach.  late_ms: for how long it kept it.
    missing: the number of the mark that the tablet made before this one for the job, where the record has it not.
    recovered: the mark was made or confirmed on entries that a restore took away, and the tablet gave it back.
    knew: for a recovered one, how many entries of the job the tablet knew when it made the mark.
    covered: the screen was covered, so that whoever pressed need not be the person who is signed in there.
    """

    tablet: str
    at: str | None = None
    offset_ms: int | None = None
    number: int | None = None
    late_ms: int | None = None
    missing: int | None = None
    recovered: bool | None = None
    knew: int | None = None
    covered: bool | None = None


class Answer(Kept):
    """An answer as typed; `unit` for readings; `twice` if entered twice unseen; a photo's text is its SHA-256."""

    text: str
    unit: str | None = None
    twice: bool | None = None


class Judged(Kept):
    """How one answer stands to its limit.  why: what is wrong with an answer that no limit tells."""

    ask: str
    verdict: Literal["within", "outside", "no limit"]
    low: str | None = None
    high: str | None = None
    op: str = "<="
    unit: str | None = None
    basis: str | None = None
    why: str | None = None


class Result(Kept):
    """A computed result with its inputs, method and rounding; `verify` computes it again.

    value: in `unit`, in plain decimals.  shown: the result in words.  margin: limit less value, same unit.
    uncertainty: what is known of it, in words.  source: where the method comes from.
    """

    method: str
    inputs: dict[str, str]
    value: str
    unit: str
    shown: str
    limit: str | None = None
    op: str | None = None
    basis: str | None = None
    within: bool | None = None
    margin: str | None = None
    uncertainty: str | None = None
    source: str | None = None
    notes: tuple[str, ...] | None = None


class Evidence(Kept):
    """What a person entered at a step, and how it was judged; instruments as they were in the register that day."""

    answers: dict[str, Answer] = Field(default_factory=dict)
    instruments: tuple[Instrument, ...] | None = None
    judged: tuple[Judged, ...] = ()
    result: Result | None = None
    note: str = ""

    @property
    def within(self) -> bool:
        """Whether nothing entered lies outside its limit."""
        outside = any(item.verdict == "outside" for item in self.judged)
        return not outside and (self.result is None or self.result.within is not False)


Proof = Literal["secret entered at signing", "id and secret entered at signing"]


def proof_of(both: bool) -> Proof:
    """Say what was given for a signature.  both: the id with the secret."""
    return "id and secret entered at signing" if both else "secret entered at signing"


class Signature(Kept):
    """A person's signature: the meaning, and the ledger's head that was signed."""

    meaning: str
    size: int
    root: str
    local_time: str
    proof: Proof = "secret entered at signing"


class JobEvent(Kept):
    """Who, when, where: what every entry of a job has."""

    ledger: str
    seq: int
    at: str
    by: Who
    device: Device | None = None
    request: str | None = None


class Transcribed(Kept):
    """Where an entry came from that was written on paper first.

    happened: when, by the paper, RFC 3339 with the site's offset.  photo: SHA-256 of the photo of the page.
    hand: who did it, by the paper.  compared_by: the second person, who compared entry and paper with own secret.
    second_on_paper: the second person of the mark is whom the paper names, without a secret; before this was asked,
    whoever compared was taken for the second person.
    """

    serial: str
    happened: str
    why_late: str
    photo: str
    hand: Who
    compared_by: Who
    second_on_paper: bool | None = None


class FromHand(JobEvent):
    """What may have been written on paper first; `by` is then who entered it."""

    transcribed: Transcribed | None = None

    @property
    def hand(self) -> Who:
        """Who did it."""
        return self.transcribed.hand if self.transcribed else self.by

    @property
    def happened(self) -> str:
        """When it was done: by the paper, else, or where a forged page says no instant, by the server's clock."""
        came = self.transcribed
        return came.happened if came is not None and readable(came.happened) else self.at
