"""The pages of the registers and of what is due: rows of plain text, made from the pure parts."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from urllib.parse import urlencode

from app.domain.housing import Bank
from app.domain.instruments import Instrument, InstrumentKind
from app.domain.planned import Planned
from app.domain.site import SiteState
from app.records.drops import Known
from app.records.due import SOON_DAYS, HousingDue, Item, Standing, calibrations, days_words, qualifications
from app.records.housing_sheet import BankPart, bank_part, reasons
from app.records.housing_story import StoryPart
from app.services.due import DuePart
from app.web.entered import NOTHING, Refilled
from app.web.views.pages import SEEN_AT_A_GLANCE


@dataclass(frozen=True, slots=True)
class InstrumentRow:
    """One instrument of the register. state: its calibration in words; facts: its numbers in words."""

    id: str
    kind: str
    description: str
    state: str
    bad: bool
    facts: str


@dataclass(frozen=True, slots=True)
class InstrumentPage:
    """The register of instruments."""

    rows: tuple[InstrumentRow, ...]
    aside: tuple[tuple[str, str, str], ...]
    kinds: tuple[str, ...]
    may_keep: bool
    today: date
    form: Refilled
    striking: Refilled


def instrument_page(
    state: SiteState, today: date, *, may_keep: bool, form: Refilled, striking: Refilled
) -> InstrumentPage:
    """Return the page: by the day the calibration is due, what is put aside at the end."""
    ordered = sorted(state.instruments.values(), key=lambda item: (item.due, item.id))
    aside = [(name, event.at[:10], event.reason) for name, event in state.put_aside.items()]
    return InstrumentPage(
        rows=tuple(_instrument_row(item, today) for item in ordered),
        aside=tuple(sorted(aside)),
        kinds=tuple(InstrumentKind),
        may_keep=may_keep,
        today=today,
        form=form,
        striking=striking,
    )


def _instrument_row(item: Instrument, today: date) -> InstrumentRow:
    facts = [f"calibrated {item.calibrated_on}"]
    facts += [f"certificate {item.certificate}"] if item.certificate else []
    facts += [f"resolves {item.floor_fraction} of upstream"] if item.floor_fraction else []
    facts += [f"full scale {item.full_scale}"] if item.full_scale else []
    facts += [f"uncertainty {item.u_pct} %"] if item.u_pct else []
    facts += [f"efficiency {item.efficiency}"] if item.efficiency else []
    return InstrumentRow(
        id=item.id,
        kind=str(item.kind),
        description=item.description,
        state=calibration_words(item.due, today),
        bad=item.due < today,
        facts=", ".join(facts),
    )


def calibration_words(due: date, today: date) -> str:
    """Say how a calibration stands: the due day is still good."""
    if due < today:
        return f"OUT OF CALIBRATION since {due}, {days_words(due, today)}"
    told = "due soon" if (due - today).days <= SOON_DAYS else "in calibration"
    return f"{told}, good until {due} ({days_words(due, today)})"


@dataclass(frozen=True, slots=True)
class QualificationPage:
    """Who is qualified for what, until when."""

    rows: tuple[tuple[str, str, str, bool], ...]
    people: tuple[tuple[str, str], ...]
    may_note: bool
    today: date
    form: Refilled


def qualification_page(
    state: SiteState, names: dict[str, str], today: date, *, may_note: bool, form: Refilled
) -> QualificationPage:
    """Return the page, what has run out first."""
    return QualificationPage(
        rows=tuple(_standing_row(item, today) for item in qualifications(state, names)),
        people=tuple(sorted(names.items(), key=lambda item: item[1])),
        may_note=may_note,
        today=today,
        form=form,
    )


def _standing_row(item: Standing, today: date) -> tuple[str, str, str, bool]:
    """Who or which, what, until when in words, and whether it has run out."""
    return item.of, item.what, f"{item.until}, {days_words(item.until, today)}", item.overdue(today)


@dataclass(frozen=True, slots=True)
class DueHousing:
    """One housing of the list: its earliest day in words, its reasons, and the reasons without a day.

    reasons: the earliest and what is overdue; later: the others that have a day, which the page folds away.
    planned: the work that waits there, number and words.  plan_at: where it is planned, for whoever may and where
    nothing waits.
    """

    tag: str
    location: str
    when: str
    overdue: bool
    reasons: tuple[tuple[str, str, str, bool], ...]
    later: tuple[tuple[str, str, str, bool], ...]
    undated: tuple[tuple[str, str], ...]
    planned: tuple[tuple[str, str], ...]
    plan_at: str


@dataclass(frozen=True, slots=True)
class DuePage:
    """What is due over the whole site, of the housings a page.

    words: what was looked for.  first, count: which of how many that hold the words; older: how many to pass by for the
    next ones, or 0.  many: there are so many housings that one looks for words.
    """

    today: date
    words: str
    housings: tuple[DueHousing, ...]
    first: int
    count: int
    older: int
    many: bool
    instruments: tuple[tuple[str, str, str, bool], ...]
    qualifications: tuple[tuple[str, str, str, bool], ...]


def due_page(
    part: DuePart, words: str, state: SiteState, names: dict[str, str], today: date, *, many: int, may_plan: bool
) -> DuePage:
    """Return the page of what is due, overdue first.  many: how many housings there are."""
    planned: dict[str, list[Planned]] = {}
    for item in sorted(state.planned.waiting, key=lambda item: (item.begins, item.plan)):
        planned.setdefault(item.housing, []).append(item)
    past = part.first - 1 + len(part.housings)
    return DuePage(
        today=today,
        words=words,
        first=part.first,
        count=part.count,
        older=past if part.housings and past < part.count else 0,
        many=many > SEEN_AT_A_GLANCE,
        housings=tuple(
            DueHousing(
                tag=due.tag,
                location=due.location,
                when=f"{due.on}, {days_words(due.on, today)}: {due.told}" if due.on else due.told,
                overdue=any(item.overdue(today) for item in due.dated),
                reasons=tuple(reasons(_now(due, today), today)),
                later=tuple(reasons([item for item in due.dated if item not in _now(due, today)], today)),
                undated=tuple((item.sentence, item.source) for item in due.undated),
                planned=tuple(
                    (item.plan, f"{item.procedure.replace('-', ' ')}, {item.intent.hours}")
                    for item in planned.get(due.tag, ())
                ),
                plan_at=_plan_at(due) if may_plan and due.dated and due.tag not in planned else "",
            )
            for due in part.housings
        ),
        instruments=tuple(_standing_row(item, today) for item in calibrations(state)),
        qualifications=tuple(_standing_row(item, today) for item in qualifications(state, names)),
    )


def _now(due: HousingDue, today: date) -> list[Item]:
    """Return the reasons that count now: the earliest, and whatever is overdue."""
    return [item for place, item in enumerate(due.dated) if not place or item.overdue(today)]


def _plan_at(due: HousingDue) -> str:
    """Return the address of the form to plan work for a housing, with the earliest reason filled in."""
    why = f"{due.told}, due {due.on}"
    return f"/planned?{urlencode({'housing': due.tag, 'why': why[:1].upper() + why[1:]})}#plan"


@dataclass(frozen=True, slots=True)
class HistoryPage:
    """A housing's history.  newest: the story begins with what happened last."""

    tag: str
    location: str
    banks: tuple[BankPart, ...]
    story: StoryPart
    newest: bool
    manometers: tuple[tuple[str, str], ...]
    may_strike: bool
    today: date
    form: Refilled
    striking: Refilled
    blank: Refilled = NOTHING


def history_page(
    known: Known, part: StoryPart, today: date, earlier: Mapping[Bank, int], *, newest: bool, may_strike: bool,
    form: Refilled, striking: Refilled,
) -> HistoryPage:  # fmt: skip
    """Return the page: each bank with its trend, then what happened.

    earlier: of how many changes ago the filters are that a bank is shown with, where not those in place.
    """
    register = known.site.instruments.values()
    return HistoryPage(
        tag=known.housing.tag,
        location=known.housing.location,
        banks=tuple(bank_part(known, bank, earlier.get(bank, 0)) for bank in known.housing.banks),
        story=part,
        newest=newest,
        manometers=tuple(
            (item.id, f"{item.id}, {calibration_words(item.due, today)}")
            for item in sorted(register, key=lambda item: item.id)
            if item.kind is InstrumentKind.MANOMETER
        ),
        may_strike=may_strike,
        today=today,
        form=form,
        striking=striking,
    )
