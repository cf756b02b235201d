"""Whose signature a text needs before it is issued, and who may give it; every refusal writes nothing."""

from datetime import date

import pytest

from app.calc.errors import Invalid
from app.domain.event_base import Who
from app.domain.issuing import complain_of_issuer, not_approved, procedure_approved, texts_waiting, why_not
from app.domain.procedure import Procedure, Role
from app.domain.refused import Refused
from app.domain.registers import SiteMoment
from app.domain.signing import MEANINGS
from app.domain.site import ProcedureApproved, ProcedureIssued, SiteState, evolve_site, fold_site, site_event_from_bytes
from app.domain.watch_events import PersonAdded, PersonLeft, RoleGiven
from app.ledger.canonical import canonical
from tests.builders import HANDS, KEEPER, LEAD, OFFICER, OTHER_LEAD, procedure

DIGEST = "ab" * 32
AT = "2026-03-02T08:00:00.000Z"
APPROVER = Who(id="sarvela", name="t.  sarvela", role=Role.SAFETY_OFFICER)
AUTHOR = Who(id="okonjo", name="M. OKONJO-VALE", role=Role.LEAD)


def added(state: SiteState, *people: Who) -> SiteState:
    """Return the site after these people were added."""
    for who in people:
        told = PersonAdded(seq=state.size, at=AT, person=who.id, name=who.name, role=who.role)
        state = evolve_site(state, told)
    return state


SITE = added(SiteState(), LEAD, OTHER_LEAD, OFFICER, HANDS)


def approved(
    state: SiteState, by: Who | None, *, text: Procedure | None = None, digest: str = DIGEST, seen: str = DIGEST
) -> ProcedureApproved:
    """Return the entry of an approval."""
    moment = SiteMoment(seq=state.size, at=AT, today=date(2026, 3, 2), by=by)
    return procedure_approved(
        state, moment, procedure=text or procedure(), digest=digest, seen=seen, local_time="2026-03-02T09:00:00+01:00",
        both=False,
    )  # fmt: skip


def issued(state: SiteState, digest: str = DIGEST, revision: int = 7) -> SiteState:
    """Return the site after a text was issued."""
    told = ProcedureIssued(seq=state.size, at=AT, procedure="change-out", revision=revision, sha256=digest,
                           author="A", approver="B")  # fmt: skip
    return evolve_site(state, told)


@pytest.mark.parametrize("by", [LEAD, OFFICER], ids=["lead", "safety officer"])
def test_a_text_whose_approver_is_nobody_here_is_approved_by_any_lead_or_safety_officer(by: Who) -> None:
    """Both names are kept: whom the text names, and who signed; the entry reads back as it was written."""
    entry = approved(SITE, by)
    after = evolve_site(SITE, entry)

    assert (entry.by, entry.named, entry.sha256) == (by, "T. Sarvela", DIGEST)
    assert entry.meaning in MEANINGS
    assert entry.proof == "secret entered at signing"
    assert "a lead or safety officer, as nobody here is called T. Sarvela, has yet to sign" in not_approved(
        procedure(), DIGEST, SITE
    )
    assert not_approved(procedure(), DIGEST, after) == ""
    assert site_event_from_bytes(canonical(entry.model_dump(mode="json", exclude_none=True))) == entry


def test_an_approval_is_of_exactly_one_text() -> None:
    """Other words, the same number: approved anew."""
    after = evolve_site(SITE, approved(SITE, OFFICER))

    assert "has yet to sign" in not_approved(procedure(), "cd" * 32, after)
    assert approved(after, OFFICER, digest="cd" * 32, seen="cd" * 32).sha256 == "cd" * 32


@pytest.mark.parametrize("by", [HANDS, KEEPER], ids=["technician", "administrator"])
def test_nobody_but_a_lead_or_a_safety_officer_approves(by: Who) -> None:
    """Whatever their name."""
    state = added(SITE, by)

    with pytest.raises(Refused, match=f"a lead or a safety officer approves it, and {by.name} is"):
        approved(state, by)
    named = by.model_copy(update={"id": "x", "name": "T. Sarvela"})
    with pytest.raises(Refused, match="a lead or a safety officer approves it"):
        approved(added(SITE, named), named)


def test_where_the_named_approver_works_here_nobody_signs_in_their_stead() -> None:
    """However the name is spaced and capitalised; once they have left, another signs again."""
    state = added(SITE, APPROVER)
    left = evolve_site(state, PersonLeft(seq=state.size, at=AT, person=APPROVER.id))

    with pytest.raises(Refused, match="Sarvela, who works here, as its approver"):
        approved(state, OFFICER)
    assert not_approved(procedure(), DIGEST, state).endswith(
        "T. Sarvela has yet to sign the approval of exactly this text."
    )
    assert approved(state, APPROVER).by == APPROVER
    assert approved(left, OFFICER).by == OFFICER


def test_a_named_approver_who_is_no_lead_is_waited_for() -> None:
    """A technician of that name may not sign, and nobody does instead, until a role or the text is changed."""
    state = added(SITE, Who(id="sarvela", name="T. Sarvela", role=Role.TECHNICIAN))
    changed = RoleGiven(
        seq=state.size, at=AT, person="sarvela", was=Role.TECHNICIAN, now=Role.LEAD, reason="took the course"
    )

    with pytest.raises(Refused, match="Ask them"):
        approved(state, OFFICER)
    now = Who(id="sarvela", name="T. Sarvela", role=Role.LEAD)
    assert approved(evolve_site(state, changed), now).by == now


def test_the_author_neither_approves_nor_issues() -> None:
    """Under any spelling of the name, and also where the text names somebody else."""
    with pytest.raises(Refused, match="wrote it and cannot approve it"):
        approved(added(SITE, AUTHOR), AUTHOR)
    own = procedure().model_copy(update={"approver": "m. okonjo-vale"})
    with pytest.raises(Invalid, match="wrote it and approved it"):
        approved(SITE, OFFICER, text=own)
    assert "cannot issue it" in complain_of_issuer(procedure(), AUTHOR)
    assert complain_of_issuer(procedure(), LEAD) == complain_of_issuer(procedure(), None) == ""


def test_what_was_issued_or_approved_is_not_approved_again_and_no_server_approves() -> None:
    """Nor under an old number, nor over another page."""
    once = evolve_site(SITE, approved(SITE, OFFICER))

    with pytest.raises(Invalid, match="Aiko Lindqvist has approved it already"):
        approved(once, LEAD)
    with pytest.raises(Invalid, match="has been issued already"):
        approved(issued(SITE), OFFICER)
    with pytest.raises(Invalid, match="revision 7 was issued with other words"):
        approved(issued(SITE, "cd" * 32), OFFICER)
    with pytest.raises(Refused, match="its file has changed since"):
        approved(SITE, OFFICER, seen="cd" * 32)
    with pytest.raises(Refused, match="a person approves it"):
        approved(SITE, None)


def test_what_waits_is_told_to_those_who_may_sign_it() -> None:
    """First the approval, then for leads but its author the issue; nothing once it is issued or cannot be."""
    texts = ((procedure(), DIGEST),)

    def told(state: SiteState, who: Who) -> list[str]:
        return [what for _, what in texts_waiting(state, texts, who)]

    once = evolve_site(SITE, approved(SITE, OFFICER))
    for state, expected in (
        (SITE, {LEAD: ["approved"], OFFICER: ["approved"], HANDS: [], AUTHOR: []}),
        (added(SITE, APPROVER), {LEAD: [], OFFICER: [], APPROVER: ["approved"]}),
        (once, {LEAD: ["issued"], OFFICER: [], HANDS: [], AUTHOR: []}),
        (issued(once), {LEAD: [], OFFICER: []}),
        (issued(SITE, "cd" * 32, revision=8), {LEAD: [], OFFICER: []}),
    ):
        assert {who: told(state, who) for who in expected} == expected
    assert why_not(procedure(), DIGEST, SITE) == ""


def test_an_issue_from_before_signatures_were_asked_reads_as_it_did() -> None:
    """It has no `approved_by`, its bytes are the same, and jobs open with it."""
    old = (
        b'{"approver":"T. Sarvela","at":"2026-03-02T08:00:00.000Z","author":"M. Okonjo-Vale","ledger":"site",'
        b'"procedure":"change-out","revision":5,"seq":0,"sha256":"' + DIGEST.encode() + b'","type":"procedure_issued"}'
    )
    event = site_event_from_bytes(old)

    assert isinstance(event, ProcedureIssued)
    assert event.approved_by is None
    assert canonical(event.model_dump(mode="json", exclude_none=True)) == old
    assert fold_site([event]).procedures == (("change-out", 5, DIGEST),)
