"""The site's ledger in plain sentences, each of one kind, for people who look for what happened outside of jobs."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import assert_never

from app.domain.filling import NOT_KNOWN
from app.domain.housed_events import (
    DifferenceAnswered,
    FiltersPlaced,
    HousedEvent,
    HousingEntered,
    HousingPhotographed,
    HousingPhotoTakenDown,
    HousingPutBack,
    HousingTakenOff,
    SurveyTaken,
)
from app.domain.housing import SiteLimit
from app.domain.planned import Intent, PlanChanged, PlanDropped, PlanEvent, WorkPlanned
from app.domain.readiness import ItemAnswered, ItemNotNeeded, ItemOpenedAgain, ItemOwed, ReadinessAgreed
from app.domain.site import (
    InstrumentKept,
    InstrumentPutAside,
    JobClosed,
    JobRegistered,
    JobTakenUp,
    LockNoticeOwed,
    LockNoticeRead,
    ProcedureApproved,
    ProcedureIssued,
    ProcedureRehearsed,
    QualificationNoted,
    ReadingStruck,
    ReadingTaken,
    RecordExported,
    SiteEvent,
    SiteRestored,
    SiteStarted,
    TabletEnrolled,
    TabletRevoked,
)
from app.domain.site_settings import LIMITS, SETTINGS
from app.domain.store import (
    FilterTaken,
    KitLine,
    KitSettled,
    KitStaged,
    LeadTimeChosen,
    LotCorrected,
    LotCounted,
    LotInspected,
    LotReceived,
    StoreEvent,
)
from app.domain.suggestions import SuggestionAnswered, SuggestionCarriedOut, SuggestionEvent, SuggestionMade
from app.domain.waste import (
    FACTS,
    PACKAGE_KINDS,
    CertificateReceived,
    ClosureChecked,
    ContainerKept,
    PackageAdded,
    PackageExcused,
    PackageMissing,
    PackagesPlaced,
    PackagesTold,
    WasteEvent,
    WasteHandedOver,
    WasteReturned,
)
from app.domain.watch import Watch, step_words
from app.domain.watch_events import (
    AccessReviewed,
    AlertSeen,
    ClockStepped,
    CodeUsed,
    LimitChosen,
    PersonAdded,
    PersonLeft,
    RoleGiven,
    SecretChosen,
    SecretReset,
    SecretWrong,
    SettingChosen,
    WaitLifted,
    WatchEvent,
)
from app.records.moments import local_text
from app.records.wording import limit_words

KINDS = {
    "people": "People and roles", "secrets": "Secrets", "wrong": "Failed sign-ins", "alerts": "Alerts",
    "settings": "Settings", "clock": "Clock", "tablets": "Tablets", "exports": "Exports", "jobs": "Jobs",
    "plans": "Planned work", "registers": "Registers", "housings": "Housings and filters", "store": "Store room",
    "waste": "Waste", "site": "Procedures and site",
}  # fmt: skip
"""What entries may be looked for by, and how that is called."""


@dataclass(frozen=True, slots=True)
class SiteLine:
    """One entry: its place, its kind (a key of KINDS), when by the site's zone, by whom, and what happened."""

    seq: int
    kind: str
    at: str
    by: str
    sentence: str


def site_trail(events: Iterable[SiteEvent], zone: str, watch: Watch) -> Iterator[SiteLine]:
    """Yield each entry as a sentence.  watch: by which people are named; an account keeps its name."""
    for event in events:
        by = f"{event.by.name} ({event.by.role.words})" if event.by else "the server"
        kind, sentence = _told(event, watch)
        yield SiteLine(event.seq, kind, local_text(event.at, zone), by, sentence)


MOST_LINES, MOST_LOOKED_AT, AT_ONCE = 100, 5_000, 500


def trail_page(
    read: Callable[[int, int], Sequence[SiteEvent]], zone: str, watch: Watch, *, before: int, kind: str = ""
) -> tuple[list[SiteLine], int]:
    """Return lines of one kind or of all, the newest first, and the place before which the next page goes on.

    read: the entries from one place up to another.  before: the place of the entry after the newest that is looked at.
    A page ends where it is full or has looked at enough; 0 where the ledger is at its beginning.
    """
    lines: list[SiteLine] = []
    last, end = max(before - MOST_LOOKED_AT, 0), before
    while end > last:
        begin = max(end - AT_ONCE, last)
        for line in site_trail(reversed(read(begin, end)), zone, watch):
            if kind in ("", line.kind):
                lines.append(line)
            if len(lines) == MOST_LINES:
                return lines, line.seq
        end = begin
    return lines, last


def _limit(limit: SiteLimit) -> str:
    return limit_words(limit.low, limit.high, limit.op, limit.unit)


def _told(event: SiteEvent, watch: Watch) -> tuple[str, str]:
    if isinstance(event, StoreEvent):
        return "store", _stored(event)
    if isinstance(event, PlanEvent):
        return "plans", _planned(event, watch)
    if isinstance(event, HousedEvent):
        return "housings", _housed(event)
    if isinstance(event, WasteEvent):
        return "waste", _of_waste(event)
    if isinstance(event, SuggestionEvent):
        return "registers", _suggested(event)
    match event:
        case SiteStarted():
            return "site", f"The ledger of {event.site} began, time zone {event.zone}, key {event.key_id[:16]}."
        case ProcedureIssued():
            told = f"Procedure {event.procedure} revision {event.revision} was issued"
            return "site", f"{told}, written by {event.author}, approved by {_approver(event)}."
        case ProcedureApproved():
            told = f"Procedure {event.procedure} revision {event.revision}, SHA-256 {event.sha256[:16]}, was approved"
            return "site", f"{told}, signed “{event.meaning}” ({event.proof}); the text names {event.named}."
        case ProcedureRehearsed():
            told = f"Procedure {event.procedure} revision {event.revision} was rehearsed over {event.housing}"
            return "site", f"{told}, {event.entries} entries."
        case LockNoticeOwed():
            told = f"{watch.name(event.person)} must be told that the lock {event.lock} was removed"
            return "people", f"{told} by {event.removed_by}."
        case LockNoticeRead():
            return "people", f"The notice of entry {event.notice} about a removed lock was read by its owner."
        case SiteRestored():
            return "site", f"The site went on from a backup made {event.made_at}; what came after it is not here."
        case JobRegistered():
            of_plan = f" from {event.plan}" if event.plan else ""
            return "jobs", f"Job {event.number} was opened on {event.housing}{of_plan}."
        case JobClosed():
            return "jobs", f"The record of {event.job} was accepted at {event.size} entries."
        case JobTakenUp():
            return "jobs", f"The accepted record of {event.job} was re-opened at {event.size} entries."
        case RecordExported():
            return "exports", f"A copy of the record of {event.job} was taken away, {event.size} entries."
        case InstrumentKept():
            item = event.instrument
            return "registers", f"Instrument {item.id} was entered: {item.description}, calibration due {item.due}."
        case InstrumentPutAside():
            return "registers", f"Instrument {event.instrument} was put aside: {event.reason}."
        case ReadingTaken():
            read = event.reading
            return "registers", f"A resistance of {read.drop_pa} Pa was read at {read.housing}, {read.bank}, {read.on}."
        case ReadingStruck():
            return "registers", f"The reading of entry {event.entry} was struck: {event.reason}."
        case QualificationNoted():
            return "registers", f"{watch.name(event.person)} is qualified for {event.what} until {event.until}."
        case TabletEnrolled():
            return "tablets", f"The tablet {event.tablet} was enrolled."
        case TabletRevoked():
            return "tablets", f"The tablet {event.tablet} was shut out: {event.reason}."
        case _:
            return _watched(event, watch)


def _approver(event: ProcedureIssued) -> str:
    if event.approved_by is None:
        return event.approver
    signed = f"{event.approved_by.name} ({event.approved_by.role.words}) by signature"
    return signed if event.approved_by.name == event.approver else f"{signed}; the text names {event.approver}"


def _suggested(event: SuggestionEvent) -> str:
    match event:
        case SuggestionMade():
            return f"A change of the {event.about} {event.what} was suggested: {event.text}"
        case SuggestionAnswered():
            return f"The suggestion of entry {event.suggestion} was {event.answer}: {event.reason}"
        case SuggestionCarriedOut():
            return f"The suggestion of entry {event.suggestion} was carried out: {event.how}"


def _stored(event: StoreEvent) -> str:
    match event:
        case LotReceived():
            lot = event.lot
            what = f"filter {lot.serial}, {lot.what}" if lot.serial else f"{lot.count} of {lot.kind}, {lot.what}"
            report = f", test report {lot.test_report}" if lot.test_report else ""
            return f"Lot {lot.id} was received: {what}{report}."
        case LotInspected():
            seen = ", ".join(f"{item.item} “{item.seen}”" for item in event.findings if not item.as_asked)
            told = f"Lot {event.lot} was inspected and {event.verdict}{f': {event.reason}' if event.reason else ''}."
            odd = f" Not as asked: {seen}." if seen else ""
            photo = f" Photo {event.photo[:12]}." if event.photo else ""
            return f"{told}{odd}{photo}"
        case LotCounted():
            return f"Lot {event.lot} was {event.was} and is {event.now}: {event.reason}."
        case LotCorrected():
            return f"Lot {event.lot} was corrected: {event.told}: {event.reason}."
        case KitStaged():
            return f"Staged for {event.job}: {_lines(event.lines)}."
        case KitSettled():
            told = f"The kit of {event.job} was settled; back: {_lines(event.back)}"
            used = ", ".join(f"{count} of {kind}" for kind, count in event.used.items())
            why = f" What differs: {event.explained}." if event.explained else ""
            unfit = "".join(f" {item}." for item in event.unfit or ())
            return f"{told}; the steps used {used or 'nothing of it'}.{unfit}{why}"
        case FilterTaken():  # which one stands in the job's entry, which may be verified unseen just now
            told = f"By entry {event.entry} of {event.job}"
            went = " a filter of the store room is at its housing" if event.lot else ""
            back = " a filter named before is not there and is to be inspected again" if event.instead else ""
            return f"{told}{' and'.join(part for part in (went, back) if part)}."
        case LeadTimeChosen():
            was, now = (f"{days} days" if days is not None else "not known" for days in (event.was, event.now))
            return f"Lead time of {event.kind}: was {was}, now {now}. {event.reason}."


def _housed(event: HousedEvent) -> str:
    match event:
        case HousingEntered():
            tags = _first(plate.tag for plate in event.plates)
            fields = sorted({name for plate in event.plates for name in plate.changed or ()})
            told = f"The nameplate of {tags} was {'changed: ' + ', '.join(fields) if fields else 'entered'}"
            digests = _first(plate.sha256[:16] for plate in event.plates)
            source = f", from a file with SHA-256 {event.source[:16]}" if event.source else ""
            return f"{told}{source}. {event.why}. SHA-256 of the text: {digests}."
        case FiltersPlaced():
            told = _first(
                f"{place.filter.serial if place.filter else NOT_KNOWN} at {place.housing}, {place.port} "
                f"position {place.position}"
                for place in event.places
            )
            left = f" Flagged: {_first(item.sentence for item in event.doubts)}." if event.doubts else ""
            return f"In place ({event.how}): {told or 'nothing new'}. {event.why}.{left}"
        case SurveyTaken():
            found = _first(f"{item.label}: {item.found}" for item in event.seen if item.found is not None)
            told = f"It differs in: {found}" if found else "Nothing differs from the register"
            return f"{event.housing} was surveyed, signed “{event.meaning}” ({event.proof}). {told}."
        case DifferenceAnswered():
            return (
                f"The difference of entry {event.entry} ({event.point}) was answered, {event.outcome}: {event.reason}."
            )
        case HousingTakenOff():
            return f"{event.housing} was taken off the register: {event.reason}."
        case HousingPutBack():
            return f"{event.housing} was put back on the register: {event.reason}."
        case HousingPhotographed():
            return f"A photo of {event.housing} was put on the register ({event.photo[:12]}): {event.shows}."
        case HousingPhotoTakenDown():
            return f"The photo of {event.housing} of entry {event.entry} was taken down: {event.reason}."


def _of_waste(event: WasteEvent) -> str:
    match event:
        case PackageAdded():
            return f"Package {event.package} was entered: {PACKAGE_KINDS[event.kind]}, {event.what}."
        case PackagesTold():
            told = "; ".join(f"{FACTS.get(name, name)} {text}" for name, text in event.facts.items())
            return f"{_packages(event.packages)}: {told}."
        case ClosureChecked():
            return f"The closure of package {event.package} is {'' if event.whole else 'NOT '}whole: {event.seen}."
        case PackagesPlaced(container=""):
            return f"{_packages(event.packages)}: at {event.place}, {event.answers} answers."
        case PackagesPlaced():
            return f"{_packages(event.packages)}: into container {event.container}."
        case PackageMissing():
            return f"Package {event.package}: {event.how}. {event.reason} {event.answers} answers."
        case PackageExcused():
            return f"Package {event.package} was left open: {event.reason}"
        case ContainerKept():
            size = f"{event.shape}, {' x '.join(event.inside)} mm inside, {event.most_kg} kg at most"
            return f"Container {event.container} was entered: {size}, at {event.place}, {event.answers} answers."
        case WasteHandedOver():
            told = (
                f"{event.handover}: {_packages(event.packages)} handed over to {event.receiver}, {event.organisation}"
            )
            return f"{told}, signed “{event.meaning}” ({event.proof}). {event.remark}".strip()
        case WasteReturned():
            return f"{event.handover}: {_packages(event.packages)} came back to {event.place}: {event.reason}"
        case CertificateReceived():
            return f"{event.handover}: certificate {event.certificate} of {event.dated} has come."
        case _:
            assert_never(event)


def _planned(event: PlanEvent, watch: Watch) -> str:
    match event:
        case WorkPlanned():
            return f"{event.plan} was planned: {_intent_words(event, watch)}. Why: {event.why}."
        case PlanChanged():
            return f"{event.plan} was changed to: {_intent_words(event, watch)}, {event.why}. {event.reason}."
        case PlanDropped():
            return f"{event.plan} was dropped: {event.reason}."
        case ItemAnswered():
            told = "; ".join(f"{name.replace('_', ' ')}: {text}" for name, text in event.fields.items())
            return f"{event.plan}, {event.item.words} was answered: {told}. {' '.join(event.shown)}".rstrip()
        case ItemNotNeeded():
            return f"{event.plan}, {event.item.words} is not needed: {event.reason}."
        case ItemOpenedAgain():
            return f"{event.plan}, {event.item.words} is open again: {event.reason}."
        case ItemOwed():
            return f"{event.plan}, {event.item.words} is owed by {watch.name(event.person)} until {event.until}."
        case ReadinessAgreed():
            told = f"“{event.meaning}” ({event.proof}), over all up to entry {event.entry}"
            return f"The readiness of {event.plan} was signed: {told}."
        case _:
            assert_never(event)


def _lines(lines: tuple[KitLine, ...]) -> str:
    return ", ".join(f"{line.count} of lot {line.lot}" for line in lines if line.count) or "nothing"


def _intent_words(item: Intent, watch: Watch) -> str:
    begins, ends = item.begins.replace("T", " "), item.ends.replace("T", " ")
    crew = ", ".join(watch.name(person) for person in item.crew) or "nobody named yet"
    lead = watch.name(item.lead)
    return f"{item.procedure} on {item.housing}, {begins} to {ends}, lead {lead}, crew {crew}"


def _first(told: Iterable[str], most: int = 8) -> str:
    """Name the first few, and say how many more there are."""
    items = list(told)
    more = f" and {len(items) - most} more" if len(items) > most else ""
    return f"{', '.join(items[:most])}{more}"


def _packages(names: tuple[str, ...]) -> str:
    return f"package{'' if len(names) == 1 else 's'} {', '.join(names)}"


def _watched(event: WatchEvent, watch: Watch) -> tuple[str, str]:
    match event:
        case PersonAdded():
            checked = f" Who it is was checked: {event.identity}." if event.identity else ""
            return "people", f"{event.name} was added as {event.person}, {event.role.words}.{checked}"
        case PersonLeft():
            return "people", f"The access of {watch.name(event.person)} ended. The id {event.person} stays theirs."
        case RoleGiven():
            told = f"{watch.name(event.person)} was {event.was.words} and is {event.now.words} from here on"
            return "people", f"{told}: {event.reason}."
        case AccessReviewed():
            told = f"Access was reviewed, {len(event.people)} people, signed “{event.meaning}” ({event.proof})."
            return "people", f"{told} {event.remark}".strip()
        case SecretReset():
            until = f", good until {event.good_until} (UTC)" if event.good_until else ""
            checked = f" Who it is was checked: {event.identity}." if event.identity else ""
            return "secrets", f"{watch.name(event.person)} was given a one-time code{until}.{checked}"
        case CodeUsed():
            return "secrets", f"{watch.name(event.person)} signed in with a one-time code at {event.tablet}: used up."
        case SecretChosen():
            by = f", having shown {_way(event.way)}" if event.way else ""
            at = f", at {event.tablet}" if event.tablet else ""
            told = f" Accepted: “{event.accepted}”." if event.accepted else ""
            return "secrets", f"A secret was chosen for {watch.name(event.person)}{by}{at}.{told}"
        case SecretWrong():
            wait = f" The next try is taken after {event.waits_until} (UTC)." if event.waits_until else ""
            told = f"A wrong secret for {watch.name(event.person)} at {event.tablet}, {event.count} in a row."
            return "wrong", told + wait
        case WaitLifted():
            return "wrong", f"The wait of {watch.name(event.person)} was ended: {event.reason}."
        case AlertSeen():
            return "alerts", f"The alert of entry {event.entry} was seen."
        case SettingChosen():
            setting = SETTINGS.get(event.setting)
            what, unit = (setting.label, f" {setting.unit}") if setting else (event.setting.replace("_", " "), "")
            return "settings", f"{what}: was {event.was}{unit}, now {event.now}{unit}. {event.reason}."
        case LimitChosen():
            reading = LIMITS[event.limit].reading if event.limit in LIMITS else event.limit
            was, now = (f"{_limit(item)} ({item.basis})" if item else "none" for item in (event.was, event.now))
            return "settings", f"Limit for the {reading} at housings without their own: was {was}, now {now}."
        case ClockStepped():
            return "clock", step_words(event)
        case _:
            assert_never(event)


def _way(way: str) -> str:
    return "their own secret" if way == "own secret" else "a one-time code"
