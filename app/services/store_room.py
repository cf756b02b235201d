"""The site's store room: lots, inspections, counts, lead times, kits.  One entry of the site's ledger for each.

The deciding is done inside the writing, so that it sees the committed state; what lies outside the site's ledger (the
housings' files, a photo, what a job's steps have used) is looked up before.
"""

from collections.abc import Callable, Mapping
from concurrent.futures import Future
from datetime import date

from app.calc.errors import Invalid
from app.domain import storing
from app.domain.event_base import Who
from app.domain.housing import Housing
from app.domain.picking import COUNTED, bank_life, last_used_on, lives_at, used_of
from app.domain.registers import SiteMoment
from app.domain.site import SiteEvent, SiteState
from app.domain.store import plain_what
from app.services.jobs import Jobs
from app.services.kits import work_of
from app.services.ports import Library, PhotoShelf
from app.services.site_book import SiteBook


class StoreRoom(SiteBook):
    """The store room of one site.  Each call raises Invalid, OutOfRange or Refused, at once or through the future."""

    def __init__(
        self, jobs: Jobs, library: Library, photos: PhotoShelf, *, unprintable: Callable[[str], str | None]
    ) -> None:
        super().__init__(jobs, unprintable=unprintable)
        self._library = library
        self._photos = photos

    def receive(self, typed: Mapping[str, str], *, by: Who | None) -> "Future[SiteState]":
        """Enter a lot that came in."""
        return self._enter(by, typed.values(), lambda state, moment: storing.lot_received(
            state.store, moment, typed, housed=state.housed
        ))  # fmt: skip

    def inspect(
        self, lot: str, seen: Mapping[str, str], *, verdict: str, reason: str, photo: str, by: Who | None
    ) -> "Future[SiteState]":
        """Enter what was seen of a lot, and whether it may be used.  photo: SHA-256 of one that is kept, or nothing."""
        if photo:
            self._photos.need(photo)
        lives = lives_of(self._library)
        return self._enter(
            by, (reason,),
            lambda state, moment: storing.lot_inspected(
                state.store, moment, lot=lot, seen=seen, verdict=verdict, reason=reason, photo=photo, lives=lives
            ),
        )  # fmt: skip

    def count(self, lot: str, now: str, reason: str, *, by: Who | None) -> "Future[SiteState]":
        """Enter what was counted of a lot."""
        return self._enter(
            by, (reason,),
            lambda state, moment: storing.lot_counted(state.store, moment, lot=lot, now=now, reason=reason),
        )  # fmt: skip

    def correct(self, lot: str, typed: Mapping[str, str], reason: str, *, by: Who | None) -> "Future[SiteState]":
        """Correct what was entered of a lot's label."""
        return self._enter(
            by, (*typed.values(), reason),
            lambda state, moment: storing.lot_corrected(
                state.store, moment, lot=lot, typed=typed, reason=reason, housed=state.housed
            ),
        )  # fmt: skip

    def choose_lead_time(self, kind: str, days: str, reason: str, *, by: Who | None) -> "Future[SiteState]":
        """Enter how long a kind takes from ordering to receipt inspection."""
        return self._enter(
            by, (reason,),
            lambda state, moment: storing.lead_time_chosen(state.store, moment, kind=kind, days=days, reason=reason),
        )  # fmt: skip

    def stage(self, key: str, lines: Mapping[str, str], *, by: Who | None) -> "Future[SiteState]":
        """Put lots aside for a job or a planned work; lines: counts as typed, by lot."""
        known = self._jobs.site()
        line = known.jobs.get(key)
        jobs = [(line, self._jobs.state(key))] if line is not None else []
        work = work_of(key, known, jobs, self._library, date.min)  # the day of a job is that of the entry

        def decide(state: SiteState, moment: SiteMoment) -> SiteEvent:
            if is_over(state, key):
                raise Invalid(f"No job or planned work {key[:30]!r} waits for material. Choose from the pick list.")
            return storing.kit_staged(state.store, moment, job=key, lines=lines, lives=work.lives, on=work.on)

        return self._enter(by, (), decide)

    def settle(self, key: str, back: Mapping[str, str], explained: str, *, by: Who | None) -> "Future[SiteState]":
        """Account for the kit of a job or of a planned work; back: what came back, as typed, by lot."""
        job = self._jobs.state(key) if self._jobs.site().jobs.get(key) is not None else None
        used = used_of(job) if job is not None else dict.fromkeys(COUNTED, 0)
        finished = job is None or job.due is None
        lives = lives_at(job.opened.housing) if job is not None and job.opened is not None else lives_of(self._library)
        return self._enter(
            by, (explained,),
            lambda state, moment: storing.kit_settled(
                state.store, moment, job=key, back=back, used=used, explained=explained, finished=finished,
                lives=lives, on=last_used_on(job) if job is not None else None,
            ),
        )  # fmt: skip


def is_over(state: SiteState, key: str) -> bool:
    """Whether nothing is put aside for a job or planned work any more, or there is none such."""
    item = state.planned.get(key)
    return (item is None or not item.waits) and not state.jobs.is_in_hand(key)


def lives_of(library: Library) -> dict[str, int]:
    """Return the longest life in years that a bank of the site gives filters, by type; the default where it has none.

    Older than that a filter serves no bank here; what one work asks is told by its needs.
    """
    return library.made_of(_lives)


def _lives(housings: tuple[Housing, ...]) -> dict[str, int]:
    longest: dict[str, int] = {}
    for housing in housings:
        for port in housing.ports:
            what = plain_what(port.filter)
            longest[what] = max(bank_life(housing, port.bank), longest.get(what, 0))
    return {port.filter: longest[plain_what(port.filter)] for housing in housings for port in housing.ports}
