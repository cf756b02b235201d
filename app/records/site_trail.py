"""The site's ledger in plain sentences, each of one kind, for people who look for what happened outside of jobs."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import assert_never

from app.domain.site import (
    InstrumentKept,
    InstrumentPutAside,
    JobClosed,
    JobRegistered,
    JobTakenUp,
    LockNoticeOwed,
    LockNoticeRead,
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
    fold_site,
)
from app.domain.site_settings import SETTINGS
from app.domain.suggestions import SuggestionAnswered, SuggestionCarriedOut, SuggestionMade
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

KINDS = {
    "people": "People and roles", "secrets": "Secrets", "wrong": "Failed sign-ins", "alerts": "Alerts",
    "settings": "Settings", "clock": "Clock", "tablets": "Tablets", "exports": "Exports", "jobs": "Jobs",
    "registers": "Registers", "waste": "Waste", "site": "Procedures and site",
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


def site_trail(events: Iterable[SiteEvent], zone: str) -> list[SiteLine]:
    """Return every entry as a sentence, oldest first; names are those of the day."""
    lines, state = [], fold_site(())
    for event in events:
        state = fold_site([event], start=state)
        by = f"{event.by.name} ({event.by.role.words})" if event.by else "the server"
        kind, sentence = _told(event, state.watch)
        lines.append(SiteLine(event.seq, kind, local_text(event.at, zone), by, sentence))
    return lines


def _told(event: SiteEvent, watch: Watch) -> tuple[str, str]:
    match event:
        case SiteStarted():
            return "site", f"The ledger of {event.site} began, time zone {event.zone}, key {event.key_id[:16]}."
        case ProcedureIssued():
            told = f"Procedure {event.procedure} revision {event.revision} was issued"
            return "site", f"{told}, written by {event.author}, approved by {event.approver}."
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
            return "jobs", f"Job {event.number} was opened on {event.housing}."
        case JobClosed():
            return "jobs", f"The record of {event.job} was accepted at {event.size} entries."
        case JobTakenUp():
            return "jobs", f"The accepted record of {event.job} was re-opened at {event.size} entries."
        case SuggestionMade():
            return "registers", f"A change of the {event.about} {event.what} was suggested: {event.text}"
        case SuggestionAnswered():
            return "registers", f"The suggestion of entry {event.suggestion} was {event.answer}: {event.reason}"
        case SuggestionCarriedOut():
            return "registers", f"The suggestion of entry {event.suggestion} was carried out: {event.how}"
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
        case (
            PackageAdded() | PackagesTold() | ClosureChecked() | PackagesPlaced() | PackageMissing() | PackageExcused()
            | ContainerKept() | WasteHandedOver() | WasteReturned() | CertificateReceived()
        ):  # fmt: skip
            return "waste", _of_waste(event)
        case _:
            return _watched(event, watch)


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
        case ClockStepped():
            return "clock", step_words(event)
        case _:
            assert_never(event)


def _way(way: str) -> str:
    return "their own secret" if way == "own secret" else "a one-time code"
