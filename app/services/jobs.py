"""Jobs: one call from command to state, on the writer thread, in one transaction.

Read the entries (or the state folded from exactly these), decide, seal, append, fold the new events onto
the state at hand.  Nothing is read back.
"""

from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Future
from dataclasses import asdict, dataclass
from hashlib import sha256
from threading import Lock
from typing import Any

from app.calc.errors import Invalid
from app.domain.commands import (
    Accept,
    Begin,
    Command,
    Correct,
    ExplainStop,
    Finish,
    Late,
    Moment,
    Open,
    OpenException,
    StopWork,
    Submit,
)
from app.domain.decide import decide
from app.domain.deciding.filters import filter_moved, store_findings, without_kit
from app.domain.event_base import Device, Who
from app.domain.events import (
    AnswerCorrected,
    AttemptRefused,
    Event,
    JobOpened,
    RecordAccepted,
    StepDone,
    event_from_bytes,
    payload_of,
)
from app.domain.filling import placed_by_job, read_otherwise
from app.domain.housed import Housed
from app.domain.job import JobState, Notable, fold, milliseconds_between
from app.domain.job_lines import JobLine
from app.domain.locks import OthersLockRemoved
from app.domain.made import LeftOnRing
from app.domain.off_register import complain_if_off
from app.domain.packages import left_on_rings
from app.domain.paper import ReconcileBlank, Transcribe, TranscribeBeside
from app.domain.refused import Refused
from app.domain.restores import restores_of
from app.domain.site import (
    SITE_LEDGER,
    JobClosed,
    JobRegistered,
    JobTakenUp,
    LockNoticeOwed,
    SiteEvent,
    SiteState,
    fold_site,
    issued_digests,
    site_event_from_bytes,
)
from app.domain.site_settings import complain_of_limits
from app.domain.store import Store
from app.domain.told import JobTold, told_of
from app.domain.waste import waste_findings
from app.domain.wasting import all_packages, open_account
from app.domain.watch import findings_since
from app.domain.watching import NoticeMissed, missed_by
from app.ledger.canonical import canonical
from app.ledger.heads import Head
from app.records.moments import local_text, utc_text
from app.services.collector import spare_what_stays
from app.services.ports import Clock, LedgerStore, LedgerWork, PhotoShelf, Tip

ENDED_KEPT = 32
"""States of jobs that have ended, each up to a megabyte or two (our figure)."""
MOST_ALIKE = 20
"""Refusals of one person by one rule that are kept while nothing else happens in a job (this program's bound)."""
LAST_ALIKE = f" This is attempt {MOST_ALIKE} of its kind in a row: further ones are refused and not kept."
"""What the last of them says besides."""
UNREADY = "opened before it was ready"
"""The kind of finding that a job is whose plan was not agreed."""
NO_KIT = "no kit staged"
"""The kind of finding that a job is whose material nobody put aside or settled."""


@dataclass(frozen=True, slots=True)
class Asked:
    """Who asks, from which tablet, with which request token.

    device_at: the tablet's clock at the tap.  sent_at, number: for a mark that the tablet kept, its clock when it sent
    the mark at last, and its own count of kept marks.  both: id and secret were given for this, not the secret alone.
    covered: the screen was covered.
    """

    by: Who
    tablet: str | None = None
    device_at: str | None = None
    token: str | None = None
    sent_at: str | None = None
    number: int | None = None
    both: bool = False
    covered: bool = False


@dataclass(frozen=True, slots=True)
class Recorded:
    """The state after a command, and the refusal if it was one worth keeping."""

    state: JobState
    refused: Refused | None = None
    repeated: bool = False


class EndedJobs:
    """The states of jobs that have ended, read where somebody asks and not where marks are taken.

    A page that looks through the past would hold up every tablet otherwise.  The last few stay at hand.
    """

    def __init__(self, store: LedgerStore) -> None:
        self._store = store
        self._kept: dict[str, JobState] = {}
        self._turn = Lock()

    def state(self, job: str) -> JobState:
        """Return the committed state of a job."""
        return self._at_hand(job) or self._kept_as(job, fold(_events(self._store, job)))

    def read(self, job: str) -> tuple[JobState, tuple[Event, ...]]:
        """Return the committed state of a job with its events, which are read once for both."""
        known, events = self._at_hand(job), _events(self._store, job)
        if known is None or known.size != len(events):
            known = self._kept_as(job, fold(events))
        return known, events

    def _at_hand(self, job: str) -> JobState | None:
        if job not in self._kept:
            return None
        head = self._store.read_head(job)
        with self._turn:
            known = self._kept.pop(job, None)
            if known is None or head is None or known.size != head.size:
                return None
            self._kept[job] = known
            return known

    def _kept_as(self, job: str, found: JobState) -> JobState:
        with self._turn:
            self._kept.pop(job, None)
            self._kept[job] = found
            while len(self._kept) > ENDED_KEPT:
                del self._kept[next(iter(self._kept))]
        return found


class Jobs:
    """The jobs of one site."""

    def __init__(
        self, store: LedgerStore, photos: PhotoShelf, clock: Clock, *, unprintable: Callable[[str], str | None]
    ) -> None:
        self._store = store
        self._photos = photos
        self._clock = clock
        self._unprintable = unprintable
        self._ended = EndedJobs(store)

    def record(self, job: str, command: Command, asked: Asked) -> "Future[Recorded]":
        """Carry out one command; the future resolves after the entry is durable, or holds Refused or Invalid.

        A request token makes it idempotent for the life of the database: the same token with the same content
        gives the present state and writes nothing, with other content it is refused.
        """
        _complain_if_no_job(job)
        self._refuse_unprintable(command)
        self._refuse_missing_photos(job, command)
        at = utc_text(self._clock())
        urgent = isinstance(command, StopWork | ExplainStop)
        return self._store.submit(lambda work: self._record(work, job, command, asked, at), urgent=urgent)

    def state(self, job: str) -> JobState:
        """Return the committed state of a job; an unknown job has none of its steps."""
        _complain_if_no_job(job)
        tip = self._store.fresh(job)
        if tip is not None and isinstance(tip.memo, JobState):
            return tip.memo
        lines = self.site().jobs
        if lines.get(job) is not None and not lines.is_in_hand(job):
            return self._ended.state(job)
        return self._store.submit(lambda work: job_state(work, job), urgent=True).result()

    def at_hand(self, job: str) -> JobState | None:
        """Return the committed state of a job if it is in memory; waits for nothing.  Else ask `state`."""
        tip = self._store.peek(job)
        return tip.memo if tip is not None and isinstance(tip.memo, JobState) else None

    def site(self) -> SiteState:
        """Return the committed state of the site."""
        return _site_of(self._store.fresh(SITE_LEDGER)) or self._store.submit(_site_state, urgent=True).result()

    def site_at_hand(self) -> SiteState | None:
        """Return the committed state of the site if it is in memory; waits for nothing.  Else ask `site`."""
        return _site_of(self._store.peek(SITE_LEDGER))

    def site_last_seen(self) -> SiteState:
        """Return the state of the site as this process saw it last, without asking whether others have written since.

        For what may be as old as the last request here; it waits only where nothing of the site is in memory.
        """
        return _site_of(self._store.last_seen(SITE_LEDGER)) or self.site()

    def events(self, job: str) -> tuple[Event, ...]:
        """Return every event of a job, as kept."""
        _complain_if_no_job(job)
        return _events(self._store, job)

    def read(self, job: str) -> tuple[JobState, tuple[Event, ...]]:
        """Return the committed state of a job and the events that it was folded from."""
        _complain_if_no_job(job)
        lines = self.site().jobs
        if lines.get(job) is not None and not lines.is_in_hand(job):
            return self._ended.read(job)
        state = self.state(job)
        return state, self.events(job)[: state.size]

    def site_events(self, *, since: int = 0, until: int | None = None) -> tuple[SiteEvent, ...]:
        """Return the events of the site's ledger from this place on, up to but without another."""
        payloads = self._store.read_payloads(SITE_LEDGER, since=since, until=until)
        return tuple(site_event_from_bytes(payload) for payload in payloads)

    def newest_head(self, job: str) -> Head | None:
        """Return the newest signed head of a job."""
        _complain_if_no_job(job)
        return self._store.read_head(job)

    def head_at(self, ledger: str, size: int) -> Head:
        """Return the signed head of a ledger over so many entries; raise Invalid if none was signed there."""
        if (head := self._store.read_head(ledger, size)) is not None:
            return head
        raise Invalid(f"The ledger {ledger} has no head over {size} entries. Reload the page and try again.")

    def in_hand(self) -> tuple[tuple[JobLine, JobState], ...]:
        """Return every job whose record has not been accepted, with its state, newest first."""
        return self.with_states(self.site().jobs.in_hand())

    def of_housing(self, tag: str) -> tuple[tuple[JobLine, JobState], ...]:
        """Return every job on a housing with its state, newest first."""
        return self.with_states(self.site().jobs.of_housing(tag))

    def told(self, line: JobLine) -> JobTold:
        """Return what a job tells of its housing: as the entry has it that closed it, else as its marks have it now."""
        if line.told is not None and not self.site().jobs.is_in_hand(line.job):
            return line.told
        return told_of(self.state(line.job))

    def with_states(self, lines: Iterable[JobLine]) -> tuple[tuple[JobLine, JobState], ...]:
        """Return these jobs with their states; each that is not in memory is read and folded."""
        return tuple((line, self.state(line.job)) for line in lines)

    def write_site(
        self,
        make: Callable[[SiteState, int, str], SiteEvent],
        *,
        urgent: bool = False,
        also: Callable[[Any], None] | None = None,
    ) -> "Future[SiteState]":
        """Append one event to the site's ledger; `make` gets the state, the next place and the time.

        also: what is written beside it in the same transaction, so that neither stands without the other.
        """

        def seeing(tx: Any, state: SiteState, seq: int, at: str) -> SiteEvent:
            event = make(state, seq, at)
            if also is not None:
                also(tx)
            return event

        return self.write_site_seeing(seeing, urgent=urgent)

    def write_site_seeing(
        self, make: Callable[[Any, SiteState, int, str], SiteEvent | tuple[SiteEvent, ...]], *, urgent: bool = False
    ) -> "Future[SiteState]":
        """Append an event to the site's ledger, or several that stand together or not at all.

        `make` gets the transaction too, to read and write beside it.
        """
        at = utc_text(self._clock())

        def work(tx: LedgerWork) -> SiteState:
            state = _site_state(tx)
            made = make(tx, state, state.size, at)
            return _append_site(tx, state, *(made if isinstance(made, tuple) else (made,)))

        return self._store.submit(work, urgent=urgent)

    def write_site_all(self, make: Callable[[SiteState, int, str], Sequence[SiteEvent]]) -> "Future[SiteState]":
        """Append several events to the site's ledger in one transaction; `make` gets the state, the place, the time."""
        at = utc_text(self._clock())

        def work(tx: LedgerWork) -> SiteState:
            state = _site_state(tx)
            return _append_site(tx, state, *make(state, state.size, at))

        return self._store.submit(work)

    def _record(self, work: LedgerWork, job: str, command: Command, asked: Asked, at: str) -> Recorded:
        state = job_state(work, job)
        digest = _digest(job, command, asked.by)
        if asked.token and (seen := work.seen_request(asked.token)):
            if (seen.ledger, seen.digest) != (job, digest):
                raise Refused(
                    "token", "This form was sent before with other content. Reload the page and enter it again."
                )
            return Recorded(state, repeated=True)
        zone = state.opened.zone if state.opened else command.draft.zone if isinstance(command, Open) else "UTC"
        register = _site_state(work)
        state, missed = self._notice_missed(work, job, state, command, asked, at)
        moment = Moment(
            ledger=job,
            at=at,
            by=asked.by,
            local_time=local_text(at, zone),
            root=work.tip(job).frontier.root().hex(),
            device=_device(asked, at),
            request=asked.token,
            instruments=register.instruments if isinstance(command, Finish | Correct | Late | Transcribe) else {},
            restores=restores_of(register, job) if isinstance(command, Late | StopWork) else (),
            missing=_missing(work, command),
            findings=findings_of(register, job, state) if isinstance(command, Accept | OpenException) else (),
            packages=_open_packages(register, state) if isinstance(command, Accept | Submit) else (),
            both=asked.both,
            qualifications=register.qualifications,
            store=register.store if isinstance(command, Begin | Finish | Correct | Late | Transcribe) else Store(),
            taken=register.taken.get(job) or {},
            housed=register.housed if isinstance(command, Finish | Correct | Late | Transcribe) else Housed(),
        )
        if isinstance(command, Open):
            complain_if_off(register, command.draft.housing.tag)
            complain_of_limits(command.draft)
            _complain_if_not_issued(register, command)
            _complain_of_plan(register, command.draft)
            command = _with_rings(work, register, command)
        refused: Refused | None = None
        try:
            events = decide(state, command, moment)
        except Refused as no:
            kept = no.logged and state.opened is not None and state.accepted is None
            kept = kept and state.refused.count((moment.by.id, no.code)) < MOST_ALIKE
            if not kept and not missed:
                raise
            refused, events = no, (_refusal(state, moment, no),) if kept else ()
        if events:
            state = self._append(work, job, state, events)
        if asked.token:
            work.keep_request(asked.token, job, digest, max(state.size - 1, 0))
        return Recorded(state, refused)

    def _notice_missed(
        self, work: LedgerWork, job: str, state: JobState, command: Command, asked: Asked, at: str
    ) -> tuple[JobState, bool]:
        """Note readings that were due before now, for somebody acts; say whether there were any."""
        if isinstance(command, NoticeMissed) or not missed_by(state.watch, at):
            return state, False
        root = work.tip(job).frontier.root().hex()
        moment = Moment(
            ledger=job, at=at, by=asked.by, local_time=local_text(at, "UTC"), root=root, device=_device(asked, at)
        )
        noted = decide(state, NoticeMissed(), moment)
        return (self._append(work, job, state, noted) if noted else state), bool(noted)

    def _append(self, work: LedgerWork, job: str, state: JobState, events: tuple[Event, ...]) -> JobState:
        before, state = state, fold(events, start=state)
        head = work.append(job, [canonical(payload_of(event)) for event in events], memo=state)
        first, last = events[0], events[-1]
        if isinstance(first, JobOpened):
            site = _site_state(work)
            registered = JobRegistered(
                seq=site.size, at=first.at, by=first.by, job=job, number=first.number, housing=first.housing.tag,
                kind=first.kind, root=head.root.hex(), plan=first.prepared.plan if first.prepared else None,
                unready=_unready(first),
            )  # fmt: skip
            _append_site(work, site, registered)
        for event in events:
            if isinstance(event, OthersLockRemoved):
                _owe_notice(work, state, event)
        if before.accepted is not None and state.accepted is None:
            site = _site_state(work)
            taken_up = JobTakenUp(seq=site.size, at=last.at, by=last.by, job=job, size=head.size, root=head.root.hex())
            _append_site(work, site, taken_up)
        _move_filters(work, before, events)
        if isinstance(last, RecordAccepted):
            site = _site_state(work)
            closed = JobClosed(
                seq=site.size, at=last.at, by=last.by, job=job, size=head.size, root=head.root.hex(),
                told=told_of(state),
            )  # fmt: skip
            site = _append_site(work, site, closed)
            placed = placed_by_job(
                site.housed, state, seq=site.size, at=last.at, by=last.by, zone=site.zone, store=site.store
            )
            if placed:
                _append_site(work, site, placed)
            work.remember(job, None)  # an ended job is read by whoever asks for it
        return state

    def _refuse_unprintable(self, command: Command) -> None:
        """Text that the record could not print is found when it is entered, not when the record is made."""
        for text in _texts(asdict(command) if not isinstance(command, Open) else {}):
            if told := self._unprintable(text):
                raise Invalid(told)

    def _refuse_missing_photos(self, job: str, command: Command) -> None:
        # a kept mark whose photo is not whole yet is sent again; whoever fills in a form takes the photo anew
        look: Callable[[str], object] = self._photos.read if isinstance(command, Late) else self._photos.need
        command = command.mark if isinstance(command, Late) else command
        if isinstance(command, Transcribe | TranscribeBeside | ReconcileBlank) and command.photo:
            look(command.photo)
        if not isinstance(command, Finish | Transcribe):
            return
        step = self.state(job).step(command.step)
        for asked in step.asks if step else ():
            if asked.ask.kind == "photo" and (name := command.answers.get(asked.ask.id, "").strip()):
                look(name)


def _events(store: LedgerStore, job: str) -> tuple[Event, ...]:
    return tuple(event_from_bytes(payload) for payload in store.read_payloads(job))


def no_such_job(name: str) -> Invalid:
    """Say that nothing was opened under this name."""
    return Invalid(f"There is no job {name[:40]!r} here. Go back to the list of jobs and choose one.")


def _complain_if_no_job(name: str) -> None:
    """The site's own ledger is no job, whatever an address says."""
    if name == SITE_LEDGER:
        raise no_such_job(name)


def _complain_if_not_issued(site: SiteState, command: Open) -> None:
    """A job begins only with a text that this site has issued; one whose ledger nothing began asks nothing."""
    draft = command.draft
    if site.name and draft.procedure_sha256 not in issued_digests(site):
        raise Refused(
            "not_issued",
            f"Revision {draft.revision} of {draft.procedure} is not issued here. Its approver signs it and a lead "
            "issues it under Procedures.",
        )


def _complain_of_plan(site: SiteState, draft: JobOpened) -> None:
    """A job opened from planned work does what was planned, and says of its readiness what the ledger says."""
    if draft.prepared is None:
        return
    from app.domain.readying import complain_of_readiness
    from app.domain.scheduling import complain_of_plan

    complain_of_plan(site, draft)
    complain_of_readiness(site, draft)


def _unready(draft: JobOpened) -> str | None:
    """Say for the reviewer that the planned work was not ready; None where it was, or nothing was planned."""
    if draft.prepared is None:
        return None
    from app.domain.readying import unready_sentence

    return unready_sentence(draft)


def _with_rings(work: LedgerWork, site: SiteState, command: Open) -> Open:
    """Put into the first entry what the newest job before left on the rings of this housing; not of a rehearsal.

    While another job is amid its work there, nobody can say what the rings will hold when this one begins.
    """
    draft = command.draft
    if draft.rehearsal:
        return command
    before = site.jobs.of_housing(draft.housing.tag)
    there = {port.id for port in draft.housing.ports}
    amid = any(site.jobs.is_in_hand(line.job) and job_state(work, line.job).due is not None for line in before)
    left: tuple[LeftOnRing, ...] = left_on_rings(job_state(work, before[0].job)) if before and not amid else ()
    return Open(draft.model_copy(update={"rings": tuple(item for item in left if item.port in there)}))


def _open_packages(site: SiteState, state: JobState) -> tuple[str, ...]:
    """Return what is open of a job's packages; a job without the account, such as one opened before, owes none."""
    if state.opened is None or state.opened.rings is None:
        return ()
    return open_account(site.waste, all_packages(state, site.waste))


def job_state(work: LedgerWork, job: str) -> JobState:
    """Return the state of a job folded from exactly the entries that the transaction sees."""
    tip = work.tip(job)
    if isinstance(tip.memo, JobState) and tip.memo.size == tip.size:
        return tip.memo
    state = fold(event_from_bytes(payload) for payload in work.payloads(job))
    if tip.size:
        work.remember(job, state)
        spare_what_stays()
    return state


def _site_of(tip: Tip | None) -> SiteState | None:
    return tip.memo if tip is not None and isinstance(tip.memo, SiteState) else None


def _site_state(work: LedgerWork) -> SiteState:
    tip = work.tip(SITE_LEDGER)
    if isinstance(tip.memo, SiteState) and tip.memo.size == tip.size:
        return tip.memo
    state = fold_site(site_event_from_bytes(payload) for payload in work.payloads(SITE_LEDGER))
    if tip.size:
        work.remember(SITE_LEDGER, state)
        spare_what_stays()
    return state


def _append_site(work: LedgerWork, state: SiteState, *events: SiteEvent) -> SiteState:
    state = fold_site(events, start=state)
    payloads = [canonical(event.model_dump(mode="json", exclude_none=True)) for event in events]
    work.append(SITE_LEDGER, payloads, memo=state)
    return state


def _missing(work: LedgerWork, command: Command) -> int | None:
    """The number of the mark that the tablet kept before this one, where the record has it not."""
    if not isinstance(command, Late | StopWork) or not command.knowledge.before:
        return None
    told = command.knowledge
    return None if work.seen_request(told.before_token) else told.before


def findings_of(site: SiteState, job: str, state: JobState) -> tuple[Notable, ...]:
    """Return what the site's ledger holds for the reviewer of a job: how it was opened, and what came since."""
    line = site.jobs.get(job)
    if line is None:
        return ()
    said = {UNREADY: line.unready, NO_KIT: without_kit(site.store, job, state)}
    said = {kind: told for kind, told in said.items() if told}
    # both belong to the entry that registered the job, and an entry is one exception
    unready = (Notable(line.entry, next(iter(said)), " ".join(said.values())),) if said else ()
    of_waste = (Notable(*item) for item in waste_findings(site.waste, line.number))
    found = (*unready, *of_waste, *findings_since(site.watch, line.entry), *store_findings(site.store, job, state))
    return tuple(sorted(found, key=lambda item: item.seq))


def _move_filters(work: LedgerWork, before: JobState, events: tuple[Event, ...]) -> None:
    """Put into the site's ledger which filters a job's entries say are at its housing: of the store room, in place."""
    for event in events:
        if not isinstance(event, StepDone | AnswerCorrected):
            continue
        site = _site_state(work)
        if (moved := filter_moved(before, event, site.store, site.size)) is not None:
            site = _append_site(work, site, moved)
        if (gone := read_otherwise(site.housed, before, event, seq=site.size)) is not None:
            _append_site(work, site, gone)


def _owe_notice(work: LedgerWork, state: JobState, event: OthersLockRemoved) -> None:
    """Put into the site's ledger that somebody must be told of their lock before they next work here."""
    site, opened = _site_state(work), state.opened
    owed = LockNoticeOwed(
        seq=site.size, at=event.at, by=event.by, person=event.owner.id, job=event.ledger, entry=event.seq,
        number=opened.number if opened else "", housing=opened.housing.tag if opened else "", lock=event.lock,
        removed_by=f"{event.by.name} and {event.officer.name}", telling=event.telling,
    )  # fmt: skip
    _append_site(work, site, owed)


def _refusal(state: JobState, moment: Moment, no: Refused) -> AttemptRefused:
    last = state.refused.count((moment.by.id, no.code)) == MOST_ALIKE - 1
    return AttemptRefused(
        ledger=moment.ledger,
        seq=state.size,
        at=moment.at,
        by=moment.by,
        device=moment.device,
        request=moment.request,
        step=no.step,
        code=no.code,
        sentence=no.sentence + (LAST_ALIKE if last else ""),
    )


def _device(asked: Asked, at: str) -> Device | None:
    if asked.tablet is None:
        return None
    offset = late = None
    if asked.device_at is not None:
        try:
            offset = milliseconds_between(at, asked.sent_at or asked.device_at)
            late = milliseconds_between(asked.device_at, asked.sent_at) if asked.sent_at else None
        except (ValueError, TypeError):
            raise Invalid("The tablet sent a time that cannot be read. Reload the page and try again.") from None
    return Device(
        tablet=asked.tablet,
        at=asked.device_at,
        offset_ms=offset,
        number=asked.number,
        late_ms=late,
        covered=asked.covered or None,
    )


def _digest(job: str, command: Command, by: Who) -> str:
    asked: dict[str, Any] = {"job": job, "by": by.id, "command": type(command).__name__}
    match command:
        case Begin(answers=answers) if not answers:
            asked |= {
                "fields": {"step": command.step}
            }  # as before labels were read: an old tablet's mark stays the same
        case Late():
            return _digest(job, command.mark, by)  # the same mark, whether its first answer got lost or not
        case StopWork():
            pass
        case Open():
            asked |= {"number": command.draft.number}
        case Accept():
            pass
        case _:
            asked |= {"fields": {name: _plain(given) for name, given in asdict(command).items() if _said(name, given)}}
    return sha256(canonical(asked)).hexdigest()


ADDED_LATER = frozenset({"worker", "follows", "again", "hazards", "beside", "permit", "permit_to", "permit_back"})
"""Fields of commands that were not there from the beginning."""


def _said(name: str, given: Any) -> bool:
    """Whether a field counts: one added later and not given leaves the digest of a form as it was before."""
    return bool(given) or name not in ADDED_LATER


def _plain(value: Any) -> Any:
    """Return dataclass fields as JSON values."""
    match value:
        case dict():
            return {str(key): _plain(item) for key, item in value.items() if item is not None}
        case tuple() | list():
            return [_plain(item) for item in value]
        case None | bool() | int() | str():
            return value
        case _:
            return _plain(value.model_dump(mode="json"))


def _texts(value: Any) -> list[str]:
    match value:
        case dict():
            return [text for item in value.values() for text in _texts(item)]
        case tuple() | list():
            return [text for item in value for text in _texts(item)]
        case str():
            return [value]
        case _:
            return []
