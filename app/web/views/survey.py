"""The survey of a housing on a tablet, and the list of what differs."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

from app.domain.housed import Housed, in_order
from app.domain.housing import Housing
from app.domain.site import SiteState
from app.domain.surveying import AS_ON_REGISTER, DATED, DIFFERS, MOST_PHOTOS, UNSEEN, Point, as_shown, points_of
from app.records.moments import local_text
from app.web.entered import Refilled
from app.web.views.housing import DifferenceRow, difference_rows

ANSWERS = (AS_ON_REGISTER, DIFFERS, UNSEEN)
MEASURED_SHOWN = 4


@dataclass(frozen=True, slots=True)
class PointView:
    """One point to look at.  serial: a filter that the register does not know may be entered here.  dated: a day."""

    id: str
    label: str
    register_has: str
    answer: str
    found: str
    serial: bool
    made: str
    dated: bool


@dataclass(frozen=True, slots=True)
class SurveyPage:
    """A walk around one housing.  photos: names of those that were taken before a refusal, or nothing.

    taken: how many surveys it has had, so that what a tablet keeps of this one ends with it.
    """

    tag: str
    location: str
    sections: tuple[tuple[str, tuple[PointView, ...]], ...]
    answers: tuple[str, ...]
    measured: tuple[tuple[str, str, str], ...]
    photos: tuple[str, ...]
    note: str
    meaning: str
    local_now: str
    today: date
    taken: int
    form: Refilled


def survey_page(
    housing: Housing, state: SiteState, form: Refilled, *, meaning: str, now: str, today: date
) -> SurveyPage:
    """Return the page: the housing first, then port by port, each with what the register has."""
    return SurveyPage(
        tag=housing.tag,
        location=housing.location,
        sections=tuple(_sections(housing, state.housed, form)),
        answers=ANSWERS,
        measured=tuple(
            (form[f"what.{place}"], form[f"value.{place}"], form[f"unit.{place}"])
            for place in range(1, MEASURED_SHOWN + 1)
        ),
        photos=tuple(form[f"photo.{place}"] or form[f"photo-kept.{place}"] for place in range(1, MOST_PHOTOS + 1)),
        note=form["note"],
        meaning=meaning,
        local_now=local_text(now, state.zone),
        today=today,
        taken=len(state.housed.surveys.get(housing.tag, ())),
        form=form,
    )


def _sections(housing: Housing, register: Housed, form: Refilled) -> Iterator[tuple[str, tuple[PointView, ...]]]:
    points = points_of(housing, register)
    of_ports = {port.id: f"Port {port.id}" for port in housing.ports}
    yield "The housing and what isolates it", tuple(_view(item, form) for item in points if _port_of(item) is None)
    for port, title in of_ports.items():
        yield title, tuple(_view(item, form) for item in points if _port_of(item) == port)


def _port_of(point: Point) -> str | None:
    kind, _, rest = point.id.partition(".")
    if kind in ("serial", "dated"):
        return rest.rpartition(".")[0]
    return rest if kind in ("filters", "type", "ring", "bag", "clamp", "seal") else None


def _view(point: Point, form: Refilled) -> PointView:
    """A point as it stands; the answer that was chosen to what the register had before is not one to what it has."""
    answer = form[f"p.{point.id}"] if as_shown(point, form.fields) else ""
    return PointView(
        point.id, point.label, point.register_has, answer, form[f"f.{point.id}"],
        point.id.startswith("serial."), form[f"made.{point.id}"], point.id.startswith(DATED),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class SurveysPage:
    """What differs and waits for a lead, and the surveys that were taken, newest first."""

    differences: tuple[DifferenceRow, ...]
    taken: tuple[tuple[str, str, str, str], ...]
    may_answer: bool
    form: Refilled


MOST_TAKEN = 50
"""So many surveys are listed (our figure); each housing's page has all of its own."""


def surveys_page(state: SiteState, *, may_answer: bool, form: Refilled) -> SurveysPage:
    """Return the page."""
    taken = sorted((item for items in state.housed.surveys.values() for item in items), key=lambda item: -item.seq)
    return SurveysPage(
        differences=difference_rows(in_order(state.housed.differences.values()), state.zone),
        taken=tuple(
            (
                item.housing, local_text(item.at, state.zone)[:16], item.by.name if item.by else "",
                f"{sum(seen.found is not None for seen in item.seen)} of {len(item.seen)} points differed",
            )
            for item in taken[:MOST_TAKEN]
        ),
        may_answer=may_answer,
        form=form,
    )  # fmt: skip
