"""Planning: choose a housing and a procedure, see take-off, steps and the model's verdict, make the first entry."""

from collections.abc import Collection, Iterable
from dataclasses import dataclass, replace
from itertools import islice

from app.calc.errors import Invalid
from app.domain.containment.state import HousingState
from app.domain.contingency import LaidContingency, lay_contingencies
from app.domain.crew import Briefing
from app.domain.event_base import Who
from app.domain.events import JobOpened
from app.domain.examine import Breach, breaches_anywhere
from app.domain.housing import Housing
from app.domain.job_lines import JobLine
from app.domain.lessons import FURTHER
from app.domain.procedure import Procedure
from app.domain.readiness import Prepared
from app.domain.site import SiteState, next_number
from app.domain.site_settings import MARKS_APART, VERIFY_AFTER, value_of, with_limits
from app.domain.steps import Step, begin_with, closure_rule, expand, repeated_over, ways_out
from app.domain.takeoff import TakeOff, take_off
from app.domain.told import MOST_LESSONS, JobTold
from app.services.ports import Library


@dataclass(frozen=True, slots=True)
class Plan:
    """A job that could be opened."""

    housing: Housing
    procedure: Procedure
    sha256: str
    steps: tuple[Step, ...]
    start: HousingState
    takeoff: TakeOff
    breaches: tuple[Breach, ...]
    contingencies: tuple[LaidContingency, ...] = ()


def find_housing(library: Library, tag: str) -> Housing:
    """Return the housing with this tag; raise Invalid if the site has none."""
    if (housing := library.housing(tag)) is not None:
        return housing
    raise Invalid(f"There is no housing {tag!r} on this site. Choose one from the list.")


def find_procedure(library: Library, procedure_id: str, issued: Collection[str] | None = None) -> tuple[Procedure, str]:
    """Return the newest revision of a procedure and its SHA-256; raise Invalid if there is none.

    issued: the SHA-256 of what has been issued, if only that will do.
    """
    found = [(procedure, digest) for procedure, digest in library.procedures() if procedure.id == procedure_id]
    if not found:
        known = ", ".join(sorted({procedure.id for procedure, _ in library.procedures()})) or "none"
        raise Invalid(f"There is no procedure {procedure_id!r}; there is {known}. Choose one of those.")
    usable = [item for item in found if issued is None or item[1] in issued]
    if not usable:
        newest = max(procedure.revision for procedure, _ in found)
        raise Invalid(
            f"Revision {newest} of {procedure_id} has not been issued. Its approver signs it and a lead issues it "
            "under Procedures."
        )
    return max(usable, key=lambda item: item[0].revision)


def with_depths(housing: Housing, depths: dict[str, int]) -> Housing:
    """Return the housing with the deepest position to replace set for the ports named."""
    for port, depth in depths.items():
        if not 1 <= depth <= housing.port(port).filters:
            most = housing.port(port).filters
            raise Invalid(f"Port {port} is to be replaced down to position {depth}; give 1 to {most}.")
    return Housing.model_validate(
        housing.model_dump()
        | {"ports": [port.model_dump() | {"deepest": depths.get(port.id, port.deepest)} for port in housing.ports]}
    )


def plan(housing: Housing, procedure: Procedure, digest: str) -> Plan:
    """Lay the procedure over the housing and run it through the model."""
    steps, start = expand(procedure, housing), begin_with(procedure, housing)
    kept = lay_contingencies(procedure, housing)
    found = breaches_anywhere(steps, ways_out(procedure, housing, steps), kept, start)
    return Plan(housing, procedure, digest, steps, start, take_off(steps, housing, start), found, kept)


def lessons_of(jobs: Iterable[tuple[JobLine, JobTold]]) -> tuple[str, ...]:
    """Return what earlier jobs on a housing taught, as its next brief tells it.

    jobs: the newest first; no more of them are asked for than it takes.
    """
    told = (f"Job {line.number}: {lesson}" for line, job in jobs for lesson in job.lessons)
    return tuple(islice(told, MOST_LESSONS))


def first_entry(
    made: Plan, *, site: SiteState, by: Who, at: str, crew: tuple[Who, ...], rehearsal: bool,
    lessons: tuple[str, ...] = (), prepared: Prepared | None = None,
) -> JobOpened:  # fmt: skip
    """Return the first entry of a job with this plan; lessons: what earlier jobs on the housing taught.

    prepared: the planned work that it is opened from, as it stands.  Where neither housing nor procedure has a limit
    for a reading on which the opening rests, the site's holds.
    """
    made = _limited(made, with_limits(made.housing, made.procedure, site))
    rule = closure_rule(made.procedure, made.housing)
    number = next_number(site, int(at[:4]))
    return JobOpened(
        ledger=f"job-{number}",
        seq=0,
        at=at,
        by=by,
        number=number,
        site=site.name,
        zone=site.zone,
        housing=made.housing,
        procedure=made.procedure.id,
        revision=made.procedure.revision,
        procedure_title=made.procedure.title,
        procedure_sha256=made.sha256,
        kind=made.procedure.kind,
        prepared=prepared,
        signal_words=made.procedure.signal_words,
        steps=made.steps,
        ways_out=ways_out(made.procedure, made.housing, made.steps) or None,
        contingencies=made.contingencies or None,
        ties_each_side=rule.ties_each_side,
        bands_each_side=rule.bands_each_side,
        crew=crew,
        rehearsal=rehearsal,
        marks_apart_s=value_of(site, MARKS_APART),
        verify_after_min=None if rehearsal else value_of(site, VERIFY_AFTER) or None,
        brief=Briefing(
            needs=made.procedure.needs, lessons=lessons, asks=None if rehearsal else tuple(FURTHER), branches=True
        ),
        repeated=repeated_over(made.procedure, made.housing),
    )


def _limited(made: Plan, housing: Housing) -> Plan:
    """Lay the steps anew where the site gives limits that the housing had not; the model sees none of them."""
    if housing is made.housing:
        return made
    steps, kept = expand(made.procedure, housing), lay_contingencies(made.procedure, housing)
    return replace(made, housing=housing, steps=steps, contingencies=kept)
