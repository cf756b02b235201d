"""The page of one housing: its nameplate, what is in place, what was found, its jobs."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date

from app.domain.housed import Difference, Housed
from app.domain.housed_events import HousingPhotographed, SurveyTaken
from app.domain.housing import Housing
from app.domain.planned import Planned
from app.domain.procedure import Role
from app.domain.site import SiteState
from app.domain.steps import BANK_WORDS
from app.records.in_place import FilterLine, Jobs, filter_lines
from app.records.moments import local_text
from app.records.wording import limit_gaps
from app.web.entered import Refilled
from app.web.roles import KEEPERS
from app.web.views.pages import JobRow


@dataclass(frozen=True, slots=True)
class DifferenceRow:
    """A difference that is open."""

    entry: int
    point: str
    housing: str
    label: str
    register_has: str
    found: str
    sentence: str
    who: str


@dataclass(frozen=True, slots=True)
class SurveyRow:
    """A survey that was taken."""

    entry: int
    when: str
    who: str
    told: str
    measured: tuple[str, ...]
    photos: tuple[str, ...]
    note: str


@dataclass(frozen=True, slots=True)
class PictureRow:
    """A photo on the register.  entry: the one that put it there."""

    entry: int
    photo: str
    shows: str
    told: str


@dataclass(frozen=True, slots=True)
class HousingPage:
    """A housing as the site knows it.  spots: positions that may be filled, as port and position.

    off: that it was taken off the register, by whom, when and why; nothing while it stands there.
    """

    tag: str
    facts: tuple[tuple[str, str], ...]
    hazards: tuple[str, ...]
    plate: str
    off: str
    filters: tuple[FilterLine, ...]
    spots: tuple[tuple[str, int], ...]
    differences: tuple[DifferenceRow, ...]
    surveys: tuple[SurveyRow, ...]
    pictures: tuple[PictureRow, ...]
    jobs: tuple[JobRow, ...]
    planned: tuple[Planned, ...]
    today: date
    may_plan: bool
    may_place: bool
    form: Refilled
    leaving: Refilled


def housing_page(
    housing: Housing, digest: str | None, state: SiteState, jobs: tuple[JobRow, ...], role: Role, today: date,
    *, form: Refilled, leaving: Refilled,
) -> HousingPage:  # fmt: skip
    """Return the page; digest: SHA-256 of the housing's text as its file has it."""
    lines = state.jobs.of_housing(housing.tag)
    again = frozenset(line.job for line in lines if line.closed and state.jobs.is_in_hand(line.job))
    known = Jobs({line.job: line.number for line in lines}, again)
    waiting = (item for item in state.planned.waiting if item.housing == housing.tag)
    return HousingPage(
        tag=housing.tag,
        facts=(*_facts(housing), *(("No limit of its own", f"{told}.") for told in limit_gaps(housing, state))),
        hazards=housing.hazards or (),
        plate=plate_words(housing.tag, digest, state.housed, state.zone),
        off=off_words(state, housing.tag),
        filters=tuple(filter_lines(housing, state.housed, today, state.zone, known)),
        spots=tuple((port.id, place) for port in housing.ports for place in range(1, port.filters + 1)),
        differences=difference_rows(state.housed.open_at(housing.tag), state.zone),
        surveys=tuple(_survey_row(item, state.zone) for item in reversed(state.housed.surveys.get(housing.tag, ()))),
        pictures=tuple(
            PictureRow(item.seq, item.photo, item.shows, _by_and_when(item, state.zone))
            for item in reversed(state.housed.pictures.get(housing.tag, ()))
        ),
        jobs=jobs,
        planned=tuple(sorted(waiting, key=lambda item: (item.begins, item.plan))),
        today=today,
        may_plan=role is Role.LEAD,
        may_place=role in KEEPERS,
        form=form,
        leaving=leaving,
    )


def _by_and_when(event: HousingPhotographed, zone: str) -> str:
    return f"{event.by.name if event.by else 'the site'}, {local_text(event.at, zone)[:16]}"


def off_words(state: SiteState, tag: str) -> str:
    """Say that a housing is off the register, by whom, when and why; nothing while it stands there."""
    event = state.housed.off.get(tag)
    if event is None:
        return ""
    by = event.by.name if event.by else "the site"
    return f"Off the register: {by}, {local_text(event.at, state.zone)[:16]}: {event.reason}."


def _facts(housing: Housing) -> Iterator[tuple[str, str]]:
    yield "Place", housing.location
    if housing.access:
        yield "Access", housing.access
    yield "Service, seal", f"{housing.service.replace('_', ' ')}, {housing.seal} seal"
    yield (
        "Dampers, fan",
        f"{housing.upstream_damper} upstream, {housing.downstream_damper} downstream, {housing.fan}",
    )
    yield "Isolation points", "; ".join(f"{item.tag} ({item.kind.words}, {item.safe})" for item in housing.points)
    for port in housing.ports:
        more = [f"ring {port.ring}" if port.ring else "", f"bag {port.bag}" if port.bag else ""]
        more += [f"clamp: {port.clamp_type}" if port.clamp_type else ""]
        extra = "".join(f", {item}" for item in more if item)
        yield f"Port {port.id}", f"{BANK_WORDS[port.bank]}: {port.filters} × {port.filter} in series{extra}"
    if housing.gauges:
        yield (
            "Gauges",
            "; ".join(f"{item.tag}: {item.reads}{f' ({item.scale})' if item.scale else ''}" for item in housing.gauges),
        )
    if housing.test_ports:
        yield "Test ports", "; ".join(f"{item.tag}: {item.at}" for item in housing.test_ports)
    if housing.neighbours:
        yield "Look-alikes nearby", ", ".join(housing.neighbours)
    for name, limit in housing.limits.items():
        between = " to " if limit.low and limit.high else ""
        yield (
            f"Limit: {name.replace('_', ' ')}",
            (f"{limit.low or ''}{between}{limit.high or ''} {limit.unit} — {limit.basis}"),
        )
    if housing.notes:
        yield "Notes", housing.notes


def plate_words(tag: str, digest: str | None, register: Housed, zone: str) -> str:
    """Say who entered the nameplate, and whether its file is still what was entered."""
    known = register.plates.get(tag)
    if known is None:
        return "The nameplate was put into the site's folder as a file; nobody entered it here."
    by = known.by.name if known.by else "the site"
    told = f"Nameplate entered by {by}, {local_text(known.at, zone)[:16]}: {known.why}."
    if digest != known.sha256:
        return f"{told} Its file was changed since, outside of this program: look at it, then enter the nameplate anew."
    return f"{told} SHA-256 of its text: {known.sha256[:16]}…"


def difference_rows(found: tuple[Difference, ...], zone: str) -> tuple[DifferenceRow, ...]:
    """Return open differences as pages show them."""
    return tuple(
        DifferenceRow(
            item.entry, item.point, item.housing, item.label, item.register_has or "nothing", item.found, item.sentence,
            f"{item.by.name if item.by else 'the site'}, {local_text(item.at, zone)[:16]}",
        )
        for item in found
    )  # fmt: skip


def open_tags(differences: Mapping[tuple[int, str], Difference]) -> dict[str, int]:
    """Return how many differences each housing has open."""
    counted: dict[str, int] = {}
    for item in differences.values():
        counted[item.housing] = counted.get(item.housing, 0) + 1
    return counted


def _survey_row(survey: SurveyTaken, zone: str) -> SurveyRow:
    differ = sum(item.found is not None for item in survey.seen)
    unseen = sum(bool(item.unseen) for item in survey.seen)
    same = len(survey.seen) - differ - unseen
    return SurveyRow(
        entry=survey.seq,
        when=local_text(survey.at, zone)[:16],
        who=survey.by.name if survey.by else "",
        told=f"{same} as on the register, {differ} differed, {unseen} could not be seen",
        measured=tuple(
            f"{item.what}: {item.value}{f' {item.unit}' if item.unit else ''}" for item in survey.measured or ()
        ),
        photos=survey.photos or (),
        note=survey.note or "",
    )
