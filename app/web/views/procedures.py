"""The procedures of a site: what may be used, what waits to be issued, and why."""

from dataclasses import dataclass

from app.domain.housing import Housing
from app.domain.procedure import Role
from app.domain.site import SiteState, issued_digests
from app.services.issuing import why_not
from app.services.ports import Library, Session
from app.web.views.pages import MOST_CHOSEN


@dataclass(frozen=True, slots=True)
class ProcedureRow:
    """One text. may: it can be rehearsed and issued now; why: why not."""

    id: str
    title: str
    revision: int
    sha256: str
    people: str
    issued: bool
    may: bool
    why: str
    contingencies: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ProceduresPage:
    """Every procedure of the site, and the housings to rehearse one on; None where they are too many for a list."""

    rows: tuple[ProcedureRow, ...]
    faults: tuple[str, ...]
    housings: tuple[str, ...] | None
    who: str
    is_lead: bool
    token: str


def _to_choose(housings: tuple[Housing, ...]) -> tuple[str, ...] | None:
    return None if len(housings) > MOST_CHOSEN else tuple(item.tag for item in housings)


def procedures_page(library: Library, state: SiteState, session: Session, token: str) -> ProceduresPage:
    """Return the page of the site's procedures."""
    issued = issued_digests(state)
    rows = []
    for procedure, digest in library.procedures():
        why = "" if digest in issued else why_not(procedure, digest, state)
        rows.append(ProcedureRow(
            id=procedure.id, title=procedure.title, revision=procedure.revision, sha256=digest,
            people=f"written by {procedure.author}, approved by {procedure.approver}",
            issued=digest in issued, may=digest not in issued and not why, why=why,
            contingencies=tuple(item.title for item in procedure.contingencies.values()),
        ))  # fmt: skip
    return ProceduresPage(
        rows=tuple(rows), faults=library.faults(), housings=library.made_of(_to_choose),
        who=session.who.name, is_lead=session.who.role is Role.LEAD, token=token,
    )  # fmt: skip
