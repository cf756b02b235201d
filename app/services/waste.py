"""Packages from the step that makes them to the certificate: what may be entered, against the committed state.

Which packages there are is told by the jobs, what became of them by the site's ledger; both are read inside the
writing, so that no package is spoken of that no job has made.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Future
from typing import Any

from app.calc.errors import Invalid
from app.domain import wasting
from app.domain.event_base import Who
from app.domain.job import JobState
from app.domain.packages import WastePackage, fitted_serials, job_number
from app.domain.registers import SiteMoment
from app.domain.site import SiteEvent, SiteState
from app.domain.waste import CLOSED, ContainerKept
from app.domain.wasting import Known, all_packages, where_of
from app.records.moments import local_text
from app.services.jobs import job_state, no_such_job
from app.services.site_book import SiteBook, moment_of

Decide = Callable[[SiteState, SiteMoment, Known], SiteEvent | tuple[SiteEvent, ...]]


class WasteBook(SiteBook):
    """The packages of one site.  Each call that writes raises Invalid or OutOfRange, at once or through the future."""

    # --- what there is --------------------------------------------------------------------------

    def of_job(self, job: str) -> tuple[JobState, SiteState, tuple[WastePackage, ...]]:
        """Return a job, the site, and the packages of the job; raise Invalid if there is no such job."""
        state, site = self._jobs.state(job), self._jobs.site()
        if state.opened is None:
            raise no_such_job(job)
        return state, site, all_packages(state, site.waste)

    def here(self) -> tuple[SiteState, tuple[WastePackage, ...]]:
        """Return the site and every package that is not gone.

        Looked through are the jobs in hand, and those of which the site's ledger has a package that is not
        gone; a job is not closed before each of its packages stands there.
        """
        site = self._jobs.site()
        numbers = {job_number(name) for name in site.waste.here}
        known = [line.job for number in sorted(numbers) if (line := site.jobs.numbered(number)) is not None]
        jobs = dict.fromkeys((*known, *(line.job for line in site.jobs.in_hand())))
        found = (item for job in jobs for item in all_packages(self._jobs.state(job), site.waste))
        return site, tuple(item for item in found if where_of(site.waste, item).kind not in CLOSED)

    def contents(self, container: str) -> tuple[ContainerKept, tuple[WastePackage, ...]]:
        """Return a container with the packages that are in it, or that left in it; raise Invalid if there is none."""
        site = self._jobs.site()
        kept = site.waste.containers.get(container)
        if kept is None:
            raise Invalid(f"There is no container {container[:40]!r}. Choose one of those listed under Waste.")
        names = site.waste.contents(container)
        known = _known(site, names, self._jobs.state)
        return kept, tuple(known[name] for name in names)

    def named(self, names: Iterable[str]) -> Known:
        """Return these packages, whether here or gone; those that no job has made are left out."""
        site = self._jobs.site()
        return _known(site, names, self._jobs.state)

    def serials(self, job: str) -> Mapping[tuple[str, int], tuple[str, str]]:
        """Return which filters stood in a job's housing before it: serial number, and the number of the job that tells.

        The newest earlier job that tells of a position counts; jobs are read no further back than need be.
        """
        lines = self._jobs.site().jobs
        mine, opened = lines.get(job), self._jobs.state(job).opened
        found: dict[tuple[str, int], tuple[str, str]] = {}
        if mine is None or opened is None:
            return found
        places = sum(port.filters for port in opened.housing.ports)
        for line in lines.of_housing(mine.housing):
            if len(found) >= places:
                break
            if line.entry < mine.entry:
                for place, serial in fitted_serials(self._jobs.state(line.job)).items():
                    found.setdefault(place, (serial, line.number))
        return found

    # --- what is entered ------------------------------------------------------------------------

    def add(self, job: str, typed: Mapping[str, str], *, by: Who) -> "Future[SiteState]":
        """Enter a package that no cut made."""
        state = self._jobs.state(job)
        return self._write(by, typed, (), lambda site, moment, _: wasting.package_added(site, moment, state, typed))

    def tell(self, names: Sequence[str], typed: Mapping[str, str], *, by: Who) -> "Future[SiteState]":
        """Enter facts of packages."""
        return self._write(
            by, typed, names, lambda site, moment, known: wasting.packages_told(site, moment, known, names, typed)
        )

    def weigh(self, weights: Mapping[str, str], scale: str, *, by: Who) -> "Future[SiteState]":
        """Enter the weights of several packages by their names, all or none."""
        return self._write(
            by, {**weights, "scale": scale}, tuple(weights),
            lambda site, moment, known: wasting.packages_weighed(site, moment, known, weights, scale),
        )  # fmt: skip

    def check_closure(self, name: str, *, seen: str, whole: bool, by: Who) -> "Future[SiteState]":
        """Enter how the closure of a package was found."""
        return self._write(
            by, {"seen": seen}, (name,),
            lambda site, moment, known: wasting.closure_checked(site, moment, known, name, seen=seen, whole=whole),
        )  # fmt: skip

    def place(self, names: Sequence[str], typed: Mapping[str, str], *, by: Who) -> "Future[SiteState]":
        """Put packages into a container or at a place."""
        return self._write(
            by, typed, names, lambda site, moment, known: wasting.packages_placed(site, moment, known, names, typed)
        )

    def missing(self, name: str, typed: Mapping[str, str], *, by: Who) -> "Future[SiteState]":
        """Enter that a package is lost or was never made."""
        return self._write(
            by, typed, (name,), lambda site, moment, known: wasting.package_missing(site, moment, known, name, typed)
        )

    def excuse(self, name: str, reason: str, *, by: Who) -> "Future[SiteState]":
        """Let a job go to review although something of a package is open."""
        return self._write(
            by, {"reason": reason}, (name,),
            lambda site, moment, known: wasting.package_excused(site, moment, known, name, reason),
        )  # fmt: skip

    def keep_container(self, typed: Mapping[str, str], *, by: Who) -> "Future[SiteState]":
        """Enter a container, or what changed of it."""
        return self._write(by, typed, (), lambda site, moment, _: wasting.container_kept(site, moment, typed))

    def hand_over(
        self, names: Sequence[str], containers: Sequence[str], typed: Mapping[str, str], *, by: Who, both: bool
    ) -> "Future[SiteState]":
        """Hand containers and packages over; the secret of `by` was given for this."""

        def decide(site: SiteState, moment: SiteMoment, known: Known) -> SiteEvent:
            local = local_text(moment.at, site.zone)
            return wasting.handed_over(site, moment, known, names, containers, typed, local_time=local, both=both)

        return self._write(by, typed, names, decide, containers)

    def take_back(
        self, handover: str, names: Sequence[str], typed: Mapping[str, str], *, by: Who
    ) -> "Future[SiteState]":
        """Enter that packages came back from a hand-over."""
        return self._write(
            by, typed, (), lambda site, moment, _: wasting.waste_returned(site, moment, handover, names, typed)
        )

    def certify(self, handover: str, certificate: str, dated: str, *, by: Who) -> "Future[SiteState]":
        """Enter that the certificate of a hand-over has come."""
        return self._write(
            by, {"certificate": certificate}, (),
            lambda site, moment, _: wasting.certificate_received(site, moment, handover, certificate, dated),
        )  # fmt: skip

    def _write(
        self, by: Who, texts: Mapping[str, str], names: Sequence[str], decide: Decide, containers: Sequence[str] = ()
    ) -> "Future[SiteState]":
        self._refuse_unprintable(texts.values())

        def make(tx: Any, site: SiteState, seq: int, at: str) -> SiteEvent | tuple[SiteEvent, ...]:
            inside = (name for container in containers for name in site.waste.within(container))
            known = _known(site, (*names, *inside), lambda job: job_state(tx, job))
            return decide(site, moment_of(site, seq, at, by), known)

        return self._jobs.write_site_seeing(make)


def _known(site: SiteState, names: Iterable[str], state_of: Callable[[str], JobState]) -> Known:
    numbers = dict.fromkeys(job_number(name) for name in names)
    lines = [line for number in numbers if (line := site.jobs.numbered(number)) is not None]
    return {item.name: item for line in lines for item in all_packages(state_of(line.job), site.waste)}
