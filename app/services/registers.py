"""The site's registers: instruments, readings, qualifications, suggestions.  One entry of the site's ledger for each.

The deciding is done inside the writing, so that it sees the committed state; what lies outside the ledger (the
housing's file, who works here) is looked up before.
"""

from collections.abc import Callable, Mapping
from concurrent.futures import Future

from app.calc.errors import Invalid
from app.domain import registers, suggesting
from app.domain.event_base import Who
from app.domain.site import SiteState
from app.services.jobs import Jobs
from app.services.planning import find_housing
from app.services.ports import Library, PeopleBook
from app.services.site_book import SiteBook


class Registers(SiteBook):
    """The registers of one site.  Each call raises Invalid or OutOfRange, at once or through the future."""

    def __init__(
        self, jobs: Jobs, library: Library, people: PeopleBook, *, unprintable: Callable[[str], str | None]
    ) -> None:
        super().__init__(jobs, unprintable=unprintable)
        self._library = library
        self._people = people

    def keep_instrument(self, typed: Mapping[str, str], *, by: Who | None) -> "Future[SiteState]":
        """Enter an instrument, or its new calibration."""
        return self._enter(by, typed.values(), lambda state, moment: registers.instrument_kept(state, moment, typed))

    def put_aside(self, instrument: str, reason: str, *, by: Who | None) -> "Future[SiteState]":
        """Take an instrument out of use."""
        return self._enter(
            by, (reason,),
            lambda state, moment: registers.instrument_put_aside(state, moment, instrument=instrument, reason=reason),
        )  # fmt: skip

    def take_reading(self, tag: str, typed: Mapping[str, str], *, by: Who | None) -> "Future[SiteState]":
        """Enter a pressure drop read at a housing."""
        housing = find_housing(self._library, tag)
        return self._enter(
            by, typed.values(), lambda state, moment: registers.reading_taken(state, moment, housing, typed)
        )

    def strike_reading(self, tag: str, entry: str, reason: str, *, by: Who | None) -> "Future[SiteState]":
        """Strike a reading of a housing."""
        return self._enter(
            by, (reason,),
            lambda state, moment: registers.reading_struck(state, moment, housing=tag, entry=entry, reason=reason),
        )  # fmt: skip

    def note_qualification(self, person: str, what: str, until: str, *, by: Who | None) -> "Future[SiteState]":
        """Enter until when a person is qualified for something."""
        people = self.names()
        return self._enter(
            by, (what,),
            lambda state, moment: registers.qualification_noted(
                state, moment, people=people, person=person, what=what, until=until
            ),
        )  # fmt: skip

    def suggest(
        self, about: str, what: str, text: str, *, by: Who | None, job: str = "", entry: int = -1
    ) -> "Future[SiteState]":
        """Enter a change that is suggested, from a job's deviation or from nothing but experience."""
        known = not job or self._jobs.site().jobs.get(job) is not None
        if not known or (job and entry not in self._jobs.state(job).lessons.answered):
            raise Invalid(
                f"Job {job[:30]!r} has no answer about a deviation at entry {entry}. Suggest it under Lessons."
            )
        return self._enter(
            by, (what, text),
            lambda state, moment: suggesting.suggestion_made(
                state.suggestions, moment, about=about, what=what, text=text, job=job, entry=entry
            ),
        )  # fmt: skip

    def answer_suggestion(self, suggestion: int, answer: str, reason: str, *, by: Who | None) -> "Future[SiteState]":
        """Accept or decline a suggestion."""
        return self._enter(
            by, (reason,),
            lambda state, moment: suggesting.suggestion_answered(
                state.suggestions, moment, suggestion=suggestion, answer=answer, reason=reason
            ),
        )  # fmt: skip

    def carry_out(self, suggestion: int, how: str, *, by: Who | None) -> "Future[SiteState]":
        """Say how an accepted suggestion was carried out."""
        return self._enter(
            by, (how,),
            lambda state, moment: suggesting.suggestion_carried_out(
                state.suggestions, moment, suggestion=suggestion, how=how
            ),
        )  # fmt: skip

    def names(self) -> dict[str, str]:
        """Return the names of all who work here, by id."""
        return {person.id: person.name for person in self._people.everyone()}
