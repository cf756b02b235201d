"""What every book of the site shares: one entry, decided over the committed state, in words that can be printed."""

from collections.abc import Callable, Iterable
from concurrent.futures import Future

from app.calc.errors import Invalid
from app.domain.event_base import Who
from app.domain.registers import SiteMoment
from app.domain.site import SiteEvent, SiteState
from app.records.moments import site_day
from app.services.jobs import Jobs


class SiteBook:
    """Writes entries of the site's ledger.

    The deciding is done inside the writing, so that it sees the committed state; what lies outside the site's ledger
    (files, people, photos, jobs) is looked up before.
    """

    def __init__(self, jobs: Jobs, *, unprintable: Callable[[str], str | None]) -> None:
        self._jobs = jobs
        self._unprintable = unprintable

    def _enter(
        self, by: Who | None, texts: Iterable[str], decide: Callable[[SiteState, SiteMoment], SiteEvent]
    ) -> "Future[SiteState]":
        """Append one entry.  texts: what was typed; Invalid where a record could not print it."""
        self._refuse_unprintable(texts)
        return self._jobs.write_site(lambda state, seq, at: decide(state, moment_of(state, seq, at, by)))

    def _refuse_unprintable(self, texts: Iterable[str]) -> None:
        for text in texts:
            if told := self._unprintable(text):
                raise Invalid(told)


def moment_of(state: SiteState, seq: int, at: str, by: Who | None) -> SiteMoment:
    """Return the moment of an entry: the day is that of the site's calendar."""
    return SiteMoment(seq=seq, at=at, today=site_day(at, state.zone), by=by)
