"""What is handed out as a file: its head, its entry in the site's ledger, its safe name."""

from fastapi import Request
from starlette.responses import Response

from app.domain.event_base import Who
from app.domain.events import Event
from app.domain.job import JobState, Stage, fold
from app.domain.procedure import Role
from app.domain.refused import Refused
from app.domain.site import RecordExported
from app.ledger.heads import Head
from app.records.veil import unseen
from app.services.jobs import no_such_job
from app.web.context import session_of, site_of


def newest_head(request: Request, job: str) -> Head:
    """Return the newest head of a job; raise Invalid if there is no such job."""
    head = site_of(request).jobs.newest_head(job)
    if head is None:
        raise no_such_job(job)
    return head


def as_headed(request: Request, job: str) -> tuple[Head, JobState, tuple[Event, ...]]:
    """Return the newest head of a job, with the state and the entries that it stands for: read once, so that they fit.

    Raises Invalid if there is no such job.
    """
    head = newest_head(request, job)
    events = site_of(request).jobs.events(job)[: head.size]
    return head, fold(events), events


def note_export(request: Request, job: str, head: Head, *, veiled: bool = False) -> None:
    """Write the export into the site's ledger, with the head that leaves the building.

    veiled: nothing stands in it that is to be verified unseen, so that whoever takes it may still verify.
    """
    site, who = site_of(request), session_of(request).who
    site.jobs.write_site(
        lambda _, seq, at: RecordExported(
            seq=seq, at=at, by=who, job=job, size=head.size, root=head.root.hex(), veiled=veiled or None
        ),
        urgent=True,
    ).result()


def refuse_unseen(state: JobState, who: Who) -> None:
    """Raise Refused while the record so far would show what somebody is verifying without having seen it.

    Of stopped or suspended work a lead or safety officer takes it all the same: something may have happened.  Whoever
    did so verifies nothing of what had been entered by then.
    """
    takes = state.stage is not Stage.OPEN and who.role in (Role.LEAD, Role.SAFETY_OFFICER)
    if unseen(state) and not takes:
        raise Refused(
            "unseen",
            "The record holds an answer that is being verified unseen now. Make the verification and take the record "
            "then; of stopped work a lead or safety officer can take it now.",
        )


def download(data: bytes, media_type: str, name: str) -> Response:
    """Answer with a file to keep, under a name of letters, digits and `-._` only."""
    safe = "".join(char for char in name if char.isascii() and (char.isalnum() or char in "-._"))
    return Response(data, media_type=media_type, headers={"Content-Disposition": f'attachment; filename="{safe}"'})
