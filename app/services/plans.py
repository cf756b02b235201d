"""Planned work of one site and its readiness.  One entry of the site's ledger for each thing said of it.

The deciding is done inside the writing, so that it sees the committed state; what lies outside the ledger (housings,
procedures, who works here) is looked up before.  What decides over readiness is loaded with its first use.
"""

from collections.abc import Callable, Collection, Mapping
from concurrent.futures import Future

from app.domain import scheduling
from app.domain.event_base import Who
from app.domain.housing import Service
from app.domain.procedure import Procedure
from app.domain.site import SiteState
from app.records.moments import local_text
from app.services.jobs import Jobs
from app.services.planning import find_housing
from app.services.ports import Library, PeopleBook
from app.services.site_book import SiteBook


class Plans(SiteBook):
    """The plans of one site.  Each call raises Invalid or Refused, at once or through the future."""

    def __init__(
        self, jobs: Jobs, library: Library, people: PeopleBook, *, unprintable: Callable[[str], str | None]
    ) -> None:
        super().__init__(jobs, unprintable=unprintable)
        self._library = library
        self._people = people

    def plan(self, typed: Mapping[str, str], crew: Collection[str], *, by: Who) -> "Future[SiteState]":
        """Plan work for a housing."""
        people, housings, procedures = self.people(), self.housings(), tuple(self.procedures())
        return self._enter(
            by, typed.values(),
            lambda state, moment: scheduling.work_planned(
                state, moment, typed=typed, crew=crew, people=people, housings=housings, procedures=procedures
            ),
        )  # fmt: skip

    def change(self, plan: str, typed: Mapping[str, str], crew: Collection[str], *, by: Who) -> "Future[SiteState]":
        """Change a plan, with the reason."""
        people, procedures = self.people(), tuple(self.procedures())
        return self._enter(
            by, typed.values(),
            lambda state, moment: scheduling.plan_changed(
                state, moment, plan=plan, typed=typed, crew=crew, people=people, procedures=procedures
            ),
        )  # fmt: skip

    def drop(self, plan: str, reason: str, *, by: Who) -> "Future[SiteState]":
        """Drop a plan, with the reason."""
        return self._enter(
            by, (reason,), lambda state, moment: scheduling.plan_dropped(state, moment, plan=plan, reason=reason)
        )

    def answer(self, plan: str, item: str, typed: Mapping[str, str], *, by: Who) -> "Future[SiteState]":
        """Answer an item of a plan's readiness."""
        from app.domain import readying

        service, people, needs = self.service(plan), self.people(), self.needs(plan)
        return self._enter(
            by, typed.values(),
            lambda state, moment: readying.item_answered(
                state, moment, plan=plan, item=item, service=service, typed=typed, people=people, needs=needs
            ),
        )  # fmt: skip

    def not_needed(self, plan: str, item: str, reason: str, *, by: Who) -> "Future[SiteState]":
        """Say why an item is not needed."""
        from app.domain import readying

        service = self.service(plan)
        return self._enter(
            by, (reason,),
            lambda state, moment: readying.item_not_needed(
                state, moment, plan=plan, item=item, service=service, reason=reason
            ),
        )  # fmt: skip

    def open_again(self, plan: str, item: str, reason: str, *, by: Who) -> "Future[SiteState]":
        """Open an item again."""
        from app.domain import readying

        service = self.service(plan)
        return self._enter(
            by, (reason,),
            lambda state, moment: readying.item_opened_again(
                state, moment, plan=plan, item=item, service=service, reason=reason
            ),
        )  # fmt: skip

    def owe(self, plan: str, item: str, person: str, until: str, *, by: Who) -> "Future[SiteState]":
        """Name who owes an item and by which day."""
        from app.domain import readying

        service, people = self.service(plan), self.people()
        return self._enter(
            by, (),
            lambda state, moment: readying.item_owed(
                state, moment, plan=plan, item=item, service=service, person=person, until=until, people=people
            ),
        )  # fmt: skip

    def agree(self, plan: str, seen: str, *, both: bool, by: Who) -> "Future[SiteState]":
        """Sign that the work is ready; the secret was given for this."""
        from app.domain import readying

        service, people, needs = self.service(plan), self.people(), self.needs(plan)
        return self._enter(
            by, (),
            lambda state, moment: readying.readiness_agreed(
                state, moment, plan=plan, service=service, seen=seen, local_time=local_text(moment.at, state.zone),
                both=both, people=people, needs=needs,
            ),
        )  # fmt: skip

    def service(self, plan: str) -> Service:
        """Return what the air at a plan's housing carried; Invalid for an unknown plan or housing."""
        return find_housing(self._library, scheduling.plan_named(self._jobs.site(), plan).housing).service

    def needs(self, plan: str) -> tuple[str, ...]:
        """Return the qualifications that a plan's procedure needs."""
        found = self.procedure(plan)
        return found.needs if found else ()

    def procedure(self, plan: str) -> Procedure | None:
        """Return the last revision of a plan's procedure; None where it is not among the site's texts any more."""
        name = scheduling.plan_named(self._jobs.site(), plan).procedure
        found = [procedure for procedure, _ in self._library.procedures() if procedure.id == name]
        return max(found, key=lambda procedure: procedure.revision, default=None)

    def people(self) -> dict[str, Who]:
        """Return all who may work here, by id."""
        return {person.id: person.who for person in self._people.everyone() if person.role in scheduling.WORKING}

    def housings(self) -> tuple[str, ...]:
        """Return the tags of the site's housings."""
        return tuple(housing.tag for housing in self._library.housings())

    def procedures(self) -> dict[str, str]:
        """Return the titles of the site's procedures by their ids; of several revisions the last one's."""
        return {procedure.id: procedure.title for procedure, _ in self._library.procedures()}
