"""Issuing a procedure: its approver has signed exactly this text, the model finds nothing, and it has been rehearsed.

A revision that was issued keeps its words: other words are another revision.  Jobs stay on the one they began with.
"""

from collections.abc import Iterable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import lru_cache

from app.calc.errors import Invalid
from app.domain.event_base import Who
from app.domain.examine import examine, laid_findings, sample_housing
from app.domain.housing import Housing, Seal, Service
from app.domain.issuing import complain_of_issuer, not_approved, procedure_approved, why_not
from app.domain.procedure import Procedure
from app.domain.site import ProcedureIssued, ProcedureRehearsed, SiteState
from app.domain.writing_rules import unwatched
from app.records.moments import local_text
from app.services.jobs import Jobs
from app.services.planning import plan
from app.services.rehearsal import rehearse
from app.services.site_book import moment_of

REHEARSED_AT = datetime(2026, 1, 1, 8, 0, tzinfo=UTC)
"""The made-up day of a rehearsal for issue; nothing in it is compared with it."""


class _Nobody:
    """Signs nothing: a rehearsal for issue leaves no record behind but its head."""

    key_id = "rehearsal for issue"
    certificate_pem = ""

    def sign(self, message: bytes) -> bytes:
        """Return no signature, whatever the message."""
        return message[:0]


def _refuse(procedure: Procedure, digest: str, site: SiteState) -> None:
    if told := why_not(procedure, digest, site) or not_approved(procedure, digest, site):
        raise Invalid(told)


def approve(jobs: Jobs, procedure: Procedure, digest: str, *, seen: str, both: bool, by: Who) -> "Future[SiteState]":
    """Sign that exactly this text is approved; the secret was given for this.  seen: what stood on the page."""
    return jobs.write_site(
        lambda state, seq, at: procedure_approved(
            state, moment_of(state, seq, at, by), procedure=procedure, digest=digest, seen=seen,
            local_time=local_text(at, state.zone), both=both,
        )
    )  # fmt: skip


def issue_all(jobs: Jobs, texts: Iterable[tuple[Procedure, str]], *, approver: Who, lead: Who) -> None:
    """Approve and issue whatever waits: for a sample site, whose people nobody asks."""
    for procedure, digest in texts:
        if not why_not(procedure, digest, jobs.site()):
            approve(jobs, procedure, digest, seen=digest, both=True, by=approver).result()
            issue(jobs, procedure, digest, housing_for(()), by=lead)


def issue(jobs: Jobs, procedure: Procedure, digest: str, housing: Housing, *, by: Who | None) -> tuple[int, str]:
    """Rehearse a procedure over a housing and issue it; return how many entries the rehearsal had, and its root.

    Whether it can be issued is asked first, before the time that a rehearsal takes, and decided inside the writing.
    Raises Invalid with the reason where it cannot be issued, Refused where the rehearsal meets a rule.
    """
    if told := complain_of_issuer(procedure, by):
        raise Invalid(told)
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
            author=procedure.author, approver=procedure.approver, approved_by=state.approved[digest].by,
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
    if lacking := (*unwatched(procedure), *(found for tried in over for found in laid_findings(procedure, tried))):
        first = lacking[0]
        what = "has too many steps in a row" if first.rule == "W14" else "lacks a second pair of eyes"
        raise Invalid(
            f"{procedure.title}, revision {procedure.revision}, {what} at {first.step} ({first.rule}): "
            f"{first.sentence}. Correct it and try again."
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
