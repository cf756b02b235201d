"""The server of a schedule: the real service over a store in memory, killed, backed up and restored at will."""

from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import lru_cache
from hashlib import sha256

from app.calc.errors import Invalid
from app.domain.commands import Command, ExplainStop, Open, Reopen, StopWork
from app.domain.event_base import Who
from app.domain.events import Event, MarkContested, MarkJoined, StepBegun, StepDone, StepOutside
from app.domain.history import unlawful
from app.domain.job import UNSETTLING, JobState, Stage, fold
from app.domain.refused import Refused
from app.domain.restores import present_line, restores_of
from app.domain.site import SITE_LEDGER, LedgerEnd, SiteRestored, SiteStarted
from app.records.moments import utc_text
from app.services.jobs import Asked, Jobs
from app.services.planning import first_entry, plan
from tests.builders import (
    EYES,
    HANDS,
    LEAD,
    OTHER_LEAD,
    START,
    Bench,
    housing,
    keep_made_up_instruments,
    let_texts_in,
    procedure,
)
from tests.scheduling.memory import Kept, MemoryStore

OUTCOMES = (StepBegun, StepDone, StepOutside, MarkJoined, MarkContested)
"""What may become of a mark at a step."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of the job as the laws look at it.

    number: of a kept mark; None for what came straight.  outcome: whether a mark at a step may become this.
    unsettles: after it, a mark by somebody who did not know of it must not be taken in silence.
    """

    seq: int
    kind: str
    request: str | None
    tablet: str
    number: int | None
    recovered: bool
    outcome: bool
    contested: bool
    unsettles: bool


def entry_of(event: Event) -> Entry:
    """Return what the laws look at."""
    device = event.device
    return Entry(
        seq=event.seq,
        kind=event.type,
        request=event.request,
        tablet=device.tablet if device else "",
        number=device.number if device else None,
        recovered=bool(device and device.recovered),
        outcome=isinstance(event, OUTCOMES),
        contested=isinstance(event, MarkContested),
        unsettles=type(event) in UNSETTLING,
    )


class NoPhotos:
    """No step of these schedules has a photo."""

    def read(self, sha256_hex: str) -> bytes:
        """Refuse."""
        raise AssertionError(sha256_hex)

    def need(self, sha256_hex: str) -> None:
        """Refuse."""
        raise AssertionError(sha256_hex)

    def keep(self, data: bytes) -> "NoPhotos":
        """Refuse."""
        raise AssertionError(data)

    @property
    def sha256(self) -> str:
        """Refuse."""
        raise AssertionError


@dataclass
class Server:
    """The server at one moment of virtual time.  backups: what each held, with a name that stands for its manifest."""

    store: MemoryStore
    job: str
    now: datetime = START
    backups: list[tuple[str, Kept]] = field(default_factory=list)
    restores: int = 0
    made: int = 0
    """So many requests were made at the desk, and backups; no token of a request is used again."""

    def __post_init__(self) -> None:
        self.jobs = Jobs(self.store, NoPhotos(), self._clock, unprintable=lambda _: None)

    def _clock(self) -> datetime:
        self.now += timedelta(milliseconds=1)
        return self.now

    @property
    def line(self) -> str:
        """The line of entries that the site is on."""
        return present_line(self.jobs.site())

    @property
    def state(self) -> JobState:
        """The job."""
        return self.jobs.state(self.job)

    @property
    def payloads(self) -> tuple[bytes, ...]:
        """The job's entries as kept."""
        return self.store.kept.payloads[self.job]

    @property
    def requests(self) -> Collection[str]:
        """The tokens that are used up."""
        return self.store.kept.requests

    def events(self) -> tuple[Event, ...]:
        """The job's entries as read."""
        return self.jobs.events(self.job)

    def entries(self) -> tuple[Entry, ...]:
        """The job's entries as the laws look at them."""
        return tuple(entry_of(event) for event in self.events())

    def lines(self) -> set[str]:
        """Every line of entries that the site's record knows."""
        return {"", *(restore.line for restore in restores_of(self.jobs.site(), self.job))}

    def unsound(self) -> Iterator[str]:
        """What is wrong with the record itself."""
        events = self.events()
        yield from (f"unlawful: {told}" for told in unlawful(events))
        if fold(events) != self.state:
            yield "the state at hand is not the fold of the entries"

    def at_the_desk(self, act: str) -> None:
        """Let somebody at the desk go on, stop or re-open; what the rules refuse there is no matter of the tablets'."""
        try:
            match act:
                case "stop":
                    self.do(StopWork(), EYES)
                case "re-open" if self.state.stage is Stage.STOPPED:
                    self.do(ExplainStop("unexpected", "a sound"), EYES)
                    self.do(Reopen("looked at, safe to go on"), OTHER_LEAD)
                case _:
                    for command, by in Bench(self.state).due_commands():
                        self.do(command, by)
        except (Refused, Invalid):
            pass

    def do(self, command: Command, by: Who) -> None:
        """Let somebody at the desk carry out a command."""
        self.made += 1
        self.jobs.record(self.job, command, Asked(by, "desk", token=f"desk-{self.made:012}-{self.restores}")).result()

    def take(self, command: Command, asked: Asked) -> str | None:
        """Take one mark; None if it is taken, else the sentence.  A refusal that is an entry is told, too."""
        try:
            recorded = self.jobs.record(self.job, command, asked).result()
        except (Refused, Invalid) as no:
            return str(no)
        return str(recorded.refused) if recorded.refused else None

    def back_up(self) -> None:
        """Copy everything."""
        self.made += 1
        name = sha256(f"{self.made} {len(self.backups)}".encode()).hexdigest()
        self.backups.append((name, self.store.kept))

    def restore(self, which: int) -> frozenset[str]:
        """Go on from a backup, as a start after `changeout restore` does; return the tokens that were lost."""
        name, kept = self.backups[which]
        lost = frozenset(self.store.kept.requests) - frozenset(kept.requests)
        self.store.kept = kept
        self.restores += 1
        heads = tuple(
            LedgerEnd(ledger=ledger, size=tip.size, root=tip.frontier.root().hex()) for ledger, tip in kept.tips.items()
        )
        made_at = utc_text(self.now)
        self.jobs.write_site(
            lambda _, seq, at: SiteRestored(seq=seq, at=at, manifest=name, made_at=made_at, heads=heads)
        ).result()
        return lost


@lru_cache(maxsize=4)
def begun(zone: str = "UTC") -> tuple[Kept, str, int]:
    """Return a site with one job at the gathering of its first bag, and how many requests it took."""
    server = empty_site(zone)
    open_job(server)
    while (due := server.state.due) is not None and not due.id.endswith("gather"):
        for command, by in Bench(server.state).due_commands():
            server.do(command, by)
    assert SITE_LEDGER in server.store.kept.tips
    return server.store.kept, server.job, server.made


def empty_site(zone: str = "UTC") -> Server:
    """Return a site without jobs."""
    server = Server(MemoryStore(), "")
    server.jobs.write_site(
        lambda _, seq, at: SiteStarted(seq=seq, at=at, site="Sample Works", zone=zone, key_id="0" * 16)
    ).result()
    let_texts_in(server.jobs)
    keep_made_up_instruments(server.jobs)
    return server


def open_job(server: Server) -> None:
    """Open a job on the first sample housing, without repeated readings: here hours pass between two marks."""
    made = plan(housing(), procedure(), "0" * 64)
    draft = first_entry(made, site=server.jobs.site(), by=LEAD, at=utc_text(START), crew=(HANDS, EYES), rehearsal=False)
    server.job = draft.ledger
    server.do(Open(draft.model_copy(update={"repeated": None})), LEAD)


def fresh_server(zone: str = "UTC") -> Server:
    """Return a server of one's own, as `begun` left it."""
    kept, job, made = begun(zone)
    return Server(MemoryStore(kept), job, now=START + timedelta(days=1), made=made)
