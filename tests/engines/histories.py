"""The same random histories on both engines, and what must come out the same to the byte.

Each history is one job: mostly the next thing by the right person, now and then anything by anybody, marks kept out of
reach, forms sent twice. All histories of a group go on in lockstep, one command each, so that one batch of the writer
holds many of them. Clock, signer and random numbers are handed in; nothing else differs but the engine.
"""

import tempfile
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from hashlib import sha256
from pathlib import Path
from random import Random

from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from sqlalchemy import Engine, select

from app.calc.errors import ChangeoutError
from app.domain.commands import (
    Accept,
    Begin,
    Command,
    Correct,
    ExplainStop,
    Finish,
    Late,
    Open,
    OpenException,
    Release,
    Reopen,
    ReturnRecord,
    StopWork,
    Submit,
    TakeWayOut,
    Withdraw,
    WriteNote,
)
from app.domain.event_base import Who
from app.domain.events import JobOpened, event_from_bytes
from app.domain.job import JobState, Stage
from app.domain.site import SITE_LEDGER, SiteStarted, SiteState
from app.domain.steps import Step
from app.ledger.check import check_entries
from app.ledger.heads import key_id_of
from app.records.moments import utc_text
from app.services.export import Material, record_json
from app.services.jobs import Asked, Jobs, Recorded
from app.services.planning import first_entry, plan
from app.services.rehearsal import Cast, commands_for, made_up_answers
from app.services.waste import WasteBook
from app.storage import engine_postgresql
from app.storage.engine import open_engine
from app.storage.photos import PhotoStore
from app.storage.tables import ENTRY, REQUEST, create_schema
from app.storage.writer import Store
from tests.builders import (
    EYES,
    HANDS,
    LEAD,
    OFFICER,
    OTHER_LEAD,
    PEOPLE,
    account_for_packages,
    housing,
    keep_made_up_instruments,
    let_texts_in,
    procedure,
)
from tests.ledger.signing import TestSigner, certificate_for

GROUP = 1000
FAR_EVERY = 100
"""Histories in lockstep, and of how many one goes on to its end."""
REOPENED_EVERY = 1
"""Groups until the stores are closed and opened again, so that tips are read from the database."""
PLANS = (("EF-07", "change-out"), ("EF-03", "change-out"), ("EF-03", "first-fit-out"), ("EF-11", "change-out"))
SHORT, WHOLE_EVERY = 7, 20
"""Steps of most jobs, chosen among those that need no others; of how many histories one is a whole change-out."""
PARTS = Cast(hands=HANDS, eyes=EYES, officer=OFFICER, lead=OTHER_LEAD)
WAIT_S = 120
_LEAVES = select(ENTRY.c.leaf).order_by(ENTRY.c.seq)
_REQUESTS = select(REQUEST).order_by(REQUEST.c.seq, REQUEST.c.token)


@dataclass
class Clock:
    """A clock that is told."""

    now: datetime = datetime(2026, 3, 2, 7, 15, tzinfo=UTC)

    def __call__(self) -> datetime:
        """Return what was told."""
        return self.now


class SameSigner(TestSigner):
    """A signer whose signature of equal bytes is equal (RFC 6979), with a key made from a number."""

    __slots__ = ()

    def sign(self, message: bytes) -> bytes:
        """Sign with ECDSA, P-256, SHA-256, without a random number."""
        return self.key.sign(message, ec.ECDSA(hashes.SHA256(), deterministic_signing=True))


def same_signer(number: int = 20261125) -> SameSigner:
    """Make the signer of a number; two of one number sign alike, and their certificates are of one key."""
    key = ec.derive_private_key(number, ec.SECP256R1())
    pem = _certificate(number)
    return SameSigner(key, pem, key_id_of(pem))


@lru_cache
def _certificate(number: int) -> str:
    return certificate_for(ec.derive_private_key(number, ec.SECP256R1()), digest=hashes.SHA256())


@dataclass
class Side:
    """One engine, with its store and its jobs."""

    folder: Path
    address: str | None
    clock: Clock
    signer: SameSigner
    engine: Engine = field(init=False)
    store: Store = field(init=False)
    jobs: Jobs = field(init=False)

    def open(self) -> None:
        """Open the database, made if need be."""
        self.engine = open_engine(self.folder / "changeout.sqlite3", self.address)
        create_schema(self.engine)
        self.store = Store(self.engine, self.signer, self.clock, tips_kept=2 * GROUP)
        self.jobs = Jobs(self.store, PhotoStore(self.folder), self.clock, unprintable=lambda _: None)

    def close(self) -> None:
        """Close it."""
        self.store.close()
        self.engine.dispose()

    def digest(self, ledger: str, made_at: str, *, with_record: bool) -> str:
        """Return the SHA-256 over all that is kept of a ledger, and over the signed record of a job."""
        whole = sha256()
        payloads, heads = self.store.read_payloads(ledger), self.store.read_heads(ledger)
        for payload in payloads:
            whole.update(payload)
        for row in self.store.read_rows(_LEAVES.where(ENTRY.c.ledger == ledger)):
            whole.update(row.leaf)
        for head in heads:
            whole.update(repr(head).encode())
        for row in self.store.read_rows(_REQUESTS.where(REQUEST.c.ledger == ledger)):
            whole.update(repr(tuple(row)).encode())
        if with_record:
            material = Material(
                events=tuple(event_from_bytes(payload) for payload in payloads),
                heads=tuple(heads),
                photos={},
                certificate_pem=self.signer.certificate_pem,
                authority_pem=self.signer.certificate_pem,
                made_at=made_at,
                program="compared",
            )
            record = record_json(material)
            whole.update(record + self.signer.sign(record))
        return whole.hexdigest()

    def faults(self, ledger: str) -> tuple[object, ...]:
        """Return what the checker finds."""
        return check_entries(
            ledger=ledger,
            payloads=self.store.read_payloads(ledger),
            heads=self.store.read_heads(ledger),
            certificate_pem=self.signer.certificate_pem,
        )


@dataclass
class History:
    """One job on its way. left: commands to come. straight: the part of them that are simply the next thing.

    whole: a whole change-out and no short job. accepted: it once was.
    """

    ledger: str
    chance: Random
    left: int
    straight: float
    whole: bool
    accepted: bool = False
    state: JobState = field(default_factory=JobState)
    sent: list[tuple[Command, Asked]] = field(default_factory=list)


@dataclass
class Told:
    """What a run came to. digest: over the digests of all ledgers."""

    histories: int = 0
    commands: int = 0
    refused: int = 0
    repeated: int = 0
    entries: int = 0
    accepted: int = 0
    records: int = 0
    unequal: list[str] = field(default_factory=list)
    digest: str = ""


@contextmanager
def both_sides(folder: Path, address: str) -> Iterator[tuple[Side, Side]]:
    """Open SQLite in a folder and PostgreSQL at an address, both with one clock and one signer."""
    clock, signer = Clock(), same_signer()
    sides = Side(folder / "sqlite", None, clock, signer), Side(folder / "postgresql", address, clock, signer)
    with ExitStack() as opened:
        for side in sides:
            side.folder.mkdir(parents=True)
            side.open()
            opened.callback(side.close)
        yield sides


def compare(
    sides: tuple[Side, Side],
    histories: int,
    seed: str,
    *,
    record_every: int = 1,
    say: Callable[[str], None] = print,
) -> Told:
    """Run so many histories on both sides and compare every answer as it comes and every ledger at its end.

    record_every: of how many histories one is exported from both sides, too.
    """
    told, whole, clock = Told(), sha256(), sides[0].clock
    for side in sides:
        side.jobs.write_site(
            lambda _, seq, at: SiteStarted(seq=seq, at=at, site="Sample Works", zone="UTC", key_id="0" * 16)
        ).result(WAIT_S)
        let_texts_in(side.jobs)
        keep_made_up_instruments(side.jobs)
    for first in range(0, histories, GROUP):
        group = [_history(number, seed) for number in range(first, min(first + GROUP, histories))]
        while alive := [one for one in group if one.left]:
            clock.now += timedelta(seconds=1)
            _all_go_on(sides, alive, told)
        for place, one in enumerate(group):
            exported = (first + place) % record_every == 0
            told.records += exported
            _compare_ledger(sides, one.ledger, told, whole.update, with_record=exported)
            told.accepted += one.accepted
        told.histories += len(group)
        say(f"{told.histories} histories, {told.commands} commands, {len(told.unequal)} unequal")
        if (first // GROUP) % REOPENED_EVERY == REOPENED_EVERY - 1:
            for side in sides:
                side.close()
                side.open()
    _compare_ledger(sides, SITE_LEDGER, told, whole.update, with_record=False)
    told.digest = whole.hexdigest()
    return told


def part(address: str, histories: int, seed: str, record_every: int) -> Told:
    """Compare in a folder of this process's own, telling how far it is.

    A batch here may open 256 jobs. On a machine that does much else besides, that took longer than the minute after
    which the server ends a silent writer: the batch was refused, as it must be, and the comparison was over.
    """
    engine_postgresql.IDLE_IN_TRANSACTION_MS = 1_800_000

    def say(line: str) -> None:
        print(f"{seed}: {line}", flush=True)

    with tempfile.TemporaryDirectory() as folder, both_sides(Path(folder), address) as sides:
        return compare(sides, histories, seed, record_every=record_every, say=say)


def _compare_ledger(
    sides: tuple[Side, Side], ledger: str, told: Told, add: Callable[[bytes], None], *, with_record: bool
) -> None:
    at = utc_text(sides[0].clock.now)
    digests = [side.digest(ledger, at, with_record=with_record) for side in sides]
    faults = sides[1].faults(ledger)  # with equal digests the other has the same
    if digests[0] != digests[1] or faults:
        told.unequal.append(f"{ledger}: {digests}, {faults}")
    told.entries += len(sides[1].store.read_payloads(ledger))
    add(digests[0].encode())


def _all_go_on(sides: tuple[Side, Side], alive: list[History], told: Told) -> None:
    """Send one command of every history to both engines, then compare the answers."""
    asked = [_next(one, sides[0].clock) for one in alive]
    waiting = [
        [_handed(side, one, command, by) for one, (command, by) in zip(alive, asked, strict=True)] for side in sides
    ]
    for one, sent, first, second in zip(alive, asked, *waiting, strict=True):
        answers = _answer(first), _answer(second)
        if answers[0] != answers[1]:
            told.unequal.append(f"{one.ledger}, {sent}: {answers}")
        state, said, repeated = answers[0]
        one.state = one.state if state is None else state
        one.accepted = one.accepted or one.state.accepted is not None
        told.refused += bool(said)
        told.repeated += repeated
        told.commands += 1
        if one.state.opened is not None and one.state.due is None and one.state.submitted is None:
            for side in sides:
                account_for_packages(WasteBook(side.jobs, unprintable=lambda _: None), one.ledger)
        one.sent.append(sent)
        one.left -= 1


def _handed(side: Side, one: History, command: Command, by: Asked) -> "Future[Recorded] | ChangeoutError":
    try:
        return side.jobs.record(one.ledger, command, by)
    except ChangeoutError as refusal:
        return refusal


def _answer(given: "Future[Recorded] | ChangeoutError") -> tuple[JobState | None, str, bool]:
    """Return what was answered, in a form that can be compared: state, refusal, whether it was a repetition."""
    try:
        if isinstance(given, ChangeoutError):
            raise given
        recorded = given.result(WAIT_S)
    except ChangeoutError as refusal:
        return None, f"{type(refusal).__name__}: {refusal}", False
    refused = "" if recorded.refused is None else f"{type(recorded.refused).__name__}: {recorded.refused}"
    return recorded.state, refused, recorded.repeated


@lru_cache
def _short(tag: str, kind: str, first: int) -> JobOpened:
    """Return a job of a few steps that move nothing and state nothing anew: holds, readings, tests."""
    whole = _draft(tag, kind)
    still = [step for step in whole.steps if not step.effects and not any(asked.same_as for asked in step.asks)]
    chosen = tuple(still[(first + place) % len(still)] for place in range(SHORT))
    return whole.model_copy(update={"steps": chosen, "ways_out": None})


@lru_cache
def _draft(tag: str, kind: str) -> JobOpened:
    made = plan(housing(tag), procedure(kind), "0" * 64)
    site = SiteState(name="Sample Works")
    return first_entry(made, site=site, by=LEAD, at="2026-03-02T07:15:00.000Z", crew=(HANDS, EYES), rehearsal=False)


def _history(number: int, seed: str) -> History:
    chance = Random(f"{seed}/{number}")
    far = number % FAR_EVERY == 0
    left = chance.randint(130, 150) if far else chance.randint(4, 24)
    whole = far or number % WHOLE_EVERY == 1
    return History(f"job-2026-{number:05}", chance, left, 0.985 if far else chance.choice((0.6, 0.8, 0.95)), whole)


def _next(one: History, clock: Clock) -> tuple[Command, Asked]:
    """Choose what is sent next, and by whom."""
    chance, state = one.chance, one.state
    if state.opened is None:
        of = chance.choice(PLANS)
        draft = _draft(*of) if one.whole else _short(*of, chance.randrange(0, 40, 4))
        number = one.ledger.removeprefix("job-")
        update = {"ledger": one.ledger, "number": number, "at": utc_text(clock.now)}
        return Open(draft.model_copy(update=update)), Asked(LEAD, token=f"{one.ledger}/open")
    if len(one.sent) > 1 and chance.random() < 0.04:
        return chance.choice(one.sent)  # a form sent twice
    command, by = _straight(state) if chance.random() < one.straight else _anything(chance, state)
    if isinstance(command, Begin | Finish) and chance.random() < 0.05:
        command = Late(command, max(0, state.size - chance.choice((0, 0, 1, 3))))
    tapped = clock.now - timedelta(milliseconds=chance.randrange(5_000))
    sent = utc_text(clock.now) if isinstance(command, Late) else None
    token = f"{one.ledger}/{len(one.sent)}" if chance.random() < 0.97 else one.sent[-1][1].token
    kept = len(one.sent) if sent else None
    return command, Asked(by, tablet="tablet 3", device_at=utc_text(tapped), token=token, sent_at=sent, number=kept)


def _straight(state: JobState) -> tuple[Command, Who]:
    """Return what an orderly crew does next."""
    match state.stage:
        case Stage.STOPPED if state.stop is not None and not state.stop.reason:
            return ExplainStop("other", "a noise in the duct"), HANDS
        case Stage.STOPPED | Stage.RETURNED | Stage.ACCEPTED:
            lead = OTHER_LEAD if state.stop and state.stop.is_by(LEAD) else LEAD
            return Reopen("looked at, safe to go on"), lead
        case Stage.IN_REVIEW:
            return (OpenException(state.unread[0].seq) if state.unread else Accept()), OFFICER
        case _:
            pass
    following = next(commands_for(state, PARTS), None)
    return following or (Submit(), OTHER_LEAD)


def _anything(chance: Random, state: JobState) -> tuple[Command, Who]:
    """Return any command near the step that is due, by anybody."""
    place = state.index[state.due.id] if state.due else len(state.steps) - 1
    step = state.steps[max(0, min(place + chance.choice((0, 0, 0, 1, -1, -3)), len(state.steps) - 1))]
    answers = state.mark(step.id).evidence.answers
    way = next(iter((state.opened.ways_out if state.opened else None) or ()), None)
    choices: list[Callable[[], Command]] = [
        lambda: Begin(step.id),
        lambda: Finish(step.id, made_up_answers(step)),
        lambda: Finish(step.id, _odd_answers(chance, step), note=f"seen by daylight, {chance.randrange(100)} °C"),
        lambda: Release(step.id),
        lambda: Withdraw(step.id, "ticked by mistake"),
        lambda: WriteNote("Ein Wort: Prüfgas, Δp, 過濾器", step.id),
        lambda: Correct(step.id, next(iter(answers), "none"), str(chance.randrange(10**6)), "misread the dial"),
        StopWork,
        lambda: ExplainStop("other", "a noise in the duct"),
        lambda: Reopen("looked at, safe to go on"),
        lambda: TakeWayOut(way.id if way else "none", "the bank failed its test"),
        lambda: ReturnRecord("an instrument number is missing"),
        lambda: OpenException(state.unread[0].seq if state.unread else 0),
        Submit,
        Accept,
    ]
    return chance.choice(choices)(), chance.choice(PEOPLE)


def _odd_answers(chance: Random, step: Step) -> dict[str, str]:
    answers = made_up_answers(step)
    if answers:
        answers[chance.choice(sorted(answers))] = chance.choice(("", "999999", "-1", "0.1", "left", "12,5"))
    return answers
