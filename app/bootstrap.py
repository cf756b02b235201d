"""The only place that builds the clock, the store, the signing key, the services and the web app."""

import shutil
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from socket import gethostname

from fastapi import FastAPI
from sqlalchemy import Engine

from app import __version__
from app.calc.errors import Invalid
from app.domain.procedure import Role
from app.domain.restores import present_line
from app.domain.site import SITE_LEDGER, JobClosed, SiteStarted, site_event_from_bytes
from app.domain.site_settings import IDLE_LOCK, value_of
from app.ledger.heads import Head
from app.paths import FONTS, SEED_DATA
from app.records.assemble import photos_named
from app.records.moments import local_text, utc_text, zone_named
from app.services.clockwatch import ClockWatch
from app.services.due import DueBook
from app.services.export import Material
from app.services.figures import Figures
from app.services.housing_register import HousingRegister
from app.services.jobs import Jobs
from app.services.plans import Plans
from app.services.registers import Registers
from app.services.store_room import StoreRoom
from app.services.tablets import Tablets
from app.services.waste import WasteBook
from app.services.watching import Watching
from app.settings import Settings
from app.storage.ballast import BALLAST_NAME, Ballast
from app.storage.durable import DATABASE, RESTORED_NOTE
from app.storage.engine import kind_of, open_engine
from app.storage.home import is_elsewhere, note_elsewhere, refuse_other_home
from app.storage.keys import SiteKey, load_or_make_site_key, load_site_key
from app.storage.library import FileLibrary
from app.storage.parts import PhotoParts
from app.storage.people import People
from app.storage.photos import PhotoStore
from app.storage.plates import IncomingFiles, PlateFiles
from app.storage.sessions import Sessions
from app.storage.tables import create_schema, schema_found
from app.storage.tls import load_trust
from app.storage.writer import Store
from app.web.app import make_app
from app.web.context import Site


@dataclass(frozen=True, slots=True)
class Running:
    """Everything that one server process holds open."""

    settings: Settings
    engine: Engine
    store: Store
    key: SiteKey
    site: Site
    people: People
    app: FastAPI

    def close(self) -> None:
        """Finish what was handed in and let the data folder go."""
        self.store.close()
        self.engine.dispose()


def clock_now() -> datetime:
    """Return the present instant, in UTC; the one clock of the program."""
    return datetime.now(UTC)


def running_now() -> float:
    """Return for how many seconds this machine has been running, asleep or not, which no setting of a clock changes."""
    return time.clock_gettime(time.CLOCK_BOOTTIME) if hasattr(time, "CLOCK_BOOTTIME") else time.monotonic()


def start(
    settings: Settings,
    clock: Callable[[], datetime] = clock_now,
    running: Callable[[], float] | None = None,
    *,
    serving: bool = True,
) -> Running:
    """Open a data folder, making what is missing, and return the running site.

    running: what the clock is watched against, in seconds; a clock that is handed in alone counts as its own.
    serving: False for a single command: it makes no site where there is none, and its settings are nobody's choice
    and are not entered as such.
    """
    if running is None:
        running = running_now if clock is clock_now else lambda: clock().timestamp()
    zone_named(settings.zone)
    if serving:
        settings.data.mkdir(parents=True, exist_ok=True)
        _ship_procedures(settings)
    refuse_other_home(settings.data, elsewhere=settings.database is not None)
    if not serving and not (is_elsewhere(settings.data) or (settings.data / DATABASE).is_file()):
        raise _no_site(settings)
    known = (settings.data / DATABASE).exists()
    engine = open_engine(settings.data / DATABASE, settings.database)
    try:
        with kind_of(engine).starting(engine):
            known = known or (settings.database is not None and schema_found(engine) > 0)
            return _running(settings, engine, clock, running, known=known, serving=serving)
    except BaseException:
        engine.dispose()  # else the folder would stay in use after a start that failed
        raise


def _no_site(settings: Settings) -> Invalid:
    where = settings.data if settings.database is None else f"{settings.data} with this DATABASE_URL"
    return Invalid(f"{where} is no site that has been served. Give the folder that the server uses.")


def _running(
    settings: Settings,
    engine: Engine,
    clock: Callable[[], datetime],
    running: Callable[[], float],
    *,
    known: bool,
    serving: bool,
) -> Running:
    if not serving and not known:
        raise _no_site(settings)
    if known and not (settings.data / "keys").is_dir():
        where = settings.data if settings.database is None else f"The database of {settings.data}"
        raise Invalid(f"{where} holds a record but not its keys. Restore the folder keys from the same backup.")
    create_schema(engine)
    key = load_or_make_site_key(settings.data, site=settings.site, clock=clock)
    ballast = None
    if settings.database is None:
        ballast = Ballast(settings.data / BALLAST_NAME)
        ballast.lay()
    store = Store(engine, key, clock, ballast=ballast)
    try:
        return _built(settings, engine, store, key, clock, running, serving=serving)
    except BaseException:
        store.close()  # else its thread and its connections would outlive a start that failed
        raise


def _built(
    settings: Settings,
    engine: Engine,
    store: Store,
    key: SiteKey,
    clock: Callable[[], datetime],
    running: Callable[[], float],
    *,
    serving: bool,
) -> Running:
    if settings.database is not None:
        _refuse_other_key(store, key, settings)
        note_elsewhere(settings.data)
    photos = PhotoStore(settings.data)
    jobs = Jobs(store, photos, clock, unprintable=unprintable)
    _begin_site(jobs, settings, key)
    _tell_restore(jobs, store, settings.data)
    clock_watch = ClockWatch(jobs, clock, running)
    clock_watch.begin()
    watching = Watching(jobs, unprintable=unprintable)
    if serving:
        begun = jobs.site()
        plain = Settings(site=begun.name, zone=begun.zone)
        watching.started_with(_started_with(settings), at_first=_started_with(plain))
    people = People(store, clock, jobs.write_site, jobs.write_site_seeing, jobs.site)
    library = FileLibrary(settings.data)
    plates = PlateFiles(settings.data, library)
    plates.recover(lambda tag: known.sha256 if (known := jobs.site().housed.plates.get(tag)) else None)
    trust = load_trust(settings.data)
    site = Site(
        settings=settings,
        clock=clock,
        jobs=jobs,
        registers=Registers(jobs, library, people, unprintable=unprintable),
        waste=WasteBook(jobs, unprintable=unprintable),
        figures=Figures(jobs),
        due=DueBook(jobs, library),
        store_room=StoreRoom(jobs, library, photos, unprintable=unprintable),
        plans=Plans(jobs, library, people, unprintable=unprintable),
        housing_register=HousingRegister(
            jobs, library, plates, IncomingFiles(settings.data), clock, unprintable=unprintable
        ),
        tablets=Tablets(jobs, clock),
        watching=watching,
        clock_watch=clock_watch,
        unprintable=unprintable,
        names=frozenset({settings.host.lower(), gethostname().lower(), *(trust.names if trust else ())}),
        people=people,
        sessions=Sessions(
            store,
            people,
            clock,
            idle=lambda: timedelta(minutes=value_of(jobs.site(), IDLE_LOCK)),
            longest=timedelta(hours=settings.session_hours),
        ),
        library=library,
        photos=photos,
        parts=PhotoParts(settings.data, photos),
        signer=key,
        material=partial(material_of, store, photos, key, clock),
        make_pdf=partial(signed_pdf, key),
        print_certificate=partial(signed_certificate, key),
        print_housing=printed_housing,
        print_handover=printed_handover,
        print_blank=printed_blank,
        print_waste=printed_waste,
        print_labels=printed_labels,
        print_readiness=printed_readiness,
        print_lists=printed_lists,
        heads=store.read_heads,
        facts=(*_facts(settings, key, kind_of(engine).notice(engine)), *_returns(jobs, settings)),
        trust=trust,
        line=present_line(jobs.site()),
    )
    return Running(settings, engine, store, key, site, people, make_app(site))


def unprintable(text: str) -> str | None:
    """Return a sentence if the record's fonts cannot print a text."""
    from app.paper.fonts import unprintable as judged

    return judged(text, FONTS)


def material_of(store: Store, photos: PhotoStore, key: SiteKey, clock: Callable[[], datetime], job: str) -> Material:
    """Collect what a job's record is made from."""
    from app.domain.events import event_from_bytes

    events = tuple(event_from_bytes(payload) for payload in store.read_payloads(job))
    heads: list[Head] = [head for head in store.read_heads(job) if head.size <= len(events)]
    return Material(
        events=events[: heads[-1].size] if heads else (),
        heads=tuple(heads),
        photos={name: photos.read(name) for name in photos_named(events)},
        certificate_pem=key.certificate_pem,
        authority_pem=key.authority_pem,
        made_at=utc_text(clock()),
        program=f"Changeout Ledger {__version__}",
    )


def signed_pdf(
    key: SiteKey, report: dict[str, object], record_json: bytes, photos: Mapping[str, bytes], made_at: str
) -> bytes:
    """Print the report with the JSON inside and sign it with the site key."""
    from app.paper.pdf import make_pdf

    moment = _whole_second(made_at)
    printed = make_pdf(report=report, record_json=record_json, fonts=FONTS, photos=photos, made_at=moment)
    return _signed(key, printed, moment)


def signed_certificate(key: SiteKey, certificate: dict[str, object], made_at: str) -> bytes:
    """Print the certificate of a bank with its data inside and sign it with the site key."""
    from app.paper.extracts import certificate_pdf

    moment = _whole_second(made_at)
    return _signed(key, certificate_pdf(certificate=certificate, fonts=FONTS, made_at=moment), moment)


def printed_housing(sheet: dict[str, object], drawings: dict[str, bytes], made_at: str) -> bytes:
    """Print the sheet of a housing; it is not signed, since it is no part of any record."""
    from app.paper.extracts import housing_pdf

    return housing_pdf(sheet=sheet, drawings=drawings, fonts=FONTS, made_at=_whole_second(made_at))


def printed_labels(sheet: dict[str, object], made_at: str) -> bytes:
    """Print a sheet of labels."""
    from app.paper.labels import labels_pdf

    return labels_pdf(sheet=sheet, fonts=FONTS, made_at=_whole_second(made_at))


def printed_handover(sheet: dict[str, object], drawings: dict[str, bytes], made_at: str) -> bytes:
    """Print the sheet to hand a job over; it is not signed, for the record proves what stands on it."""
    from app.paper.extracts import handover_pdf

    return handover_pdf(sheet=sheet, drawings=drawings, fonts=FONTS, made_at=_whole_second(made_at))


def printed_waste(sheet: dict[str, object], made_at: str) -> bytes:
    """Print the list of a container or the sheet of a hand-over; the site's ledger proves what stands on it."""
    from app.paper.extracts import waste_pdf

    return waste_pdf(sheet=sheet, fonts=FONTS, made_at=_whole_second(made_at))


def printed_blank(blank: dict[str, object], made_at: str) -> bytes:
    """Print a controlled blank; its serial number stands in the job's ledger."""
    from app.paper.extracts import blank_pdf

    return blank_pdf(blank=blank, fonts=FONTS, made_at=_whole_second(made_at))


def printed_readiness(sheet: dict[str, object], made_at: str) -> bytes:
    """Print the readiness of planned work; it is not signed, for the site's ledger proves what stands on it."""
    from app.paper.extracts import readiness_pdf

    return readiness_pdf(sheet=sheet, fonts=FONTS, made_at=_whole_second(made_at))


def printed_lists(lists: dict[str, object], made_at: str) -> bytes:
    """Print pick and order list; they are not signed, since they are no part of any record."""
    from app.paper.extracts import picking_pdf

    return picking_pdf(lists=lists, fonts=FONTS, made_at=_whole_second(made_at))


def _whole_second(made_at: str) -> datetime:
    """The printer keeps whole seconds."""
    return datetime.fromisoformat(made_at).replace(microsecond=0)


def _signed(key: SiteKey, printed: bytes, moment: datetime) -> bytes:
    from app.paper.signing import sign_pdf

    return sign_pdf(
        printed,
        key_pem=key.key_path.read_bytes(),
        certificate_pem=key.certificate_pem,
        authority_pem=key.authority_pem,
        at=moment,
    )


def first_administrator(running: Running) -> str | None:
    """Make the first administrator of an empty site and return the one-time code, else None."""
    if running.people.everyone():
        return None
    _, code = running.people.add(
        "First administrator", Role.ADMINISTRATOR, by=None, identity="whoever set the server up at its machine"
    )
    return code


def _ship_procedures(settings: Settings) -> None:
    """Copy the shipped procedures into a new data folder; what is there is the site's own and stays."""
    for kind in ("procedures", "housings"):
        (settings.data / kind).mkdir(exist_ok=True)
    for path in (SEED_DATA / "procedures").glob("*.toml"):
        target = settings.data / "procedures" / path.name
        if not target.exists():
            shutil.copyfile(path, target)


def ship_sample_housings(settings: Settings) -> None:
    """Copy the sample housings into a data folder."""
    with suppress(FileExistsError):
        (settings.data / "housings").mkdir(parents=True)
    for path in (SEED_DATA / "housings").glob("*.toml"):
        target = settings.data / "housings" / path.name
        if not target.exists():
            shutil.copyfile(path, target)


def _begin_site(jobs: Jobs, settings: Settings, key: SiteKey) -> None:
    if jobs.site().size == 0:
        jobs.write_site(
            lambda _, seq, at: SiteStarted(seq=seq, at=at, site=settings.site, zone=settings.zone, key_id=key.key_id)
        ).result()


def _refuse_other_key(store: Store, key: SiteKey, settings: Settings) -> None:
    """A database and a folder are joined by hand, so the two may be of different sites."""
    heads = store.read_heads(SITE_LEDGER)
    if heads and heads[-1].key_id != key.key_id:
        raise Invalid(
            f"The database belongs to the site with the key {heads[-1].key_id}, and {settings.data} holds the key "
            f"{key.key_id}. Give the folder of the same site."
        )


def finish_restore(data: Path, *, clock: Callable[[], datetime]) -> None:
    """Write into the site's ledger of a restored folder, which has its key, that it went on from a backup."""
    engine = open_engine(data / DATABASE)
    try:
        create_schema(engine)
        store = Store(engine, load_site_key(data), clock)
        try:
            _tell_restore(Jobs(store, PhotoStore(data), clock, unprintable=unprintable), store, data)
        finally:
            store.close()
    finally:
        engine.dispose()


def _tell_restore(jobs: Jobs, store: Store, data: Path) -> None:
    """Turn the note of a restore into an entry, once: a note that outlived its entry is only removed."""
    if not (data / RESTORED_NOTE).exists():
        return  # as at almost every start, which need not load what reads such a note
    from app.storage.restore import forget_note, pending_note

    note = pending_note(data)
    if note is None:
        return
    events = [site_event_from_bytes(payload) for payload in store.read_payloads(SITE_LEDGER)]
    if not any(event.type == "site_restored" and event.manifest == note.manifest for event in events):
        closed = {(event.job, event.size, event.root) for event in events if isinstance(event, JobClosed)}
        jobs.write_site(lambda _, seq, at: note.event(seq, at, said=closed)).result()
    forget_note(data)


def _started_with(settings: Settings) -> dict[str, str]:
    """The options of a start that bear on records and access."""
    return {
        "site_name": settings.site,
        "time_zone": settings.zone,
        "session_hours": str(settings.session_hours),
        "cookies_for_tls_only": "yes" if settings.secure_cookie else "no",
    }


def _returns(jobs: Jobs, settings: Settings) -> tuple[str, ...]:
    return tuple(
        f"On {local_text(event.at, settings.zone)} the site went on from a backup of "
        f"{local_text(event.made_at, settings.zone)}: entries made between the two are not in this record."
        for event in jobs.site().restored
    )


def _facts(settings: Settings, key: SiteKey, engine: str) -> tuple[str, ...]:
    return (
        f"Changeout Ledger {__version__}",
        engine,
        f"The site key lies in {key.key_path}. Back it up where only the site's keeper can read it.",
        f"Times are kept in UTC and shown in {settings.zone}, by this machine's clock.",
    )
