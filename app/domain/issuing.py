"""Issuing a procedure: whose signature a text needs first, who may give it, and what keeps a text from being issued.

Rules kept here:
- author and approver differ, and what was issued keeps its words: other words are another revision;
- exactly this text (SHA-256) was approved, signed with a secret, by a lead or safety officer of this site;
- where the approver whom the text names works here, nobody else signs in their stead.  Where nobody of that name does,
  since the text came from elsewhere, any lead or safety officer but its author signs, and both names are told.
"""

from collections.abc import Iterable

from app.calc.errors import Invalid
from app.domain.event_base import Who, proof_of
from app.domain.procedure import Procedure, Role
from app.domain.refused import Refused
from app.domain.registers import SiteMoment
from app.domain.signing import APPROVE
from app.domain.site import ProcedureApproved, SiteState, issued_digests

APPROVING = frozenset({Role.LEAD, Role.SAFETY_OFFICER})
"""Whose signature approves a text."""


def why_not(procedure: Procedure, digest: str, site: SiteState) -> str:
    """Say why a text can neither be approved nor issued as it is; nothing if it can."""
    name = _name(procedure)
    if digest in issued_digests(site):
        return f"{name}, has been issued already."
    if same_person(procedure.author, procedure.approver):
        return f"{name}: {procedure.author} wrote it and approved it. Somebody else must approve it first."
    newest = max((revision for known, revision, _ in site.procedures if known == procedure.id), default=0)
    if procedure.revision <= newest:
        return f"{name}: revision {newest} was issued with other words. Give this text a higher number and try again."
    return ""


def not_approved(procedure: Procedure, digest: str, site: SiteState) -> str:
    """Say whose approval of exactly this text is owed; nothing once it was signed."""
    if digest in site.approved:
        return ""
    return f"{_name(procedure)}: {approver_owed(procedure, site)} has yet to sign the approval of exactly this text."


def approver_owed(procedure: Procedure, site: SiteState) -> str:
    """Name who approves a text."""
    named = procedure.approver
    if _works_here(named, site):
        return named
    return f"a lead or safety officer, as nobody here is called {named},"


def complain_of_approver(procedure: Procedure, site: SiteState, who: Who) -> str:
    """Say why this person does not approve this text; nothing if they may."""
    name = _name(procedure)
    if who.role not in APPROVING:
        return f"{name}: a lead or a safety officer approves it, and {who.name} is {who.role.words}. Ask one."
    if same_person(who.name, procedure.author):
        return f"{name}: {who.name} wrote it and cannot approve it. Ask somebody else."
    if _works_here(procedure.approver, site) and not same_person(who.name, procedure.approver):
        return f"{name}: the text names {procedure.approver}, who works here, as its approver. Ask them."
    return ""


def procedure_approved(
    state: SiteState, moment: SiteMoment, *, procedure: Procedure, digest: str, seen: str, local_time: str, both: bool
) -> ProcedureApproved:
    """Return the entry by which somebody approves exactly this text.

    seen: the SHA-256 that stood on the page that they signed.  both: id and secret were given.
    """
    if seen != digest:
        raise Refused("changed", f"{_name(procedure)}: its file has changed since this page was shown. Read it again.")
    if told := why_not(procedure, digest, state):
        raise Invalid(told)
    if moment.by is None:
        raise Refused("role", f"{_name(procedure)}: a person approves it, signed in, under Procedures.")
    if told := complain_of_approver(procedure, state, moment.by):
        raise Refused("role", told)
    if (given := state.approved.get(digest)) is not None and given.by is not None:
        raise Invalid(f"{_name(procedure)}: {given.by.name} has approved it already. Nothing was entered again.")
    return ProcedureApproved(
        seq=moment.seq, at=moment.at, by=moment.by, procedure=procedure.id, revision=procedure.revision, sha256=digest,
        named=procedure.approver, meaning=APPROVE, local_time=local_time, proof=proof_of(both),
    )  # fmt: skip


def complain_of_issuer(procedure: Procedure, who: Who | None) -> str:
    """Say why this person does not issue this text; nothing if they may."""
    if who is None or not same_person(procedure.author, who.name):
        return ""
    return f"{_name(procedure)}: {who.name} wrote it and cannot issue it. Ask another lead."


def texts_waiting(
    state: SiteState, texts: Iterable[tuple[Procedure, str]], who: Who
) -> tuple[tuple[Procedure, str], ...]:
    """Return the texts that wait for this person, each with what is to be done: approved, or then issued by a lead."""
    found = []
    for procedure, digest in texts:
        if why_not(procedure, digest, state):
            continue
        if digest not in state.approved and not complain_of_approver(procedure, state, who):
            found.append((procedure, "approved"))
        if digest in state.approved and who.role is Role.LEAD and not complain_of_issuer(procedure, who):
            found.append((procedure, "issued"))
    return tuple(found)


def same_person(one: str, other: str) -> bool:
    """Whether two names are one, however they are spaced and capitalised."""
    return " ".join(one.casefold().split()) == " ".join(other.casefold().split())


def _works_here(name: str, site: SiteState) -> bool:
    return any(same_person(item.name, name) for item in site.watch.accounts.values() if not item.left)


def _name(procedure: Procedure) -> str:
    return f"{procedure.title}, revision {procedure.revision}"
