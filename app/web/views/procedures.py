"""The procedures of a site: what may be used, what waits to be issued, and why."""

from dataclasses import dataclass

from app.domain.housing import Housing
from app.domain.issuing import complain_of_approver, complain_of_issuer, not_approved, why_not
from app.domain.procedure import Procedure, Role
from app.domain.signing import APPROVE
from app.domain.site import SiteState, issued_digests
from app.records.moments import local_text
from app.services.ports import Library, Session
from app.web.views.pages import MOST_CHOSEN


@dataclass(frozen=True, slots=True)
class ProcedureRow:
    """One text.

    approved: who signed its approval, in words.  to_approve, may: this reader may sign that now, or issue it.
    why: why it is not issued.
    """

    id: str
    title: str
    revision: int
    sha256: str
    people: str
    issued: bool
    approved: str
    to_approve: bool
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
    meaning: str
    token: str


def _to_choose(housings: tuple[Housing, ...]) -> tuple[str, ...] | None:
    return None if len(housings) > MOST_CHOSEN else tuple(item.tag for item in housings)


def procedures_page(library: Library, state: SiteState, session: Session, token: str) -> ProceduresPage:
    """Return the page of the site's procedures."""
    issued = issued_digests(state)
    rows = []
    for procedure, digest in library.procedures():
        broken = why_not(procedure, digest, state)
        owed = "" if broken else not_approved(procedure, digest, state)
        complaint = complain_of_approver(procedure, state, session.who)
        rows.append(ProcedureRow(
            id=procedure.id, title=procedure.title, revision=procedure.revision, sha256=digest,
            people=f"written by {procedure.author}; {procedure.approver} is named as its approver",
            issued=digest in issued, approved=_approval(procedure, digest, state),
            to_approve=bool(owed) and not complaint,
            may=not broken and not owed and session.who.role is Role.LEAD
            and not complain_of_issuer(procedure, session.who),
            why="" if digest in issued else broken or owed,
            contingencies=tuple(item.title for item in procedure.contingencies.values()),
        ))  # fmt: skip
    return ProceduresPage(
        rows=tuple(rows), faults=library.faults(), housings=library.made_of(_to_choose),
        who=session.who.name, meaning=APPROVE, token=token,
    )  # fmt: skip


def _approval(procedure: Procedure, digest: str, state: SiteState) -> str:
    given = state.approved.get(digest)
    if given is None or given.by is None:
        return ""
    told = f"{given.by.name} ({given.by.role.words}), signed {local_text(given.at, state.zone)}"
    return told if given.by.name == procedure.approver else f"{told}; the text names {procedure.approver}"
