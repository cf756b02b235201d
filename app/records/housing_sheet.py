"""The sheet of one housing: what is due, each bank's trend with its readings and notes, and everything that happened.

Rules kept here:
- the screen and the paper are made from the same parts, the drawing from the same bytes;
- struck readings, failed tests and marks taken back stay in sight, rehearsals are left out;
- the paper names the heads of the ledgers that it was made from.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date
from typing import Any

from app.calc.bounds import plain
from app.calc.errors import Invalid
from app.domain.housing import Bank
from app.domain.job import JobState
from app.domain.job_lines import JobLine
from app.domain.site import SITE_LEDGER
from app.domain.steps import BANK_WORDS
from app.ledger.heads import Head, short_root
from app.records.bank_trend import BankTrend, bank_trend, past_trend, rate_words
from app.records.cautions import CAUTIONS, NO_COMPLIANCE
from app.records.drops import DropSeries, Known, Point, changes_of, design_of, drop_series
from app.records.due import Item, days_words, housing_due
from app.records.housing_story import story
from app.records.moments import local_text
from app.records.plot import trend_svg, words_of

HONEST = (
    "This sheet is a rendering and is not signed. What it tells of a job is proved by that job's own signed record.",
    "Times are the server's clock at this site, not externally proven. Rehearsals are left out.",
    "A forecast is a straight line through few readings: it plans, and proves nothing about the filters.",
)


@dataclass(frozen=True, slots=True)
class DropRow:
    """One line of the table beside the drawing. entry: of a reading between jobs, its place in the site's ledger."""

    day: str
    on: str
    read: str
    flow: str
    at_rated: str
    origin: str
    left_out: str
    entry: int | None


@dataclass(frozen=True, slots=True)
class BankPart:
    """One bank of a housing: whether there is a drawing, what it shows in words, facts, readings and notes.

    before: of how many changes ago these filters are; earlier: how many changes there are to go back to.
    """

    bank: str
    words: str
    since: str
    drawn: bool
    described: str
    facts: tuple[tuple[str, str], ...]
    rows: tuple[DropRow, ...]
    notes: tuple[str, ...]
    before: int = 0
    earlier: int = 0

    @property
    def file(self) -> str:
        """The name under which a sheet finds the drawing; empty if there is nothing to draw."""
        return f"trend-{self.bank}.svg" if self.drawn else ""


def trend_of(known: Known, bank: Bank, before: int = 0) -> BankTrend:
    """Return the trend of a bank as it stands now; before: of the filters that many changes ago.

    Invalid where the filters were not changed so often.
    """
    earlier = len(changes_of(known, bank))
    if before > earlier:
        raise Invalid(
            f"The filters of the {BANK_WORDS[bank]} of {known.housing.tag} were changed {times(earlier)} by the "
            "record. Go back no farther than that."
        )
    series, design = drop_series(known, bank, before=before), design_of(known.housing, bank)
    return past_trend(series, design) if before else bank_trend(series, design)


def plot_title(known: Known, bank: Bank, before: int = 0) -> str:
    """Return the title of a bank's drawing."""
    of = "pressure drop of filters that are gone" if before else "pressure drop and trend"
    return f"{known.housing.tag}, {BANK_WORDS[bank]}: {of}"


def drawing_of(known: Known, bank: Bank, before: int = 0) -> bytes:
    """Return a bank's drawing as SVG; Invalid where no reading gives anything to draw."""
    return trend_svg(trend_of(known, bank, before), title=plot_title(known, bank, before))


def drawings_of(known: Known) -> dict[str, bytes]:
    """Return the drawings of a housing by the names that its sheet gives them."""
    parts = [(bank, bank_part(known, bank)) for bank in known.housing.banks]
    return {part.file: drawing_of(known, bank) for bank, part in parts if part.drawn}


def bank_part(known: Known, bank: Bank, before: int = 0) -> BankPart:
    """Return one bank's part, of the series that counts now or of the filters so many changes ago."""
    trend = trend_of(known, bank, before)
    series, words = trend.series, BANK_WORDS[bank]
    return BankPart(
        bank=str(bank),
        words=f"{words[:1].upper()}{words[1:]}",
        since=_since(series),
        drawn=bool(series.points),
        described=words_of(trend, title=plot_title(known, bank, before)),
        facts=tuple(_facts(known, bank, trend)),
        rows=tuple(_drop_row(point) for point in series.points),
        notes=trend.notes,
        before=before,
        earlier=len(changes_of(known, bank)),
    )


def times(count: int) -> str:
    """Say how often."""
    return {0: "never", 1: "once", 2: "twice"}.get(count, f"{count} times")


def _since(series: DropSeries) -> str:
    if series.ended_on:
        begun = f"in place from {series.changed_on}" if series.changed_on else "from before the record"
        return f"filters {begun} to {series.ended_on}"
    if series.changed_on:
        return f"since the filters were changed on {series.changed_on}"
    return "since the first reading; no change of filters is on record here"


def _facts(known: Known, bank: Bank, trend: BankTrend) -> Iterator[tuple[str, str]]:
    design = design_of(known.housing, bank)
    if trend.plan_on is not None:
        yield "Plan the change by", str(trend.plan_on)
    if trend.early is not None:
        yield "Band meets the limit", f"{trend.early} to {trend.late or 'beyond a century'}"
    if rate := rate_words(trend):
        yield "Rate", rate
    for label, value, unit in (
        ("Change at", design.change_drop_pa, "Pa"), ("Clean", design.clean_drop_pa, "Pa"),
        ("Rated flow", design.rated_flow_m3_h, "m³/h"),
    ):  # fmt: skip
        if value is not None:
            yield label, f"{value} {unit}, site value"


def _drop_row(point: Point) -> DropRow:
    return DropRow(
        day=str(point.day),
        on=str(point.on),
        read=plain(point.read_pa),
        flow="" if point.flow_m3_h is None else plain(point.flow_m3_h),
        at_rated="" if point.at_rated_pa is None else f"{point.at_rated_pa:.0f}",
        origin=point.origin + (f": {point.note}" if point.note else ""),
        left_out=point.why_not,
        entry=point.entry,
    )


def reasons(items: Sequence[Item], today: date) -> Iterator[tuple[str, str, str, bool]]:
    """Yield for each reason with a day: when and how far off, the sentence, whose rule, and whether it is overdue."""
    for item in items:
        if item.on is not None:
            words = "has run out today" if item.ran_out and item.on == today else days_words(item.on, today)
            yield f"{item.on}, {words}", item.sentence, item.source, item.overdue(today)


# --- on paper -----------------------------------------------------------------------------------


def sheet_of(known: Known, heads: Mapping[str, Head], *, today: date, made_at: str) -> dict[str, Any]:
    """Return what the sheet of a housing prints, as JSON values; its drawings are those of `drawings_of`.

    heads: of the site's ledger and of the jobs of this housing, by ledger.  made_at: RFC 3339.
    Keys: title, tag, facts and made_from (pairs), due and undated, banks, story, honest, cautions, head.
    """
    due, site = housing_due(known), heads[SITE_LEDGER]
    parts = [bank_part(known, bank) for bank in known.housing.banks]
    return {
        "title": f"Housing {known.housing.tag}: history and trends",
        "tag": known.housing.tag,
        "facts": _housing_facts(known, today, made_at),
        "made_from": [[line.number, str(state.stage), _head_words(heads[line.job])] for line, state in _jobs(known)],
        "due": [
            {"when": when, "sentence": sentence, "source": source, "overdue": overdue}
            for when, sentence, source, overdue in reasons(due.dated, today)
        ],
        "undated": [{"sentence": item.sentence, "source": item.source} for item in due.undated],
        "banks": [
            {**asdict(part), "facts": [list(pair) for pair in part.facts], "rows": [asdict(row) for row in part.rows],
             "notes": list(part.notes), "file": part.file}
            for part in parts
        ],
        "story": [asdict(item) for item in story(known)],
        "honest": list(HONEST),
        "cautions": [*CAUTIONS, NO_COMPLIANCE],
        "head": {"size": site.size, "root": site.root.hex(), "at": local_text(site.at, known.site.zone)},
    }  # fmt: skip


def _jobs(known: Known) -> list[tuple[JobLine, JobState]]:
    return sorted(known.real_jobs, key=lambda item: item[0].opened_at)


def _head_words(head: Head) -> str:
    return f"{head.size} entries, root {short_root(head.root)}"


def _housing_facts(known: Known, today: date, made_at: str) -> list[list[str]]:
    housing = known.housing
    ports = [f"{port.id}, {BANK_WORDS[port.bank]}: {port.filters} × {port.filter}" for port in housing.ports]
    return [
        ["Housing", f"{housing.tag}, {housing.location}"],
        ["Service and seal", f"{housing.service.replace('_', ' ')}, {housing.seal} seal"],
        ["Ports", "; ".join(ports)],
        ["Dampers and fan", f"{housing.upstream_damper}, {housing.downstream_damper}, {housing.fan}"],
        ["Site", f"{known.site.name}, time zone {known.site.zone}"],
        ["Seen on", str(today)],
        ["This copy made", local_text(made_at, known.site.zone)],
    ]
