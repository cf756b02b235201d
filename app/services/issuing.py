"""Issuing a procedure: author and approver differ, the model finds nothing, and exactly this text has been rehearsed.

A revision that was issued keeps its words: other words are another revision.  Jobs stay on the one they began with.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import lru_cache

from app.calc.errors import Invalid
from app.domain.event_base import Who
from app.domain.examine import examine, sample_housing, seen_before
from app.domain.housing import Housing, Seal, Service
from app.domain.procedure import Procedure
from app.domain.site import ProcedureIssued, ProcedureRehearsed, SiteState, issued_digests
from app.domain.writing_rules import unwatched
from app.services.jobs import Jobs
from app.services.planning import plan
from app.services.rehearsal import rehearse

REHEARSED_AT = datetime(2026, 1, 1, 8, 0, tzinfo=UTC)
"""The made-up day of a rehearsal for issue; nothing in it is compared with it."""


class _Nobody:
    """Signs nothing: a rehearsal for issue leaves no record behind but its head."""

    key_id = "rehearsal for issue"
    certificate_pem = ""

    def sign(self, message: bytes) -> bytes:
        """Return no signature, whatever the message."""
        return message[:0]


def why_not(procedure: Procedure, digest: str, site: SiteState) -> str:
    """Say why a text cannot be issued, before any rehearsal; nothing if it can."""
    name = f"{procedure.title}, revision {procedure.revision}"
    if digest in issued_digests(site):
        return f"{name}, has been issued already."
    if _same_person(procedure.author, procedure.approver):
        return f"{name}: {procedure.author} wrote it and approved it. Somebody else must approve it first."
    newest = max((revision for known, revision, _ in site.procedures if known == procedure.id), default=0)
    if procedure.revision <= newest:
        return f"{name}: revision {newest} was issued with other words. Give this text a higher number and try again."
    return ""


def _refuse(procedure: Procedure, digest: str, site: SiteState) -> None:
    if told := why_not(procedure, digest, site):
        raise Invalid(told)


def _same_person(one: str, other: str) -> bool:
    return " ".join(one.casefold().split()) == " ".join(other.casefold().split())


def issue(jobs: Jobs, procedure: Procedure, digest: str, housing: Housing, *, by: Who | None) -> tuple[int, str]:
    """Rehearse a procedure over a housing and issue it; return how many entries the rehearsal had, and its root.

    Whether it can be issued is asked first, before the time that a rehearsal takes, and decided inside the writing.
    Raises Invalid with the reason where it cannot be issued, Refused where the rehearsal meets a rule.
    """
    if by is not None and _same_person(procedure.author, by.name):
        raise Invalid(
            f"{procedure.title}, revision {procedure.revision}: {by.name} wrote it and cannot issue it. Ask another "
            "lead."
        )
    _refuse(procedure, digest, jobs.site())
    entries, root = rehearsed(Trial(digest, housing.model_dump_json(), procedure, housing))

    def rehearsal(state: SiteState, seq: int, at: str) -> ProcedureRehearsed:
        _refuse(procedure, digest, state)
        return ProcedureRehearsed(
            seq=seq, at=at, by=by, procedure=procedure.id, revision=procedure.revision, sha256=digest,
            housing=housing.tag, entries=entries, root=root,
        )  # fmt: skip

    def issued(state: SiteState, seq: int, at: str) -> ProcedureIssued:
        _refuse(procedure, digest, state)
        return ProcedureIssued(
            seq=seq, at=at, by=by, procedure=procedure.id, revision=procedure.revision, sha256=digest,
            author=procedure.author, approver=procedure.approver,
        )  # fmt: skip

    jobs.write_site(rehearsal).result()
    jobs.write_site(issued).result()
    return entries, root


@dataclass(frozen=True, slots=True)
class Trial:
    """A text and a housing to rehearse it over; two are equal if the text's SHA-256 and the housing's data are."""

    digest: str
    over: str
    procedure: Procedure = field(compare=False)
    housing: Housing = field(compare=False)


@lru_cache(maxsize=32)
def rehearsed(trial: Trial) -> tuple[int, str]:
    """Run a whole job of a text over a housing; return the number of entries and the root over them, in hex."""
    procedure, housing = trial.procedure, trial.housing
    over = (housing, *(sample_housing(seal, Service.RADIOACTIVE, (2,)) for seal in Seal))
    if lacking := (*unwatched(procedure), *(found for tried in over for found in seen_before(procedure, tried))):
        raise Invalid(
            f"{procedure.title}, revision {procedure.revision}, lacks a second pair of eyes at {lacking[0].step} "
            f"({lacking[0].rule}): {lacking[0].sentence}. Correct it and try again."
        )
    for tried in over:
        if found := examine(procedure, tried):
            raise Invalid(
                f"{procedure.title}, revision {procedure.revision}, breaks rule {found[0].rule} at {found[0].step}: "
                f"{found[0].sentence}. Correct it and try again."
            )
    run = rehearse(plan(housing, procedure, trial.digest), _Nobody(), begin=REHEARSED_AT)
    return len(run.events), run.heads[-1].root.hex()


def housing_for(housings: Sequence[Housing]) -> Housing:
    """Return the housing to rehearse on if none was named: the site's first, else a sample with two filters."""
    return housings[0] if housings else sample_housing(Seal.GASKET, Service.RADIOACTIVE, (2,))
