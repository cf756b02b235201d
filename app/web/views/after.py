"""After the jobs: what they taught, suggested and answered, and figures over a year."""

from dataclasses import dataclass

from app.domain.site import SiteState
from app.domain.suggesting import KEEPERS
from app.domain.suggestions import About, Suggestion
from app.records.figures import Cell, Figure, Row, beside
from app.records.moments import local_text
from app.services.figures import YearsAtHand
from app.services.ports import Session
from app.web.entered import Refilled

SHOWN_AT_ONCE = 25
ABOUT_HINTS = {
    About.PROCEDURE: "the procedure and step",
    About.KIT: "the spare, lead time or tool",
    About.REGISTER: "the housing and entry",
}


@dataclass(frozen=True, slots=True)
class SuggestionRow:
    """One suggestion.  lines: who did what with it and when, in that order.  may: answer, carry out or nothing."""

    entry: int
    about: str
    what: str
    text: str
    stands: str
    lines: tuple[str, ...]
    may: str
    job: str


@dataclass(frozen=True, slots=True)
class SuggestionsPage:
    """Suggestions: those that wait, those that are to be carried out, and some of those that are settled, newest first.

    past: how many of the settled are passed by with those that are shown.  of: all that are settled.
    """

    waiting: tuple[SuggestionRow, ...]
    to_do: tuple[SuggestionRow, ...]
    settled: tuple[SuggestionRow, ...]
    past: int
    of: int
    about: tuple[tuple[str, str], ...]
    form: Refilled


def suggestions_page(state: SiteState, session: Session, form: Refilled, *, skip: int) -> SuggestionsPage:
    """Return the page as this person sees it.  skip: so many of the settled were passed by."""
    rows = [_row(item, state.zone, session) for _, item in sorted(state.suggestions.all.items(), reverse=True)]
    settled = [row for row in rows if row.stands in ("declined", "carried out")]
    shown = settled[skip : skip + SHOWN_AT_ONCE]
    return SuggestionsPage(
        waiting=tuple(row for row in rows if row.stands == "waits for an answer"),
        to_do=tuple(row for row in rows if row.stands == "accepted, to be carried out"),
        settled=tuple(shown),
        past=skip + len(shown),
        of=len(settled),
        about=tuple((str(about), hint) for about, hint in ABOUT_HINTS.items()),
        form=form,
    )


def _row(item: Suggestion, zone: str, session: Session) -> SuggestionRow:
    made = item.made
    lines = [f"suggested by {made.by.name if made.by else 'the site'}, {local_text(made.at, zone)[:16]}"]
    if (answered := item.answered) is not None:
        by = answered.by.name if answered.by else "the site"
        lines.append(f"{answered.answer} by {by}, {local_text(answered.at, zone)[:16]}: {answered.reason}")
    if (done := item.carried_out) is not None:
        by = done.by.name if done.by else "the site"
        lines.append(f"carried out, says {by}, {local_text(done.at, zone)[:16]}: {done.how}")
    return SuggestionRow(
        entry=made.seq, about=str(made.about), what=made.what, text=made.text, stands=item.stands, lines=tuple(lines),
        may=_may(item, session), job=made.job,
    )  # fmt: skip


def _may(item: Suggestion, session: Session) -> str:
    if session.who.role not in KEEPERS:
        return ""
    if item.answered is None:
        own = item.made.by is not None and item.made.by.id == session.who.id
        return "" if own else "answer"
    return "carry out" if item.answered.answer == "accepted" and item.carried_out is None else ""


@dataclass(frozen=True, slots=True)
class Bar:
    """One row of a figure with its bar: how long it is, in hundredths of the longest.  by: who told it, in words."""

    what: str
    told: str
    by: str
    length: int


@dataclass(frozen=True, slots=True)
class FiguresPage:
    """The figures of a year.  waiting: how many of how many records are read, while its figures cannot be shown."""

    year: int
    years: tuple[int, ...]
    figures: tuple[tuple[Figure, tuple[Bar, ...]], ...]
    jobs: int
    left_out: int
    waiting: tuple[int, int] | None


def figures_page(
    year: int, years: tuple[int, ...], figures: tuple[Figure, ...], *, jobs: int = 0, left_out: int = 0,
    waiting: tuple[int, int] | None = None,
) -> FiguresPage:  # fmt: skip
    """Return the figures with the lengths of their bars."""
    drawn = tuple((figure, tuple(_bar(row) for row in figure.rows)) for figure in figures)
    return FiguresPage(year, years, drawn, jobs, left_out, waiting)


MOST_BESIDE = 6
"""Years that stand beside each other, the newest (our figure): as many columns as a page has room for."""


@dataclass(frozen=True, slots=True)
class Column:
    """What one year says of one thing, with its column: its height and its upper end, in hundredths of a whole."""

    parts: tuple[str, ...]
    height: int
    top: int


@dataclass(frozen=True, slots=True)
class BesideFigure:
    """One figure with its columns; none where a year has nothing of a thing.  whole: what a whole column stands for."""

    title: str
    about: str
    whole: str
    lines: tuple[tuple[str, tuple[Column | None, ...]], ...]


@dataclass(frozen=True, slots=True)
class BesidePage:
    """The figures of several years.  years: each with how many records it comes from and how many were left out.

    waiting: years whose records are being read, with how many of how many are.
    """

    years: tuple[tuple[int, int, int], ...]
    waiting: tuple[tuple[int, int, int], ...]
    figures: tuple[BesideFigure, ...]
    more: bool


def beside_page(found: YearsAtHand) -> BesidePage:
    """Return the figures of years beside each other."""
    return BesidePage(
        years=tuple((year, jobs, left_out) for year, (_, jobs, left_out) in found.found.items()),
        waiting=tuple((year, read, of) for year, (read, of) in found.waiting.items()),
        figures=tuple(
            BesideFigure(item.title, item.about, item.whole, tuple(
                (what, tuple(None if cell is None else _column(cell) for cell in cells)) for what, cells in item.lines
            ))
            for item in beside({year: figures for year, (figures, _, _) in found.found.items()})
        ),
        more=found.count > len(found.found) + len(found.waiting),
    )  # fmt: skip


def _column(cell: Cell) -> Column:
    """Return a cell with its column; what is little is still seen."""
    height = max(round(100 * cell.column), 2) if cell.column else 0
    return Column(tuple(cell.told.split(", ")), height, 100 - height)


def _bar(row: Row) -> Bar:
    return Bar(row.what, row.plain, row.by, round(100 * row.value / row.of) if row.of else 0)
