"""What has happened at the site outside of jobs: people, sign-ins, procedures, instruments, readings, jobs, exports.

The site has a ledger of its own; every job's opening and closing head stands in it, so that a missing
job shows.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from functools import reduce
from types import MappingProxyType
from typing import Annotated, Literal, assert_never

from immutables import Map
from pydantic import Field, TypeAdapter

from app.domain.event_base import Who
from app.domain.housed import Housed, evolve_housed
from app.domain.housed_events import HousedEvent
from app.domain.housing import Bank
from app.domain.instruments import Instrument
from app.domain.job_lines import JobLine, JobLines
from app.domain.planned import (
    NO_PLANS,
    PlanEvent,
    Plans,
    evolve_plans,
    job_turned,
    opened_from,
)
from app.domain.replacing import replace
from app.domain.site_entry import SiteEntry
from app.domain.store import (
    Store,
    StoreEvent,
    evolve_store,
    kit_of_job,
)
from app.domain.suggestions import (
    SuggestionEvent,
    Suggestions,
    evolve_suggestions,
)
from app.domain.surveyed_plans import surveyed_plans
from app.domain.text import Kept
from app.domain.told import JobTold
from app.domain.waste import (
    Waste,
    WasteEvent,
    evolve_waste,
)
from app.domain.watch import Watch, evolve_watch
from app.domain.watch_events import (
    WatchEvent,
)

SITE_LEDGER = "site"


class SiteStarted(SiteEntry):
    """The site's ledger began, with its key and time zone."""

    type: Literal["site_started"] = "site_started"
    site: str
    zone: str
    key_id: str


class ProcedureApproved(SiteEntry):
    """Somebody signed that exactly this text is approved.  named: whom the text names as its approver."""

    type: Literal["procedure_approved"] = "procedure_approved"
    procedure: str
    revision: int
    sha256: str
    named: str
    meaning: str
    local_time: str
    proof: str


class ProcedureIssued(SiteEntry):
    """A procedure revision passed the writing rules, the model and a rehearsal, and may be used from now on.

    approved_by: who signed the approval; none in entries from before it was asked.
    """

    type: Literal["procedure_issued"] = "procedure_issued"
    procedure: str
    revision: int
    sha256: str
    author: str
    approver: str
    approved_by: Who | None = None


class ProcedureRehearsed(SiteEntry):
    """A whole job of exactly this text was rehearsed over a housing; `root` is the head over its `entries`."""

    type: Literal["procedure_rehearsed"] = "procedure_rehearsed"
    procedure: str
    revision: int
    sha256: str
    housing: str
    entries: int
    root: str


class JobRegistered(SiteEntry):
    """A job was opened; `root` is the head of its ledger after the first entry.

    plan: that it was opened from.  unready: what was not ready there, and why the lead opened it all the same.
    """

    type: Literal["job_registered"] = "job_registered"
    job: str
    number: str
    housing: str
    kind: str
    root: str
    plan: str | None = None
    unready: str | None = None


class JobClosed(SiteEntry):
    """A job's record was accepted at this head.  told: what it tells of its banks; none in entries made before."""

    type: Literal["job_closed"] = "job_closed"
    job: str
    size: int
    root: str
    told: JobTold | None = None


class JobTakenUp(SiteEntry):
    """An accepted job was re-opened: `root` is the head of its ledger after that entry, and its record is void."""

    type: Literal["job_taken_up"] = "job_taken_up"
    job: str
    size: int
    root: str


class RecordExported(SiteEntry):
    """A copy of a job's record left, at this head.  veiled: a sheet or blank, without what is verified unseen."""

    type: Literal["record_exported"] = "record_exported"
    job: str
    size: int
    root: str
    veiled: bool | None = None


class InstrumentKept(SiteEntry):
    """An instrument was entered, or what is known of it changed (a new calibration); the newest entry counts."""

    type: Literal["instrument_kept"] = "instrument_kept"
    instrument: Instrument


class InstrumentPutAside(SiteEntry):
    """An instrument is no longer to be used."""

    type: Literal["instrument_put_aside"] = "instrument_put_aside"
    instrument: str
    reason: str


class DropReading(Kept):
    """A resistance read at a bank between jobs; numbers as typed, the day by the site's calendar."""

    housing: str
    bank: Bank
    on: date
    drop_pa: str
    flow_m3_h: str | None = None
    temp_c: str | None = None
    instrument: str | None = None
    note: str = ""


class ReadingTaken(SiteEntry):
    """Somebody read a resistance at a housing in service."""

    type: Literal["reading_taken"] = "reading_taken"
    reading: DropReading


class ReadingStruck(SiteEntry):
    """A reading is not to be used, and why; `entry` is the place of the entry that holds it."""

    type: Literal["reading_struck"] = "reading_struck"
    entry: int
    reason: str


class TabletEnrolled(SiteEntry):
    """A tablet was let in under a name; it carries a key of its own, of which this is the hash."""

    type: Literal["tablet_enrolled"] = "tablet_enrolled"
    tablet: str
    key_sha256: str


class TabletRevoked(SiteEntry):
    """A tablet is no longer let in; its sessions ended with this entry."""

    type: Literal["tablet_revoked"] = "tablet_revoked"
    tablet: str
    reason: str


class QualificationNoted(SiteEntry):
    """A person holds a qualification (training, fit test, site induction) until this day; the newest entry counts."""

    type: Literal["qualification_noted"] = "qualification_noted"
    person: str
    what: str
    until: date


class LockNoticeOwed(SiteEntry):
    """A person's lock was removed in their absence; they must know before they next work here.

    entry: the place in the job's ledger.  telling: how they were to be told besides.
    """

    type: Literal["lock_notice_owed"] = "lock_notice_owed"
    person: str
    job: str
    entry: int
    number: str
    housing: str
    lock: str
    removed_by: str
    telling: str


class LockNoticeRead(SiteEntry):
    """The owner of a removed lock has read the notice; `notice` is the place of the entry that owed it."""

    type: Literal["lock_notice_read"] = "lock_notice_read"
    notice: int


class LedgerEnd(Kept):
    """Where one ledger ended: its size, and the root over it in 64 hex digits."""

    ledger: str
    size: int
    root: str


class SiteRestored(SiteEntry):
    """The site went on from a backup; what had been recorded after `made_at` was not in it.

    manifest: SHA-256 of the backup's manifest. heads: where the site's ledger and each job's stood in the backup,
    except for jobs whose closing head stands in this ledger anyway.
    """

    type: Literal["site_restored"] = "site_restored"
    manifest: str
    made_at: str
    heads: tuple[LedgerEnd, ...]


SiteEvent = (
    WatchEvent | SuggestionEvent | WasteEvent
    | SiteStarted | ProcedureApproved | ProcedureIssued | JobRegistered | JobClosed | JobTakenUp | RecordExported
    | InstrumentKept | InstrumentPutAside | ReadingTaken | ReadingStruck | QualificationNoted
    | TabletEnrolled | TabletRevoked | SiteRestored | ProcedureRehearsed | LockNoticeOwed | LockNoticeRead
    | PlanEvent | StoreEvent | HousedEvent
)  # fmt: skip
_READER: TypeAdapter[SiteEvent] = TypeAdapter(Annotated[SiteEvent, Field(discriminator="type")])


NO_READINGS: Map[int, ReadingTaken] = Map()


@dataclass(frozen=True)  # no slots: see `replacing`
class SiteState:
    """The site at one moment.

    readings: by the place of their entry; readings_at: the same, by housing; struck_at: which of a housing were struck.
    taken: who took the record of a job, finished or not: by job and person, how many entries the newest one has.
    approved: by the text's SHA-256.
    """

    size: int = 0
    name: str = ""
    zone: str = "UTC"
    jobs: JobLines = field(default_factory=JobLines)
    procedures: tuple[tuple[str, int, str], ...] = ()
    approved: Mapping[str, ProcedureApproved] = field(default_factory=lambda: MappingProxyType({}))
    rehearsed: frozenset[str] = frozenset()
    instruments: Mapping[str, Instrument] = field(default_factory=lambda: MappingProxyType({}))
    put_aside: Mapping[str, InstrumentPutAside] = field(default_factory=lambda: MappingProxyType({}))
    readings: Map[int, ReadingTaken] = field(default_factory=Map)
    readings_at: Map[str, Map[int, ReadingTaken]] = field(default_factory=Map)
    struck: Map[int, tuple[ReadingTaken, ReadingStruck]] = field(default_factory=Map)
    struck_at: Map[str, tuple[int, ...]] = field(default_factory=Map)
    tablets: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    qualifications: Mapping[tuple[str, str], date] = field(default_factory=lambda: MappingProxyType({}))
    restored: tuple[SiteRestored, ...] = ()
    watch: Watch = field(default_factory=Watch)
    housed: Housed = field(default_factory=Housed)
    last_at: str = ""
    suggestions: Suggestions = field(default_factory=Suggestions)
    lock_notices: Mapping[int, LockNoticeOwed] = field(default_factory=lambda: MappingProxyType({}))
    store: Store = field(default_factory=Store)
    planned: Plans = field(default_factory=lambda: NO_PLANS)
    waste: Waste = field(default_factory=Waste)
    taken: Map[str, Map[str, int]] = field(default_factory=Map)

    def notices_for(self, person: str) -> tuple[LockNoticeOwed, ...]:
        """Return the notices about removed locks that a person has yet to read."""
        return tuple(item for item in self.lock_notices.values() if item.person == person)


def site_event_from_bytes(payload: bytes) -> SiteEvent:
    """Read a site event from the bytes that the ledger keeps."""
    return _READER.validate_json(payload)


def fold_site(events: Iterable[SiteEvent], start: SiteState | None = None) -> SiteState:
    """Return the site's state after these events."""
    return reduce(evolve_site, events, start or SiteState())


def evolve_site(state: SiteState, event: SiteEvent) -> SiteState:
    """Return the site's state after one more event."""
    state = replace(state, size=state.size + 1, last_at=event.at)
    if isinstance(event, WatchEvent):
        return replace(state, watch=evolve_watch(state.watch, event))
    if isinstance(event, PlanEvent):
        return replace(state, planned=evolve_plans(state.planned, event))
    if isinstance(event, StoreEvent):
        return replace(state, store=evolve_store(state.store, event))
    if isinstance(event, HousedEvent):
        return replace(state, housed=evolve_housed(state.housed, event), planned=surveyed_plans(state.planned, event))
    if isinstance(event, WasteEvent):
        return replace(state, waste=evolve_waste(state.waste, event))
    if isinstance(event, SuggestionEvent):
        return replace(state, suggestions=evolve_suggestions(state.suggestions, event))
    match event:
        case SiteStarted():
            return replace(state, name=event.site, zone=event.zone)
        case ProcedureApproved():
            return replace(state, approved=MappingProxyType({**state.approved, event.sha256: event}))
        case ProcedureIssued():
            issued = (event.procedure, event.revision, event.sha256)
            return replace(state, procedures=(*state.procedures, issued))
        case ProcedureRehearsed():
            return replace(state, rehearsed=state.rehearsed | {event.sha256})
        case JobRegistered():
            line = JobLine(
                event.job, event.number, event.housing, event.kind, event.at, entry=event.seq, plan=event.plan or "",
                unready=event.unready or "",
            )  # fmt: skip
            plans = opened_from(state.planned, line.plan, job=line.number, at=event.at)
            store = kit_of_job(state.store, line.plan, line.job)
            return replace(state, jobs=state.jobs.opened(line), planned=plans, store=store)
        case JobClosed():
            jobs = state.jobs.closed(event.job, size=event.size, at=event.at, told=event.told)
            return replace(state, jobs=jobs, planned=_turned(state, event))
        case JobTakenUp():
            return replace(state, jobs=state.jobs.taken_up(event.job), planned=_turned(state, event))
        case InstrumentKept():
            kept = {**state.instruments, event.instrument.id: event.instrument}
            aside = {name: item for name, item in state.put_aside.items() if name != event.instrument.id}
            return replace(state, instruments=MappingProxyType(kept), put_aside=MappingProxyType(aside))
        case InstrumentPutAside():
            left = {name: item for name, item in state.instruments.items() if name != event.instrument}
            aside = {**state.put_aside, event.instrument: event}
            return replace(state, instruments=MappingProxyType(left), put_aside=MappingProxyType(aside))
        case ReadingTaken():
            return _read(state, event.reading.housing, state.readings.set(event.seq, event), event.seq)
        case ReadingStruck():
            if event.entry not in state.readings:
                return state
            gone = state.readings[event.entry]
            tag = gone.reading.housing
            state = replace(
                state,
                struck=state.struck.set(event.entry, (gone, event)),
                struck_at=state.struck_at.set(tag, (*state.struck_at.get(tag, ()), event.entry)),
            )
            return _read(state, tag, state.readings.delete(event.entry), event.entry)
        case TabletEnrolled():
            return replace(state, tablets=MappingProxyType({**state.tablets, event.tablet: event.key_sha256}))
        case TabletRevoked():
            others = {name: key for name, key in state.tablets.items() if name != event.tablet}
            return replace(state, tablets=MappingProxyType(others))
        case QualificationNoted():
            held = {**state.qualifications, (event.person, event.what): event.until}
            return replace(state, qualifications=MappingProxyType(held))
        case LockNoticeOwed():
            return replace(state, lock_notices=MappingProxyType({**state.lock_notices, event.seq: event}))
        case LockNoticeRead():
            owed = {seq: item for seq, item in state.lock_notices.items() if seq != event.notice}
            return replace(state, lock_notices=MappingProxyType(owed))
        case SiteRestored():
            return replace(state, restored=(*state.restored, event))
        case RecordExported():
            return state if event.veiled else replace(state, taken=_taken(state.taken, event))
        case _:
            assert_never(event)


def _turned(state: SiteState, event: JobClosed | JobTakenUp) -> Plans:
    line = state.jobs.get(event.job)
    return state.planned if line is None else job_turned(state.planned, line.plan, at=event.at)


def _read(state: SiteState, housing: str, readings: Map[int, ReadingTaken], entry: int) -> SiteState:
    """Take over readings of which this entry is there now, or there no more."""
    here = state.readings_at.get(housing, NO_READINGS)
    here = here.set(entry, readings[entry]) if entry in readings else here.delete(entry)
    return replace(state, readings=readings, readings_at=state.readings_at.set(housing, here))


def _taken(taken: Map[str, Map[str, int]], event: RecordExported) -> Map[str, Map[str, int]]:
    of_job = taken.get(event.job) or Map[str, int]()
    return taken if event.by is None else taken.set(event.job, of_job.set(event.by.id, event.size))


def issued_digests(state: SiteState) -> frozenset[str]:
    """Return the SHA-256 of every procedure text that has been issued."""
    return frozenset(digest for _, _, digest in state.procedures)


def next_number(state: SiteState, year: int) -> str:
    """Return the number of the next job of a year: `2026-0001`."""
    return f"{year}-{state.jobs.opened_in(year) + 1:04d}"
