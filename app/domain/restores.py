"""Restores as a job sees them: which of its entries a tablet may have known that the record has no more.

Between two restores the entries of a job form one line; its name is that of the restore that it began with.  A tablet
says with each mark on which line it was made: sizes may be compared on one line only.
"""

from dataclasses import dataclass

from app.domain.site import SiteRestored, SiteState


@dataclass(frozen=True, slots=True)
class Restore:
    """One restore.  size: how many entries of the job the backup held; None if it did not know the job."""

    line: str
    size: int | None


def line_from(event: SiteRestored) -> str:
    """Return the name of the line that a restore begins."""
    return f"{event.manifest[:12]}.{event.at}"


def present_line(site: SiteState) -> str:
    """Return the name of the line that the site is on; empty if it was never restored."""
    return line_from(site.restored[-1]) if site.restored else ""


def restores_of(site: SiteState, job: str) -> tuple[Restore, ...]:
    """Return every restore of the site as this job saw it, oldest first."""
    return tuple(Restore(line_from(event), _size_in(site, job, event)) for event in site.restored)


def _size_in(site: SiteState, job: str, event: SiteRestored) -> int | None:
    """How many entries a backup held of a job: named in its heads, or closed in the site's own ledger before."""
    named = next((head.size for head in event.heads if head.ledger == job), None)
    if named is not None:
        return named
    known = site.jobs.get(job)
    return (known.closed_at_size or None) if known and known.entry < event.seq else None
