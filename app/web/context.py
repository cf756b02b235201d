"""What the routes need, made once by `bootstrap` and handed to the app."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime

from starlette.requests import Request

from app.calc.errors import Invalid
from app.domain.event_base import Who
from app.ledger.heads import Head, Signer
from app.services.clockwatch import ClockWatch
from app.services.due import DueBook
from app.services.export import (
    BlankPrinter,
    CertificatePrinter,
    HousingPrinter,
    LabelPrinter,
    ListPrinter,
    Material,
    PdfMaker,
)
from app.services.figures import Figures
from app.services.housing_register import HousingRegister
from app.services.jobs import Asked, Jobs
from app.services.plans import Plans
from app.services.ports import Library, PartsShelf, PeopleBook, PhotoShelf, Session, SessionBook
from app.services.registers import Registers
from app.services.store_room import StoreRoom
from app.services.tablets import Tablets
from app.services.trust import Trust
from app.services.waste import WasteBook
from app.services.watching import Watching
from app.settings import Settings

COOKIE = "changeout_session"
TABLET_COOKIE = "changeout_tablet"
DEVICE_COOKIE = "changeout_device"
SCHEME_COOKIE = "changeout_scheme"
WORKER_COOKIE = "changeout_worker"


@dataclass(frozen=True, slots=True)
class Site:
    """One running site.  line: the name of the line of entries that it is on; a restore changes it, at a start."""

    settings: Settings
    clock: Callable[[], datetime]
    jobs: Jobs
    registers: Registers
    waste: WasteBook
    figures: Figures
    due: DueBook
    store_room: StoreRoom
    plans: Plans
    housing_register: HousingRegister
    unprintable: Callable[[str], str | None]
    tablets: Tablets
    watching: Watching
    clock_watch: ClockWatch
    people: PeopleBook
    sessions: SessionBook
    library: Library
    photos: PhotoShelf
    parts: PartsShelf
    signer: Signer
    material: Callable[[str], Material]
    make_pdf: PdfMaker
    print_certificate: CertificatePrinter
    print_housing: HousingPrinter
    print_handover: HousingPrinter
    print_blank: BlankPrinter
    print_waste: BlankPrinter
    print_labels: LabelPrinter
    print_readiness: BlankPrinter
    print_lists: ListPrinter
    heads: Callable[[str], list[Head]]
    facts: tuple[str, ...] = ()
    trust: Trust | None = None
    names: frozenset[str] = frozenset()
    line: str = ""

    @property
    def notices(self) -> tuple[str, ...]:
        """What is told at the start and on the page about the site; certificates are judged by the day."""
        return (*self.facts, *(self.trust.warnings(self.clock()) if self.trust else ()))


def site_of(request: Request) -> Site:
    """Return the site that this app serves."""
    site: Site = request.app.state.site
    return site


def session_of(request: Request) -> Session:
    """Return the session that the guard has found (only behind the guard)."""
    session: Session = request.state.session
    return session


def worker_chosen(request: Request, job: str) -> str:
    """Return for whom this tablet records in this job: as just sent, else as chosen last; nothing: for itself."""
    fields: Mapping[str, str] = getattr(request.state, "fields", {})
    if "worker" in fields:
        return fields["worker"]
    ledger, _, person = request.cookies.get(WORKER_COOKIE, "").partition(":")
    return person if ledger == job else ""


LONGEST_TOKEN = 100
"""Characters of a form's token; this program's have 32 to 64 (this program's bound)."""


def asked_by(request: Request, *, token: str, device_at: str = "", by: Who | None = None) -> Asked:
    """Return who asks, from which tablet, under which token, and whether id and secret were given for it."""
    session = session_of(request)
    if len(token) > LONGEST_TOKEN:
        raise Invalid(
            f"The form's token has {len(token)} characters; at most {LONGEST_TOKEN} are taken. Reload the page."
        )
    return Asked(
        by=by or session.who,
        tablet=session.tablet,
        device_at=device_at or None,
        token=token or None,
        both=getattr(request.state, "both", False),
        covered=session.locked,
    )
